"""The mixes: stereo and object-based, each made once and written beside the masters that came from it.

Out: `Stereo` and `Objects`, which hold the stems, the mix on its 24-bit grid and the way to write another version.
"""
import os
import subprocess
import sys

import numpy as np
from scipy import signal

import admfile
import meters
import processing as p
import scores
import synthesis

SECONDS = 12
# Carrier name: (maker, its style or score, rate in Hz)
STEREO = {
    "band": ("song", "band", 48000), "ballad": ("song", "ballad", 48000), "electronic": ("song", "electronic", 48000),
    "sparse": ("song", "sparse", 48000), "band-44k": ("song", "band", 44100), "ballad-96k": ("song", "ballad", 96000),
    "chorale-a": ("score", "chorale-a", 48000), "chorale-b": ("score", "chorale-b", 48000),
    "quartet": ("score", "quartet", 48000), "consort": ("score", "consort", 48000),
}
HARD = {k: ("hard", k, 48000) for k in ("loop", "drone", "tremolo", "sub", "tone")}
OBJECTS = {  # bed, sources, number of objects, how paths are written
    "objects-band": (admfile.BED_51, ("song", "band"), 6, dict(grid=0.04, jump=True, interpolation=0.005)),
    "objects-electronic": (admfile.BED_712, ("song", "electronic"), 9, dict(grid=0.02, jump=True, interpolation=0.02, cartesian=True)),
    "objects-ballad": (admfile.BED_712, ("song", "ballad"), 7, dict(grid=0.05, jump=False)),
    "objects-chorale": (admfile.BED_51, ("score", "chorale-a"), 8, dict(grid=0.032, jump=True, interpolation=0.01)),
    "objects-hard": (admfile.BED_51, ("hard", "all"), 5, dict(grid=0.04, jump=True, interpolation=0.005)),
    "objects-quartet": (admfile.BED_712, ("score", "quartet"), 6, dict(grid=0.04, jump=False, cartesian=True)),
}
MIX_PEAK_DBTP = -4.0  # head-room that a mix leaves (common practice, no source)
MIX_LKFS = -20.5      # of an immersive mix on 5.1: room for moves under the platforms' -18


def stems(maker, name, rate, seed, seconds=SECONDS):
    if maker == "score":
        return _with_ends(scores.song(name, rate, seconds), rate)
    if (maker, name) == ("hard", "all"):
        return {part: x for k in ("drone", "loop", "tremolo", "sub", "tone") for part, x in synthesis.hard_material(k, seed, rate, seconds).items()}
    if maker == "hard":
        return synthesis.hard_material(name, seed, rate, seconds)
    return _with_ends(synthesis.song(name, seed, rate, seconds), rate)


def _with_ends(parts, rate, head_s=0.03, tail_s=1.2):
    """Silence before the first note and an end that dies away, so that a whole song is not cut at either side."""
    return {k: p.fade(p.delay(x, int(head_s * rate)), rate, 0.0, tail_s) for k, x in parts.items()}


def missing(maker):
    return scores.available() if maker == "score" else None


