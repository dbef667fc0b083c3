package main

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/worker"
	"leadsman/store"
)

// state is the outcome of a check.
type state string

const (
	stateOK   state = "ok"
	stateWarn state = "warn" // works, with something to know or to put right
	stateFail state = "fail" // does not work until put right
	stateNote state = "note" // cannot be checked from here
)

// checkup is the outcome of one check of doctor.
type checkup struct {
	Check string `json:"check"`
	State state  `json:"state"`
	Found string `json:"found"`
	Do    string `json:"do,omitempty"` // what to do about it
}

// doctor looks at an installation. What it needs from outside comes in as values.
type doctor struct {
	flags      *serviceFlags
	openEngine func(engineFlags) (speech.Engine, error)
	now        time.Time
}

func runDoctorCommand(args []string, _ io.Reader, stdout, stderr io.Writer) int {
	return runDoctor(args, stdout, stderr)
}

// runDoctor checks what the service needs, with the flags that the service gets.
func runDoctor(args []string, stdout, stderr io.Writer) int {
	fs := flags("doctor", stderr)
	d := doctor{flags: addServiceFlags(fs, defaultData()), openEngine: openEngine, now: time.Now()}
	asJSON := fs.Bool("json", false, "print one JSON object")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 0 {
		return fail(stderr, exitInput, "doctor takes no further arguments, got %q", rest[0])
	}
	ctx, stop := untilInterrupted()
	defer stop()
	found := d.all(ctx)
	well := true
	for _, c := range found {
		well = well && c.State != stateFail
	}
	if *asJSON {
		enc := json.NewEncoder(stdout)
		enc.SetIndent("", "  ")
		if err := enc.Encode(struct {
			Schema string    `json:"schema"`
			OK     bool      `json:"ok"`
			Checks []checkup `json:"checks"`
		}{"leadsman.doctor/1", well, found}); err != nil {
			return fail(stderr, exitTool, "doctor: %v", err)
		}
	} else {
		for _, c := range found {
			fmt.Fprintf(stdout, "%-4s  %-12s %s\n", c.State, c.Check, c.Found)
			if c.Do != "" {
				fmt.Fprintf(stdout, "      %-12s -> %s\n", "", c.Do)
			}
		}
	}
	if !well {
		return exitTool
	}
	return exitOK
}

func (d *doctor) all(ctx context.Context) []checkup {
	cs := []checkup{d.practiceFile()}
	if d.flags.hear.workers == "" {
		cs = append(cs, d.library(), d.recognizer())
	} else {
		cs = append(cs, d.workers(ctx)...)
	}
	cs = append(cs, d.folder()...)
	cs = append(cs, d.store(ctx), d.address(), d.microphone(), spokenAnswers())
	if d.flags.cert != "" || d.flags.key != "" {
		cs = append(cs, d.certificate())
	}
	return append(cs, checkup{"sound level", stateNote, "can only be seen in the browser",
		"open an exam's Live screen, allow the microphone and speak: its level meter must move; if not, choose the headset in the sound settings of the system and of the browser"})
}

// library looks for the speech library's file; whether it loads shows in recognizer.
func (d *doctor) library() checkup {
	c := checkup{Check: "library"}
	if name := d.flags.engine.name; name == engineNone || name == engineVosk {
		c.State, c.Found = stateOK, "not needed with --engine "+name
		return c
	}
	const file = "libonnxruntime.so"
	path := d.flags.engine.library
	if path == "" {
		path = besides(file)
	}
	if fi, err := os.Stat(path); err == nil && fi.IsDir() {
		path = filepath.Join(path, file)
	}
	fi, err := os.Stat(path)
	if err != nil {
		c.State, c.Found, c.Do = stateFail, "no "+path, "run make build, which puts it beside the program; or name it with --library"
		return c
	}
	c.State, c.Found = stateOK, fmt.Sprintf("%s (%s)", path, size(uint64(fi.Size())))
	return c
}

// rightLine is what to do about a fault of a practice file.
const rightLine = "put that line of the practice file right; docs/practice-file.md has the form"

