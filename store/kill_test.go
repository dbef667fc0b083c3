package store

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"leadsman/chart"
)

const killDirEnv = "LEADSMAN_STORE_KILL_DIR"

// killChild plays calls into all exams of a folder at once until it is killed. Each acknowledged
// Append is told on standard output: exam, number of the last event, hash over all bodies so far.
func killChild(dir string) {
	must := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	s, err := Open(ctx, dir, time.Now)
	must(err)
	exams, err := s.Exams(ctx, "")
	must(err)
	var wg sync.WaitGroup
	for _, x := range exams {
		evs, err := collect(s, x.ID)
		must(err)
		st, err := chart.Fold(evs)
		must(err)
		sum := sha256.New()
		sumBodies(sum, evs)
		wg.Go(func() {
			for i := 0; ; i++ {
				c := soundings(2+i%7, 3, 2+i%4)
				switch {
				case st.AtEnd():
					c = one(chart.Act{Verb: chart.VerbGo, Tooth: 17})
				case i%11 == 5:
					c = one(chart.Act{Verb: chart.VerbDisregard})
				}
				evs, err := chart.Start(chart.FDI, "", nil, nil, chart.Meta{})
				if st.Seq() > 0 {
					evs, err = st.Do(c, chart.Meta{Time: time.Now().UnixMilli(), Source: chart.Voice, Words: "words"})
				}
				must(err)
				must(s.Log(x.ID).Append(ctx, evs...))
				must(st.Apply(evs...))
				sumBodies(sum, evs)
				fmt.Printf("%s %d %s\n", x.ID, st.Seq(), hex.EncodeToString(sum.Sum(nil)))
			}
		})
	}
	wg.Wait()
}

func sumBodies(h hash.Hash, evs []chart.Event) {
	for _, e := range evs {
		b, _ := e.Encode()
		h.Write(b)
	}
}

// A process that is killed at any moment has lost nothing that it acknowledged, and its logs fold.
// (The end of the process, not of the power: for that see TestUnsyncedWrites and TestTornWriteAheadLog.)
func TestKill(t *testing.T) {
	killed(t, filepath.Join(t.TempDir(), "data"), 30, nil, func() {}, func() {})
}

// killed ends a process that writes to a store so many times, with something done before it starts and after it was killed.
func killed(t *testing.T, dir string, kills int, env []string, start, after func()) {
	t.Helper()
	s := openT(t, dir)
	acked := map[string]uint64{}
	for range 3 {
		acked[newExam(t, s).ID] = 0
	}
	s.Close()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	appends, before, unacked := 0, 0, uint64(0)
	for k := range kills {
		start()
		cmd := exec.Command(exe)
		cmd.Env = append(append(os.Environ(), killDirEnv+"="+dir), env...)
		var complaint strings.Builder
		cmd.Stderr = &complaint
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewReader(out)
		sums := map[string]map[uint64]string{}
		read := func() bool {
			line, err := lines.ReadString('\n')
			if err != nil {
				return false // the end; half a line is no acknowledgement
			}
			var id, sum string
			var seq uint64
			if _, err := fmt.Sscan(line, &id, &seq, &sum); err != nil {
				t.Fatalf("%q: %v", line, err)
			}
			if sums[id] == nil {
				sums[id] = map[uint64]string{}
			}
			sums[id][seq], acked[id] = sum, max(acked[id], seq)
			appends++
			return true
		}
		// Two of three kills hit a busy writer, the third one anything from the start on.
		if k%3 != 0 {
			for range 1 + rnd.IntN(20) {
				if !read() {
					break
				}
			}
		}
		killed := time.AfterFunc(time.Duration(rnd.IntN(50_000))*time.Microsecond, func() { cmd.Process.Kill() })
		n := appends
		for read() {
		}
		if n == appends && k%3 == 0 {
			before++
		}
		cmd.Wait()
		killed.Stop()
		if complaint.Len() > 0 {
			t.Fatalf("the child failed: %s", complaint.String())
		}
		after()
		s, err := Open(ctx, dir, time.Now)
		if err != nil {
			t.Fatalf("kill %d: %v", k, err)
		}
		for id, last := range acked {
			evs, err := collect(s, id)
			if err != nil {
				t.Fatalf("kill %d: %v", k, err)
			}
			if uint64(len(evs)) < last {
				t.Fatalf("kill %d: %d events of exam %s, %d were acknowledged", k, len(evs), id, last)
			}
			unacked += uint64(len(evs)) - last
			if _, err := chart.Fold(evs); err != nil {
				t.Fatalf("kill %d: %v", k, err)
			}
			sum := sha256.New()
			for i, e := range evs {
				sumBodies(sum, evs[i:i+1])
				if want, told := sums[id][e.Seq]; told && want != hex.EncodeToString(sum.Sum(nil)) {
					t.Fatalf("kill %d: exam %s differs at event %d from what was acknowledged", k, id, e.Seq)
				}
			}
			acked[id] = uint64(len(evs))
		}
		if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil {
			t.Fatalf("kill %d: %v %v", k, err, rep.Err())
		}
		s.Close()
	}
	total := uint64(0)
	for id, n := range acked {
		if n == 0 {
			t.Errorf("exam %s got no event", id)
		}
		total += n
	}
	t.Logf("%d kills (%d before the first acknowledgement), %d acknowledged calls, %d events, 0 lost; %d events durable though not yet acknowledged",
		kills, before, appends, total, unacked)
	if appends < kills {
		t.Errorf("only %d calls acknowledged: the test hits nothing", appends)
	}
}

