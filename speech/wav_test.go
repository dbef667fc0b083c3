package speech

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"
)

// riff builds a WAV file of a fmt chunk and whatever else is given.
func riff(format []byte, chunks ...[]byte) []byte {
	body := append([]byte("WAVE"), chunk("fmt ", format)...)
	for _, c := range chunks {
		body = append(body, c...)
	}
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

func chunk(id string, data []byte) []byte {
	b := binary.LittleEndian.AppendUint32([]byte(id), uint32(len(data)))
	b = append(b, data...)
	if len(data)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

func format(tag, channels, rate, bits int) []byte {
	var b []byte
	b = binary.LittleEndian.AppendUint16(b, uint16(tag))
	b = binary.LittleEndian.AppendUint16(b, uint16(channels))
	b = binary.LittleEndian.AppendUint32(b, uint32(rate))
	b = binary.LittleEndian.AppendUint32(b, uint32(rate*channels*bits/8))
	b = binary.LittleEndian.AppendUint16(b, uint16(channels*bits/8))
	return binary.LittleEndian.AppendUint16(b, uint16(bits))
}

// tone returns a sine of a quarter of full scale.
func tone(hz float64, rate, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = 0.25 * math.Sin(2*math.Pi*hz*float64(i)/float64(rate))
	}
	return x
}

// encode writes samples in one of the forms that ReadWAV knows, the same in every channel.
func encode(x []float64, channels, bits int, float bool) []byte {
	var b []byte
	for _, v := range x {
		for range channels {
			switch {
			case float && bits == 32:
				b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
			case float:
				b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
			case bits == 8:
				b = append(b, byte(math.Round(v*128)+128))
			default:
				u := uint32(int32(math.Round(v*(1<<31))) >> (32 - bits))
				for i := 0; i < bits/8; i++ {
					b = append(b, byte(u>>(8*i)))
				}
			}
		}
	}
	return b
}

// deviation fits a sine of the frequency to pcm, leaving out the ends, and returns its amplitude
// (full scale 1) and the root mean square of what it does not explain.
func deviation(pcm []int16, hz float64) (amplitude, rest float64) {
	cut := min(len(pcm)/4, 1200)
	pcm = pcm[cut : len(pcm)-cut]
	var s, c float64
	n := float64(len(pcm))
	for i, v := range pcm {
		sin, cos := math.Sincos(2 * math.Pi * hz * float64(i) / Rate)
		s += float64(v) / 32768 * sin * 2 / n
		c += float64(v) / 32768 * cos * 2 / n
	}
	var e float64
	for i, v := range pcm {
		sin, cos := math.Sincos(2 * math.Pi * hz * float64(i) / Rate)
		d := float64(v)/32768 - s*sin - c*cos
		e += d * d
	}
	return math.Hypot(s, c), math.Sqrt(e / n)
}

func TestReadWAVForms(t *testing.T) {
	for _, f := range []struct {
		bits  int
		float bool
		noise float64 // quantization: half a step at most
	}{{8, false, 1.0 / 256}, {16, false, 1.0 / 32768}, {24, false, 1.0 / 32768}, {32, false, 1.0 / 32768}, {32, true, 1.0 / 32768}, {64, true, 1.0 / 32768}} {
		for _, channels := range []int{1, 2, 6} {
			for _, extensible := range []bool{false, true} {
				t.Run(fmt.Sprintf("%d float=%v ch=%d ext=%v", f.bits, f.float, channels, extensible), func(t *testing.T) {
					x := tone(500, Rate, 16000)
					tag := wavPCM
					if f.float {
						tag = wavFloat
					}
					head := format(tag, channels, Rate, f.bits)
					if extensible { // size, valid bits, speakers, and a GUID that begins with the tag
						binary.LittleEndian.PutUint16(head, wavExtensible)
						head = append(head, 22, 0, byte(f.bits), 0, 0, 0, 0, 0, byte(tag), 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71)
					}
					file := riff(head, chunk("LIST", []byte("odd")), chunk("data", encode(x, channels, f.bits, f.float)))
					pcm, info, err := ReadWAV(bytes.NewReader(file))
					if err != nil {
						t.Fatal(err)
					}
					if want := (WAVInfo{Rate: Rate, Channels: channels, Bits: f.bits, Float: f.float, Seconds: 1}); info != want {
						t.Errorf("info %+v, want %+v", info, want)
					}
					if len(pcm) != len(x) {
						t.Fatalf("%d samples, want %d", len(pcm), len(x))
					}
					for i, v := range pcm {
						if d := math.Abs(float64(v)/32768 - x[i]); d > f.noise {
							t.Fatalf("sample %d is %v, want %v", i, float64(v)/32768, x[i])
						}
					}
				})
			}
		}
	}
}

// A tone inside the band comes through unchanged; one above the new Nyquist frequency, which would
// fold back into the band, is gone.
func TestResampling(t *testing.T) {
	for _, rate := range []int{4000, 8000, 11025, 11127, 22050, 24000, 32000, 44100, 48000, 96000, 192000} {
		top := 0.9 * math.Min(float64(rate), Rate) / 2
		for _, hz := range []float64{100, 997, top} {
			file := riff(format(wavFloat, 1, rate, 32), chunk("data", encode(tone(hz, rate, rate), 1, 32, true)))
			pcm, _, err := ReadWAV(bytes.NewReader(file))
			if err != nil {
				t.Fatal(err)
			}
			if len(pcm) != Rate {
				t.Errorf("%d Hz: %d samples from one second, want %d", rate, len(pcm), Rate)
			}
			amp, rest := deviation(pcm, hz)
			if db := 20 * math.Log10(amp/0.25); math.Abs(db) > 0.05 {
				t.Errorf("%d Hz: a tone of %.0f Hz changes by %.3f dB", rate, hz, db)
			}
			if db := 20 * math.Log10(rest/0.25*math.Sqrt2); db > -75 {
				t.Errorf("%d Hz: a tone of %.0f Hz has distortion at %.1f dB", rate, hz, db)
			}
		}
		for _, hz := range []float64{8100, 9000, 15000, 21000} {
			if hz >= float64(rate)/2 {
				continue
			}
			file := riff(format(wavFloat, 1, rate, 32), chunk("data", encode(tone(hz, rate, rate), 1, 32, true)))
			pcm, _, err := ReadWAV(bytes.NewReader(file))
			if err != nil {
				t.Fatal(err)
			}
			_, rest := deviation(pcm, 1)
			if db := 20 * math.Log10(rest/0.25*math.Sqrt2); db > -75 {
				t.Errorf("%d Hz: a tone of %.0f Hz folds back at %.1f dB", rate, hz, db)
			}
		}
	}
}

func TestReadWAVRefuses(t *testing.T) {
	ok := riff(format(1, 1, Rate, 16), chunk("data", make([]byte, 320)))
	for _, c := range []struct {
		name string
		file []byte
		want string
	}{
		{"empty", nil, "empty"},
		{"cut in the header", ok[:10], "truncated"},
		{"cut in the format", ok[:30], "truncated"},
		{"cut in a chunk header", ok[:40], "truncated"},
		{"no data chunk", ok[:36], "no sound"},
		{"empty data", riff(format(1, 1, Rate, 16), chunk("data", nil)), "no sound"},
		{"not a WAV", []byte("ID3\x04 and so on, an MP3"), "not a WAV file"},
		{"data first", append([]byte("RIFF\x00\x00\x00\x00WAVE"), chunk("data", make([]byte, 8))...), "before any fmt"},
		{"short format", riff(make([]byte, 14), chunk("data", make([]byte, 8))), "at least 16"},
		{"compressed", riff(format(0x55, 1, Rate, 16), chunk("data", make([]byte, 8))), "compressed"},
		{"2 kHz", riff(format(1, 1, 2000, 16), chunk("data", make([]byte, 8))), "2000 samples a second"},
		{"no channel", riff(format(1, 0, Rate, 16), chunk("data", make([]byte, 8))), "0 channels"},
		{"12 bit", riff(format(1, 1, Rate, 12), chunk("data", make([]byte, 8))), "12-bit"},
		{"big endian", append([]byte("RIFX"), ok[4:]...), "RIFX"},
	} {
		_, _, err := ReadWAV(bytes.NewReader(c.file))
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q", c.name, err, c.want)
		}
	}
	if _, _, err := ReadWAVFile(filepath.Join(t.TempDir(), "none.wav")); !os.IsNotExist(err) {
		t.Errorf("missing file: %v", err)
	}
	if _, _, err := ReadWAVFile(t.TempDir()); err == nil || !strings.Contains(err.Error(), "folder") {
		t.Errorf("folder: %v", err)
	}
}