// practiceFile reads the practice's own words and paths; whether the recognizer can hear them shows there.
func (d *doctor) practiceFile() checkup {
	c := checkup{Check: "practice file", State: stateOK, Found: "none: the calls and paths are those that come with the program"}
	var err error
	if d.flags.engine.own, err = practice.OpenWords(d.flags.engine.words, d.flags.data); err != nil {
		c.State, c.Found, c.Do = stateFail, err.Error(), rightLine
	} else if own := d.flags.engine.own; own != nil {
		c.Found = fmt.Sprintf("%s: %s, %s", own.File, count(uint64(len(own.Terms().Words())), "new word"), count(uint64(len(own.Paths())), "path"))
	}
	return c
}

// recognizer loads the library and the model as the service does.
func (d *doctor) recognizer() checkup {
	c := checkup{Check: "recognizer"}
	if d.flags.engine.name == engineNone {
		c.State, c.Found, c.Do = stateWarn, "none: only the keyboard works", "leave --engine out to work by voice"
		return c
	}
	e, err := d.openEngine(*d.flags.engine)
	if err != nil {
		c.State, c.Found = stateFail, err.Error()
		c.Do = "run make build again; until then leadsman serve --engine none works with the keyboard"
		if d.flags.engine.name == engineVosk {
			c.Do = "give the folder of a Vosk model with --model; until then leave --engine out"
		}
		if strings.Contains(err.Error(), "libstdc++") {
			c.Do = "install the C++ runtime: as root run  apt-get install libstdc++6"
		}
		if strings.Contains(err.Error(), "practice file ") {
			c.Do = rightLine
		}
		return c
	}
	defer e.Close()
	c.State, c.Found = stateOK, "model "+e.Name()+" loads"
	if d.flags.engine.name == engineVosk {
		return c
	}
	dir := d.flags.engine.model
	if dir == "" {
		dir = besides("models")
	}
	if _, err := os.Stat(filepath.Join(dir, "manifest.json")); err != nil {
		c.State, c.Found = stateWarn, c.Found+", but there is no manifest.json in "+dir+" to check its files against"
		c.Do = "put the manifest back that came with the model"
	}
	return c
}

// workers asks each of them, as the service does.
func (d *doctor) workers(ctx context.Context) []checkup {
	const check = "worker"
	refused := func(err error, do string) []checkup { return []checkup{{check, stateFail, err.Error(), do}} }
	if err := d.flags.hear.check(d.flags.engine); err != nil {
		return refused(err, "give --workers as https://HOST:PORT,...")
	}
	secret, _, _, err := readSecret(d.flags.hear.secret, d.flags.data, false)
	if err != nil {
		return refused(err, "copy "+secretFile+" from the worker's data folder, and name it with --worker-secret")
	}
	trust, err := d.flags.hear.trust(d.flags.data)
	if err != nil {
		return refused(err, "name the worker's tls/authority.crt with --workers-ca")
	}
	var words []string
	if own := d.flags.engine.own; own != nil {
		words = own.Terms().Words()
	}
	found := worker.Look(ctx, worker.Config{Workers: d.flags.hear.list(), Secret: secret, TLS: trust, Log: slog.New(slog.DiscardHandler)}, words)
	none := !slices.ContainsFunc(found, func(w worker.Standing) bool { return w.Err == nil })
	var cs []checkup
	for _, w := range found {
		c := checkup{check, stateOK, fmt.Sprintf("%s: %s, %s on %s", w.Addr, w.Engine, count(uint64(w.Streams), "microphone"), count(uint64(w.Processors), "processor")), ""}
		switch {
		case w.Err != nil:
			c.State, c.Found, c.Do = stateWarn, fmt.Sprintf("%s: %v", w.Addr, w.Err), "leadsman listen has to run there, and be reachable from here; the others work meanwhile"
			if none {
				c.State, c.Do = stateFail, "leadsman listen has to run there, and be reachable from here; until a worker answers nothing is heard"
			}
		case w.Leaving:
			c.State, c.Found, c.Do = stateWarn, w.Addr+": is being stopped", "start leadsman listen there again"
		case w.Busy:
			c.State, c.Found, c.Do = stateWarn, c.Found+", and takes no further one", "add a worker, or processors"
		}
		cs = append(cs, c)
	}
	return cs
}

