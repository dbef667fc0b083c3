package kill

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"leadsman/store"
	"leadsman/tests/postgres"
	"leadsman/tests/recordings"
)

// nodesOf makes two services that share a database and the key.
func nodesOf(t *testing.T, url string) [2]*service {
	t.Helper()
	var out [2]*service
	var all []string
	for i := range out {
		out[i] = newService(t)
		all = append(all, "http://"+out[i].addr)
	}
	for i, s := range out {
		s.more = []string{"--store", url, "--key", store.KeyFile(out[0].data), "--nodes", strings.Join(all, ","), "--node", all[i]}
	}
	return out
}

// playAt lets a page speak to nodes while things happen to them, one after the other at equal distances, and gives how long it took
// each time until a node said where it goes on.
func playAt(t *testing.T, nodes [2]*service, exam string, pcm []int16, speed float64, happen []func(owner int)) (p *page, away []time.Duration) {
	t.Helper()
	p, stop := speaks(t, []string{nodes[0].addr, nodes[1].addr}, exam, pcm, speed, (*page).follow)
	defer stop()
	for i, f := range happen {
		at := len(pcm) * (2*i + 1) / (2 * len(happen))
		p.reach(t, "spoken", at-20*recordings.Rate)
		for p.head() < at {
			time.Sleep(10 * time.Millisecond)
		}
		owner := 0
		if p.addr() == nodes[1].addr {
			owner = 1
		}
		was := p.taken()
		began := time.Now()
		f(owner)
		p.reach(t, "taken on", was+2*recordings.Rate+1)
		p.mu.Lock()
		away = append(away, p.stood.Sub(began).Round(100*time.Millisecond))
		p.mu.Unlock()
	}
	p.reach(t, "the end", len(pcm))
	time.Sleep(500 * time.Millisecond)
	return p, away
}

// Two nodes, one database. The node that has the exam is killed in the middle of calls, and one is put to sleep; the database is killed. The other node goes
// on: no value is lost, none is entered twice. LEADSMAN_MEASURE=1 makes it several plays. More than a minute: the
// recording is spoken twice as fast, and a node that was killed is away for 8 s.
func TestNodesTakeOver(t *testing.T) {
	t.Parallel()
	plays := 1
	if os.Getenv("LEADSMAN_MEASURE") != "" {
		plays = 5
	}
	pcm, want := fullMouth(t)
	server := postgres.Start(t)
	url := server.Schema("nodes")
	nodes := nodesOf(t, url)
	for _, s := range nodes {
		s.start(t)
	}
	patient := nodes[0].newPatient(t)
	var killed, slept, stopped []time.Duration
	var resent, givenUp int
	var exams []string
	for play := range plays {
		exam := fmt.Sprint("played-", play)
		exams = append(exams, exam)
		nodes[(play+1)%2].begin(t, patient, exam, "universal") // each node takes part
		kill := func(owner int) {
			nodes[owner].end(t, false)
			time.AfterFunc(8*time.Second, func() { nodes[owner].start(t) })
		}
		sleep := func(owner int) {
			nodes[owner].Cmd.Process.Signal(syscall.SIGSTOP)
			time.AfterFunc(12*time.Second, func() { nodes[owner].Cmd.Process.Signal(syscall.SIGCONT) })
		}
		database := func(int) {
			server.Kill()
			time.Sleep(time.Duration(500+rand.IntN(1500)) * time.Millisecond)
			server.Restart()
		}
		p, away := playAt(t, nodes, exam, pcm, 2, []func(int){kill, database, sleep, kill, database})
		killed, stopped, slept = append(killed, away[0], away[3]), append(stopped, away[1], away[4]), append(slept, away[2])
		resent, givenUp = resent+p.resent, givenUp+p.lost
		time.Sleep(9 * time.Second) // whoever was killed is back
	}
	for _, s := range nodes {
		if strings.Contains(s.Log(), postgres.Password) {
			t.Error("the password of the database stands in a log")
		}
		s.end(t, true)
	}
	if strings.Contains(nodes[0].verify(t, "--store", url), postgres.Password) {
		t.Error("verify tells the password of the database")
	}
	lost, doubled, _ := countedOnce(t, nodes[0].opened(t, store.WithDatabase(url)), want, exams...)
	t.Logf("%d plays of %d values: %d lost, %d entered twice. Until a node said where it goes on: after kill -9 of the owner %v, of a sleeping owner %v, of the database (0.5 to 2 s away) %v. %.0f s of sound sent again, %.1f s given up",
		plays, len(want), lost, doubled, killed, slept, stopped, float64(resent)/recordings.Rate, float64(givenUp)/recordings.Rate)
	if resent == 0 {
		t.Error("no sound was sent again: the test shows nothing")
	}
}

// A node that is being stopped refuses the microphone of an exam that is open there: the page goes on at the other node at once, and not when the first one has ended. It is
// one line in the log.
func TestDrainingNodeGivesExamsAway(t *testing.T) {
	t.Parallel()
	rec, err := recordings.Load("fullmouth-joe")
	if err != nil {
		t.Fatal(err)
	}
	server := postgres.Start(t)
	nodes := nodesOf(t, server.Schema("draining"))
	for _, s := range nodes {
		s.more = append(s.more, "--drain", "40s")
		s.start(t)
	}
	nodes[0].begin(t, nodes[0].newPatient(t), "x", "universal")
	var did struct{ Seq uint64 }
	nodes[0].call(t, "POST", "api/exams/x/words", map[string]any{"text": "disregard", "id": "typed"}, &did) // it runs here
	if err := nodes[0].Cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	time.Sleep(300 * time.Millisecond)
	began := time.Now()
	p, stop := speaks(t, []string{nodes[0].addr, nodes[1].addr}, "x", rec.PCM[:20*recordings.Rate], 4)
	p.reach(t, "at the other node", 2*recordings.Rate)
	took := time.Since(began)
	stop()
	if took > 20*time.Second {
		t.Errorf("it took %v", took)
	}
	if p.addr() != nodes[1].addr {
		t.Error("the page is heard at the node that is being stopped")
	}
	_ = nodes[0].Cmd.Process.Signal(syscall.SIGTERM) // a second one ends the wait
	_ = nodes[0].Wait()
	log := nodes[0].Log()
	if n := strings.Count(log, "code=stopping"); n != 1 || strings.Contains(log, "level=ERROR") {
		t.Errorf("%d lines on refused microphones, want one and no fault:\n%s", n, log)
	}
	t.Logf("heard at the other node after %v", took.Round(10*time.Millisecond))
	nodes[1].end(t, true)
}
