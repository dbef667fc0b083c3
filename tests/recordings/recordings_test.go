package recordings

import (
	"bytes"
	"crypto/md5"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/mewkiz/flac"
)

var loaded = map[string]Recording{} // decoding is slow under the race detector; no test changes a recording

func load(t *testing.T, name string) Recording {
	t.Helper()
	r, ok := loaded[name]
	if !ok {
		var err error
		if r, err = Load(name); err != nil {
			t.Fatal(err)
		}
		loaded[name] = r
	}
	return r
}

// rmsDB is the level of samples in decibels re full scale.
func rmsDB(pcm []int16) float64 {
	var sum float64
	for _, s := range pcm {
		sum += float64(s) * float64(s)
	}
	return 10 * math.Log10(sum/float64(len(pcm))/(1<<30)+1e-12)
}

func between(r Recording, start, end float64) []int16 {
	return r.PCM[int(start*Rate):int(end*Rate)]
}

// The figures are common practice for speech recordings, no source: not clipped, loud enough, quiet pauses. The
// pauses between calls are what the recordings were ordered to have, less the soft ends of words.
func TestSound(t *testing.T) {
	for _, name := range Names {
		t.Run(name, func(t *testing.T) {
			r := load(t, name)
			if peak := max(int(slices.Max(r.PCM)), -int(slices.Min(r.PCM))); peak > 30000 || peak < 3000 {
				t.Errorf("peak %d", peak)
			}
			before := 0.0
			for i, c := range r.Calls {
				if gap := c.Start - before; gap < 0.4 || gap > 3 {
					t.Errorf("call %d, %q: %.2f s after the last", i, c.Words, gap)
				}
				if level := rmsDB(between(r, c.Start, c.End)); level < -36 || level > -16 {
					t.Errorf("call %d, %q: level %.1f dB", i, c.Words, level)
				}
				// The read sentences bring the noise of their own rooms.
				if level := rmsDB(between(r, c.Start-0.25, c.Start-0.15)); level > -55 && c.Did != "chatter" {
					t.Errorf("call %d, %q: the pause before it has %.1f dB", i, c.Words, level)
				}
				var said []string
				at := c.Start - 0.1
				for _, w := range c.Times {
					if w.Start < at-0.005 || w.End <= w.Start || w.End > c.End+0.2 {
						t.Errorf("call %d, %q: %q at %.2f to %.2f", i, c.Words, w.Word, w.Start, w.End)
					}
					said, at = append(said, w.Word), w.End
				}
				if got := strings.Join(said, " "); got != c.Words && (len(c.Times) > 0 || name != "mouth-pico") {
					t.Errorf("call %d: words %q, timed words %q", i, c.Words, got)
				}
				before = c.End
			}
			if rest := r.Seconds - before; rest < 1 || math.Abs(r.Seconds-float64(len(r.PCM))/Rate) > 0.01 {
				t.Errorf("%.2f s, %d samples, last call ends %.2f s before", r.Seconds, len(r.PCM), rest)
			}
		})
	}
}

// Every FLAC file carries the MD5 of its samples (RFC 9639, 8.2): what we decode is what was encoded.
func TestDecodedSamples(t *testing.T) {
	var files []string
	for _, pattern := range []string{"*.flac", "*/*.flac"} {
		found, err := filepath.Glob(Path(pattern))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, found...)
	}
	if len(files) != 16 {
		t.Fatalf("%d FLAC files: %v", len(files), files)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		stream, err := flac.New(bytes.NewReader(data))
		if err != nil {
			t.Fatal(file, err)
		}
		pcm, err := readFLAC(data)
		if err != nil {
			t.Fatal(file, err)
		}
		raw, err := binary.Append(nil, binary.LittleEndian, pcm)
		if err != nil {
			t.Fatal(err)
		}
		if got := md5.Sum(raw); got != stream.Info.MD5sum {
			t.Errorf("%s: MD5 %x, file says %x", file, got, stream.Info.MD5sum)
		}
	}
}

// order returns the sites of one tooth's row (the last letter of the sites: B or L) in the order of a path.
func order(path []string, tooth, row string) []string {
	var sites []string
	for _, at := range path {
		if strings.HasPrefix(at, tooth+".") && strings.HasSuffix(at, row) {
			sites = append(sites, at)
		}
	}
	return sites
}

