package program

import (
	"bufio"
	"bytes"
	"io"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"
)

// Running is the program while it serves or listens.
type Running struct {
	URL string // where it is, with a slash at its end
	Cmd *exec.Cmd
	out sync.WaitGroup // until all that it said was read
	log Said
}

// Said is what a program says while others read it.
type Said struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *Said) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(b)
}

// String is all that it has said so far.
func (s *Said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

// Run starts the program with arguments and waits until it says where it is. It is killed with the test, if it was not ended before; where the
// test failed, the end of its log is shown.
func Run(t testing.TB, args ...string) *Running {
	t.Helper()
	r := &Running{Cmd: exec.Command(Path(t), args...)}
	r.Cmd.Stderr = &r.log
	out, err := r.Cmd.StdoutPipe()
	if err == nil {
		err = r.Cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = r.Kill()
		if log := r.Log(); t.Failed() && log != "" {
			t.Logf("%v:\n%s", args, log[max(0, len(log)-4000):])
		}
	})
	for lines := bufio.NewScanner(out); r.URL == "" && lines.Scan(); {
		if said, where, ok := strings.Cut(lines.Text(), " at "); ok && strings.HasPrefix(said, "Leadsman ") { // is at, listens at
			r.URL = strings.TrimSuffix(strings.Fields(where)[0], "/") + "/"
		}
	}
	if r.URL == "" {
		t.Fatalf("the program did not start: %v\n%s", r.Cmd.Wait(), r.Log())
	}
	r.out.Go(func() { _, _ = io.Copy(io.Discard, out) })
	return r
}

// Log is what the program has written to its standard error output.
func (r *Running) Log() string { return r.log.String() }

// Kill ends the program as a power cut does.
func (r *Running) Kill() error {
	_ = r.Cmd.Process.Kill()
	return r.Wait()
}

// Stop ends the program as Ctrl-C does.
func (r *Running) Stop() error {
	_ = r.Cmd.Process.Signal(syscall.SIGTERM)
	return r.Wait()
}

// Wait waits until the program has ended.
func (r *Running) Wait() error {
	r.out.Wait()
	return r.Cmd.Wait()
}
