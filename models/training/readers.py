"""Untranscribed readers as a pack, with the phones that an earlier model of ours hears in long windows.

    python readers.py --data DIR --model MODEL.onnx --out PACKS

So the short windows of training learn what the long ones know. Pieces of 1-7 s between pauses; those of which the model is not
sure (mean probability of the phones under 0.8) are left out.
"""
import argparse
import multiprocessing
import os
import pathlib

import numpy as np

import align
import split
from prepare import RATE, Pack, load


def pieces(lp):
    """(first frame, last frame, phones) of runs between pauses of 0.2 s or more."""
    best = lp.argmax(1)
    heard = [(i, int(s)) for i, s in enumerate(best) if s and (i == 0 or best[i - 1] != s)]
    run = []
    for k, (i, s) in enumerate(heard):
        if run and (i - run[-1][0] > 10 and i - run[0][0] > 75 or i - run[0][0] > 320):
            yield run[0][0], run[-1][0], [s for _, s in run]
            run = []
        run.append((i, s))
    if run:
        yield run[0][0], run[-1][0], [s for _, s in run]


def one(job):
    path, model = job
    x = load(path)
    lp = align.Aligner(model).logp(x)
    out = []
    for a, b, phones in pieces(lp):
        part = lp[a:b + 1]
        sure = np.exp(part.max(1))[part.argmax(1) != 0].mean()
        if sure > .8 and len(phones) > 3 and b - a < 350:
            out.append((x[max(0, a * 320 - 1600):b * 320 + 2560], phones))
    return out


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--data", required=True, type=pathlib.Path)
    ap.add_argument("--model", required=True)
    ap.add_argument("--out", required=True, type=pathlib.Path)
    ap.add_argument("--workers", type=int, default=os.cpu_count())
    a = ap.parse_args()
    names = [p for p in sorted((a.data / "train/untranscribed-tc100").iterdir())
             if split.role("speaker", "ls-" + p.name.split("-")[0]) == "train"]
    pack = Pack()
    with multiprocessing.Pool(a.workers) as pool:
        for path, got in zip(names, pool.imap(one, [(p, a.model) for p in names], 4)):
            for x, phones in got:
                pack.add(x, ["?"], [phones], "ls-" + path.name.split("-")[0], "readers")
    pack.save(a.out, "real-readers")


if __name__ == "__main__":
    main()
