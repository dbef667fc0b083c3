"""When each phone is heard: adds "t" to the clips of all packs, seconds from the clip's begin for each phone, in order.

    python times.py --packs PACKS --aligner MODEL.onnx [--judge MODEL.onnx]

Training cuts windows out of calls at any place; only what lies inside is then asked for. A clip in which the phones cannot be
found gets no "t" and is cut nowhere. A synthetic clip that says something else gets "bad": true, and training leaves it out: synthetic voices garble
words that stand alone, a tenth of them. With --judge that model must find it too.
"""
import argparse
import json
import multiprocessing
import os
import pathlib

import numpy as np

import align
from blanked import swallowed
from prepare import RATE, load_packs

SYNTH = ("kokoro", "hibari", "espeak", "flite", "kokoro_dev", "flite_dev")


def garbled(lp, phones, accent):
    """Whether the sound says other phones than it should: it fits badly, and the best path has more or fewer of them. An accent
    may fit badly as long as every phone has one that stands for it."""
    got = align.viterbi(lp, phones)
    cost = -got[0] * len(lp) / len(phones) if got else 99
    if cost < 1.2:
        return False
    best = lp.argmax(1)
    heard = [s for i, s in enumerate(best) if s and (i == 0 or best[i - 1] != s)]
    # Phones too many and too few of the alignment with the fewest changes.
    row = [(j, j) for j in range(len(heard) + 1)]
    for i, p in enumerate(phones):
        new = [(i + 1, i + 1)]
        for j, h in enumerate(heard):
            new.append(min((row[j][0] + (p != h), row[j][1]), (row[j + 1][0] + 1, row[j + 1][1] + 1), (new[j][0] + 1, new[j][1] + 1)))
        row = new
    return not accent or cost > 5 or row[-1][1] > len(phones) // 8


def faults(c, lp, judge, x):
    """Whether a synthetic clip says something else, and the words that a model swallows though they are said."""
    phones = [p for w in c["phones"] for p in w]
    accent = not c["speaker"].split("-")[-1].isdigit()
    other = judge.logp(x) if judge else lp
    lost = [s for s in (swallowed(lp, c["phones"], x), swallowed(other, c["phones"], x)) if s]
    lost = sorted({i for s in lost for i in s})
    bad = c["source"] in SYNTH and not lost and garbled(lp, phones, accent) and garbled(other, phones, accent)
    return bool(bad), lost


def some(job):
    """The times of every k-th clip of a pack."""
    packs, stem, aligner, judge, first, step = job
    al, judge = align.Aligner(aligner), judge and align.Aligner(judge)
    pad = np.zeros(RATE // 4, np.float32)
    sound, clips = load_packs(packs, (stem,), exact=True)
    out = {}
    for i in range(first, len(clips), step):
        c = clips[i]
        x = sound[c["at"]:c["at"] + c["n"]].astype(np.float32) / 32768
        x = np.concatenate((pad, x, pad))
        lp, phones = al.logp(x), [p for w in c["phones"] for p in w]
        got = align.viterbi(lp, phones)
        # The middle of the frames that say the phone, in time of the clip.
        times = [round(.01 * (f + l + 1) - .25, 2) for f, l in zip(got[1], got[2])] if got and got[0] > -2.5 else None
        out[i] = times, *faults(c, lp, judge, x)
    return out


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--packs", required=True, type=pathlib.Path)
    ap.add_argument("--aligner", required=True)
    ap.add_argument("--judge")
    ap.add_argument("--only", default="", help="packs whose names begin so")
    ap.add_argument("--workers", type=int, default=os.cpu_count())
    a = ap.parse_args()
    stems = [p.stem for p in sorted(a.packs.glob(a.only + "*.json"))]
    with multiprocessing.Pool(a.workers) as pool:
        jobs = {stem: pool.map_async(some, [(a.packs, stem, a.aligner, a.judge, k, a.workers) for k in range(a.workers)], 1) for stem in stems}
        for stem in stems:
            path = a.packs / f"{stem}.json"
            clips = json.loads(path.read_text())
            lost = bad = 0
            for part in jobs[stem].get():
                for i, (t, b, swallowed_words) in part.items():
                    clips[i].pop("swallowed", None)
                    if swallowed_words:
                        clips[i]["swallowed"] = swallowed_words
                    clips[i].pop("t", None)
                    if t:
                        clips[i]["t"] = t
                    clips[i]["bad"] = bool(b)
                    lost += not t
                    bad += b
            path.write_text(json.dumps(clips))
            print(stem, len(clips), "clips,", lost, "without times,", bad, "garbled", flush=True)


if __name__ == "__main__":
    main()