func TestReadWAVTruncated(t *testing.T) {
	whole := riff(format(1, 1, Rate, 16), chunk("data", make([]byte, 3200)))
	pcm, info, err := ReadWAV(bytes.NewReader(whole[:len(whole)-1001]))
	if err != nil || len(pcm) != (3200-1001)/2 || !info.Truncated {
		t.Errorf("%d samples, %+v, %v; want what is there, marked", len(pcm), info, err)
	}
	// Written to a pipe: sizes unknown.
	for _, size := range []uint32{0, 0xFFFFFFFF, 0x7FFFF000} {
		piped := bytes.Clone(whole)
		binary.LittleEndian.PutUint32(piped[40:], size)
		pcm, info, err := ReadWAV(bytes.NewReader(piped))
		if err != nil || len(pcm) != 1600 || info.Truncated {
			t.Errorf("size %#x: %d samples, %+v, %v; want 1600", size, len(pcm), info, err)
		}
	}
}

// A header that claims 4 GB must not cost memory.
func TestReadWAVMemory(t *testing.T) {
	file := riff(format(1, 1, Rate, 16), chunk("data", make([]byte, 8)))
	binary.LittleEndian.PutUint32(file[40:], 0xF0000000)
	if n := testing.Benchmark(func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			ReadWAV(bytes.NewReader(file))
		}
	}).AllocedBytesPerOp(); n > 1<<20 {
		t.Errorf("%d bytes allocated for a file of %d", n, len(file))
	}
}

