"""What a mastering engineer does to a signal, as functions of float arrays [frame, channel].

Own code on numpy and scipy, so that every parameter is known; `pedalboard`, a general effects library, gives second
implementations in `effects.py`. Nothing here knows a file or a case.
"""
import numpy as np
from scipy import ndimage, signal

import meters

GAIN_STEP = 32  # samples between two values of a gain curve


def db(value):
    return 10.0 ** (value / 20.0)


def biquad(kind, rate, hertz, gain_db=0.0, q=0.7071):
    """Second-order section of the widely used cookbook formulas (common practice)."""
    a, w = 10 ** (gain_db / 40), 2 * np.pi * hertz / rate
    alpha, c = np.sin(w) / (2 * q), np.cos(w)
    if kind == "bell":
        num, den = [1 + alpha * a, -2 * c, 1 - alpha * a], [1 + alpha / a, -2 * c, 1 - alpha / a]
    else:
        s = 1 if kind == "low_shelf" else -1
        r = 2 * np.sqrt(a) * alpha
        num = [a * ((a + 1) - s * (a - 1) * c + r), s * 2 * a * ((a - 1) - s * (a + 1) * c),
               a * ((a + 1) - s * (a - 1) * c - r)]
        den = [(a + 1) + s * (a - 1) * c + r, -s * 2 * ((a - 1) + s * (a + 1) * c), (a + 1) + s * (a - 1) * c - r]
    return np.array([np.concatenate([num, den]) / den[0]])


def equalise(x, rate, bands):
    """Minimum phase; bands: list of (kind, hertz, gain in dB, q)."""
    return signal.sosfilt(np.vstack([biquad(k, rate, f, g, q) for k, f, g, q in bands]), x, axis=0)


