"""Store the int8 weights of a model as unsigned bytes with the zero point 128: the same weights, but no processor saturates.

    python unsigned.py MODELDIR

Processors without VNNI add two products of an unsigned and a signed byte in 16 bits, which overflows where the weights use all
eight bits: the first model then lost numbers. Products of two unsigned bytes are added in 32 bits everywhere, at the same speed.
Models by export.py hold their weights to seven bits and do not need this.
"""
import argparse
import json
import pathlib

import numpy as np
import onnx
from onnx import numpy_helper

from card import sha


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("dir", type=pathlib.Path)
    a = ap.parse_args()
    path = a.dir / "model.int8.onnx"
    m = onnx.load(path)
    stored = {t.name: t for t in m.graph.initializer}
    names = {n.input[i] for n in m.graph.node if n.op_type == "MatMulInteger" for i in (1, 3)}
    assert names, "no int8 weights"
    for name in names:
        signed = numpy_helper.to_array(stored[name])
        assert signed.dtype == np.int8, f"{name} is {signed.dtype}"
        stored[name].CopyFrom(numpy_helper.from_array((signed.astype(np.int16) + 128).astype(np.uint8), name))
    path.write_bytes(m.SerializeToString())
    manifest = json.loads((a.dir / "manifest.json").read_text())
    entry = next(f for f in manifest["files"] if f["name"] == path.name)
    entry["sha256"], entry["size"] = sha(path), path.stat().st_size
    (a.dir / "manifest.json").write_text(json.dumps(manifest, indent=1) + "\n")


if __name__ == "__main__":
    main()
