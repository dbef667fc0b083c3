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
		q = complex(real(q), -imag(q))
		even, odd := (p+q)/2, (p-q)*complex(0, -0.5)
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
		for p := 0; p < m; p++ {
			for q := 0; q < done; q++ {
				in := q + done*p
				switch r {
				case 2:
					u, v := src[in], src[in+done*m]
					o := q + done*2*p
					dst[o] = u + v
					dst[o+done] = (u - v) * f.half[p*done%n]
				case 4:
					u0, u1, u2, u3 := src[in], src[in+done*m], src[in+2*done*m], src[in+3*done*m]
					s02, d02, s13, d13 := u0+u2, u0-u2, u1+u3, u1-u3
					j := complex(imag(d13), -real(d13)) // -i * d13
					o, w := q+done*4*p, p*done
					dst[o] = s02 + s13
					dst[o+done] = (d02 + j) * f.half[w%n]
					dst[o+2*done] = (s02 - s13) * f.half[2*w%n]
					dst[o+3*done] = (d02 - j) * f.half[3*w%n]
				default:
					for k := 0; k < r; k++ {
						var sum complex64
						for l := 0; l < r; l++ {
							sum += src[in+l*done*m] * f.half[k*l*(n/r)%n]
						}
						dst[q+done*(r*p+k)] = sum * f.half[k*p*done%n]
					}
				}
			}
		}
		done *= r
		src, dst = dst, src
	}
	return src
}
