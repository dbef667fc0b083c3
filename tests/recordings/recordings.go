// Package recordings gives tests the recordings of this folder with the truth about them, and mixes noise into
// them. How they were made, and what they can and cannot show, is in README.md.
//
// All sound is 16 kHz, mono, 16 bit. Errors name the file; they mean a damaged checkout or a wrong name.
package recordings

import (
	"bytes"
	"embed"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"

	"github.com/mewkiz/flac"

	"leadsman/speech"
)

// Rate is the sample rate of everything here, in hertz.
const Rate = 16000

// The recording that make load plays is in it too: a test that was compiled plays it on machines that have no checkout.
//
//go:embed *.json digits/*.tsv noise/*.tsv fullmouth-joe.flac
var texts embed.FS

// Names lists what Load knows.
var Names = []string{
	"page-joe", "exam-joe", "exam-joe-fdi", "mouth-joe", "mouth-pico", "fullmouth-joe", "fullmouth-digits", "arch-nicolas", "chatter",
}

// Recording is one recording with its truth.
type Recording struct {
	Name string
	PCM  []int16
	Truth
}

// Truth is a sidecar file.
type Truth struct {
	Audio     string  `json:"audio"` // file, seen from this folder, for Path
	Rate      int     `json:"rate"`
	Samples   int     `json:"samples"`
	Seconds   float64 `json:"seconds"`
	Noise     string  `json:"noise"`
	Voice     Voice   `json:"voice"`
	Path      string  `json:"path"`      // probing path
	Numbering string  `json:"numbering"` // "universal" or "fdi": what is spoken; the truth itself is FDI
	Calls     []Call  `json:"calls"`
	// Chart is the chart that must come out, schema leadsman.chart/1. All 32 teeth are in it; third molars are
	// missing from the start.
	Chart json.RawMessage `json:"chart"`
}

// Voice says whose voice it is, and on what terms.
type Voice struct {
	Name    string `json:"name"`
	Kind    string `json:"kind"` // "synthetic" or "recorded"
	Licence string `json:"licence"`
	Origin  string `json:"origin"`
}

// Call is one utterance. Times are in seconds from the start of the recording.
type Call struct {
	Start    float64  `json:"start"`
	End      float64  `json:"end"`
	Words    string   `json:"words"`    // empty where no transcript is known
	Did      string   `json:"did"`      // kind of call; "chatter" and "refused" must change nothing
	Sets     []string `json:"sets"`     // changes such as "17.DB.depth=3", in spoken order; "17.DB.depth=" takes it back
	Times    []Word   `json:"times"`    // empty where the voice tells none
	Speakers []string `json:"speakers"` // one a word or one a call; empty where Voice says all
}

// Word is one spoken word.
type Word struct {
	Word  string  `json:"word"`
	Start float64 `json:"start"`
	End   float64 `json:"end"`
}

// Path returns the place of a file of this folder on this machine, for programs that read files themselves.
func Path(file string) string {
	_, here, _, _ := runtime.Caller(0)
	return filepath.Join(filepath.Dir(here), filepath.FromSlash(file))
}

// Load returns a recording by one of the Names.
func Load(name string) (Recording, error) {
	r := Recording{Name: name}
	text, err := texts.ReadFile(name + ".json")
	if err != nil {
		return r, fmt.Errorf("recording %q: none of that name; there are %s", name, strings.Join(Names, ", "))
	}
	known := json.NewDecoder(bytes.NewReader(text))
	known.DisallowUnknownFields()
	if err := known.Decode(&r.Truth); err != nil {
		return r, fmt.Errorf("recording %q: sidecar: %w", name, err)
	}
	if r.PCM, err = read(r.Audio); err != nil {
		return r, fmt.Errorf("recording %q: %w", name, err)
	}
	if len(r.PCM) != r.Samples {
		return r, fmt.Errorf("recording %q: %d samples where the sidecar says %d", name, len(r.PCM), r.Samples)
	}
	return r, nil
}

