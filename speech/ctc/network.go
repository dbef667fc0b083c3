//go:build cgo

package ctc

import (
	"errors"
	"fmt"
	"math"
	"sync"

	ort "github.com/yalue/onnxruntime_go"
)

// network is the acoustic model in ONNX Runtime. run may be called from any goroutine.
type network struct {
	session *ort.DynamicAdvancedSession
	symbols int
	width   int // of the input of its last layer; 0: it does not give that out

	// A microphone may still listen to its last words when the service ends: close waits for a run, and what comes later is refused.
	mu     sync.RWMutex
	closed bool
}

// hiddenName is the second output that a model may have: what goes into its last, linear layer.
const hiddenName = "hidden"

// The runtime's environment belongs to the process: it is made once, from the library first used,
// and stays.
var (
	runtimeOnce sync.Once
	runtimeErr  error
)

func newNetwork(lib, path string, model []byte, symbols int) (*network, error) {
	runtimeOnce.Do(func() {
		ort.SetSharedLibraryPath(lib)
		runtimeErr = ort.InitializeEnvironment(ort.WithLogLevelFatal())
	})
	if runtimeErr != nil {
		return nil, fmt.Errorf("load %s: %w: use the %s of the release that this program was built with", lib, runtimeErr, libraryFile)
	}
	foreign := func(what string, args ...any) error {
		return fmt.Errorf("%s is not an acoustic model for this program: %s; put back the file that came with it", path, fmt.Sprintf(what, args...))
	}
	ins, outs, err := ort.GetInputOutputInfoWithONNXData(model)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read as an ONNX model (%d bytes; truncated or damaged?): %w; put back the file that came with the program", path, len(model), err)
	}
	n := &network{symbols: symbols}
	names, err := n.shaped(ins, outs)
	if err != nil {
		return nil, foreign("%v", err)
	}
	so, err := ort.NewSessionOptions()
	if err != nil {
		return nil, err
	}
	defer so.Destroy()
	// A chair's share is a few milliseconds now and then: threads of the runtime's own would cost
	// more than they give, and chairs run beside each other anyway.
	if err := so.SetIntraOpNumThreads(1); err != nil {
		return nil, err
	}
	if err := so.SetInterOpNumThreads(1); err != nil {
		return nil, err
	}
	n.session, err = ort.NewDynamicAdvancedSessionWithONNXData(model, []string{ins[0].Name}, names, so)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be loaded: %w; put back the file that came with the program", path, err)
	}
	// The longest window must be accepted and give log-probabilities.
	in := make([]float32, melBands*maxWindow)
	out := make([]float32, maxWindow/2*symbols)
	if err := n.run(out, nil, in, maxWindow); err != nil {
		n.close()
		return nil, foreign("it does not take %d frames: %v", maxWindow, err)
	}
	var sum float64
	for _, v := range out[:symbols] {
		sum += math.Exp(float64(v))
	}
	if math.Abs(sum-1) > 0.01 {
		n.close()
		return nil, foreign("its output is no log-probability (sums to %.3g)", sum)
	}
	return n, nil
}

// shaped checks the inputs and outputs of a model and gives the names of those that are asked for.
func (n *network) shaped(ins, outs []ort.InputOutputInfo) (names []string, err error) {
	if len(ins) != 1 || len(outs) < 1 {
		return nil, fmt.Errorf("it has %d inputs and %d outputs, wanted 1 and at least 1", len(ins), len(outs))
	}
	if d := ins[0].Dimensions; len(d) != 3 || d[1] != melBands {
		return nil, fmt.Errorf("input %s has shape %v, wanted [1 %d frames]", ins[0].Name, d, melBands)
	}
	if d := outs[0].Dimensions; len(d) != 3 || d[2] != int64(n.symbols) {
		return nil, fmt.Errorf("output %s has shape %v, wanted [1 frames %d] for the phones in %s", outs[0].Name, d, n.symbols, phonesFile)
	}
	names = []string{outs[0].Name}
	for _, o := range outs[1:] {
		if d := o.Dimensions; o.Name == hiddenName && len(d) == 3 && d[2] > 0 {
			n.width = int(d[2])
			names = append(names, o.Name)
		}
	}
	return names, nil
}

// run computes the log-probabilities out, [frames/2, symbols], of mel, [melBands, frames], and what goes into the last
// layer, hidden, [frames/2, width], if it is not nil. frames is even.
func (n *network) run(out, hidden, mel []float32, frames int) error {
	n.mu.RLock()
	defer n.mu.RUnlock()
	if n.closed {
		return errClosed
	}
	in, err := ort.NewTensor(ort.NewShape(1, melBands, int64(frames)), mel[:melBands*frames])
	if err != nil {
		return err
	}
	defer in.Destroy()
	half := int64(frames / 2)
	res, err := ort.NewTensor(ort.NewShape(1, half, int64(n.symbols)), out[:frames/2*n.symbols])
	if err != nil {
		return err
	}
	defer res.Destroy()
	outs := []ort.Value{res}
	if n.width > 0 {
		outs = append(outs, nil) // left to the runtime, unless it is wanted
		if hidden != nil {
			h, err := ort.NewTensor(ort.NewShape(1, half, int64(n.width)), hidden[:frames/2*n.width])
			if err != nil {
				return err
			}
			outs[1] = h
		}
	}
	err = n.session.Run([]ort.Value{in}, outs)
	if len(outs) > 1 && outs[1] != nil {
		err = errors.Join(err, outs[1].Destroy())
	}
	return err
}

func (n *network) close() error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.closed {
		return nil
	}
	n.closed = true
	return n.session.Destroy()
}
