"""Moves that the general effects library `pedalboard` makes: second implementations beside `processing.py`.

In and out: float array [frame, channel]. `available()` says what is missing where it is not installed.
"""
import numpy as np


def available():
    try:
        import pedalboard  # noqa: F401
    except ImportError:
        return "the Python package pedalboard is not installed"
    return None


def _run(board, x, rate):
    return board(np.ascontiguousarray(x.T, dtype=np.float32), rate).T.astype(float)


def compressed(x, rate, most_db=2.5, ratio=2.0):
    """Its compressor (each channel for itself), threshold set so that no peak loses more than about `most_db`."""
    import pedalboard
    threshold = 20 * np.log10(np.abs(x).max()) - most_db / (1 - 1 / ratio)
    return _run(pedalboard.Pedalboard([pedalboard.Compressor(threshold_db=threshold, ratio=ratio, attack_ms=8, release_ms=120)]), x, rate)


def equalised(x, rate, low_db, high_db, bell_hz, bell_db):
    import pedalboard
    return _run(pedalboard.Pedalboard([pedalboard.HighpassFilter(25), pedalboard.LowShelfFilter(120, low_db), pedalboard.PeakFilter(bell_hz, bell_db, 0.8),
                                       pedalboard.HighShelfFilter(8000, high_db)]), x, rate)


def softened(x, rate, drive_db=2.0):
    """Its distortion is a tanh; the drive is taken back behind it."""
    import pedalboard
    return _run(pedalboard.Pedalboard([pedalboard.Distortion(drive_db), pedalboard.Gain(-drive_db)]), x, rate)
