"""Measure models on development or test clips: share of utterances with every word right.

    python evaluate.py dev|test --packs PACKS [--data DIR --joe DIR] --noise DIR MODEL.onnx|MODEL.npz ...

dev: packs made by prepare.py and synth.py. test: the test speakers of DATA/speech and the clips of synth.py piper.
Noise: training kinds with unseen seeds for dev, the test recordings and test seeds for test, at 20, 10 and 5 dB.
"""
import argparse
import json
import multiprocessing
import os
import pathlib
import zlib

import numpy as np

import decode
import frontend
import noise
import split
from texts import DIGITS

RATE = 16000
GRAPHS = {}
AN4 = set()
COMMANDS = "yes no up down left right on off stop go".split() + DIGITS


def graph(key):
    if key not in GRAPHS:
        if key in ("numbers", "an4"):
            GRAPHS[key] = decode.loop(sorted(set(decode.NUMBERS) | (AN4 if key == "an4" else set())))
            return GRAPHS[key]
        GRAPHS[key] = decode.calls() if key == "calls" else decode.one_of(COMMANDS) if key == "commands" else decode.digits(*key)
    return GRAPHS[key]


def mix(x, y, snr, a, b):
    """Add noise at a signal-to-noise ratio measured over the speech part."""
    y = np.resize(y, len(x))
    p = np.mean(x[a:b] ** 2)
    return x + y * np.sqrt(p / (np.mean(y ** 2) + 1e-12)) * 10 ** (-snr / 20)


def quiet(x, seed):
    """The clip between a quarter second of a low noise floor on either side, as from an open microphone."""
    rng = np.random.default_rng(seed)
    x = x * (0.5 / (np.abs(x).max() + 1e-6))
    out = rng.standard_normal(len(x) + 8000) * 1e-3 * np.sqrt(np.mean(x ** 2)) * 3
    out[4000:4000 + len(x)] += x
    return out.astype(np.float32), 4000, 4000 + len(x)


def joined(clips, rng, count, gap):
    """Triples of single-digit clips of one speaker: (sound, words, speaker); gaps drawn from gap (s), crossfaded if negative."""
    by = {}
    for c in clips:
        by.setdefault(c["speaker"], []).append(c)
    names = [s for s in sorted(by) if len(by[s]) >= 3]
    out = []
    for k in range(count):
        s = names[k % len(names)]
        cs = [by[s][i] for i in rng.choice(len(by[s]), 3, replace=False)]
        x = np.zeros(0, np.float32)
        for c in cs:
            y = c["x"][max(0, c["a"] - 640):c["b"] + 640].copy()
            y *= 0.1 / (np.sqrt(np.mean(y ** 2)) + 1e-6) * rng.uniform(.7, 1)
            y[:160] *= np.linspace(0, 1, 160)
            y[-160:] *= np.linspace(1, 0, 160)
            g = int(rng.uniform(*gap) * RATE)
            if len(x) and g < 0:
                x = np.concatenate((x[:g], x[g:] + y[:-g], y[-g:]))
            else:
                x = np.concatenate((x, np.zeros(max(g, 0) if len(x) else 0, np.float32), y))
        out.append((x, [c["words"][0] for c in cs], s))
    return out


def noises(kind, folder, rng, n):
    """A dict of noise names to n samples of unit power. Seeds below 1,000,000 are not used in training."""
    import soundfile as sf
    out = {k: f(np.random.default_rng([5 if kind == "dev" else 77, i]), n) for i, (k, f) in enumerate(noise.KINDS.items())}
    if kind == "test":
        for p in sorted(pathlib.Path(folder).glob("*.flac")):
            if split.role("noise", p.stem) == "test" and p.stem.startswith(("babble", "running", "white", "esc10_chainsaw")):
                out[p.stem] = np.resize(sf.read(p, dtype="float32")[0], n)
    return out


