//go:build cgo && calibrate

package ctc

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"leadsman/speech"
	"leadsman/tests/noise"
	"leadsman/tests/recordings"
)

var (
	packsFolder = flag.String("packs", "", "folder with voices.tsv (name, accent) and for each voice NAME.flac and NAME.tsv (first sample, last, words)")
	conditions  = flag.String("conditions", "clean,telephone,suction-10,scaler-5", "what the voices are heard through: a noise with its decibels")
	knownOut    = flag.String("known", "", "file that TestKnown writes")
	judge       = flag.Bool("judge", false, "fit nothing: the table of the calibration in force")
)

// A pack is what one voice says.
type pack struct {
	name, accent string
	clips        []clip
}

type clip struct {
	pcm   []int16
	words []string
}

func readPacks(t *testing.T) (out []pack) {
	index, err := os.ReadFile(filepath.Join(*packsFolder, "voices.tsv"))
	if err != nil {
		t.Fatalf("%v: give the folder with -args -packs FOLDER", err)
	}
	for row := range strings.Lines(string(index)) {
		name, accent, _ := strings.Cut(strings.TrimSpace(row), "\t")
		pcm, err := recordings.Sound(filepath.Join(*packsFolder, name+".flac"))
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join(*packsFolder, name+".tsv"))
		if err != nil {
			t.Fatal(err)
		}
		p := pack{name: name, accent: accent}
		for line := range strings.Lines(string(text)) {
			f := strings.Split(strings.TrimSpace(line), "\t")
			from, err1 := strconv.Atoi(f[0])
			to, err2 := strconv.Atoi(f[1])
			if err1 != nil || err2 != nil || from < 0 || to <= from || to > len(pcm) || len(f) != 3 {
				t.Fatalf("%s: %q", name, line)
			}
			p.clips = append(p.clips, clip{pcm[from:to], strings.Fields(f[2])})
		}
		out = append(out, p)
	}
	return out
}

// each runs a function for 0..n-1, as many at a time as there are processors.
func each(n int, f func(i int)) {
	var wg sync.WaitGroup
	limit := make(chan bool, runtime.GOMAXPROCS(0))
	for i := range n {
		wg.Go(func() {
			limit <- true
			defer func() { <-limit }()
			f(i)
		})
	}
	wg.Wait()
}