// The files that we write and read are the same to an independent implementation,
// github.com/go-audio/wav.
func TestAgainstOtherImplementation(t *testing.T) {
	x := tone(440, Rate, 1600)
	pcm := make([]int16, len(x))
	ints := make([]int, len(x))
	for i, v := range x {
		pcm[i] = int16(v * 32768)
		ints[i] = int(pcm[i])
	}
	d := wav.NewDecoder(bytes.NewReader(WAV(pcm)))
	buf, err := d.FullPCMBuffer()
	if err != nil || buf.Format.SampleRate != Rate || buf.Format.NumChannels != 1 || len(buf.Data) != len(pcm) {
		t.Fatalf("they read %+v, %v", buf.Format, err)
	}
	for i, v := range buf.Data {
		if v != int(pcm[i]) {
			t.Fatalf("they read sample %d as %d, we wrote %d", i, v, pcm[i])
		}
	}
	for _, bits := range []int{16, 24, 32} {
		path := filepath.Join(t.TempDir(), "theirs.wav")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		e := wav.NewEncoder(f, Rate, bits, 1, wavPCM)
		scaled := make([]int, len(ints))
		for i, v := range ints {
			scaled[i] = v << (bits - 16)
		}
		if err := e.Write(&audio.IntBuffer{Data: scaled, Format: &audio.Format{NumChannels: 1, SampleRate: Rate}, SourceBitDepth: bits}); err != nil {
			t.Fatal(err)
		}
		if err := e.Close(); err != nil {
			t.Fatal(err)
		}
		f.Close()
		got, _, err := ReadWAVFile(path)
		if err != nil || len(got) != len(pcm) {
			t.Fatalf("%d bit: %d samples, %v", bits, len(got), err)
		}
		for i, v := range got {
			if v != pcm[i] {
				t.Fatalf("%d bit: sample %d is %d, they wrote %d", bits, i, v, pcm[i])
			}
		}
	}
}

func FuzzReadWAV(f *testing.F) {
	for _, bits := range []int{8, 16, 24, 32} {
		f.Add(riff(format(1, 2, 44100, bits), chunk("data", encode(tone(500, 44100, 100), 2, bits, false))))
	}
	f.Add(riff(format(3, 1, 8000, 32), chunk("junk", []byte{1}), chunk("data", encode(tone(500, 8000, 100), 1, 32, true))))
	f.Fuzz(func(t *testing.T, file []byte) {
		pcm, info, err := ReadWAV(bytes.NewReader(file))
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("error of several lines: %q", err)
			}
			return
		}
		if len(pcm) == 0 || info.Rate == 0 || info.Seconds <= 0 {
			t.Errorf("no error, yet %d samples, %+v", len(pcm), info)
		}
		if d := float64(len(pcm)) - info.Seconds*Rate; d < -1 || d > 1 {
			t.Errorf("%d samples for %v seconds", len(pcm), info.Seconds)
		}
	})
}

// A recording of a day is refused from its header, before any of it is read: 1.4 GB of 16 kHz mono are 12 hours.
func TestWAVTooLongByItsHeader(t *testing.T) {
	h := WAV(make([]int16, 8))[:44]
	binary.LittleEndian.PutUint32(h[40:], 1_400_000_000)
	rest := &counted{}
	_, _, err := ReadWAV(io.MultiReader(bytes.NewReader(h), rest))
	if err == nil || !strings.Contains(err.Error(), "12.2 hours") || !strings.Contains(err.Error(), "split") || rest.n > 1<<17 {
		t.Errorf("%v after %d bytes", err, rest.n)
	}
}

// counted is sound without end.
type counted struct{ n int }

func (c *counted) Read(p []byte) (int, error) { c.n += len(p); return len(p), nil }
