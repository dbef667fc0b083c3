"""Read the encoder out of a Whisper model stored in CTranslate2's binary format (fp16 or fp32).

    python weights.py MODEL.bin[,PART2...] OUT.npz     keeps the encoder, fp16, positions cut to 10 s
"""
import struct
import sys

import numpy as np

POSITIONS = 500  # 50 a second: calls of up to 10 s
DTYPES = {0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16}


def variables(blob):
    """name -> array of every variable in the file. Layout: version, spec name, revision, count, then for each
    variable its name, rank, dimensions, type, byte count and bytes; all little endian."""
    at = 0

    def take(fmt):
        nonlocal at
        v = struct.unpack_from("<" + fmt, blob, at)
        at += struct.calcsize("<" + fmt)
        return v[0]

    def text():
        nonlocal at
        n = take("H")
        s = blob[at:at + n].rstrip(b"\0").decode()
        at += n
        return s

    version = take("I")
    if version < 4:
        raise SystemExit(f"file version {version}: only 4 and later are read; convert the model again")
    text()
    take("I")
    out = {}
    for _ in range(take("I")):
        name = text()
        shape = [take("I") for _ in range(take("B"))]
        kind = take("B")
        size = take("I")
        out[name] = np.frombuffer(blob, DTYPES[kind], size // np.dtype(DTYPES[kind]).itemsize, at).reshape(shape)
        at += size
    return out


def encoder(blob):
    """The encoder's parameters by the names that model.Encoder uses."""
    v = variables(blob)
    e = {"pos": v["encoder/position_encodings/encodings"][:POSITIONS]}
    for i in (1, 2):
        e[f"c{i}.weight"], e[f"c{i}.bias"] = v[f"encoder/conv{i}/weight"], v[f"encoder/conv{i}/bias"]
    e["ln.weight"], e["ln.bias"] = v["encoder/layer_norm/gamma"], v["encoder/layer_norm/beta"]
    i = 0
    while f"encoder/layer_{i}/ffn/linear_0/weight" in v:
        s, d = f"encoder/layer_{i}/", f"b.{i}."
        names = {"n1": "self_attention/layer_norm", "n2": "ffn/layer_norm"}
        for k, n in names.items():
            e[d + k + ".weight"], e[d + k + ".bias"] = v[s + n + "/gamma"], v[s + n + "/beta"]
        for k, n in {"qkv": "self_attention/linear_0", "o": "self_attention/linear_1",
                     "f1": "ffn/linear_0", "f2": "ffn/linear_1"}.items():
            e[d + k + ".weight"] = v[s + n + "/weight"]
            b = v.get(s + n + "/bias")
            e[d + k + ".bias"] = b if b is not None else np.zeros(len(e[d + k + ".weight"]), np.float16)
        i += 1
    return e


if __name__ == "__main__":
    blob = b"".join(open(p, "rb").read() for p in sys.argv[1].split(","))
    e = {k: x.astype(np.float16) for k, x in encoder(blob).items()}
    np.savez(sys.argv[2], **e)
    print(len(e), "arrays,", sum(x.size for x in e.values()), "parameters")
