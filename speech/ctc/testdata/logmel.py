"""Writes logmel.json: log-mel values of a made-up sound by an independent way, for the test of the front end.

Needs numpy and librosa (0.11.0 was used). librosa's mel filters (Slaney scale and area) and its STFT are the
reference; the steps after them are those of Whisper's log_mel_spectrogram (Radford et al. 2022): power, log10 not
below 1e-10, not more than 8 below the maximum, (x + 4) / 4.
"""
import json
import numpy as np
import librosa

rate, n = 16000, 16000
# Integers only, so that every language makes the same samples: two gliding square-ish tones and noise.
state, samples = 12345, []
for i in range(n):
    state = (state * 1103515245 + 12345) % (1 << 31)
    noise = (state >> 16) % 801 - 400
    tone = 6000 if (i * (200 + i // 40) // rate) % 2 else -6000
    samples.append((tone if 2000 < i < 12000 else 0) + noise)
x = np.array(samples) / 32768.0
s = np.abs(librosa.stft(x, n_fft=400, hop_length=160, window="hann", center=False)) ** 2
m = librosa.filters.mel(sr=rate, n_fft=400, n_mels=80) @ s
log = np.log10(np.maximum(m, 1e-10))
out = (np.maximum(log, log.max() - 8) + 4) / 4
frames = list(range(0, out.shape[1], 7))
json.dump({"frames": frames, "total": out.shape[1], "values": [[round(float(v), 5) for v in out[:, f]] for f in frames]}, open("logmel.json", "w"))
