package kill

import (
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/tests/recordings"
)

// manyWords is a practice file with 3,000 synonyms, each with its sound.
func manyWords(t *testing.T) string {
	t.Helper()
	const letters = "abcdefghijklmnop"
	var b strings.Builder
	for i := range 3000 {
		word := "zu"
		for n := i; len(word) < 6; n /= len(letters) {
			word += string(letters[n%len(letters)])
		}
		fmt.Fprintf(&b, "synonym %s = %s\nsound %s = Z UW G AH M\n", word, []string{"suppuration", "recession", "disregard"}[i%3], word)
	}
	path := filepath.Join(t.TempDir(), "words.txt")
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// ends waits for the program, which was told to end, and gives how long it took.
func ends(t *testing.T, cmd *exec.Cmd) time.Duration {
	t.Helper()
	began, done := time.Now(), make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	select {
	case err := <-done:
		// Before the first line of the program the system ends it, as it ends any.
		if w, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); err != nil && !(ok && w.Signaled() && w.Signal() == syscall.SIGTERM) {
			t.Errorf("SIGTERM: %v", err)
		}
	case <-time.After(20 * time.Second):
		_ = cmd.Process.Kill()
		t.Errorf("SIGTERM: it goes on")
	}
	return time.Since(began)
}

// SIGTERM at any moment of a start (the words of the practice, the store, the model) ends the service within two seconds, and what is on the disk is whole: the
// service starts with it, and it is verified.
func TestStoppedAtAnyMomentOfItsStart(t *testing.T) {
	s := newService(t)
	words := []string{"--practice", manyWords(t)}
	s.more = words
	began := time.Now()
	s.start(t)
	whole := time.Since(began)
	s.end(t, true)
	var slowest time.Duration
	const moments = 12
	for i := range moments {
		s.data = t.TempDir()
		cmd := exec.Command(s.bin, s.args()...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(whole * time.Duration(i) / moments)
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
		took := ends(t, cmd)
		if slowest = max(slowest, took); took > 2*time.Second {
			t.Errorf("SIGTERM after %d twelfths of a start: it took %v", i, took)
		}
		s.more = []string{"--engine", "none"}
		s.start(t)
		s.end(t, true)
		s.more = words
		if s.verify(t); t.Failed() {
			t.Logf("that was after %d twelfths of a start", i)
		}
	}
	t.Logf("a start takes %v; the slowest end %v", whole, slowest)
}

// turnedAway opens a microphone that must not be taken, and says why it was not and with which code it was closed.
func (s *service) turnedAway(t *testing.T, exam, query string) (why, text string, code int) {
	t.Helper()
	c, _, err := websocket.DefaultDialer.Dial(fmt.Sprintf("ws://%s/api/exams/%s/sound?protocol=2&rate=16000&owner=%s", s.addr, exam, query), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	var m struct{ Error struct{ Code, Text string } }
	_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
	if err := c.ReadJSON(&m); err != nil {
		t.Fatal(err)
	}
	if _, _, err := c.ReadMessage(); err != nil {
		if e, ok := err.(*websocket.CloseError); ok {
			code = e.Code
		}
	}
	return m.Error.Code, m.Error.Text, code
}

// After SIGTERM, while the service drains, a microphone that is on goes on, others are refused and told why, and a balancer sees that it is not ready. What was half
// said in the end is heard at the next start: nothing is lost, nothing entered twice. A second SIGTERM ends the wait.
func TestDrained(t *testing.T) {
	const calls = 13
	rec, err := recordings.Load("fullmouth-joe")
	if err != nil {
		t.Fatal(err)
	}
	cut := (rec.Calls[calls-1].End + rec.Calls[calls].Start) / 2 // seconds
	rec.Calls = rec.Calls[:calls]
	want := truth(t, rec)
	pcm := append(rec.PCM[:int(cut*recordings.Rate)], make([]int16, 2*recordings.Rate)...)
	s := newService(t)
	s.more = []string{"--drain", "4s"}
	s.start(t)
	patient := s.newPatient(t)
	for _, id := range []string{"on", "other"} {
		s.begin(t, patient, id, "universal")
	}
	p, _ := speaks(t, []string{s.addr}, "on", pcm, 1)
	p.reach(t, "on", 5*recordings.Rate)
	_ = s.Cmd.Process.Signal(syscall.SIGTERM)
	for end := time.Now().Add(2 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		res, err := http.Get("http://" + s.addr + "/readyz")
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if res.StatusCode == http.StatusServiceUnavailable {
			break
		} else if time.Now().After(end) {
			t.Fatal("it is still ready")
		}
	}
	was := p.taken()
	for _, c := range []struct{ exam, query string }{{"other", "second"}, {"on", "thief&takeover=1"}} {
		why, text, code := s.turnedAway(t, c.exam, c.query)
		if why != "stopping" || code != websocket.CloseServiceRestart || !strings.Contains(text, "no further microphone") {
			t.Errorf("a microphone at %s while it drains: %s %q %d", c.exam, why, text, code)
		}
	}
	p.reach(t, "while it drains", was+recordings.Rate)
	_ = s.Cmd.Process.Signal(syscall.SIGTERM)
	if took := ends(t, s.Cmd); took > 2*time.Second {
		t.Errorf("the second SIGTERM took %v", took)
	}
	s.start(t)
	p.reach(t, "after the next start", len(pcm))
	time.Sleep(500 * time.Millisecond)
	s.end(t, true)
	if lost, doubled, shifted := countedOnce(t, s.opened(t), want, "on"); len(want) < 20 {
		t.Errorf("only %d values were called; %d lost, %d entered twice, %d sites wrong", len(want), lost, doubled, shifted)
	}
}
