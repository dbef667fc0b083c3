package grammar

import (
	flags "flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
)

var update = flags.Bool("update", false, "write docs/calls.md anew from the grammar")

const callsDoc = "../docs/calls.md"

// callsText is docs/calls.md: every call of testdata/calls.txt with the meaning that the grammar gives it.
func callsText(t *testing.T) string {
	b, err := os.ReadFile("testdata/calls.txt")
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	out.WriteString(`# Calls

Made from the grammar and its table of tests by ` + "`go test ./grammar -run CallsDoc -update`" + `. Every row is tested as text and as a path through the network that the recognizer hears.

Numbers are millimetres; teeth in the column *means* are FDI. A flag, a margin, a grade or a named site belongs to the aspect sounded last or, after a change of place, to that place. A breath may hold several acts: "three two four bleeding
mesial". A call that is only begun ("recession") waits a few seconds for the rest. A call that names what does not exist is refused aloud; other speech changes nothing. After "remark" anything may be said, in the same breath or within six
seconds: it is kept as a sound clip beside the place.

Therapy that was done is recorded by "therapy", the place ("upper right quadrant", "lower arch", "all teeth", teeth, or one tooth with a site and aspect) and "by hand", "by ultrasonic" or "by both"; "with antiseptic", "antibiotic" or "laser"
may follow. It is subgingival unless "supragingival" or "surgery" follows "therapy"; surgery needs no "by". It is read back, "negative" or "disregard" takes it back, and it becomes a line of the plan with the day and the person's name.

## At any time

Teeth in Universal numbering.

| say | means |
|---|---|
`)
	var states strings.Builder // rows of a state: after what, or where the exam stands
	when := map[string]string{"u": "", "f": "FDI numbering", "uq": "after a question", "ur": "asked about sites not probed", "u standby": "standing by"}
	for _, line := range strings.Split(string(b), "\n") {
		if line == "" || line[0] == '#' {
			continue
		}
		f := strings.Split(line, "|")
		state := strings.TrimSpace(f[0])
		st, words := stateOf(t, state), strings.Fields(f[1])
		r, err := Parse(st, words)
		got := outcome(r, err)
		w, plain := when[state]
		switch {
		case st.Pending != nil:
			w = fmt.Sprintf("after \"%s ...\"", strings.Join(st.Pending, " "))
		case st.Amend != nil:
			w = fmt.Sprintf("soon after \"%s\"", strings.Join(st.Amend, " "))
		case !plain:
			t.Fatalf("state %q has no words in the table", state)
		}
		got = map[string]string{"misfit": "no call: nothing changes", "refused": "refused: no such tooth", "prefix": "waits for the rest"}[got]
		if got == "" {
			got = strings.TrimPrefix(strings.TrimPrefix(outcome(r, err), "pending "), "amends ")
			if r.Amends {
				got = "instead: " + got
			}
		}
		if row := fmt.Sprintf("| `%s` | %s |\n", strings.Join(words, " "), got); w == "" {
			out.WriteString(row)
		} else {
			states.WriteString("| " + w + " " + row)
		}
	}
	fmt.Fprintf(&out, "\n## In other states, and in FDI numbering\n\n| when | say | means |\n|---|---|---|\n%s\n## Words\n\nEvery word that is heard: %s.\n", states.String(), strings.Join(slices.Sorted(slices.Values(Vocabulary())), ", "))
	return out.String()
}

func TestCallsDoc(t *testing.T) {
	want := callsText(t)
	if *update {
		if err := os.WriteFile(callsDoc, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(callsDoc)
	if err != nil || string(got) != want {
		t.Errorf("docs/calls.md is not what the grammar says (%v): go test ./grammar -run CallsDoc -update", err)
	}
}

// The default recognizer can say every word of the calls.
func TestEveryWordHasAPronunciation(t *testing.T) {
	lexicon, err := os.ReadFile("../speech/ctc/lexicon.txt")
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]bool{}
	for _, line := range strings.Split(string(lexicon), "\n") {
		if word, _, ok := strings.Cut(line, "\t"); ok {
			said[word] = true
		}
	}
	for _, word := range Vocabulary() {
		if !said[word] {
			t.Errorf("speech/ctc/lexicon.txt has no pronunciation of %q", word)
		}
	}
}
