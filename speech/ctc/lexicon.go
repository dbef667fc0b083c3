package ctc

import (
	"bufio"
	_ "embed"
	"fmt"
	"io"
	"slices"
	"strings"
)

//go:embed lexicon.txt
var builtInLexicon string

// A lexicon gives the ways to say each word as strings of phone indices (0 is blank and never
// occurs).
type lexicon struct {
	phone map[string]uint8
	words map[string][][]uint8
}

// newLexicon reads the built-in words for a model with these output symbols, blank first.
func newLexicon(symbols []string) (*lexicon, error) {
	l := &lexicon{phone: map[string]uint8{}, words: map[string][][]uint8{}}
	for i, s := range symbols {
		if i > 0 {
			l.phone[s] = uint8(i)
		}
	}
	if err := l.read("built-in lexicon", strings.NewReader(builtInLexicon)); err != nil {
		return nil, err
	}
	return l, nil
}

// read adds the lines "word <tab or space> phone phone ... [| phone phone ...]"; "=four" stands for the
// phones of a word that is known already. Empty lines and what follows # are ignored. Words are kept in lower case. The first fault ends it, with its line.
func (l *lexicon) read(name string, r io.Reader) error {
	sc := bufio.NewScanner(r)
	for n := 1; sc.Scan(); n++ {
		line, _, _ := strings.Cut(sc.Text(), "#")
		fields := strings.Fields(strings.ReplaceAll(line, "|", " | "))
		if len(fields) == 0 {
			continue
		}
		word := strings.ToLower(fields[0])
		ways := [][]uint8{{}}
		for _, f := range fields[1:] {
			last := len(ways) - 1
			if f == "|" {
				if len(ways[last]) == 0 {
					return fmt.Errorf("%s, line %d: %q has an empty pronunciation: write phones between the bars", name, n, word)
				}
				ways = append(ways, nil)
				continue
			}
			if like, isWord := strings.CutPrefix(f, "="); isWord {
				known := l.words[strings.ToLower(like)]
				if known == nil {
					return fmt.Errorf("%s, line %d: no pronunciation of %q is known (word %q): write phones", name, n, like, word)
				}
				ways[last] = append(ways[last], known[0]...)
				continue
			}
			p, ok := l.phone[strings.ToUpper(strings.TrimRight(f, "012"))]
			if !ok {
				return fmt.Errorf("%s, line %d: %q is not a phone (word %q): use the 39 phones of CMUdict, as in \"mesial M IY Z IY AH L\"", name, n, f, word)
			}
			ways[last] = append(ways[last], p)
		}
		if len(ways[len(ways)-1]) == 0 {
			return fmt.Errorf("%s, line %d: %q has no pronunciation: write its phones behind it, as in \"mesial M IY Z IY AH L\"", name, n, word)
		}
		for _, w := range ways {
			if !slices.ContainsFunc(l.words[word], func(o []uint8) bool { return slices.Equal(o, w) }) {
				l.words[word] = append(l.words[word], w)
			}
		}
	}
	if err := sc.Err(); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// lacks returns the words without a pronunciation, each once, in the order given.
func (l *lexicon) lacks(words []string) []string {
	var missing []string
	for _, w := range words {
		if _, ok := l.words[w]; !ok && !slices.Contains(missing, w) {
			missing = append(missing, w)
		}
	}
	return missing
}
