"""Export a trained NAME.npz: fp32 and int8 ONNX (outputs logp and hidden).

    python export.py NAME.npz --out DIR

int8: dynamic, a scale for each output channel, weights held to 7 bits so that processors without VNNI do not saturate;
the last linear layer stays float: logp = log_softmax(hidden @ W' + b).
"""
import argparse
import pathlib

import numpy as np
import onnx
import onnxruntime as ort
import torch
from onnxruntime.quantization import QuantType, quantize_dynamic

import model


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("trained")
    ap.add_argument("--out", required=True, type=pathlib.Path)
    a = ap.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    net = model.load(a.trained)
    mel = torch.randn(1, 80, 300)
    with torch.no_grad():
        want = net(mel)[0].numpy()
    for m in net.modules():
        if isinstance(m, model.TimeConv):
            m.linear()
            del m.weight, m.bias
    fp32 = str(a.out / "model.fp32.onnx")
    torch.onnx.export(net, (mel,), fp32, input_names=["mel"], output_names=["logp", "hidden"], opset_version=17, dynamo=False,
                      dynamic_axes={"mel": {0: "batch", 2: "frames"}, "logp": {0: "batch", 1: "half"}, "hidden": {0: "batch", 1: "half"}})
    got = ort.InferenceSession(fp32, providers=["CPUExecutionProvider"]).run(["logp"], {"mel": mel.numpy()})[0]
    print("fp32 against PyTorch, largest difference:", np.abs(got - want).max())
    assert np.abs(got - want).max() < 1e-2
    g = onnx.load(fp32).graph
    last = [n.name for n in g.node if n.op_type == "MatMul"][-1]
    products = [n.name for n in g.node if n.op_type == "MatMul" and any(n.input[1] == t.name for t in g.initializer)]
    int8 = a.out / "model.int8.onnx"
    quantize_dynamic(fp32, str(int8), op_types_to_quantize=["MatMul"], nodes_to_quantize=[n for n in products if n != last],
                     per_channel=True, reduce_range=True, weight_type=QuantType.QInt8)
    w, b = net.h.out.weight.detach().numpy(), net.h.out.bias.detach().numpy()
    s = ort.InferenceSession(str(int8), providers=["CPUExecutionProvider"])
    for frames in (2, 20, 301, 1000):
        lp, h = s.run(["logp", "hidden"], {"mel": np.random.randn(1, 80, frames).astype(np.float32)})
        z = h @ w.T + b
        z -= np.log(np.exp(z).sum(-1, keepdims=True))
        assert lp.shape == (1, (frames + 1) // 2, 40) and np.abs(z - lp).max() < 1e-3, (lp.shape, np.abs(z - lp).max())
    print(f"{int8}: {int8.stat().st_size / 1e6:.1f} MB, hidden {h.shape[2]} wide; its last layer agrees with the trained one")


if __name__ == "__main__":
    main()
