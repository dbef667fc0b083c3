"""Give a model that has only `logp` the output `hidden` (the input of its last linear layer), and enter it in its manifest.

    python hidden.py MODELDIR

`logp` keeps every bit: nothing but an output is added. Said is how far log_softmax(hidden @ W' + b) is from it: where the last layer is int8,
that is logp without the rounding of the layer's input.
"""
import argparse
import json
import pathlib

import numpy as np
import onnx
import onnxruntime as ort
from onnx import TensorProto, helper, numpy_helper

from card import sha

PHONES = 40


def head(g):
    """The name of the last layer's input, its weights W [40, width] and b [40]."""
    made = {o: n for n in g.node for o in n.output}
    const = {t.name: numpy_helper.to_array(t) for t in g.initializer}

    def back(name, *kinds):
        """The node that makes a value, through nodes that change nothing."""
        n = made[name]
        while n.op_type in ("Cast", "Identity"):
            n = made[n.input[0]]
        assert n.op_type in kinds, (n.op_type, kinds)
        return n
    add = back(made["logp"].input[0], "Add")
    b = next(const[i] for i in add.input if i in const)
    product = back(next(i for i in add.input if i not in const), "MatMul", "Mul")
    if product.op_type == "MatMul":
        return product.input[0], const[product.input[1]].T, b
    # Dynamic int8: (quantized input @ quantized W) * (scale of the input * scale of W)
    matmul = next(n for n in (back(i, "MatMulInteger", "Mul") for i in product.input) if n.op_type == "MatMulInteger")
    scale = next(n for n in (back(i, "MatMulInteger", "Mul") for i in product.input) if n.op_type == "Mul")
    q, zero = const[matmul.input[1]].astype(np.float32), const[matmul.input[3]].astype(np.float32)
    w = (q - zero) * next(const[i] for i in scale.input if i in const)
    return made[matmul.input[0]].input[0], w.T, b


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("dir", type=pathlib.Path)
    a = ap.parse_args()
    path = a.dir / "model.int8.onnx"
    before = path.read_bytes()
    m = onnx.load_from_string(before)
    g = m.graph
    assert not any(o.name == "hidden" for o in g.output), "it has the output already"
    name, w, b = head(g)
    width = w.shape[1]
    assert w.shape == (PHONES, width) and b.shape == (PHONES,)
    g.node.append(helper.make_node("Identity", [name], ["hidden"], "hidden"))
    half = g.output[0].type.tensor_type.shape.dim[1].dim_param
    g.output.append(helper.make_tensor_value_info("hidden", TensorProto.FLOAT, [1, half, width]))
    after = m.SerializeToString()
    options = ort.SessionOptions()
    options.intra_op_num_threads = 1
    old, new = (ort.InferenceSession(x, options, providers=["CPUExecutionProvider"]) for x in (before, after))
    rng = np.random.default_rng(1)
    worst = 0
    for frames in (2, 20, 300, 600):
        mel = rng.uniform(-1, 1, (1, 80, frames)).astype(np.float32)
        want = old.run(["logp"], {"mel": mel})[0]
        lp, h = new.run(["logp", "hidden"], {"mel": mel})
        assert np.array_equal(lp, want), "logp has changed"
        z = h @ w.T + b
        worst = max(worst, np.abs(z - np.log(np.exp(z).sum(-1, keepdims=True)) - lp).max())
    path.write_bytes(after)
    manifest = json.loads((a.dir / "manifest.json").read_text())
    manifest["files"] = [{"name": n, "sha256": sha(a.dir / n), "size": (a.dir / n).stat().st_size} for n in ("model.int8.onnx", "phones.txt")]
    out = {}
    for k, v in manifest.items():
        out[k] = v
        if k == "output":
            out["hidden"] = {"name": "hidden", "frames_per_second": 50, "width": width}
    (a.dir / "manifest.json").write_text(json.dumps(out, indent=1) + "\n")
    print(f"hidden is {width} wide; logp is as before; the last layer gives it to {worst:.3f}")


if __name__ == "__main__":
    main()
