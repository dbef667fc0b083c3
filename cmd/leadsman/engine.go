package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"

	"leadsman/speech"
	"leadsman/speech/ctc"
)

var errNoSuchEngine = errors.New("use ctc, or none with serve")

// engineFlags say which recognizer to use.
type engineFlags struct {
	name    string
	model   string
	library string
	lexicon string
}

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
	switch f.name {
	case "", "ctc":
		opt := ctc.Options{ModelDir: f.model, Library: f.library}
		if opt.ModelDir == "" {
			opt.ModelDir = besides("models")
		}
		if f.lexicon != "" {
			file, err := os.Open(f.lexicon)
			if err != nil {
				return nil, fmt.Errorf("practice lexicon: %w", err)
			}
			defer file.Close()
			opt.Lexicon, opt.LexiconName = file, f.lexicon
		}
		return ctc.Open(opt)
	}
	return nil, fmt.Errorf("engine %q: %w", f.name, errNoSuchEngine)
}

// engineStatus is the exit status of an engine that could not be loaded: what the user named is the
// input's fault, the installation's files are the tool's.
func engineStatus(err error) int {
	if errors.Is(err, errNoSuchEngine) || errors.Is(err, fs.ErrNotExist) {
		return exitInput
	}
	return exitTool
}
