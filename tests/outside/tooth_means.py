"""Writes data/tooth_means.csv: made-up readings of teeth, some of them missing, halves and coronal
margins among them, with the mean depth and mean attachment loss that pandas gives for each tooth.
Attachment loss is depth plus recession and not less than 0, at sites that have both readings.

    python3 -m venv v && v/bin/pip install pandas
    v/bin/python tooth_means.py
"""
import pathlib

import numpy as np
import pandas as pd

rng = np.random.default_rng(20261125)
SITES = ["DB", "B", "MB", "DL", "L", "ML"]
TEETH = [q * 10 + p for q in (1, 2, 3, 4) for p in range(1, 8)]

rows = [(tooth, site) for tooth in TEETH for site in SITES]
long = pd.DataFrame(rows, columns=["tooth", "site"])
n = len(long)
long["depth"] = rng.integers(2, 19, n) / 2  # 1 to 9 mm, in halves
long["recession"] = rng.integers(-8, 9, n) / 2  # -4 to 4 mm, in halves
long.loc[rng.random(n) < 0.12, "depth"] = np.nan
long.loc[rng.random(n) < 0.15, "recession"] = np.nan
long["loss"] = (long["depth"] + long["recession"]).clip(lower=0)

wide = long.pivot(index="tooth", columns="site", values=["depth", "recession"])
wide.columns = [f"{what}_{site}" for what, site in wide.columns]
wide = wide[[f"{what}_{site}" for what in ("depth", "recession") for site in SITES]]
wide["mean_depth"] = long.groupby("tooth")["depth"].mean()
wide["mean_loss"] = long.groupby("tooth")["loss"].mean()
wide["clipped"] = (long["depth"] + long["recession"] < 0).groupby(long["tooth"]).sum()
out = pathlib.Path(__file__).parent / "data" / "tooth_means.csv"
wide.to_csv(out, float_format="%.12g")
print(f"{len(wide)} teeth, pandas {pd.__version__}")
