package main

import (
	"bytes"
	"context"
	"os/exec"
	"testing"

	"leadsman/speech"
)

// The service's voice, where espeak-ng is installed: slowly is slower, and a text cannot become an option.
func TestServiceVoice(t *testing.T) {
	say := serviceVoice()
	if _, err := exec.LookPath("espeak-ng"); err != nil {
		if say != nil {
			t.Fatal("a voice without a program")
		}
		return
	}
	seconds := func(text string, slow bool) float64 {
		t.Helper()
		wav, err := say(context.Background(), text, slow)
		if err != nil {
			t.Fatal(err)
		}
		pcm, _, err := speech.ReadWAV(bytes.NewReader(wav))
		if err != nil {
			t.Fatal(err)
		}
		return float64(len(pcm)) / speech.Rate
	}
	usual, slow := seconds("3. 2. 4", false), seconds("3. 2. 4", true)
	if usual < 1 || slow <= usual || slow > 6 {
		t.Errorf("three numbers take %.1f s, slowly %.1f s", usual, slow)
	}
	if n := seconds("--version", false); n < 0.3 {
		t.Errorf("%.1f s of sound", n)
	}
}
