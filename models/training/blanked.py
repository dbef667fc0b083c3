"""Which words a network swallows: those that were said, but of whose phones it gives nothing, only blanks between the words around.

    python blanked.py [--packs FOLDER] [--recordings FOLDER NAME ...] --models FIRST.onnx SECOND.onnx

FOLDER of packs as strangers.py makes it; recordings as in ../../tests/recordings. Prints for each voice and word how often it was said, and how often each
network, and the mean of all, swallowed it; words that nobody swallows are left out. Exit status 1 if the mean swallows any.
"""
import argparse
import collections
import json
import pathlib
import sys

import numpy as np

import align
import lexicon
import strangers
from prepare import RATE, load


def swallowed(lp, words, x):
    """The indices of words, given as their phones, that lp gives nothing of, though between their neighbours lies sound as long and as loud as a word;
    None if the words do not fit at all. x is the sound of lp."""
    phones = [p for w in words for p in w]
    got = align.viterbi(lp, phones)
    if not got:
        return None
    first, last = got[1:]
    best, p, n = lp.argmax(1), np.exp(lp), len(x) // align.FRAME
    level = 10 * np.log10(np.mean(x[:n * align.FRAME].reshape(n, align.FRAME) ** 2, 1) + 1e-9)
    out, k = [], 0
    for i, w in enumerate(words):
        if max(p[first[j]:last[j] + 1, phones[j]].max() for j in range(k, k + len(w))) < .1:
            a = last[k - 1] + 1 if k else 0
            b = first[k + len(w)] if k + len(w) < len(phones) else n
            if (level[a:b] > level.max() - 25).sum() >= 6 and not best[a:b].any():
                out.append(i)
        k += len(w)
    return out


def calls(a):
    """(voice, words, sound) of every call."""
    if a.packs:
        yield from strangers.read(a.packs)
    if a.recordings:
        folder, *names = a.recordings
        for name in names:
            x = load(pathlib.Path(folder, name + ".flac"))
            for c in json.loads(pathlib.Path(folder, name + ".json").read_text())["calls"]:
                if c.get("words"):
                    yield name, c["words"].split(), x[int((c["start"] - .15) * RATE):int((c["end"] + .25) * RATE)]


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--packs", type=pathlib.Path)
    ap.add_argument("--recordings", nargs="+")
    ap.add_argument("--models", nargs="+", required=True)
    a = ap.parse_args()
    nets = [align.Aligner(m) for m in a.models]
    said, lost = collections.Counter(), [collections.Counter() for _ in range(len(nets) + 1)]
    pad = np.zeros(RATE // 4, np.float32)
    for voice, words, x in calls(a):
        prons = [lexicon.pronunciations(w) for w in words]
        if not all(prons):
            continue
        x = np.concatenate((pad, x * (.6 / (np.abs(x).max() + 1e-6)), pad))
        lps = [n.logp(x) for n in nets]
        said.update((voice, w) for w in words)
        for count, lp in zip(lost, [*lps, np.mean(lps, 0)]):
            for i in swallowed(lp, [lexicon.bare(p[-1] if w == "four" else p[0]) for w, p in zip(words, prons)], x) or []:
                count[voice, words[i]] += 1
    print("voice", "word", "said", *(pathlib.Path(m).stem for m in a.models), "mean", sep="\t")
    for key in sorted(said):
        if any(c[key] for c in lost):
            print(*key, said[key], *(c[key] for c in lost), sep="\t")
    print("all", "", said.total(), *(c.total() for c in lost), sep="\t")
    sys.exit(lost[-1].total() > 0)


if __name__ == "__main__":
    main()