class Stereo:
    def __init__(self, name, seed):
        maker, style, self.rate = {**STEREO, **HARD}[name]
        self.name, self.maker, self.seed = name, maker, seed
        self.rng = np.random.default_rng([seed, sum(name.encode())])
        self.stems = stems(maker, style, self.rate, seed)
        self.gain = p.db(MIX_PEAK_DBTP) / meters.interpolated_peak(sum(self.stems.values())).max()
        self.mix = self.version()

    def random(self, purpose):
        """A generator of its own for one purpose, so that a case more changes no other case."""
        return np.random.default_rng([purpose, len(self.name), self.seed - 1])

    def version(self, **levels_db):
        """The mix with other levels of stems; None leaves a stem out."""
        total = sum(x * p.db(levels_db.get(k, 0.0)) for k, x in self.stems.items() if levels_db.get(k, 0.0) is not None)
        return p.quantise(total * self.gain, 24)

    def lead(self):
        """The part that a listener follows: the singer, or the upper voice."""
        return "Vocal" if "Vocal" in self.stems else next(iter(self.stems))

    def loud_frame(self, rng, first_s=2.0, last_s=10.0, x=None):
        """A frame at a loud place: the start of one of the louder 50 ms."""
        x = self.mix if x is None else x
        size = int(0.05 * self.rate)
        a, b = int(first_s / 0.05), int(last_s / 0.05)
        power = (x[:size * (len(x) // size)] ** 2).sum(axis=1).reshape(-1, size).sum(axis=1)[a:b]
        louder = np.flatnonzero(power > np.quantile(power, 0.7))
        return int((a + rng.choice(louder)) * size)

    def downbeat(self, rng):
        """A frame at the strongest onset near a random place (steepest rise of 5 ms means)."""
        size = int(0.005 * self.rate)
        level = np.log10((self.mix[:size * (len(self.mix) // size)] ** 2).sum(axis=1).reshape(-1, size).sum(axis=1) + 1e-6)
        rise = np.diff(level)
        a = int(rng.integers(int(2 / 0.005), int(8 / 0.005)))
        return int((a + np.argmax(rise[a:a + 400]) + 1) * size)


def _paths(rng, seconds):
    """Kinds of movement; all of them slow enough that one block is a small part of the way."""
    def orbit(start, rate, lift):
        return lambda t: (start + rate * t, lift * np.sin(0.5 * t), 1.0)

    def sway(centre, swing, rate, elevation):
        return lambda t: (centre + swing * np.sin(2 * np.pi * rate * t), elevation, 1.0)

    def rise(azimuth, seconds_up):
        return lambda t: (azimuth, min(60.0, 60.0 * t / seconds_up), 1.0)

    def still(azimuth, elevation):
        return lambda t: (azimuth, elevation, 1.0)
    return [sway(0, 40, 0.12, 0), orbit(-60, 18, 20), still(25, 0), sway(-70, 30, 0.2, 15), rise(60, seconds),
            orbit(120, -12, 0), still(-25, 30), sway(90, 45, 0.09, 10), orbit(0, 25, 40)]


class Objects:
    """A bed and objects; `master` is the mix, `render` its 5.1 form where the reference renderer is at hand."""

    def __init__(self, name, seed, out, measured=True):
        """`measured` False: the level from an upper bound, nothing written; enough for another song."""
        bed, (maker, style), count, how = OBJECTS[name]
        self.name, self.maker, self.rate, self.seed = name, maker, 48000, seed
        self.rng = np.random.default_rng([seed, sum(name.encode())])
        parts = dict(stems(maker, style, self.rate, seed))
        parts = {k: parts[k] for k in list(parts)[:count]} if maker == "hard" else parts
        more = {} if maker == "hard" else stems("song", "sparse" if maker == "score" else style, self.rate, seed + 50)
        for k, x in more.items():
            if len(parts) >= count:
                break
            parts[k + " 2" if k in parts else k] = x * (0.5 if maker == "score" else 0.7)
        paths = _paths(self.rng, SECONDS)
        order = [k for k in parts if k != "Bass"]
        first = "Vocal" if "Vocal" in order else order[0]
        order = [first] + [k for k in order if k != first] + [k for k in parts if k == "Bass"]
        items, columns = [], []
        for k, part in enumerate(order):
            items.append(admfile.Item(part, paths[k % len(paths)], admfile.Blocks(**how)))
            columns.append(parts[part].mean(axis=1))
        total = sum(parts.values())
        audio = np.column_stack(self._bed(bed, total, parts) + columns)
        self.lead = first
        self.master = admfile.Master(bed, items, audio)
        self.path = os.path.join(out, name + ".mix.wav")
        self._level(MIX_LKFS, measured)
        if measured:
            admfile.write(self.path, self.master)

    def random(self, purpose):
        return np.random.default_rng([sum(self.name.encode()), purpose, self.seed - 1])

    def _bed(self, bed, total, parts):
        deep = parts.get("Bass", total)
        columns = []
        for k, (label, *_rest) in enumerate(bed):
            if label == "LFE1":
                columns.append(0.4 * p.low_pass(deep.mean(axis=1), self.rate, 90, order=8))
            elif label == "M+000":
                columns.append(0.25 * total.mean(axis=1))
            else:
                wet = synthesis.room(total, self.rate, np.random.default_rng([k, len(bed)]), wet=0.6)
                side = 0 if "+" in label else 1
                dry = 0.5 if label in ("M+030", "M-030") else 0.0
                columns.append(0.35 * (wet - total)[:, side] + dry * total[:, side])
        return columns

    def _level(self, lkfs, measured):
        """Sets the mix to a loudness on 5.1. Where the reference renderer is missing, from an upper bound."""
        self.master.audio *= 0.1
        self.render = None
        if measured and renderer_folder():
            scratch = self.path + ".scratch.wav"
            admfile.write(scratch, self.master)
            self.render = render_51(scratch)
            os.remove(scratch)
        if self.render is None:
            # All tracks unrelated and at the surround loudspeakers' weight; objects that share sound add up to 2 LU.
            heard = [k for k in range(self.master.audio.shape[1]) if k != 3]
            now = meters.integrated_lufs(self.master.audio[:, heard], self.rate, [1.41] * len(heard)) + 2.0
        else:
            now = loudness_51(self.render, self.rate)
        gain = p.db(lkfs - now)
        self.master.audio = p.quantise(self.master.audio * gain, 24)
        if self.render is not None:
            self.render = self.render * gain


def loudness_51(x, rate):
    """BS.1770-5 Annex 1: the two surrounds weigh 1.41, the LFE nothing."""
    return meters.integrated_lufs(x, rate, [1, 1, 1, 0, 1.41, 1.41])


def renderer_folder():
    """Where the reference renderer was installed, apart, since it wants older packages than the rest; or None."""
    folder = os.environ.get("MASTERS_EAR")
    return folder if folder and os.path.isdir(os.path.join(folder, "ear")) else None


def render_51(path):
    """0+5+0 by the reference renderer of BS.2127 (package `ear`), in a Python of its own; None where it fails."""
    folder = renderer_folder()
    out = path + ".51.wav"
    environment = dict(os.environ, PYTHONPATH=folder)
    code = "from ear.cmdline.render_file import main; main()"
    done = subprocess.run([sys.executable, "-W", "ignore", "-c", code, "-s", "0+5+0", path, out], env=environment, capture_output=True, text=True)
    if done.returncode:
        print("the reference renderer failed: %s" % done.stderr.strip()[-300:], file=sys.stderr)
        return None
    x = _read_24(out)
    os.remove(out)
    return x


def _read_24(path):
    """Six channels of 24 bits as the reference renderer writes them (RF64 or BW64, data last or not)."""
    raw = open(path, "rb").read()
    at, size = 12, len(raw)
    while at < size:
        name, length = raw[at:at + 4], int.from_bytes(raw[at + 4:at + 8], "little")
        if name == b"data":
            length = min(length, size - at - 8) // 18 * 18
            b = np.frombuffer(raw, np.uint8, length, at + 8).reshape(-1, 3).astype(np.int32)
            return (((b[:, 0] << 8) | (b[:, 1] << 16) | (b[:, 2] << 24)) >> 8).reshape(-1, 6) / (2.0 ** 23 - 1)
        at += 8 + length + length % 2
    raise ValueError(path)


def resample(x, from_hz, to_hz):
    divisor = int(np.gcd(from_hz, to_hz))
    return signal.resample_poly(x, to_hz // divisor, from_hz // divisor, axis=0, window=("kaiser", 10.0))


