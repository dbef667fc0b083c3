// Package postgres runs a real PostgreSQL for tests, in a temporary folder and on the loopback.
package postgres

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	_ "github.com/jackc/pgx/v5/stdlib" // the driver

	testprogram "leadsman/tests/program"
)

// Password of the role leadsman: tests look for it in what programs print.
const Password = "not-to-be-printed-7f3a"

// Server is a running server. Its role owns the database leadsman.
type Server struct {
	t    testing.TB
	dir  string
	addr string
	as   *syscall.Credential // nil: whoever runs the tests
	done chan error
	cmd  *exec.Cmd
	out  bytes.Buffer
}

// Start makes a server that ends with the test. Without an installed PostgreSQL the test says what to do.
func Start(t testing.TB) *Server {
	t.Helper()
	s := &Server{t: t}
	var err error
	if s.dir, err = os.MkdirTemp("", "leadsman-postgres-*"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Stop()
		os.RemoveAll(s.dir)
	})
	if os.Geteuid() == 0 { // it refuses to run as root
		s.as = somebody(t)
		if err := os.Chown(s.dir, int(s.as.Uid), int(s.as.Gid)); err != nil {
			t.Fatal(err)
		}
	}
	pw := filepath.Join(s.dir, "password")
	if err := os.WriteFile(pw, []byte(Password), 0o644); err != nil {
		t.Fatal(err)
	}
	s.run("initdb", "-D", filepath.Join(s.dir, "data"), "-U", "leadsman", "--pwfile", pw, "-A", "scram-sha-256", "-E", "UTF8", "--locale", "C.UTF-8", "--no-sync")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.addr = ln.Addr().String()
	ln.Close()
	s.Restart()
	db := s.open("postgres")
	defer db.Close()
	if _, err := db.Exec("CREATE DATABASE leadsman"); err != nil {
		t.Fatal(err)
	}
	return s
}

// somebody is whom the server runs as.
func somebody(t testing.TB) *syscall.Credential {
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, _ := strconv.Atoi(u.Uid)
		gid, _ := strconv.Atoi(u.Gid)
		return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	}
	t.Fatal("PostgreSQL does not run as root, and there is neither a user postgres nor nobody: run the tests as another user")
	return nil
}

// program finds one of PostgreSQL's programs, of the newest version.
func (s *Server) program(name string) string {
	if p, err := exec.LookPath(name); err == nil {
		return p
	}
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
	if len(found) == 0 {
		testprogram.Lacks(s.t, "PostgreSQL ("+name+" is not installed): as root run  apt-get update && apt-get install -y postgresql")
	}
	return slices.MaxFunc(found, func(a, b string) int { return versionOf(a) - versionOf(b) })
}

func versionOf(path string) int {
	v, _ := strconv.Atoi(strings.Split(path, "/")[4])
	return v
}

func (s *Server) command(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(s.program(name), args...)
	cmd.Dir = s.dir
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "TZ=UTC")
	// Tests that are killed leave no server behind.
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: s.as, Pdeathsig: syscall.SIGQUIT}
	return cmd
}

func (s *Server) run(name string, args ...string) {
	s.t.Helper()
	if out, err := s.command(name, args...).CombinedOutput(); err != nil {
		s.t.Fatalf("%s: %v\n%s", name, err, out)
	}
}

// Restart starts the server that was stopped or killed, and waits until it answers.
func (s *Server) Restart() {
	s.t.Helper()
	_, port, _ := net.SplitHostPort(s.addr)
	s.cmd = s.command("postgres", "-D", filepath.Join(s.dir, "data"), "-p", port, "-h", "127.0.0.1", "-k", s.dir, "-c", "max_connections=200")
	s.out.Reset()
	s.cmd.Stdout, s.cmd.Stderr = &s.out, &s.out
	s.done = make(chan error, 1)
	started := make(chan error)
	go func() {
		runtime.LockOSThread() // the signal above comes when this thread ends
		started <- s.cmd.Start()
		s.done <- s.cmd.Wait()
	}()
	if err := <-started; err != nil {
		s.t.Fatal(err)
	}
	db := s.open("postgres")
	defer db.Close()
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		err := db.Ping()
		if err == nil {
			return
		}
		if time.Now().After(end) {
			s.Kill()
			s.t.Fatalf("PostgreSQL does not answer: %v\n%s", err, s.out.String())
		}
	}
}

// Kill ends the server as a power cut does: with all its processes, at once.
func (s *Server) Kill() { s.end(syscall.SIGQUIT) }

// Stop ends it in order.
func (s *Server) Stop() { s.end(syscall.SIGINT) }

func (s *Server) end(sig syscall.Signal) {
	if s.cmd == nil || s.cmd.Process == nil {
		return
	}
	s.cmd.Process.Signal(sig)
	<-s.done
	s.cmd = nil
}

func (s *Server) open(database string) *sql.DB {
	db, err := sql.Open("pgx", s.url(database))
	if err != nil {
		s.t.Fatal(err)
	}
	return db
}

func (s *Server) url(database string) string {
	return fmt.Sprintf("postgres://leadsman:%s@%s/%s", Password, s.addr, database)
}

// Schema gives the address of a schema of its own, which it makes where there is none.
func (s *Server) Schema(name string) (url string) {
	s.t.Helper()
	s.Exec("CREATE SCHEMA IF NOT EXISTS " + name)
	return s.url("leadsman") + "?search_path=" + name
}

// Exec runs statements past the program.
func (s *Server) Exec(q string) {
	s.t.Helper()
	db := s.open("leadsman")
	defer db.Close()
	if _, err := db.ExecContext(context.Background(), q); err != nil {
		s.t.Fatalf("%s: %v", q, err)
	}
}

// Addr is its address on the loopback.
func (s *Server) Addr() string { return s.addr }
