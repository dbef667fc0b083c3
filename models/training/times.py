"""When each phone is heard: adds "t" to the clips of all packs, seconds from the clip's begin for each phone, in order.

    python times.py --packs PACKS --aligner MODEL.onnx

Training cuts windows out of calls at any place; only what lies inside is then asked for. A clip in which the phones cannot be
found gets no "t" and is cut nowhere.
"""
import argparse
import json
import multiprocessing
import os
import pathlib

import numpy as np

import align
from prepare import RATE, load_packs


def some(job):
    """The times of every k-th clip of a pack."""
    packs, stem, aligner, first, step = job
    al = align.Aligner(aligner)
    pad = np.zeros(RATE // 4, np.float32)
    sound, clips = load_packs(packs, (stem,), exact=True)
    out = {}
    for i in range(first, len(clips), step):
        c = clips[i]
        x = sound[c["at"]:c["at"] + c["n"]].astype(np.float32) / 32768
        got = align.viterbi(al.logp(np.concatenate((pad, x, pad))), [p for w in c["phones"] for p in w])
        # The middle of the frames that say the phone, in time of the clip.
        out[i] = [round(.01 * (f + l + 1) - .25, 2) for f, l in zip(got[1], got[2])] if got and got[0] > -2.5 else None
    return out


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--packs", required=True, type=pathlib.Path)
    ap.add_argument("--aligner", required=True)
    ap.add_argument("--workers", type=int, default=os.cpu_count())
    a = ap.parse_args()
    stems = [p.stem for p in sorted(a.packs.glob("*.json")) if not p.stem.startswith("flite_dev")]
    with multiprocessing.Pool(a.workers) as pool:
        jobs = {stem: pool.map_async(some, [(a.packs, stem, a.aligner, k, a.workers) for k in range(a.workers)], 1) for stem in stems}
        for stem in stems:
            path = a.packs / f"{stem}.json"
            clips = json.loads(path.read_text())
            lost = 0
            for part in jobs[stem].get():
                for i, t in part.items():
                    clips[i].pop("t", None)
                    if t:
                        clips[i]["t"] = t
                    lost += not t
            path.write_text(json.dumps(clips))
            print(stem, len(clips), "clips,", lost, "without times", flush=True)


if __name__ == "__main__":
    main()