// folder looks at the data folder and its disk.
func (d *doctor) folder() []checkup {
	dir := d.flags.data
	c := checkup{Check: "data folder", State: stateOK, Found: dir}
	fi, err := os.Stat(dir)
	look := dir
	switch {
	case errors.Is(err, os.ErrNotExist):
		c.Found += " (will be made)"
		for errors.Is(err, os.ErrNotExist) && look != filepath.Dir(look) {
			look = filepath.Dir(look)
			_, err = os.Stat(look)
		}
	case err == nil && !fi.IsDir():
		err = errors.New("not a folder")
	case err == nil && fi.Mode().Perm()&0o077 != 0:
		c.State, c.Do = stateWarn, fmt.Sprintf("others on this machine may look into it: chmod 700 %s", dir)
	}
	if err == nil {
		err = writable(look)
	}
	if err != nil {
		c.State, c.Found, c.Do = stateFail, fmt.Sprintf("%s: %v", dir, err), "check who owns it, or name another folder with --data"
		return []checkup{c}
	}
	return []checkup{c, disk(look)}
}

// writable tries to make a file in a folder.
func writable(dir string) error {
	f, err := os.CreateTemp(dir, ".leadsman-doctor-*")
	if err != nil {
		return err
	}
	_, err = f.WriteString("can be removed")
	return errors.Join(err, f.Close(), os.Remove(f.Name()))
}

// A full exam takes well under a megabyte; with sound clips some tens of them.
const (
	diskLow  = 1 << 30
	diskFull = 100 << 20
)

// disk looks at the space left, and whether the file system keeps what it promises: on network
// shares SQLite's log is not safe.
func disk(dir string) checkup {
	c := checkup{Check: "disk", State: stateOK}
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return checkup{c.Check, stateWarn, err.Error(), "look how much space is left"}
	}
	free := st.Bavail * uint64(st.Bsize)
	c.Found = size(free) + " free"
	switch {
	case free < diskFull:
		c.State, c.Do = stateFail, "make room: with less than "+size(diskFull)+" calls may soon be refused"
	case free < diskLow:
		c.State, c.Do = stateWarn, "make room before the next day's exams"
	}
	// Magic numbers from memory: NFS, SMB, SMB2, CIFS (Linux, statfs(2)).
	switch uint32(st.Type) {
	case 0x6969, 0x517b, 0xfe534d42, 0xff534d42:
		c.State, c.Found, c.Do = stateFail, c.Found+", on a network share", "use a folder on a disk of this machine (--data), and back up to the share"
	}
	return c
}

// size writes a number of bytes for people.
func size(n uint64) string {
	switch {
	case n >= 1<<30:
		return fmt.Sprintf("%.1f GiB", float64(n)/(1<<30))
	case n >= 1<<20:
		return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20))
	}
	return fmt.Sprintf("%d KiB", n>>10)
}

// store verifies what is there, also while the service runs.
func (d *doctor) store(ctx context.Context) checkup {
	c := checkup{Check: "store", State: stateOK}
	rep, err := verifyData(ctx, d.flags.dataFlags, nil)
	switch {
	case errors.Is(err, store.ErrNotFound):
		c.Found = "empty: nothing kept yet"
	case err != nil:
		c.State, c.Found, c.Do = stateFail, err.Error(), "do what the message says; leadsman restore brings a copy back"
	case len(rep.Problems) > 0:
		c.State, c.Found = stateFail, fmt.Sprintf("%s found, the first: %v", count(uint64(len(rep.Problems)), "problem"), rep.Problems[0])
		c.Do = "leadsman verify lists them all and what can be saved; make a backup before changing anything"
	default:
		c.Found = held(rep) + ", all intact"
	}
	return c
}

