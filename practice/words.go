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
	f := &wordsReader{words: &Words{File: file, terms: &grammar.Terms{}, line: map[string]int{}}, numbering: chart.FDI, at: map[string]int{}}
	kinds := map[string]func(string) error{"": func(string) error { return nil },
		"numbering": f.readNumbering, "synonym": f.readSynonym, "path": f.readPath, "sound": f.readSound}
	sc := bufio.NewScanner(r)
	for sc.Scan() {
		f.n++
		if f.n > 1 {
			f.phones.WriteByte('\n')
		}
		text, _, _ := strings.Cut(strings.ToLower(strings.TrimPrefix(sc.Text(), "\ufeff")), "#")
		kind, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
		read := kinds[kind]
		if read == nil {
			return nil, lineFault(file, f.n, "%q begins no line of a practice file: use numbering, synonym, path or sound", kind)
		}
		if err := read(rest); err != nil {
			return nil, lineFault(file, f.n, "%v", err)
		}
	}
	if err := sc.Err(); errors.Is(err, bufio.ErrTooLong) {
		return nil, lineFault(file, f.n+1, "it is longer than 65,536 bytes: this is no practice file (docs/practice-file.md has its form)")
	} else if err != nil {
		return nil, lineFault(file, f.n+1, "%v", err)
	}
	h := f.words
	for _, w := range h.terms.Words() {
		h.line[w] = f.at[w]
	}
	h.Phones, h.Likes = f.phones.String()+"\n", f.likes.String()
	return h, nil
}

// wordsReader reads the lines of a practice file. There is a method for each kind of line, which takes what stands behind its first word.
type wordsReader struct {
	words         *Words
	n             int // the line
	numbering     chart.Numbering
	at            map[string]int // line of each synonym and path
	phones, likes strings.Builder
}

func (f *wordsReader) readNumbering(rest string) (err error) {
	f.numbering, err = chart.ParseNumbering(strings.TrimSpace(rest))
	return err
}

func (f *wordsReader) readSynonym(rest string) error {
	said, means, ok := strings.Cut(rest, "=")
	s := grammar.Synonym{Said: strings.Fields(said), Means: strings.Fields(means)}
	if !ok || len(s.Said) == 0 || len(s.Means) == 0 || !wordsOnly(said+means) {
		return errors.New("write a synonym as  synonym pus point = suppuration, in words without digits")
	}
	if err := f.words.terms.AddSynonym(s); err != nil {
		return fmt.Errorf("%w: choose other words; docs/calls.md has all that are taken", err)
	}
	for _, w := range s.Said {
		f.at[w] = f.n
	}
	return nil
}

func (f *wordsReader) readPath(rest string) error {
	name, segments, ok := strings.Cut(rest, ":")
	name = strings.TrimSpace(name)
	if !ok || !wordsOnly(name) || len(strings.Fields(name)) != 1 {
		return errors.New("write a path as  path lowers: buccal 38-48, lingual 48-38, with a name of one word")
	}
	p, err := chart.ParsePath(name, segments, f.numbering)
	if err != nil {
		return err
	}
	if err := f.words.terms.AddPath(name); err != nil {
		return fmt.Errorf("%w: choose another name", err)
	}
	f.words.own = append(f.words.own, p)
	f.at[name] = f.n
	return nil
}

func (f *wordsReader) readSound(rest string) error {
	word, how, ok := strings.Cut(rest, "=")
	as := strings.Fields(how)
	if !ok || len(strings.Fields(word)) != 1 || len(as) == 0 || as[0] == "like" && len(as) == 1 {
		return errors.New("write a sound as  sound furca = F ER K AH  (phones of CMUdict) or as  sound furca = like four car")
	}
	word = strings.TrimSpace(word)
	if as[0] == "like" {
		fmt.Fprintf(&f.likes, "%s\t%s\n", word, strings.Join(as[1:], " "))
		fmt.Fprintf(&f.phones, "%s =%s", word, strings.Join(as[1:], " ="))
	} else {
		fmt.Fprintf(&f.phones, "%s %s", word, strings.Join(as, " "))
	}
	return nil
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
