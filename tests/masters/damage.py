"""What breaks in a print: holes, clicks, repeats, hum, wrong words. Functions of float arrays [frame, channel].

Each returns the damaged sound and the place in frames (first, one past the last), or None where the whole is meant.
"""
import io

import numpy as np
from scipy import signal

import processing as p


def hole(x, at, frames, fade=0, channels=slice(None)):
    """Silence; with `fade`, edges of that many frames."""
    y = x.copy()
    shape = np.zeros(frames)
    if fade:
        shape[:fade] = np.linspace(1, 0, fade, endpoint=False)
        shape[-fade:] = np.linspace(0, 1, fade, endpoint=False)
    y[at:at + frames, channels] *= shape[:, None]
    return y, (at, at + frames)


def click(x, at, size=0.5, channels=slice(None)):
    """One sample moved by half of full scale, away from the side that it is on, so that it never leaves full scale."""
    y = x.copy()
    y[at, channels] -= size * np.where(y[at, channels] >= 0, 1, -1)
    return y, (at, at + 1)


def repeat(x, at, buffer, times):
    """A buffer is played again `times` times in place of what follows: an overloaded real-time print."""
    y = x.copy()
    for k in range(1, times + 1):
        y[at + k * buffer:at + (k + 1) * buffer] = y[at:at + buffer]
    return y, (at, at + (times + 1) * buffer)


def hum(x, rate, hertz, level_db):
    t = np.arange(len(x)) / rate
    tone = sum(a * np.sin(2 * np.pi * hertz * h * t + h) for h, a in ((1, 1.0), (2, 0.6), (3, 0.7), (4, 0.3), (5, 0.4), (7, 0.2)))
    return x + p.db(level_db) * tone[:, None]


def clip(x, drive_db, back_db=0.0):
    """Driven over full scale and cut off there, then turned down."""
    return np.clip(x * p.db(drive_db), -1.0, 1.0 - 2.0 ** -23) * p.db(back_db)


def cut_out(x, at, frames, rate):
    """A stretch is missing, its ends joined over 5 ms."""
    n = int(0.005 * rate)
    ramp = np.linspace(0, 1, n)[:, None]
    joined = x[at:at + n] * (1 - ramp) + x[at + frames:at + frames + n] * ramp
    return np.vstack([x[:at], joined, x[at + frames + n:]]), (at, at + n)


def exchange(x, a, b, frames, rate):
    """Two stretches change places, each faded over 3 ms at its joints."""
    y, n = x.copy(), int(0.003 * rate)
    ramp = np.linspace(0, 1, n)[:, None]
    for to, of in ((a, b), (b, a)):
        y[to:to + frames] = x[of:of + frames]
        y[to:to + n] = x[to:to + n] * (1 - ramp) + x[of:of + n] * ramp
        y[to + frames - n:to + frames] = x[of + frames - n:of + frames] * (1 - ramp) + x[to + frames - n:to + frames] * ramp
    return y, (a, a + frames)


def missing_codecs():
    try:
        import lameenc  # noqa: F401
        import soundfile  # noqa: F401
    except ImportError:
        return "the Python packages lameenc and soundfile are not both installed"
    return None


def through_codec(x, rate, codec, setting):
    """Encoded and decoded by general libraries, which must be installed."""
    import lameenc
    import soundfile
    if codec == "mp3":
        encoder = lameenc.Encoder()
        encoder.set_bit_rate(setting)
        encoder.set_in_sample_rate(rate)
        encoder.set_channels(2)
        encoder.set_quality(2)
        encoder.silence()
        raw = bytes(encoder.encode((np.clip(x, -1, 1) * 32767).astype("<i2").tobytes()) + encoder.flush())
    else:
        memory = io.BytesIO()
        with soundfile.SoundFile(memory, "w", rate, 2, format="OGG", subtype="VORBIS", compression_level=setting) as f:
            for block in np.array_split(x.astype(np.float32), 64):
                f.write(block)
        raw = memory.getvalue()
    y, _ = soundfile.read(io.BytesIO(raw), dtype="float64")
    # The delay of encoder and decoder is taken out, as a bounce would not: here the class is the origin alone.
    n = min(len(x), len(y), rate * 4)
    late = int(np.argmax(signal.correlate(y[:n, 0], x[:n, 0], method="fft"))) - (n - 1)
    y = y[max(0, late):max(0, late) + len(x)]
    return np.pad(y, ((0, len(x) - len(y)), (0, 0)))
