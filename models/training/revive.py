"""Turn a shipped int8 ONNX file back into a NAME.npz to train on from.

    python revive.py MODEL.int8.onnx --out NAME.npz

The weights of the second and third model are 7-bit steps; what stays frozen lies on the same steps again when it is exported. The first
model has other names for its parts, convolutions in floating point, and a last layer of 8 bits.
"""
import argparse
import json

import numpy as np
import onnx
from onnx import numpy_helper


def renamed(name):
    """The name of a part as model.py has it."""
    if name.startswith("e.b."):
        for old, new in ((".l1.", ".n1."), (".l2.", ".n2."), (".a.", ".")):
            name = name.replace(old, new)
    if name.startswith("h.n.") and name[4].isdigit():
        return name.replace("h.n.", "h.cn.")
    return name.replace("h.m.", "h.")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("onnx")
    ap.add_argument("--out", required=True)
    a = ap.parse_args()
    graph = onnx.load(a.onnx).graph
    init = {renamed(t.name): numpy_helper.to_array(t) for t in graph.initializer}
    blocks = len({k.split(".")[2] for k in init if k.startswith("e.b.")})
    products = []
    for n in graph.node:
        if n.op_type == "MatMulInteger":
            name = n.input[1].removesuffix("_quantized")
            w = init[n.input[1]].astype(np.float32) - init[name + "_zero_point"].astype(np.float32)
            products.append(w * init[name + "_scale"])
    names = [f"e.b.{i}.{m}" for i in range(blocks) for m in ("qkv", "o", "f1", "f2")] + ["h.l"]
    if "e.c1.weight" in init:  # the first model
        last = products.pop()
    else:
        last = next(init[n.input[1]] for n in graph.node if n.op_type == "MatMul" and n.input[1] in init)
        names = ["e.c1", "e.c2", *names, "h.c.0", "h.c.1"]
    assert len(names) == len(products), (len(names), len(products))
    out = {}
    for name, w in zip(names, products):
        w = w.T
        bias = init[name + (".as_linear" if ".c" in name else "") + ".bias"]
        if ".c" in name:
            c_in = bias.shape[0] if name.startswith("h.") else 80 if name == "e.c1" else w.shape[0]
            w = w.reshape(len(w), -1, c_in).transpose(0, 2, 1)
        out[name + ".weight"], out[name + ".bias"] = w, bias
    out["h.out.weight"] = last.T
    mix = np.array([init[n.input[k]] for n in graph.node if n.op_type == "Mul" for k in (0, 1)
                    if n.input[k] in init and init[n.input[k]].ndim == 0 and n.name.startswith("/h/")], np.float32)
    assert len(mix) == blocks and abs(mix.sum() - 1) < 1e-3, mix
    out["h.mix"] = np.log(mix)
    for k, v in init.items():
        if k.startswith(("e.", "h.")) and ".as_linear." not in k:
            out.setdefault(k, v)
    conf = dict(width=int(last.shape[0]), kernels=[out["h.c.0.weight"].shape[2], out["h.c.1.weight"].shape[2]], steps=0)
    np.savez(a.out, config=json.dumps(conf), **{k: np.asarray(v, np.float16) for k, v in out.items()})
    print(a.out, len(out), "arrays")


if __name__ == "__main__":
    main()
