#!/usr/bin/env python3
"""Flips every threshold of the rules by one and asks the tests of package diagnosis to notice.

    tests/outside/mutate.py [--comparisons] [--only NAME] [--jobs N]

Each constant of diagnosis/thresholds.go and each limit in the tables of scores.go and homecare.go is made
larger and smaller by one (a tenth for numbers with a point), one at a time, in a copy of the
packages; a change that no test notices survives and is listed. --comparisons also turns each < <= > >= of the
rules into its neighbour (<= for <, and so on). It takes minutes and is no part of make test.
"""
import argparse
import concurrent.futures
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]


def mutants(comparisons, only):
    """Yields (name, file, new text)."""
    file = "diagnosis/thresholds.go"
    text = (ROOT / file).read_text()
    for m in re.finditer(r"^(?:const )?\t?(\w+)\s*=\s*(\d+(?:\.\d+)?)\b", text, re.M):
        name, number = m.group(1), m.group(2)
        step = 0.1 if "." in number else 1
        for sign in (1, -1):
            new = f"{float(number) + sign * step:.2f}" if "." in number else str(int(number) + sign)
            yield f"{name} {number} -> {new}", file, text[: m.start(2)] + new + text[m.end(2):]
    for file, start in (("diagnosis/scores.go", "var (\n\tcountedDepths"), ("diagnosis/homecare.go", "var brushClasses")):
        text = (ROOT / file).read_text()
        at = text.index(start)
        end = text.index("\n)", at) if start.startswith("var (") else text.index("\n", at)
        for m in re.finditer(r"(?<=[{ ])\d+(?:\.\d+)?(?=[,}])", text[at:end]):
            number = m.group(0)
            step = 0.1 if "." in number else 1
            for sign in (1, -1):
                new = f"{float(number) + sign * step:.1f}" if "." in number else str(int(number) + sign)
                yield f"{file} {number} -> {new}", file, text[: at + m.start()] + new + text[at + m.end():]
    if comparisons:
        turn = {"<": "<=", "<=": "<", ">": ">=", ">=": ">"}
        for path in sorted((ROOT / "diagnosis").glob("*.go")):
            if path.name.endswith("_test.go") or path.name in ("finding_json.go", "explain.go", "thresholds.go"):
                continue
            text = path.read_text()
            for m in re.finditer(r" (<=|>=|<|>) ", text):
                line = text.count("\n", 0, m.start()) + 1
                source = text.splitlines()[line - 1].strip()
                # Lengths of lists and loops are no thresholds; comments are no code.
                if source.startswith("//") or re.search(r"\blen\(|for .*;|cap\(", source):
                    continue
                new = text[: m.start(1)] + turn[m.group(1)] + text[m.end(1):]
                yield f"{path.name}:{line} {source}", f"diagnosis/{path.name}", new


def run(mutant, folder):
    name, file, text = mutant
    target = folder / file
    before = target.read_text()
    target.write_text(text)
    try:
        p = subprocess.run(["go", "test", "-short", "-failfast", "./diagnosis"], cwd=folder, capture_output=True, text=True, timeout=300)
    finally:
        target.write_text(before)
    if p.returncode and ("build failed" in p.stdout or "cannot" in p.stderr):
        return name, "does not compile"
    return name, "caught" if p.returncode else "SURVIVED"


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--comparisons", action="store_true")
    parser.add_argument("--only", default="", help="names that contain this")
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args()
    todo = [m for m in mutants(args.comparisons, args.only) if args.only in m[0]]
    with tempfile.TemporaryDirectory() as tmp:
        folders = []
        for j in range(args.jobs):
            folder = pathlib.Path(tmp) / str(j)
            for part in ("chart", "diagnosis", "docs"):
                shutil.copytree(ROOT / part, folder / part)
            for part in ("go.mod", "go.sum"):
                shutil.copy(ROOT / part, folder)
            folders.append(folder)
        clean = subprocess.run(["go", "test", "-short", "./diagnosis"], cwd=folders[0], capture_output=True, text=True)
        if clean.returncode:
            sys.exit("the tests fail without any change:\n" + clean.stdout)
        results = []
        chunks = [todo[j :: args.jobs] for j in range(args.jobs)]
        with concurrent.futures.ThreadPoolExecutor(args.jobs) as pool:
            for part in pool.map(lambda j: [run(m, folders[j]) for m in chunks[j]], range(args.jobs)):
                results += part
    survived = sorted(n for n, r in results if r == "SURVIVED")
    broken = [n for n, r in results if r == "does not compile"]
    for n in survived:
        print("survived:", n)
    for n in broken:
        print("does not compile:", n)
    counted = len(results) - len(broken)
    print(f"{counted - len(survived)} of {counted} caught")
    sys.exit(1 if survived else 0)


if __name__ == "__main__":
    main()