func calibrated(t *testing.T) *Engine {
	opt := Options{ModelDir: filepath.Join("..", "..", "models"), Library: os.Getenv("LEADSMAN_LIBRARY")}
	e, err := Open(opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	return e
}

// TestKnown works out what the network's states are like for voices that it was trained on, from packs of models/training/known.py:
//
//	go test -tags calibrate -run Known ./speech/ctc -args -packs FOLDER -known ../../models/known.f32
func TestKnown(t *testing.T) {
	if *knownOut == "" {
		t.Skip("-args -packs FOLDER -known FILE")
	}
	e := calibrated(t)
	var clips []clip
	for _, p := range readPacks(t) {
		clips = append(clips, p.clips...)
	}
	type state struct {
		symbol int
		x      []float32
	}
	heard := make([][]state, 2*len(clips))
	each(len(heard), func(i int) { // each clean and with noise
		rng := rand.New(rand.NewPCG(uint64(i), 5))
		pcm := clips[i/2].pcm
		gain := 0.002
		if i%2 == 1 {
			gain = math.Pow(10, -(12+12*rng.Float64())/20)
		}
		_, of, err := e.listen(hissed(slices.Concat(make([]int16, 4000), pcm, make([]int16, 4000)), gain*rms(pcm), rng))
		if err != nil {
			t.Error(err)
			return
		}
		sym, width, logp, hidden := e.net.symbols, e.net.width, of[0].logp, of[0].hidden
		for f := 0; f < len(logp)/sym; f++ {
			row := logp[f*sym : (f+1)*sym]
			if best := slices.Index(row, slices.Max(row)); best > 0 {
				heard[i] = append(heard[i], state{best, hidden[f*width : (f+1)*width]})
			}
		}
	})
	all := slices.Concat(heard...)
	width := e.net.width
	n, mean := make([]float64, e.net.symbols), make([][]float64, e.net.symbols)
	for s := range mean {
		mean[s] = make([]float64, width)
	}
	for _, v := range all {
		n[v.symbol]++
		for i, x := range v.x {
			mean[v.symbol][i] += float64(x)
		}
	}
	for s := range mean {
		for i := range mean[s] {
			mean[s][i] /= max(1, n[s])
		}
	}
	chol := spread(width, func(yield func(d []float64)) {
		d := make([]float64, width)
		for _, v := range all {
			for i, x := range v.x {
				d[i] = float64(x) - mean[v.symbol][i]
			}
			yield(d)
		}
	})
	var out bytes.Buffer
	put := func(v float64) { binary.Write(&out, binary.LittleEndian, float32(v)) }
	for s := range mean {
		mark := 0.0
		if n[s] >= 10 {
			mark = 1
		}
		put(mark)
		for _, v := range mean[s] {
			put(v * mark)
		}
	}
	for i := range chol {
		for _, v := range chol[i] {
			put(v)
		}
	}
	if err := os.WriteFile(*knownOut, out.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d clips, %d states; by symbol %.0f", len(clips), len(all), n)
}

// spread is the Cholesky factor of the covariance of deviations, a twentieth of their mean variance added to its diagonal.
func spread(width int, deviations func(yield func(d []float64))) [][]float64 {
	c := make([][]float64, width)
	for i := range c {
		c[i] = make([]float64, i+1)
	}
	n := 0.0
	deviations(func(d []float64) {
		n++
		for i := range c {
			for j := range c[i] {
				c[i][j] += d[i] * d[j]
			}
		}
	})
	trace := 0.0
	for i := range c {
		for j := range c[i] {
			c[i][j] /= n
		}
		trace += c[i][i]
	}
	for i := range c {
		c[i][i] += 0.05 * trace / float64(width)
		for j := range c[i] {
			v := c[i][j]
			for k := range j {
				v -= c[i][k] * c[j][k]
			}
			if i == j {
				c[i][i] = math.Sqrt(v)
			} else {
				c[i][j] = v / c[j][j]
			}
		}
	}
	return c
}

func rms(pcm []int16) float64 {
	sum := 0.0
	for _, v := range pcm {
		sum += float64(v) * float64(v)
	}
	return math.Sqrt(sum / float64(len(pcm)))
}

// hissed is a sound with white noise through a low pass, as of suction.
func hissed(pcm []int16, gain float64, rng *rand.Rand) []int16 {
	out, hiss := make([]int16, len(pcm)), 0.0
	for i, v := range pcm {
		hiss = 0.7*hiss + 0.7*rng.NormFloat64()
		out[i] = int16(min(max(float64(v)+gain*hiss, -32768), 32767))
	}
	return out
}

// A sample is a word that was heard.
type sample struct {
	x                       [5]float64
	right                   bool
	voice, accent, heardAs  string
	share, posterior, trust float64 // share of the posterior before and after its correction; its fitted confidence
}

// An nbest is the log scores of the readings of a call.
type nbest struct {
	score []float64
	right int // the one that is right
}

// taps tell the features of words; a recognizer has one engine, so each pack has an engine of its own.
func hearPack(e *Engine, p pack, condition string) (samples []sample, lists []nbest, err error) {
	own := *e // its calibration is tapped
	var raw [][4]float64
	own.cal.tap = func(share, cost, far, beyond float64) { raw = append(raw, [4]float64{share, cost, far, beyond}) }
	rec, err := own.NewRecognizer()
	if err != nil {
		return nil, nil, err
	}
	defer rec.Close()
	if err := rec.SetNet(callNet()); err != nil {
		return nil, nil, err
	}
	feed, err := through(condition)
	if err != nil {
		return nil, nil, err
	}
	for _, c := range append([]clip{{pcm: make([]int16, speech.Rate/2)}}, p.clips...) {
		if slices.ContainsFunc(c.words, func(w string) bool { return !slices.Contains(numberWords, w) }) {
			continue
		}
		var got []string
		var heard []sample
		finals := 0
		var list nbest
		for _, part := range [][]int16{c.pcm, make([]int16, speech.Rate*9/10)} {
			for pcm := feed(part, len(c.words) > 0); len(pcm) > 0; {
				n := min(320, len(pcm))
				raw = raw[:0]
				hyps, err := rec.Accept(pcm[:n])
				if err != nil {
					return nil, nil, err
				}
				pcm = pcm[n:]
				if len(hyps) == 0 || !hyps[len(hyps)-1].Final || len(hyps[len(hyps)-1].Readings) == 0 {
					continue
				}
				h := hyps[len(hyps)-1]
				finals++
				list = nbest{right: -1}
				all := 0
				for i, rd := range h.Readings {
					all += len(rd.Words)
					list.score = append(list.score, rd.LogScore)
					if rd.Text() == strings.Join(c.words, " ") {
						list.right = i
					}
				}
				if h.Rejected {
					continue
				}
				for i, w := range h.Readings[0].Words {
					f := raw[len(raw)-all+i]
					s := sample{x: features(f[0], f[1], f[2], f[3]), share: f[0], trust: w.Confidence, voice: p.name + " " + condition, accent: p.accent, heardAs: w.Text}
					for _, rd := range h.Readings {
						if slices.ContainsFunc(rd.Words, func(v speech.Word) bool { return v.Text == w.Text && v.StartMS < w.EndMS && w.StartMS < v.EndMS }) {
							s.posterior += rd.Posterior
						}
					}
					got, heard = append(got, w.Text), append(heard, s)
				}
			}
		}
		for i, ok := range matched(got, c.words) {
			heard[i].right = ok
		}
		samples = append(samples, heard...)
		if finals == 1 && list.right >= 0 {
			lists = append(lists, list)
		}
	}
	return samples, lists, nil
}

// matched tells of each word heard whether it was said, by the least number of changes.
func matched(got, said []string) []bool {
	ok := make([]bool, len(got))
	for i, j := 0, 0; i < len(got); {
		best, how := distance(got[i+1:], said[j:])+1, 1
		if j < len(said) {
			change := 1
			if got[i] == said[j] {
				change = 0
			}
			if d := distance(got[i+1:], said[j+1:]) + change; d <= best {
				best, how = d, 0
			}
			if d := distance(got[i:], said[j+1:]) + 1; d < best {
				how = 2
			}
		}
		switch how {
		case 0:
			ok[i] = got[i] == said[j]
			i, j = i+1, j+1
		case 1:
			i++
		case 2:
			j++
		}
	}
	return ok
}

// through is a room, and perhaps a telephone, for calls one after the other, all as loud.
func through(condition string) (feed func(pcm []int16, speech bool) []int16, err error) {
	kind, db := condition, ""
	if i := strings.LastIndex(condition, "-"); i > 0 {
		kind, db = condition[:i], condition[i+1:]
	}
	var room []int16
	gain, at := 0.0, 0
	if db != "" {
		below, err := strconv.ParseFloat(db, 64)
		if err != nil {
			return nil, err
		}
		if room, err = noise.Make(kind, 2001, 20); err != nil {
			if room, err = recordings.Noise(kind); err != nil {
				return nil, err
			}
		}
		gain = math.Pow(10, (-24-below)/20) * 32768 / rms(room)
	}
	rng := rand.New(rand.NewPCG(7, 9))
	return func(pcm []int16, talk bool) []int16 {
		loud, top := 0.0, 1.0
		for _, v := range pcm {
			top = max(top, math.Abs(float64(v)))
		}
		if p := rms(pcm); talk && p > 0 {
			loud = min(math.Pow(10, -22./20)*32768/p, 30000/top)
		}
		x := make([]float64, len(pcm))
		for i, v := range pcm {
			x[i] = loud * float64(v)
		}
		if kind == "telephone" {
			x = telephone(x)
		}
		out := make([]int16, len(x))
		for i, v := range x {
			v += 32.7 * rng.NormFloat64() // a quiet room, -60 dB
			if room != nil {
				v += gain * float64(room[at%len(room)])
				at++
			}
			out[i] = int16(min(max(v, -32768), 32767))
		}
		return out
	}, nil
}

// telephone limits a sound to 100 to 3700 Hz.
func telephone(x []float64) []float64 {
	const n = 200
	var h [2*n + 1]float64
	for i := -n; i <= n; i++ {
		pass := func(f float64) float64 {
			if i == 0 {
				return 2 * f / speech.Rate
			}
			return math.Sin(2*math.Pi*f*float64(i)/speech.Rate) / (math.Pi * float64(i))
		}
		h[i+n] = (0.5 + 0.5*math.Cos(math.Pi*float64(i)/(n+1))) * (pass(3700) - pass(100))
	}
	out := make([]float64, len(x))
	for i := range x {
		for j := -n; j <= n; j++ {
			if k := i - j; k >= 0 && k < len(x) {
				out[i] += h[j+n] * x[k]
			}
		}
	}
	return out
}

// TestCalibrate fits a Calibration to voices of models/training/strangers.py, and says how far it can be trusted: for each accent with what was
// fitted to the others. -judge tells of the calibration in force instead, on voices kept apart:
//
//	go test -tags calibrate -run Calibrate -v ./speech/ctc -args -packs FOLDER [-judge -conditions clean,running-tap-10]
//
// The voices must not be those of the training.
func TestCalibrate(t *testing.T) {
	if *packsFolder == "" || *knownOut != "" {
		t.Skip("-args -packs FOLDER")
	}
	e := calibrated(t)
	packs, rooms := readPacks(t), strings.Split(*conditions, ",")
	heard, listed := make([][]sample, len(packs)*len(rooms)), make([][]nbest, len(packs)*len(rooms))
	each(len(heard), func(i int) {
		var err error
		if heard[i], listed[i], err = hearPack(e, packs[i/len(rooms)], rooms[i%len(rooms)]); err != nil {
			t.Error(err)
		}
	})
	samples, lists := slices.Concat(heard...), slices.Concat(listed...)
	if len(samples) < 50 || len(lists) < 20 {
		t.Fatalf("%d words and %d calls are too few", len(samples), len(lists))
	}
	if !*judge {
		c := Calibration{Temperature: temperature(lists), Confidence: fitted(samples), FillerLimit: e.cal.FillerLimit, StrangeFrom: e.cal.StrangeFrom}
		b, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Printf("%d words, %d calls\n\"calibration\": %s\n", len(samples), len(lists), b)
		accents := map[string][5]float64{}
		for i, s := range samples {
			w, ok := accents[s.accent]
			if !ok {
				w = fitted(slices.DeleteFunc(slices.Clone(samples), func(o sample) bool { return o.accent == s.accent }))
				accents[s.accent] = w
			}
			samples[i].trust = logistic(w, s.x)
			samples[i].posterior = believed(samples[i].trust, s.share)
		}
	}
	fmt.Print(reliability(samples))
}

func temperature(lists []nbest) (out float64) {
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
			best, out = cost, math.Round(temp*10)/10
		}
	}
	return out
}

