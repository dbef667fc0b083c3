"""What is said in the exams, with the effect of every call worked out by hand.

A call is (words, did, sets). `did` names the kind of call, `sets` what it must change in the chart, in the
form of truth.apply. Teeth are FDI. The path is `arch` from its first tooth (17 buccal).
Readings where the call itself leaves room: a flag, a margin and a correction belong to the tooth sounded last,
not to the tooth that the place has moved on to; after a tooth is named they belong to that tooth; the tool may
ask to have a list of missing teeth, an implant and the end of the exam confirmed, so `affirm` follows each.
"""
from truth import THIRD_MOLARS, number, path, universal


def tooth(fdi, numbering, by_digits=True):
    """Words that name a tooth: FDI as two digits or as a number, Universal as a number."""
    if numbering == "universal":
        return number(universal(fdi))
    return f"{number(fdi // 10)} {number(fdi % 10)}" if by_digits else number(fdi)


def exam(numbering):
    def go(fdi, by_digits=True):
        return ("tooth " + tooth(fdi, numbering, by_digits), "go", [])
    absent = [18, 24, 28, 38, 48]
    return [
        ("missing " + " ".join(tooth(t, numbering, by_digits=False) for t in absent), "state",
         [f"{t}.state=missing" for t in absent]),
        ("affirm", "answer", []),
        ("three two four", "soundings", ["17.DB.depth=3", "17.B.depth=2", "17.MB.depth=4"]),
        ("bleeding", "flag", ["17.MB.bleeding=true"]),
        ("four three five", "soundings", ["16.DB.depth=4", "16.B.depth=3", "16.MB.depth=5"]),
        ("bleeding all", "flag", ["16.DB.bleeding=true", "16.B.bleeding=true", "16.MB.bleeding=true"]),
        ("recession one two one", "margin", ["16.DB.recession=1", "16.B.recession=2", "16.MB.recession=1"]),
        ("three two three three two four", "soundings", ["15.DB.depth=3", "15.B.depth=2", "15.MB.depth=3",
                                                         "14.DB.depth=3", "14.B.depth=2", "14.MB.depth=4"]),
        ("plaque mesial", "flag", ["14.MB.plaque=true"]),
        ("all threes", "soundings", ["13.DB.depth=3", "13.B.depth=3", "13.MB.depth=3"]),
        ("margin minus one", "margin", ["13.MB.recession=-1"]),
        ("two one two", "soundings", ["12.DB.depth=2", "12.B.depth=1", "12.MB.depth=2"]),
        ("correction three two three", "correction", ["12.DB.depth=3", "12.B.depth=2", "12.MB.depth=3"]),
        ("two two", "soundings", ["11.DB.depth=2", "11.B.depth=2"]),
        ("correction three", "correction", ["11.B.depth=3"]),
        ("four", "soundings", ["11.MB.depth=4"]),
        ("say again", "say again", []),
        ("three two three", "soundings", ["21.MB.depth=3", "21.B.depth=2", "21.DB.depth=3"]),
        ("disregard", "disregard", ["21.MB.depth=", "21.B.depth=", "21.DB.depth="]),
        ("two one three", "soundings", ["21.MB.depth=2", "21.B.depth=1", "21.DB.depth=3"]),
        ("bleeding", "flag", ["21.DB.bleeding=true"]),
        ("no bleeding", "flag", ["21.DB.bleeding=false"]),
        ("next", "next", []),  # leaves 22
        ("four three two", "soundings", ["23.MB.depth=4", "23.B.depth=3", "23.DB.depth=2"]),
        ("overgrowth one", "margin", ["23.DB.recession=-1"]),
        ("three", "soundings", ["25.MB.depth=3"]),  # 24 is missing
        ("skip", "skip", []),
        ("two", "soundings", ["25.DB.depth=2"]),
        ("back", "back", []),  # from 26 to 25
        ("four two three", "soundings", ["25.MB.depth=4", "25.B.depth=2", "25.DB.depth=3"]),
        ("seven four ten", "soundings", ["26.MB.depth=7", "26.B.depth=4", "26.DB.depth=10"]),
        ("suppuration", "flag", ["26.DB.suppuration=true"]),
        ("bleeding mesial", "flag", ["26.MB.bleeding=true"]),
        go(26),
        ("mobility one", "mobility", ["26.mobility=1"]),
        ("furcation two buccal", "furcation", ["26.furcation.B=2"]),
        ("furcation one mesial", "furcation", ["26.furcation.M=1"]),
        ("stand by", "stand by", []),
        ("could you turn a little towards me please", "chatter", []),
        ("three more minutes and we are done", "chatter", []),
        ("go ahead", "go ahead", []),
        ("upper right first molar", "go", []),
        ("palatal", "aspect", []),
        ("four three four", "soundings", ["16.ML.depth=4", "16.L.depth=3", "16.DL.depth=4"]),
        ("pus distal", "flag", ["16.DL.suppuration=true"]),
        ("three three twelve", "soundings", ["17.ML.depth=3", "17.L.depth=3", "17.DL.depth=12"]),
        ("recession three", "margin", ["17.DL.recession=3"]),
        go(36, by_digits=False),
        ("buccal", "aspect", []),
        ("five two six", "soundings", ["36.DB.depth=5", "36.B.depth=2", "36.MB.depth=6"]),
        ("calculus all", "flag", ["36.DB.calculus=true", "36.B.calculus=true", "36.MB.calculus=true"]),
        ("bleeding mid", "flag", ["36.B.bleeding=true"]),
        go(36),
        ("lingual", "aspect", []),
        ("distal six", "soundings", ["36.DL.depth=6"]),
        ("mid three", "soundings", ["36.L.depth=3"]),
        go(46),
        ("implant", "state", ["46.state=implant"]),
        ("affirm", "answer", []),
        go(46),
        ("buccal", "aspect", []),
        ("three three four", "soundings", ["46.MB.depth=3", "46.B.depth=3", "46.DB.depth=4"]),
        ("four three five", "soundings", ["47.MB.depth=4", "47.B.depth=3", "47.DB.depth=5"]),
        ("calculus", "flag", ["47.DB.calculus=true"]),
        go(11),
        ("furcation one", "refused", []),  # a single-rooted tooth has none
        go(18, by_digits=False),
        ("present", "state", ["18.state=present"]),
        go(28),
        ("unerupted", "state", ["28.state=unerupted"]),
        ("say again all", "say again", []),
        ("remark the patient finds cold air unpleasant", "remark", []),
        ("exam complete", "complete", []),
        ("affirm", "answer", []),
    ]