// Depths returns the depths in the chart in millimetres by FDI tooth and site, such as "17.DB".
func (r Recording) Depths() (map[string]int, error) {
	var chart struct {
		Teeth map[string]struct {
			Sites map[string]struct {
				Depth *int `json:"depth"`
			} `json:"sites"`
		} `json:"teeth"`
	}
	if err := json.Unmarshal(r.Chart, &chart); err != nil {
		return nil, fmt.Errorf("recording %q: chart: %w", r.Name, err)
	}
	depths := map[string]int{}
	for tooth, t := range chart.Teeth {
		for site, s := range t.Sites {
			if s.Depth != nil {
				depths[tooth+"."+site] = *s.Depth
			}
		}
	}
	return depths, nil
}

// Clip is one short recording of a packed set.
type Clip struct {
	Words   string
	Speaker string
	PCM     []int16
}

// Clips returns a packed set: "speech-commands" (isolated digits of many people), "calls-joe" (every row of the
// grammar's table of calls, synthetic) or "nicolas-groups" (three or
// six digits of one person).
func Clips(set string) ([]Clip, error) {
	rows, err := table("digits/" + set + ".tsv")
	if err != nil {
		return nil, fmt.Errorf("clips %q: %w", set, err)
	}
	pcm, err := read("digits/" + set + ".flac")
	if err != nil {
		return nil, fmt.Errorf("clips %q: %w", set, err)
	}
	var clips []Clip
	for n, row := range rows {
		start, err1 := strconv.Atoi(row["start"])
		end, err2 := strconv.Atoi(row["end"])
		if err := errors.Join(err1, err2); err != nil || start < 0 || start >= end || end > len(pcm) {
			return nil, fmt.Errorf("clips %q: row %d: samples %q to %q of %d", set, n+1, row["start"], row["end"], len(pcm))
		}
		clips = append(clips, Clip{row["words"], row["speaker"], pcm[start:end:end]})
	}
	return clips, nil
}

// Noises lists what Noise knows.
func Noises() ([]string, error) {
	rows, err := table("noise/index.tsv")
	var names []string
	for _, row := range rows {
		names = append(names, row["name"])
	}
	return names, err
}

// Noise returns a noise of 5 to 8 seconds by name, to be mixed in.
func Noise(name string) ([]int16, error) {
	pcm, err := read("noise/" + name + ".flac")
	if err != nil {
		return nil, fmt.Errorf("noise %q: %w", name, err)
	}
	return pcm, nil
}

// Mix adds noise to speech at a signal-to-noise ratio in decibels and returns as many samples as speech has. Noise
// is repeated as often as needed. Both powers are taken over the speech part: the stretches of 10 ms that lie
// within 35 dB of the loudest. Where the sum would clip, all of it is made quieter, which leaves the ratio as it is.
func Mix(speech, noise []int16, snrDB float64) ([]int16, error) {
	if len(noise) == 0 {
		return nil, errors.New("mix: no noise")
	}
	const frame = Rate / 100
	power := func(at func(int) float64, first int) float64 {
		var sum float64
		for i := first; i < first+frame; i++ {
			sum += at(i) * at(i)
		}
		return sum
	}
	signal := func(i int) float64 { return float64(speech[i]) }
	other := func(i int) float64 { return float64(noise[i%len(noise)]) }
	var loudest float64
	for first := 0; first+frame <= len(speech); first += frame {
		loudest = max(loudest, power(signal, first))
	}
	var ofSpeech, ofNoise float64
	for first := 0; first+frame <= len(speech); first += frame {
		if p := power(signal, first); p > 0 && p >= loudest*math.Pow(10, -35.0/10) {
			ofSpeech += p
			ofNoise += power(other, first)
		}
	}
	if ofSpeech == 0 || ofNoise == 0 {
		return nil, errors.New("mix: speech or noise is silent")
	}
	gain := math.Sqrt(ofSpeech / ofNoise * math.Pow(10, -snrDB/10))
	sum, peak := make([]float64, len(speech)), 0.0
	for i := range sum {
		sum[i] = signal(i) + gain*other(i)
		peak = max(peak, math.Abs(sum[i]))
	}
	scale := min(1, math.MaxInt16/peak)
	mixed := make([]int16, len(sum))
	for i, v := range sum {
		mixed[i] = int16(math.Round(v * scale))
	}
	return mixed, nil
}

