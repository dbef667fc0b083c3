// Package load measures the program with many exams (make many) and with many chairs (make load).
package load

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/practice"
	"leadsman/store"
	"leadsman/tests/program"
)

// mouth is the log of an exam of 168 sites.
func mouth(t *testing.T, patient string) []chart.Event {
	t.Helper()
	st := chart.NewState()
	evs, err := chart.Start(chart.FDI, "", nil, nil, chart.Meta{Time: 1, Person: "ada", Who: "Ada Quill", Patient: patient})
	for i := range 57 {
		if err == nil {
			err = st.Apply(evs...)
		}
		if err != nil {
			t.Fatal(err)
		}
		if i < 56 {
			evs, err = st.Do(chart.Command{Acts: []chart.Act{{Verb: chart.VerbSoundings, Numbers: []chart.MM{chart.Millimetres(3), chart.Millimetres(2 + i%5), chart.Millimetres(3)}}}},
				chart.Meta{Time: int64(i + 2), Source: chart.Voice, Words: "three two three", Confidence: 0.97, Person: "ada", Who: "Ada Quill"})
		}
	}
	return st.Log()
}

// service is the program, with what it takes of the machine.
type service struct {
	*program.Running
	t    *testing.T
	data string
}

func serve(t *testing.T, data string, more ...string) *service {
	t.Helper()
	s := &service{program.Run(t, append([]string{"serve", "--addr", "127.0.0.1:0", "--data", data, "--requests-per-client", "-1"}, more...)...), t, data}
	t.Cleanup(func() { _ = s.Stop() })
	return s
}

func (s *service) get(path string) {
	s.t.Helper()
	res, err := http.Get(s.URL + path)
	if err != nil {
		s.t.Fatal(err)
	}
	defer res.Body.Close()
	if b, err := io.ReadAll(res.Body); err != nil || res.StatusCode != 200 {
		s.t.Fatalf("%s: %s %.200s %v", path, res.Status, b, err)
	}
}

func (s *service) proc(name string) string {
	s.t.Helper()
	b, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(s.Cmd.Process.Pid), name))
	if err != nil {
		s.t.Fatal(err)
	}
	return string(b)
}

// memory is what the service holds of it, in MB; processor the time that it has worked.
func (s *service) memory() int {
	for line := range strings.Lines(s.proc("status")) {
		if f := strings.Fields(line); len(f) > 1 && f[0] == "VmRSS:" {
			kb, _ := strconv.Atoi(f[1])
			return kb >> 10
		}
	}
	s.t.Fatal("no VmRSS")
	return 0
}

func (s *service) processor() time.Duration {
	stat := s.proc("stat")
	f := strings.Fields(stat[strings.LastIndex(stat, ")")+1:])
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return time.Duration(user+system) * 10 * time.Millisecond
}

// The course of a patient takes time in proportion to the exams; 900 exams that are opened take memory while they are in use and give it back
// when they rest. A measurement of a quarter of an hour: LEADSMAN_MEASURE=1. docs/measurements.md has the figures.
func TestMeasureManyExams(t *testing.T) {
	program.Measurement(t, "make many")
	ctx, data := context.Background(), t.TempDir()+"/data"
	st, err := store.Open(ctx, data, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	var exams []string
	patients := map[int]string{}
	add := func(n int) {
		p, err := st.AddPatient(ctx, practice.Patient{Name: fmt.Sprintf("Patient %d", len(exams))})
		for range n {
			var x practice.Exam
			if err == nil {
				x, err = st.NewExam(ctx, practice.Exam{Patient: p.ID})
			}
			if err == nil {
				err = st.Log(x.ID).Append(ctx, mouth(t, p.ID)...)
			}
			if err != nil {
				t.Fatal(err)
			}
			exams = append(exams, x.ID)
		}
		patients[n] = p.ID
	}
	for _, n := range []int{6, 12, 24, 48} {
		add(n)
	}
	for len(exams) < 900 {
		add(3)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	s := serve(t, data, "--engine", "none")
	start := s.memory()
	took := map[int]time.Duration{}
	for _, n := range []int{6, 12, 24, 48} {
		began, worked := time.Now(), s.processor()
		s.get("api/patients/" + patients[n] + "/course")
		first := time.Since(began)
		took[n] = s.processor() - worked
		began = time.Now()
		s.get("api/patients/" + patients[n] + "/course")
		t.Logf("course of %d exams: first %d ms (processor %d ms), again %d ms", n, first.Milliseconds(), took[n].Milliseconds(), time.Since(began).Milliseconds())
	}
	if took[48] > 16*took[6] {
		t.Errorf("8 times as many exams took %v, 6 of them %v", took[48], took[6])
	}
	began, worked := time.Now(), s.processor()
	for _, id := range exams {
		s.get("api/exams/" + id)
	}
	opened := s.memory()
	t.Logf("%d exams opened: %.1f ms each (processor %.1f ms); memory %d MB at the start, %d MB with all open", len(exams), float64(time.Since(began).Milliseconds())/float64(len(exams)),
		float64((s.processor()-worked).Milliseconds())/float64(len(exams)), start, opened)
	time.Sleep(14 * time.Minute)
	rested := s.memory()
	t.Logf("a quarter of an hour later, when all rest: %d MB", rested)
	if rested > start+(opened-start)/2 {
		t.Errorf("memory: %d MB at the start, %d MB with all open, %d MB when they rest", start, opened, rested)
	}
	began = time.Now()
	s.get("api/exams/" + exams[0])
	t.Logf("one of them taken up again: %d ms", time.Since(began).Milliseconds())
}
