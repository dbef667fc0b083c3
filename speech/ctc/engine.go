package ctc

import (
	"bufio"
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"leadsman/speech"
)

// File names in a model directory.
const (
	modelFile    = "model.int8.onnx"
	secondFile   = "second.int8.onnx" // a larger model that is asked again when a call has ended; may be absent
	phonesFile   = "phones.txt"
	knownFile    = "known.f32" // what its states are like for voices that it knows; may be absent
	manifestFile = "manifest.json"
	libraryFile  = "libonnxruntime.so"
)

// Options say which model to use and how to listen. Zero values stand for the defaults given.
type Options struct {
	ModelDir string // folder with model.int8.onnx, phones.txt and, if the files shall be checked, manifest.json
	Library  string // libonnxruntime.so or its folder; default: beside the program, then ../lib from there

	// Lexicon adds pronunciations, in the format of lexicon.txt; LexiconName stands in its errors.
	Lexicon     io.Reader
	LexiconName string
	// Own adds more, read after Lexicon.
	Own     io.Reader
	OwnName string

	NBest     int     // readings in a hypothesis; 10
	Beam      float64 // width of the search, natural log; 14
	MaxTokens int     // tokens of the search; 600

	speech.Waits               // when a call counts as ended
	PartialEvery time.Duration // how often the sound of a call is looked at while it goes on; 260 ms

	// FillerLimit is the Hypothesis.Filler above which a reading of up to four phones is rejected;
	// from ten phones on twice as much may pass. Hypothesis.Filler is the negative log-probability of
	// the best reading's phones, per phone: about 0.1 for clear words, 2 for short and above 10 for
	// longer foreign speech. Default: that of the model's manifest, else 1.
	FillerLimit float64
}

func (o Options) withDefaults() Options {
	o.Waits = o.Waits.WithDefaults()
	o.PartialEvery = cmp.Or(o.PartialEvery, 260*time.Millisecond)
	o.NBest = cmp.Or(o.NBest, 10)
	o.Beam = cmp.Or(o.Beam, 14)
	o.MaxTokens = cmp.Or(o.MaxTokens, 600)
	o.LexiconName = cmp.Or(o.LexiconName, "lexicon")
	return o
}

// Engine is an acoustic model with its lexicon. One Engine serves all chairs; close it after its
// recognizers.
type Engine struct {
	opt     Options
	net     *network
	second  *network // larger, asked when a call has ended; nil: none
	lex     *lexicon
	graphs  *graphCache
	turns   chan struct{} // at the network: one for each processor, for more would only need more memory
	cal     Calibration
	name    string
	model   [sha256.Size]byte // SHA-256 of the networks, one behind the other
	silence []float32         // what the network gives for a frame of silence
	drawn   [256]bool         // symbols whose sound goes on long after its first frame
	known   *known            // nil: no voice is strange
}

var _ speech.Engine = (*Engine)(nil)

// Open loads a model. A file or library that is not there gives an error that wraps
// speech.ErrNoModel; damaged or foreign files and faults of Options.Lexicon and Own are named with what
// to do.
func Open(opt Options) (*Engine, error) {
	opt = opt.withDefaults()
	m, err := loadModel(opt.ModelDir)
	if err != nil {
		return nil, err
	}
	if opt.FillerLimit == 0 {
		opt.FillerLimit = m.cal.FillerLimit
	}
	lex, err := newLexicon(m.symbols)
	if err != nil {
		return nil, fmt.Errorf("%s does not list all 39 phones: put back the file that came with the model (%w)", filepath.Join(opt.ModelDir, phonesFile), err)
	}
	if opt.Lexicon != nil {
		if err := lex.read(opt.LexiconName, opt.Lexicon); err != nil {
			return nil, err
		}
		opt.Lexicon = nil
	}
	if opt.Own != nil {
		if err := lex.read(opt.OwnName, opt.Own); err != nil {
			return nil, err
		}
		opt.Own = nil
	}
	lib, err := findLibrary(opt.Library)
	if err != nil {
		return nil, err
	}
	net, err := newNetwork(lib, filepath.Join(opt.ModelDir, modelFile), m.model, len(m.symbols))
	if err != nil {
		return nil, err
	}
	e := &Engine{opt: opt, net: net, lex: lex, graphs: newGraphCache(64), turns: make(chan struct{}, runtime.GOMAXPROCS(0)), cal: m.cal, name: "ctc " + m.sum[:8], model: m.both()}
	e.silence = make([]float32, len(m.symbols))
	for i := range e.silence[1:] {
		e.silence[i+1] = -14
	}
	for _, p := range strings.Fields("AA AE AH AO AW AY EH ER EY IH IY L OW OY R UH UW") {
		e.drawn[lex.phone[p]] = true
	}
	if net.width > 0 && m.known != nil {
		if e.known, err = readKnown(m.known, len(m.symbols), net.width); err != nil {
			e.Close()
			return nil, fmt.Errorf("%s: %w; put back the file that came with the model", filepath.Join(opt.ModelDir, knownFile), err)
		}
	}
	if m.second != nil {
		if e.second, err = newNetwork(lib, filepath.Join(opt.ModelDir, secondFile), m.second, len(m.symbols)); err != nil {
			e.Close()
			return nil, err
		}
	}
	return e, nil
}

// Name gives the kind of engine and the first digits of the model's SHA-256.
func (e *Engine) Name() string { return e.name }

