package grammar

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"leadsman/chart"

	"pgregory.net/rapid"
)

// brief writes a command in the short form of testdata/calls.txt.
func brief(c chart.Command) string {
	var acts []string
	for _, a := range c.Acts {
		var b []string
		b = append(b, string(a.Verb))
		switch a.Verb {
		case chart.VerbFlag:
			b = append(b, a.Flag.String(), map[chart.YesNo]string{chart.Yes: "yes", chart.No: "no"}[a.Value])
		case chart.VerbMobility, chart.VerbFurcation:
			b = append(b, fmt.Sprint(a.Grade))
			if a.Entrance != nil {
				b = append(b, a.Entrance.String())
			}
			if a.Number != nil {
				b = append(b, "vertical", a.Number.String())
			}
		case chart.VerbTherapy:
			b = append(b, a.Therapy.What)
			if a.Therapy.Where != "" {
				b = append(b, a.Therapy.Where)
			}
			for _, t := range a.Teeth {
				b = append(b, t.String())
			}
			if a.HasAspect {
				b = append(b, a.Aspect.String())
			}
			if a.Therapy.By != "" {
				b = append(b, "by", a.Therapy.By)
			}
			if a.Therapy.Adjunct != "" {
				b = append(b, "with", a.Therapy.Adjunct)
			}
		case chart.VerbKeratin:
			b = append(b, a.Number.String())
		case chart.VerbGo:
			b = append(b, a.Tooth.String())
			if a.HasAspect {
				b = append(b, a.Aspect.String())
			}
		case chart.VerbAspect:
			b = append(b, a.Aspect.String())
		case chart.VerbSkip:
			if a.Text != "" {
				b = append(b, a.Text)
			}
		case chart.VerbPath:
			b = append(b, a.Text)
		case chart.VerbPass:
			b = append(b, string(a.Field))
		case chart.VerbPresence:
			b = append(b, a.Presence.String())
			for _, t := range a.Teeth {
				b = append(b, t.String())
			}
		}
		for _, n := range a.Numbers {
			b = append(b, n.String())
		}
		for _, w := range a.Where {
			b = append(b, w.String())
		}
		if a.Whole {
			b = append(b, "all")
		}
		acts = append(acts, strings.Join(b, " "))
	}
	return strings.Join(acts, " ; ")
}

// stateOf reads the first column of testdata/calls.txt.
func stateOf(t *testing.T, s string) State {
	st := State{Numbering: chart.Universal, Open: 3, Listening: true}
	if i, j := strings.IndexByte(s, '"'), strings.LastIndexByte(s, '"'); i >= 0 {
		st.Pending = strings.Fields(s[i+1 : j])
		s = s[:i]
	}
	if i, j := strings.IndexByte(s, '<'), strings.LastIndexByte(s, '>'); i >= 0 {
		st.Amend = strings.Fields(s[i+1 : j])
		s = s[:i]
	}
	for _, f := range strings.Fields(s) {
		switch {
		case f == "standby":
			st.Listening = false
		default:
			if f[0] == 'f' {
				st.Numbering = chart.FDI
			}
			st.Reasons = strings.HasSuffix(f, "r")
			st.Question = st.Reasons || strings.HasSuffix(f, "q")
		}
	}
	return st
}

func outcome(r Result, err error) string {
	var mis *Misfit
	var ref *chart.Refusal
	switch {
	case errors.As(err, &mis):
		return "misfit"
	case errors.As(err, &ref):
		return "refused"
	case err != nil:
		return "error " + err.Error()
	case r.Ending == Prefix:
		return "prefix"
	}
	out := brief(r.Command)
	if r.Pending {
		out = "pending " + out
	}
	if r.Amends {
		out = "amends " + out
	}
	return out
}

// callLines are the rows of calls.txt and more.txt.
func callLines(t *testing.T) (out []string) {
	for _, name := range []string{"testdata/calls.txt", "testdata/more.txt"} {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.Split(string(b), "\n") {
			if line != "" && line[0] != '#' {
				out = append(out, line)
			}
		}
	}
	return out
}

func TestCalls(t *testing.T) {
	n := 0
	for _, line := range callLines(t) {
		f := strings.Split(line, "|")
		if len(f) != 3 {
			t.Fatalf("%s: three columns wanted", line)
		}
		st, words, want := stateOf(t, strings.TrimSpace(f[0])), strings.Fields(f[1]), strings.TrimSpace(f[2])
		r, err := Parse(st, words)
		if got := outcome(r, err); got != want {
			t.Errorf("%s: got %q (%v), want %q", line, got, err, want)
		}
		n++
	}
	if n < 100 {
		t.Errorf("only %d calls read", n)
	}
}

// accepts walks a Net with words and reports how they end in it.
func accepts(n *Net, words []string) Ending {
	s := 0
	for _, word := range words {
		to := -1
		n.Arcs(s, func(w string, t int, _ float64) {
			if w == word {
				to = t
			}
		})
		if to < 0 {
			return NoEnding
		}
		s = to
	}
	e, _ := n.EndingOf(s)
	return e
}

// Every call of the table can be heard, and nothing that is a misfit can.
func TestNetHearsWhatParses(t *testing.T) {
	for _, line := range callLines(t) {
		f := strings.Split(line, "|")
		st, words := stateOf(t, strings.TrimSpace(f[0])), strings.Fields(f[1])
		heard := accepts(NetOf(st), words) != NoEnding
		_, err := Parse(st, words)
		var mis *Misfit
		if heard == errors.As(err, &mis) {
			t.Errorf("%q in %s: heard %t, parse says %v", f[1], f[0], heard, err)
		}
	}
}

