package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"

	"leadsman/grammar"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/ctc"
	"leadsman/speech/vosk"
)

var errNoSuchEngine = errors.New("use ctc or vosk, or none with serve")

// engineFlags say which recognizer to use.
type engineFlags struct {
	name    string
	model   string
	library string
	lexicon string
	words   string          // the practice file's name; "": that of the data folder
	own     *practice.Words // what it says
	notes   io.Writer       // what has to be said about the words of a model
}

// The engines by name.
const (
	engineCTC  = "ctc"
	engineVosk = "vosk"
	engineNone = "none"
)

func version() string {
	if bi, ok := debug.ReadBuildInfo(); ok && bi.Main.Version != "" {
		return bi.Main.Version
	}
	return "(devel)"
}

// besides finds a file or folder that belongs to the installation: next to the program, one folder
// up, or under the folder in which it was started.
func besides(name string) string {
	var tried []string
	if exe, err := os.Executable(); err == nil {
		if real, err := filepath.EvalSymlinks(exe); err == nil {
			exe = real
		}
		dir := filepath.Dir(exe)
		tried = append(tried, filepath.Join(dir, name), filepath.Join(filepath.Dir(dir), name))
	}
	tried = append(tried, name)
	for _, p := range tried {
		if _, err := os.Stat(p); err == nil {
			return p
		}
	}
	return tried[0]
}

func env(key, def string) string {
	if v := os.Getenv(key); v != "" {
		return v
	}
	return def
}

// openEngine loads the recognizer.
func openEngine(f engineFlags) (speech.Engine, error) {
	var words io.Reader
	if f.lexicon != "" {
		file, err := os.Open(f.lexicon)
		if err != nil {
			return nil, fmt.Errorf("practice lexicon: %w", err)
		}
		defer file.Close()
		words = file
	}
	var e speech.Engine
	var err error
	switch f.name {
	case "", engineCTC:
		opt := ctc.Options{ModelDir: f.model, Library: f.library, Lexicon: words, LexiconName: f.lexicon}
		if opt.ModelDir == "" {
			opt.ModelDir = besides("models")
		}
		if f.own != nil {
			opt.Own, opt.OwnName = strings.NewReader(f.own.Phones), "practice file "+f.own.File
		}
		e, err = openCTC(opt)
	case engineVosk:
		if f.own != nil {
			likes := strings.NewReader(f.own.Likes)
			if words == nil {
				words = likes
			} else {
				words = io.MultiReader(words, strings.NewReader("\n"), likes)
			}
		}
		e, err = openVosk(f, words)
	default:
		return nil, fmt.Errorf("engine %q: %w", f.name, errNoSuchEngine)
	}
	if err != nil {
		return nil, err
	}
	if err := f.own.HeardBy(e); err != nil {
		e.Close()
		return nil, err
	}
	return e, nil
}

func openCTC(opt ctc.Options) (speech.Engine, error) {
	e, err := ctc.Open(opt)
	if err != nil {
		return nil, err
	}
	return e, nil
}

// openVosk loads a Vosk model and tells how it hears the calls' words that it lacks. A word that it
// cannot hear at all refuses the model.
func openVosk(f engineFlags, words io.Reader) (speech.Engine, error) {
	e, err := vosk.Open(vosk.Options{ModelDir: f.model, Respell: words, RespellName: f.lexicon})
	if err != nil {
		return nil, err
	}
	all := grammar.Vocabulary()
	if lacks := e.Lacks(all); len(lacks) > 0 {
		e.Close()
		slices.Sort(lacks)
		return nil, fmt.Errorf("the model in %s lacks %d words of the calls and has no words that sound like them: %s; use a model of English, or write a file with lines \"word <tab> words of the model\" and name it with --lexicon",
			f.model, len(lacks), strings.Join(lacks, ", "))
	}
	as := e.Respelled(all)
	for _, w := range slices.Sorted(maps.Keys(as)) {
		fmt.Fprintf(f.notes, "leadsman: the model lacks %q, which is heard as %s\n", w, as[w])
	}
	return e, nil
}

// engineStatus is the exit status of an engine that could not be loaded: what the user named is the
// input's fault, the installation's files are the tool's.
func engineStatus(f engineFlags, err error) int {
	if f.name == engineVosk || errors.Is(err, errNoSuchEngine) || errors.Is(err, fs.ErrNotExist) {
		return exitInput
	}
	return exitTool
}
