"""Whisper's log-mel: 16 kHz, 25 ms Hann window, 10 ms hop, 80 bands, log10, floor at max - 8, (x + 4) / 4."""
import numpy as np

RATE, HOP, WINDOW, BANDS = 16000, 160, 400, 80


def filters():
    """80 x 201 triangular filters, 0-8 kHz on Slaney's mel scale, each of unit area (Slaney 1998, Auditory Toolbox)."""
    def to_hz(m):
        return np.where(m < 15, m * 200 / 3, 1000 * np.exp((m - 15) * np.log(6.4) / 27))
    top = 15 + np.log(8.0) * 27 / np.log(6.4)
    edge = to_hz(np.linspace(0, top, BANDS + 2))
    f = np.linspace(0, RATE / 2, WINDOW // 2 + 1)
    up = (f - edge[:-2, None]) / (edge[1:-1] - edge[:-2])[:, None]
    down = (edge[2:, None] - f) / (edge[2:] - edge[1:-1])[:, None]
    return (np.maximum(0, np.minimum(up, down)) * (2 / (edge[2:] - edge[:-2]))[:, None]).astype(np.float32)


FILTERS = filters()
HANN = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(WINDOW) / WINDOW)).astype(np.float32)


def logmel(x, top=None):
    """float samples in [-1, 1] to [80, n // 160] (frames centred, ends reflected); top: a running maximum of the
    log10 energies to floor against, else this sound's own."""
    x = np.asarray(x, np.float32)
    n = len(x) // HOP
    pad = np.pad(x, WINDOW // 2, mode="reflect")
    frames = np.lib.stride_tricks.sliding_window_view(pad, WINDOW)[::HOP][:n]
    power = np.abs(np.fft.rfft(frames * HANN, axis=1)) ** 2
    m = np.log10(np.maximum(power @ FILTERS.T, 1e-10)).T
    m = np.maximum(m, (m.max() if top is None else max(top, m.max())) - 8)
    return ((m + 4) / 4).astype(np.float32)