func paths(t *testing.T) map[string][]string {
	t.Helper()
	text, err := texts.ReadFile("paths.json")
	if err != nil {
		t.Fatal(err)
	}
	var p map[string][]string
	if err := json.Unmarshal(text, &p); err != nil {
		t.Fatal(err)
	}
	return p
}

// The expected orders were worked out by hand from ISO 3950 numbering and the rule "towards the midline distal, middle,
// mesial; away from it mesial, middle, distal" (common practice, no source). sweep_4 goes upper facial from the
// right, upper oral back, lower oral from the left, lower facial back.
func TestPaths(t *testing.T) {
	p := paths(t)
	for _, c := range []struct{ path, tooth, row, want string }{
		{"sweep_4", "14", "B", "14.DB 14.B 14.MB"},
		{"sweep_4", "24", "B", "24.MB 24.B 24.DB"},
		{"sweep_4", "24", "L", "24.DL 24.L 24.ML"},
		{"sweep_4", "14", "L", "14.ML 14.L 14.DL"},
		{"sweep_4", "36", "L", "36.DL 36.L 36.ML"},
		{"sweep_4", "46", "B", "46.DB 46.B 46.MB"},
		{"arch", "14", "B", "14.DB 14.B 14.MB"},
		{"arch", "24", "L", "24.DL 24.L 24.ML"},
		{"arch", "36", "B", "36.DB 36.B 36.MB"},
		{"arch", "46", "B", "46.MB 46.B 46.DB"},
		{"arch", "46", "L", "46.DL 46.L 46.ML"},
		{"arch", "36", "L", "36.ML 36.L 36.DL"},
	} {
		if got := strings.Join(order(p[c.path], c.tooth, c.row), " "); got != c.want {
			t.Errorf("%s, %s %s: %s, want %s", c.path, c.tooth, c.row, got, c.want)
		}
	}
	without := slices.DeleteFunc(slices.Clone(p["sweep_4"]), func(at string) bool { return strings.HasPrefix(at, "12.") })
	if next := without[slices.Index(without, "13.MB")+1]; next != "11.DB" {
		t.Errorf("12 missing: after 13.MB comes %s, want 11.DB", next)
	}
	for name, walk := range p {
		if n := len(slices.Compact(slices.Sorted(slices.Values(walk)))); len(walk) != 192 || n != 192 {
			t.Errorf("%s: %d sites, %d different, want 192", name, len(walk), n)
		}
	}
}

var spoken = strings.Fields("zero one two three four five six seven eight nine ten eleven twelve")

// A recording of nothing but numbers follows the path without third molars, one word a site.
func TestSoundingsFollowThePath(t *testing.T) {
	walk := slices.DeleteFunc(paths(t)["arch"], func(at string) bool {
		return slices.Contains([]string{"18", "28", "38", "48"}, at[:2])
	})
	for name, sites := range map[string]int{"fullmouth-joe": 168, "fullmouth-digits": 168, "arch-nicolas": 42} {
		r := load(t, name)
		var got, want []string
		for _, c := range r.Calls {
			if len(c.Sets) != 3 {
				t.Errorf("%s: %q sets %v", name, c.Words, c.Sets)
			}
			got = append(got, c.Sets...)
			for _, w := range strings.Fields(c.Words) {
				if len(want) < len(walk) {
					want = append(want, fmt.Sprintf("%s.depth=%d", walk[len(want)], slices.Index(spoken, w)))
				}
			}
		}
		if !slices.Equal(got, want) || len(got) != sites {
			t.Errorf("%s: %d soundings\n got %v\nwant %v", name, len(got), got, want)
		}
		depths, err := r.Depths()
		if err != nil || len(depths) != sites {
			t.Errorf("%s: %d sites in the chart, want %d (%v)", name, len(depths), sites, err)
		}
		for at, d := range depths {
			if d < 1 || d > 12 {
				t.Errorf("%s: %s has %d mm", name, at, d)
			}
		}
	}
}

