#!/bin/bash
# Makes digits/own-voice.flac and .tsv: words that the tool says itself, in the voice with which the service
# speaks (espeak-ng 1.51, as in cmd/leadsman/voice.go). Needs espeak-ng and sox.
set -euo pipefail
cd "$(dirname "$0")/digits"
words="zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen
bleeding suppuration plaque calculus no margin minus mobility furcation buccal lingual tooth missing implant next place
disregarded standing by listening exam complete sites not probed doubts say the value first present is refused saved"
dir=$(mktemp -d)
trap 'rm -r "$dir"' EXIT
printf 'words\tspeaker\tstart\tend\n' >own-voice.tsv
at=0 files=()
for w in $words; do
	f=$dir/$w.wav
	espeak-ng -v en -s 130 --stdout "$w" | sox -D -t wav - -r 16000 -b 16 -c 1 "$f" silence 1 0.01 0.2% reverse silence 1 0.01 0.2% reverse
	n=$(soxi -s "$f")
	printf '%s\tespeak-ng\t%d\t%d\n' "$w" "$at" $((at + n)) >>own-voice.tsv
	at=$((at + n)) files+=("$f")
done
sox -D "${files[@]}" -C 8 own-voice.flac
