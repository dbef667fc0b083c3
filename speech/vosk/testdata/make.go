//go:build ignore

// Make writes korean_digits.wav: Korean numbers spoken by espeak-ng, which must be installed, in
// calls of three with a second of silence around each.
//
//	go run speech/vosk/testdata/make.go
package main

import (
	"bytes"
	"log"
	"os"
	"os/exec"

	"leadsman/speech"
)

func main() {
	silence := make([]int16, speech.Rate)
	sound := silence
	for _, call := range []string{"이 사 오", "넷 이 아홉", "사 이 아홉"} {
		wav, err := exec.Command("espeak-ng", "-v", "ko+f2", "-s", "110", "--stdout", call).Output()
		if err != nil {
			log.Fatalf("espeak-ng: %v", err)
		}
		pcm, _, err := speech.ReadWAV(bytes.NewReader(wav))
		if err != nil {
			log.Fatal(err)
		}
		sound = append(append(sound, pcm...), silence...)
	}
	if err := os.WriteFile("speech/vosk/testdata/korean_digits.wav", speech.WAV(sound), 0o644); err != nil {
		log.Fatal(err)
	}
}