// The chart is what its calls set, one after another, from a mouth without third molars.
func TestChartsFollowFromCalls(t *testing.T) {
	for _, name := range Names {
		r := load(t, name)
		leaf := map[string]any{}
		for quadrant := 1; quadrant <= 4; quadrant++ {
			for place := 1; place <= 8; place++ {
				leaf[fmt.Sprintf("%d%d.state", quadrant, place)] = map[bool]any{true: "missing", false: "present"}[place == 8]
			}
		}
		for _, c := range r.Calls {
			if slices.Contains([]string{"chatter", "refused", "answer", "say again", "stand by", "remark"}, c.Did) && len(c.Sets) > 0 {
				t.Errorf("%s: %q, %s, sets %v", name, c.Words, c.Did, c.Sets)
			}
			for _, set := range c.Sets {
				key, text, _ := strings.Cut(set, "=")
				if _, ok := leaf[key]; text == "" && !ok {
					t.Errorf("%s: %q takes back %s, which is not there", name, c.Words, key)
				}
				delete(leaf, key)
				if n, err := strconv.ParseFloat(text, 64); err == nil {
					leaf[key] = n
				} else if text == "true" || text == "false" {
					leaf[key] = text == "true"
				} else if text != "" {
					leaf[key] = text
				}
			}
		}
		var chart struct {
			Schema, Numbering string
			Teeth             map[string]map[string]any
		}
		if err := json.Unmarshal(r.Chart, &chart); err != nil {
			t.Fatal(name, err)
		}
		if chart.Schema != "leadsman.chart/1" || chart.Numbering != "fdi" {
			t.Errorf("%s: schema %q, numbering %q", name, chart.Schema, chart.Numbering)
		}
		got := map[string]any{}
		for tooth, keys := range chart.Teeth {
			flatten(tooth, keys, got)
		}
		if !reflect.DeepEqual(got, leaf) {
			t.Errorf("%s: chart\n got %v\nwant %v", name, got, leaf)
		}
	}
}

// flatten writes {"sites":{"DB":{"depth":3}}} of tooth 17 as 17.DB.depth.
func flatten(prefix string, value any, into map[string]any) {
	inner, ok := value.(map[string]any)
	if !ok {
		into[prefix] = value
		return
	}
	for key, v := range inner {
		if key == "sites" {
			flatten(prefix, v, into)
		} else {
			flatten(prefix+"."+key, v, into)
		}
	}
}

func TestExamsAgreeAndAreComplete(t *testing.T) {
	u, f := load(t, "exam-joe"), load(t, "exam-joe-fdi")
	if !bytes.Equal(u.Chart, f.Chart) {
		t.Error("the exam leads to another chart in FDI than in Universal")
	}
	did := map[string]int{}
	for _, c := range u.Calls {
		did[c.Did]++
	}
	want := strings.Fields("answer aspect back chatter complete correction disregard flag furcation go margin mobility " +
		"next refused remark skip soundings state")
	want = append(want, "say again", "stand by", "go ahead")
	for _, kind := range want {
		if did[kind] == 0 {
			t.Errorf("no call of kind %q", kind)
		}
		delete(did, kind)
	}
	if len(did) > 0 {
		t.Errorf("kinds that no one knows: %v", did)
	}
}

func TestClips(t *testing.T) {
	for set, want := range map[string]struct {
		clips, speakers int
		lengths         []int
	}{
		"speech-commands": {57, 23, []int{1}},
		"nicolas-groups":  {75, 1, []int{3, 6}},
	} {
		clips, err := Clips(set)
		if err != nil {
			t.Fatal(err)
		}
		speakers, lengths, seen := map[string]bool{}, map[int]bool{}, map[string]bool{}
		for i, c := range clips {
			words := strings.Fields(c.Words)
			speakers[c.Speaker], lengths[len(words)] = true, true
			for _, w := range words {
				seen[w] = true
			}
			if s := len(c.PCM); s < Rate/2*len(words)/2 || s > Rate*len(words) {
				t.Errorf("%s, clip %d, %q: %d samples", set, i, c.Words, s)
			}
			if level := rmsDB(c.PCM); level < -60 || level > -8 {
				t.Errorf("%s, clip %d, %q: level %.1f dB", set, i, c.Words, level)
			}
		}
		if got := slices.Sorted(maps.Keys(lengths)); len(clips) != want.clips || len(speakers) != want.speakers || !slices.Equal(got, want.lengths) {
			t.Errorf("%s: %d clips of %d speakers with %v words", set, len(clips), len(speakers), got)
		}
		if words := slices.Sorted(maps.Keys(seen)); !slices.Equal(words, slices.Sorted(slices.Values(spoken[:10]))) {
			t.Errorf("%s: words %v", set, words)
		}
	}
}