// fitted is the logistic regression by gradient steps on the log-likelihood; the features are of the order of one.
func fitted(samples []sample) (w [5]float64) {
	for range 12000 {
		var g [5]float64
		for _, s := range samples {
			d := -logistic(w, s.x)
			if s.right {
				d++
			}
			for i := range g {
				g[i] += d * s.x[i] / float64(len(samples))
			}
		}
		for i := range g {
			w[i] += 0.3 * g[i]
		}
	}
	for i := range w {
		w[i] = math.Round(w[i]*1000) / 1000
	}
	return w
}

// reliability is how often words are right at the confidence that they were given, and for each voice what is wrong and sure (its share of the
// posterior at least 0.99: no doubt) and right and doubted, without and with the distance.
func reliability(samples []sample) string {
	var b strings.Builder
	b.WriteString("| confidence | words | mean | right |\n|---|---|---|---|\n")
	edges := []float64{0, 0.5, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 1.01}
	for i := 1; i < len(edges); i++ {
		n, right, mean := 0, 0, 0.0
		for _, s := range samples {
			if s.trust >= edges[i-1] && s.trust < edges[i] {
				n++
				mean += s.trust
				if s.right {
					right++
				}
			}
		}
		if n > 0 {
			fmt.Fprintf(&b, "| %g-%g | %d | %.3f | %.3f |\n", edges[i-1], min(edges[i], 1), n, mean/float64(n), float64(right)/float64(n))
		}
	}
	b.WriteString("\n| voice | words | wrong | far | wrong and sure of 1000: by share | now | right and doubted, %: by share | now |\n|---|---|---|---|---|---|---|---|\n")
	row := func(name string, of []sample) {
		n, wrong, far, sure0, sure1, doubt0, doubt1 := float64(len(of)), 0, 0.0, 0.0, 0.0, 0.0, 0.0
		for _, s := range of {
			far += s.x[3] / n
			switch {
			case !s.right:
				wrong++
				if s.share >= 0.99 {
					sure0 += 1000 / n
				}
				if s.posterior >= 0.99 {
					sure1 += 1000 / n
				}
			default:
				if s.share < 0.99 {
					doubt0 += 100 / n
				}
				if s.posterior < 0.99 {
					doubt1 += 100 / n
				}
			}
		}
		fmt.Fprintf(&b, "| %s | %d | %d | %.2f | %.1f | %.1f | %.1f | %.1f |\n", name, len(of), wrong, math.Exp(far), sure0, sure1, doubt0, doubt1)
	}
	names := map[string][]sample{}
	for _, s := range samples {
		names[s.voice] = append(names[s.voice], s)
	}
	keys := []string{}
	for k := range names {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		row(k, names[k])
	}
	row("all", samples)
	return b.String()
}

