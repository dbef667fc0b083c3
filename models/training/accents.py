"""Accents for the synthetic voices: how speakers of other languages, or of other kinds of English, sound the phones of a call.

The label stays the English phone, so the model learns that a "three" with an s or a rolled r is still a three. Only a sound that is
not said at all leaves the label too, where the lexicon knows the word without it ("four" without its r). Which sounds a
language puts for which English phone is common knowledge of language teaching, no source; written from memory.

A rule maps an ARPAbet phone (without stress) to one of several spellings in the alphabet of the Kokoro family; "" drops the sound.
Rules under "end" hold at the end of a word only. A speaker picks one spelling for each phone and keeps to it, and has each rule or
not with the accent's strength.
"""
import re

import lexicon

_DEVOICED = dict(Z=["s"], V=["f"], D=["t"], B=["p"], G=["k"], DH=["t"])
KINDS = {
    "british": dict(OW=["Q", "əʊ"], ER=["ɜː", "ə"], AA=["ɑː", "ɒ"], AO=["ɔː"], IY=["iː"], UW=["uː"], end=dict(R=[""], ER=["ə", "ɜː"], AO=["ɔː"])),
    "scottish": dict(R=["ɾ", "r"], EY=["e", "eː"], OW=["o", "oː"], ER=["ɛɾ", "ʌɾ"], AY=["ʌɪ", "I"]),
    "irish": dict(TH=["t", "t", "θ"], DH=["d", "d", "ð"], AY=["ɔɪ", "ɑɪ", "ʌɪ"], EY=["eː", "e"], OW=["oː", "o"], AH=["ʊ", "ʌ"], AO=["ɑː", "ɔː"], ER=["ɛɹ", "ʊɹ", "ɜɹ"], end=dict(T=["ʃ", "t"])),
    "australian": dict(EY=["ʌɪ", "æɪ"], AY=["ɒɪ", "ɑe"], OW=["ʌʊ", "əu"], IY=["əi", "iː"], IH=["i", "ɪ"], AE=["ɛ"], AO=["oː"], ER=["ɜː", "ə"], end=dict(R=[""], ER=["ə"], AO=["oː"])),
    "african": dict(TH=["t", "t", "f"], DH=["d"], IH=["i"], UH=["u"], EY=["e"], OW=["o"], ER=["ɛ", "a", "ɔ"], AH=["ɔ", "a"], AE=["a"], AO=["ɔ"], IY=["i"], UW=["u"], end=dict(R=[""], ER=["a"], D=["t", "d"], Z=["s"])),
    "french": dict(R=["ʁ", "ʁ", "w"], TH=["s", "t", "f"], DH=["z", "d"], HH=[""], IH=["i"], UH=["u"], AH=["œ", "a", "ɔ"], AE=["a"],
                   EY=["e", "ɛ", "ɛj"], OW=["o", "ɔ"], ER=["œʁ", "ɛʁ"], AO=["ɔ", "o"], AY=["aj", "ɑj"], UW=["u"], CH=["ʃ", "ʧ"], JH=["ʒ", "ʤ"],
                   NG=["ŋ", "n"]),
    "german": dict(W=["v"], TH=["s", "f"], DH=["z", "d"], R=["ʁ", "ɾ", "ɹ"], AE=["ɛ"], EY=["eː", "e"], OW=["oː", "o"], JH=["ʧ"], AH=["a", "œ"],
                   UW=["uː"], IY=["iː"], ER=["œʁ", "œɐ"], end=dict(_DEVOICED, R=["ɐ"])),
    "spanish": dict(V=["b", "β"], Z=["s"], IH=["i"], AE=["a"], AH=["a", "o"], UH=["u"], TH=["t", "s", "θ"], DH=["d", "ð"], R=["r", "ɾ"], SH=["ʧ", "ʃ"],
                    JH=["j", "ʎ"], HH=["x"], EY=["ej", "e"], OW=["o", "ow"], ER=["eɾ", "oɾ"], AO=["o"], NG=["n", "ŋ"]),
    "italian": dict(IH=["i"], AE=["a", "ɛ"], AH=["a"], UH=["u"], TH=["t", "f"], DH=["d"], R=["r", "ɾ"], HH=[""], EY=["ej", "ɛj"], OW=["o", "ow"],
                    ER=["ɛɾ"], AO=["ɔ", "o"], end=dict(T=["tə", "t"], S=["sə", "s"], K=["kə", "k"], V=["və", "v"], N=["nə", "n"])),
    "slavic": dict(TH=["s", "t", "f"], DH=["z", "d"], W=["v"], R=["r", "ɾ"], IH=["i", "ɨ"], AE=["ɛ"], AH=["a"], HH=["x"], NG=["nɡ", "n"], EY=["ej"],
                   OW=["o", "ou"], ER=["ɛr", "or"], AO=["o", "ɔ"], end=_DEVOICED),
    "indian": dict(T=["ʈ", "t"], D=["ɖ", "d"], TH=["t", "tʰ"], DH=["d"], W=["ʋ"], V=["ʋ"], R=["ɾ", "ɽ"], EY=["e", "eː"], OW=["o", "oː"], AO=["ɔ", "ɒ"],
                   Z=["z", "ʤ"], AH=["ə", "a"], ER=["əɾ"]),
    "chinese": dict(TH=["s", "f"], DH=["d", "z"], V=["w", "f"], Z=["s", "z"], IH=["i"], AE=["ɛ"], R=["ɹ", "l"], end=dict(L=["o", "l"], D=["t"], V=["f"], Z=["s"])),
    "japanese": dict(TH=["s"], DH=["z"], R=["ɽ", "ɾ"], L=["ɽ", "ɾ"], V=["b"], AE=["a"], AH=["a"], ER=["aː"], F=["ɸ", "f"], IH=["i"], UH=["ɯ"], UW=["ɯː"],
                     SH=["ɕ"], EY=["eː"], OW=["oː"], end=dict(T=["to", "t"], D=["do"], S=["sɯ"], V=["bɯ"], K=["kɯ"], N=["ɴ", "n"])),
    "arabic": dict(P=["b", "p"], V=["f", "v"], IH=["i"], R=["r", "ɾ"], TH=["s", "t"], DH=["z", "d"], EY=["eː"], OW=["oː"], AE=["a"], ER=["ɛr"], CH=["ʃ"],
                   JH=["ʒ"]),
    "nordic": dict(TH=["t", "f"], DH=["d"], W=["v", "ʋ"], Z=["s"], JH=["j", "ʤ"], R=["r", "ɾ", "ʁ"], AE=["ɛ", "a"], UW=["uː"], AH=["a", "ɔ"], end=dict(V=["f"], Z=["s"], D=["t"])),
    "portuguese": dict(TH=["t", "s", "f"], DH=["d", "z"], IH=["i"], AE=["ɛ"], AH=["a", "ɐ"], UH=["u"], HH=["x", ""], R=["ʁ", "ɾ"], AO=["ɔ"], EY=["ej"],
                       OW=["o", "ow"], ER=["eɾ", "ɔɾ"], NG=["n", "ŋ"], end=dict(T=["ʧi", "t"], D=["ʤi", "d"], L=["w"], K=["ki", "k"], V=["vi", "v"])),
    "greek": dict(SH=["s"], CH=["ʦ"], JH=["ʣ"], IH=["i"], AE=["a"], AH=["a"], HH=["x", "ç"], R=["ɾ", "r"], EY=["ej"], OW=["o"], ER=["ɛɾ"], UH=["u"]),
}


