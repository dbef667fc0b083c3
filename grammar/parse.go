package grammar

import (
	"errors"
	"fmt"
	"strings"
	"sync"

	"leadsman/chart"
)

// State is what decides which calls can be said. Its zero value is no state: use StateOf.
type State struct {
	Numbering chart.Numbering
	Open      int    // soundings still to come at the current aspect: a prior, never a rule
	Whole     int    // soundings that make the aspect whole, if it is called at once or once more: more than Open if some stand there; 0: not known
	Single    bool   // numbers are called one by one, and nothing else
	Listening bool   // false: standing by
	Question  bool   // the tool has asked something: affirm and negative count
	Reasons   bool   // it has asked about sites that were not probed: they may be skipped with a reason
	Margins   bool   // bare numbers are margins, which may be negative
	Terms     *Terms // the practice's own words; nil: none
	// Pending are the words of a call that was begun and not finished ("recession"): the next words
	// may finish it.
	Pending []string
	// Amend are the words of the last call if more words could change it ("bleeding").
	Amend []string
}

// StateOf is the grammar's view of an exam. Pending, Amend, Question and Terms are the caller's to set.
func StateOf(s *chart.State) State {
	n := s.Chart.Numbering
	if n == "" {
		n = chart.FDI
	}
	return State{Numbering: n, Open: s.Open(), Whole: s.Open(), Listening: s.Listening, Margins: s.Pass == chart.FieldRecession}
}

// shape is the part of a State that the network depends on.
type shape struct {
	numbering                    chart.Numbering
	open, whole                  int
	listening, question, margins bool
	single, reasons              bool
	terms                        *Terms
}

var (
	cacheMu sync.Mutex
	nfas    = map[shape]*nfa{} // some dozens for each practice's terms
	nets    = map[string]*Net{}
)

func (s State) nfa() *nfa {
	sh := shape{s.Numbering, s.Open, s.Whole, s.Listening, s.Question, s.Margins, s.Single, s.Reasons, s.Terms}
	cacheMu.Lock()
	defer cacheMu.Unlock()
	g := nfas[sh]
	if g == nil {
		g = build(sh)
		nfas[sh] = g
	}
	return g
}

// maxNets bounds the cache of networks: those of pending words are many and rarely come again.
const maxNets = 256

// maxStates bounds what is kept of the deterministic form of a network: words that may be amended add to it.
const maxStates = 2048

// NetOf is the network of what may be said in the state.
func NetOf(s State) *Net {
	key := fmt.Sprintf("%s %d %d %t %t %t %t %t|%s|%s|%s", s.Numbering, s.Open, s.Whole, s.Listening, s.Question, s.Reasons, s.Margins, s.Single, s.Terms.key(), strings.Join(s.Pending, " "), strings.Join(s.Amend, " "))
	g := s.nfa()
	cacheMu.Lock()
	defer cacheMu.Unlock()
	if n := nets[key]; n != nil {
		return n
	}
	if g.fixed == nil || len(g.fixed.states) > maxStates {
		g.fixed = newDFA(g)
	}
	n := g.fixed.netOf(s, key)
	if len(nets) >= maxNets {
		clear(nets)
	}
	nets[key] = n
	return n
}

// Vocabulary lists every word of the grammar, both numberings together.
func Vocabulary() []string {
	seen := map[string]bool{}
	var out []string
	for _, n := range []chart.Numbering{chart.FDI, chart.Universal} {
		net := NetOf(State{Numbering: n, Listening: true, Question: true, Reasons: true})
		for s := range net.States() {
			net.Arcs(s, func(word string, _ int, _ float64) {
				if !seen[word] {
					seen[word] = true
					out = append(out, word)
				}
			})
		}
	}
	return out
}

// Result is what words mean.
type Result struct {
	Command chart.Command
	Ending  Ending
	Words   []string // the words that the command was read from, those of former calls included
	Pending bool     // the words finish the call that was pending
	Amends  bool     // the words change the last call: it has to be taken back
	Prior   float64  // natural log, of the way through the grammar
}

// Misfit means that words are no call in this state.
type Misfit struct {
	Words  []string
	Reason string
}

func (m *Misfit) Error() string {
	return fmt.Sprintf("%q: %s", strings.Join(m.Words, " "), m.Reason)
}