// TestProfiles enrols each voice with its first groups of three and hears the others without the profile and with it; what the check makes of the
// right words, of those of another line, and of lines in which one word of three is another.
func TestProfiles(t *testing.T) {
	if *packsFolder == "" || *knownOut != "" {
		t.Skip("-args -packs FOLDER")
	}
	e := calibrated(t)
	packs, rooms := readPacks(t), strings.Split(*conditions, ",")
	rows := make([]string, len(packs))
	var sum [4]int
	var mu sync.Mutex
	each(len(packs), func(i int) {
		var groups, learn, rest []clip
		for _, c := range packs[i].clips {
			if len(c.words) == 3 {
				groups = append(groups, c)
			}
		}
		const most = 30
		learn, rest = groups[:min(most, len(groups)/2)], groups[min(most, len(groups)/2):]
		var takes []speech.Take
		right, other, one := 0, 0, 0
		quiet := make([]int16, speech.Rate/4)
		fits := func(words []string, pcm []int16) int {
			fit, err := e.Check(speech.Take{Words: words, PCM: pcm})
			if err != nil {
				t.Error(err)
			}
			if fit.OK {
				return 1
			}
			return 0
		}
		for k, c := range learn {
			pcm := slices.Concat(quiet, c.pcm, quiet)
			takes = append(takes, speech.Take{Words: c.words, PCM: pcm})
			right += fits(c.words, pcm)
			other += fits(learn[(k+7)%len(learn)].words, pcm)
			changed := slices.Clone(c.words)
			for changed[k%3] == c.words[k%3] {
				changed[k%3] = numberWords[(k*5+slices.Index(numberWords, c.words[k%3]))%10]
				k++
			}
			one += fits(changed, pcm)
		}
		got, err := e.Enrol(t.Context(), nil, takes)
		row := fmt.Sprintf("| %s | %d | %d, %d, %d |", packs[i].name, len(learn), right, other, one)
		if err != nil {
			rows[i] = row + " " + err.Error() + " |"
			return
		}
		row += fmt.Sprintf(" %d, %d of %d | %t |", got.WrongBefore, got.WrongAfter, got.Words, got.Profile != nil)
		for _, room := range rooms {
			before, err1 := wholeGroups(e, nil, pack{packs[i].name, "", rest}, room)
			after := before
			if got.Profile != nil {
				var err2 error
				if after, err2 = wholeGroups(e, got.Profile, pack{packs[i].name, "", rest}, room); err2 != nil {
					t.Error(err2)
				}
			}
			if err1 != nil {
				t.Error(err1)
			}
			row += fmt.Sprintf(" %d, %d of %d |", before, after, len(rest))
			mu.Lock()
			sum[0], sum[1], sum[2] = sum[0]+before, sum[1]+after, sum[2]+len(rest)
			mu.Unlock()
		}
		rows[i] = row
	})
	fmt.Printf("| voice | lines | pass: right, other line, one word other | held back and misheard without, with | profile | groups right in %s |\n%s\n%d, %d of %d\n",
		strings.Join(rooms, " | "), strings.Join(rows, "\n"), sum[0], sum[1], sum[2])
}

