//go:build !vosk

package vosk

import (
	"errors"

	"leadsman/speech"
)

// Open says how to get a program with this engine.
func Open(Options) (*Engine, error) {
	return nil, errors.New("this program was built without the Vosk engine: run  make vosk  and use bin/leadsman-vosk")
}

var _ speech.Engine = (*Engine)(nil)
