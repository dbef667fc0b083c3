package ctc

import (
	"encoding/json"
	"math"
	"math/cmplx"
	"os"
	"testing"
)

// The front end against librosa and the published steps of Whisper: see testdata/logmel.py.
func TestMelAgainstReference(t *testing.T) {
	b, err := os.ReadFile("testdata/logmel.json")
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Frames []int
		Total  int
		Values [][]float64
	}
	if err := json.Unmarshal(b, &ref); err != nil {
		t.Fatal(err)
	}
	const n = 16000
	pcm := make([]float32, n)
	state := int64(12345)
	for i := range pcm {
		state = (state*1103515245 + 12345) % (1 << 31)
		v := (state>>16)%801 - 400
		if i > 2000 && i < 12000 {
			if (i*(200+i/40)/16000)%2 != 0 {
				v += 6000
			} else {
				v -= 6000
			}
		}
		pcm[i] = float32(v) / 32768
	}
	fe := newMelFrontEnd()
	total := (n-fftSize)/melHop + 1
	if total != ref.Total {
		t.Fatalf("%d frames, the reference has %d", total, ref.Total)
	}
	frames := make([]float32, total*melBands)
	for f := range total {
		fe.frame(frames[f*melBands:], pcm[f*melHop:])
	}
	const before, behind = 3, 2
	scaled := make([]float32, melBands*(before+total+behind))
	scaleMel(scaled, frames, 0, before, behind)
	for i, f := range ref.Frames {
		for band, want := range ref.Values[i] {
			if got := float64(scaled[band*(before+total+behind)+before+f]); math.Abs(got-want) > 2e-4 {
				t.Fatalf("frame %d, band %d: %.5f, the reference has %.5f", f, band, got, want)
			}
		}
	}
}

// The transform against its definition.
func TestPowerSpectrum(t *testing.T) {
	x := make([]float32, fftSize)
	for i := range x {
		x[i] = float32(math.Sin(float64(i*i)/300)) + float32(i%7)/7
	}
	got := make([]float32, fftSize/2+1)
	newRealFFT().power(got, x)
	for k := range got {
		var sum complex128
		for i, v := range x {
			sum += complex(float64(v), 0) * cmplx.Rect(1, -2*math.Pi*float64(k*i%fftSize)/fftSize)
		}
		want := real(sum)*real(sum) + imag(sum)*imag(sum)
		if math.Abs(float64(got[k])-want) > 1e-4*(want+1) {
			t.Errorf("bin %d: %v, want %v", k, got[k], want)
		}
	}
}

func BenchmarkMelFrame(b *testing.B) {
	fe := newMelFrontEnd()
	x := make([]float32, fftSize)
	out := make([]float32, melBands)
	b.ReportAllocs()
	for b.Loop() {
		fe.frame(out, x)
	}
}
