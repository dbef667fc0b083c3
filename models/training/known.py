"""Speech of the training for speech/ctc's TestKnown, which works out ../known.f32: what the network's states are like for voices that it knows.

    python known.py --data DATA OUT

Real: Speech Commands, LibriSpeech, prompts and digits of training speakers; synthetic: flite and espeak-ng calls as synth.py makes them.
"""
import argparse
import csv
import pathlib
import tempfile

import numpy as np

import synth
from strangers import RATE, sound, write


def table(path):
    return list(csv.DictReader(open(path), delimiter="\t"))


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("out", type=pathlib.Path)
    ap.add_argument("--data", type=pathlib.Path, required=True)
    a = ap.parse_args()
    a.out.mkdir(parents=True)
    rng = np.random.default_rng(77)
    with tempfile.TemporaryDirectory() as tmp:
        for make, n in ((synth.flite, 150), (synth.espeak, 150)):
            clips = []
            for _ in range(n):
                x, spoken, _, _ = make(rng, tmp + "/x.wav", None)
                if len(x) < 5.6 * RATE:
                    clips.append((np.asarray(x, float), " ".join(spoken)))
            write(a.out, make.__name__, "trained", clips)
    some = lambda rows, n: [rows[i] for i in rng.permutation(len(rows))[:n]]
    train, speech = a.data / "train", a.data / "speech"
    read = lambda folder, rows, most=None: [(sound(folder / r["path"])[:most], r["transcript"]) for r in rows]
    write(a.out, "libri", "trained", read(train, some(table(train / "manifest-librispeech-tc100.tsv"), 90), int(3.5 * RATE)))
    rows = table(train / "manifest.tsv")
    write(a.out, "gsc", "trained", read(train, some([r for r in rows if r["path"].startswith("speech-commands")], 220)))
    write(a.out, "allison", "trained", read(train, [r for r in rows if r["path"].startswith("allison") and float(r["seconds"]) < 4][:50]))
    for who in ("jackson", "lucas", "yweweler"):
        digits = [r for r in table(speech / "manifest.tsv") if r["speaker"] == "fsdd-" + who]
        groups = [r for r in table(speech / "manifest-groups.tsv") if r["speaker"] == "fsdd-" + who]
        write(a.out, who, "trained", read(speech, some(digits, 60) + groups[:20]))


if __name__ == "__main__":
    main()
