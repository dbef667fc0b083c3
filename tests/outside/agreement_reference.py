"""Writes data/agreement_reference.json: made-up pairs of readings with the agreement statistics that
scikit-learn, pingouin and statsmodels give for them.

    python3 -m venv v && v/bin/pip install scikit-learn pingouin statsmodels
    v/bin/python agreement_reference.py
"""
import json
import pathlib

import numpy as np
import pandas as pd
import pingouin
import sklearn
import statsmodels
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

rng = np.random.default_rng(20260301)


def pairs(n, spread, bias, step):
    true = rng.integers(1, 8, n)
    a = np.clip(true + rng.choice([-1, 0, 0, 0, 1], n), 0, 15).astype(float)
    b = np.clip(true + bias + rng.integers(-spread, spread + 1, n) * step, 0, 15).astype(float)
    return a, b


def describe(name, a, b):
    # Half-millimetre categories, so that the index of a category is its distance.
    x, y = (2 * a).astype(int), (2 * b).astype(int)
    labels = list(range(31))
    table = np.zeros((31, 31))
    for i, j in zip(x, y):
        table[i, j] += 1
    linear = cohen_kappa_score(x, y, labels=labels, weights="linear")
    quadratic = cohen_kappa_score(x, y, labels=labels, weights="quadratic")
    again = [cohens_kappa(table, wt=w).kappa for w in ("linear", "quadratic")]
    assert np.allclose([linear, quadratic], again), "the two libraries differ"
    long = pd.DataFrame({"site": np.tile(np.arange(len(a)), 2), "rater": ["a"] * len(a) + ["b"] * len(a), "mm": np.r_[a, b]})
    icc = pingouin.intraclass_corr(long, "site", "rater", "mm")
    row = icc[icc["Type"].isin(["ICC2", "ICC(A,1)"])]
    assert len(row) == 1, icc
    d = b - a
    sd = d.std(ddof=1)
    return {
        "name": name,
        "first": a.tolist(),
        "second": b.tolist(),
        "exactPercent": 100 * float((a == b).mean()),
        "within1Percent": 100 * float((abs(d) <= 1).mean()),
        "kappaLinear": float(linear),
        "kappaQuadratic": float(quadratic),
        "icc21": float(row["ICC"].iloc[0]),
        "bias": float(d.mean()),
        "low": float(d.mean() - 1.96 * sd),
        "high": float(d.mean() + 1.96 * sd),
    }


examples = [
    describe("full mouth, close", *pairs(168, 1, 0, 1)),
    describe("full mouth, one examiner reads 1 mm more", *pairs(168, 1, 1, 1)),
    describe("a few teeth", *pairs(24, 2, 0, 1)),
    describe("halves", *pairs(90, 3, 0, 0.5)),
    describe("no agreement beyond chance", *(rng.integers(1, 7, 60).astype(float) for _ in range(2))),
]
flags = []
for n, p in ((168, 0.1), (60, 0.5)):
    a = rng.random(n) < p
    b = np.where(rng.random(n) < 0.85, a, ~a)
    flags.append({"first": a.tolist(), "second": b.tolist(), "kappa": float(cohen_kappa_score(a, b)), "exactPercent": 100 * float((a == b).mean())})

out = {
    "libraries": f"scikit-learn {sklearn.__version__}, pingouin {pingouin.__version__}, statsmodels {statsmodels.__version__}",
    "examples": examples,
    "flags": flags,
}
path = pathlib.Path(__file__).parent / "data" / "agreement_reference.json"
path.write_text(json.dumps(out, separators=(",", ":")) + "\n")
