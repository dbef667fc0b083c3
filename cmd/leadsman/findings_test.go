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
		if status != 0 || stderr != "" || !strings.Contains(out, map[bool]string{true: "endpoint.reached", false: "End point of therapy"}[strings.HasPrefix(out, "{")]) || !strings.Contains(out, "Decision support") {
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

// pairs writes two files of two charts each: attachment lost, and pockets healed. Change beyond 1 mm:
// Andrade et al. 2012, doi:10.1590/S1806-83242012000100010 (abstract); grade C from 2 mm of loss in five years
// or less: Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 4.
func pairs(t *testing.T) (before, after string) {
	t.Helper()
	chart := func(id string, a, b int) string {
		return fmt.Sprintf(`{"schema":"leadsman.chart/1","id":%q,"numbering":"universal","patient":{"bone_loss_percent":10,"age":60,"cigarettes_per_day":0,"diabetes":false},"teeth":{`+
			`"3":{"sites":{"DB":{"depth":%d,"recession":1,"bleeding":false},"MB":{"depth":3,"recession":0,"bleeding":false}}},"14":{"sites":{"DB":{"depth":%d,"recession":1,"bleeding":false}}}}}`, id, a, b) + "\n"
	}
	dir := t.TempDir()
	for name, text := range map[string]string{"before": chart("a1", 4, 4) + chart("b1", 6, 6), "after": chart("a2", 6, 4) + chart("b2", 3, 4)} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "before"), filepath.Join(dir, "after")
}

func TestFindingsWithEarlierExams(t *testing.T) {
	before, after := pairs(t)
	grades := func(args ...string) (out []string) {
		t.Helper()
		status, text, stderr := findings("", append(args, "--json", after)...)
		if status != 0 || stderr != "" {
			t.Fatalf("%v: %d %s", args, status, stderr)
		}
		for line := range strings.Lines(text) {
			var f struct {
				Findings []struct {
					Code  string
					Value any
				}
			}
			if err := json.Unmarshal([]byte(line), &f); err != nil {
				t.Fatal(err)
			}
			for _, x := range f.Findings {
				if x.Code == "periodontitis.grade" {
					out = append(out, fmt.Sprint(x.Value))
				}
			}
		}
		return out
	}
	if got := fmt.Sprint(grades(), grades("--earlier", before, "--years", "2"), grades("--earlier", before, "--years", "10")); got != "[A A] [A A] [A A]" {
		t.Errorf("grades alone, with an exam two and ten years before, one site worse: %s", got)
	}

	status, out, stderr := findings("", "--earlier", before, after, "--compare", "--json")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	var p struct {
		Schema, First, Second, Numbering string
		Comparison                       struct {
			Improved, Worse, NotSure, Closed int
			WorseSites                       []struct {
				Tooth int
				Site  string
			}
		}
		Cautions []string
	}
	if status != 0 || stderr != "" || len(lines) != 2 {
		t.Fatalf("%d %s %s", status, out, stderr)
	}
	if err := json.Unmarshal([]byte(lines[0]), &p); err != nil || p.Schema != "leadsman.comparison/1" || p.First != "a1" || p.Second != "a2" || p.Numbering != "fdi" ||
		p.Comparison.Worse != 1 || p.Comparison.WorseSites[0].Tooth != 16 || len(p.Cautions) == 0 {
		t.Errorf("%v %+v", err, p)
	}
	if err := json.Unmarshal([]byte(lines[1]), &p); err != nil || p.Comparison.Improved != 2 || p.Comparison.Closed != 2 {
		t.Errorf("%v %+v", err, p)
	}
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"--compare"}, []string{"a1, then a2", "look again 3 DB", "pockets closed               2 of 2", "attachment lost, gained      1 and 0 of 3 sites", "Decision support"}},
		{[]string{"--compare", "--other-examiner"}, []string{"0 2 0, not sure 1", "1 1 0, not sure 1", "attachment lost, gained      0 and 1 of 3 sites, not sure 1"}},
		{[]string{"--agree"}, []string{"differs 3 DB depth: 4 and 6 mm", "95 % limits", "Decision support"}},
		{[]string{"--agree", "--json"}, []string{`"schema":"leadsman.agreement/1"`, `"within1Percent":`, `{"tooth":16,"site":"DB","reading":"depth","first":4,"second":6}`}},
	} {
		status, out, stderr := findings("", append(c.args, "--earlier", before, after)...)
		for _, want := range c.want {
			if status != 0 || stderr != "" || !strings.Contains(out, want) {
				t.Errorf("%v: %d %q, no %q in\n%s", c.args, status, stderr, want, out)
			}
		}
	}
}

