package noise

import (
	"math"
	"math/rand/v2"
)

// Loudspeaker returns a voice as the microphone hears it from the tool's own loudspeaker: through a small speaker
// and the echo of a small room, at root mean square Level; as long as the voice and the echo after it. Mixed into
// speech at a low level it is what the tool hears of its own answers.
func Loudspeaker(voice []int16, seed uint64) []int16 {
	m := maker{rand.New(rand.NewPCG(seed, 0x726f6f6d)), len(voice)}
	x := make([]float64, len(voice))
	for i, s := range voice {
		x[i] = float64(s)
	}
	// A cone of a few centimetres gives nothing below 200-400 Hz; a pole at the corner, twice.
	for range 2 {
		pole := math.Exp(-2 * math.Pi * m.between(200, 400) / Rate)
		var in, out float64
		for i, v := range x {
			out = pole * (out + v - in)
			in, x[i] = v, out
		}
	}
	echo := m.room().response(Rate / 4)
	y := make([]float64, len(x)+len(echo))
	for k, g := range echo {
		if g != 0 {
			for i, v := range x {
				y[i+k] += g * v
			}
		}
	}
	return pcm(y, Level)
}

// A room is a box with a loudspeaker and a microphone in it; lengths in metres.
type room struct {
	size, speaker, mic [3]float64
	reflect            float64 // amplitude that each wall sends back
}

const soundSpeed = 343 // m/s, at 20 °C

func (m maker) room() room {
	r := room{size: [3]float64{m.between(2.8, 4.5), m.between(2.5, 4), m.between(2.4, 3)}, reflect: math.Sqrt(1 - m.between(0.2, 0.4))}
	for i, l := range r.size {
		r.mic[i] = l * m.between(0.35, 0.65)
		r.speaker[i] = l * m.between(0.15, 0.85)
	}
	return r
}

// response is what the microphone hears of a click, in samples, by the image method (Allen and Berkley 1979,
// J Acoust Soc Am 65:943, doi:10.1121/1.382599): each echo comes from a mirror image of the loudspeaker.
func (r room) response(samples int) []float64 {
	out := make([]float64, samples)
	reach := float64(samples) / Rate * soundSpeed
	// along gives, for one direction, how far each image lies from the microphone and how many walls it has met.
	type image struct {
		far   float64
		walls int
	}
	var along [3][]image
	for i, l := range r.size {
		for n := -int(reach/l/2) - 1; n <= int(reach/l/2)+1; n++ {
			along[i] = append(along[i],
				image{2*float64(n)*l + r.speaker[i] - r.mic[i], 2 * max(n, -n)},
				image{2*float64(n)*l - r.speaker[i] - r.mic[i], max(2*n-1, 1-2*n)})
		}
	}
	for _, a := range along[0] {
		for _, b := range along[1] {
			for _, c := range along[2] {
				far := math.Sqrt(a.far*a.far + b.far*b.far + c.far*c.far)
				if at := int(math.Round(far / soundSpeed * Rate)); at < samples {
					out[at] += math.Pow(r.reflect, float64(a.walls+b.walls+c.walls)) / max(far, 0.1)
				}
			}
		}
	}
	return out
}
