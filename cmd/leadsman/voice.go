package main

import (
	"bytes"
	"context"
	"fmt"
	"os/exec"
	"strings"
	"time"

	"leadsman/speech"
)

// Speed of the service's voice, words a minute. About 120 is advised for numbers that are written down;
// slower where something is asked.
const (
	sayRate  = "130"
	slowRate = "105"
)

// serviceVoice speaks for browsers that have no voice, with espeak-ng where that is installed: a program
// of its own, which is run and given the text. It is nil where there is none.
func serviceVoice() func(ctx context.Context, text string, slow bool) ([]byte, error) {
	path, err := exec.LookPath("espeak-ng")
	if err != nil {
		return nil
	}
	turn := make(chan bool, 2) // so many speak at once
	return func(ctx context.Context, text string, slow bool) ([]byte, error) {
		ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
		defer cancel()
		select {
		case turn <- true:
			defer func() { <-turn }()
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		rate := sayRate
		if slow {
			rate = slowRate
		}
		cmd := exec.CommandContext(ctx, path, "-v", "en", "-s", rate, "-g", "2", "--stdin", "--stdout")
		cmd.Stdin = strings.NewReader(text)
		var fault bytes.Buffer
		cmd.Stderr = &fault
		out, err := cmd.Output()
		if err != nil {
			return nil, fmt.Errorf("espeak-ng: %w: %s", err, strings.TrimSpace(fault.String()))
		}
		// It cannot know the length while it writes: the header is made anew.
		pcm, _, err := speech.ReadWAV(bytes.NewReader(out))
		if err != nil {
			return nil, fmt.Errorf("sound of espeak-ng: %w", err)
		}
		return speech.WAV(pcm), nil
	}
}
