"""Measures models on voices that no training heard: digits, strings and calls, clean, in a telephone's band and in noise, for a machine with a GPU.

    python choose.py --packs KEPT [--strangers FOLDER [--every N]] --noise NOISE [--items FILE] FIRST[+SECOND] ...   (.npz or .onnx)

KEPT holds packs of the kept Kokoro voices (kokorojobs.py --kept; named kept-) and of flite's slt (synth.py flite_dev); --strangers is the folder of strangers.py.

Two names joined by + are heard as the engine does: the mean of their log-probabilities. Prints the share of clips of which every word is right, by set
and condition, and (with --json) writes the figures and what was heard.
"""
import argparse
import json
import multiprocessing
import pathlib
import pickle
import time

import numpy as np
import soundfile as sf
from scipy.signal import butter, sosfilt

import decode
import noise
import split
import strangers
from evaluate import Onnx, Torch, graph, mel_of, mix, quiet
from prepare import RATE, load_packs
from texts import DIGITS


def one(job):
    key, lp = job
    got, score = decode.decode(graph(key), lp)
    free = lp.max(1)
    return got, float((free.sum() - score) / max(1, (lp.argmax(1) != 0).sum())), score


ITEMS = []


def through(job):
    """What the network at a path gives for every step-th item."""
    path, first, step = job
    if path.endswith(".onnx"):
        net = Onnx(path)
    else:
        import torch
        torch.set_num_threads(1)
        net = Torch(path)
    return [net(i[5]).astype(np.float16) for i in ITEMS[first::step]]


def build(a):
    """(voice, source, condition, grammar, words, mel) of every clip, as often as there are conditions."""
    bank = {k: f(np.random.default_rng([5, i]), RATE * 20) for i, (k, f) in enumerate(noise.KINDS.items())}
    sound, clips = load_packs(a.packs, ("kept", "flite_dev"))
    clips = [("kept" if c["source"] == "kokoro" else "slt", c["speaker"], c["words"], sound[c["at"]:c["at"] + c["n"]].astype(np.float32) / 32768)
             for c in clips if not c.get("bad")]
    clips += [("strange", *c) for c in list(strangers.read(a.strangers))[::a.every]] if a.strangers else []
    for p in sorted(p for p in pathlib.Path(a.noise).iterdir() if p.suffix in (".flac", ".ogg")):
        if split.role("noise", p.stem) == "test" and p.stem.startswith(("babble", "running")):
            bank[p.stem] = np.resize(sf.read(p, dtype="float32")[0], RATE * 20)
    names = sorted(bank)
    low = butter(6, [250, 3400], "band", fs=RATE, output="sos")
    rng = np.random.default_rng(9)
    items = []
    for k, (source, voice, words, x) in enumerate(clips):
        x, lo, hi = quiet(x, k)
        key = key_of(words)
        if key == "calls" and not graph("calls").accepts(words):
            continue
        y = np.roll(bank[names[k % len(names)]], -int(rng.integers(0, RATE * 19)))
        loud = mix(x, y, 10, lo, hi)
        for cond, z in (("clean", x), ("telephone", sosfilt(low, x)), ("telephone 10 dB", sosfilt(low, loud)), ("10 dB", loud), ("5 dB", mix(x, y, 5, lo, hi))):
            items.append((voice, source, cond, key, words, mel_of(z.astype(np.float32))))
    return items


def key_of(words):
    return (1, 6) if all(w in DIGITS for w in words) and len(words) <= 6 else "calls"


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("models", nargs="*")
    ap.add_argument("--items", help="where the spoilt sound is kept")
    ap.add_argument("--packs", required=True)
    ap.add_argument("--strangers", type=pathlib.Path)
    ap.add_argument("--every", type=int, default=1, help="of the strangers' clips one of so many")
    ap.add_argument("--noise", required=True)
    ap.add_argument("--json")
    ap.add_argument("--workers", type=int, default=12)
    a = ap.parse_args()
    global ITEMS
    if a.items and pathlib.Path(a.items).exists():
        ITEMS = pickle.load(open(a.items, "rb"))
    else:
        ITEMS = build(a)
        if a.items:
            pickle.dump(ITEMS, open(a.items + ".new", "wb"))
            pathlib.Path(a.items + ".new").rename(a.items)
    items = ITEMS
    print(len(items), "items", flush=True)
    if not a.models:
        return
    for key in {i[3] for i in items}:
        graph(key)
    parts = sorted({m for p in a.models for m in p.split("+")})
    t0 = time.time()
    pool = multiprocessing.get_context("fork").Pool(a.workers)
    lps, step = {m: [None] * len(items) for m in parts}, 4
    jobs = [(m, k, step) for m in parts for k in range(step)]
    with multiprocessing.get_context("fork").Pool(a.workers) as nets:
        for (m, k, _), got in zip(jobs, nets.imap(through, jobs)):
            lps[m][k::step] = got
    print("nets", f"{time.time() - t0:.0f} s", flush=True)
    table, heard = {}, {}
    for combo in a.models:
        both = combo.split("+")
        jobs = [(i[3], np.mean([lps[m][k] for m in both], 0, dtype=np.float32)) for k, i in enumerate(items)]
        got = pool.map(one, jobs, chunksize=16)
        heard[combo] = [(i[0], i[1], i[2], " ".join(i[4]), " ".join(g[0] or []), round(g[1], 3)) for i, g in zip(items, got)]
        row = {}
        for s, src, cond, w, g, cost in heard[combo]:
            d = row.setdefault((src, cond), [0, 0, 0])
            d[0] += 1
            d[1] += w == g
            d[2] += w == g and cost < .7
        table[combo] = row
    keys = sorted(next(iter(table.values())))
    print("\t".join(["model", *(" ".join(k) for k in keys), "mean", "all accepted"]))
    print("\t".join(["n", *(str(table[a.models[0]][k][0]) for k in keys)]))
    for m, row in table.items():
        print("\t".join(["+".join(pathlib.Path(x).stem for x in m.split("+")), *(f"{100 * row[k][1] / row[k][0]:.1f}" for k in keys),
                         f"{np.mean([100 * row[k][1] / row[k][0] for k in keys]):.2f}", f"{np.mean([100 * row[k][2] / row[k][0] for k in keys]):.2f}"]), flush=True)
    if a.json:
        json.dump(heard, open(a.json, "w"))


if __name__ == "__main__":
    main()
