"""Turn the data folders into packs: one Opus file of all clips and one JSON list of where they are and what they say.

    python prepare.py --data DIR --teacher teacher.json --aligner ../model.int8.onnx --out PACKS

A clip: at, n (samples of the pack), a, b (bounds of the speech within the clip), words, phones (a list for each word),
speaker, source. Only clips whose speaker split.tsv gives to training or development are packed, never test ones.
"""
import argparse
import json
import pathlib
import re
import shutil
import subprocess

import numpy as np
import soundfile as sf

import align
import split

RATE = 16000


def load(path):
    x, rate = sf.read(path, dtype="float32")
    if x.ndim > 1:
        x = x.mean(1)
    if rate != RATE:
        from scipy.signal import resample_poly
        g = np.gcd(rate, RATE)
        x = resample_poly(x, RATE // g, rate // g).astype(np.float32)
    return x


def load_packs(folder, names, exact=False):
    """(samples int16, clips) of the packs whose file name begins with one of names, or is one, joined."""
    sound, clips, base = [], [], 0
    for path in sorted(pathlib.Path(folder).glob("*.json")):
        if not (path.stem in names if exact else path.stem.startswith(tuple(names))):
            continue
        x, rate = sf.read(next(p for p in path.parent.glob(path.stem + ".*") if p.suffix != ".json"), dtype="int16")
        assert rate == RATE, (path, rate)
        for c in json.load(open(path)):
            if c["at"] + c["n"] <= len(x):
                clips.append(dict(c, at=c["at"] + base))
        sound.append(x)
        base += len(x)
    return np.concatenate(sound), clips


class Pack:
    def __init__(self):
        self.sound, self.clips, self.n = [], [], 0

    def add(self, x, words, phones, speaker, source, a=0, b=None):
        top = np.abs(x).max()
        if top < 1e-4 or len(x) < 1600:
            return
        x = x * (0.7 / top)
        self.clips.append(dict(at=self.n, n=len(x), a=int(a), b=int(len(x) if b is None else min(b, len(x))),
                               words=list(words), phones=[list(map(int, p)) for p in phones], speaker=speaker, source=source))
        gap = np.zeros(800, np.float32)
        self.sound += [x.astype(np.float32), gap]
        self.n += len(x) + len(gap)

    def save(self, out, name, codec="OPUS"):
        x = np.concatenate(self.sound)
        ext = "opus" if codec == "OPUS" else "flac"
        if ext == "opus" and shutil.which("opusenc"):
            pcm = (x * 32767).astype("<i2").tobytes()
            subprocess.run(["opusenc", "--quiet", "--raw", "--raw-rate", str(RATE), "--raw-chan", "1", "--bitrate", "22", "--comp", "2", "--discard-comments", "-",
                            str(out / f"{name}.opus")], input=pcm, check=True)
            return self.listed(out, name)
        with sf.SoundFile(str(out / f"{name}.{ext}"), "w", RATE, 1, format="OGG" if ext == "opus" else "FLAC",
                          subtype="OPUS" if ext == "opus" else "PCM_16",
                          compression_level=0.89 if ext == "opus" else 0.8) as f:
            for i in range(0, len(x), RATE * 60):
                f.write(x[i:i + RATE * 60])
        self.listed(out, name)

    def listed(self, out, name):
        json.dump(self.clips, open(out / f"{name}.json", "w"))
        per = {}
        for c in self.clips:
            per[c["source"]] = per.get(c["source"], 0) + c["n"] / RATE / 60
        print(name, len(self.clips), "clips, minutes:", {k: round(v, 1) for k, v in per.items()}, flush=True)


def tokens(text):
    return re.findall(r"[a-z']+", text.lower())


def pieces(words, starts, ends, rng, total):
    """Cut a long utterance into runs of words of 1.5-7 s, at the widest gaps: (first word, last word + 1, from s, to s)."""
    i = 0
    while i < len(words):
        want = rng.uniform(1.5, 6)
        j = i + 1
        while j < len(words) and ends[j] - starts[i] < want:
            j += 1
        if j < len(words):  # of the last few boundaries take the widest
            options = range(max(i + 1, j - 3), j + 1)
            j = max((k for k in options if k < len(words)), key=lambda k: starts[k] - ends[k - 1], default=j)
        a = (ends[i - 1] + starts[i]) / 2 if i else max(0, starts[i] - 0.3)
        b = (ends[j - 1] + starts[j]) / 2 if j < len(words) else min(total, ends[j - 1] + 0.4)
        yield i, j, a, b
        i = j


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--data", required=True, type=pathlib.Path)
    ap.add_argument("--teacher", type=pathlib.Path, help="words, times, probabilities of the untranscribed readers (teacher.py)")
    ap.add_argument("--aligner", default=str(pathlib.Path(__file__).resolve().parent.parent / "model.int8.onnx"))
    ap.add_argument("--out", required=True, type=pathlib.Path)
    ap.add_argument("--libri-minutes", type=float, default=35)
    a = ap.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    al = align.Aligner(a.aligner)
    rng = np.random.default_rng(1)
    train, dev = Pack(), Pack()

    clips = [(a.data / "speech", r) for r in split.rows(a.data / "speech/manifest.tsv")] + \
            [(a.data / "speech", dict(r, group=1)) for r in split.rows(a.data / "speech/manifest-groups.tsv")] + \
            [(a.data / "train", r) for r in split.rows(a.data / "train/manifest.tsv")]
    lost = {}
    for base, r in clips:
        role = split.role("speaker", r["speaker"])
        if role not in ("train", "dev") or (role == "train" and "group" in r):
            continue
        source = "groups" if "group" in r else r["path"].split("/")[0]
        x, words = load(base / r["path"]), tokens(r["transcript"])
        got = align.align(al.logp(x), words)
        if got is None or (got[0] < -1.5 and role == "train"):
            lost[source] = lost.get(source, 0) + 1
            continue
        _, phones, first, last = got
        pack = train if role == "train" else dev
        if len(x) > 7 * RATE:
            starts, ends = [f * .02 for f in first], [f * .02 + .06 for f in last]
            for i, j, s, e in pieces(words, starts, ends, rng, len(x) / RATE):
                pack.add(x[int(s * RATE):int(e * RATE)], words[i:j], phones[i:j], r["speaker"], source)
            continue
        lo, hi = align.bounds(x, first[0], last[-1])
        pack.add(x, words, phones, r["speaker"], source, lo, hi)

    libri = split.rows(a.data / "train/manifest-librispeech-tc100.tsv")
    seconds = 0
    for k in rng.permutation(len(libri)):
        r = libri[k]
        if seconds > a.libri_minutes * 60:
            break
        x, words = load(a.data / "train" / r["path"]), tokens(r["transcript"])
        got = align.align(al.logp(x), words)
        if got is None or got[0] < -1.0:
            lost["librispeech"] = lost.get("librispeech", 0) + 1
            continue
        seconds += len(x) / RATE
        _, phones, first, last = got
        starts, ends = [f * .02 for f in first], [f * .02 + .06 for f in last]
        for i, j, s, e in pieces(words, starts, ends, rng, len(x) / RATE):
            if e - s < 9:
                train.add(x[int(s * RATE):int(e * RATE)], words[i:j], phones[i:j], r["speaker"], "librispeech")

    if a.teacher:
        for name, said in json.load(open(a.teacher)).items():
            speaker = "ls-" + name.split("-")[0]
            if split.role("speaker", speaker) != "train" or not said:
                continue
            x = load(a.data / "train/untranscribed-tc100" / name)
            for i, j, s, e in pieces(said, [w[1] for w in said], [w[2] for w in said], rng, len(x) / RATE):
                words = [t for w in said[i:j] for t in tokens(w[0])]
                sure = all(w[3] > 0.6 and not re.search(r"\d", w[0]) for w in said[i:j])
                y = x[int(s * RATE):int(e * RATE)]
                got = align.align(al.logp(y), words) if sure and words and 0.5 < e - s < 9 else None
                if got is None or got[0] < -0.8:
                    lost["readers"] = lost.get("readers", 0) + 1
                    continue
                train.add(y, words, got[1], speaker, "readers")
    print("left out:", lost)
    train.save(a.out, "real")
    dev.save(a.out, "dev", codec="FLAC")


if __name__ == "__main__":
    main()