// Lacks implements speech.Engine.
func (e *Engine) Lacks(words []string) []string { return e.lex.lacks(words) }

// Close frees the model.
func (e *Engine) Close() error {
	err := e.net.close()
	if e.second != nil {
		err = errors.Join(err, e.second.close())
	}
	return err
}

// modelFiles is what a model directory holds; second and known may be nil.
type modelFiles struct {
	model, second, known []byte
	symbols              []string
	sum                  string // SHA-256 of the first network
	cal                  Calibration
}

// both tells the networks from others.
func (m *modelFiles) both() (sum [sha256.Size]byte) {
	h := sha256.New()
	h.Write(m.model)
	h.Write(m.second)
	h.Sum(sum[:0])
	return sum
}

// loadModel reads the files of a model directory and checks them against the manifest, if there
// is one.
func loadModel(dir string) (m modelFiles, err error) {
	if dir == "" {
		return m, fmt.Errorf("%w: no model folder given", speech.ErrNoModel)
	}
	read := func(name string, needed bool) []byte {
		var b []byte
		if err != nil {
			return nil
		}
		path := filepath.Join(dir, name)
		if b, err = os.ReadFile(path); errors.Is(err, fs.ErrNotExist) {
			if err = nil; needed {
				err = fmt.Errorf("%w: no file %s; give the folder that holds %s and %s, as installed with the program", speech.ErrNoModel, path, modelFile, phonesFile)
			}
			return nil
		}
		return b
	}
	m.model = read(modelFile, true)
	phones := read(phonesFile, true)
	m.known = read(knownFile, false)
	m.second = read(secondFile, false)
	if err != nil {
		return m, err
	}
	files := map[string][]byte{modelFile: m.model, phonesFile: phones}
	if m.known != nil {
		files[knownFile] = m.known
	}
	if m.second != nil {
		files[secondFile] = m.second
	}
	hash := sha256.Sum256(m.model)
	m.sum = hex.EncodeToString(hash[:])
	if m.cal, err = readManifest(dir, files); err != nil {
		return m, err
	}
	sc := bufio.NewScanner(bytes.NewReader(phones))
	for sc.Scan() {
		if s := strings.TrimSpace(sc.Text()); s != "" {
			m.symbols = append(m.symbols, s)
		}
	}
	if len(m.symbols) < 2 || m.symbols[0] != "<blank>" || len(m.symbols) > 255 {
		return m, fmt.Errorf("%s is not a list of phones that begins with <blank>: put back the file that came with the model", filepath.Join(dir, phonesFile))
	}
	return m, nil
}

// readManifest compares the files with the SHA-256 sums in the manifest of the folder, if it has
// one, and returns its calibration: {"files":[{"name":..., "sha256":...}], "calibration":{...}}.
// Files that the manifest does not name pass; it may hold more.
func readManifest(dir string, files map[string][]byte) (Calibration, error) {
	path := filepath.Join(dir, manifestFile)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return defaultCalibration, nil
	}
	if err != nil {
		return Calibration{}, err
	}
	var m struct {
		Files []struct {
			Name   string `json:"name"`
			SHA256 string `json:"sha256"`
		} `json:"files"`
		Calibration *Calibration `json:"calibration"`
	}
	if err := json.Unmarshal(b, &m); err != nil {
		return Calibration{}, fmt.Errorf("%s: %w: put back the file that came with the model", path, err)
	}
	for _, f := range m.Files {
		data, ok := files[f.Name]
		if !ok && (f.Name == secondFile || f.Name == knownFile) { // without it, worse would be heard or believed, and nobody would know
			return Calibration{}, fmt.Errorf("%w: no file %s, which %s names: put back the files that came with the program", speech.ErrNoModel, filepath.Join(dir, f.Name), path)
		}
		if !ok {
			continue
		}
		if sum := sha256.Sum256(data); !strings.EqualFold(hex.EncodeToString(sum[:]), f.SHA256) {
			return Calibration{}, fmt.Errorf("%s (%d bytes) is not the file that %s names (SHA-256 differs): it is damaged or of another version; put back model and manifest together", filepath.Join(dir, f.Name), len(data), path)
		}
	}
	if m.Calibration == nil {
		return defaultCalibration, nil
	}
	if err := m.Calibration.validate(); err != nil {
		return Calibration{}, fmt.Errorf("%s: %w: put back the file that came with the model", path, err)
	}
	return *m.Calibration, nil
}

// findLibrary looks for the ONNX Runtime library.
func findLibrary(given string) (string, error) {
	var tried []string
	if given != "" {
		if st, err := os.Stat(given); err == nil && !st.IsDir() {
			return given, nil
		}
		tried = append(tried, given, filepath.Join(given, libraryFile))
	} else if exe, err := os.Executable(); err == nil {
		if real, err := filepath.EvalSymlinks(exe); err == nil {
			exe = real
		}
		dir := filepath.Dir(exe)
		tried = append(tried, filepath.Join(dir, libraryFile), filepath.Join(dir, "..", "lib", libraryFile))
	}
	for _, p := range tried {
		if st, err := os.Stat(p); err == nil && !st.IsDir() {
			return p, nil
		}
	}
	return "", fmt.Errorf("%w: no library %s at %s; install it beside the program or say where it is", speech.ErrNoModel, libraryFile, strings.Join(tried, " or "))
}
