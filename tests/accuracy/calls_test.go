package accuracy

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/tests/recordings"
)

// row is a line of the grammar's table of calls.
type row struct {
	state grammar.State
	words string
}

// callRows reads grammar/testdata/calls.txt; its head explains the states.
func callRows(t *testing.T) (rows []row) {
	b, err := os.ReadFile("../../grammar/testdata/calls.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(b), "\n") {
		if line == "" || line[0] == '#' {
			continue
		}
		f := strings.Split(line, "|")
		st := grammar.State{Numbering: chart.Universal, Open: 3, Listening: true}
		at, rest, quoted := strings.Cut(strings.TrimSpace(f[0]), `"`)
		if quoted {
			st.Pending = strings.Fields(strings.TrimSuffix(rest, `"`))
		}
		at, rest, quoted = strings.Cut(at, "<")
		if quoted {
			st.Amend = strings.Fields(strings.TrimSuffix(rest, ">"))
		}
		if strings.HasPrefix(at, "f") {
			st.Numbering = chart.FDI
		}
		at, _, standby := strings.Cut(at, "standby")
		st.Listening, st.Question = !standby, strings.HasSuffix(strings.TrimSpace(at), "q")
		rows = append(rows, row{st, strings.TrimSpace(f[1])})
	}
	return rows
}

// meant is what the grammar makes of words: the command, or how they are no call. What waits for more, what is refused and
// what changes nothing differ.
func meant(st grammar.State, words string) string {
	r, err := grammar.Parse(st, strings.Fields(words))
	var refused *chart.Refusal
	switch {
	case errors.As(err, &refused):
		return "refused"
	case err != nil || words == "":
		return "nothing"
	case r.Ending == grammar.Prefix:
		return "waits: " + strings.Join(r.Words, " ")
	}
	return fmt.Sprintf("%+v %t %t", r.Command, r.Pending, r.Amends)
}

// A heardRow is what the recognizer made of a spoken row.
type heardRow struct {
	words      string
	pieces     int
	meant      string
	confidence float64 // of what it means, as the exam adds it up; the least of the pieces
	at         int64   // when the last piece was decided, in milliseconds of the sound
	end        int64   // of the last word
}

// hearRow plays a row in its state, over a background 60 dB under full scale, with a noise mixed in unless the ratio is 0.
func hearRow(e speech.Engine, n int, r row, clip []int16, ratio float64) (h heardRow, err error) {
	rec, err := e.NewRecognizer()
	if err != nil {
		return h, err
	}
	defer rec.Close()
	if err := rec.SetNet(exam.SpeechNet(grammar.NetOf(r.state))); err != nil {
		return h, err
	}
	const lead = speech.Rate / 2
	_, end := bounds(clip)
	h.end = int64(lead+end) * 1000 / speech.Rate
	pcm := slices.Concat(make([]int16, lead), clip, make([]int16, speech.Rate))
	rng := rand.New(rand.NewPCG(uint64(n), 17))
	for i := range pcm {
		pcm[i] += int16(math.Round(rng.NormFloat64() * 32))
	}
	if ratio > 0 {
		other, err := noiseOf(n)
		if err != nil {
			return h, err
		}
		if pcm, err = recordings.Mix(pcm, other, ratio); err != nil {
			return h, err
		}
	}
	h.confidence = 1
	var words []string
	take := func(hyps []speech.Hypothesis) {
		for _, y := range hyps {
			if !y.Final || y.Rejected || len(y.Readings) == 0 {
				continue
			}
			best, sum := meant(r.state, y.Readings[0].Text()), 0.0
			for _, other := range y.Readings {
				if meant(r.state, other.Text()) == best {
					sum += other.Posterior
				}
			}
			h.confidence = min(h.confidence, sum)
			h.pieces++
			words, h.at = append(words, y.Readings[0].Text()), y.AtMS
		}
	}
	for frame := range slices.Chunk(pcm, speech.Rate/50) {
		hyps, err := rec.Accept(frame)
		if err != nil {
			return h, err
		}
		take(hyps)
	}
	hyps, err := rec.Flush()
	if err != nil {
		return h, err
	}
	take(hyps)
	h.words = strings.Join(words, " ")
	h.meant = meant(r.state, h.words)
	return h, nil
}

// Every row of the table of calls (docs/calls.md), spoken by a voice that the model never heard, in the row's state, clean and in
// noise of ten kinds in turn: what is understood must mean what the row means. Speech that is no call must change nothing. Wrong is
// what would have done something else, lost what would have done nothing; doubts are those of the exam's first limit. Not
// applied is the exam's rule that takes a "two" before a number for the "tooth" that it was.
func TestAccuracyCalls(t *testing.T) {
	clips, err := recordings.Clips("calls-joe")
	if err != nil {
		t.Fatal(err)
	}
	sound := map[string][]int16{}
	for _, c := range clips {
		sound[c.Words] = c.PCM
	}
	rows := callRows(t)
	var all []int
	for i, r := range rows {
		if sound[r.words] == nil {
			t.Errorf("%q is not recorded: python3 tests/recordings/make.py --data FOLDER calls", r.words)
		}
		all = append(all, i)
	}
	if testing.Short() || os.Getenv("LEADSMAN_MEASURE") == "" || t.Failed() {
		t.Log("make accuracy measures it")
		return
	}
	e := engineUnderTest(t)
	fmt.Println(tallyHead)
	var faults []string
	for _, ratio := range []float64{0, 20, 10, 5} {
		var sum tally
		inOrder(t, all, func(i int) (heardRow, error) { return hearRow(e, i, rows[i], sound[rows[i].words], ratio) }, func(i int, h heardRow) {
			r := rows[i]
			sum.calls++
			sum.numbers++
			doubted := h.confidence < 0.99
			if h.pieces > 1 {
				sum.apart++
			}
			if h.meant == meant(r.state, r.words) {
				sum.right++
				if h.words != "" {
					sum.waits = append(sum.waits, float64(h.at-h.end))
				}
				if doubted {
					sum.doubts++
				}
				return
			}
			if h.pieces > 0 && h.at < h.end {
				sum.cut++
			}
			switch {
			case h.meant == "nothing" || h.meant == "refused" || strings.HasPrefix(h.meant, "waits"):
				sum.lost++
			default:
				sum.wrong++
				if !doubted {
					sum.silent++
				}
			}
			sum.faults = append(sum.faults, fmt.Sprintf("%s, said %q, heard %q, doubt %t", conditionOf(ratio), r.words, h.words, doubted))
		})
		fmt.Printf("| rows of the table of calls | %s | %s\n", conditionOf(ratio), sum.row())
		faults = append(faults, sum.faults...)
		if ratio == 0 && sum.right < sum.calls*85/100 {
			t.Errorf("only %d of %d rows were understood", sum.right, sum.calls)
		}
	}
	fmt.Println(strings.Join(faults, "\n"))
}
