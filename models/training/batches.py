"""Training batches: clips joined into calls (on the CPU, as a plan), then sounded, spoilt and turned to mel on the GPU."""
import numpy as np
import torch
import torch.nn.functional as F

import frontend
import noise

RATE = 16000
DIGIT = set("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen "
            "eighteen nineteen twenty thirty oh".split())
SYNTH = {"kokoro": .56, "hibari": .08, "espeak": .20, "flite": .16}


class Plan:
    """Draws batches: which clips, where, how fast. Kinds of utterance and their shares are the recipe of the model card."""
    KINDS = ("digits", "words", "read", "synth", "single", "mixed", "nothing")

    def __init__(self, clips, batch, seed, shares=(.26, .07, .11, .38, .08, .04, .06), windows=.7):
        self.clips, self.batch, self.rng, self.shares = clips, batch, np.random.default_rng(seed), shares
        self.windows = windows  # share of utterances of which only a window is given, as the engine does
        by = {}
        for i, c in enumerate(clips):
            src = c["source"]
            if src in SYNTH:
                by.setdefault(("synth", src), {}).setdefault(c["speaker"], []).append(i)
                if len(c["words"]) == 1:
                    by.setdefault(("word", "synth"), {}).setdefault(c["speaker"], []).append(i)
                if all(w in DIGIT for w in c["words"]) and len(c["words"]) <= 2:
                    by.setdefault(("digit", "synth"), {}).setdefault(c["speaker"], []).append(i)
            elif src in ("librispeech", "readers", "dctts", "pocketsphinx"):
                by.setdefault(("read", src), {}).setdefault(c["speaker"], []).append(i)
            else:
                if all(w in DIGIT for w in c["words"]):
                    by.setdefault(("digit", "fsdd" if src == "fsdd" else "real"), {}).setdefault(c["speaker"], []).append(i)
                by.setdefault(("word", "real"), {}).setdefault(c["speaker"], []).append(i)
        # Within a pool a speaker is drawn by the root of the clips it has: many speakers, none too often.
        self.pool = {}
        self.size = {k: sum(c["source"] == k for c in clips) for k in SYNTH}
        for k, sp in by.items():
            names = list(sp)
            w = np.sqrt([len(sp[s]) for s in names])
            self.pool[k] = [sp[s] for s in names], np.cumsum(w / w.sum())

    def speaker(self, key):
        lists, cum = self.pool[key]
        return lists[min(int(np.searchsorted(cum, self.rng.random())), len(lists) - 1)]

    def pick(self, items):
        return items[self.rng.integers(0, len(items))]

    def gap(self):
        """Seconds between two joined words: overlap as in fast talk, short, plain, or a hesitation."""
        k = self.rng.random()
        lo, hi = ((-.05, .0) if k < .25 else (.0, .12) if k < .58 else (.12, .4) if k < .87 else (.4, 1.0))
        return self.rng.uniform(lo, hi)

    def strung(self, keys, most):
        """Clips of one speaker (mostly) joined."""
        # Lone words are what short windows lose: a third of all.
        n = 1 if self.rng.random() < .33 else 1 + self.rng.binomial(most - 1, .35)
        items = self.speaker(keys[self.rng.choice(len(keys), p=self.p)])
        mixed = self.rng.random() < .15
        pace = self.gap() if self.rng.random() < .5 else None  # one rhythm for the whole call
        segs, t = [], self.rng.uniform(.02, .5)
        speed = self.rng.uniform(.88, 1.14) if self.rng.random() < .6 else 1.0
        for k in range(n):
            if mixed and k:
                items = self.speaker(keys[self.rng.choice(len(keys), p=self.p)])
            c = self.clips[self.pick(items)]
            a = max(0, c["a"] - int(self.rng.uniform(0, .06) * RATE))
            b = min(c["n"], c["b"] + int(self.rng.uniform(0, .06) * RATE))
            s = speed * self.rng.uniform(.96, 1.04)
            dur = (b - a) / RATE / s
            if t + dur > 9.0:
                break
            segs.append((t, c["at"] + a, dur, s, self.rng.uniform(.6, 1.0), c))
            t += dur + (self.gap() if pace is None else max(-.05, pace + self.rng.normal(0, .03)))
        return segs, max(s[0] + s[2] for s in segs) if segs else 0

    def whole(self, items):
        c = self.clips[self.pick(items)]
        s = self.rng.uniform(.88, 1.14) if self.rng.random() < .6 else 1.0
        t = self.rng.uniform(0, .4)
        return [(t, c["at"], c["n"] / RATE / s, s, 1.0, c)], t + c["n"] / RATE / s

    def utterance(self):
        kind = self.KINDS[self.rng.choice(len(self.KINDS), p=self.shares)]
        if kind == "nothing":  # noise alone says nothing: else it is heard as short words
            return [], self.rng.uniform(1, 5)
        if kind == "digits":
            self.p = (.28, .40, .32)
            segs, end = self.strung([("digit", "fsdd"), ("digit", "real"), ("digit", "synth")], 8)
        elif kind == "words":
            self.p = (.35, .25, .40)
            segs, end = self.strung([("word", "real"), ("digit", "real"), ("word", "synth")], 6)
        elif kind == "read":
            key = self.rng.choice(["librispeech", "readers", "dctts", "pocketsphinx"], p=[.34, .5, .14, .02])
            key = key if ("read", key) in self.pool else "librispeech"
            segs, end = self.whole(self.speaker(("read", key)))
        elif kind == "synth":
            have = [k for k in SYNTH if ("synth", k) in self.pool]
            p = np.array([SYNTH[k] * self.size[k] ** .5 for k in have])
            segs, end = self.whole(self.speaker(("synth", have[self.rng.choice(len(have), p=p / p.sum())])))
        elif kind == "single":
            segs, end = self.whole(self.speaker(("word", "real") if self.rng.random() < .7 else ("digit", "real")))
        else:  # real digits and synthetic trade words in one call
            self.p = (.25, .35, .40)
            segs, end = self.strung([("digit", "fsdd"), ("digit", "real"), ("word", "synth")], 6)
        return segs, end + self.rng.uniform(.05, .6)

    def window(self, segs, end):
        """Begin and end (s) of what is given of an utterance, and the labels of the phones that lie within. Mostly the whole
        call between up to 0.7 s of room and up to 0.6 s behind it; else it ends behind a word or anywhere (the call goes on), or begins
        somewhere in an earlier word (of the call before)."""
        rng = self.rng
        labels = [p for s in segs for w in s[5]["phones"] for p in w]
        whole = 0, end, labels, True
        if rng.random() > self.windows:
            return whole
        if not segs:
            return 0, min(end, rng.uniform(.3, 3)), labels, True
        if any("t" not in s[5] for s in segs):
            return whole
        times = np.array([t + (p - (at - c["at"]) / RATE) / s for t, at, dur, s, g, c in segs for p in c["t"]])
        ends = np.cumsum([len(w) for s in segs for w in s[5]["phones"]])
        firsts = np.append(0, ends[:-1])
        a, b, more = times[0] - rng.uniform(.08, .7), times[-1] + rng.uniform(.06, .6), False
        k = rng.random()
        if k < .3:  # a partial look, right behind a word
            w = rng.integers(0, len(ends))
            b = times[ends[w] - 1] + rng.uniform(.06, .25)
            more = True
        elif k < .45:  # or anywhere
            b = rng.uniform(times.min(), times.max()) + .1
            more = True
        if rng.random() < .3:
            w = rng.integers(0, len(firsts))
            if times[firsts[w]] < b:
                a = times[firsts[w]] - rng.uniform(.05, .6)
        a, b = max(a, -.7), min(max(b, a + .3), a + 9.5)
        for t in times:  # not in the very moment in which a phone is heard
            if b - .06 < t < b:
                b = t + .06
            if a - .02 < t < a + .03:
                a = t - .03 if t - .03 > -.7 else t + .03
        return a, b, [p for p, t in zip(labels, times) if a <= t < b], not more

    def around(self):
        """Pace, frames of silence before and behind, and whether the window is plain (a recording given whole, as it is)."""
        rng = self.rng
        pace = np.exp(rng.uniform(-.28, .22)) if rng.random() < .5 else 1.0
        if rng.random() > self.windows:
            return pace, 0, 0, True
        return pace, rng.integers(0, 100) if rng.random() < .2 else 0, 10 if rng.random() < .7 else rng.integers(0, 100), False

    def batches(self):
        """Endless: dict of numpy arrays. Many batches are drawn at once and sorted by length, to waste little."""
        while True:
            drawn = []
            while len(drawn) < self.batch * 8:
                segs, end = self.utterance()
                if end < 9.9:
                    drawn.append((segs, *self.window(segs, end), *self.around()))
            drawn.sort(key=lambda u: (u[2] - u[1]) * u[5] * 100 + u[6] + u[7])
            cuts = [drawn[i:i + self.batch] for i in range(0, len(drawn) - self.batch // 2, self.batch)]
            for i in self.rng.permutation(len(cuts)):
                yield self.arrays(cuts[i])

    LEAD = .9  # seconds sounded before the window, for what the room makes of them and for the teacher
    AROUND = 60  # frames that the teacher sees before and behind the window

    def arrays(self, us):
        """us: (segments, begin, end, labels, nothing follows, *around). The window of each begins LEAD into its sound; its length and
        what stands around it (real sound, or silence as the engine puts it) come as frames of 10 ms."""
        rng = self.rng
        pace, front, pad, plain = (np.array([u[k] for u in us]) for k in (5, 6, 7, 8))
        frames = np.maximum(20, np.round([(u[2] - u[1]) * u[5] * 100 for u in us]).astype(int))
        front = np.minimum(front, np.maximum(0, 960 - frames))
        total = min(int(np.ceil((frames + front + pad).max() / 16) * 16), 992)
        frames = np.minimum(frames, total - front)
        # Where nothing follows, the sound of the room may fill the rest, behind the call or before it.
        open_end = np.array([u[4] for u in us])
        room = np.maximum(0, total - front - frames - pad)
        later = np.where(open_end & (plain | (rng.random(len(us)) < .5)), room, 0)
        shift = np.where(open_end & (rng.random(len(us)) < .3), (later * rng.random(len(us))).astype(int), 0)
        rows, labels, lens, active = [], [], [], []
        for b, (segs, begin, end, lab, *_) in enumerate(us):
            move = self.LEAD - begin + shift[b] / 100 / pace[b]
            for t, at, dur, s, g, c in segs:
                if t < end + self.AROUND / 100 + .3 and t + dur + move > 0:
                    cut = max(0, -(t + move))  # what lies before the sound
                    rows.append((b, int((t + move + cut) * RATE), at + int(cut * s * RATE), int((dur - cut) * RATE), s, g))
            labels += lab
            lens.append(len(lab))
            active.append((max(0, segs[0][0] + move), min(segs[-1][0] + segs[-1][2], end) + move) if segs else (0, end))
        n = int(np.ceil((self.LEAD + ((frames + later) / pace).max() / 100 + self.AROUND / 75 + .05) / .16)) * 2560
        r = np.array(rows or [(0, 0, 0, 0, 1, 0)], np.float64)
        return dict(n=n, b=len(us), row=r[:, 0].astype(np.int64), off=r[:, 1].astype(np.int64), at=r[:, 2].astype(np.int64),
                    dur=r[:, 3].astype(np.int64), speed=r[:, 4].astype(np.float32), gain=r[:, 5].astype(np.float32),
                    labels=np.array(labels, np.int64), lens=np.array(lens, np.int64), active=np.array(active, np.float32),
                    total=total, frames=frames + later, front=front, pace=pace.astype(np.float32), plain=plain)


def nice_fft(n):
    """The next length that the FFT likes: 2^k or 3 * 2^k."""
    k = 1
    while k < n:
        k *= 2
    return k * 3 // 4 if k * 3 // 4 >= n else k


def rooms(rng, count):
    """Room responses: direct sound, a few early reflections, an exponential tail of 0.08-0.6 s (to -60 dB)."""
    n = 8000
    t = np.arange(n) / RATE
    out = np.zeros((count, n), np.float32)
    for h in out:
        tail = rng.standard_normal(n) * np.exp(-6.9 * t / rng.uniform(.08, .6))
        start = int(rng.uniform(.002, .02) * RATE)
        tail[:start] = 0
        h += tail / np.sqrt((tail ** 2).sum()) * 10 ** (-rng.uniform(0, 18) / 20)
        for _ in range(rng.integers(1, 6)):
            h[rng.integers(8, 400)] += rng.uniform(-.4, .4)
        h[0] += 1
    return out


class Spoiler:
    """Everything between a clean joined call and the network's mel, for a whole batch on the GPU."""

    def __init__(self, sound, clips, noise_clips, device, seed, minutes=6, hard=0.0):
        rng = np.random.default_rng([1_000_000, seed])
        self.dev, self.hard = device, hard
        self.sound = torch.as_tensor(sound).to(device)
        bank = [noise.surgery(rng, RATE * 30) for _ in range(int(minutes * 2))]
        bank += [noise.unit(np.tile(x, int(np.ceil(RATE * 12 / len(x))))) for x in noise_clips]
        for _ in range(16):  # babble of our own training speakers
            mix = np.zeros(RATE * 30)
            for _ in range(int(rng.integers(2, 9))):
                x, at = np.zeros(RATE * 30), 0
                while at < len(x):
                    c = clips[rng.integers(0, len(clips))]
                    y = sound[c["at"]:c["at"] + c["n"]] / 32768
                    y = y[:len(x) - at]
                    x[at:at + len(y)] = y
                    at += len(y) + 1
                mix += x
            bank.append(noise.unit(mix))
        self.surgery = int(minutes * 2)
        self.starts = np.cumsum([0] + [len(x) for x in bank])
        self.bank = torch.as_tensor(np.concatenate(bank).astype(np.float32)).to(device)
        self.rooms = torch.as_tensor(rooms(rng, 256)).to(device)
        self.filters = torch.as_tensor(frontend.FILTERS).to(device)
        self.hann = torch.as_tensor(frontend.HANN).to(device)
        k, j = np.arange(20)[:, None], np.arange(80)[None]
        dct = np.cos(np.pi * k * (j + .5) / 80) * np.sqrt(np.where(k == 0, 1, 2) / 80)
        self.smoother = torch.as_tensor((dct.T @ dct).astype(np.float32)).to(device)  # keeps the first 20 of 80 cosines
        self.rng = rng

    def u(self, *shape, lo=0.0, hi=1.0):
        return torch.rand(*shape, device=self.dev) * (hi - lo) + lo

    def noises(self, b, n):
        """A piece of the noise bank for each sample; half of them are surgery noises."""
        k = np.where(self.rng.random(b) < .5, self.rng.integers(0, self.surgery, b),
                     self.rng.integers(self.surgery, len(self.starts) - 1, b))
        room = np.maximum(1, self.starts[k + 1] - self.starts[k] - n)
        at = torch.as_tensor(self.starts[k] + (self.rng.random(b) * room).astype(np.int64)).to(self.dev)
        return self.bank[at[:, None] + torch.arange(n, device=self.dev)[None]]

    def assemble(self, p):
        dev = self.dev
        t = {k: torch.as_tensor(v).to(dev, non_blocking=True) for k, v in p.items() if isinstance(v, np.ndarray)}
        longest = int(p["dur"].max())
        i = torch.arange(longest, device=dev)[None]
        pos = i * t["speed"][:, None]  # within the clip: a float cannot hold positions in hours of sound
        frac = pos - pos.floor()
        lo = (t["at"][:, None] + pos.long()).clamp(0, len(self.sound) - 2)
        x = self.sound[lo].float() * (1 - frac) + self.sound[lo + 1].float() * frac
        fade = 240.0
        env = ((i + 1) / fade).clamp(max=1) * ((t["dur"][:, None] - i) / fade).clamp(0, 1)
        to = t["off"][:, None] + i
        ok = (i < t["dur"][:, None]) & (to < p["n"])
        x = x / 32768 * env * t["gain"][:, None] * ok
        out = torch.zeros(p["b"], p["n"], device=dev)
        out.view(-1).scatter_add_(0, (t["row"][:, None] * p["n"] + to.clamp(max=p["n"] - 1)).view(-1), x.view(-1))
        return out, t

    def colour(self, b, bins, p_room, p_band):
        """Frequency response of room, microphone and line for each sample of the batch."""
        f = torch.linspace(0, RATE / 2, bins, device=self.dev)[None]
        oct_ = torch.log2(f.clamp(min=50) / 1000)
        tilt = self.u(b, 1, lo=-4, hi=4) * (self.u(b, 1) < .5)
        wave = self.u(b, 1, lo=0, hi=5) * torch.sin(oct_ * self.u(b, 1, lo=.5, hi=4) + self.u(b, 1, hi=6.3))
        h = 10 ** ((tilt * oct_ + wave * (self.u(b, 1) < .6)) / 20)
        k = self.u(b, 1)
        # A mask over the mouth, or the far side of a room: the highs fall 4 to 14 dB an octave from 1.5 to 3.5 kHz on.
        knee = torch.log2(f.clamp(min=50) / self.u(b, 1, lo=1500, hi=3500)).clamp(min=0)
        h = h * 10 ** (-knee * self.u(b, 1, lo=4, hi=14) * (self.u(b, 1) < .4 * self.hard) / 20)
        low = torch.where(k < p_band * .6, self.u(b, 1, lo=3300, hi=3900), torch.where(k < p_band, self.u(b, 1, lo=3500, hi=7500), torch.full_like(k, 9000.)))
        high = torch.where(k < p_band * .6, self.u(b, 1, lo=100, hi=320), self.u(b, 1, lo=20, hi=120))
        return h, 1 / (1 + (f / low) ** 16) ** .5 / (1 + (high / f.clamp(min=1)) ** 6) ** .5

    def __call__(self, p):
        x, t = self.assemble(p)
        b, n = x.shape
        size = nice_fft(n + 4000)
        bins = size // 2 + 1
        pick = torch.randint(0, len(self.rooms), (b,), device=self.dev)
        wet = self.rooms[pick] * (self.u(b, 1) < .4 + .2 * self.hard)
        wet[:, 0] = torch.where(wet[:, 0] == 0, 1.0, wet[:, 0])
        eq, band = self.colour(b, bins, .4, .3 + .25 * self.hard)
        spec = torch.fft.rfft(x, size) * torch.fft.rfft(wet, size) * eq
        x = clean = torch.fft.irfft(spec, size)[:, :n]
        times = torch.arange(n, device=self.dev)[None] / RATE
        on = (times >= t["active"][:, :1]) & (times <= t["active"][:, 1:])
        power = ((x ** 2) * on).sum(1) / on.sum(1).clamp(min=1)
        power = torch.where(power < 1e-9, torch.full_like(power, 1e-3), power)
        y = self.noises(b, n)
        if self.rng.random() < .4:
            y = y + self.noises(b, n) * (self.u(b, 1) < .6)
        white = torch.randn_like(x)
        y = torch.where(self.u(b, 1) < .2, white, y)
        y = y / (y.pow(2).mean(1, keepdim=True).sqrt() + 1e-6)
        snr = torch.where(self.u(b) < .25, self.u(b, lo=35, hi=60), self.u(b, lo=2, hi=32))
        snr = torch.where(self.u(b) < .45 * self.hard, self.u(b, lo=1, hi=14), snr)
        floor = 1e-4 * white
        x = x + y * (power.sqrt() * 10 ** (-snr / 20))[:, None] + floor * power.sqrt()[:, None]
        x = torch.fft.irfft(torch.fft.rfft(x, size) * band, size)[:, :n]
        peak = x.abs().amax(1, keepdim=True) + 1e-6
        x = x / peak
        clip = torch.where(self.u(b, 1) < .06, self.u(b, 1, lo=.25, hi=.8), torch.ones(b, 1, device=self.dev))
        x = x.clamp(-clip, clip) * 10 ** (self.u(b, 1, lo=-36, hi=0) / 20)
        silent = t["lens"] == 0  # a quiet room is far below speech
        x = torch.where(silent[:, None], x * 10 ** (self.u(b, 1, lo=-40, hi=0) / 20), x)
        x = x + torch.randn_like(x) * 3e-5
        m = self.logmel(x)
        clean = clean / (clean.abs().amax(1, keepdim=True) + 1e-6) + white * 3e-4
        # The window, at its pace: frame j of the output lies at lead + (j - front) / pace.
        e = Plan.AROUND
        j = torch.arange(-e, p["total"] + e, device=self.dev)[None]
        inside = (j >= t["front"][:, None]) & (j < (t["front"] + t["frames"])[:, None])
        at = Plan.LEAD * 100 + (j - t["front"][:, None]) / t["pace"][:, None]
        return self.picture(m, self.logmel(clean), t, at, inside, e)

    def cepstral(self, cepstra, ids, b):
        """A batch of clips that exist as smoothed mel pictures only; noise is added as power in each band."""
        pick = self.rng.choice(ids, b)
        ms = [cepstra.mel(i) for i in pick]
        pads = self.rng.integers(0, 25, b)
        n = int(np.ceil((max(len(m) + p for m, p in zip(ms, pads)) + 8) / 16) * 16)
        m = np.stack([np.pad(x, ((p, n - len(x) - p), (0, 0)), mode="edge") for x, p in zip(ms, pads)]).transpose(0, 2, 1)
        m = torch.as_tensor(m.astype(np.float32)).to(self.dev)
        y = self.logmel(self.noises(b, n * 160))
        level = torch.log10((10 ** m).mean((1, 2), keepdim=True)) - torch.log10((10 ** y).mean((1, 2), keepdim=True))
        clean, m = m, torch.log10(10 ** m + 10 ** (y + level - self.u(b, 1, 1, lo=.2, hi=5))) + self.u(b, 1, 1, lo=-3, hi=.5)
        lens = np.array([len(cepstra.labels[i]) for i in pick])
        active = np.stack((pads / 100, [(len(x) + p) / 100 for x, p in zip(ms, pads)]), 1).astype(np.float32)
        t = dict(labels=torch.as_tensor(np.concatenate([cepstra.labels[i] for i in pick])).to(self.dev),
                 lens=torch.as_tensor(lens).to(self.dev), active=torch.as_tensor(active).to(self.dev))
        pace = torch.where(self.u(b) < .5, torch.exp(self.u(b, lo=-.28, hi=.22)), torch.ones(b, device=self.dev))
        pace = torch.minimum(pace, n / (t["active"][:, 1] * 100 + 20).clamp(max=n))
        at = torch.arange(n, device=self.dev)[None] / pace[:, None]
        return self.picture(m, clean, dict(t, plain=self.u(b) < .3), at, torch.ones(b, n, dtype=torch.bool, device=self.dev))

    def logmel(self, x):
        s = torch.stft(x, 400, 160, window=self.hann, center=True, pad_mode="reflect", return_complex=True)[..., :-1]
        return torch.log10((self.filters @ s.abs().pow(2)).clamp(min=1e-10))

    def picture(self, m, clean, t, at, inside, around=0):
        """From log10 band powers to the network's input: pace (at: the frame of m for each frame of the output), vocal tract,
        smoothing, level, floor, masks. Frames that are not inside are silence. t["plain"]: the level stays as it is; else it is
        brought to where the engine brings it (bestPeak in speech/ctc). clean is the same sound before noise and line spoilt it: the
        teacher's, who also gets the first and last `around` frames and no masks. Returns input, labels, output frames, labels of
        each, and the teacher's input and the output frames (of the window) in which it knows better."""
        b, frames = inside.shape
        old = m.shape[2]
        warp = torch.where(self.u(b) < .5, self.u(b, lo=.88, hi=1.14), torch.ones(b, device=self.dev))
        warp = torch.where(self.u(b) < .25 * self.hard, self.u(b, lo=.82, hi=1.22), warp)
        fi = (torch.arange(80, device=self.dev)[None] * warp[:, None]).clamp(max=79)
        ti = at.clamp(0, old - 1)
        grid = torch.stack((ti[:, None, :].expand(b, 80, frames) / (old - 1) * 2 - 1,
                            fi[:, :, None].expand(b, 80, frames) / 79 * 2 - 1), -1)
        both = F.grid_sample(torch.stack((m, clean), 1), grid, mode="bilinear", align_corners=True)
        m, clean = both[:, 0], both[:, 1]
        smooth = torch.einsum("jk,bkt->bjt", self.smoother, m)
        m = torch.where(self.u(b, 1, 1) < .06, smooth, m)
        silent = torch.full_like(m, -10.)
        wide = torch.where(((at >= 0) & (at < old))[:, None], clean, silent)
        m = torch.where(inside[:, None], m, silent)[:, :, around:frames - around]
        top = m.amax((1, 2), keepdim=True)
        floor = top + self.u(b, 1, 1, hi=.8) * (self.u(b, 1, 1) < .2) - 8
        # Speech weaker than that of the calls before is not brought up all the way.
        gain = (1.3 - top - self.u(b, 1, 1, hi=1.6) * (self.u(b, 1, 1) < .35)).clamp(-1, 3)
        gain = torch.where(t["plain"][:, None, None], torch.zeros_like(gain), gain)
        m = (torch.maximum(m, floor) + gain + 4) / 4
        loud = wide.amax((1, 2), keepdim=True)
        wide = (torch.maximum(wide, loud - 8) + (1.3 - loud).clamp(-1, 3) + 4) / 4
        low = m.amin((1, 2), keepdim=True)
        given = m.shape[2]
        f = torch.arange(80, device=self.dev)[None, :, None]
        fr = torch.arange(given, device=self.dev)[None, None]
        narrow = min(1., given / 250)  # a mask must not take a whole short word
        for _ in range(2):
            w, a = self.u(b, 1, 1, hi=10), self.u(b, 1, 1, hi=75)
            m = torch.where((f >= a) & (f < a + w) & (self.u(b, 1, 1) < .5), low, m)
            w, a = self.u(b, 1, 1, hi=7 * narrow), self.u(b, 1, 1, hi=1) * given
            m = torch.where((fr >= a) & (fr < a + w) & (self.u(b, 1, 1) < .5), low, m)
        frames_out = torch.full((b,), given // 2, dtype=torch.long, device=self.dev)
        # Not at the very edges: what the teacher hears there lies outside.
        sure = inside[:, around:frames - around]
        sure = sure & sure.roll(6, 1) & sure.roll(-12, 1)
        return m, t["labels"], frames_out, t["lens"], wide, sure[:, ::2]
