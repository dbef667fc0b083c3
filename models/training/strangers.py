"""Voices that no network heard, in the accent of their language: packs for speech/ctc's TestCalibrate and TestProfiles.

    python strangers.py OUT

Festival and Pico voices of other languages read English digits that are spelt for them: ten alone, four times each, and 60 groups of three. Needs
festival with festvox-czech-machac, -ca-ona-hts, -suopuhe-mv, -mr-nsk, -te-nsk, -italp16k, -itapc16k, -ru, -kdlpc16k (Debian; some of them GPL: they fit a
few numbers and take part in no training) and py-nanotts (Apache-2.0).
"""
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import soundfile as sf
from scipy.signal import resample_poly

RATE = 16000
DIGITS = "zero one two three four five six seven eight nine".split()
FESTIVAL = {  # voice: pack, accent, encoding, spelling
    "czech_machac": ("czech", "cz", "iso-8859-2", "ziro uan tu srí for fajv siks sevn ejt najn"),
    "upc_ca_ona_hts": ("catalan", "es", "iso-8859-15", "siro uan tu zri for faiv sics seven eit nain"),
    "hy_fi_mv_diphone": ("finnish", "fi", "iso-8859-15", "siirou vaan tuu trii foor faiv siks seven eit nain"),
    "marathi_NSK_diphone": ("marathi", "in", "utf-8", "झिरो वन टू थ्री फोर फाइव सिक्स सेवन एट नाइन"),
    "telugu_NSK_diphone": ("telugu", "in", "utf-8", "జీరో వన్ టూ త్రీ ఫోర్ ఫైవ్ సిక్స్ సెవెన్ ఎయిట్ నైన్"),
    "lp_diphone": ("italian-f", "it", "utf-8", "ziro uan tu tri for faiv sics seven eit nain"),
    "pc_diphone": ("italian-m", "it", "utf-8", "ziro uan tu tri for faiv sics seven eit nain"),
    "msu_ru_nsh_clunits": ("russian", "ru", "utf-8", "зиро уан ту сри фор файв сикс севен эйт найн"),
    "ked_diphone": ("american-ked", "us", "utf-8", " ".join(DIGITS)),
}
PICO = {
    "fr-FR": ("fr", "ziro ouane tou sri for faïve sixe sévenne eïte naïne"),
    "de-DE": ("de", "siro wann tu sri for faif six sewen eyt nein"),
    "es-ES": ("es", "siro uan tu zri for faiv six seven eit nain"),
    "it-IT": ("it", "ziro uan tu tri for faiv sics seven eit nain"),
    "en-US": ("us", " ".join(DIGITS)),
}


def calls():
    rng = np.random.default_rng(3)
    out = [[d] for d in range(10) for _ in range(4)]
    out += [[int(v) for v in rng.integers(0, 10, 3)] for _ in range(34)]
    return out + [[int(v) for v in rng.integers(1, 7, 3)] for _ in range(26)]


def trimmed(x):
    n = len(x) // 160
    power = np.mean(x[:n * 160].reshape(n, 160) ** 2, 1)
    loud = np.flatnonzero(power > power.max() * 1e-4)
    return x[max(0, loud[0] - 3) * 160:(loud[-1] + 4) * 160]


def write(out, name, accent, clips):
    """A pack as TestCalibrate reads it: clips are (sound, words)."""
    sound, rows, at = [], [], 0
    for x, words in clips:
        x = trimmed(x)
        x = np.round(x / np.abs(x).max() * .6 * 2048) / 2048
        rows.append(f"{at}\t{at + len(x)}\t{words}\n")
        sound.append(x)
        at += len(x)
    sf.write(out / f"{name}.flac", np.concatenate(sound), RATE, "PCM_16")
    (out / f"{name}.tsv").write_text("".join(rows))
    with open(out / "voices.tsv", "a") as f:
        f.write(f"{name}\t{accent}\n")
    print(name, len(rows), "clips,", round(at / RATE), "s", flush=True)


def read(folder):
    """(voice, words, sound) of every clip of a folder of packs as write makes it."""
    for row in (folder / "voices.tsv").read_text().splitlines():
        name = row.split("\t")[0]
        x = sound(folder / f"{name}.flac")
        for line in (folder / f"{name}.tsv").read_text().splitlines():
            lo, hi, text = line.split("\t")
            yield name, text.split(), x[int(lo):int(hi)].astype(np.float32)


def sound(path):
    x, rate = sf.read(path)
    return resample_poly(x, RATE, rate) if rate != RATE else x


def words(call):
    return " ".join(DIGITS[d] for d in call)


def main():
    out = pathlib.Path(sys.argv[1])
    out.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as tmp:
        for voice, (name, accent, encoding, spelling) in FESTIVAL.items():
            spelt = spelling.split()
            lines = [f"(voice_{voice})"]
            for k, c in enumerate(calls()):
                text = " ".join(spelt[d] for d in c)
                lines.append(f"(Parameter.set 'Duration_Stretch {[1, .85, 1.15, .95, 1.25, 1.05][k % 6]})")
                lines.append(f'(utt.save.wave (utt.synth (Utterance Text "{text}")) "{tmp}/{k}.wav" \'riff)')
            pathlib.Path(tmp, "say.scm").write_text("\n".join(lines), encoding)
            subprocess.run(["festival", "-b", tmp + "/say.scm"], check=True, capture_output=True)
            write(out, name, accent, [(sound(f"{tmp}/{k}.wav"), words(c)) for k, c in enumerate(calls())])
        for voice, (accent, spelling) in PICO.items():
            clips = []
            for k, c in enumerate(calls()):
                text = " ".join(spelling.split()[d] for d in c) + "."
                subprocess.run([sys.executable, "-m", "py_nanotts", text, "-o", tmp + "/x.wav", "-v", voice, "--volume", "0.25", "--speed", str([1, 1.08, .93, 1.15, .97, 1.04][k % 6]),
                                "--pitch", str([1, 1.03, .97, 1, 1.05, .95][k % 6])], check=True, capture_output=True)
                clips.append((sound(tmp + "/x.wav"), words(c)))
            write(out, "pico-" + voice, accent, clips)


if __name__ == "__main__":
    main()