PAGE = [
    ("three two four", "soundings", ["17.DB.depth=3", "17.B.depth=2", "17.MB.depth=4"]),
    ("bleeding", "flag", ["17.MB.bleeding=true"]),
    ("four three five", "soundings", ["16.DB.depth=4", "16.B.depth=3", "16.MB.depth=5"]),
    ("correction four three six", "correction", ["16.DB.depth=4", "16.B.depth=3", "16.MB.depth=6"]),
    ("recession two", "margin", ["16.MB.recession=2"]),
    ("three two three", "soundings", ["15.DB.depth=3", "15.B.depth=2", "15.MB.depth=3"]),
    ("all threes", "soundings", ["14.DB.depth=3", "14.B.depth=3", "14.MB.depth=3"]),
    ("two one two", "soundings", ["13.DB.depth=2", "13.B.depth=1", "13.MB.depth=2"]),
]


# What happens in a whole mouth besides its numbers, by tooth and row: how the three numbers are called, and what
# follows them. {last} is the site sounded last, {t} the tooth, {M} and {D} its mesial and distal site of the row.
MOUTH = {
    (17, "B"): ("", [("bleeding", "flag", "{last}.bleeding=true")]),
    (16, "B"): ("", [("bleeding all", "flag", "{M}.bleeding=true {mid}.bleeding=true {D}.bleeding=true"),
                     ("recession one two one", "margin", "{D}.recession=1 {mid}.recession=2 {M}.recession=1")]),
    (15, "B"): ("with the next", []),
    (14, "B"): ("", [("plaque mesial", "flag", "{M}.plaque=true")]),
    (12, "B"): ("misread", []),
    (11, "B"): ("in two breaths", []),
    (22, "B"): ("taken back", []),
    (24, "B"): ("", [("calculus all", "flag", "{M}.calculus=true {mid}.calculus=true {D}.calculus=true")]),
    (26, "B"): ("", [("mobility one", "mobility", "{t}.mobility=1"),
                     ("furcation two buccal", "furcation", "{t}.furcation.B=2")]),
    (27, "B"): ("last misread", [("suppuration", "flag", "{last}.suppuration=true")]),
    (26, "L"): ("", [("bleeding mesial", "flag", "{M}.bleeding=true")]),
    (25, "L"): ("with the next", []),
    (23, "L"): ("", [("say again", "say again", "")]),
    (21, "L"): ("taken back", [("bleeding", "flag", "{last}.bleeding=true"), ("no bleeding", "flag", "{last}.bleeding=false")]),
    (12, "L"): ("", [("stand by", "stand by", ""), ("could you turn a little towards me please", "chatter", ""),
                     ("go ahead", "go ahead", "")]),
    (14, "L"): ("misread", [("bleeding", "flag", "{last}.bleeding=true")]),
    (16, "L"): ("", [("pus distal", "flag", "{D}.suppuration=true"), ("margin minus one", "margin", "{last}.recession=-1")]),
    (37, "B"): ("", [("bleeding all", "flag", "{M}.bleeding=true {mid}.bleeding=true {D}.bleeding=true")]),
    (36, "B"): ("", [("furcation one buccal", "furcation", "{t}.furcation.B=1"), ("recession two", "margin", "{last}.recession=2")]),
    (35, "B"): ("with the next", []),
    (33, "B"): ("last misread", []),
    (31, "B"): ("", [("plaque", "flag", "{last}.plaque=true"), ("mobility two", "mobility", "{t}.mobility=2")]),
    (42, "B"): ("in two breaths", []),
    (44, "B"): ("", [("bleeding mid", "flag", "{mid}.bleeding=true")]),
    (46, "B"): ("misread", [("calculus", "flag", "{last}.calculus=true")]),
    (47, "L"): ("", [("bleeding", "flag", "{last}.bleeding=true")]),
    (45, "L"): ("with the next", []),
    (42, "L"): ("taken back", []),
    (31, "L"): ("", [("calculus all", "flag", "{M}.calculus=true {mid}.calculus=true {D}.calculus=true")]),
    (34, "L"): ("misread", []),
    (36, "L"): ("", [("bleeding distal", "flag", "{D}.bleeding=true"), ("recession one", "margin", "{last}.recession=1")]),
}
# Mistakes found later: after a tooth of the path another one is put right, and the place comes back.
LATER = {(24, "B"): (16, "B", (25, "B")), (34, "B"): (36, "B", (33, "B"))}


