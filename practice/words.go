package practice

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
)

// wordsFile is looked for in the data folder.
const wordsFile = "practice.txt"

// Words is what a practice file says: how this practice calls and walks. A nil *Words says nothing.
type Words struct {
	File  string // its name
	terms *grammar.Terms
	own   []chart.Path
	// Phones are pronunciations for the recognizer's own lexicon, Likes words by other words for
	// Vosk; in Phones each stands on the line of the file, so that faults name it.
	Phones, Likes string
	line          map[string]int // of each new word
}

// lineFault is a fault of a practice file.
func lineFault(file string, line int, format string, a ...any) error {
	return fmt.Errorf("practice file %s, line %d: %s", file, line, fmt.Sprintf(format, a...))
}

// ReadWords reads a practice file; docs/practice-file.md has its form. All errors name file and line.
func ReadWords(file string, r io.Reader) (*Words, error) {
	h := &Words{File: file, line: map[string]int{}}
	num := chart.FDI
	terms := &grammar.Terms{}
	at := map[string]int{} // line of each synonym and path
	var phones, likes strings.Builder
	sc := bufio.NewScanner(r)
	n := 0
	for sc.Scan() {
		n++
		text, _, _ := strings.Cut(strings.ToLower(strings.TrimPrefix(sc.Text(), "\ufeff")), "#")
		kind, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
		if n > 1 {
			phones.WriteByte('\n')
		}
		bad := func(format string, a ...any) (*Words, error) { return nil, lineFault(file, n, format, a...) }
		switch kind {
		case "":
		case "numbering":
			var err error
			if num, err = chart.ParseNumbering(strings.TrimSpace(rest)); err != nil {
				return bad("%v", err)
			}
		case "synonym":
			said, means, ok := strings.Cut(rest, "=")
			if s := (grammar.Synonym{Said: strings.Fields(said), Means: strings.Fields(means)}); ok && len(s.Said) > 0 && len(s.Means) > 0 && wordsOnly(said+means) {
				if err := terms.AddSynonym(s); err != nil {
					return bad("%v: choose other words; docs/calls.md has all that are taken", err)
				}
				for _, w := range s.Said {
					at[w] = n
				}
				break
			}
			return bad("write a synonym as  synonym pus point = suppuration, in words without digits")
		case "path":
			name, segments, ok := strings.Cut(rest, ":")
			name = strings.TrimSpace(name)
			if !ok || !wordsOnly(name) || len(strings.Fields(name)) != 1 {
				return bad("write a path as  path lowers: buccal 38-48, lingual 48-38, with a name of one word")
			}
			p, err := chart.ParsePath(name, segments, num)
			if err != nil {
				return bad("%v", err)
			}
			if err := terms.AddPath(name); err != nil {
				return bad("%v: choose another name", err)
			}
			h.own = append(h.own, p)
			at[name] = n
		case "sound":
			word, how, ok := strings.Cut(rest, "=")
			f := strings.Fields(how)
			if !ok || len(strings.Fields(word)) != 1 || len(f) == 0 || f[0] == "like" && len(f) == 1 {
				return bad("write a sound as  sound furca = F ER K AH  (phones of CMUdict) or as  sound furca = like four car")
			}
			word = strings.TrimSpace(word)
			if f[0] == "like" {
				fmt.Fprintf(&likes, "%s\t%s\n", word, strings.Join(f[1:], " "))
				fmt.Fprintf(&phones, "%s =%s", word, strings.Join(f[1:], " ="))
			} else {
				fmt.Fprintf(&phones, "%s %s", word, strings.Join(f, " "))
			}
		default:
			return bad("%q begins no line of a practice file: use numbering, synonym, path or sound", kind)
		}
	}
	if err := sc.Err(); errors.Is(err, bufio.ErrTooLong) {
		return nil, lineFault(file, n+1, "it is longer than 65,536 bytes: this is no practice file (docs/practice-file.md has its form)")
	} else if err != nil {
		return nil, lineFault(file, n+1, "%v", err)
	}
	h.terms = terms
	for _, w := range h.terms.Words() {
		h.line[w] = at[w]
	}
	h.Phones, h.Likes = phones.String()+"\n", likes.String()
	return h, nil
}

// wordsOnly reports whether a text consists of words as they can be spoken.
func wordsOnly(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return (r < 'a' || r > 'z') && r != ' ' && r != '\'' })
}

// OpenWords reads the named practice file, or the one in the data folder if there is one; data may be "".
func OpenWords(file, data string) (*Words, error) {
	named := file != ""
	if !named {
		if data == "" {
			return nil, nil
		}
		file = filepath.Join(data, wordsFile)
	}
	f, err := os.Open(file)
	if errors.Is(err, fs.ErrNotExist) && !named {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("practice file: %w: name a file that can be read with --practice", err)
	}
	defer f.Close()
	return ReadWords(file, f)
}

// Paths and Terms are nil for a practice without words of its own.
func (h *Words) Paths() []chart.Path {
	if h == nil {
		return nil
	}
	return h.own
}

func (h *Words) Terms() *grammar.Terms {
	if h == nil {
		return nil
	}
	return h.terms
}

// HeardBy reports the first word of the practice that an engine cannot hear.
func (h *Words) HeardBy(e speech.Engine) error {
	if h == nil {
		return nil
	}
	for _, w := range e.Lacks(h.terms.Words()) {
		return lineFault(h.File, h.line[w], "it is not known how %q sounds: add a line  sound %s = PHONES  or  sound %s = like WORDS", w, w, w)
	}
	return nil
}
