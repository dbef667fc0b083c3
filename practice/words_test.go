package practice_test

import (
	"path/filepath"
	"strings"
	"testing"

	"leadsman/practice"
)

func TestWords(t *testing.T) {
	h, err := practice.OpenWords("", "testdata")
	if err != nil {
		t.Fatal(err)
	}
	if len(h.Paths()) != 1 || h.Paths()[0].Ref != "lowers: buccal 48-38, lingual 38-48" {
		t.Errorf("paths: %+v", h.Paths())
	}
	if got := strings.Join(h.Terms().Words(), " "); got != "listening refused lowers" {
		t.Errorf("words: %s", got)
	}
	for text, want := range map[string]string{
		"\n\nvocabulary x": "line 3: \"vocabulary\" begins no line", "synonym a b": "line 1: write a synonym", "synonym 3 = bleeding": "without digits",
		"synonym bleeding = plaque": "line 1: synonym \"bleeding\": these words mean something", "numbering palmer": "line 1", "path x buccal 1": "write a path",
		"path two words: buccal 18": "name of one word", "path x: buccal 18-48": "line 1: path \"x\": \"buccal 18-48\": teeth of both arches", "path arch: buccal 18": "line 1",
		"#\nsound x": "line 2: write a sound", "sound x = like": "write a sound", "synonym spot = blood": "no words of calls",
	} {
		if _, err := practice.ReadWords("file.txt", strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "practice file file.txt, line ") {
			t.Errorf("%q: %v, want %q in it", text, err, want)
		}
	}
	if h, err := practice.OpenWords("", t.TempDir()); h != nil || err != nil {
		t.Errorf("no file: %v %v", h, err)
	}
	if _, err := practice.OpenWords(filepath.Join(t.TempDir(), "none"), ""); err == nil {
		t.Error("a named file that is not there")
	}
}
