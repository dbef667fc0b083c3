package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/tests/recordings"
)

const ownWords = `# an invented practice
numbering universal
synonym listening = bleeding
synonym refused = exam complete
sound refused = R IH F Y UW Z D | R AH F Y UW Z D
sound listening = L IH S AH N IH NG
path lowers: buccal 32-17, lingual 17-32   # in one sweep
sound lowers = L OW ER Z
`

func TestHouse(t *testing.T) {
	h, err := readHouse("x", strings.NewReader(ownWords))
	if err != nil {
		t.Fatal(err)
	}
	if len(h.own) != 1 || h.own[0].Ref != "lowers: buccal 48-38, lingual 38-48" {
		t.Errorf("paths: %+v", h.own)
	}
	if got := strings.Join(h.terms.Words(), " "); got != "listening refused lowers" {
		t.Errorf("words: %s", got)
	}
	for text, want := range map[string]string{
		"\n\nvocabulary x": "line 3: \"vocabulary\" begins no line", "synonym a b": "line 1: write a synonym", "synonym 3 = bleeding": "without digits",
		"synonym bleeding = plaque": "line 1: synonym \"bleeding\": these words mean something", "numbering palmer": "line 1", "path x buccal 1": "write a path",
		"path two words: buccal 18": "name of one word", "path x: buccal 18-48": "line 1: path \"x\": \"buccal 18-48\": teeth of both arches", "path arch: buccal 18": "line 1",
		"#\nsound x": "line 2: write a sound", "sound x = like": "write a sound", "synonym spot = blood": "no words of calls",
	} {
		if _, err := readHouse("file.txt", strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "practice file file.txt, line ") {
			t.Errorf("%q: %v, want %q in it", text, err, want)
		}
	}
	if h, err := openHouse("", t.TempDir()); h != nil || err != nil {
		t.Errorf("no file: %v %v", h, err)
	}
	if _, err := openHouse(filepath.Join(t.TempDir(), "none"), ""); err == nil {
		t.Error("a named file that is not there")
	}
}

// A practice's words through sound: the clips are espeak-ng's, of words that no call has.
func TestHouseIsHeard(t *testing.T) {
	open := func(text string) (speech.Engine, *house, error) {
		h, err := readHouse("x", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		e, err := openEngine(engineFlags{model: filepath.Join("..", "..", "models"), library: os.Getenv("LEADSMAN_LIBRARY"), own: h})
		return e, h, err
	}
	for text, want := range map[string]string{
		"\nsynonym listening = bleeding":                                   "practice file x, line 2: it is not known how \"listening\" sounds",
		"synonym listening = bleeding\nsound listening = XX":               "practice file x, line 2: \"XX\" is not a phone",
		"synonym listening = bleeding\nsound listening = like nobodyknows": "practice file x, line 2: no pronunciation of \"nobodyknows\"",
	} {
		if _, _, err := open(text); err == nil || !strings.Contains(strings.ToLower(err.Error()), strings.ToLower(want)) {
			t.Errorf("%q: %v, want %q in it", text, err, want)
		}
	}
	e, h, err := open(ownWords)
	if err != nil {
		t.Fatalf("%v: make test sets LEADSMAN_LIBRARY", err)
	}
	defer e.Close()
	clips, err := recordings.Clips("own-voice")
	if err != nil {
		t.Fatal(err)
	}
	pcm := make([]int16, speech.Rate)
	for _, call := range []string{"three two four", "listening", "two two two", "refused"} {
		for _, w := range strings.Fields(call) {
			i := slices.IndexFunc(clips, func(c recordings.Clip) bool { return c.Words == w })
			pcm = append(append(pcm, clips[i].PCM...), make([]int16, speech.Rate/10)...)
		}
		pcm = append(pcm, make([]int16, speech.Rate)...)
	}
	_, st, err := listen(e, h, pcm, chart.Universal, "lowers", nil, nil, false)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range st.Calls[1:] {
		got = append(got, string(c.Did)+": "+c.Words)
	}
	if want := "soundings: three two four, flag: listening, soundings: two two two, exam complete: refused"; strings.Join(got, ", ") != want {
		t.Errorf("heard %s, want %s", strings.Join(got, ", "), want)
	}
	if st.Path.Name != "lowers" || st.Calls[0].Did != chart.VerbStart || st.Chart.Site(chart.SiteRef{Tooth: 47, Site: chart.SiteAt(chart.Buccal, chart.Mesial)}).Flags[chart.Bleeding] != chart.Yes {
		t.Errorf("path %s, 47: %+v", st.Path.Name, st.Chart.Tooth(47).Sites)
	}
}
