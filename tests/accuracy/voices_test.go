package accuracy

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"leadsman/speech"
	"leadsman/speech/ctc"
	"leadsman/tests/recordings"
)

// withProfile is an engine that listens with one voice profile.
type withProfile struct {
	*ctc.Engine
	profile []byte
}

func (w withProfile) NewRecognizer() (speech.Recognizer, error) {
	return w.NewRecognizerFor(w.profile)
}

// Voice profiles: each speaker of the role with enough takes of every digit (Free Spoken Digit Dataset) reads 26 lines of three, eight takes of
// each digit; calls from the other takes are heard through the exam without the profile and with it, and with the next speaker's.
// Of speakers with a few words of every kind (Speech Commands) the words held back while enrolling are counted.
func TestAccuracyVoices(t *testing.T) {
	if testing.Short() || os.Getenv("LEADSMAN_MEASURE") == "" || speechFolder == "" {
		t.Log("LEADSMAN_SPEECH=FOLDER make accuracy measures voice profiles")
		return
	}
	e := engineUnderTest(t)
	by := map[string][]recordings.Clip{}
	for _, c := range clipsOf(t, "manifest.tsv", func(path string, words []string) bool {
		return (strings.HasPrefix(path, "fsdd/") || strings.HasPrefix(path, "speech-commands/")) && len(words) == 1 && len(e.Lacks(words)) == 0
	}) {
		by[c.Speaker] = append(by[c.Speaker], c)
	}
	var names []string
	for n := range by {
		names = append(names, n)
	}
	slices.Sort(names)
	quiet := make([]int16, speech.Rate/4)
	var profile []byte
	for _, n := range names {
		if !strings.HasPrefix(n, "fsdd-") {
			continue
		}
		first, rest := map[string][]recordings.Clip{}, []recordings.Clip{}
		for _, c := range by[n] {
			if len(first[c.Words]) < 8 {
				first[c.Words] = append(first[c.Words], c)
			} else {
				rest = append(rest, c)
			}
		}
		var takes []speech.Take
		for i := range 26 {
			k := speech.Take{PCM: quiet}
			for j := range 3 {
				// Every digit with other neighbours each time.
				at := 3*i + j
				c := first[digits[(at*7+at/10)%10]][at/10]
				k.Words = append(k.Words, c.Words)
				k.PCM = slices.Concat(k.PCM, trimmed(c.PCM), quiet[:speech.Rate/20])
			}
			k.PCM = slices.Concat(k.PCM, quiet)
			takes = append(takes, k)
		}
		got, err := e.Enrol(context.Background(), nil, takes)
		if err != nil {
			t.Fatal(n, err)
		}
		fmt.Printf("%s: %d words held back, %d misheard without the profile, %d with it, %.1f s; %s\n", n, got.Words, got.WrongBefore, got.WrongAfter, got.Seconds, got.Why)
		profile = got.Profile
		fmt.Println("| profile " + tallyHead[:strings.Index(tallyHead, "\n")] + "\n|---" + tallyHead[strings.Index(tallyHead, "\n")+1:])
		var some []recordings.Clip
		for i, c := range rest {
			if i%4 == 0 {
				some = append(some, c)
			}
		}
		for set, calls := range map[string][]spoken{"digits": lone(some), "strings": strung(rest, 60)} {
			for _, ratio := range []float64{0, 10} {
				all, err := scenes(set, calls, ratio)
				if err != nil {
					t.Fatal(err)
				}
				for _, with := range []string{"none", "own"} {
					engine := speech.Engine(e)
					if with == "own" {
						if profile == nil {
							continue
						}
						engine = withProfile{e, profile}
					}
					var sum tally
					each(t, engine, all, func(s scene, p played) { sum.add(s, p.calls) })
					fmt.Printf("| %s | %s %s | %s | %s\n", with, n, set, all[0].condition, sum.row())
				}
			}
		}
	}
	speakers, kept, worse, words, before, after := 0, 0, 0, 0, 0, 0
	for _, n := range names {
		if strings.HasPrefix(n, "fsdd-") || len(by[n]) < 16 {
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
