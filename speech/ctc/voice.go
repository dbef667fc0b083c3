package ctc

import "leadsman/speech"

// score runs the network over r.in and leaves the log-probabilities in r.out.
func (r *recognizer) score(steps int) error {
	r.e.turns <- struct{}{}
	defer func() { <-r.e.turns }()
	if len(r.hidden) == 0 {
		return r.e.net.run(r.out, nil, r.in, steps)
	}
	if err := r.e.net.run(r.out, r.hidden, r.in, steps); err != nil {
		return err
	}
	if r.voice != nil {
		r.voice.logp(r.out, r.hidden[:steps/2*r.e.net.width])
	}
	return nil
}

// mels is the front end over a whole recording: one frame for each 10 ms, as a recognizer makes them.
func mels(pcm []int16) []float32 {
	m := newMelFrontEnd()
	var recent [fftSize + stepSamples]float32
	var meter speech.Meter
	frames := make([]float32, 0, len(pcm)/stepSamples*melBands)
	for at := 0; at+stepSamples <= len(pcm); at += stepSamples {
		copy(recent[:], recent[stepSamples:])
		meter.Step(pcm[at : at+stepSamples])
		copy(recent[fftSize:], meter.Samples())
		if at > 0 {
			n := len(frames)
			frames = append(frames, make([]float32, melBands)...)
			m.frame(frames[n:], recent[frameOffset:])
		}
	}
	return frames
}

// listen runs the network over a recording of at most maxWindow steps as a recognizer would that hears it as one call, and
// returns the number of its frames, their log-probabilities and, if the model gives it out, what goes into its last layer.
func (e *Engine) listen(pcm []int16) (frames int, logp, hidden []float32, err error) {
	window := mels(pcm)
	n := min(len(window)/melBands, maxWindow-tailPad) &^ 1
	window = window[:n*melBands]
	steps := n + padding(n)
	in := make([]float32, melBands*steps)
	scaleMel(in, window, min(max(bestPeak-peak(window), -1), 3), 0, steps-n)
	logp = make([]float32, steps/2*e.net.symbols)
	hidden = make([]float32, steps/2*e.net.width)
	if err := e.net.run(logp, hidden, in, steps); err != nil {
		return 0, nil, nil, err
	}
	return n / 2, logp[:n/2*e.net.symbols], hidden[:n/2*e.net.width], nil
}
