package ctc

import "leadsman/speech"

// score runs the network over r.in and leaves the log-probabilities in r.out.
func (r *recognizer) score(steps int) error {
	r.e.turns <- struct{}{}
	defer func() { <-r.e.turns }()
	return r.voiced(r.e.net, 0, r.hidden, steps)
}

// voiced runs the k-th network over r.in and leaves the log-probabilities in r.out, those of the voice if there is one, and in hidden, unless it is
// empty, what goes into the last layer.
func (r *recognizer) voiced(net *network, k int, hidden []float32, steps int) error {
	if len(hidden) == 0 {
		return net.run(r.out, nil, r.in, steps)
	}
	err := net.run(r.out, hidden, r.in, steps)
	if err == nil && r.voice != nil {
		r.voice[k].apply(r.out[:steps/2*net.symbols], hidden[:steps/2*net.width])
	}
	return err
}

// mels is the front end over a whole recording: one frame for each 10 ms, as a recognizer makes them.
func mels(pcm []int16) []float32 {
	var meter speech.Meter
	sound := make([]float32, lead, lead+len(pcm))
	n := len(pcm) / stepSamples
	for i := range n {
		meter.Step(pcm[i*stepSamples : (i+1)*stepSamples])
		sound = append(sound, meter.Samples()...)
	}
	return newMelFrontEnd().frames(nil, sound, 0, max(n-1, 0))
}

// networks are those that a call is heard by in the end.
func (e *Engine) networks() []*network {
	if e.second == nil {
		return []*network{e.net}
	}
	return []*network{e.net, e.second}
}

// listen runs the networks over a recording of at most maxWindow steps as a recognizer would that hears it as one call, and returns the
// number of its frames and what each makes of them.
func (e *Engine) listen(pcm []int16) (frames int, of []output, err error) {
	window := mels(pcm)
	n := min(len(window)/melBands, maxWindow-tailPad) &^ 1
	window = window[:n*melBands]
	steps := n + padding(n)
	in := make([]float32, melBands*steps)
	scaleMel(in, window, min(max(bestPeak-peak(window), -1), 3), 0, steps-n)
	for _, net := range e.networks() {
		o := output{make([]float32, steps/2*net.symbols), make([]float32, steps/2*net.width)}
		e.turns <- struct{}{} // the microphones of others want the network too
		err := net.run(o.logp, o.hidden, in, steps)
		<-e.turns
		if err != nil {
			return 0, nil, err
		}
		of = append(of, output{o.logp[:n/2*net.symbols], o.hidden[:n/2*net.width]})
	}
	return n / 2, of, nil
}
