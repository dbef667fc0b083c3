"""How far the words of control are from the numbers and from each other: a table of what each is taken for, by voice, clean and in noise.

    python confusions.py --models FIRST.onnx SECOND.onnx --noise NOISE --assets ASSETS [--data DATA] [--json FILE]

Each voice says each word alone (espeak-ng, flite, SVOX Pico and Piper's joe; with DATA also the test speakers of Speech Commands). Every word of the list is
then scored by its best path through the mean of both networks; the gap is the score of the word that was said less that of its best rival, in nats: below 0 it is
taken for the rival. pip install py-nanotts.
"""
import argparse
import collections
import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import soundfile as sf

import lexicon
import split
import synth
from evaluate import Onnx, mel_of, mix, quiet
from prepare import RATE, load

NUMBERS = "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen".split()
CONTROL = ["next", "back", "skip", "correction", "disregard", "affirm", "negative", "yes", "no", "go ahead", "stand by", "say again", "exam complete", "help", "remark",
           "tooth", "number", "all", "niner", "fife", "missing", "implant", "unerupted", "present", "bleeding", "suppuration", "pus", "plaque", "calculus", "recession",
           "margin", "minus", "overgrowth", "mobility", "furcation", "mesial", "distal", "mid", "buccal", "facial", "lingual", "palatal"]
WORDS = NUMBERS + CONTROL
NOISES = ("running_tap", "babble8_2")


class Scorer:
    """The best path of every word through log-probabilities, all words at once."""

    def __init__(self):
        chains, self.of = [], []
        for w in WORDS:
            prons = [[]]
            for part in w.split():
                prons = [p + lexicon.bare(q) for p in prons for q in lexicon.pronunciations(part)]
            for p in {tuple(p) for p in prons}:
                chains.append(p)
                self.of.append(w)
        n = max(map(len, chains)) * 2 + 1
        self.sym, self.skip, self.end = np.zeros((len(chains), n), int), np.zeros((len(chains), n), bool), np.zeros(len(chains), int)
        for i, p in enumerate(chains):
            self.sym[i, 1:2 * len(p):2] = p
            self.skip[i, 3:2 * len(p):2] = [a != b for a, b in zip(p, p[1:])]
            self.end[i] = 2 * len(p)

    def __call__(self, lp):
        v = np.full(self.sym.shape, -1e9)
        v[:, :2] = lp[0][self.sym[:, :2]]
        for row in lp[1:]:
            one = np.pad(v[:, :-1], ((0, 0), (1, 0)), constant_values=-1e9)
            two = np.where(self.skip, np.pad(v[:, :-2], ((0, 0), (2, 0)), constant_values=-1e9), -1e9)
            v = np.maximum(np.maximum(v, one), two) + row[self.sym]
        rows = np.arange(len(v))
        score = np.maximum(v[rows, self.end], v[rows, self.end - 1])
        best = {}
        for w, s in zip(self.of, score):
            best[w] = max(best.get(w, -1e9), float(s))
        return best


def pico(voice):
    return lambda text, to: subprocess.run([sys.executable, "-m", "py_nanotts", text + ".", "-o", to, "-v", voice, "--volume", "0.25"], check=True, capture_output=True)


def voices(assets):
    """name, kind, and what says a text into a file."""
    shell = lambda *cmd: lambda text, to: subprocess.run([c.format(text=text, to=to) for c in cmd], check=True, capture_output=True)
    yield "joe (American)", lambda text, to: sf.write(to, synth.piper(" ".join(synth.RESPELT_PIPER.get(w, w) for w in text.split()) + ".", assets), RATE)
    yield "slt (American)", shell("flite", "-voice", "slt", "-t", "{text}", "-o", "{to}")
    yield "pico (American)", pico("en-US")
    yield "pico (British)", pico("en-GB")
    yield "awb (Scottish)", shell("flite", "-voice", "awb", "-t", "{text}", "-o", "{to}")
    for name, kind in (("en-gb-scotland", "Scottish"), ("en-029", "Caribbean"), ("en-gb-x-rp", "British")):
        yield f"espeak ({kind})", shell("espeak-ng", "-v", name, "-w", "{to}", "{text}")