def equalise_linear_phase(x, rate, bands, taps=4097):
    """The same magnitude with a symmetric filter, its delay taken out."""
    sections = np.vstack([biquad(k, rate, f, g, q) for k, f, g, q in bands])
    _, response = signal.sosfreqz(sections, worN=np.linspace(0, np.pi, taps // 2 + 1))
    impulse = np.roll(np.fft.irfft(np.abs(response), taps - 1), taps // 2)[:, None] * np.hanning(taps - 1)[:, None]
    return signal.fftconvolve(x, impulse, axes=0)[taps // 2:taps // 2 + len(x)]


def high_pass(x, rate, hertz, order=2):
    return signal.sosfilt(signal.butter(order, hertz, "highpass", fs=rate, output="sos"), x, axis=0)


def low_pass(x, rate, hertz, order=2):
    return signal.sosfilt(signal.butter(order, hertz, "lowpass", fs=rate, output="sos"), x, axis=0)


def reduction_curve(detector, rate, most_db, ratio=2.0, attack_s=0.01, release_s=0.15):
    """Gain of a feed-forward compressor, one value a frame, whose largest reduction is `most_db`.

    The threshold is found by bisection: a signal with a given largest reduction is what a case asks for.
    """
    n = -(-len(detector) // GAIN_STEP)
    padded = np.concatenate([detector, np.zeros(n * GAIN_STEP - len(detector))]).reshape(n, GAIN_STEP)
    level = 20 * np.log10(np.maximum(np.sqrt((padded ** 2).mean(axis=1)), 1e-6))
    up, down = (1 - np.exp(-GAIN_STEP / (t * rate)) for t in (attack_s, release_s))
    smooth, state = np.empty(n), -80.0
    for i, value in enumerate(level):
        state += (value - state) * (up if value > state else down)
        smooth[i] = state
    slope = 1 - 1 / ratio
    threshold = smooth.max() - most_db / slope
    gain_db = -np.maximum(0, smooth - threshold) * slope
    at = np.arange(n) * GAIN_STEP
    return db(np.interp(np.arange(len(detector)), at, gain_db))


def compress(x, rate, most_db, linked=True, **how):
    if linked:
        return x * reduction_curve(np.abs(x).max(axis=1), rate, most_db, **how)[:, None]
    return np.stack([c * reduction_curve(c, rate, most_db, **how) for c in x.T], axis=1)


def mid_side(x):
    return np.stack([x[:, 0] + x[:, 1], x[:, 0] - x[:, 1]], axis=1) / 2


def left_right(ms):
    return np.stack([ms[:, 0] + ms[:, 1], ms[:, 0] - ms[:, 1]], axis=1)


def compress_mid_side(x, rate, mid_db, side_db, **how):
    ms = mid_side(x)
    for c, most in ((0, mid_db), (1, side_db)):
        if most and np.abs(ms[:, c]).max() > 1e-4:
            ms[:, c] *= reduction_curve(ms[:, c], rate, most, **how)
    return left_right(ms)


def compress_bands(x, rate, most_db, crossovers=(200.0, 3000.0), taps=2049, **how):
    """Linear-phase crossovers: the bands add up to the input exactly."""
    rest, bands = x, []
    for f in crossovers:
        low = signal.fftconvolve(rest, signal.firwin(taps, f, fs=rate)[:, None], axes=0)[taps // 2:taps // 2 + len(x)]
        bands.append(low)
        rest = rest - low
    bands.append(rest)
    return sum(compress(b, rate, m, **how) for b, m in zip(bands, most_db))


def width(x, side_db):
    ms = mid_side(x)
    ms[:, 1] *= db(side_db)
    return left_right(ms)


def saturate(x, drive):
    """tanh with unity gain at small levels; drive 1 bends full scale by 2.4 dB."""
    return np.tanh(x * drive) / drive


def fractional_delay(x, samples, taps=129):
    """Windowed sinc; the whole samples of its own length are taken out."""
    whole = int(np.floor(samples))
    k = np.arange(taps) - taps // 2 - (samples - whole)
    h = np.sinc(k) * np.kaiser(taps, 9.0)
    y = np.apply_along_axis(lambda c: np.convolve(c, h)[taps // 2:taps // 2 + len(c)], 0, x)
    return delay(y, whole)


def delay(x, samples):
    """Silence in front, the same length."""
    if samples <= 0:
        return x.copy()
    y = np.zeros_like(x)
    y[samples:] = x[:-samples]
    return y


def limit_curve(peak, rate, ceiling, look_s=0.002):
    """Gain of a look-ahead limiter: minimum over a window, then its smoothed form, never above what is needed."""
    need = np.minimum(1.0, ceiling / np.maximum(peak, 1e-9))
    size = int(look_s * rate) * 2 + 1
    held = ndimage.minimum_filter1d(need, size, mode="nearest")
    window = np.hanning(size + 2)[1:-1]
    return ndimage.convolve1d(held, window / window.sum(), mode="nearest")


def limit(x, rate, ceiling_db, most_db):
    """Drives into a true-peak limiter so that its largest reduction is `most_db`; peaks end at `ceiling_db`."""
    x = x * (db(ceiling_db + most_db) / meters.interpolated_peak(x).max())
    y = x * limit_curve(meters.interpolated_peak(x), rate, db(ceiling_db))[:, None]
    return at_true_peak(y, ceiling_db)


def at_true_peak(x, peak_db):
    """The whole turned so that the standard's filter reads `peak_db`, or 0.002 dB less: room for rounding."""
    return x * (db(peak_db - 0.002) / meters.interpolated_peak(x).max())


def fade(x, rate, in_s=0.0, out_s=0.0, shape=2.0):
    y = x.copy()
    n, m = int(in_s * rate), int(out_s * rate)
    if n:
        y[:n] *= (np.linspace(0, 1, n) ** shape)[:, None]
    if m:
        y[-m:] *= (np.linspace(1, 0, m) ** shape)[:, None]
    return y


def quantise(x, bits, rng=None):
    """To the grid of a word length; with `rng` triangular dither of two steps is added first."""
    scale = 2.0 ** (bits - 1)
    y = x * scale
    if rng is not None:
        y = y + rng.random(x.shape) - rng.random(x.shape)
    return np.clip(np.rint(y), -scale, scale - 1) / scale