func TestNoises(t *testing.T) {
	names, err := Noises()
	if err != nil || len(names) != 4 {
		t.Fatal(names, err)
	}
	for _, name := range names {
		pcm, err := Noise(name)
		if err != nil {
			t.Fatal(err)
		}
		if len(pcm) < 5*Rate || len(pcm) > 8*Rate || rmsDB(pcm) < -50 {
			t.Errorf("%s: %d samples at %.1f dB", name, len(pcm), rmsDB(pcm))
		}
	}
}

// A sine of amplitude a has a power of a*a/2; what is added to it must have that power less the ratio.
func TestMix(t *testing.T) {
	speech := make([]int16, 4*Rate) // one second of a sine of 1 kHz between three of silence
	for i := Rate; i < 2*Rate; i++ {
		speech[i] = int16(math.Round(2000 * math.Sin(2*math.Pi*float64(i)/16)))
	}
	noise := make([]int16, Rate/2) // repeated; a square wave, power 100*100
	for i := range noise {
		noise[i] = 100
		if i%50 >= 25 {
			noise[i] = -100
		}
	}
	for _, snr := range []float64{20, 10, 0, -5} {
		mixed, err := Mix(speech, noise, snr)
		if err != nil {
			t.Fatal(err)
		}
		if len(mixed) != len(speech) {
			t.Fatalf("%d samples of %d", len(mixed), len(speech))
		}
		var power float64
		for i := range mixed {
			d := float64(mixed[i]) - float64(speech[i])
			power += d * d / float64(len(mixed))
		}
		if got := 10 * math.Log10(2000*2000/2/power); math.Abs(got-snr) > 0.05 {
			t.Errorf("asked for %g dB, got %.2f dB", snr, got)
		}
	}
}

func TestMixThatWouldClip(t *testing.T) {
	speech, noise := make([]int16, Rate), make([]int16, Rate)
	for i := range speech {
		speech[i] = int16(math.Round(30000 * math.Sin(2*math.Pi*float64(i)/16)))
		noise[i] = int16(math.Round(30000 * math.Sin(2*math.Pi*float64(i)/10)))
	}
	mixed, err := Mix(speech, noise, 0)
	if err != nil {
		t.Fatal(err)
	}
	// The two tones keep equal amplitudes; each is found by correlation over whole periods.
	tone := func(period float64) float64 {
		var re, im float64
		for i, s := range mixed {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / period)
			re, im = re+float64(s)*cos, im+float64(s)*sin
		}
		return math.Hypot(re, im)
	}
	if ratio := tone(16) / tone(10); math.Abs(ratio-1) > 0.001 {
		t.Errorf("ratio of the tones %.4f, want 1", ratio)
	}
	if peak := slices.Max(mixed); peak < 32000 {
		t.Errorf("peak %d: quieter than need be", peak)
	}
}

func TestMixRefuses(t *testing.T) {
	sound := []int16{1, 2, 3}
	for _, c := range []struct{ speech, noise []int16 }{{sound, nil}, {make([]int16, Rate), sound}, {nil, sound}} {
		if _, err := Mix(c.speech, c.noise, 10); err == nil {
			t.Errorf("mixed %v with %v", c.speech, c.noise)
		}
	}
}

func TestWAVRoundTrip(t *testing.T) {
	r := load(t, "page-joe")
	file, err := os.ReadFile(Path(r.Audio))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(WAV(r.PCM), file) { // written by libsndfile
		t.Error("WAV writes other bytes than the file that was read")
	}
	if len(file) > 3<<19 || r.Seconds > 25 {
		t.Errorf("%d bytes, %.1f s: too long for the browser tests", len(file), r.Seconds)
	}
	for _, bad := range [][]byte{nil, file[:43], file[:1000], append(bytes.Clone(file[:24]), append([]byte{1, 0, 0, 0}, file[28:]...)...)} {
		if _, err := readWAV(bad); err == nil {
			t.Errorf("read %d bytes of damaged WAV", len(bad))
		}
	}
}

func TestUnknownNames(t *testing.T) {
	if _, err := Load("nobody"); err == nil || !strings.Contains(err.Error(), "fullmouth-joe") {
		t.Errorf("error %v does not say what there is", err)
	}
	if _, err := Clips("nobody"); err == nil {
		t.Error("clips of nobody")
	}
	if _, err := Noise("nobody"); err == nil {
		t.Error("noise of nobody")
	}
}
