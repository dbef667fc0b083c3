package speech

import "math"

// A resampler converts samples at one rate to Rate by a Kaiser-windowed sinc: flat to 0.9 of the
// lower of the two Nyquist frequencies, 80 dB down from about there on. The ratio may be any; the
// kernel is tabulated finely and interpolated between its entries.
type resampler struct {
	in     int
	half   int       // reach of the kernel in input samples
	scale  float64   // input samples to zero crossings
	kernel []float32 // one half of the kernel, kernelSteps entries a zero crossing
	buf    []float32 // input from sample from on
	from   int64
	next   int64 // output sample that comes next
	total  int64 // input samples written
}

const (
	kernelCrossings = 48
	kernelSteps     = 512
	kernelCutoff    = 0.95
	kaiserBeta      = 8
)

func newResampler(in int) *resampler {
	r := &resampler{in: in}
	if in == Rate {
		return r
	}
	r.scale = kernelCutoff * min(1, float64(Rate)/float64(in))
	r.half = int(math.Ceil(kernelCrossings / r.scale))
	r.kernel = make([]float32, kernelCrossings*kernelSteps+2)
	for i := range r.kernel[:kernelCrossings*kernelSteps] {
		x := float64(i) / kernelSteps
		v := r.scale * bessel0(kaiserBeta*math.Sqrt(1-math.Pow(x/kernelCrossings, 2))) / bessel0(kaiserBeta)
		if i > 0 {
			v *= math.Sin(math.Pi*x) / (math.Pi * x)
		}
		r.kernel[i] = float32(v)
	}
	r.buf = make([]float32, r.half) // silence before the begin
	r.from = -int64(r.half)
	return r
}

// bessel0 is the modified Bessel function of the first kind and order 0.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-12*sum; k++ {
		term *= (x / 2 / k) * (x / 2 / k)
		sum += term
	}
	return sum
}

// write appends to dst what samples (full scale 1) bring about.
func (r *resampler) write(dst []int16, samples []float32) []int16 {
	r.total += int64(len(samples))
	if r.in == Rate {
		for _, s := range samples {
			dst = append(dst, toInt16(s))
		}
		return dst
	}
	r.buf = append(r.buf, samples...)
	for {
		num := r.next * int64(r.in)
		at := num / Rate // the output sample lies between at and at+1
		if at+int64(r.half)+1 >= r.from+int64(len(r.buf)) {
			break
		}
		frac := float64(num%Rate) / Rate
		var sum float64
		lo := max(at-int64(r.half)+1, r.from)
		for i := lo; i <= at+int64(r.half); i++ {
			x := math.Abs(float64(i-at)-frac) * r.scale * kernelSteps
			k := int(x)
			if k >= kernelCrossings*kernelSteps {
				continue
			}
			f := float32(x - float64(k))
			sum += float64((r.kernel[k] + f*(r.kernel[k+1]-r.kernel[k])) * r.buf[i-r.from])
		}
		dst = append(dst, toInt16(float32(sum)))
		r.next++
	}
	if keep := r.next*int64(r.in)/Rate - int64(r.half) - r.from; keep > 1<<14 {
		r.buf = append(r.buf[:0], r.buf[keep:]...)
		r.from += keep
	}
	return dst
}

// flush appends the rest; as many samples come out in all as the sound has time for.
func (r *resampler) flush(dst []int16) []int16 {
	if r.in == Rate {
		return dst
	}
	total := r.total
	dst = r.write(dst, make([]float32, r.half+2))
	want := (total*Rate + int64(r.in) - 1) / int64(r.in)
	if over := r.next - want; over > 0 {
		dst = dst[:int64(len(dst))-over]
	}
	return dst
}

func toInt16(v float32) int16 {
	v *= 1 << 15
	switch {
	case v >= math.MaxInt16:
		return math.MaxInt16
	case v <= math.MinInt16:
		return math.MinInt16
	}
	return int16(math.RoundToEven(float64(v)))
}
