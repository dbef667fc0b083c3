"""Reads exported tables with pandas and works out the scores of each exam anew from its sites: tables.py FOLDER FOLDER

The first folder holds CSV, the second Parquet. Prints one line for each disagreement, then how many exams and sites were read.
"""

import sys

import pandas as pd

flags = {name: "boolean" for name in ["bleeding", "suppuration", "plaque", "calculus", "signed", "cej_unknown"]}
csv = pd.read_csv(sys.argv[1] + "/sites.csv", dtype=flags | {"tooth_universal": "string"}, parse_dates=["date"])
parquet = pd.read_parquet(sys.argv[2] + "/sites.parquet")
exams = {"csv": pd.read_csv(sys.argv[1] + "/exams.csv", parse_dates=["date"]), "parquet": pd.read_parquet(sys.argv[2] + "/exams.parquet")}

if list(csv.columns) != list(parquet.columns) or len(csv) != len(parquet):
    print("the two tables of sites differ in shape", csv.shape, parquet.shape)

for kind, sites in {"csv": csv, "parquet": parquet}.items():
    sites = sites.assign(date=pd.to_datetime(sites["date"]))
    for column in flags:
        sites[column] = sites[column].astype("boolean")
    natural = sites[sites["state"] == "present"]
    for _, exam in exams[kind].iterrows():
        own = natural[natural["exam"] == exam["exam"]]
        depth, loss = own["depth_mm"].dropna(), own["attachment_loss_mm"].dropna()
        want = {
            "bleeding_percent": 100 * own["bleeding"].dropna().astype(float).mean(),
            "plaque_percent": 100 * own["plaque"].dropna().astype(float).mean(),
            "depth_mean_mm": depth.mean(),
            "attachment_loss_mean_mm": loss.mean(),
            "sites_ge4": (depth >= 4).sum(),
            "sites_ge5": (depth >= 5).sum(),
            "sites_ge6": (depth >= 6).sum(),
        }
        for name, value in want.items():
            if abs(value - exam[name]) > 1e-9:
                print(f"{kind}: exam {exam['exam']}: {name} is {exam[name]}, from its sites {value}")
        both = own.dropna(subset=["depth_mm", "recession_mm"])
        if not ((both["depth_mm"] + both["recession_mm"]).clip(lower=0) == both["attachment_loss_mm"]).all():
            print(f"{kind}: exam {exam['exam']}: attachment loss is not depth plus recession")
        if sites.loc[sites["exam"] == exam["exam"], "date"].nunique() != 1:
            print(f"{kind}: exam {exam['exam']}: more than one date")

print(len(exams["csv"]), "exams,", len(csv), "sites")