// wholeGroups is how many calls are heard word for word, in pieces or not.
func wholeGroups(e *Engine, profile []byte, p pack, room string) (right int, err error) {
	rec, err := e.NewRecognizer()
	if profile != nil {
		rec, err = e.NewRecognizerFor(profile)
	}
	if err != nil {
		return 0, err
	}
	defer rec.Close()
	if err := rec.SetNet(callNet()); err != nil {
		return 0, err
	}
	feed, err := through(room)
	if err != nil {
		return 0, err
	}
	for _, c := range append([]clip{{pcm: make([]int16, speech.Rate/2)}}, p.clips...) {
		var got []string
		for _, part := range [][]int16{c.pcm, make([]int16, speech.Rate*9/10)} {
			for pcm := feed(part, len(c.words) > 0); len(pcm) > 0; {
				n := min(320, len(pcm))
				hyps, err := rec.Accept(pcm[:n])
				if err != nil {
					return right, err
				}
				pcm = pcm[n:]
				if k := len(hyps) - 1; k >= 0 && hyps[k].Final && !hyps[k].Rejected {
					got = append(got, strings.Fields(hyps[k].Readings[0].Text())...)
				}
			}
		}
		if len(c.words) > 0 && slices.Equal(got, c.words) {
			right++
		}
	}
	return right, nil
}