// A random walk through a Net to an ending always parses, and to the same ending.
func TestRandomWalksParse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		st := State{Numbering: rapid.SampledFrom([]chart.Numbering{chart.FDI, chart.Universal}).Draw(t, "numbering"),
			Open: rapid.IntRange(0, 3).Draw(t, "open"), Listening: rapid.IntRange(0, 9).Draw(t, "listening") > 0,
			Question: rapid.Bool().Draw(t, "question")}
		if rapid.Bool().Draw(t, "pend") {
			st.Pending = rapid.SampledFrom([][]string{{"recession"}, {"tooth"}, {"correction"}, {"mesial"}, {"upper"}}).Draw(t, "pending")
		}
		n := NetOf(st)
		s := 0
		var words []string
		for range rapid.IntRange(1, 14).Draw(t, "length") {
			var ws []string
			var tos []int
			n.Arcs(s, func(w string, to int, p float64) {
				if p > 0 {
					t.Fatalf("prior %v of %q is above 0", p, w)
				}
				ws, tos = append(ws, w), append(tos, to)
			})
			if len(ws) == 0 {
				break
			}
			i := rapid.IntRange(0, len(ws)-1).Draw(t, "arc")
			words, s = append(words, ws[i]), tos[i]
			if e, p := n.EndingOf(s); e > Prefix {
				if p > 0 {
					t.Fatalf("prior %v of an ending is above 0", p)
				}
				r, err := Parse(st, words)
				var ref *chart.Refusal
				if err != nil && !errors.As(err, &ref) {
					t.Fatalf("heard %v, parse says %v", words, err)
				}
				if err == nil && r.Ending <= Prefix {
					t.Fatalf("heard %v as a call, parsed as its beginning", words)
				}
			}
		}
	})
}

func TestText(t *testing.T) {
	for in, want := range map[string]string{
		"3 2 4": "three two four", "324": "three two four", "tooth 14": "tooth fourteen", "number 14": "number fourteen", "tooth 32": "tooth thirty two",
		"missing 1, 16 and 17": "missing one sixteen and seventeen", "Bleeding Mesial": "bleeding mesial", "10 11 3": "ten eleven three",
		"margin -1": "margin minus one", "to for ate": "two four eight", "tooth 20 buccal": "tooth twenty buccal", "": "",
	} {
		if got := strings.Join(Text(in), " "); got != want {
			t.Errorf("Text(%q) = %q, want %q", in, got, want)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("tooth 14 buccal 3 2 4 bleeding mesial", true, true)
	f.Add("missing one sixteen", false, false)
	f.Fuzz(func(t *testing.T, line string, universal, question bool) {
		st := State{Numbering: chart.FDI, Open: 3, Listening: true, Question: question, Pending: []string{"recession"}, Amend: []string{"bleeding"}}
		if universal {
			st.Numbering = chart.Universal
		}
		r, err := Parse(st, Text(line))
		if err == nil && r.Ending > Prefix && len(r.Command.Acts) == 0 {
			t.Fatalf("%q parsed to nothing", line)
		}
	})
}

// A net is the same whatever was asked for before.
func TestNetsShareStates(t *testing.T) {
	shared := newDFA(build(shape{numbering: chart.Universal, listening: true}))
	rapid.Check(t, func(t *rapid.T) {
		said := func(label string) []string {
			return rapid.SampledFrom([][]string{nil, {"recession"}, {"missing"}, {"missing", "one"}, {"bleeding", "mesial"}, {"tooth"},
				{"three", "two", "four", "bleeding"}, {"upper", "left"}, {"next", "tooth"}}).Draw(t, label)
		}
		st := State{Pending: said("pending"), Amend: said("amend")}
		got := shared.netOf(st, "x")
		want := newDFA(shared.g).netOf(st, "x")
		if got.States() != want.States() {
			t.Fatalf("%d states, want %d", got.States(), want.States())
		}
		for s := range got.States() {
			list := func(n *Net) (out string) {
				out = fmt.Sprint(n.EndingOf(s))
				n.Arcs(s, func(w string, to int, p float64) { out += fmt.Sprintln(w, to, p) })
				return out
			}
			if g, w := list(got), list(want); g != w {
				t.Fatalf("state %d:\n%s\nwant\n%s", s, g, w)
			}
		}
	})
}

// BenchmarkNet makes the net of a state of its own kind, of one that shares what is known of its kind, and of one had before.
func BenchmarkNet(b *testing.B) {
	st := State{Numbering: chart.FDI, Open: 3, Listening: true, Amend: []string{"missing"}}
	b.Run("first", func(b *testing.B) {
		var n *Net
		for b.Loop() {
			n = newDFA(build(shape{numbering: st.Numbering, open: st.Open, listening: true})).netOf(st, "x")
		}
		arcs := 0
		for s := range n.States() {
			n.Arcs(s, func(string, int, float64) { arcs++ })
		}
		b.ReportMetric(float64(n.States()), "states")
		b.ReportMetric(float64(arcs), "arcs")
	})
	b.Run("more", func(b *testing.B) {
		d := newDFA(build(shape{numbering: st.Numbering, open: st.Open, listening: true}))
		for b.Loop() {
			d.netOf(st, "x")
		}
	})
	b.Run("again", func(b *testing.B) {
		for b.Loop() {
			NetOf(st)
		}
	})
}

func BenchmarkParse(b *testing.B) {
	st := State{Numbering: chart.Universal, Open: 3, Listening: true}
	words := strings.Fields("tooth fourteen buccal three two four bleeding mesial")
	for b.Loop() {
		if _, err := Parse(st, words); err != nil {
			b.Fatal(err)
		}
	}
}
