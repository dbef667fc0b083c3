"""CMU AN4's training half is at hand as cepstra only (Sphinx: 13 values a 10 ms, 40 mel filters 130-6800 Hz, 512-point FFT,
pre-emphasis 0.97). This turns them back into smoothed log-mel pictures in the model's own scale.

    python cepstra.py --data DIR --packs PACKS --aligner MODEL.onnx --out PACKS

Pitch and fine detail are gone, so in training they are a small share, and other speech is smoothed likewise now and then.
Levels are set band by band to the mean and deviation of the readers' pack. Writes an4.npz: mel (float16, frames x 80,
log10 power), at, n, labels, lens.
"""
import argparse
import pathlib

import numpy as np

import align
import frontend
import split
from prepare import load_packs, tokens


def read(path):
    count = np.fromfile(path, ">i4", 1)[0]
    return np.fromfile(path, ">f4", offset=4)[:count].reshape(-1, 13)


def logmel(c):
    """[T, 13] cepstra to [T, 80] log10 band powers, up to a gain for each band."""
    j = np.arange(40)
    basis = np.cos(np.pi * np.arange(13)[:, None] * (j + .5) / 40) * np.where(np.arange(13) == 0, 1, 2)[:, None]
    m = c @ basis / np.log(10)
    to_mel = lambda f: 2595 * np.log10(1 + f / 700)
    hz = 700 * (10 ** (np.linspace(to_mel(130), to_mel(6800), 42)[1:-1] / 2595) - 1)
    centre = (frontend.FILTERS * np.linspace(0, 8000, 201)).sum(1) / frontend.FILTERS.sum(1)
    return np.stack([np.interp(centre, hz, row) for row in m])


class Cepstra:
    """The clips of an4.npz: mel(i) gives log10 band powers [T, 80], levelled."""

    def __init__(self, path):
        z = np.load(path)
        self.c, self.at, self.n, self.gain, self.shift = z["c"], z["at"], z["n"], z["gain"], z["shift"]
        self.words, self.speakers = [str(w).split() for w in z["words"]], [str(s) for s in z["speakers"]]
        ends = np.cumsum(z["lens"])
        self.labels = [z["labels"][e - k:e] for e, k in zip(ends, z["lens"])]

    def mel(self, i):
        return logmel(self.c[self.at[i]:self.at[i] + self.n[i]].astype(np.float32)) * self.gain + self.shift


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--data", required=True, type=pathlib.Path)
    ap.add_argument("--packs", required=True)
    ap.add_argument("--aligner", required=True)
    ap.add_argument("--out", required=True, type=pathlib.Path)
    a = ap.parse_args()
    sound, clips = load_packs(a.packs, ("real",))

    def speech(m):
        return m[m.mean(1) > np.percentile(m.mean(1), 30)]
    ref = np.concatenate([speech(frontend.logmel(sound[c["at"]:c["at"] + c["n"]] / 32768).T * 4 - 4)
                          for c in clips if c["source"] == "readers"][:300])
    rows = [r for r in split.rows(a.data / "train/manifest-an4-mfc.tsv") if split.role("speaker", r["speaker"]) in ("train", "dev")]
    cs = [read(a.data / "train" / r["path"]) for r in rows]
    loud = np.concatenate([speech(logmel(c)) for c in cs])
    gain = ref.std(0) / loud.std(0)
    shift = ref.mean(0) - loud.mean(0) * gain
    al = align.Aligner(a.aligner)
    keep, labels, scores = [], [], []
    for k, (r, c) in enumerate(zip(rows, cs)):
        m = logmel(c) * gain + shift
        x = ((np.maximum(m, m.max() - 8) + 4) / 4).astype(np.float32).T
        got = align.align(al.net.run(["logp"], {"mel": x[None, :, :len(m) // 2 * 2].copy()})[0][0], tokens(r["transcript"])) \
            if len(m) < 980 else None
        scores.append(got[0] if got else -9)
        if got and (got[0] > -1 or split.role("speaker", r["speaker"]) == "dev"):
            keep.append(k)
            labels.append([p for w in got[1] for p in w])
    print(len(keep), "of", len(rows), "kept; alignment per frame, quartiles", np.percentile(scores, [5, 25, 50, 75]).round(2))
    n = [len(cs[k]) for k in keep]
    np.savez_compressed(a.out / "an4.npz", c=np.concatenate([cs[k] for k in keep]).astype(np.float16), gain=gain, shift=shift,
                        at=np.cumsum([0] + n[:-1]), n=n, labels=np.concatenate(labels), lens=[len(x) for x in labels],
                        words=[rows[k]["transcript"] for k in keep], speakers=[rows[k]["speaker"] for k in keep])


if __name__ == "__main__":
    main()
