"""Write manifest.json and FIGURES.md for an exported model.

    python card.py --onnx DIR --test test.json --out DIR [--version 4] [--calibration JSON]
"""
import argparse
import hashlib
import json
import pathlib

import onnx

import lexicon

HERE = pathlib.Path(__file__).resolve().parent


def sha(path):
    return hashlib.sha256(pathlib.Path(path).read_bytes()).hexdigest()


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--onnx", required=True, type=pathlib.Path)
    ap.add_argument("--test", required=True)
    ap.add_argument("--out", required=True, type=pathlib.Path)
    ap.add_argument("--calibration", help="the JSON object that speech/ctc's TestCalibrate prints for this model")
    ap.add_argument("--version", default="4")
    a = ap.parse_args()
    model = a.onnx / "model.int8.onnx"
    hidden = next(o for o in onnx.load(model).graph.output if o.name == "hidden")
    manifest = {
        "name": "leadsman-phones",
        "version": a.version,
        "files": [{"name": n, "sha256": sha(p), "size": p.stat().st_size}
                  for n, p in (("model.int8.onnx", model), ("phones.txt", HERE.parent / "phones.txt"))],
        "licence": "CC-BY-SA-4.0",
        "sample_rate": 16000,
        "input": {"name": "mel", "bands": 80, "frames_per_second": 100},
        "output": {"name": "logp", "frames_per_second": 50},
        "hidden": {"name": "hidden", "frames_per_second": 50, "width": hidden.type.tensor_type.shape.dim[2].dim_value},
        "symbols": lexicon.PHONES,
        "split_sha256": sha(HERE.parent / "split.tsv"),
    }
    if a.calibration:
        manifest["calibration"] = json.loads(a.calibration)
    (a.out / "manifest.json").write_text(json.dumps(manifest, indent=1) + "\n")
    results = json.load(open(a.test))
    names = list(results)
    out = ["| set | clips | " + " | ".join(names) + " |", "|---|---|" + "---|" * len(names)]
    for k in sorted({s for r in results.values() for s in r}):
        cells = []
        for m in names:
            d = results[m][k]
            # Speakers with fewer clips than this say nothing by themselves.
            shares = sorted(r / n for r, n in d["speakers"].values() if n >= 5)
            cells.append(f"{100 * d['right'] / d['n']:.1f}" +
                         (f" ({100 * shares[0]:.0f}, {100 * shares[len(shares) // 2]:.0f})" if len(shares) > 1 else ""))
        out.append(f"| {k} | {results[names[0]][k]['n']} | " + " | ".join(cells) + " |")
    (a.out / "FIGURES.md").write_text("\n".join(out) + "\n")


if __name__ == "__main__":
    main()
