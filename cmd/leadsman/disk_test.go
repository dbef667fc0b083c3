package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"leadsman/practice"
	"leadsman/store"
	"leadsman/tests/program"
)

// smallDisk is a small disk of its own in memory. Root alone may mount one.
func smallDisk(t *testing.T, bytes int) (dir string) {
	t.Helper()
	dir = t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%d", bytes)); err != nil {
		t.Skipf("SKIPPED: a disk can be mounted by root alone: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// filled takes all room of a disk until it is given free.
func filled(t *testing.T, dir string) (free func()) {
	t.Helper()
	path := filepath.Join(dir, "filler")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for b := make([]byte, 4096); err == nil; _, err = f.Write(b) {
	}
	return func() { os.Remove(path) }
}

// asking talks to the service as a screen does.
func asking(t *testing.T, url string) func(method, path, body string) (int, string) {
	jar, _ := cookiejar.New(nil)
	c := &http.Client{Jar: jar}
	return func(method, path, body string) (int, string) {
		t.Helper()
		r, err := http.NewRequest(method, url+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		res, err := c.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		return res.StatusCode, string(b)
	}
}

// A disk that is full at any step: each change says so and what to do, none is half made, what was confirmed stays, and all goes on as soon as
// there is room.
func TestFullDisk(t *testing.T) {
	dir := smallDisk(t, 8<<20)
	data := filepath.Join(dir, "data")
	// A start without room ends with the reason and leaves nothing that keeps the next one from working.
	free := filled(t, dir)
	var stderr bytes.Buffer
	if status := run([]string{"serve", "--engine", "none", "--addr", "127.0.0.1:0", "--data", data}, nil, io.Discard, &stderr); status == exitOK || !strings.Contains(stderr.String(), "full") && !strings.Contains(stderr.String(), "no space") {
		t.Errorf("a first start on a full disk: %d %s", status, stderr.String())
	}
	free()
	url, _ := beside(t, data, "--addr", "127.0.0.1:0")
	ask := asking(t, url)
	var ada practice.Person
	_, text := ask("POST", "api/people", `{"name":"Ada Quill","roles":["clinician","administrator"]}`)
	if err := json.Unmarshal([]byte(text), &ada); err != nil || ada.ID == "" {
		t.Fatal(text)
	}
	if status, text := ask("POST", "api/session", fmt.Sprintf(`{"person":%q}`, ada.ID)); status != 200 {
		t.Fatal(text)
	}
	var p practice.Patient
	_, text = ask("POST", "api/patients", `{"name":"Harriet Sallow"}`)
	if err := json.Unmarshal([]byte(text), &p); err != nil || p.ID == "" {
		t.Fatal(text)
	}
	if status, text := ask("POST", "api/exams", fmt.Sprintf(`{"patient":%q,"numbering":"fdi","path":"arch","id":"x1"}`, p.ID)); status != 200 {
		t.Fatal(text)
	}
	steps := []struct{ name, method, path, body string }{
		{"a patient", "POST", "api/patients", `{"name":"Jonas Merrow"}`},
		{"a change of a patient", "PUT", "api/patients/" + p.ID, `{"name":"Harriet Sallow-Voss","version":1}`},
		{"an exam", "POST", "api/exams", fmt.Sprintf(`{"patient":%q,"numbering":"fdi","path":"arch","id":"x2"}`, p.ID)},
		{"a typed value", "POST", "api/exams/x1/words", `{"text":"three two four","id":"w1"}`},
		{"a command", "POST", "api/exams/x1/do", `{"id":"d1","command":{"acts":[{"verb":"set","ref":{"tooth":36,"site":"DB"},"field":"depth","number":5}]}}`},
		{"an answer about the patient", "POST", "api/exams/x1/do", `{"id":"d2","command":{"acts":[{"verb":"patient","text":"{\"age\":52}"}]}}`},
		{"settings", "PUT", "api/settings", `{"practice":"Fathom Lane","numbering":"fdi","path":"arch","site_words":"buccal-lingual","version":0}`},
		{"a person", "POST", "api/people", `{"name":"Ben Tarn","roles":["clinician"]}`},
	}
	for _, s := range steps {
		free := filled(t, dir)
		status, text := ask(s.method, s.path, s.body)
		if status != 500 || !strings.Contains(text, "not_kept") || !strings.Contains(text, "disk") || !strings.Contains(text, "free some space") {
			t.Errorf("%s on a full disk: %d %s", s.name, status, text)
		}
		if status, text := ask("GET", "api/exams/x1", ""); status != 200 || strings.Contains(text, `"depth":3`) {
			t.Errorf("%s: the exam cannot be read on a full disk: %d %.200s", s.name, status, text)
		}
		free()
		if status, text := ask(s.method, s.path, s.body); status != 200 {
			t.Errorf("%s with room again: %d %s", s.name, status, text)
		}
		if s.name == "a typed value" {
			if _, text := ask("POST", "api/exams/x1/do", `{"id":"u","command":{"acts":[{"verb":"disregard"}]}}`); !strings.Contains(text, "accepted") && !strings.Contains(text, "call") {
				t.Error(text)
			}
		}
	}
	// A backup to the full disk is refused whole; one elsewhere works while it is full.
	free = filled(t, dir)
	defer free()
	stderr.Reset()
	if status := run([]string{"backup", filepath.Join(dir, "copy"), "--data", data}, nil, io.Discard, &stderr); status == exitOK || !strings.Contains(stderr.String(), "full") && !strings.Contains(stderr.String(), "no space") {
		t.Errorf("backup to a full disk: %d %s", status, stderr.String())
	}
	if made, _ := filepath.Glob(filepath.Join(dir, "*copy*")); len(made) > 0 {
		t.Errorf("left behind: %v", made)
	}
	stderr.Reset()
	if status := run([]string{"backup", filepath.Join(t.TempDir(), "copy"), "--data", data}, nil, io.Discard, &stderr); status != exitOK {
		t.Errorf("backup of a full disk: %d %s", status, stderr.String())
	}
	stderr.Reset()
	if status := run([]string{"verify", "--data", data}, nil, io.Discard, &stderr); status != exitOK {
		t.Errorf("verify on a full disk: %d %s", status, stderr.String())
	}
}

// Data on a disk that is mounted read-only, with entries in the -wal file as after a power cut: verify, backup, journal and patient work; what
// would write says that the disk is read-only.
func TestReadOnlyDisk(t *testing.T) {
	for _, crashed := range []bool{false, true} {
		dir := smallDisk(t, 16<<20)
		data := filepath.Join(dir, "data")
		st, err := store.Open(t.Context(), data, time.Now)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := st.AddPatient(t.Context(), practice.Patient{Name: "Harriet Sallow"}); err != nil {
			t.Fatal(err)
		}
		if crashed { // the files as they stand while it is open
			other := smallDisk(t, 16<<20)
			if err := os.CopyFS(other, os.DirFS(dir)); err != nil {
				t.Fatal(err)
			}
			dir, data = other, filepath.Join(other, "data")
		}
		if err := st.Close(); err != nil {
			t.Fatal(err)
		}
		if fi, err := os.Stat(filepath.Join(data, "leadsman.db-wal")); crashed != (err == nil && fi.Size() > 0) {
			t.Fatalf("crashed %v, -wal %v %v", crashed, fi, err)
		}
		if err := syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
			t.Fatal(err)
		}
		for _, args := range [][]string{{"verify"}, {"backup", filepath.Join(t.TempDir(), "copy")}, {"journal"}, {"patient", "list", "harriet"}} {
			var stdout, stderr bytes.Buffer
			if status := run(append(args, "--data", data), nil, &stdout, &stderr); status != exitOK {
				t.Errorf("crashed %v: %v: %d %s", crashed, args, status, stderr.String())
			} else if args[0] == "verify" && !strings.Contains(stdout.String(), "1 patient,") {
				t.Errorf("crashed %v: %v: %s", crashed, args, stdout.String())
			}
		}
		for _, args := range [][]string{{"serve", "--engine", "none", "--addr", "127.0.0.1:0"}, {"tls", "init", "chart.lan"}, {"patient", "retention", "5"}} {
			var stderr bytes.Buffer
			if status := run(append(args, "--data", data), nil, io.Discard, &stderr); status == exitOK || !strings.Contains(stderr.String(), "read-only") {
				t.Errorf("crashed %v: %v: %d %s", crashed, args, status, stderr.String())
			}
		}
		if left, _ := filepath.Glob(filepath.Join(os.TempDir(), "leadsman-look-*")); len(left) > 0 {
			t.Errorf("left behind: %v", left)
		}
	}
}

// A practice file may be a pipe; one that is no practice file is refused by its first line.
func TestPracticeFileAsPipe(t *testing.T) {
	for text, want := range map[string]string{"synonym pus point = suppuration\npath lowers: buccal 38-48, lingual 48-38\n": "", strings.Repeat("x", 1<<20): "no practice file", "nonsense": "line 1"} {
		path := filepath.Join(t.TempDir(), "pipe")
		if err := syscall.Mkfifo(path, 0o600); err != nil {
			t.Fatal(err)
		}
		go func() {
			if f, err := os.OpenFile(path, os.O_WRONLY, 0); err == nil {
				_, _ = io.WriteString(f, text)
				f.Close()
			}
		}()
		w, err := practice.OpenWords(path, t.TempDir())
		if want == "" {
			if err != nil || len(w.Paths()) != 1 {
				t.Errorf("%v %v", w, err)
			}
		} else if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%.20q: %v", text, err)
		}
	}
}

// SIGTERM ends a service that is still starting: here it waits for a practice file that does not come.
func TestStoppedWhileStarting(t *testing.T) {
	dir := t.TempDir()
	pipe := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	said, ended := &program.Said{}, make(chan int, 1)
	go func() {
		ended <- run([]string{"serve", "--engine", "none", "--addr", "127.0.0.1:0", "--data", filepath.Join(dir, "data"), "--practice", pipe}, nil, said, said)
	}()
	time.Sleep(300 * time.Millisecond)
	if err := syscall.Kill(os.Getpid(), syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case status := <-ended:
		if status != exitOK || !strings.Contains(said.String(), "stopped while starting") {
			t.Errorf("%d %s", status, said)
		}
	case <-time.After(10 * time.Second):
		t.Error("it goes on")
	}
	if f, err := os.OpenFile(pipe, os.O_WRONLY, 0); err == nil { // what still waits goes on, and ends
		_, _ = io.WriteString(f, "nonsense\n")
		f.Close()
	}
}
