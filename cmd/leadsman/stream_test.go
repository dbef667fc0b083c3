package main

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"strconv"
	"syscall"
	"testing"
	"time"

	"leadsman/report"
	"leadsman/report/reporttest"
	"leadsman/store"
)

// peak is the most memory that the process had since it was reset, in bytes: VmHWM of proc(5), which writing 5 to clear_refs resets.
func peak(t *testing.T) int64 {
	t.Helper()
	b, err := os.ReadFile("/proc/self/status")
	m := regexp.MustCompile(`VmHWM:\s+(\d+) kB`).FindSubmatch(b)
	if err != nil || m == nil {
		t.Skip("SKIPPED: this machine does not say how much memory a process has had")
	}
	n, _ := strconv.ParseInt(string(m[1]), 10, 64)
	return n << 10
}

// spent is the processor time of the process.
func spent(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// drain gives the blocks of what was written back to the disk, so that a measurement takes none of it; sizes stay.
func drain(dir string, done <-chan struct{}) {
	const punch = 0x01 | 0x02 // FALLOC_FL_KEEP_SIZE, FALLOC_FL_PUNCH_HOLE of fallocate(2)
	for {
		select {
		case <-done:
			return
		case <-time.After(time.Second):
		}
		parts, _ := filepath.Glob(filepath.Join(dir, "*.part"))
		for _, name := range parts {
			f, err := os.OpenFile(name, os.O_WRONLY, 0)
			if err != nil {
				continue // it has its name already
			}
			if i, err := f.Stat(); err == nil && i.Size() > 0 {
				_ = syscall.Fallocate(int(f.Fd()), punch, 0, i.Size()) // a disk that cannot do it keeps the file
			}
			f.Close()
		}
	}
}

// streamed writes exams of an invented practice as leadsman export does, and says how many bytes it made, and how much memory and processor
// time it took.
func streamed(t *testing.T, as string, exams int) (size, memory int64, took time.Duration) {
	t.Helper()
	debug.FreeOSMemory()
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0); err != nil {
		t.Skipf("SKIPPED: the peak of memory cannot be reset here: %v", err)
	}
	dir := t.TempDir()
	st, err := store.Open(t.Context(), t.TempDir(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	done := make(chan struct{})
	go drain(dir, done)
	var said bytes.Buffer
	began := spent(t)
	same := func(r *report.Record) *report.Record { return r }
	if err := exportMany(context.Background(), reporttest.Practice{Number: exams / 2, Each: 2}, st, &exporting{as: as, out: dir, all: true, names: true, veil: same}, &said); err != nil {
		t.Fatal(err)
	}
	took, memory = spent(t)-began, peak(t)
	close(done)
	err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			var i fs.FileInfo
			if i, err = d.Info(); err == nil {
				size += i.Size()
			}
		}
		return err
	})
	if want := fmt.Sprintf("%d exams written", exams); err != nil || !bytes.Contains(said.Bytes(), []byte(want)) {
		t.Fatalf("%s %v", said.String(), err)
	}
	return size, memory, took
}

// Ten times the exams take no more memory. LEADSMAN_MEASURE=100000 does it with that many.
func TestExportInConstantMemory(t *testing.T) {
	measured, _ := strconv.Atoi(os.Getenv("LEADSMAN_MEASURE"))
	for as, n := range map[string]int{"csv": 1000, "parquet": 1000, "json": 1000, "fhir": 100} {
		lots := max(n, measured)
		few := lots / 10
		t.Run(as, func(t *testing.T) {
			streamed(t, as, 10) // what is held once, whatever comes
			_, some, _ := streamed(t, as, few)
			size, all, took := streamed(t, as, lots)
			t.Logf("%d exams: %d MiB in %v of one processor, %.1f MiB/s, peak %d MiB (%d exams: %d MiB)", lots, size>>20, took.Round(time.Second), float64(size)/(1<<20)/took.Seconds(), all>>20, few, some>>20)
			if all > some+some/4+16<<20 {
				t.Errorf("%d MiB for %d exams, %d MiB for %d", some>>20, few, all>>20, lots)
			}
		})
	}
}
