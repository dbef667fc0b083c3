"""A plain decoder over small word graphs, for measuring: frame-synchronous Viterbi on CTC log-probabilities."""
import numpy as np

import lexicon
from texts import ASPECTS, DIGITS, FLAGS, SITES, TEENS, UNITS, number, plural

MEASURED = {"zero": ["Z IH R OW", "Z IY R OW"], "four": ["F AO R", "F AO"]}


class Graph:
    """Nodes joined by word arcs; node 0 is the start."""

    def __init__(self):
        self.n, self.arcs, self.finals = 1, [], set()

    def node(self):
        self.n += 1
        return self.n - 1

    def arc(self, a, b, *words):
        for w in words:
            self.arcs.append((a, b, w))

    def seq(self, a, *items, end=None):
        """Chain of alternatives: each item a word, or a list of words of which one is said. Returns the last node."""
        for i, item in enumerate(items):
            b = end if end is not None and i == len(items) - 1 else self.node()
            self.arc(a, b, *([item] if isinstance(item, str) else item))
            a = b
        return a

    def accepts(self, words):
        """Whether some path from the start to a final node says these words."""
        at = {0}
        for w in words:
            at = {b for a, b, x in self.arcs if a in at and x == w}
        return bool(at & self.finals)

    def compile(self):
        sym, start, skip, first_node, final_state, final_node, words = [], [], [], [], [], [], []
        for a, b, w in self.arcs:
            prons = [lexicon.bare(p.split()) for p in MEASURED.get(w, [])] or \
                list({tuple(lexicon.bare(p)): 0 for p in lexicon.pronunciations(w)})
            if not prons:
                raise ValueError(f"no pronunciation of {w!r}")
            for p in prons:
                chain = [0] * (2 * len(p) - 1)
                chain[::2] = p
                for k, s in enumerate(chain):
                    sym.append(s)
                    start.append(k == 0)
                    skip.append(k >= 2 and k % 2 == 0 and chain[k] != chain[k - 2])
                    first_node.append(a)
                final_state.append(len(sym) - 1)
                final_node.append(b)
                words.append(w)
        self.sym, self.start, self.skip = np.array(sym), np.array(start), np.array(skip)
        self.first_node = np.array(first_node)
        order = np.argsort(final_node, kind="stable")
        self.final_state, self.words = np.array(final_state)[order], [words[i] for i in order]
        fn = np.array(final_node)[order]
        self.into, self.cut = np.unique(fn, return_index=True)  # nodes that arcs enter, where their arcs begin
        self.cuts = np.append(self.cut, len(fn))
        return self


def decode(g, lp):
    """Best word sequence that ends in one of g.finals: (words, score), or (None, -inf)."""
    big = -1e30
    n, s = g.n, len(g.sym)
    v, h = np.full(s, big), np.zeros(s, int)
    blank, hb = np.full(n, big), np.zeros(n, int)  # waiting in a node
    node, hn = np.full(n, big), np.zeros(n, int)
    node[0] = 0
    prev, word = [np.zeros(1, int)], [np.zeros(1, int)]
    base = 1
    for row in lp:
        one = np.concatenate(([big], v[:-1]))
        h1 = np.concatenate(([0], h[:-1]))
        one = np.where(g.start, node[g.first_node], one)
        h1 = np.where(g.start, hn[g.first_node], h1)
        two = np.where(g.skip, np.concatenate(([big, big], v[:-2])), big)
        h2 = np.concatenate(([0, 0], h[:-2]))
        better = one > v
        v, h = np.where(better, one, v), np.where(better, h1, h)
        better = two > v
        v, h = np.where(better, two, v) + row[g.sym], np.where(better, h2, h)
        better = node > blank
        blank, hb = np.where(better, node, blank) + row[0], np.where(better, hn, hb)
        out = v[g.final_state]
        top = np.maximum.reduceat(out, g.cut)
        node, hn = blank.copy(), hb.copy()
        new_prev, new_word = [], []
        for i in np.flatnonzero(top > node[g.into]):
            a, b = g.cuts[i], g.cuts[i + 1]
            k = a + int(out[a:b].argmax())
            node[g.into[i]], hn[g.into[i]] = top[i], base
            new_prev.append(h[g.final_state[k]])
            new_word.append(k)
            base += 1
        prev.append(np.array(new_prev, int))
        word.append(np.array(new_word, int))
    ends = [f for f in g.finals if node[f] > big / 2]
    if not ends:
        return None, -np.inf
    end = max(ends, key=lambda f: node[f])
    prev, word = np.concatenate(prev), np.concatenate(word)
    out, k = [], hn[end]
    while k:
        out.append(g.words[word[k]])
        k = prev[k]
    return out[::-1], float(node[end])


