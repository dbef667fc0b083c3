"""Sounds what kokorojobs.py drew, as the pack PACKS/NAME with the times of its phones (see times.py); many of these can run side by side.

    python kokorosay.py JOBS.npz --model kokoro.onnx --out PACKS --name NAME [--from A --to B] --aligner FIRST.onnx --judge SECOND.onnx

kokoro.onnx is the four parts of the model joined (assets.txt).
"""
import argparse
import json
import pathlib
import time

import numpy as np
from scipy.signal import resample_poly

import align
import times
from prepare import Pack, RATE
from synth import edges


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("jobs")
    ap.add_argument("--model", required=True)
    ap.add_argument("--out", type=pathlib.Path, required=True)
    ap.add_argument("--name", required=True)
    ap.add_argument("--from", dest="a", type=int, default=0)
    ap.add_argument("--to", dest="b", type=int, default=1 << 30)
    ap.add_argument("--aligner", required=True)
    ap.add_argument("--judge", required=True)
    a = ap.parse_args()
    import onnxruntime as ort
    so = ort.SessionOptions()
    so.intra_op_num_threads = so.inter_op_num_threads = 1
    net = ort.InferenceSession(a.model, so, providers=["CPUExecutionProvider"])
    z = np.load(a.jobs)
    meta = json.loads(z["meta"].tobytes())
    at = np.append(0, np.cumsum(z["lens"].astype(int)))
    pack, t0 = Pack(), time.time()
    styles, speeds, ids = z["styles"].astype(np.float32), z["speeds"], z["ids"].astype(np.int64)
    for i in range(a.a, min(a.b, len(meta))):
        words, phones, speaker = meta[i]
        x = net.run(None, {"tokens": np.array([[0, *ids[at[i]:at[i + 1]], 0]]), "style": styles[i][None], "speed": speeds[i:i + 1]})[0].ravel()
        x = resample_poly(x, 2, 3).astype(np.float32)
        if len(x) > 9 * RATE:
            continue
        lo, hi = edges(x)
        pack.add(x, words, phones, speaker, "kokoro", lo, hi)
    al, judge, pad = align.Aligner(a.aligner), align.Aligner(a.judge), np.zeros(RATE // 4, np.float32)
    for c, x in zip(pack.clips, pack.sound[::2]):
        x = np.concatenate((pad, x, pad))
        lp = al.logp(x)
        got = align.viterbi(lp, [p for w in c["phones"] for p in w])
        if got and got[0] > -2.5:
            c["t"] = [round(.01 * (f + l + 1) - .25, 2) for f, l in zip(got[1], got[2])]
        c["bad"], lost = times.faults(c, lp, judge, x)
        if lost:
            c["swallowed"] = lost
    pack.save(a.out, a.name)
    print(a.name, f"{time.time() - t0:.0f} s", sum(c["bad"] for c in pack.clips), "garbled,", sum("swallowed" in c for c in pack.clips), "with swallowed words", flush=True)


if __name__ == "__main__":
    main()