// Parse reads words as one call. Words that only begin a call give Ending Prefix and an empty
// Command. It fails with *Misfit; a call that is well formed and names what does not exist (tooth
// 19 in FDI) fails with *chart.Refusal.
func Parse(s State, words []string) (Result, error) {
	if len(words) == 0 {
		return Result{}, &Misfit{words, "nothing was said"}
	}
	g := s.nfa()
	try := func(before []string) (Result, error) {
		ws := append(append([]string(nil), before...), words...)
		p, ok, reached := g.best(ws)
		if !ok {
			return Result{}, s.misfit(ws, reached)
		}
		r := Result{Ending: p.ending, Words: ws, Prior: p.prior}
		if p.ending == Prefix {
			return r, nil
		}
		var err error
		r.Command, err = interpret(s.Numbering, s.Terms.paths(), p.tokens)
		return r, err
	}
	var prefix *Result
	var refused *chart.Refusal // of the pending call, finished by words that are no call of their own
	if len(s.Pending) > 0 {
		r, err := try(s.Pending)
		r.Pending = true
		if err == nil && r.Ending > Prefix {
			return r, nil
		}
		if err == nil || errors.As(err, &refused) {
			prefix = &r
		}
	}
	r, err := try(nil)
	if err == nil && r.Ending > Prefix && (len(s.Amend) == 0 || possible(r.Command)) {
		return r, nil
	}
	if len(s.Amend) > 0 {
		if a, aerr := try(s.Amend); aerr == nil && a.Ending > Prefix {
			a.Amends = true
			return a, nil
		}
	}
	if err != nil && prefix != nil {
		if refused != nil {
			return *prefix, refused
		}
		return *prefix, nil
	}
	return r, err
}

// possible reports whether all numbers of a command can be depths. "missing one ... sixteen" goes on
// with the list, it is no sounding of 16 mm.
func possible(c chart.Command) bool {
	for _, a := range c.Acts {
		for _, n := range a.Numbers {
			if n.Half() > 2*chart.MaxDepth {
				return false
			}
		}
	}
	return true
}

func (s State) misfit(words []string, reached int) error {
	if !s.Listening {
		return &Misfit{words, "standing by: only go ahead is heard"}
	}
	if reached >= len(words) {
		return &Misfit{words, "the call is not finished"}
	}
	return &Misfit{words, fmt.Sprintf("%q does not fit here", words[reached])}
}

// Text splits typed text into the words of the grammar: lower case, digits to number words ("324" is
// three soundings, "14" after tooth, missing and the like is a number), usual misspellings of
// numbers to numbers.
func Text(line string) []string {
	var out []string
	numbersNameTeeth := false
	for _, f := range strings.FieldsFunc(strings.ToLower(line), func(r rune) bool {
		return r == ' ' || r == ',' || r == ';' || r == '.' || r == '\t' || r == '\n' || r == '\r' || r == '/' || r == '?' || r == '!'
	}) {
		if f[0] == '-' && len(f) > 1 {
			out = append(out, "minus")
			f = f[1:]
		}
		if strings.Trim(f, "0123456789") == "" {
			out = append(out, numerals(f, numbersNameTeeth)...)
			continue
		}
		if w, ok := spellings[f]; ok {
			f = w
		}
		switch f {
		case "tooth", "teeth", "missing", "implant", "unerupted", "present", "and", "number", "therapy":
			numbersNameTeeth = true
		default:
			numbersNameTeeth = false
		}
		out = append(out, strings.Split(f, "-")...)
	}
	return out
}

var spellings = map[string]string{"to": "two", "too": "two", "for": "four", "fore": "four", "ate": "eight", "won": "one",
	"tree": "three", "ok": "okay", "mesially": "mesial", "distally": "distal", "oh": "zero"}

func numerals(f string, tooth bool) []string {
	n := 0
	if len(f) <= 2 {
		fmt.Sscan(f, &n)
	}
	switch {
	case tooth && len(f) == 2 && n >= 20 && n <= 49 && n%10 != 0:
		return []string{tens[n/10], units[n%10]}
	case tooth && len(f) == 2 && n >= 20 && n <= 49:
		return []string{tens[n/10]}
	case tooth && len(f) <= 2 && n <= 19, len(f) == 2 && n >= 10 && n <= 15:
		return []string{units[n]}
	}
	var out []string
	for _, d := range f {
		out = append(out, units[d-'0'])
	}
	return out
}
