"""Surgery noise made from physics, for training and for tests (other seeds).

    python noise.py DIR [--seconds 10] [--seed 1]    writes suction.wav, scaler.wav, turbine.wav, motor.wav, ... (16 kHz mono)

No open recording of these instruments was found; the parameters below are common engineering knowledge of the
machines, without a published source, and each is drawn at random from its range:

suction  a broadband turbulent hiss (energy falls 3-9 dB per octave above 1-3 kHz), tube resonances at 300-2500 Hz
         (quality 2-8), a fan tone of 80-400 Hz, and gurgle: bubbles, each a decaying sine whose pitch rises
         (radius 1-5 mm: Minnaert, f = 3.26 / r Hz with r in metres), in bursts
scaler   an ultrasonic tip at 25-42 kHz is above the microphone; what is heard is its sub-harmonics and the beat of
         stroke against tooth: narrow bands at 2-7.5 kHz with 5-40 Hz roughness, plus water spray hiss above 2 kHz
turbine  an air handpiece: 300,000-420,000 rpm is 5-7 kHz, and falls by 20-50 % under load, in slow touches; side tones of
         the bearing balls, and air hiss
motor    an electric handpiece with 20,000-200,000 rpm: 330-3,300 Hz with 6-12 harmonics, gear rattle, load changes
spray    air-water syringe: hiss with a sharp start and stop, 2-7 kHz
compressor  a piston at 20-30 strokes a second, with harmonics, behind a wall (low-pass 500 Hz)
"""
import argparse
import pathlib
import wave

import numpy as np

RATE = 16000


def shaped(rng, n, gain):
    """White noise with the given gain over frequency (function of Hz)."""
    f = np.fft.rfftfreq(n, 1 / RATE)
    return np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * gain(np.maximum(f, 1.0)), n)


def slow(rng, n, hz):
    """A random curve of unit deviation that changes about hz times a second."""
    k = max(4, int(n / RATE * hz * 2) + 4)
    x = np.interp(np.arange(n), np.linspace(0, n, k), rng.standard_normal(k))
    return x / (x.std() + 1e-9)


def tone(rng, freq, harmonics, tilt):
    """Harmonics of a varying frequency (Hz per sample), each tilt times weaker than the one before, none above 7.8 kHz."""
    phase = 2 * np.pi * np.cumsum(freq) / RATE
    return sum(tilt ** k * np.sin((k + 1) * phase + rng.uniform(0, 6.3)) * ((k + 1) * freq < 7800) for k in range(harmonics))


def unit(x):
    return x / (np.sqrt(np.mean(x ** 2)) + 1e-9)


def suction(rng, n):
    knee, slope = rng.uniform(1000, 3000), rng.uniform(3, 9) / 6.02
    peaks = [(rng.uniform(300, 2500), rng.uniform(2, 8), rng.uniform(0.5, 3)) for _ in range(rng.integers(1, 4))]
    hiss = shaped(rng, n, lambda f: (1 + sum(a / (1 + (q * (f / p - p / f)) ** 2) for p, q, a in peaks))
                  * np.minimum(1, (knee / f) ** slope) * np.minimum(1, f / 150))
    fan = tone(rng, rng.uniform(80, 400) * (1 + 0.01 * slow(rng, n, 1)), 5, 0.6)
    gurgle = np.zeros(n)
    for start in rng.uniform(0, n / RATE, rng.poisson(n / RATE * rng.uniform(0.2, 1.2))):
        for at in start + rng.exponential(0.25, rng.integers(5, 60)):
            r = rng.uniform(0.001, 0.005)
            m = int(0.05 * RATE)
            i = int(at * RATE)
            if i + m < n:
                t = np.arange(m) / RATE
                gurgle[i:i + m] += rng.uniform(.2, 1) * np.sin(2 * np.pi * 3.26 / r * (t + 2 * t * t)) * np.exp(-t * rng.uniform(60, 200))
    level = 1 + 0.3 * slow(rng, n, rng.uniform(0.3, 3))
    return unit(unit(hiss) * np.abs(level) + rng.uniform(0, .4) * unit(fan) + rng.uniform(0.2, 2) * gurgle)


