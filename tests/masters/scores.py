"""Real music in several tracks: public-domain scores of the `music21` corpus, played part by part.

`fluidsynth` and a General MIDI soundfont (Debian: timgm6mb-soundfont) play each part into its own stereo stem. Where
one of the three is missing, `available()` says which, and the set is made without these carriers.
"""
import glob
import os
import shutil
import subprocess
import tempfile
import warnings

import numpy as np
from scipy.io import wavfile

SOUNDFONTS = ["/usr/share/sounds/sf2/TimGM6mb.sf2", "/usr/share/sounds/sf2/default-GM.sf2",
              "/usr/share/sounds/sf2/FluidR3_GM.sf2"]
# Catalogue number of the work, first bar, General MIDI programs of its parts. The notes are in the public domain.
SCORES = {
    "chorale-a": ("bwv66.6", 0, (52, 68, 42, 43)),
    "chorale-b": ("bwv269", 0, (73, 68, 71, 70)),
    "quartet": ("k156/movement1", 0, (40, 40, 41, 42)),
    "consort": ("bwv347", 0, (0, 24, 11, 32)),
}


def _soundfont():
    return next((p for p in SOUNDFONTS if os.path.exists(p)), None)


def available():
    """None, or what is missing."""
    if shutil.which("fluidsynth") is None:
        return "fluidsynth is not installed"
    if _soundfont() is None:
        return "no General MIDI soundfont is installed"
    try:
        import music21  # noqa: F401
    except ImportError:
        return "the Python package music21 is not installed"
    return None


def _path(work):
    import music21
    found = sorted(p for ext in ("mxl", "xml", "krn") for p in
                   glob.glob("%s/corpus/**/%s.%s" % (os.path.dirname(music21.__file__), work, ext), recursive=True))
    return found[0] if found else None


def song(name, rate, seconds):
    """Stem name to float array [frame, 2], in the order of the score."""
    import music21
    work, first_bar, programs = SCORES[name]
    score = music21.converter.parse(_path(work))
    stems = {}
    with tempfile.TemporaryDirectory() as folder:
        for k, part in enumerate(score.parts):
            part = part.measures(first_bar, first_bar + 24)
            for old in list(part.recurse().getElementsByClass("Instrument")):
                old.activeSite.remove(old)
            instrument = music21.instrument.Instrument()
            instrument.midiProgram = programs[k % len(programs)]
            part.insert(0, instrument)
            midi, wav = ("%s/%d.%s" % (folder, k, e) for e in ("mid", "wav"))
            part.write("midi", midi)
            subprocess.run(["fluidsynth", "-ni", "-q", "-r", str(rate), "-g", "0.8", "-R", "1", "-C", "0", "-O", "float", "-T", "wav", "-F", wav,
                            _soundfont(), midi], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of a chunk that is not needed
                sound = wavfile.read(wav)[1].astype(float)
            n = int(seconds * rate)
            sound = np.pad(sound[:n], ((0, max(0, n - len(sound))), (0, 0)))
            pan = (-0.6, 0.25, -0.2, 0.6)[k % 4]
            sound *= np.array([min(1, 1 - pan), min(1, 1 + pan)])
            stems["Part %d" % (k + 1)] = sound
    return stems
