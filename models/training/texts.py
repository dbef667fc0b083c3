"""Random spoken calls: the vocabulary of periodontal charting, as words.

call(rng) returns a list of words, pieces of it separated by "," where a speaker would breathe.
"""

import numpy as np

DIGITS = "zero one two three four five six seven eight nine".split()
TEENS = "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
UNITS = DIGITS[1:]


def number(n):
    """The words of 0..99."""
    if n < 10:
        return [DIGITS[n]]
    if n < 20:
        return [TEENS[n - 10]]
    tens = "twenty thirty forty fifty sixty seventy eighty ninety".split()[n // 10 - 2]
    return [tens] + ([DIGITS[n % 10]] if n % 10 else [])


def plural(digit):
    return digit + ("es" if digit == "six" else "s")


# How often a depth in mm is called: mostly 1-5, as in a mouth.
DEPTH = [0.04, 0.12, 0.2, 0.22, 0.13, 0.09, 0.07, 0.05, 0.04, 0.04]
FLAGS = ["bleeding", "suppuration", "pus", "plaque", "calculus"]
SITES = ["mesial", "distal", "mid"]
ASPECTS = ["buccal", "facial", "lingual", "palatal"]
WORDS = (FLAGS + SITES + ASPECTS + DIGITS + TEENS[:6] + "recession margin minus overgrowth mobility furcation tooth implant "
         "missing unerupted present next back skip correction disregard affirm yes negative no remark upper lower right "
         "left first second third molar premolar canine lateral central incisor all grade class niner fife sweep affirmative".split())


def depth(rng, flat=False):
    if rng.random() < 0.04:
        return TEENS[rng.integers(0, 6)]
    return DIGITS[rng.choice(10, p=None if flat else DEPTH)]


def soundings(rng, n=None):
    n = n or int(rng.choice([1, 2, 3, 4, 5, 6, 9], p=[0.12, 0.1, 0.46, 0.06, 0.04, 0.18, 0.04]))
    flat = rng.random() < 0.6
    out = []
    for i in range(n):
        if i and i % 3 == 0 and rng.random() < 0.6:
            out.append(",")
        out.append(depth(rng, flat))
    return out


def tooth(rng):
    k = rng.integers(0, 4)
    if k == 0:
        return ["tooth"] + number(int(rng.integers(1, 33)))
    if k == 1:
        return ["tooth", DIGITS[rng.integers(1, 5)], DIGITS[rng.integers(1, 9)]]
    if k == 2:
        return ["tooth"] + number(10 * int(rng.integers(1, 5)) + int(rng.integers(1, 9)))
    kind = [["first", "molar"], ["second", "molar"], ["third", "molar"], ["first", "premolar"], ["second", "premolar"],
            ["canine"], ["lateral", "incisor"], ["central", "incisor"]][rng.integers(0, 8)]
    return [["upper", "lower"][rng.integers(0, 2)], ["right", "left"][rng.integers(0, 2)]] + kind


def pick(rng, xs):
    return xs[rng.integers(0, len(xs))]


def call(rng):
    k = rng.random()
    if k < 0.40:
        return soundings(rng)
    if k < 0.52:
        flag = [pick(rng, FLAGS)]
        tail = pick(rng, [[], [], ["all"], [pick(rng, SITES)]])
        head = ["no"] if rng.random() < 0.12 else (soundings(rng, 3) if rng.random() < 0.35 else [])
        return head + flag + tail
    if k < 0.60:
        return ["recession"] + soundings(rng, int(rng.choice([1, 3])))
    if k < 0.64:
        return pick(rng, [["margin", "minus"], ["overgrowth"], ["margin"]]) + [depth(rng)]
    if k < 0.70:
        if rng.random() < 0.45:
            return ["mobility", DIGITS[rng.integers(0, 4)]]
        return ["furcation", DIGITS[rng.integers(1, 4)]] + (
            [pick(rng, ["buccal", "lingual", "mesial", "distal"])] if rng.random() < 0.6 else [])
    if k < 0.80:
        return tooth(rng)
    if k < 0.86:
        return [pick(rng, ASPECTS)] + (soundings(rng, 3) if rng.random() < 0.5 else [])
    if k < 0.90:
        return [pick(rng, SITES)] + soundings(rng, int(rng.choice([1, 2])))
    if k < 0.94:
        out = [pick(rng, ["missing", "implant", "unerupted", "present"])]
        for _ in range(int(rng.choice([0, 1, 2, 3]))):
            out += [","] + number(int(rng.integers(1, 33)))
        return out
    if k < 0.96:
        return ["correction"] + soundings(rng, int(rng.choice([1, 3])))
    return pick(rng, [["next"], ["back"], ["skip"], ["disregard"], ["say", "again"], ["say", "again", "all"],
                      ["stand", "by"], ["go", "ahead"], ["affirm"], ["negative"], ["yes"], ["no"], ["remark"],
                      ["exam", "complete"], ["all", plural(pick(rng, UNITS))]])


# The rest of the calls (docs/calls.md), words in capitals drawn anew: D a depth, N a tooth, F a flag, S a site, A an aspect.
RARE = """F S D|F all|all PD|all PD F all|recession D D D|recession S D|margin minus D|margin minus D minus D zero|recession all PD|mobility grade D
furcation S D|furcation D A|furcation D|tooth N|tooth N|tooth N A|tooth N D D D|tooth N present|implant tooth N|missing teeth N and N|upper Q wisdom tooth|lower Q wisdom tooth
tooth Q second premolar A|S S D D|mesial mid distal D D D|correction all PD|correction S D|tooth N A correction D D D|help|go ahead|go ahead|stand by
say again|exam complete|path quadrant|path sextant|path pockets|path arch|path tooth|path|margin pass|depth pass|missing|no F|D D D F S|D F D D F
um D D D|D uh D D|er D D|D recession D|number N|missing number N|D D D , D D D|upper right|lower left|eye tooth|second bicuspid|cuspid
teeth|wisdom|quadrant|sextant|pockets|pass|arch|degree D|depth|okay|bleeds|middle D|labial|plus D|tooth|tooth|tooth|tooth""".replace("\n", "|").split("|")


def rare(rng):
    out = []
    for w in pick(rng, RARE).split():
        n = int(rng.integers(1, 33))
        out += {"D": lambda: [depth(rng)], "PD": lambda: [plural(pick(rng, UNITS))], "F": lambda: [pick(rng, FLAGS)], "S": lambda: [pick(rng, SITES)],
                "A": lambda: [pick(rng, ASPECTS)], "Q": lambda: [pick(rng, ["right", "left"])],
                "N": lambda: number(n) if rng.random() < .6 else [DIGITS[rng.integers(1, 5)], DIGITS[rng.integers(1, 9)]]}.get(w, lambda: [w])()
    return out


def utterance(rng):
    """What a synthetic voice is asked to say: calls, digit strings, lone numbers, single words."""
    k = rng.random()
    if k < 0.22:
        return call(rng)
    if k < 0.40:
        return rare(rng)
    if k < 0.60:
        return soundings(rng)

    def lone():
        j = rng.random()
        return number(int(rng.integers(0, 16))) if j < .35 else number(int(rng.integers(1, 33))) if j < .6 else [pick(rng, WORDS)]
    out = lone()
    while rng.random() < .55 and out.count(",") < 3:  # some voices garble words that stand alone
        out += [",", *lone()]
    return out


# What is heard worst in accents and noise is said most: two, three, four, five, nine.
HARD = np.array([1, 1, 2, 3, 3, 3, 1, 1, 2, 2]) / 19


def said(rng):
    """Half of the time numbers one after another in one breath or slowly, else any utterance."""
    k = rng.random()
    if k < .42:
        p = HARD if rng.random() < .6 else None
        out = []
        for i in range(int(rng.choice([2, 3, 4, 6], p=[.12, .55, .08, .25]))):
            if i == 3 and rng.random() < .35:
                out.append(",")
            out.append(DIGITS[rng.choice(10, p=p)])
        return out
    if k < .5:
        return [pick(rng, DIGITS), ",", pick(rng, DIGITS), ",", pick(rng, DIGITS)]
    return utterance(rng)