def mouth(depth):
    """Every site of 28 teeth along `arch`, spoken in Universal, with flags, margins, grades, and with mistakes of
    the speaker put right by voice: at once, by taking the call back, and after other teeth. A misread number is two
    more than the depth. The numbers of the teeth in LATER are first called one too high."""
    walk = path("arch", THIRD_MOLARS)
    put_right = {later[:2] for later in LATER.values()}
    calls, run = [], None
    for i in range(0, len(walk), 3):
        sites = walk[i:i + 3]
        t, row = sites[0][0], sites[1][1]
        right = [depth[at] for at in sites]
        called = [d + 1 for d in right] if (t, row) in put_right else right
        how, after = MOUTH.get((t, row), ("", []))

        def put(words, did, depths, at=sites):
            calls.append((words, did, [f"{a}.{s}.depth={d}" for (a, s), d in zip(at, depths)]))
        said = " ".join(map(number, called))
        wrong = [called[0] + 2, *called[1:]]
        if run:  # the second half of a breath over two teeth
            put(run[0] + " " + said, "soundings", run[1] + called, run[2] + sites)
            run = None
        elif how == "with the next":
            run = said, called, sites
        elif how == "misread":
            put(" ".join(map(number, wrong)), "soundings", wrong)
            put("correction " + said, "correction", called)
        elif how == "last misread":
            put(" ".join(map(number, called[:2] + [called[2] + 2])), "soundings", called[:2] + [called[2] + 2])
            put("correction " + number(called[2]), "correction", called[2:], sites[2:])
        elif how == "taken back":
            put(" ".join(map(number, wrong)), "soundings", wrong)
            put("disregard", "disregard", ["", "", ""])
            put(said, "soundings", called)
        elif how == "in two breaths":
            put(" ".join(map(number, called[:2])), "soundings", called[:2])
            put(number(called[2]), "soundings", called[2:], sites[2:])
        else:
            put(said, "soundings", called)
        names = {"t": t, "last": "{}.{}".format(*sites[2]), "mid": f"{t}.{row}", "M": f"{t}.M{row}", "D": f"{t}.D{row}"}
        calls += [(words, did, sets.format(**names).split()) for words, did, sets in after]
        if (t, row) in LATER:
            other, side, back = LATER[t, row]
            at = next(walk[j:j + 3] for j in range(0, len(walk), 3) if walk[j + 1] == (other, side))
            depths = [depth[a] for a in at]
            put(f"{go_to(other, side)} correction " + " ".join(map(number, depths)), "correction", depths, at)
            calls.append((go_to(*back), "go", []))
    return calls + [("exam complete", "complete", []), ("affirm", "answer", [])]


def go_to(fdi, row):
    return "tooth " + tooth(fdi, "universal") + (" buccal" if row == "B" else " lingual")