def digits(least, most):
    g = Graph()
    a = 0
    for i in range(most):
        a = g.seq(a, DIGITS)
        if i + 1 >= least:
            g.finals.add(a)
    return g.compile()


NUMBERS = DIGITS + TEENS + "oh twenty thirty forty fifty sixty seventy eighty ninety".split()


def loop(words):
    """Any number of words in any order."""
    g = Graph()
    a = g.seq(0, list(words))
    g.arc(a, a, *words)
    g.finals.add(a)
    return g.compile()


def one_of(words):
    g = Graph()
    g.finals.add(g.seq(0, sorted(words)))
    return g.compile()


def calls():
    """Every call of the vocabulary at once: the hardest state a grammar can be in."""
    g = Graph()
    end = g.node()
    g.finals.add(end)
    depth = DIGITS + TEENS[:6]

    def numbers(a, most, ends=True):
        """Up to `most` depths; returns the node after each."""
        out = []
        for _ in range(most):
            a = g.seq(a, depth)
            if ends:
                g.finals.add(a)
            out.append(a)
        return out

    def tail(a):
        b = g.node()
        g.finals.add(b)
        g.arc(a, b, *FLAGS)
        g.arc(b, end, "all", *SITES)

    for a in [0] + numbers(0, 9):
        tail(a)
    no = g.seq(0, "no")
    g.finals.add(no)
    tail(no)
    numbers(g.seq(0, "recession"), 3)
    margin = g.seq(0, "margin")
    g.arc(margin, end, *depth)
    g.seq(margin, "minus", depth, end=end)
    g.seq(0, "overgrowth", depth, end=end)
    g.seq(0, "mobility", DIGITS[:4], end=end)
    f = g.seq(0, "furcation", DIGITS[1:4])
    g.finals.add(f)
    g.arc(f, end, "buccal", "lingual", "mesial", "distal")

    def tooth_number(a, last):
        b = g.node()
        tens = {}
        for k in range(1, last + 1):
            w = number(k)
            if len(w) == 1:
                g.arc(a, b, w[0])
            else:
                if w[0] not in tens:
                    tens[w[0]] = g.seq(a, w[0])
                g.arc(tens[w[0]], b, w[1])
        g.finals.add(b)
        return b

    tooth = g.seq(0, "tooth")
    tooth_number(tooth, 48)
    g.seq(tooth, DIGITS[1:5], DIGITS[1:9], end=end)
    side = g.seq(0, ["upper", "lower"], ["right", "left"])
    order = g.seq(side, ["first", "second"])
    g.arc(order, end, "molar", "premolar")
    g.seq(side, "third", "molar", end=end)
    g.arc(side, end, "canine")
    g.seq(side, ["lateral", "central"], "incisor", end=end)
    aspect = g.seq(0, ASPECTS)
    g.finals.add(aspect)
    numbers(aspect, 9)
    site = g.seq(0, SITES)
    numbers(site, 2)
    state = g.seq(0, ["missing", "implant", "unerupted", "present"])
    g.finals.add(state)
    for _ in range(3):
        state = tooth_number(state, 32)
    numbers(g.seq(0, "correction"), 3)
    g.arc(0, end, "next", "back", "skip", "disregard", "affirm", "negative", "yes", "remark")
    again = g.seq(0, "say", "again")
    g.finals.add(again)
    g.arc(again, end, "all")
    g.seq(0, "stand", "by", end=end)
    g.seq(0, "go", "ahead", end=end)
    g.seq(0, "exam", "complete", end=end)
    g.seq(0, "all", [plural(u) for u in UNITS], end=end)
    return g.compile()


def phone_loop(lp):
    """Score of the best unconstrained path, and its number of non-blank frames."""
    return float(lp.max(1).sum()), int((lp.argmax(1) != 0).sum())
