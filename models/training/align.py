"""Forced alignment with an existing acoustic model: where words lie, and which pronunciation was used."""
import itertools

import numpy as np

from frontend import logmel
from lexicon import bare, pronunciations

FRAME = 320  # samples a model frame


class Aligner:
    def __init__(self, path, threads=1):
        import onnxruntime as ort
        so = ort.SessionOptions()
        so.intra_op_num_threads = threads
        self.net = ort.InferenceSession(str(path), so, providers=["CPUExecutionProvider"])

    def logp(self, x):
        """[T, 40]; sound longer than 8 s goes through overlapping windows."""
        mel = logmel(x)
        mel = mel[:, :mel.shape[1] // 2 * 2]
        run = lambda m: self.net.run(["logp"], {"mel": np.ascontiguousarray(m[None])})[0][0]
        n = mel.shape[1]
        if n <= 900:
            return run(mel)
        out = []
        for at in range(0, n, 600):
            a, b = max(0, at - 100), min(n, at + 700)
            lp = run(mel[:, a:b])
            out.append(lp[(at - a) // 2:(at - a) // 2 + 300])
        return np.concatenate(out)[:n // 2]


def viterbi(lp, phones):
    """Best CTC path of a phone sequence: (log-probability per frame, frame of each phone's first peak) or None."""
    ext = np.zeros(2 * len(phones) + 1, int)
    ext[1::2] = phones
    t, s = len(lp), len(ext)
    if t < len(phones):
        return None
    skip = np.zeros(s, bool)
    skip[3::2] = ext[3::2] != ext[1:-2:2]
    e = lp[:, ext]
    v = np.full(s, -1e9)
    v[:2] = e[0, :2]
    back = np.zeros((t, s), np.int8)
    for i in range(1, t):
        one = np.concatenate(([-1e9], v[:-1]))
        two = np.where(skip, np.concatenate(([-1e9, -1e9], v[:-2])), -1e9)
        c = np.stack((v, one, two))
        back[i] = c.argmax(0)
        v = c.max(0) + e[i]
    k = s - 1 if v[s - 1] > v[s - 2] else s - 2
    score = v[k] / t
    path = np.zeros(t, int)
    for i in range(t - 1, -1, -1):
        path[i] = k
        k -= int(back[i, k])
    if k not in (0, 1):
        return None
    first = [int(np.argmax(path == 2 * j + 1)) for j in range(len(phones))]
    last = [t - 1 - int(np.argmax(path[::-1] == 2 * j + 1)) for j in range(len(phones))]
    return score, first, last


def align(lp, words):
    """(score, phone ids of each word, first frame of each word, last frame of each word), over the pronunciations of
    the words: all combinations for up to three words, else the first ones; None if a word is unknown or it does not fit."""
    choices = [[bare(p) for p in pronunciations(w)] for w in words]
    if not all(choices):
        return None
    short = len(words) <= 3
    best = None
    for combo in itertools.islice(itertools.product(*choices), 24) if short else [[c[0] for c in choices]]:
        r = viterbi(lp, [p for w in combo for p in w])
        if r and (best is None or r[0] > best[0]):
            best = r[0], list(combo), r[1], r[2]
    if best is None:
        return None
    score, combo, first, last = best
    ends = np.cumsum([len(w) for w in combo])
    return score, combo, [first[e - len(w)] for e, w in zip(ends, combo)], [last[e - 1] for e in ends]


def bounds(x, first, last):
    """Sample bounds of the speech: a margin around the outer peaks, then cut where the sound has fallen by 38 dB."""
    a, b = max(0, first * FRAME - 2900), min(len(x), last * FRAME + 4600)
    n = (b - a) // 160
    if n < 4:
        return a, b
    level = 10 * np.log10(np.mean(x[a:a + n * 160].reshape(n, 160) ** 2, 1) + 1e-9)
    loud = np.flatnonzero(level > level.max() - 38)
    return a + max(0, loud[0] - 1) * 160, a + (loud[-1] + 2) * 160
