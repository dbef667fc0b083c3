"""Random spoken calls: the vocabulary of periodontal charting, as words.

call(rng) returns a list of words, pieces of it separated by "," where a speaker would breathe.
"""

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
         "left first second third molar premolar canine lateral central incisor all grade class".split())


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


def utterance(rng):
    """What a synthetic voice is asked to say: calls, digit strings, lone numbers, single words."""
    k = rng.random()
    if k < 0.40:
        return call(rng)
    if k < 0.60:
        return soundings(rng)
    if k < 0.72:
        return number(int(rng.integers(0, 16)))
    if k < 0.82:
        return number(int(rng.integers(1, 33)))
    return [pick(rng, WORDS)]