def clips(a, words):
    with tempfile.NamedTemporaryFile(suffix=".wav") as tmp:
        for name, say in voices(a.assets):
            for w in words:
                text = " ".join(synth.RESPELT.get(v, v) for v in w.split()) if "joe" not in name else w
                try:
                    say(text, tmp.name)
                    yield name, w, load(tmp.name)
                except (subprocess.CalledProcessError, OSError) as e:
                    print(name, w, e, file=sys.stderr)
                    break
    if a.data:
        for r in split.rows(a.data / "speech/manifest.tsv"):
            if r["path"].startswith("speech-commands/") and split.role("speaker", r["speaker"]) == "test" and r["transcript"] in WORDS:
                yield "real", r["transcript"], load(a.data / "speech" / r["path"])


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--models", nargs="+", required=True)
    ap.add_argument("--noise", type=pathlib.Path, required=True)
    ap.add_argument("--assets", type=pathlib.Path, required=True)
    ap.add_argument("--data", type=pathlib.Path)
    ap.add_argument("--json")
    ap.add_argument("--words", help="say only these, separated by commas; new ones join the list")
    a = ap.parse_args()
    words = a.words.split(",") if a.words else list(WORDS)
    WORDS.extend(w for w in words if w not in WORDS)
    nets, score = [Onnx(m) for m in a.models], Scorer()
    bank = [np.resize(sf.read(next(a.noise.glob(n + ".*")), dtype="float32")[0], RATE * 20) for n in NOISES]
    rng, got = np.random.default_rng(8), []
    for k, (voice, word, x) in enumerate(clips(a, words)):
        x, lo, hi = quiet(x, k)
        for cond in ("clean", "10 dB"):
            z = x if cond == "clean" else mix(x, np.roll(bank[k % 2], -int(rng.integers(0, RATE * 19))), 10, lo, hi).astype(np.float32)
            mel = mel_of(z)
            best = score(np.mean([n(mel) for n in nets], 0))
            mine = best.pop(word)
            rival = max(best, key=best.get)
            got.append((voice, word, cond, rival, round(mine - best[rival], 2)))
    if a.json:
        json.dump(got, open(a.json, "w"))
    table(got)


def table(got):
    print("| word | clips | taken for, clean | taken for, 10 dB | nearest, median gap |\n|---|---|---|---|---|")
    for w in dict.fromkeys(g[1] for g in got):
        mine = [g for g in got if g[1] == w]
        cells = []
        for cond in ("clean", "10 dB"):
            wrong = collections.Counter(g[3] for g in mine if g[2] == cond and g[4] < 0)
            cells.append(", ".join(f"{r} {n}" for r, n in wrong.most_common()) or "-")
        near = collections.Counter(g[3] for g in mine).most_common(1)[0][0]
        gap = np.median([g[4] for g in mine if g[3] == near])
        print(f"| {w} | {sum(g[2] == 'clean' for g in mine)} | {cells[0]} | {cells[1]} | {near} {gap:.1f} |")
    for cond in ("clean", "10 dB"):
        for who in sorted({g[0] for g in got}):
            rows = [g for g in got if g[0] == who and g[2] == cond]
            print(who, cond, len(rows), "wrong", sum(g[4] < 0 for g in rows))
        control = [g for g in got if g[1] in CONTROL and g[2] == cond]
        print(cond, "control word taken for a number:", sum(g[4] < 0 and g[3] in NUMBERS for g in control), "of", len(control),
              "; number taken for a control word:", sum(g[4] < 0 and g[3] in CONTROL for g in got if g[1] in NUMBERS and g[2] == cond),
              "of", sum(g[1] in NUMBERS and g[2] == cond for g in got))


if __name__ == "__main__":
    main()
