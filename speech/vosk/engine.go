package vosk

import (
	"bufio"
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"leadsman/speech"
)

// GetModel says how to come by a model that this package can use.
const GetModel = "no package registry carries an English Vosk model: download a small one such as vosk-model-small-en-us-0.15 " +
	"(40 MB, Apache-2.0) from https://alphacephei.com/vosk/models, unpack it, and name its folder with --model"

// Options say which model to use and how to listen. Zero values stand for the defaults given.
type Options struct {
	ModelDir string // folder of a Vosk model that takes word lists at run time: the small ones do

	// Respell has further lines in the format of respell.txt; RespellName stands in errors.
	Respell     io.Reader
	RespellName string

	// Others are words that are no calls: what fits them better is not meant for the tool. Default:
	// the English words of others.txt.
	Others []string

	NBest int // readings asked of Vosk; 20

	speech.Waits               // when a call counts as ended
	PartialEvery time.Duration // how often what was heard so far is asked for; 200 ms

	// FillerLimit is the Hypothesis.Filler above which a reading is rejected. Hypothesis.Filler is
	// how much better (natural log, per word) something that is no call fits the sound; 2.
	FillerLimit float64
	// Temperature divides differences of Vosk's scores (natural log) before they become
	// probabilities; 1, at which the scores of such models are trained to be probabilities of whole
	// sentences. Not fitted: no English model could be had to fit it on.
	Temperature float64
}

func (o Options) withDefaults() Options {
	o.Waits = o.Waits.WithDefaults()
	o.PartialEvery = cmp.Or(o.PartialEvery, 200*time.Millisecond)
	o.NBest = cmp.Or(o.NBest, 20)
	o.FillerLimit = cmp.Or(o.FillerLimit, 2)
	o.Temperature = cmp.Or(o.Temperature, 1)
	o.RespellName = cmp.Or(o.RespellName, "respellings")
	return o
}

// heardWord is a word of Vosk's with its time in milliseconds from the first sample it was given.
type heardWord struct {
	text     string
	from, to int64
}

// alternative is one of Vosk's readings with the natural log of its likelihood.
type alternative struct {
	words []heardWord
	score float64
}

// model is a loaded Vosk model; tests have one of their own.
type model interface {
	has(word string) bool
	// decoder starts an utterance in a language of phrases (a JSON list).
	decoder(phrases string, nbest int) (decoder, error)
	free()
}

// decoder hears one utterance. Results depend on the sizes of the blocks that it gets.
type decoder interface {
	accept(pcm []int16)
	partial() ([]string, error)    // the words so far
	final() ([]alternative, error) // ends the utterance
	free()
}

// Engine is a Vosk model with the words that it is to hear. One Engine serves all chairs; close it
// after its recognizers.
type Engine struct {
	opt     Options
	m       model
	name    string
	respell map[string][][]string // for words that the model lacks
	added   map[string][][]string // the practice's own, for any word
	others  []string              // words that the model has and that are no calls, its word for unknown ones first
	graphs  graphCache
}

var _ speech.Engine = (*Engine)(nil)

//go:embed respell.txt
var respellings []byte

//go:embed others.txt
var commonWords string

// newEngine makes an engine of a loaded model.
func newEngine(m model, opt Options) (*Engine, error) {
	e := &Engine{opt: opt, m: m, name: "vosk " + filepath.Base(filepath.Clean(opt.ModelDir))}
	var err error
	if e.respell, err = readRespell("respell.txt", bytes.NewReader(respellings)); err != nil {
		return nil, err
	}
	if opt.Respell != nil {
		if e.added, err = readRespell(opt.RespellName, opt.Respell); err != nil {
			return nil, err
		}
		e.opt.Respell = nil
	}
	others := opt.Others
	if others == nil {
		_, text, _ := strings.Cut(commonWords, "count.\n")
		others = strings.Fields(text)
	}
	for _, w := range append([]string{"[unk]", "<UNK>", "<unk>"}, others...) {
		if m.has(w) {
			e.others = append(e.others, w)
		}
	}
	return e, nil
}

// readRespell reads lines "word <tab> words [| words ...]"; # begins a comment.
func readRespell(name string, r io.Reader) (map[string][][]string, error) {
	respell := map[string][][]string{}
	sc := bufio.NewScanner(r)
	for n := 1; sc.Scan(); n++ {
		line, _, _ := strings.Cut(sc.Text(), "#")
		if strings.TrimSpace(line) == "" {
			continue
		}
		word, rest, ok := strings.Cut(line, "\t")
		word = strings.TrimSpace(word)
		if !ok || word == "" || len(strings.Fields(word)) != 1 {
			return nil, fmt.Errorf("%s, line %d: want a word, a tab and the words it is heard as, got %q", name, n, line)
		}
		for _, way := range strings.Split(rest, "|") {
			words := strings.Fields(way)
			if len(words) == 0 {
				return nil, fmt.Errorf("%s, line %d: nothing to hear %q as", name, n, word)
			}
			respell[word] = append(respell[word], words)
		}
	}
	if err := sc.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return respell, nil
}

// ways are the sequences of the model's own words that stand for a word of the grammar: itself or,
// if the model lacks it, its respellings; and what the practice added.
func (e *Engine) ways(word string) [][]string {
	ways := [][]string{{word}}
	if !e.m.has(word) {
		ways = slices.Clone(e.respell[word])
	}
	ways = append(ways, e.added[word]...)
	return slices.DeleteFunc(ways, func(way []string) bool {
		return slices.ContainsFunc(way, func(w string) bool { return !e.m.has(w) })
	})
}

// Name gives the kind of engine and the model's folder.
func (e *Engine) Name() string { return e.name }

// Lacks implements speech.Engine: the model has neither the word nor a respelling of it.
func (e *Engine) Lacks(words []string) []string {
	var missing []string
	for _, w := range words {
		if len(e.ways(w)) == 0 && !slices.Contains(missing, w) {
			missing = append(missing, w)
		}
	}
	return missing
}

// Respelled lists those of the words that the model lacks and that are heard as others, with the
// words they are heard as.
func (e *Engine) Respelled(words []string) map[string]string {
	out := map[string]string{}
	for _, w := range words {
		if ways := e.ways(w); !e.m.has(w) && len(ways) > 0 {
			var as []string
			for _, way := range ways {
				as = append(as, strings.Join(way, " "))
			}
			out[w] = strings.Join(as, ", ")
		}
	}
	return out
}

// Close frees the model.
func (e *Engine) Close() error {
	e.m.free()
	return nil
}
