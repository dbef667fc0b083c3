//go:build vosk

// Package vosk runs the program that make vosk builds, with the Korean model that its tests fetch: Korean numbers
// stand for English ones, so that a chart comes out. A test of the wiring, not of accuracy.
package vosk

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"leadsman/grammar"
	"leadsman/tests/program"
)

const sound = "../../speech/vosk/testdata/korean_digits.wav"

// run starts bin/leadsman-vosk, which lies beside the ordinary program.
func run(t *testing.T, args ...string) (stdout, stderr string, status int) {
	t.Helper()
	cmd := exec.Command(filepath.Join(filepath.Dir(program.Path(t)), "leadsman-vosk"), args...)
	cmd.Env = append(os.Environ(), "LD_LIBRARY_PATH=") // the library beside the program must do
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	if cmd.ProcessState == nil {
		t.Fatal(err)
	}
	return out.String(), errs.String(), cmd.ProcessState.ExitCode()
}

func model(t *testing.T) string {
	dir := os.Getenv("LEADSMAN_VOSK_KOREAN")
	if dir == "" {
		t.Fatal("LEADSMAN_VOSK_KOREAN names no model: use  make vosktest")
	}
	return dir
}

// A model that lacks the words of the calls is refused with the words and the remedy, and so is no model.
func TestRefuses(t *testing.T) {
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"--model", model(t)}, []string{model(t), "furcation", "mesial", "three", "English", "--lexicon"}},
		{[]string{"--model", "nowhere"}, []string{"no folder nowhere", "vosk-model-small-en-us"}},
		{nil, []string{"no model folder given", "--model"}},
	} {
		_, stderr, status := run(t, append([]string{"hear", sound, "--engine", "vosk"}, c.args...)...)
		if status != 1 || strings.Count(stderr, "\n") != 1 {
			t.Errorf("%q: exit status %d, want 1 and one line; it says\n%s", c.args, status, stderr)
		}
		for _, want := range c.want {
			if !strings.Contains(stderr, want) {
				t.Errorf("%q: nothing of %q in %s", c.args, want, stderr)
			}
		}
	}
}

// With Korean words for the calls, three spoken triples become nine soundings.
func TestHear(t *testing.T) {
	korean := map[string]string{"two": "이", "four": "사", "five": "오", "eight": "넷", "nine": "아홉"}
	var lines strings.Builder
	for i, word := range grammar.Vocabulary() {
		as := korean[word]
		if as == "" {
			// Words that nobody says here, another combination for each.
			rest := []string{"도서관", "자전거", "비행기", "냉장고", "컴퓨터", "고양이"}
			as = fmt.Sprintf("%s %s %s", rest[i%6], rest[i/6%6], rest[i/36%6])
		}
		fmt.Fprintf(&lines, "%s\t%s\n", word, as)
	}
	lexicon := filepath.Join(t.TempDir(), "korean.txt")
	if err := os.WriteFile(lexicon, []byte(lines.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	stdout, stderr, status := run(t, "hear", sound, "--json", "--engine", "vosk", "--model", model(t), "--lexicon", lexicon)
	if status != 0 {
		t.Fatalf("exit status %d: %s", status, stderr)
	}
	if want := `the model lacks "five", which is heard as 오`; !strings.Contains(stderr, want) {
		t.Errorf("nothing of %q in what was told at the start:\n%s", want, stderr)
	}
	var h struct {
		Calls []struct {
			Words      string  `json:"words"`
			Start, End float64 `json:"-"`
		} `json:"calls"`
	}
	if err := json.Unmarshal([]byte(stdout), &h); err != nil {
		t.Fatal(err)
	}
	var calls []string
	for _, c := range h.Calls {
		calls = append(calls, c.Words)
	}
	if got, want := strings.Join(calls, ", "), "two four five, eight two nine, four two nine"; got != want {
		t.Errorf("heard %q, want %q", got, want)
	}
}
