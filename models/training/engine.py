"""Development recordings through the real engine: what a model is worth in the program, windows, pauses and refusal included.

    python engine.py make --packs PACKS --out DIR              joins development clips to recordings with their truth
    python engine.py run --recordings DIR --program leadsman [--library FILE] MODELDIR ...

A recording is many calls with pauses of 0.6-1.15 s over a low noise floor, or over noise made with seeds that training does not
draw. run hands each to "leadsman hear --json" and counts the calls whose words are all right; lost: nothing was heard;
false: calls heard where nobody spoke, or in words that are no calls. Only development speakers are used, so this may choose.
"""
import argparse
import concurrent.futures
import json
import pathlib
import subprocess

import numpy as np
import soundfile as sf

import noise
from prepare import RATE, load_packs
from texts import DIGITS


def levelled(x, a, b, db):
    power = np.mean(x[a:b] ** 2) + 1e-9
    return x * min(10 ** (db / 20) / np.sqrt(power), 0.7 / (np.abs(x).max() + 1e-6))


def faded(x, n=192):
    x = x.copy()
    x[:n] *= np.linspace(0, 1, n)
    x[-n:] *= np.linspace(1, 0, n)
    return x


class Tape:
    def __init__(self, rng):
        self.rng, self.parts, self.n, self.calls = rng, [np.zeros(int(.8 * RATE))], int(.8 * RATE), []

    def add(self, x, words, a, b):
        """A call whose speech lies at samples a to b of x; words is empty where nothing may be heard."""
        self.calls.append(dict(start=(self.n + a) / RATE, end=(self.n + b) / RATE, words=" ".join(words)))
        pause = np.zeros(int(self.rng.uniform(.6, 1.15) * RATE))
        self.parts += [x, pause]
        self.n += len(x) + len(pause)

    def write(self, out, name, snr=None):
        x = np.concatenate([*self.parts, np.zeros(RATE)])
        white = self.rng.standard_normal(len(x))
        x = x + white * 10 ** (-74 / 20)
        if snr is not None:
            kinds = list(noise.KINDS.values())
            y = np.concatenate([kinds[k % len(kinds)](np.random.default_rng([6, k]), RATE * 20) for k in range(len(x) // (RATE * 20) + 1)])
            x = x + y[:len(x)] * 10 ** ((-27 - snr) / 20)
        sf.write(out / f"{name}.wav", np.clip(x, -.99, .99), RATE, subtype="PCM_16")
        json.dump(self.calls, open(out / f"{name}.json", "w"))
        print(name, len(self.calls), "calls,", round(len(x) / RATE), "s", flush=True)


def make(a):
    a.out.mkdir(parents=True, exist_ok=True)
    sound, clips = load_packs(a.packs, ("dev",))
    for c in clips:
        c["x"] = sound[c["at"]:c["at"] + c["n"]].astype(np.float32) / 32768
    single = [c for c in clips if len(c["words"]) == 1 and c["words"][0] in DIGITS]
    crowd = [c for c in single if c["source"] == "speech-commands"]
    lucas = [c for c in single if c["source"] == "fsdd"]
    foreign = [c for c in clips if c["source"] == "speech-commands" and c["words"][0] in ("up", "down", "on", "off", "stop", "go")]

    def cut(c, rng, db):
        """The clip whole, with its own room, or close to the word."""
        lo, hi = (0, c["n"]) if rng.random() < .5 else (max(0, c["a"] - int(.07 * RATE)), min(c["n"], c["b"] + int(.05 * RATE)))
        x = levelled(c["x"], c["a"], max(c["b"], c["a"] + 800), db)
        return faded(x[lo:hi]), c["a"] - lo, c["b"] - lo

    def alone(pool, rng, name, words=True, snr=None):
        tape = Tape(rng)
        for c in pool:
            x, lo, hi = cut(c, rng, rng.uniform(-32, -23))
            tape.add(x, c["words"] if words else [], lo, hi)
        tape.write(a.out, name, snr)

    def triples(pool, rng, name, count, snr=None):
        by = {}
        for c in pool:
            by.setdefault(c["speaker"], []).append(c)
        rich = [v for v in by.values() if len(v) >= 3]
        tape = Tape(rng)
        for k in range(count):
            of = rich[rng.integers(0, len(rich))] if k % 2 else pool
            db = rng.uniform(-30, -24)
            parts, words, ends = [], [], []
            for i in rng.choice(len(of), 3, replace=False):
                c = of[i]
                lo, hi = max(0, c["a"] - int(.07 * RATE)), min(c["n"], c["b"] + int(.05 * RATE))
                parts += [faded(levelled(c["x"], c["a"], max(c["b"], c["a"] + 800), db)[lo:hi]),
                          np.zeros(int((rng.uniform(0, .05) if rng.random() < .6 else rng.uniform(.05, .4)) * RATE))]
                words += c["words"]
            x = np.concatenate(parts[:-1])
            tape.add(x, words, 1120, len(x) - 800)
        tape.write(a.out, name, snr)

    some = lambda seed, pool, n: [pool[i] for i in np.random.default_rng(seed).permutation(len(pool))[:n]]
    r = lambda k: np.random.default_rng([9, k])
    alone(some(1, crowd, 150), r(1), "lone-crowd")
    alone(some(1, crowd, 150), r(2), "lone-crowd-20dB", snr=20)
    alone(some(1, crowd, 150), r(3), "lone-crowd-10dB", snr=10)
    alone(some(2, lucas, 100), r(4), "lone-lucas")
    alone(some(3, crowd, 150), r(11), "lone-crowd-again")
    for k in range(3):
        triples(crowd, r(20 + k), f"triples-crowd-{k}", 56)
    triples(crowd, r(6), "triples-crowd-15dB", 56, snr=15)
    triples(lucas, r(7), "triples-lucas", 56)
    alone(foreign, r(8), "foreign", words=False)
    def calls(pack, seed, name, most, snr=None):
        """The calls of a voice that heard no training, as they were spoken; words that alone are no call are left out."""
        sound, clips = load_packs(a.packs, (pack,))
        tape = Tape(r(seed))
        for c in clips[:most]:
            x = sound[c["at"]:c["at"] + c["n"]].astype(np.float32) / 32768
            if (len(c["words"]) > 1 or c["words"][0] in DIGITS) and not c.get("bad"):
                tape.add(faded(levelled(x, c["a"], c["b"], tape.rng.uniform(-30, -24))), c["words"], c["a"], c["b"])
        tape.write(a.out, name, snr)

    calls("flite_dev", 9, "calls-slt", 110)
    calls("kokoro_dev", 12, "calls-kept", 216)
    calls("kokoro_dev", 13, "calls-kept-10dB", 216, snr=10)
    tape = Tape(r(10))
    for k in range(36):
        kinds = list(noise.KINDS.values())
        y = kinds[k % 6](np.random.default_rng([6, 100 + k]), int(tape.rng.uniform(.5, 4) * RATE))
        tape.add(faded(y * 10 ** (tape.rng.uniform(-50, -25) / 20)), [], 0, len(y))
    tape.write(a.out, "noise")


def hear(a, model, name):
    cmd = [a.program, "hear", "--json", "--model", str(model), str(a.recordings / f"{name}.wav")]
    if a.library:
        cmd += ["--library", a.library]
    heard = json.loads(subprocess.run(cmd, check=True, capture_output=True).stdout)["calls"] or []
    calls = json.load(open(a.recordings / f"{name}.json"))
    out, used = dict(calls=0, right=0, lost=0, false=0, faults=[]), set()
    for c in calls:
        got = []
        for i, h in enumerate(heard):
            if c["start"] - .35 < h["start"] < c["end"] + .1:
                got.append(h["words"])
                used.add(i)
        text = " ".join(got)
        if not c["words"]:
            out["false"] += len(got)
            if got:
                out["faults"].append(f"{c['start']:.2f} s: heard {text!r}, nothing said")
            continue
        out["calls"] += 1
        out["right"] += text == c["words"]
        out["lost"] += not got
        if text != c["words"]:
            out["faults"].append(f"{c['start']:.2f} s: heard {text!r}, said {c['words']!r}")
    out["false"] += len(heard) - len(used)
    return out


def run(a):
    names = sorted(p.stem for p in a.recordings.glob("*.wav"))
    table = {}
    with concurrent.futures.ThreadPoolExecutor(a.workers) as pool:
        jobs = {(m, n): pool.submit(hear, a, m, n) for n in names for m in a.models}
        for key, job in jobs.items():
            table[key] = job.result()
    label = [pathlib.Path(m).name for m in a.models]
    print("\t".join(["recording", "calls"] + [f"{x}: right (lost, false)" for x in label]))
    for n in names:
        d = [table[m, n] for m in a.models]
        print("\t".join([n, str(d[0]["calls"])] + [f"{x['right']} ({x['lost']}, {x['false']})" for x in d]))
    share = lambda m: np.mean([table[m, n]["right"] / table[m, n]["calls"] for n in names if table[m, n]["calls"]])
    print("\t".join(["mean % right", ""] + [f"{100 * share(m):.2f}" for m in a.models]))
    print("\t".join(["false in all", ""] + [str(sum(table[m, n]["false"] for n in names)) for m in a.models]))
    if a.wrong:
        for m, x in zip(a.models, label):
            for n in names:
                for f in table[m, n]["faults"]:
                    print(x, n, f, sep="\t")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("what", choices=("make", "run"))
    ap.add_argument("models", nargs="*", help="model folders")
    ap.add_argument("--packs")
    ap.add_argument("--out", type=pathlib.Path)
    ap.add_argument("--recordings", type=pathlib.Path)
    ap.add_argument("--program", default="leadsman")
    ap.add_argument("--library")
    ap.add_argument("--workers", type=int, default=2)
    ap.add_argument("--wrong", action="store_true", help="list what went wrong")
    a = ap.parse_intermixed_args()
    dict(make=make, run=run)[a.what](a)


if __name__ == "__main__":
    main()
