package tests

import (
	"fmt"
	"go/ast"
	"go/scanner"
	"go/token"
	"os"
	"slices"
	"strings"
	"testing"
)

const (
	// window is how many tokens in a row must be the same, names and all, to count as written twice: some four lines.
	window = 40
	// mostRepeats is how many places of the code that is served may say again what stands elsewhere. It may only become smaller.
	mostRepeats = 17
)

type place struct {
	file string
	line int
}

// The same code is not written twice.
func TestNothingIsWrittenTwice(t *testing.T) {
	first := map[string]place{}
	var repeats []string
	goFiles(t, func(path string, fset *token.FileSet, file *ast.File) {
		src, err := os.ReadFile("../" + path)
		if err != nil {
			t.Fatal(err)
		}
		tokens, lines := tokensOf(src)
		for i, until := 0, -1; i+window <= len(tokens); i++ {
			key := strings.Join(tokens[i:i+window], " ")
			at, seen := first[key]
			if !seen {
				first[key] = place{path, lines[i]}
			} else if i > until && (at.file != path || lines[i] > at.line+5) {
				repeats = append(repeats, fmt.Sprintf("%s:%d says what stands at %s:%d", path, lines[i], at.file, at.line))
				until = i + window
			}
			if seen {
				until = max(until, i+window)
			}
		}
	})
	if len(repeats) > mostRepeats {
		slices.Sort(repeats)
		t.Errorf("%d places repeat others, at most %d may:\n%s", len(repeats), mostRepeats, strings.Join(repeats, "\n"))
	} else if len(repeats) < mostRepeats {
		t.Logf("only %d places repeat others: set mostRepeats to that", len(repeats))
	}
}

// tokensOf are the tokens of a file but comments, with their lines. Imports are left out.
func tokensOf(src []byte) (tokens []string, lines []int) {
	fset := token.NewFileSet()
	f := fset.AddFile("", fset.Base(), len(src))
	var s scanner.Scanner
	s.Init(f, src, nil, 0)
	imports := false
	for {
		pos, tok, lit := s.Scan()
		switch {
		case tok == token.EOF:
			return tokens, lines
		case tok == token.IMPORT:
			imports = true
		case imports && (tok == token.FUNC || tok == token.TYPE || tok == token.VAR || tok == token.CONST):
			imports = false
		}
		if imports || tok == token.SEMICOLON && lit == "\n" {
			continue
		}
		if lit == "" {
			lit = tok.String()
		}
		tokens, lines = append(tokens, lit), append(lines, f.Line(pos))
	}
}
