package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

const sampleChart = `{"schema":"leadsman.chart/1","id":"%s","teeth":{"16":{"sites":{"DB":{"depth":6,"recession":1,"bleeding":true}}}}}`

func findings(in string, args ...string) (status int, out, err string) {
	var stdout, stderr bytes.Buffer
	status = runFindings(args, strings.NewReader(in), &stdout, &stderr)
	return status, stdout.String(), stderr.String()
}

func TestFindingsOfLines(t *testing.T) {
	in := fmt.Sprintf(sampleChart+"\n"+sampleChart+"\n", "a", "b")
	status, out, stderr := findings(in, "-", "--json")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if status != 0 || stderr != "" || len(lines) != 2 {
		t.Fatalf("status %d, %q, %d lines", status, stderr, len(lines))
	}
	for i, id := range []string{"a", "b"} {
		var f struct {
			Schema, ID string
			Findings   []struct{ Code string }
		}
		if err := json.Unmarshal([]byte(lines[i]), &f); err != nil || f.Schema != "leadsman.findings/1" || f.ID != id || len(f.Findings) < 30 {
			t.Errorf("line %d: %v %+v", i+1, err, f)
		}
	}
}

func TestFindingsOfOneFile(t *testing.T) {
	name := filepath.Join(t.TempDir(), "chart.json")
	if err := os.WriteFile(name, []byte(strings.ReplaceAll(fmt.Sprintf(sampleChart, "a"), ",", ",\n ")), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{name}, {"--explain", name}, {name, "--explain"}, {"--unlisted-missing", name, "--json"}} {
		status, out, stderr := findings("", args...)
		if status != 0 || stderr != "" || !strings.Contains(out, "endpoint.reached") || !strings.Contains(out, "Decision support") {
			t.Errorf("%v: status %d, %q\n%s", args, status, stderr, out)
		}
		if explained := strings.Contains(out, "because  16 DB depth 6 mm"); explained != strings.Contains(fmt.Sprint(args), "explain") {
			t.Errorf("%v: explained %v", args, explained)
		}
	}
}

// A line that cannot be read is named, and the results of the lines before are there.
func TestFindingsOfBrokenLines(t *testing.T) {
	good := fmt.Sprintf(sampleChart, "a")
	for in, want := range map[string]string{
		good + "\n" + good + "\n{\"schema\":\n":                            "line 3: the file ends inside this chart",
		good + "\n" + good + "\nbroken\n" + good:                           "line 3: not readable as JSON: invalid character 'b'",
		good + "\n" + good + "\n{\"schema\":\"leadsman.chart/1\",\"x\":1}": "line 3: x: unknown key",
		good + "\n" + good + "\n" + strings.Replace(good, "6", "40", 2):    "line 3: teeth.140: no such tooth",
		good + "\n" + good + "\n" + strings.Replace(good, ":6", ":40", 1):  "line 3: teeth.16.sites.DB.depth: 40 mm is out of range (0 to 15 mm)",
	} {
		status, out, stderr := findings(in, "--json", "-")
		if status != 1 || strings.Count(stderr, "\n") != 1 || !strings.Contains(stderr, "standard input: "+want) {
			t.Errorf("status %d, %q, want %q", status, stderr, want)
		}
		if strings.Count(out, "\n") != 2 {
			t.Errorf("%d results before the broken line: %q", strings.Count(out, "\n"), want)
		}
	}
}

func TestFindingsFaults(t *testing.T) {
	for _, c := range []struct {
		args []string
		in   string
		want string
	}{
		{nil, "", "one file is needed"},
		{[]string{"a", "b"}, "", "one file is needed"},
		{[]string{"-", "--colour"}, "", "colour"},
		{[]string{"-", "--json", "--explain"}, "", "exclude each other"},
		{[]string{"/nowhere/chart.json"}, "", "open the charts: open /nowhere/chart.json: no such file"},
		{[]string{"-"}, "  \n", "no chart in it"},
	} {
		status, out, stderr := findings(c.in, c.args...)
		if status != 1 || out != "" || strings.Count(stderr, "\n") != 1 || !strings.Contains(stderr, c.want) {
			t.Errorf("%v: status %d, %q, want %q", c.args, status, stderr, c.want)
		}
	}
	if status, out, _ := findings("", "--help"); status != 0 || !strings.Contains(out, "docs/findings-file.md") {
		t.Errorf("help: %d %s", status, out)
	}
	var stderr bytes.Buffer
	if status := runFindings([]string{"-"}, strings.NewReader(fmt.Sprintf(sampleChart, "a")), full{}, &stderr); status != 2 || !strings.Contains(stderr.String(), "write the findings") {
		t.Errorf("a full disk: status %d, %q", status, stderr.String())
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space left") }

// Ten thousand charts need no more memory than a hundred.
func TestFindingsHoldOneChart(t *testing.T) {
	most := func(n int) uint64 {
		line := fmt.Sprintf(sampleChart, "a") + "\n"
		in := &lines{line: line, left: n}
		var peak uint64
		out := &watcher{look: func() {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			peak = max(peak, m.HeapAlloc)
		}}
		if status := runFindings([]string{"-", "--json"}, in, out, io.Discard); status != 0 {
			t.Fatal(status)
		}
		return peak
	}
	small := most(200)
	if small == 0 {
		t.Fatal("nothing was measured")
	}
	if large := most(5000); large > small+4<<20 {
		t.Errorf("%d bytes for 5000 charts, %d for 200", large, small)
	}
}

// lines is a file of one line many times over.
type lines struct {
	line string
	at   int
	left int
}

func (l *lines) Read(p []byte) (int, error) {
	if l.left == 0 {
		return 0, io.EOF
	}
	n := copy(p, l.line[l.at:])
	if l.at += n; l.at == len(l.line) {
		l.at, l.left = 0, l.left-1
	}
	return n, nil
}

// watcher calls look at every tenth write.
type watcher struct {
	look func()
	n    int
}

func (w *watcher) Write(p []byte) (int, error) {
	if w.n++; w.n%10 == 0 {
		w.look()
	}
	return len(p), nil
}
