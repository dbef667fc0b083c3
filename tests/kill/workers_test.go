package kill

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"leadsman/tests/recordings"
)

// One service, two workers that recognize speech. Each is killed in the middle of calls, one is stopped, one is put to sleep, both are killed, and come back: no
// value is lost, none is entered twice, and while there are none the service goes on with what is typed. LEADSMAN_MEASURE=1 makes it several plays. A minute:
// the recording is spoken twice as fast.
func TestWorkersAreKilled(t *testing.T) {
	t.Parallel()
	plays := 1
	if os.Getenv("LEADSMAN_MEASURE") != "" {
		plays = 5
	}
	pcm, want := fullMouth(t)
	var workers [2]*service
	secret := filepath.Join(t.TempDir(), "secret")
	for i := range workers {
		workers[i] = newService(t)
		workers[i].verb, workers[i].more = "listen", []string{"--worker-secret", secret}
		workers[i].start(t)
	}
	s := newService(t)
	s.more = []string{"--workers", "http://" + workers[0].addr + ",http://" + workers[1].addr, "--worker-secret", secret}
	s.start(t)
	patient := s.newPatient(t)
	kill := func(i int) func() {
		return func() {
			workers[i].end(t, false)
			time.Sleep(time.Second)
			workers[i].start(t)
		}
	}
	happen := []func(){
		kill(0), kill(1),
		func() { workers[0].end(t, true); workers[0].start(t) },
		func() { // it does not answer, and holds its connections
			_ = workers[1].Cmd.Process.Signal(syscall.SIGSTOP)
			time.Sleep(6 * time.Second)
			_ = workers[1].Cmd.Process.Signal(syscall.SIGCONT)
		},
		func() {
			workers[0].end(t, false)
			workers[1].end(t, false)
			var typed struct{ Seq uint64 }
			s.call(t, "POST", "api/patients", map[string]any{"name": "Ivo Grant"}, &typed)
			time.Sleep(2 * time.Second)
			workers[0].start(t)
			workers[1].start(t)
		},
		kill(0), kill(1), kill(0),
	}
	resent, givenUp := 0, 0
	var exams []string
	for play := range plays {
		exam := fmt.Sprint("played-", play)
		exams = append(exams, exam)
		s.begin(t, patient, exam, "universal")
		p, stop := speaks(t, []string{s.addr}, exam, pcm, 2)
		for i, f := range happen {
			p.reach(t, fmt.Sprint("before end ", i), len(pcm)*(2*i+1)/(2*len(happen)+1))
			f()
		}
		p.reach(t, "the end", len(pcm))
		time.Sleep(500 * time.Millisecond)
		stop()
		resent, givenUp = resent+p.resent, givenUp+p.lost
	}
	log := s.Log()
	s.end(t, true)
	s.verify(t)
	lost, doubled, shifted := countedOnce(t, s.opened(t), want, exams...)
	if n := strings.Count(log, "worker not in use"); n < 5 {
		t.Errorf("the service noticed %d lost workers: the test shows nothing\n%s", n, log)
	}
	b, err := os.ReadFile(secret)
	if err != nil || strings.Contains(log, strings.TrimSpace(string(b))) {
		t.Errorf("the secret stands in the log, or nowhere: %v", err)
	}
	t.Logf("%d plays of %d values, 11 ends of workers each: %d lost, %d entered twice, %d sites wrong; the page sent %.0f s of sound again, %.1f s were given up",
		plays, len(want), lost, doubled, shifted, float64(resent)/recordings.Rate, float64(givenUp)/recordings.Rate)
}
