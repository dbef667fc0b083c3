package accuracy

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"leadsman/speech"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// Voice profiles of people who are heard well: of speakers with a few words of every kind (Speech Commands) the words held back while enrolling are
// counted. Voices that are not: TestAccuracyLearning.
func TestAccuracyVoices(t *testing.T) {
	program.Measurement(t, "LEADSMAN_SPEECH=FOLDER make accuracy")
	if speechFolder == "" {
		t.Skip("SKIPPED: LEADSMAN_SPEECH names no folder of real speech")
	}
	e := engineUnderTest(t)
	by := map[string][]recordings.Clip{}
	for _, c := range clipsOf(t, "manifest.tsv", func(path string, words []string) bool {
		return strings.HasPrefix(path, "speech-commands/") && len(words) == 1 && len(e.Lacks(words)) == 0
	}) {
		by[c.Speaker] = append(by[c.Speaker], c)
	}
	var names []string
	for n := range by {
		names = append(names, n)
	}
	slices.Sort(names)
	quiet := make([]int16, speech.Rate/4)
	speakers, kept, worse, words, before, after := 0, 0, 0, 0, 0, 0
	for _, n := range names {
		if len(by[n]) < 16 {
			continue
		}
		var takes []speech.Take
		for _, c := range by[n] {
			takes = append(takes, speech.Take{Words: strings.Fields(c.Words), PCM: slices.Concat(quiet, c.PCM, quiet)})
		}
		got, err := e.Enrol(context.Background(), nil, takes)
		if err != nil {
			fmt.Printf("%s: %v\n", n, err)
			continue
		}
		speakers++
		words, before = words+got.Words, before+got.WrongBefore
		if got.Profile != nil {
			kept++
			after += got.WrongAfter
		} else {
			after += got.WrongBefore
			if got.WrongAfter > got.WrongBefore {
				worse++
			}
		}
	}
	fmt.Printf("%d crowd speakers, %d words: %d misheard without profiles, %d with those %d that were kept; %d profiles were refused for mishearing more\n",
		speakers, words, before, after, kept, worse)
	if speakers == 0 || words == 0 {
		t.Error("no crowd speaker was measured")
	}
}
