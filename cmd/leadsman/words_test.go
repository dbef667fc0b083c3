package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// ownWords is the practice file of an invented practice.
func ownWords(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "practice", "testdata", "practice.txt"))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A practice's words through sound: the clips are espeak-ng's, of words that no call has.
func TestWordsAreHeard(t *testing.T) {
	open := func(text string) (speech.Engine, *practice.Words, error) {
		h, err := practice.ReadWords("x", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		e, err := openEngine(engineFlags{model: filepath.Join("..", "..", "models"), library: program.Library(t), own: h})
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
	e, h, err := open(ownWords(t))
	if err != nil {
		t.Fatal(err)
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
	_, st, err := (&recording{pcm: pcm, numbering: chart.Universal, path: "lowers", own: h}).hear(e)
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
