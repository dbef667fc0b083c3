package e2e

import (
	"bufio"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"testing"

	"leadsman/tests/program"
)

// runProgram starts the built program on an empty store and gives its address, without a slash.
func runProgram(t *testing.T, flags ...string) string {
	t.Helper()
	base, _ := startProgram(t, flags...)
	return base
}

// startProgram also gives what ends the program before the test does.
func startProgram(t *testing.T, flags ...string) (base string, stop func()) {
	t.Helper()
	base, cmd := launch(t, flags...)
	stop = sync.OnceFunc(func() { cmd.Process.Signal(syscall.SIGTERM); cmd.Wait() })
	t.Cleanup(stop)
	return base, stop
}

// launch starts the program and leaves it to the test to end it.
func launch(t *testing.T, flags ...string) (base string, cmd *exec.Cmd) {
	t.Helper()
	cmd = exec.Command(program.Path(t), append([]string{"serve", "--addr", "127.0.0.1:0", "--data", t.TempDir()}, flags...)...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill() }) // does nothing to one that has ended
	sc := bufio.NewScanner(out)
	for base == "" && sc.Scan() {
		if _, after, ok := strings.Cut(sc.Text(), "http://"); ok {
			base = "http://" + strings.TrimRight(strings.Fields(after)[0], "/")
		}
	}
	if base == "" {
		t.Fatal("the service did not say where it is")
	}
	go func() {
		for sc.Scan() { // keep the pipe empty until the program ends
		}
	}()
	return base, cmd
}
