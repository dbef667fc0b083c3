package kill

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"leadsman/store"
	"leadsman/tests/recordings"
)

// One service, two workers that recognize speech. Each is killed in the middle of calls, one is stopped, one is put to sleep, both are killed, and come back: no
// value is lost, none is entered twice, and while there are none the service goes on with what is typed. LEADSMAN_MEASURE=1 makes it several plays.
func TestWorkersAreKilled(t *testing.T) {
	plays := 1
	if os.Getenv("LEADSMAN_MEASURE") != "" {
		plays = 5
	}
	rec, err := recordings.Load("fullmouth-joe")
	if err != nil {
		t.Fatal(err)
	}
	want := truth(t, rec)
	rec.PCM = append(rec.PCM, make([]int16, 2*recordings.Rate)...)
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
	var patient, visit struct{ ID string }
	s.call(t, "POST", "api/people", map[string]any{"name": "Ada Quill", "roles": []string{"clinician"}}, &patient)
	s.call(t, "POST", "api/patients", map[string]any{"name": "Nell Ashby"}, &patient)
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
	for play := range plays {
		exam := "played-" + string(rune('0'+play))
		s.call(t, "POST", "api/exams", map[string]any{"patient": patient.ID, "id": exam, "numbering": "universal"}, &visit)
		p := &page{addrs: []string{s.addr}, exam: exam, owner: "mic-of-" + exam, pcm: rec.PCM, speed: 2, depths: map[string]float64{}}
		ctx, cancel := context.WithCancel(context.Background())
		var wg sync.WaitGroup
		wg.Go(func() { p.record(ctx) })
		wg.Go(func() { p.run(ctx) })
		reach := func(samples int) {
			for end := time.Now().Add(2 * time.Minute); p.taken() < samples; time.Sleep(5 * time.Millisecond) {
				if time.Now().After(end) {
					t.Fatalf("%s: %d of %d samples are taken\n%s", exam, p.taken(), samples, s.Log())
				}
			}
		}
		for i, f := range happen {
			reach(len(rec.PCM) * (2*i + 1) / (2*len(happen) + 1))
			f()
		}
		reach(len(rec.PCM))
		time.Sleep(500 * time.Millisecond)
		cancel()
		wg.Wait()
		resent, givenUp = resent+p.resent, givenUp+p.lost
	}
	log := s.Log()
	s.end(t, true)
	if out, err := exec.Command(s.bin, "verify", "--data", s.data).CombinedOutput(); err != nil {
		t.Errorf("verify: %v\n%s", err, out)
	}
	st, err := store.OpenReadOnly(context.Background(), s.data)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	lost, doubled, shifted := 0, 0, 0
	for play := range plays {
		got := entered(t, st, "played-"+string(rune('0'+play)))
		l, d, sh := compare(want, got)
		lost, doubled, shifted = lost+l, doubled+d, shifted+sh
		if l+d+sh > 0 {
			t.Errorf("play %d: of %d values %d lost, %d entered twice, %d sites wrong:\ngot  %v\nwant %v", play, len(want), l, d, sh, got, want)
		}
	}
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