// WAV returns samples as a WAV file, for programs that read nothing else.
func WAV(pcm []int16) []byte {
	var b bytes.Buffer
	for _, field := range []any{
		[]byte("RIFF"), uint32(36 + 2*len(pcm)), []byte("WAVEfmt "), uint32(16),
		uint16(1), uint16(1), uint32(Rate), uint32(2 * Rate), uint16(2), uint16(16), // PCM, mono
		[]byte("data"), uint32(2 * len(pcm)), pcm,
	} {
		binary.Write(&b, binary.LittleEndian, field) // a buffer takes everything
	}
	return b.Bytes()
}

// table reads an embedded table.
func table(name string) ([]map[string]string, error) {
	text, err := texts.ReadFile(name)
	if err != nil {
		return nil, err
	}
	return Table(name, text)
}

// Table reads tab-separated columns with a head line; name is for errors.
func Table(name string, text []byte) ([]map[string]string, error) {
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	head := strings.Split(lines[0], "\t")
	var rows []map[string]string
	for _, line := range lines[1:] {
		cells := strings.Split(line, "\t")
		if len(cells) != len(head) {
			return nil, fmt.Errorf("%s: line %q has %d columns, not %d", name, line, len(cells), len(head))
		}
		row := map[string]string{}
		for i, cell := range cells {
			row[head[i]] = cell
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// read returns the samples of a FLAC or WAV file of this folder.
func read(file string) ([]int16, error) {
	data, err := texts.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		data, err = os.ReadFile(Path(file))
	}
	if err != nil {
		return nil, err
	}
	var pcm []int16
	if strings.HasSuffix(file, ".wav") {
		pcm, err = readWAV(data)
	} else {
		pcm, err = readFLAC(data)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return pcm, nil
}

// Sound returns the samples of a FLAC file anywhere, mono and 16 bit, brought to 16 kHz.
func Sound(path string) ([]int16, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	pcm, rate, err := decodeFLAC(data)
	if err == nil && rate != Rate {
		wav := WAV(pcm)
		binary.LittleEndian.PutUint32(wav[24:], uint32(rate))
		binary.LittleEndian.PutUint32(wav[28:], uint32(2*rate))
		pcm, _, err = speech.ReadWAV(bytes.NewReader(wav))
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return pcm, nil
}

var errFormat = errors.New("not 16 kHz, mono, 16 bit")

func readFLAC(data []byte) ([]int16, error) {
	pcm, rate, err := decodeFLAC(data)
	if err == nil && rate != Rate {
		err = errFormat
	}
	return pcm, err
}

func decodeFLAC(data []byte) (pcm []int16, rate int, err error) {
	stream, err := flac.New(bytes.NewReader(data))
	if err != nil {
		return nil, 0, err
	}
	if stream.Info.NChannels != 1 || stream.Info.BitsPerSample != 16 {
		return nil, 0, errFormat
	}
	for {
		frame, err := stream.ParseNext()
		if err == io.EOF {
			return pcm, int(stream.Info.SampleRate), nil
		}
		if err != nil {
			return nil, 0, err
		}
		for _, s := range frame.Subframes[0].Samples {
			pcm = append(pcm, int16(s))
		}
	}
}

// readWAV reads what make.py writes: PCM with the format before the samples.
func readWAV(data []byte) ([]int16, error) {
	if len(data) < 44 || string(data[:4]) != "RIFF" || string(data[8:16]) != "WAVEfmt " {
		return nil, errors.New("not a WAV file")
	}
	at := func(i int) int { return int(binary.LittleEndian.Uint32(data[i:])) }
	if at(20) != 1|1<<16 || at(24) != Rate || data[34] != 16 {
		return nil, errFormat
	}
	if at(16) != 16 || string(data[36:40]) != "data" || at(40) != len(data)-44 {
		return nil, errors.New("WAV file cut short or with other parts")
	}
	pcm := make([]int16, at(40)/2)
	if _, err := binary.Decode(data[44:], binary.LittleEndian, pcm); err != nil {
		return nil, err
	}
	return pcm, nil
}
