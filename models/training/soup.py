"""The mean of several trained NAME.npz that began from the same weights.

    python soup.py OUT.npz A.npz B.npz ...
"""
import sys

import numpy as np


def main():
    out, *paths = sys.argv[1:]
    zs = [dict(np.load(p)) for p in paths]
    np.savez(out, config=zs[0]["config"], **{k: np.mean([z[k].astype(np.float32) for z in zs], 0).astype(np.float16)
                                             for k in zs[0] if k != "config"})


if __name__ == "__main__":
    main()