def scaler(rng, n):
    x = rng.uniform(.1, .6) * unit(shaped(rng, n, lambda f: np.minimum(1, (f / 2500) ** 2)))
    rough = np.abs(1 + 0.6 * slow(rng, n, rng.uniform(5, 40)))
    for _ in range(rng.integers(1, 4)):
        f = rng.uniform(2000, 7500)
        x = x + rng.uniform(.3, 1) * np.sin(2 * np.pi * np.cumsum(f * (1 + .004 * slow(rng, n, 6))) / RATE) * rough
    touch = slow(rng, n, rng.uniform(.5, 2)) > rng.uniform(-1.5, .3)
    return unit(x * np.convolve(touch, np.hanning(800) / 400, "same"))


def turbine(rng, n):
    load = 1 - rng.uniform(.2, .5) * np.clip(slow(rng, n, .7), 0, 1)
    f = rng.uniform(5000, 7000) * load * (1 + .003 * slow(rng, n, 8))
    side = tone(rng, f * rng.uniform(.3, .48), 2, .5) * rng.uniform(.1, .6)
    return unit(tone(rng, f, 1, 1) + side + rng.uniform(.3, 1.2) * unit(shaped(rng, n, lambda f: np.minimum(1, f / 3000))))


def motor(rng, n):
    load = 1 - rng.uniform(.05, .3) * np.clip(slow(rng, n, 1), 0, 1)
    f = np.exp(rng.uniform(np.log(330), np.log(3300))) * load
    x = tone(rng, f, int(rng.integers(6, 13)), rng.uniform(.5, .85))
    rattle = shaped(rng, n, lambda f: np.minimum(1, f / 1000)) * np.abs(slow(rng, n, 30))
    return unit(unit(x) + rng.uniform(.2, 1) * unit(rattle))


def spray(rng, n):
    on = np.zeros(n)
    at = 0
    while at < n:
        a, b = int(rng.uniform(.1, 1) * RATE), int(rng.uniform(.2, 2) * RATE)
        on[at + a:at + a + b] = 1
        at += a + b
    lo, hi = rng.uniform(1500, 2500), rng.uniform(5000, 7500)
    x = shaped(rng, n, lambda f: np.minimum(1, f / lo) * np.minimum(1, hi / f))
    return unit(x * np.convolve(on, np.ones(160) / 160, "same"))


def compressor(rng, n):
    x = tone(rng, rng.uniform(20, 30) * (1 + .005 * slow(rng, n, 1)), 25, .9)
    return unit(unit(x) + .5 * unit(shaped(rng, n, lambda f: np.minimum(1, (500 / f) ** 2))))


KINDS = {f.__name__: f for f in (suction, scaler, turbine, motor, spray, compressor)}


def surgery(rng, n):
    """One instrument, or two or three at once, as in a room."""
    names = rng.choice(list(KINDS), rng.integers(1, 4), replace=False)
    return unit(sum(rng.uniform(.3, 1) * KINDS[k](rng, n) for k in names))


def write(path, x, level=0.1):
    """16-bit mono WAV with the given root mean square (peaks limited to full scale)."""
    x = np.clip(unit(x) * level, -0.99, 0.99)
    with wave.open(str(path), "wb") as w:
        w.setnchannels(1)
        w.setsampwidth(2)
        w.setframerate(RATE)
        w.writeframes((x * 32767).astype("<i2").tobytes())


if __name__ == "__main__":
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("dir")
    ap.add_argument("--seconds", type=float, default=10)
    ap.add_argument("--seed", type=int, default=1, help="training draws seeds from 1,000,000 up; keep below that for tests")
    a = ap.parse_args()
    pathlib.Path(a.dir).mkdir(parents=True, exist_ok=True)
    for i, (name, f) in enumerate(KINDS.items()):
        write(pathlib.Path(a.dir) / f"{name}.wav", f(np.random.default_rng([a.seed, i]), int(a.seconds * RATE)))
