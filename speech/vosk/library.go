//go:build vosk

package vosk

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"

	api "github.com/alphacep/vosk-api/go"

	"leadsman/speech"
)

// Open loads a model. A folder that is missing or no model gives an error that wraps
// speech.ErrNoModel and says how to get one.
func Open(opt Options) (*Engine, error) {
	opt = opt.withDefaults()
	if err := checkModel(opt.ModelDir); err != nil {
		return nil, err
	}
	api.SetLogLevel(-1) // what it would log is checked or returned here
	m, err := loadModel(opt.ModelDir)
	if err != nil {
		return nil, err
	}
	e, err := newEngine(m, opt)
	if err != nil {
		m.free()
		return nil, err
	}
	return e, nil
}

type libraryModel struct{ m *api.VoskModel }

// ourConfig is put behind a model's own configuration, file by file.
var ourConfig = map[string]string{
	"mfcc.conf":  "--dither=0",       // the same sound must give the same words: no random noise
	"model.conf": "--lattice-beam=8", // small models keep few readings, for dictation: too few to choose from
}

// loadModel loads a model with a few settings of ours. For that Vosk sees it through a folder of
// links.
func loadModel(dir string) (*libraryModel, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	view, err := os.MkdirTemp("", "leadsman-vosk-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(view) // the model is in memory then
	if err := os.Mkdir(filepath.Join(view, "conf"), 0o700); err != nil {
		return nil, err
	}
	for _, in := range []string{".", "conf"} {
		entries, err := os.ReadDir(filepath.Join(dir, in))
		if err != nil {
			return nil, err
		}
		for _, f := range entries {
			from, to := filepath.Join(dir, in, f.Name()), filepath.Join(view, in, f.Name())
			if add := ourConfig[f.Name()]; in == "conf" && add != "" {
				err = extend(from, to, add)
			} else if f.Name() != "conf" {
				err = os.Symlink(from, to)
			}
			if err != nil {
				return nil, err
			}
		}
	}
	m, err := api.NewModel(view)
	if err == nil && null(m) {
		err = errors.New("Vosk cannot read it")
	}
	if err != nil {
		return nil, fmt.Errorf("%w: the model in %s is damaged or of another kind (%w); %s", speech.ErrNoModel, dir, err, GetModel)
	}
	return &libraryModel{m}, nil
}

// extend copies a file with a line added.
func extend(from, to, line string) error {
	text, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	return os.WriteFile(to, append(text, "\n"+line+"\n"...), 0o600)
}

// null tells whether a constructor of the binding got nothing from the library: it returns no error then.
func null(of any) bool { return reflect.ValueOf(of).Elem().Field(0).IsNil() }

func (m *libraryModel) has(word string) bool { return m.m.FindWord(word) >= 0 }
func (m *libraryModel) free()                { m.m.Free() }

func (m *libraryModel) decoder(phrases string, nbest int) (decoder, error) {
	rec, err := api.NewRecognizerGrm(m.m, speech.Rate, phrases)
	if err != nil {
		return nil, fmt.Errorf("Vosk recognizer: %w", err)
	}
	if null(rec) {
		return nil, errors.New("Vosk makes no recognizer of this model: it is damaged or of another kind")
	}
	rec.SetMaxAlternatives(nbest)
	rec.SetWords(1) // not in partial results: with times they come two seconds late
	return &libraryDecoder{rec: rec}, nil
}

type libraryDecoder struct {
	rec *api.VoskRecognizer
	buf []byte
}

func (d *libraryDecoder) free() { d.rec.Free() }

func (d *libraryDecoder) accept(pcm []int16) {
	d.buf = d.buf[:0]
	for _, s := range pcm {
		d.buf = binary.LittleEndian.AppendUint16(d.buf, uint16(s))
	}
	d.rec.AcceptWaveform(d.buf) // its opinion whether the utterance has ended is not asked
}

func (d *libraryDecoder) partial() ([]string, error) {
	var r struct {
		Text string `json:"partial"`
	}
	if err := json.Unmarshal([]byte(d.rec.PartialResult()), &r); err != nil {
		return nil, fmt.Errorf("partial result of Vosk: %w", err)
	}
	return strings.Fields(r.Text), nil
}

func (d *libraryDecoder) final() ([]alternative, error) {
	var r struct {
		Alternatives []struct {
			Confidence float64 `json:"confidence"`
			Words      []struct {
				Word  string  `json:"word"`
				Start float64 `json:"start"` // seconds
				End   float64 `json:"end"`
			} `json:"result"`
		} `json:"alternatives"`
	}
	if err := json.Unmarshal([]byte(d.rec.FinalResult()), &r); err != nil {
		return nil, fmt.Errorf("result of Vosk: %w", err)
	}
	out := make([]alternative, len(r.Alternatives))
	for i, a := range r.Alternatives {
		out[i].score = a.Confidence
		for _, w := range a.Words {
			out[i].words = append(out[i].words, heardWord{w.Word, int64(math.Round(1000 * w.Start)), int64(math.Round(1000 * w.End))})
		}
	}
	return out, nil
}
