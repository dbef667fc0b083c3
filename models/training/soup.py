"""The mean of several trained NAME.npz that began from the same weights.

    python soup.py OUT.npz [WEIGHT*]A.npz [WEIGHT*]B.npz ...

Weights are shares of the whole; without any, all count the same.
"""
import sys

import numpy as np


def main():
    out, *parts = sys.argv[1:]
    shares, paths = zip(*((float(p.split("*")[0]), p.split("*")[1]) if "*" in p else (1 / len(parts), p) for p in parts))
    if abs(sum(shares) - 1) > 1e-6:
        sys.exit(f"the weights add up to {sum(shares)}, not 1")
    zs = [dict(np.load(p)) for p in paths]
    np.savez(out, config=zs[0]["config"], **{k: sum(w * z[k].astype(np.float32) for w, z in zip(shares, zs)).astype(np.float16)
                                             for k in zs[0] if k != "config"})


if __name__ == "__main__":
    main()
