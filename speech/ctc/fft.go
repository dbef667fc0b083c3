package ctc

import "math"

// window and fftSize are the analysis window of the front end in samples: 25 ms at 16 kHz. The
// transform has the window's own length, which is not a power of two, so it is done by radix 2, 4
// and 5 steps.
const fftSize = 400

// realFFT computes power spectra of fftSize real samples by one complex transform of half the
// length. It holds its own scratch space: one goroutine at a time.
type realFFT struct {
	half    []complex64 // twiddle factors of the half-length transform
	full    []complex64 // twiddle factors that untangle the real transform
	a, b    []complex64
	factors []int
}

func newRealFFT() *realFFT {
	const n = fftSize / 2
	f := &realFFT{
		half: make([]complex64, n), full: make([]complex64, n+1),
		a: make([]complex64, n), b: make([]complex64, n),
		factors: []int{4, 2, 5, 5},
	}
	for i := range f.half {
		s, c := math.Sincos(-2 * math.Pi * float64(i) / n)
		f.half[i] = complex(float32(c), float32(s))
	}
	for i := range f.full {
		s, c := math.Sincos(-2 * math.Pi * float64(i) / fftSize)
		f.full[i] = complex(float32(c), float32(s))
	}
	return f
}

// power writes |X[k]|^2 for k = 0..fftSize/2 of the fftSize samples x to out.
func (f *realFFT) power(out, x []float32) {
	const n = fftSize / 2
	for i := range f.a {
		f.a[i] = complex(x[2*i], x[2*i+1])
	}
	z := f.transform()
	for k := 0; k <= n; k++ {
		p, q := z[k%n], z[(n-k)%n]
		// The transforms of the even and the odd samples: (p+q*)/2 and (p-q*)/2i.
		even := complex((real(p)+real(q))/2, (imag(p)-imag(q))/2)
		odd := complex((imag(p)+imag(q))/2, -(real(p)-real(q))/2)
		v := even + f.full[k]*odd
		out[k] = real(v)*real(v) + imag(v)*imag(v)
	}
}

// transform runs the Stockham form of the mixed-radix transform over f.a and returns the result,
// in either of the two buffers.
func (f *realFFT) transform() []complex64 {
	const n = fftSize / 2
	src, dst := f.a, f.b
	done := 1 // product of the radices so far
	for _, r := range f.factors {
		m := n / (done * r) // length of the sub-transforms that remain
		for p := range m {
			in, out := src[done*p:], dst[done*r*p:]
			switch r {
			case 2:
				f.radix2(out, in, done, done*m, p*done)
			case 4:
				f.radix4(out, in, done, done*m, p*done)
			default:
				f.radix5(out, in, done, done*m, p*done)
			}
		}
		done *= r
		src, dst = dst, src
	}
	return src
}

// radix2, radix4 and radix5 make done values of each of so many transforms out of those that lie apart in in; w is the step of their twiddle factors.
func (f *realFFT) radix2(out, in []complex64, done, apart, w int) {
	t := f.half[w]
	for q := range done {
		u, v := in[q], in[q+apart]
		out[q], out[q+done] = u+v, (u-v)*t
	}
}

func (f *realFFT) radix4(out, in []complex64, done, apart, w int) {
	t1, t2, t3 := f.half[w], f.half[2*w], f.half[3*w]
	for q := range done {
		u0, u1, u2, u3 := in[q], in[q+apart], in[q+2*apart], in[q+3*apart]
		s02, d02, s13, d13 := u0+u2, u0-u2, u1+u3, u1-u3
		j := complex(imag(d13), -real(d13)) // -i * d13
		out[q], out[q+done], out[q+2*done], out[q+3*done] = s02+s13, (d02+j)*t1, (s02-s13)*t2, (d02-j)*t3
	}
}

func (f *realFFT) radix5(out, in []complex64, done, apart, w int) {
	n := len(f.half)
	e1, e2, e3, e4 := f.half[n/5], f.half[2*n/5], f.half[3*n/5], f.half[4*n/5] // fifth roots of 1
	t1, t2, t3, t4 := f.half[w], f.half[2*w], f.half[3*w], f.half[4*w]
	for q := range done {
		u0, u1, u2, u3, u4 := in[q], in[q+apart], in[q+2*apart], in[q+3*apart], in[q+4*apart]
		out[q] = u0 + u1 + u2 + u3 + u4
		out[q+done] = (u0 + u1*e1 + u2*e2 + u3*e3 + u4*e4) * t1
		out[q+2*done] = (u0 + u1*e2 + u2*e4 + u3*e1 + u4*e3) * t2
		out[q+3*done] = (u0 + u1*e3 + u2*e1 + u3*e4 + u4*e2) * t3
		out[q+4*done] = (u0 + u1*e4 + u2*e3 + u3*e2 + u4*e1) * t4
	}
}
