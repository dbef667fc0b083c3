//go:build !cgo

package ctc

import "errors"

type network struct{ symbols, width int }

func newNetwork(lib, path string, model []byte, symbols int) (*network, error) {
	return nil, errors.New("this program was built without cgo and cannot load an acoustic model: build it with CGO_ENABLED=1 and a C compiler")
}

func (n *network) run(out, hidden, mel []float32, frames int) error { panic("no network without cgo") }

func (n *network) close() error { return nil }
