"""Loudness and true peak, written from the standard's text; own nothing else.

In: float arrays [frame, channel], full scale 1.0. Out: LUFS, dBTP. Independent of the program under test, so that a
master can be made to lie exactly on a limit.
"""
import math

import numpy as np
from scipy.signal import lfilter

# ITU-R BS.1770-5 Annex 2: the interpolating filter, 48 taps in 4 phases; phases 2 and 3 are phases 1 and 0 reversed.
# Values from memory of the table in the standard.
_PHASE_0 = [0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
            0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500]
_PHASE_1 = [-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
            0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375]
PHASES = [_PHASE_0, _PHASE_1, _PHASE_1[::-1], _PHASE_0[::-1]]


def decibels(ratio):
    return 20.0 * math.log10(max(float(ratio), 1e-12))


def interpolated_peak(x):
    """Per frame the largest magnitude over channels, phases of the standard's filter and the sample itself.

    The filter's delay of about 6 samples is taken out, so that the value belongs to its frame.
    """
    peak = np.abs(x).max(axis=1)
    for channel in x.T:
        for phase in PHASES:
            value = np.abs(np.convolve(channel, phase))[6:6 + len(channel)]
            np.maximum(peak, value, out=peak)
    return peak


def true_peak_dbtp(x):
    """ITU-R BS.1770-5 Annex 2, 4 x oversampling."""
    if x.ndim == 1:
        x = x[:, None]
    return decibels(interpolated_peak(x).max())


def _k_weighting(rate):
    """The two stages of BS.1770-5 Annex 1, from the analogue prototype that gives its 48 kHz table (from memory)."""
    f0, gain, q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
    k = math.tan(math.pi * f0 / rate)
    vh = 10 ** (gain / 20)
    vb = vh ** 0.4996667741545416
    a0 = 1 + k / q + k * k
    shelf = ([(vh + vb * k / q + k * k) / a0, 2 * (k * k - vh) / a0, (vh - vb * k / q + k * k) / a0],
             [1, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0])
    f0, q = 38.13547087602444, 0.5003270373238773
    k = math.tan(math.pi * f0 / rate)
    a0 = 1 + k / q + k * k
    high_pass = ([1, -2, 1], [1, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0])
    return shelf, high_pass


def integrated_lufs(x, rate, weights=None):
    """BS.1770-5 Annex 1; None where no block passes the absolute gate of -70 LUFS."""
    weights = np.ones(x.shape[1]) if weights is None else np.asarray(weights, float)
    y = x
    for b, a in _k_weighting(rate):
        y = lfilter(b, a, y, axis=0)
    power = np.concatenate([[0.0], np.cumsum((y * y) @ weights)])
    size, step = int(round(0.4 * rate)), int(round(0.1 * rate))
    starts = np.arange(0, len(x) - size + 1, step)
    blocks = (power[starts + size] - power[starts]) / size
    gated = blocks[blocks > 10 ** ((-70 + 0.691) / 10)]
    if not len(gated):
        return None
    gated = blocks[blocks > max(gated.mean() / 10, 10 ** ((-70 + 0.691) / 10))]
    return -0.691 + 10 * math.log10(gated.mean())