// address tries to listen where the service will.
func (d *doctor) address() checkup {
	c := checkup{Check: "address", State: stateOK, Found: d.flags.addr + " is free"}
	ln, err := net.Listen("tcp", d.flags.addr)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		c.State, c.Found, c.Do = stateWarn, d.flags.addr+" is in use", "if leadsman runs already, open it in the browser; else choose another with --addr"
	case err != nil:
		c.State, c.Found, c.Do = stateFail, err.Error(), "give --addr as HOST:PORT, such as "+defaultAddr
	default:
		ln.Close()
	}
	return c
}

// microphone says where browsers will give the microphone. Source: W3C Media Capture and Streams,
// navigator.mediaDevices is for secure contexts only; W3C Secure Contexts, loopback addresses and
// localhost are potentially trustworthy.
func (d *doctor) microphone() checkup {
	c := checkup{Check: "microphone", State: stateOK}
	host, _, err := net.SplitHostPort(d.flags.addr)
	ip := net.ParseIP(host)
	switch {
	case err != nil:
		c.State, c.Found, c.Do = stateFail, "no address to judge", "give --addr as HOST:PORT"
	case d.flags.cert != "":
		c.Found = "works on every machine that trusts the certificate; the browser asks once for permission"
	case host == "localhost" || ip != nil && ip.IsLoopback():
		c.Found = "works in a browser on this machine; the browser asks once for permission"
	default:
		c.State, c.Found = stateWarn, "browsers give no microphone to plain http from other machines"
		c.Do = "use the page on this machine as http://localhost, or give --tls-cert and --tls-key"
	}
	return c
}

// spokenAnswers looks for the service's voice.
func spokenAnswers() checkup {
	if serviceVoice() == nil {
		return checkup{"voice", stateNote, "none of the service's own: answers are spoken only by browsers that have a voice",
			"as root run  apt-get install espeak-ng"}
	}
	return checkup{"voice", stateOK, "espeak-ng speaks for browsers without a voice of their own", ""}
}

// soon is how long before its end a certificate is worth a warning.
const soon = 14 * 24 * time.Hour

// certificate reads the TLS files as the service does.
func (d *doctor) certificate() checkup {
	c := checkup{Check: "certificate", State: stateOK}
	if d.flags.cert == "" || d.flags.key == "" {
		return checkup{c.Check, stateFail, "only one of two files given", "--tls-cert and --tls-key go together"}
	}
	pair, err := tls.LoadX509KeyPair(d.flags.cert, d.flags.key)
	if err != nil {
		return checkup{c.Check, stateFail, err.Error(), "give the certificate (with its chain) and its key, both in PEM"}
	}
	leaf := pair.Leaf
	names := leaf.DNSNames
	for _, ip := range leaf.IPAddresses {
		names = append(names, ip.String())
	}
	c.Found = fmt.Sprintf("for %s, until %s", strings.Join(names, ", "), leaf.NotAfter.Format(time.DateOnly))
	host, _, _ := net.SplitHostPort(d.flags.addr)
	ask := []string{}
	if ip := net.ParseIP(host); host != "" && (ip == nil || !ip.IsUnspecified()) {
		ask = append(ask, host)
	}
	for _, n := range strings.Split(d.flags.hosts, ",") {
		if n = strings.TrimSpace(n); n != "" {
			ask = append(ask, n)
		}
	}
	for _, n := range ask {
		if err := leaf.VerifyHostname(n); err != nil {
			c.State, c.Found, c.Do = stateWarn, c.Found+"; not for "+n, "open the page under a name of the certificate, or get one for "+n
		}
	}
	if fi, err := os.Stat(d.flags.key); err == nil && fi.Mode().Perm()&0o077 != 0 {
		c.State, c.Do = stateWarn, "others on this machine can read the key: chmod 600 "+d.flags.key
	}
	switch {
	case d.now.After(leaf.NotAfter):
		c.State, c.Do = stateFail, "it has run out: get a new one"
	case d.now.Before(leaf.NotBefore):
		c.State, c.Do = stateFail, "it is not valid before "+leaf.NotBefore.Format(time.DateTime)+": check the clock of this machine"
	case d.now.Add(soon).After(leaf.NotAfter):
		c.State, c.Do = stateWarn, "it runs out soon: get a new one"
	}
	return c
}
