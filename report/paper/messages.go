package paper

import (
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"time"
	"unicode"
)

//go:embed messages/*.json
var builtIn embed.FS

// Messages are the sentences of a language for what patients read.
type Messages struct {
	Tag  string // such as "en"
	text map[string]string
}

var tagForm = regexp.MustCompile(`^[a-z]{2,3}(-[A-Za-z0-9]{2,8})?$`)

// Languages lists the languages that there are messages in, by tag, with their own names: those that come with the program and those
// of files in a folder of the practice, which may not exist.
func Languages(dir string) (map[string]string, error) {
	names := map[string]string{}
	for _, from := range []fs.FS{builtIn, practiceFiles(dir)} {
		files, err := fs.Glob(from, "messages/*.json")
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			tag := strings.TrimSuffix(path.Base(f), ".json")
			m, err := Load(dir, tag)
			if err != nil {
				return nil, err
			}
			names[tag] = m.text["language"]
		}
	}
	return names, nil
}

// practiceFiles gives a folder of message files the name that the embedded ones have.
func practiceFiles(dir string) fs.FS {
	if dir == "" {
		return embed.FS{}
	}
	return os.DirFS(filepath.Dir(dir))
}

// Load reads the messages of a language: the program's, and over them those of the practice, a file TAG.json in dir. What a language lacks
// is said in English. A key that there is not, or a placeholder that the English message has not, is refused by name.
func Load(dir, tag string) (*Messages, error) {
	if tag == "" {
		tag = "en"
	}
	if !tagForm.MatchString(tag) {
		return nil, fmt.Errorf("language %q: write a tag such as en or pt-BR", tag)
	}
	english, err := read(builtIn, "messages/en.json", nil)
	if err != nil {
		return nil, err
	}
	m := &Messages{Tag: tag, text: maps.Clone(english)}
	found := false
	for _, from := range []struct {
		fs   fs.FS
		name string
	}{{builtIn, "messages/" + tag + ".json"}, {practiceFiles(dir), path.Join(filepath.Base(dir), tag+".json")}} {
		text, err := read(from.fs, from.name, english)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		found = true
		maps.Copy(m.text, text)
	}
	if !found {
		return nil, fmt.Errorf("language %q: there are no messages in it; put a file %s.json into the folder messages of the data", tag, tag)
	}
	return m, nil
}

var placeholder = regexp.MustCompile(`\{[a-z]+\}`)

func read(from fs.FS, name string, english map[string]string) (map[string]string, error) {
	b, err := fs.ReadFile(from, name)
	if err != nil {
		return nil, err
	}
	var text map[string]string
	if err := json.Unmarshal(b, &text); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	for k, v := range text {
		was, known := english[k]
		if english != nil && !known {
			return nil, fmt.Errorf("%s: there is no message %q", name, k)
		}
		for _, p := range placeholder.FindAllString(v, -1) {
			if english != nil && !strings.Contains(was, p) {
				return nil, fmt.Errorf("%s: %s: %s cannot be filled in there", name, k, p)
			}
		}
	}
	return text, nil
}

// say gives a message with its placeholders filled in: pairs of name and value.
func (m *Messages) say(key string, pairs ...string) string {
	s := m.text[key]
	for i := 0; i+1 < len(pairs); i += 2 {
		s = strings.ReplaceAll(s, "{"+pairs[i]+"}", pairs[i+1])
	}
	return s
}

func (m *Messages) has(key string) bool { return m.text[key] != "" }

// day writes a date in words.
func (m *Messages) day(t time.Time) string {
	names := strings.Split(m.text["months"], "|")
	month := t.Format("01")
	if len(names) == 12 {
		month = names[t.Month()-1]
	}
	return m.say("date", "day", fmt.Sprint(t.Day()), "month", month, "year", fmt.Sprint(t.Year()))
}

func (m *Messages) dayOf(s string) string {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return s
	}
	return m.day(t)
}

// Grade says how hard a text is to read, and by which measure. English: the school grade of Kincaid et al. 1975 (Naval Technical Training
// Command, Research Branch Report 8-75), syllables counted by groups of vowels. Other languages: LIX (Björnsson 1968), words a sentence
// plus the percentage of words of more than six letters, which needs no syllables; below 30 is very easy, below 40 easy (from memory).
func Grade(language, text string) (grade float64, measure string) {
	sentences, words, syllables, long := 0, 0, 0, 0
	for _, w := range strings.Fields(text) {
		letters := strings.TrimFunc(w, func(r rune) bool { return !unicode.IsLetter(r) })
		if letters != "" {
			words++
			syllables += syllablesOf(letters)
			if len([]rune(letters)) > 6 {
				long++
			}
		}
		if last := w[len(w)-1]; last == '.' || last == '!' || last == '?' || last == ':' {
			sentences++
		}
	}
	if words == 0 {
		return 0, ""
	}
	sentences = max(sentences, 1)
	perSentence := float64(words) / float64(sentences)
	if strings.HasPrefix(language, "en") {
		return max(1, math.Round(10*(0.39*perSentence+11.8*float64(syllables)/float64(words)-15.59))/10), "Flesch-Kincaid"
	}
	return math.Round(perSentence + 100*float64(long)/float64(words)), "LIX"
}

// syllablesOf counts groups of vowels of an English word; a silent e at the end is none.
func syllablesOf(w string) int {
	w = strings.ToLower(w)
	n, before := 0, false
	for _, r := range w {
		vowel := strings.ContainsRune("aeiouy", r)
		if vowel && !before {
			n++
		}
		before = vowel
	}
	if strings.HasSuffix(w, "e") && !strings.HasSuffix(w, "le") && n > 1 {
		n--
	}
	return max(n, 1)
}
