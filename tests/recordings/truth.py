"""What the recordings must lead to, worked out without any code of the program under test.

Sites and directions follow ISO 3950 numbering and the rule that a probe moving towards the midline meets
distal, middle, mesial, and moving away from it mesial, middle, distal (common practice, no source).
"""
import random

UPPER = [18, 17, 16, 15, 14, 13, 12, 11, 21, 22, 23, 24, 25, 26, 27, 28]  # from the patient's right to the left
LOWER = [48, 47, 46, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 36, 37, 38]
THIRD_MOLARS = (18, 28, 38, 48)

# arch, row, side where the probe starts
PATHS = {
    "arch": [("upper", "B", "right"), ("upper", "L", "left"), ("lower", "B", "left"), ("lower", "L", "right")],
    "sweep_4": [("upper", "B", "right"), ("upper", "L", "left"), ("lower", "L", "left"), ("lower", "B", "right")],
}

ONES = "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen " \
       "seventeen eighteen nineteen".split()
TENS = {2: "twenty", 3: "thirty", 4: "forty"}


def universal(tooth):
    quadrant, digit = divmod(tooth, 10)
    return {1: 9 - digit, 2: 8 + digit, 3: 25 - digit, 4: 24 + digit}[quadrant]


def number(n):
    """A number below 50 in words."""
    if n < 20:
        return ONES[n]
    return TENS[n // 10] + (" " + ONES[n % 10] if n % 10 else "")


def triple(tooth, row, start):
    """The three sites of one side of a tooth in the order of a probe that comes from the patient's start side."""
    on_right = tooth // 10 in (1, 4)
    towards_midline = on_right == (start == "right")
    order = "D M" if towards_midline else "M D"
    first, last = order.split()
    return [(tooth, first + row), (tooth, row), (tooth, last + row)]


def path(name, absent=()):
    """Every (tooth, site) along a path, without the absent teeth."""
    walk = []
    for arch, row, start in PATHS[name]:
        teeth = UPPER if arch == "upper" else LOWER
        for tooth in teeth if start == "right" else teeth[::-1]:
            if tooth not in absent:
                walk += triple(tooth, row, start)
    return walk


def blank():
    """A chart in leadsman.chart/1 form before anything is called: third molars count as missing."""
    return {"schema": "leadsman.chart/1", "numbering": "fdi", "teeth": {
        str(t): {"state": "missing" if t in THIRD_MOLARS else "present"} for t in sorted(UPPER + LOWER)}}


VALUES = {"true": True, "false": False}


def apply(chart, sets):
    """Writes "17.DB.depth=3", "17.state=missing", "17.mobility=1", "17.furcation.B=2" into a chart;
    nothing after the equals sign removes the value."""
    for line in sets:
        key, value = line.split("=")
        tooth, *rest = key.split(".")
        at = chart["teeth"][tooth]
        if rest[0] == "furcation":
            at = at.setdefault("furcation", {})
            name = rest[1]
        elif len(rest) == 2:
            at = at.setdefault("sites", {}).setdefault(rest[0], {})
            name = rest[1]
        else:
            name = rest[0]
        if not value:
            del at[name]
        else:
            at[name] = VALUES.get(value, int(value) if value.lstrip("-").isdigit() else value)
    for tooth in chart["teeth"].values():  # a site whose last value was taken back is not recorded
        if "sites" in tooth:
            tooth["sites"] = {k: v for k, v in tooth["sites"].items() if v}
    return chart


def plausible_mouth(seed):
    """Depths for the 168 sites of `arch` as in a treated case of periodontitis: pockets between the teeth and
    at molars, shallow mid-tooth sites, a few of ten to twelve. The patient does not exist."""
    dice = random.Random(seed)
    worst = dict.fromkeys(UPPER + LOWER, 0)
    for tooth in (16, 17, 26, 36, 37, 46, 47):
        worst[tooth] = dice.choice([2, 3, 4])
    for tooth in (11, 24, 31, 41, 27):
        worst[tooth] = dice.choice([1, 2])
    depth = {}
    for tooth, site in path("arch", THIRD_MOLARS):
        between = site not in ("B", "L")
        d = dice.choice([2, 3, 3, 4] if between else [1, 2, 2, 3]) + (worst[tooth] if between else worst[tooth] // 2)
        depth[tooth, site] = d + (dice.random() < 0.15)
    for at, d in {(16, "DL"): 10, (36, "DB"): 10, (26, "DL"): 9, (46, "DL"): 11, (47, "DL"): 12, (17, "DB"): 8,
                  (37, "DL"): 9, (46, "L"): 8, (36, "B"): 6}.items():
        depth[at] = d
    return depth


def self_check():
    """The worked examples that these few lines must reproduce; the numbers are from the reference sheet of the
    trade's numbering and probing orders, computed there by hand."""
    assert [universal(t) for t in (18, 11, 21, 28, 38, 31, 41, 48, 46, 36)] == [1, 8, 9, 16, 17, 24, 25, 32, 30, 19]

    def called(tooth, row, start, depths):
        return ";".join(f"{t}.{s}={d}" for (t, s), d in zip(triple(tooth, row, start), depths))
    assert called(14, "B", "right", (3, 2, 4)) == "14.DB=3;14.B=2;14.MB=4"
    assert called(24, "B", "right", (3, 2, 4)) == "24.MB=3;24.B=2;24.DB=4"
    assert called(24, "L", "left", (3, 2, 4)) == "24.DL=3;24.L=2;24.ML=4"
    assert called(14, "L", "left", (3, 2, 4)) == "14.ML=3;14.L=2;14.DL=4"
    assert called(36, "L", "left", (5, 4, 6)) == "36.DL=5;36.L=4;36.ML=6"
    assert called(46, "B", "right", (5, 4, 6)) == "46.DB=5;46.B=4;46.MB=6"
    without = path("sweep_4", (12,))
    assert without[without.index((13, "MB")) + 1] == (11, "DB")
    for name in PATHS:
        assert len(path(name)) == len(set(path(name))) == 192
        assert len(path(name, THIRD_MOLARS)) == 168
