package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"log/slog"
	"math/big"
	"net"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/scripted"
	"leadsman/speech/worker"
	"leadsman/store"
	"leadsman/tests/program"
)

// goodEngine stands for a recognizer that loads.
type goodEngine struct{ speech.Engine }

func (goodEngine) Name() string { return "ctc 01234567" }
func (goodEngine) Close() error { return nil }

func newDoctor(t *testing.T) *doctor {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	lib := filepath.Join(dir, "libonnxruntime.so")
	for _, f := range []string{lib, filepath.Join(dir, "manifest.json")} {
		if err := os.WriteFile(f, []byte("{}"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return &doctor{
		flags:      &serviceFlags{addr: "127.0.0.1:0", dataFlags: &dataFlags{data: filepath.Join(dir, "data")}, engine: &engineFlags{library: dir, model: dir}},
		openEngine: func(engineFlags) (speech.Engine, error) { return goodEngine{}, nil },
		now:        time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC),
	}
}

// outcome runs all checks and returns the one asked for.
func outcome(t *testing.T, d *doctor, check string) checkup {
	t.Helper()
	for _, c := range d.all(context.Background()) {
		if c.Check == check {
			if c.State != stateOK && c.Do == "" {
				t.Errorf("%s is %s and does not say what to do", check, c.State)
			}
			return c
		}
	}
	t.Fatalf("no check %q", check)
	return checkup{}
}

func TestDoctorFindsNothingWrong(t *testing.T) {
	for _, c := range newDoctor(t).all(context.Background()) {
		// The disk of whoever runs this test may be nearly full; that is for the doctor to say.
		if c.State != stateOK && c.State != stateNote && c.Check != "disk" {
			t.Errorf("%+v", c)
		}
	}
}

// Workers in the place of a recognizer of its own: each is asked, with the secret and for the words of the practice.
func TestDoctorAsksWorkers(t *testing.T) {
	secret := strings.Repeat("s", 20)
	at := func(e speech.Engine) string {
		s := httptest.NewServer(worker.NewServer(e, secret, slog.New(slog.DiscardHandler)))
		t.Cleanup(s.Close)
		return s.URL
	}
	good, other := at(scripted.New()), at(goodEngine{})
	silent := "http://" + freeAddress(t)
	for _, x := range []struct {
		what, workers, secret string
		want                  []state
		says                  string
	}{
		{"one that answers", good, secret, []state{stateOK}, "0 microphones"},
		{"one of two", good + "," + silent, secret, []state{stateOK, stateWarn}, "refused"},
		{"none", silent, secret, []state{stateFail}, "nothing is heard"},
		{"another model", good + "," + other, secret, []state{stateOK, stateWarn}, "give all the same version and model"},
		{"another secret", good, strings.Repeat("t", 20), []state{stateFail}, "secret"},
		{"no secret", good, "", []state{stateFail}, "worker.secret"},
		{"no encryption beyond this computer", "http://ear1.example:8645", secret, []state{stateFail}, "https"},
	} {
		d := newDoctor(t)
		d.flags.hear.workers = x.workers
		if x.secret != "" {
			d.flags.hear.secret = filepath.Join(t.TempDir(), "secret")
			if err := os.WriteFile(d.flags.hear.secret, []byte(x.secret), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		var got []state
		text := ""
		for _, c := range d.all(context.Background()) {
			if c.Check == "recognizer" || c.Check == "library" {
				t.Errorf("%s: its own recognizer is looked at: %+v", x.what, c)
			}
			if c.Check == "worker" {
				got = append(got, c.State)
				text += c.Found + " " + c.Do + " "
				if c.State != stateOK && c.Do == "" {
					t.Errorf("%s: does not say what to do", x.what)
				}
			}
		}
		if !slices.Equal(got, x.want) || !strings.Contains(text, x.says) {
			t.Errorf("%s: %v %s, want %v and %q", x.what, got, text, x.want, x.says)
		}
	}
}

func TestDoctorFinds(t *testing.T) {
	busy, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer busy.Close()
	for name, c := range map[string]struct {
		harm  func(d *doctor)
		check string
		want  state
		text  string
	}{
		"no library":      {func(d *doctor) { os.Remove(filepath.Join(d.flags.engine.library, "libonnxruntime.so")) }, "library", stateFail, "make build"},
		"bad model":       {func(d *doctor) { d.openEngine = broken("model.int8.onnx is damaged") }, "recognizer", stateFail, "is damaged"},
		"no C++ runtime":  {func(d *doctor) { d.openEngine = broken("libstdc++.so.6: cannot open") }, "recognizer", stateFail, "apt-get install libstdc++6"},
		"no manifest":     {func(d *doctor) { os.Remove(filepath.Join(d.flags.engine.model, "manifest.json")) }, "recognizer", stateWarn, "manifest"},
		"keyboard only":   {func(d *doctor) { d.flags.engine.name = "none" }, "recognizer", stateWarn, "keyboard"},
		"data is a file":  {func(d *doctor) { os.WriteFile(d.flags.data, nil, 0o600) }, "data folder", stateFail, "not a folder"},
		"data under file": {func(d *doctor) { os.WriteFile(d.flags.data, nil, 0o600); d.flags.data += "/x/y" }, "data folder", stateFail, "--data"},
		"data for all":    {func(d *doctor) { os.Mkdir(d.flags.data, 0o755) }, "data folder", stateWarn, "chmod 700"},
		"address in use":  {func(d *doctor) { d.flags.addr = busy.Addr().String() }, "address", stateWarn, "in use"},
		"no address":      {func(d *doctor) { d.flags.addr = "8643" }, "address", stateFail, "HOST:PORT"},
		"plain http":      {func(d *doctor) { d.flags.addr = "0.0.0.0:0" }, "microphone", stateWarn, "--tls-cert"},
		"every address":   {func(d *doctor) { d.flags.addr = ":0" }, "microphone", stateWarn, "--tls-cert"},
		"half of TLS":     {func(d *doctor) { d.flags.cert = "c.pem" }, "certificate", stateFail, "go together"},
		"no TLS files":    {func(d *doctor) { d.flags.cert, d.flags.key = "none.pem", "none.key" }, "certificate", stateFail, "no such file"},
		"junk in store":   {func(d *doctor) { fill(t, d.flags.data); wreck(t, d.flags.data) }, "store", stateFail, "restore"},
		"all well in it":  {func(d *doctor) { fill(t, d.flags.data) }, "store", stateOK, "1 patient, 1 exam, 0 events"},
		"practice file":   {func(d *doctor) { d.flags.engine.words = written(t, ownWords(t)) }, "practice file", stateOK, "practice.txt: 3 new words, 1 path"},
		"its faults":      {func(d *doctor) { d.flags.engine.words = written(t, "\npath x: buccal 18-48") }, "practice file", stateFail, "practice.txt, line 2: path \"x\""},
		"in the data": {func(d *doctor) {
			os.Mkdir(d.flags.data, 0o700)
			os.WriteFile(filepath.Join(d.flags.data, "practice.txt"), []byte("vocabulary x"), 0o600)
		}, "practice file", stateFail, "docs/practice-file.md"},
		"named, not there": {func(d *doctor) { d.flags.engine.words = "none.txt" }, "practice file", stateFail, "none.txt"},
		"certificate":      {func(d *doctor) { certify(t, d, 90*24*time.Hour) }, "certificate", stateOK, "chair.practice.example"},
		"ending":           {func(d *doctor) { certify(t, d, 5*24*time.Hour) }, "certificate", stateWarn, "soon"},
		"ended":            {func(d *doctor) { certify(t, d, -time.Hour) }, "certificate", stateFail, "run out"},
		"for another name": {func(d *doctor) { certify(t, d, 90*24*time.Hour); d.flags.hosts = "other.example" }, "certificate", stateWarn, "not for other.example"},
		"open key": {func(d *doctor) { certify(t, d, 90*24*time.Hour); os.Chmod(d.flags.key, 0o644) }, "certificate",
			stateWarn, "chmod 600"},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDoctor(t)
			c.harm(d)
			got := outcome(t, d, c.check)
			if got.State != c.want || !strings.Contains(got.Found+" -> "+got.Do, c.text) {
				t.Errorf("got %+v, want %s with %q", got, c.want, c.text)
			}
		})
	}
}

// written is a practice file with a text.
func written(t *testing.T, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "practice.txt")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// A word of the practice that the shipped model cannot hear shows at the recognizer, with the line.
func TestDoctorHearsThePracticeFile(t *testing.T) {
	d := newDoctor(t)
	d.openEngine = openEngine
	d.flags.engine.model, d.flags.engine.library = filepath.Join("..", "..", "models"), program.Library(t)
	d.flags.engine.words = written(t, ownWords(t))
	if got := outcome(t, d, "recognizer"); got.State != stateOK {
		t.Errorf("%+v", got)
	}
	d.flags.engine.words = written(t, "\nsynonym listening = bleeding")
	if got := outcome(t, d, "recognizer"); got.State != stateFail || !strings.Contains(got.Found, "practice.txt, line 2: it is not known how \"listening\" sounds") || !strings.Contains(got.Do, "practice file") {
		t.Errorf("%+v", got)
	}
}

func broken(text string) func(engineFlags) (speech.Engine, error) {
	return func(engineFlags) (speech.Engine, error) { return nil, errors.New(text) }
}

// fill makes a store with an exam.
func fill(t *testing.T, dir string) (exam string) {
	t.Helper()
	ctx := context.Background()
	s, err := store.Open(ctx, dir, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	p, err := s.AddPatient(ctx, practice.Patient{Name: "Mira Holt"})
	if err != nil {
		t.Fatal(err)
	}
	x, err := s.NewExam(ctx, practice.Exam{Patient: p.ID})
	if err != nil {
		t.Fatal(err)
	}
	return x.ID
}

func wreck(t *testing.T, dir string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, "leadsman.db"), bytes.Repeat([]byte("junk"), 4096), 0o600); err != nil {
		t.Fatal(err)
	}
}

// certify makes a certificate that ends after left.
func certify(t *testing.T, d *doctor, left time.Duration) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{"chair.practice.example"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: d.now.AddDate(-1, 0, 0), NotAfter: d.now.Add(left)}
	cert, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	d.flags.cert, d.flags.key = filepath.Join(t.TempDir(), "c.pem"), filepath.Join(t.TempDir(), "k.pem")
	for path, b := range map[string]*pem.Block{d.flags.cert: {Type: "CERTIFICATE", Bytes: cert}, d.flags.key: {Type: "PRIVATE KEY", Bytes: der}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func TestDoctorJSON(t *testing.T) {
	var out, errs bytes.Buffer
	status := runDoctor([]string{"--json", "--engine", "none", "--addr", "127.0.0.1:0", "--data", filepath.Join(t.TempDir(), "d"), "--tls-cert", "none.pem"}, &out, &errs)
	var got struct {
		Schema string
		OK     bool
		Checks []checkup
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Schema != "leadsman.doctor/1" || got.OK || status != exitTool || len(got.Checks) < 8 || errs.Len() > 0 {
		t.Errorf("status %d, %+v, %s", status, got, &errs)
	}
	if status := runDoctor([]string{"extra"}, &out, &errs); status != exitInput {
		t.Errorf("status %d for a stray argument", status)
	}
}