// What the charts themselves say about the time, examiner and therapy between two exams counts; an impossible pair is refused.
func TestFindingsOfDatedCharts(t *testing.T) {
	dir := t.TempDir()
	file := func(name, began, examiner, age string, depth int) string {
		var b strings.Builder
		fmt.Fprintf(&b, `{"schema":"leadsman.chart/1","id":%q,"exam":{"began":%q,"examiner":%q},"patient":{"age":%s,"history_of_periodontitis":true,"phenotype":"A","cigarettes_per_day":0,"diabetes":false},"teeth":{`, name, began, examiner, age)
		for i, tooth := range []int{11, 12, 13, 14, 15, 16, 17, 21, 22, 23, 24, 25, 26, 27, 31, 32, 33, 34, 35, 36, 37, 41, 42, 43, 44, 45, 46, 47} {
			d := 3
			if i < 8 {
				d = depth
			}
			if i > 0 {
				b.WriteByte(',')
			}
			fmt.Fprintf(&b, `"%d":{"sites":{"MB":{"depth":%d,"recession":1,"bleeding":false},"B":{"depth":2,"recession":0},"DB":{"depth":3,"recession":0},"L":{"depth":2,"recession":0}}}`, tooth, d)
		}
		b.WriteString("}}\n")
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	was := file("was", "2024-03-01T10:00:00Z", "Ada", "50", 3)
	now := file("now", "2026-03-01T10:00:00Z", "Ada", "52", 5)
	other := file("other", "2026-03-01T10:00:00Z", "Ben", "52", 5)
	old := file("old", "2026-03-01T10:00:00Z", "Ada", "70", 5)
	status := func(args ...string) string {
		t.Helper()
		st, out, stderr := findings("", append(args, "--json")...)
		if st != 0 {
			return stderr
		}
		var f struct {
			Findings []struct {
				Code  string
				Value any
			}
		}
		if err := json.Unmarshal([]byte(out), &f); err != nil {
			t.Fatal(err)
		}
		said := ""
		for _, x := range f.Findings {
			if x.Code == "progression.status" || x.Code == "periodontitis.grade" {
				said = fmt.Sprint(x.Value) + " " + said
			}
		}
		return said
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{now, "--earlier", was}, "beyond-chance C"},
		{[]string{now, "--earlier", was, "--years", "10"}, "beyond-chance A"},
		{[]string{other, "--earlier", was}, "not-shown A"},
		{[]string{now, "--earlier", was, "--other-examiner"}, "not-shown A"},
		{[]string{now, "--earlier", was, "--therapy-between"}, "after-therapy A"},
		{[]string{now, "--earlier", was, "--double", was + "," + was}, "beyond-chance C"},
		{[]string{was, "--earlier", now}, "exchange the two"},
		{[]string{old, "--earlier", was}, "two patients?"},
	} {
		if got := status(c.args...); !strings.Contains(got, c.want) {
			t.Errorf("%v: %q, want %q", c.args, got, c.want)
		}
	}
}

// Examiners against a reference: one page over all charts, by the names and patients in the files.
func TestFindingsCalibrate(t *testing.T) {
	dir := t.TempDir()
	file := func(name, examiner string, deeper int) string {
		var b strings.Builder
		for p := range 3 {
			fmt.Fprintf(&b, `{"schema":"leadsman.chart/1","id":"p%d","exam":{"examiner":%q},"teeth":{"16":{"sites":{"MB":{"depth":%d},"B":{"depth":2},"DB":{"depth":3}}},"26":{"sites":{"MB":{"depth":%d},"B":{"depth":2}}}}}`+"\n", p, examiner, 4+deeper, 3+p)
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	reference, trainee := file("reference", "Ada", 0), file("trainee", "Ben", 2)
	status, out, stderr := findings("", trainee, "--earlier", reference, "--calibrate")
	for _, want := range []string{"Ben: 3 patients, 15 sites", "depths within 1 mm, percent              80.0 (80.0 to 80.0)", "reads deeper than the reference by, mm   0.40", "Decision support"} {
		if status != 0 || !strings.Contains(out, want) {
			t.Errorf("%d %s: no %q in\n%s", status, stderr, want, out)
		}
	}
	var c struct {
		Examiners []struct {
			Examiner string
			Sites    int
		}
	}
	if status, out, stderr := findings("", trainee, "--earlier", reference, "--calibrate", "--json"); status != 0 || json.Unmarshal([]byte(out), &c) != nil || len(c.Examiners) != 1 || c.Examiners[0].Sites != 15 {
		t.Errorf("%d %s %s", status, out, stderr)
	}
	for _, args := range [][]string{{trainee, "--calibrate"}, {trainee, "--earlier", reference, "--calibrate", "--agree"}, {trainee, "--earlier", reference, "--calibrate", "--explain"}} {
		if status, _, _ := findings("", args...); status != 1 {
			t.Errorf("%v: status %d", args, status)
		}
	}
}

// Two files that do not belong together, and flags that do not.
func TestFindingsEarlierFaults(t *testing.T) {
	before, after := pairs(t)
	one := fmt.Sprintf(sampleChart, "a")
	for _, c := range []struct {
		args []string
		in   string
		want string
	}{
		{[]string{after, "--compare"}, "", "need --earlier"},
		{[]string{after, "--years", "2"}, "", "need --earlier"},
		{[]string{after, "--earlier", before}, "", "how many years"},
		{[]string{after, "--earlier", before, "--years", "-1"}, "", "at most 100 lie between"},
		{[]string{after, "--earlier", before, "--compare", "--agree"}, "", "exclude each other"},
		{[]string{after, "--earlier", before, "--compare", "--explain"}, "", "--explain is for findings"},
		{[]string{after, "--earlier", before, "--agree", "--other-examiner"}, "", "do not go with --agree"},
		{[]string{after, "--double", "x,y"}, "", "need --earlier"},
		{[]string{after, "--earlier", before, "--compare", "--double", before}, "", "two files with a comma"},
		{[]string{after, "--earlier", before, "--compare", "--double", before + ",/nowhere/x.json"}, "", "open the double examinations"},
		{[]string{after, "--earlier", "/nowhere/x.json", "--compare"}, "", "open the charts before"},
		{[]string{"-", "--earlier", before, "--compare", "--json"}, one, before + ": there are more charts in it than the 1 of standard input"},
		{[]string{"-", "--earlier", before, "--compare", "--json"}, one + "\n" + one + "\n" + one, before + ": there are only 2 charts in it"},
	} {
		status, _, stderr := findings(c.in, c.args...)
		if status != 1 || strings.Count(stderr, "\n") != 1 || !strings.Contains(stderr, c.want) {
			t.Errorf("%v: status %d, %q, want %q", c.args, status, stderr, c.want)
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
