//go:build cgo

package ctc

import (
	"errors"
	"testing"
)

// A model that is closed while a microphone still listens to its last words ends that with an error, not with a fault in the runtime's memory.
func TestClosedWhileListening(t *testing.T) {
	pcm, _ := excerpt(load(t, "page-joe"), 0, 1)
	e := openEngine(t)
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetNet(callNet()); err != nil {
		t.Fatal(err)
	}
	heard := make(chan error)
	go func() {
		for {
			if _, err := r.Accept(pcm); err != nil {
				heard <- err
				return
			}
		}
	}()
	if err := errors.Join(e.Close(), e.Close()); err != nil {
		t.Error(err)
	}
	if err := <-heard; !errors.Is(err, errClosed) {
		t.Error(err)
	}
}