class Speaker:
    """One speaker's accent."""

    def __init__(self, rng, kind=None):
        self.kind = kind or str(rng.choice(list(KINDS)))
        rules = KINDS[self.kind]
        strength = rng.uniform(.5, 1)
        pick = lambda table: {p: o[rng.integers(0, len(o))] for p, o in table.items() if p != "end" and rng.random() < strength}
        self.rules, self.end = pick(rules), pick(rules.get("end", {}))
        # French puts the stress last; others keep it.
        self.flat = self.kind in ("french", "japanese", "indian") and rng.random() < strength

    def spell(self, pron):
        """Stressed ARPAbet to the Kokoro alphabet, as this speaker says it, and the phones of it that are said."""
        out, kept = "", []
        for i, p in enumerate(pron):
            base, stress = re.match(r"([A-Z]+)(\d?)", p).groups()
            last = i == len(pron) - 1
            said = self.end.get(base) if last else None
            if said is None:
                said = self.rules.get(base)
            if said is None or base == "AH" and stress == "0" and self.kind not in ("spanish", "italian", "japanese"):
                said = None
            if said != "":
                kept.append(p)
            if said is None:
                out += lexicon.kokoro([base + ("" if self.flat else stress)])
            else:
                mark = "ˈ" if stress == "1" and not self.flat else ""
                out += mark + said
        return out, kept


# How an espeak-ng voice of another language reads the English digits zero to nine and "tooth" when they are spelt for it.
SPELT = {
    "de": "siro wann tu sri for faif six sewen eyt nein tuus",
    "fr-fr": "ziro ouane tou sri faure faïve sixe sévenne eïte naïne touse",
    "es": "siro uan tu zri for faiv six seven eit nain tuz",
    "it": "siro uan tu tri for faiv sics seven eit nain tut",
    "pl": "ziro łan tu sri for fajw siks sewen ejt najn tus",
    "pt-br": "ziro uam tu tri fór faivi siks séven eit nain tut",
    "nl": "ziero wan toe srie foor faif siks sevven eet nain toes",
    "sv": "siro uann to tri får fajv six sevven ejt najn tot",
    "ru": "зиро уан ту сри фор файв сикс севен эйт найн тус",
    "hu": "ziró van tu szrí fór fájv sziksz szeven éjt nájn túsz",
    "tr": "ziro van tu sri for fayv siks sevın eyt nayn tus",
    "ro": "ziro uan tu sri for faiv six seven eit nain tus",
    "el": "ζίροου ουάν του θρι φορ φάιβ σιξ σέβεν έιτ νάιν τουθ",
}