// shim keeps, whenever a file of the store is synced, what it then holds beside it: all that a disk is sure to have after a power cut.
const shim = `
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

static void keep(int fd) {
	char link[64], path[PATH_MAX - 16], part[PATH_MAX], whole[PATH_MAX], buf[1 << 16];
	snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
	ssize_t n = readlink(link, path, sizeof path - 1);
	if (n < 0) return;
	path[n] = 0;
	char *name = strrchr(path, '/');
	if (!name || strncmp(name, "/leadsman.db", 12)) return;
	snprintf(part, sizeof part, "%s.part", path);
	snprintf(whole, sizeof whole, "%s.synced", path);
	int out = open(part, O_WRONLY | O_CREAT | O_TRUNC, 0600);
	if (out < 0) return;
	for (off_t at = 0; (n = pread(fd, buf, sizeof buf, at)) > 0; at += n)
		if (write(out, buf, n) != n) break;
	close(out);
	rename(part, whole);
}

int fdatasync(int fd) {
	int r = ((int (*)(int))dlsym(RTLD_NEXT, "fdatasync"))(fd);
	if (!r) keep(fd);
	return r;
}

int fsync(int fd) {
	int r = ((int (*)(int))dlsym(RTLD_NEXT, "fsync"))(fd);
	if (!r) keep(fd);
	return r;
}
`

// After a power cut a disk has what was synced, and nothing needs to be there of what was only written: what was acknowledged is there all the same. A library that
// is loaded before the system's keeps what each sync had; the rest is thrown away after each kill.
func TestUnsyncedWrites(t *testing.T) {
	tmp := t.TempDir()
	src, lib := filepath.Join(tmp, "shim.c"), filepath.Join(tmp, "shim.so")
	if err := os.WriteFile(src, []byte(shim), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("gcc", "-shared", "-fPIC", "-O1", "-o", lib, src, "-ldl").CombinedOutput(); err != nil {
		t.Fatalf("gcc: %v\n%s", err, out)
	}
	dir := filepath.Join(tmp, "data")
	db := filepath.Join(dir, fileName)
	dropped, synced := 0, 0
	start := func() { // what the disk has
		for _, f := range []string{db, db + "-wal"} {
			b, err := os.ReadFile(f)
			if os.IsNotExist(err) {
				err = os.RemoveAll(f + ".synced")
			} else if err == nil {
				err = os.WriteFile(f+".synced", b, 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	after := func() {
		_ = os.Remove(db + "-shm")
		for _, f := range []string{db, db + "-wal"} {
			is, err := os.ReadFile(f)
			if os.IsNotExist(err) {
				continue
			}
			sure, serr := os.ReadFile(f + ".synced")
			if os.IsNotExist(serr) {
				err, serr = os.Remove(f), nil
			} else if !bytes.Equal(is, sure) {
				dropped++
				err = os.WriteFile(f, sure, 0o600)
			} else {
				synced++
			}
			if err != nil || serr != nil {
				t.Fatal(err, serr)
			}
		}
	}
	killed(t, dir, 12, []string{"LD_PRELOAD=" + lib}, start, after)
	t.Logf("%d files held more than was synced, which was thrown away; %d did not", dropped, synced)
	if dropped == 0 {
		t.Error("nothing was thrown away: the test shows nothing")
	}
}