def build(kind, a):
    """List of (set, speaker, words, graph key, samples)."""
    rng = np.random.default_rng(3)
    items, strings, singles = [], [], []

    def add(name, speaker, words, key, x):
        items.append((name, speaker, list(words), key, x.astype(np.float32)))

    if kind == "dev":
        from prepare import load_packs
        sound, clips = load_packs(a.packs, ("dev",))
        for c in clips:
            c["x"] = sound[c["at"]:c["at"] + c["n"]].astype(np.float32) / 32768
        calls = []
        for pack in ("flite_dev", "kokoro_dev"):
            s2, more = load_packs(a.packs, (pack,))
            calls += [(c["speaker"], c["words"], s2[c["at"]:c["at"] + c["n"]].astype(np.float32) / 32768) for c in more if not c.get("bad")]
    else:
        import align
        from prepare import load, tokens
        al = align.Aligner(pathlib.Path(__file__).resolve().parent.parent / "model.int8.onnx")
        clips = []
        for manifest in ("manifest.tsv", "manifest-groups.tsv"):
            for r in split.rows(a.data / "speech" / manifest):
                if split.role("speaker", r["speaker"]) != "test":
                    continue
                x, words = load(a.data / "speech" / r["path"]), tokens(r["transcript"])
                got = align.align(al.logp(x), words)
                lo, hi = align.bounds(x, got[2][0], got[3][-1]) if got else (0, len(x))
                clips.append(dict(x=x, words=words, speaker=r["speaker"], source=r["path"].split("/")[0], a=lo, b=hi))
        calls = [("joe", r["transcript"].split(), load(a.joe / r["path"])) for r in split.rows(a.joe / "manifest.tsv")]
    if kind == "dev" and (pathlib.Path(a.packs) / "an4.npz").exists():
        from cepstra import Cepstra
        z = Cepstra(pathlib.Path(a.packs) / "an4.npz")
        for i, s in enumerate(z.speakers):
            if split.role("speaker", s) == "dev":
                m = z.mel(i)[:z.n[i] // 2 * 2].T
                mel = ((np.maximum(m, m.max() - 8) + 4) / 4).astype(np.float32)
                if all(w in decode.NUMBERS for w in z.words[i]):
                    items.append(("AN4 numbers (cepstra)", s, z.words[i], "numbers", mel))
                else:
                    items.append(("AN4 letters and words (cepstra)", s, z.words[i], "an4", mel))
                    AN4.update(z.words[i])
    real = []
    for c in clips:
        w = c["words"]
        isdigits = all(t in DIGITS for t in w)
        seed = zlib.crc32(c["x"].tobytes())
        if c["source"] == "speech-commands":
            if isdigits:
                x, lo, hi = quiet(c["x"], seed)
                add("digits 16 kHz", c["speaker"], w, (1, 1), x)
                singles.append((x, w, c["speaker"], lo + c["a"], lo + c["b"]))
                real.append(c)
            elif w[0] in COMMANDS and len(w) == 1:
                x, lo, hi = quiet(c["x"], seed)
                add("command words", c["speaker"], w, "commands", x)
        elif c["source"] == "fsdd":
            x, lo, hi = quiet(c["x"], seed)
            add("digits 8 kHz", c["speaker"], w, (1, 1), x)
        elif c["source"] == "groups":
            x, lo, hi = quiet(c["x"], seed)
            add(f"groups of {len(w)}, length known", c["speaker"], w, (len(w), len(w)), x)
            add(f"groups of {len(w)}, length 1-6", c["speaker"], w, (1, 6), x)
            if len(w) == 3:
                strings.append((x, w, c["speaker"], lo, hi))
        elif c["source"] == "an4" and isdigits:
            x, lo, hi = quiet(c["x"], seed)
            add("digit strings, spoken in one breath", c["speaker"], w, (1, 9), x)
    for name, gap in (("joined tight", (-.06, .05)), ("joined loose", (.08, .4))):
        for x, w, s in joined(real, rng, 120, gap):
            x, lo, hi = quiet(x, 1)
            add(f"triples 16 kHz {name}", s, w, (3, 3), x)
            if "loose" in name:
                strings.append((x, w, s, lo, hi))
    spoken = []
    for s, w, x in calls:
        if not graph("calls").accepts(w):  # a single word that is no call by itself
            continue
        x, lo, hi = quiet(x, 2)
        add("calls, synthetic voice", s, w, "calls", x)
        spoken.append((x, w, s, lo, hi))
    bank = noises(kind, a.noise, rng, RATE * 12)
    names = sorted(bank)
    for snr in (20, 10, 5):
        for group, pool, key in (("digits 16 kHz", singles, (1, 1)), ("triples", strings, (3, 3)), ("calls", spoken, "calls")):
            for k, (x, w, s, lo, hi) in enumerate(pool):
                y = bank[names[k % len(names)]]
                at = int(rng.integers(0, len(y) - 1))
                add(f"{group} at {snr} dB", s, w, key, mix(x, np.roll(y, -at), snr, lo, hi))
    return items


class Onnx:
    def __init__(self, path):
        import onnxruntime as ort
        so = ort.SessionOptions()
        so.intra_op_num_threads = so.inter_op_num_threads = 1
        self.net = ort.InferenceSession(str(path), so, providers=["CPUExecutionProvider"])

    def __call__(self, mel):
        return self.net.run(["logp"], {"mel": mel[None]})[0][0]


class Torch:
    def __init__(self, path):
        import torch
        from model import load
        self.torch = torch
        self.dev = "cuda" if torch.cuda.is_available() else "cpu"
        self.net = load(path).to(self.dev)

    def __call__(self, mel):
        with self.torch.no_grad():
            return self.net(self.torch.as_tensor(mel[None]).to(self.dev))[0][0].cpu().numpy()


def mel_of(x):
    if x.ndim == 2:
        return x
    mel = frontend.logmel(x)
    return np.ascontiguousarray(mel[:, :mel.shape[1] // 2 * 2])


def one(job):
    key, lp = job
    return decode.decode(graph(key), lp)[0]


def words_of_an4(words):
    AN4.update(words)


def measure(model, items, workers):
    net = Onnx(model) if model.endswith(".onnx") else Torch(model)
    jobs = ((key, net(mel_of(x))) for _, _, _, key, x in items)
    if workers > 1:
        with multiprocessing.get_context("spawn").Pool(workers, words_of_an4, (AN4,)) as pool:
            got = list(pool.imap(one, jobs, chunksize=8))
    else:
        got = [one(j) for j in jobs]
    rows = [(name, speaker, words, g) for (name, speaker, words, _, _), g in zip(items, got)]
    out = {}
    for name, speaker, words, got in rows:
        d = out.setdefault(name, dict(n=0, right=0, words=0, wrong_words=0, speakers={}))
        ok = got == words
        d["n"] += 1
        d["right"] += ok
        d["words"] += len(words)
        d["wrong_words"] += errors(words, got or [])
        s = d["speakers"].setdefault(speaker, [0, 0])
        s[0] += ok
        s[1] += 1
    return out, rows


def errors(a, b):
    """Levenshtein distance in words."""
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, 1):
        last, row[0] = row[0], i
        for j, y in enumerate(b, 1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (x != y))
    return row[-1]


# The choice among variants: every set counts the same, whatever its size.
def figure(result):
    return 100 * float(np.mean([d["right"] / d["n"] for d in result.values()]))


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("kind", choices=("dev", "test"))
    ap.add_argument("models", nargs="+")
    ap.add_argument("--packs")
    ap.add_argument("--data", type=pathlib.Path)
    ap.add_argument("--joe", type=pathlib.Path)
    ap.add_argument("--noise", required=True)
    ap.add_argument("--json", help="where to write all figures")
    ap.add_argument("--best", help="where to write the path of the model with the highest mean over sets")
    ap.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) // 2))
    ap.add_argument("--wrong", action="store_true", help="list the wrong ones")
    a = ap.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    items = build(a.kind, a)
    results = {}
    for m in a.models:
        r, rows = measure(m, items, a.workers)
        results[m] = r
        if a.wrong:
            for name, speaker, words, got in rows:
                if got != words:
                    print(pathlib.Path(m).stem, name, speaker, " ".join(words), "->", " ".join(got or ["-"]), sep="\t")
    names = sorted({k for r in results.values() for k in r})
    print("\t".join(["set", "n"] + [pathlib.Path(m).stem for m in a.models]))
    for k in names:
        cells = []
        for m in a.models:
            d = results[m][k]
            big = [r / n for r, n in d["speakers"].values() if n >= 5]
            cells.append(f"{100 * d['right'] / d['n']:.1f}" + (f" ({100 * min(big):.0f})" if len(big) > 1 else ""))
        print("\t".join([k, str(results[a.models[0]][k]["n"])] + cells))
    print("\t".join(["mean over sets", ""] + [f"{figure(results[m]):.2f}" for m in a.models]), flush=True)
    if a.best:
        pathlib.Path(a.best).write_text(max(a.models, key=lambda m: figure(results[m])))
    if a.json:
        json.dump({pathlib.Path(m).stem: r for m, r in results.items()}, open(a.json, "w"), indent=1)


if __name__ == "__main__":
    main()
