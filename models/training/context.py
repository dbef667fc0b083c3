"""How much of a lone digit is heard as the window around it shrinks: development clips, by the phones that win in their frames.

    python context.py --packs PACKS MODEL.onnx ...

Windows begin 0.1 to 0.6 s before the speech and end 0.05 to 0.5 s behind it, over a low noise floor, brought to the engine's level,
with its 100 ms of silence behind. A digit is lost when its best frame path (blank, a digit, blank) is worse than blank alone;
right when no other digit beats it.
"""
import argparse

import numpy as np

import decode
import evaluate
import frontend
from prepare import RATE, load_packs
from texts import DIGITS

FRONT, TAIL = (.1, .3, .6), (.05, .1, .15, .25, .5)


def window(x, a, b, front, tail, rng):
    """Mel as the engine gives it (scaleMel in speech/ctc)."""
    lead = int(.8 * RATE)
    y = rng.standard_normal(len(x) + 2 * lead) * 2e-4
    y[lead:lead + len(x)] += x * (.06 / (np.sqrt(np.mean(x[a:b] ** 2)) + 1e-6))
    m = frontend.logmel(y.astype(np.float32)) * 4 - 4  # log10 power
    lo, hi = int((lead + a) / 160 - front * 100), int((lead + b) / 160 + tail * 100)
    m = m[:, max(0, lo):hi]
    floor = m.max() - 8
    m = np.pad(np.maximum(m, floor), ((0, 0), (0, 10 + m.shape[1] % 2)), constant_values=floor)
    return ((m + np.clip(1.3 - m.max(), -1, 3) + 4) / 4).astype(np.float32)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("models", nargs="+")
    ap.add_argument("--packs", required=True)
    ap.add_argument("--count", type=int, default=150)
    a = ap.parse_args()
    sound, clips = load_packs(a.packs, ("dev",))
    clips = [c for c in clips if len(c["words"]) == 1 and c["words"][0] in DIGITS]
    crowd = [c for c in clips if c["source"] == "speech-commands"]
    lucas = [c for c in clips if c["source"] == "fsdd"][::5]
    clips = (crowd + lucas)[:a.count]
    g = decode.digits(1, 1)
    print("\t".join(["front", "tail"] + [f"{m}: right % (lost %)" for m in a.models]))
    nets = [evaluate.Onnx(m) for m in a.models]
    for front in FRONT:
        for tail in TAIL:
            cells = []
            for net in nets:
                right = lost = 0
                for i, c in enumerate(clips):
                    x = sound[c["at"]:c["at"] + c["n"]].astype(np.float32) / 32768
                    lp = net(window(x, c["a"], c["b"], front, tail, np.random.default_rng(i)))
                    words, score = decode.decode(g, lp)
                    gone = score < lp[:, 0].sum()
                    lost += gone
                    right += words == c["words"] and not gone
                cells.append(f"{100 * right / len(clips):.1f} ({100 * lost / len(clips):.1f})")
            print("\t".join([str(front), str(tail)] + cells), flush=True)


if __name__ == "__main__":
    main()
