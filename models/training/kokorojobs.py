"""Draws what Kokoro voices shall say, as one file, for a machine that has many cores and no lexicon: kokorosay.py sounds it there.

    python kokorojobs.py OUT.npz --clips N [--seed S] [--kept] --assets ASSETS
"""
import argparse
import json
import pathlib

import numpy as np

import lexicon
import synth


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("out")
    ap.add_argument("--clips", type=int, required=True)
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--kept", action="store_true", help="the voices that nothing is trained on")
    ap.add_argument("--assets", type=pathlib.Path, required=True)
    a = ap.parse_args()
    rng = np.random.default_rng([a.seed, 77])
    vocab, voices = synth.kokoro_voices(a.assets)
    ids, styles, speeds, meta = [], [], [], []
    while len(ids) < a.clips:
        n = len(ids) // 6
        name = list(synth.KEPT)[n % len(synth.KEPT)] if a.kept else None
        mix, accent = synth.kokoro_voice(rng, voices, name)
        speaker = (f"kokorokept-{name}" if name else f"kokoro-n{a.seed}-{n}") + (f"-{accent.kind}" if accent else "")
        fast = rng.random() < .5
        for _ in range(6):
            text, spoken, prons = synth.kokoro_call(rng, accent, vocab)
            ids.append(text)
            styles.append(mix[min(len(text), 509)].astype(np.float16))
            speeds.append(rng.uniform(1.0, 1.6) if fast else rng.uniform(.7, 1.3))
            meta.append((spoken, [lexicon.bare(p) for p in prons], speaker))
    np.savez_compressed(a.out, ids=np.concatenate(ids).astype(np.int16), lens=np.array([len(i) for i in ids], np.int16), styles=np.array(styles),
                        speeds=np.array(speeds, np.float32), meta=np.frombuffer(json.dumps(meta).encode(), np.uint8))


if __name__ == "__main__":
    main()
