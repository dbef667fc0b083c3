"""Says words in voices that no training heard: python3 say.py < LINES, each line VOICE<tab>WORDS<tab>FILE.WAV, VOICE joe or pico."""
import subprocess
import sys

import soundfile as sf

joe = None
for line in sys.stdin:
    voice, words, file = line.rstrip("\n").split("\t")
    if voice == "joe":
        from joe import Joe
        joe = joe or Joe(11)
        sound, _ = joe.say(words.split())
        sf.write(file, sound / max(abs(sound)) * .6, 16000, "PCM_16")
    else:
        subprocess.run([sys.executable, "-m", "py_nanotts", words + ".", "-o", file, "-v", "en-GB", "--volume", "0.25"], check=True, capture_output=True)
