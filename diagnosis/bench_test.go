package diagnosis

import (
	"bytes"
	"runtime/debug"
	"syscall"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
)

// diseased is a full chart with findings everywhere: the slow case.
func diseased() *chart.Chart {
	c := healthy()
	for i, r := range sites(c) {
		d, l := 2+i%6, i*7%5
		*c.Site(r) = reading(d, l)
		c.Site(r).Flags[chart.Bleeding] = chart.Is(i%3 == 0)
		c.Site(r).Flags[chart.Plaque] = chart.Is(i%2 == 0)
	}
	c.Tooth(36).Furcation[chart.EntranceBuccal] = chart.GradeOf(2)
	c.Tooth(16).Mobility = chart.GradeOf(1)
	c.Patient = chart.Patient{Age: ptr(52), BoneLossPercent: ptr(30.0), CigarettesPerDay: ptr(5), TeethLostPeriodontitis: ptr(1)}
	return c
}

// cpu is the processor time that this process has used, so that a busy machine does not count.
func cpu() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// perSecond reports charts a second of the clock and of one core, garbage collection included.
func perSecond(b *testing.B, from time.Duration) {
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "charts/s")
	b.ReportMetric(float64(b.N)/(cpu()-from).Seconds(), "charts/core-s")
}

// The aim is 5,000 full charts a second on one core.
func BenchmarkAssess(b *testing.B) {
	c := diseased()
	b.ReportAllocs()
	used := cpu()
	for b.Loop() {
		Assess(c, Options{})
	}
	perSecond(b, used)
}

// From a stream of chart files, one a line, to findings files: 4,000 a second on one core.
func BenchmarkFileToFindings(b *testing.B) {
	var file bytes.Buffer
	if err := chartfile.Encode(&file, diseased()); err != nil {
		b.Fatal(err)
	}
	defer debug.SetGCPercent(debug.SetGCPercent(500)) // as the command does
	charts := chartfile.NewReader(&again{line: file.Bytes()})
	var out []byte
	b.ReportAllocs()
	used := cpu()
	for b.Loop() {
		c, err := charts.Next()
		if err != nil {
			b.Fatal(err)
		}
		f := Assess(c, Options{})
		out = f.AppendJSON(out[:0])
	}
	perSecond(b, used)
	b.ReportMetric(float64(file.Len()), "bytes-in")
	b.ReportMetric(float64(len(out)), "bytes-out")
}

// again is a file without end that repeats one line.
type again struct {
	line []byte
	at   int
}

func (a *again) Read(p []byte) (int, error) {
	for n := 0; n < len(p); {
		k := copy(p[n:], a.line[a.at:])
		n, a.at = n+k, (a.at+k)%len(a.line)
	}
	return len(p), nil
}
