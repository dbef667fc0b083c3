//go:build vosk

package vosk

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"leadsman/speech"
	"leadsman/speech/speechtest"
)

// These tests run with the real library on a real model of Korean, the only one in a package registry,
// and numbers spoken by espeak-ng (testdata/make.go): they show that everything is wired, not how well it hears.

// modelDir is the Korean model that make vosk-test fetches.
func modelDir(t testing.TB) string {
	dir := os.Getenv("LEADSMAN_VOSK_KOREAN")
	if dir == "" {
		t.Fatal("LEADSMAN_VOSK_KOREAN names no model: use  make vosk-test")
	}
	return dir
}

func korean(t testing.TB) *Engine {
	// Under a net without them, numbers are what is not meant for the tool.
	e, err := Open(Options{ModelDir: modelDir(t), Others: numbers})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func sound(t testing.TB) []int16 {
	pcm, _, err := speech.ReadWAVFile("testdata/korean_digits.wav")
	if err != nil {
		t.Fatal(err)
	}
	return pcm
}

var numbers = []string{"이", "사", "오", "넷", "아홉"}

var said = []string{"이 사 오", "넷 이 아홉", "사 이 아홉"}

func TestKorean(t *testing.T) {
	speechtest.TestRecognizer(t, func(t testing.TB) speech.Engine { return korean(t) }, speechtest.Sample{
		PCM:   sound(t),
		Net:   triples(numbers...),
		Want:  said,
		Other: triples("취소", "정지"),
	})
}

func TestKoreanReadings(t *testing.T) {
	e := korean(t)
	defer e.Close()
	if e.others[0] != "<UNK>" {
		t.Errorf("the model's word for unknown words is not among %q", e.others)
	}
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	// Up to six words may be said, so that readings with a word more or less are rivals.
	if err := r.SetNet(row{numbers, 6}); err != nil {
		t.Fatal(err)
	}
	var finals []speech.Hypothesis
	partials := 0
	for pcm := sound(t); len(pcm) >= 320; pcm = pcm[320:] {
		hyps, err := r.Accept(pcm[:320])
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range hyps {
			if h.Final {
				finals = append(finals, h)
			} else {
				partials++
			}
		}
	}
	// A second of silence stands around each call; three words of six are an unfinished call, for which the wait is 700 ms.
	for i, h := range finals {
		if wait := h.AtMS - h.EndMS; wait < 500 || wait > 1000 {
			t.Errorf("%q: decided %d ms after the last word", h.Readings[0].Text(), wait)
		}
		if i > 0 && h.StartMS < finals[i-1].EndMS+900 {
			t.Errorf("%q begins %d ms after the call before, a second of silence lies between", h.Readings[0].Text(), h.StartMS-finals[i-1].EndMS)
		}
		for _, w := range h.Readings[0].Words {
			if d := w.EndMS - w.StartMS; d < 60 || d > 900 {
				t.Errorf("%q lasts %d ms", w.Text, d)
			}
		}
	}
	rivals := 0
	for _, h := range finals {
		rivals += len(h.Readings) - 1
	}
	if len(finals) != 3 || partials < 6 || rivals == 0 {
		t.Errorf("%d finals, %d partials, %d rival readings; want 3, several, some", len(finals), partials, rivals)
	}
}

// Folders that are no model are refused by name, with what to do. Links make variants of the real one.
func TestOpenRefuses(t *testing.T) {
	good := modelDir(t)
	variant := func(change func(dir string)) string {
		dir := filepath.Join(t.TempDir(), "model")
		err := filepath.WalkDir(good, func(path string, d os.DirEntry, err error) error {
			if err != nil {
				return err
			}
			rel, err := filepath.Rel(good, path)
			if err != nil {
				return err
			}
			if d.IsDir() {
				return os.Mkdir(filepath.Join(dir, rel), 0o700)
			}
			return os.Symlink(path, filepath.Join(dir, rel))
		})
		if err != nil {
			t.Fatal(err)
		}
		change(dir)
		return dir
	}
	replace := func(dir, file string, content []byte) {
		path := filepath.Join(dir, filepath.FromSlash(file))
		if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		if content == nil {
			return
		}
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	half := func(file string) []byte {
		b, err := os.ReadFile(filepath.Join(good, filepath.FromSlash(file)))
		if err != nil {
			t.Fatal(err)
		}
		return b[:len(b)/2]
	}
	for name, c := range map[string]struct {
		dir  string
		want string
	}{
		"missing":         {filepath.Join(t.TempDir(), "nowhere"), "nowhere"},
		"none named":      {"", "no model folder"},
		"a file":          {"testdata/korean_digits.wav", "korean_digits.wav is a file"},
		"foreign":         {t.TempDir(), "am/final.mdl"},
		"without a graph": {variant(func(dir string) { replace(dir, "graph/HCLr.fst", nil) }), "graph/HCLr.fst"},
		"fixed language":  {variant(func(dir string) { replace(dir, "graph/HCLG.fst", []byte("x")) }), "fixed language"},
		"cut graph":       {variant(func(dir string) { replace(dir, "graph/HCLr.fst", half("graph/HCLr.fst")) }), "HCLr.fst is damaged"},
		"other graph":     {variant(func(dir string) { replace(dir, "graph/Gr.fst", []byte("words, words")) }), "Gr.fst is damaged"},
		"cut network":     {variant(func(dir string) { replace(dir, "am/final.mdl", half("am/final.mdl")) }), "damaged or of another kind"},
		"other settings":  {variant(func(dir string) { replace(dir, "conf/mfcc.conf", []byte("shout!")) }), "damaged or of another kind"},
	} {
		e, err := Open(Options{ModelDir: c.dir})
		if err == nil {
			e.Close()
			t.Errorf("%s: taken for a model", name)
			continue
		}
		if !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v; want one line with %q", name, err, c.want)
		}
		if !errors.Is(err, speech.ErrNoModel) && !strings.Contains(err.Error(), "unpack the model again") {
			t.Errorf("%s: %v; it says neither that there is no model nor what to do", name, err)
		}
	}
}
