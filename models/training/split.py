"""Make and check ../split.tsv: which speaker, voice and noise recording serves training, development or test.

    python split.py make --data DIR     write the file from the data folders (see README.md)
    python split.py check [--data DIR]  exit 1 with one line for each breach

Rules: a speaker has one role; the test speakers were never trained on by any model of this project; every
speaker found in the data folders is listed; training code asks role() and knows no other source.
"""
import argparse
import csv
import hashlib
import pathlib
import sys

FILE = pathlib.Path(__file__).resolve().parent.parent / "split.tsv"
ROLES = ("train", "dev", "test", "never")
# Of the crowd-recorded command words: development takes this many of the speakers that are not test speakers,
# in the order of a hash, among those that say at least one digit; the rest train.
DEV_CROWD = 18
DEV_AN4 = 16  # and this many of the speakers of whom only cepstra are at hand: the first model never heard them
FIXED = {
    # (kind, name): role, why
    ("speaker", "fsdd-jackson"): ("train", ""),
    ("speaker", "fsdd-yweweler"): ("train", ""),
    ("speaker", "fsdd-lucas"): ("dev", "the harder of the two German speakers"),
    ("speaker", "fsdd-nicolas"): ("test", ""),
    ("speaker", "dig2-giulio"): ("never", "licence of the recordings not stated; heard by the first model"),
    ("speaker", "klettres-en"): ("never", "GPL"),
    ("voice", "piper-joe"): ("test", "the unseen synthetic voice"),
    ("voice", "svox-pico"): ("test", "British English, a woman; tests/recordings/mouth-pico"),
    ("voice", "flite-slt"): ("dev", ""),
    ("voice", "flite-rms"): ("train", ""),
    ("voice", "flite-awb"): ("train", ""),
    ("voice", "flite-kal16"): ("train", ""),
    ("voice", "espeak"): ("train", "all accents and variants"),
    ("voice", "kokoro"): ("train", "random mixes of the packaged voices"),
    ("voice", "kokorokept"): ("dev", "nine of the packaged voices, in no mix since the fifth model (synth.py, KEPT)"),
    ("voice", "hibari-heart"): ("train", ""),
}
# The names of the test speakers, sorted, one a line: a fingerprint, so that nobody moves one by accident.
TEST_SPEAKERS = "87a0099ef9b85f03fee830c416cca6311422d4be59d7b44f0024583b483b3e31"
NOISE_TEST = ("babble3_2", "babble8_2", "running_tap", "white_noise", "pink_noise", "esc10_chainsaw_2",
              "esc10_rain_1-50060-A", "esc10_rain_1-56311-A", "esc10_baby-cry_1-60997-A",
              "esc10_clock-tick_1-48413-A", "esc10_clock-tick_1-62849-A", "esc10_person-sneeze_1-47274-A",
              "esc10_person-sneeze_1-59324-A")


def rows(path):
    with open(path, newline="") as f:
        return list(csv.DictReader(f, delimiter="\t", quoting=csv.QUOTE_NONE))


def load():
    return rows(FILE)


def role(kind, name, _cache={}):
    """The role of a speaker, voice or noise recording; KeyError for one that the file does not list."""
    if not _cache:
        _cache.update({(r["kind"], r["name"]): r["role"] for r in load()})
    return _cache[kind, name]


def found(data):
    """(kind, name, data set) of everything in the data folders."""
    data = pathlib.Path(data)
    out = set()
    for r in rows(data / "speech/manifest.tsv") + rows(data / "speech/manifest-groups.tsv"):
        out.add(("speaker", r["speaker"], "speech"))
    for r in rows(data / "speech/manifest-chatter.tsv"):
        out.add(("speaker", r["speaker"], "speech/chatter"))
    for r in rows(data / "train/manifest.tsv") + rows(data / "train/manifest-librispeech-tc100.tsv") + \
            rows(data / "train/manifest-an4-mfc.tsv"):
        out.add(("speaker", r["speaker"], "train"))
    for p in (data / "train/untranscribed-tc100").iterdir():
        out.add(("speaker", "ls-" + p.name.split("-")[0], "train"))
    for r in rows(data / "noise/manifest.tsv"):
        out.add(("noise", r["path"].rsplit(".", 1)[0], "noise"))
    return out


def make(data, unseen):
    unseen = set(pathlib.Path(unseen).read_text().split())
    data = pathlib.Path(data)
    digits = {"zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"}
    crowd = {r["speaker"] for r in rows(data / "speech/manifest.tsv")
             if r["speaker"].startswith("gsc-") and r["transcript"] in digits} - unseen
    dev = set(sorted(crowd, key=lambda s: hashlib.sha256(s.encode()).hexdigest())[:DEV_CROWD])
    cepstra = {r["speaker"] for r in rows(data / "train/manifest-an4-mfc.tsv")} - unseen
    dev |= set(sorted(cepstra, key=lambda s: hashlib.sha256(s.encode()).hexdigest())[:DEV_AN4])
    table = {}
    for kind, name, where in found(data):
        why = ""
        if kind == "noise":
            r = "test" if name.startswith(NOISE_TEST) else "train"
        elif (kind, name) in FIXED:
            r, why = FIXED[kind, name]
        elif name in unseen:
            r = "test"
        elif where == "speech/chatter":
            r, why = "test", "for false entries"
        elif name in dev:
            r = "dev"
        else:
            r = "train"
        table[kind, name] = (r, where, why)
    for (kind, name), (r, why) in FIXED.items():
        table.setdefault((kind, name), (r, "synthetic" if kind == "voice" else "", why))
    with open(FILE, "w") as f:
        f.write("role\tkind\tname\tdataset\tnote\n")
        for (kind, name), (r, where, why) in sorted(table.items(), key=lambda x: (ROLES.index(x[1][0]), x[0])):
            f.write(f"{r}\t{kind}\t{name}\t{where}\t{why}\n")


def check(data=None):
    faults, seen = [], {}
    for r in load():
        key = r["kind"], r["name"]
        if r["role"] not in ROLES:
            faults.append(f"{key}: unknown role {r['role']!r}, use one of {ROLES}")
        if key in seen:
            faults.append(f"{key}: listed twice ({seen[key]} and {r['role']}), keep one")
        seen[key] = r["role"]
    for key, (r, _) in FIXED.items():
        if seen.get(key) != r:
            faults.append(f"{key}: is {seen.get(key)}, must be {r}")
    for r in ("train", "dev", "test"):
        if sum(1 for (k, _), v in seen.items() if k == "speaker" and v == r) < 10:
            faults.append(f"fewer than 10 {r} speakers: too few to say anything")
    test = sorted(r["name"] for r in load() if (r["role"], r["kind"]) == ("test", "speaker") and r["dataset"] != "speech/chatter")
    if hashlib.sha256("\n".join(test).encode()).hexdigest() != TEST_SPEAKERS:
        faults.append("the test speakers changed: put them back, or every figure measured so far is void")
    if data:
        for kind, name, where in sorted(found(data)):
            if (kind, name) not in seen:
                faults.append(f"{kind} {name} of {where}: not in {FILE.name}, add it")
    return faults


if __name__ == "__main__":
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("what", choices=("make", "check"))
    ap.add_argument("--data")
    ap.add_argument("--unseen", help="make: list of speakers that no model has ever been trained on")
    a = ap.parse_args()
    if a.what == "make":
        make(a.data, a.unseen)
    bad = check(a.data)
    print("\n".join(bad) or "split.tsv holds")
    sys.exit(bool(bad))
