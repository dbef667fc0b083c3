//go:build cgo && calibrate

package ctc

import (
	"bufio"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"leadsman/speech"
)

var calibrateList = flag.String("list", "", "file with a line \"FILE.wav <tab> words\" for each development recording")

// TestCalibrate fits a Calibration to recordings with known words, and prints it with the table of
// how far it can be trusted:
//
//	go test -tags calibrate -run Calibrate -v ./speech/ctc -args -list dev.tsv
//
// The speakers must not be those of the training, nor those that accuracy is reported on.
func TestCalibrate(t *testing.T) {
	f, err := os.Open(*calibrateList)
	if err != nil {
		t.Fatalf("%v: give the recordings with -args -list FILE", err)
	}
	defer f.Close()
	opt := testOptions(t)
	opt.FillerLimit = math.MaxFloat64
	e, err := Open(opt)
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	type sample struct {
		x     [3]float64
		right bool
	}
	var samples []sample
	type nbest struct {
		score []float64
		right int
	}
	var lists []nbest
	var fillers []float64 // of right readings
	net := callNet()
	var raw [][2]float64
	e.cal.tap = func(share, cost float64) { raw = append(raw, [2]float64{share, cost}) }
	for sc := bufio.NewScanner(f); sc.Scan(); {
		path, words, ok := strings.Cut(sc.Text(), "\t")
		if !ok {
			continue
		}
		pcm, _, err := speech.ReadWAVFile(path)
		if err != nil {
			t.Fatal(err)
		}
		r, err := e.NewRecognizer()
		if err != nil {
			t.Fatal(err)
		}
		if err := r.SetNet(net); err != nil {
			t.Fatal(err)
		}
		pause := make([]int16, speech.Rate/4)
		var got []string
		var x [][3]float64
		var finals []speech.Hypothesis
		for pcm := slices.Concat(pause, pcm, make([]int16, 3*speech.Rate/2)); len(pcm) > 0; {
			n := min(320, len(pcm))
			raw = raw[:0]
			hyps, err := r.Accept(pcm[:n])
			if err != nil {
				t.Fatal(err)
			}
			pcm = pcm[n:]
			if len(hyps) == 0 || !hyps[len(hyps)-1].Final || len(hyps[len(hyps)-1].Readings) == 0 {
				continue
			}
			h := hyps[len(hyps)-1]
			finals = append(finals, h)
			all := 0
			for _, rd := range h.Readings {
				all += len(rd.Words)
			}
			for i, w := range h.Readings[0].Words {
				got = append(got, w.Text)
				x = append(x, features(raw[len(raw)-all+i][0], raw[len(raw)-all+i][1]))
			}
		}
		r.Close()
		want := strings.Fields(words)
		if len(got) == len(want) {
			for i := range got {
				samples = append(samples, sample{x[i], got[i] == want[i]})
			}
		}
		if len(finals) == 1 {
			l := nbest{right: -1}
			for i, rd := range finals[0].Readings {
				l.score = append(l.score, rd.LogScore)
				if rd.Text() == words {
					l.right = i
				}
			}
			if l.right >= 0 {
				lists = append(lists, l)
			}
			if l.right == 0 {
				fillers = append(fillers, finals[0].Filler)
			}
		}
	}
	if len(samples) < 50 || len(lists) < 20 {
		t.Fatalf("%d words and %d calls are too few", len(samples), len(lists))
	}
	c := Calibration{Temperature: 1}
	best := math.Inf(1)
	for temp := 0.5; temp < 5; temp += 0.1 {
		cost := 0.0
		for _, l := range lists {
			sum := 0.0
			for _, s := range l.score {
				sum += math.Exp((s - l.score[l.right]) / temp)
			}
			cost += math.Log(sum)
		}
		if cost < best {
			best, c.Temperature = cost, math.Round(temp*10)/10
		}
	}
	// Gradient steps on the log-likelihood; the features are of the order of one.
	for range 20000 {
		var g [3]float64
		for _, s := range samples {
			d := -logistic(c.Confidence, s.x)
			if s.right {
				d++
			}
			for i := range g {
				g[i] += d * s.x[i] / float64(len(samples))
			}
		}
		for i := range g {
			c.Confidence[i] += 0.2 * g[i]
		}
	}
	for i := range c.Confidence {
		c.Confidence[i] = math.Round(c.Confidence[i]*1000) / 1000
	}
	slices.Sort(fillers)
	c.FillerLimit = defaultCalibration.FillerLimit // what to keep out has to be weighed by hand
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Printf("%d words, %d calls; filler of right calls: median %.2f, 95 %% %.2f, 98 %% %.2f\n\"calibration\": %s\n", len(samples), len(lists),
		fillers[len(fillers)/2], fillers[len(fillers)*95/100], fillers[len(fillers)*98/100], b)
	edges := []float64{0, 0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 1.01}
	for i := 1; i < len(edges); i++ {
		n, right, mean := 0, 0, 0.0
		for _, s := range samples {
			if p := logistic(c.Confidence, s.x); p >= edges[i-1] && p < edges[i] {
				n++
				mean += p
				if s.right {
					right++
				}
			}
		}
		if n > 0 {
			fmt.Printf("confidence %.2f-%.2f: %4d words, mean %.3f, right %.3f\n", edges[i-1], min(edges[i], 1), n, mean/float64(n), float64(right)/float64(n))
		}
	}
}
