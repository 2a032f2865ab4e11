"""Honest stereo masters: every one is what an engineer would send. None may be stopped.

Each chain is a function of a carrier and a seeded generator; parameters differ from carrier to carrier. Levels, times
and corner frequencies are those of usual mastering (common practice, no source).
"""
import shutil

import numpy as np

import effects
import meters
import processing as p
import wavefile
from case import Case

CEILING_DBTP = -1.0  # AES TD1008 (2021) Table 1, as quoted: at most -1 dBTP


def under_ceiling(x, peak_db=-1.05):
    """Only turned down where it would be over the ceiling."""
    return x if meters.true_peak_dbtp(x) <= peak_db else p.at_true_peak(x, peak_db)


def bands(rng):
    pick = rng.uniform
    return [("low_shelf", pick(60, 150), pick(-2, 2), 0.7), ("bell", pick(200, 500), pick(-2, 1), pick(0.6, 1.5)),
            ("bell", pick(1500, 4000), pick(-1.5, 2), pick(0.6, 1.2)), ("high_shelf", pick(7000, 12000), pick(-1, 2.5), 0.7)]


def full_chain(x, rate, rng):
    """Filter, equaliser, linked compression, saturation, limiter to exactly -1.00 dBTP: the base of the faults too."""
    y = p.high_pass(x, rate, rng.uniform(20, 35))
    y = p.equalise(y, rate, bands(rng))
    y = p.compress(y, rate, rng.uniform(1.0, 2.5), ratio=rng.uniform(1.5, 3), attack_s=rng.uniform(0.005, 0.03), release_s=rng.uniform(0.08, 0.3))
    y = p.saturate(y, rng.uniform(0.3, 0.7))
    return p.limit(y, rate, CEILING_DBTP, rng.uniform(1.0, 3.0))


def _chains(c, rng):
    """Name, what was done, the sound, and how it is written."""
    x, rate = c.mix, c.rate
    r = rng.uniform
    yield "gain", "gain", under_ceiling(x * p.db(r(-3, 2.5))), {}
    yield "eq", "minimum-phase equaliser", under_ceiling(p.equalise(x, rate, bands(rng))), {}
    yield "shelf", "high shelf of 1 dB", under_ceiling(p.equalise(x, rate, [("high_shelf", r(5000, 10000), 1.0, 0.7)])), {}
    yield "eq-linear", "linear-phase equaliser", under_ceiling(p.equalise_linear_phase(x, rate, bands(rng))), {}
    yield "filters", "20 to 40 Hz high-pass and 16 to 20 kHz low-pass", under_ceiling(p.low_pass(p.high_pass(x, rate, r(20, 40), order=int(rng.choice([2, 4]))), rate, r(16000, 20000), order=int(rng.choice([2, 4])))), {}
    yield "compressed", "linked compression", under_ceiling(p.compress(x, rate, r(1.5, 3), ratio=r(1.5, 4), attack_s=r(0.002, 0.03), release_s=r(0.06, 0.4)) * p.db(r(0, 3))), {}
    yield "compressed-unlinked", "unlinked compression", under_ceiling(p.compress(x, rate, r(1, 2.5), linked=False) * p.db(1)), {}
    yield "compressed-ms", "compression of mid and side, width", under_ceiling(p.width(p.compress_mid_side(x, rate, r(1, 3), r(0, 2)), r(-1.5, 1.5))), {}
    yield "multiband", "multiband compression", under_ceiling(p.compress_bands(x, rate, (r(1, 3), r(0.5, 2), r(1, 3))) * p.db(1)), {}
    yield "limited", "limited by up to 3 dB to exactly -1.00 dBTP", p.limit(x, rate, CEILING_DBTP, r(1.5, 3)), {}
    yield "saturated", "tanh saturation, then limited to -1.00 dBTP", p.limit(p.saturate(x, r(0.5, 1.2)), rate, CEILING_DBTP, 1.0), {}
    yield "chain-a", "filter, equaliser, compression, saturation, limiter to -1.00 dBTP, 24-bit dither", full_chain(x, rate, c.random(7)), {"dither": True}
    y = p.compress_mid_side(p.saturate(x, r(0.3, 0.8)), rate, r(1, 2.5), r(0, 1.5))
    y = p.width(p.equalise_linear_phase(y, rate, bands(rng)), r(0, 2))
    yield "chain-b", "saturation, mid/side compression, linear-phase equaliser, width, limiter to -1.00 dBTP, 16 bits with dither", p.limit(y, rate, CEILING_DBTP, r(1, 3)), {"bits": 16, "dither": True}
    yield "delay-fraction", "0.6 sample of delay", under_ceiling(p.fractional_delay(x, 0.6) * p.db(r(-1, 1))), {}
    yield "fades", "fade in and fade out", under_ceiling(p.fade(x, rate, r(0.05, 1.0), r(1.5, 3.5), shape=r(1, 3)) * p.db(1)), {}
    yield "latency", "latency of 512 samples, compensated", under_ceiling(np.vstack([p.delay(x, 512)[512:], np.zeros((512, 2))]) * p.db(r(0, 2))), {}
    yield "float", "32-bit float, gain", under_ceiling(x * p.db(r(-2, 2))), {"bits": "float"}
    if effects.available() is None:
        y = effects.equalised(x, rate, r(-1.5, 1.5), r(-1, 2), r(800, 3000), r(-1.5, 1.5))
        yield "effects-a", "equaliser and compressor of an effects library", under_ceiling(effects.compressed(y, rate, r(1, 3), r(1.5, 3))), {}
        yield "effects-b", "compressor and distortion of an effects library, limiter to -1.00 dBTP", p.limit(effects.softened(effects.compressed(x, rate, r(1, 2.5)), rate, r(1, 4)), rate, CEILING_DBTP, r(0.5, 2)), {}


def written(y, rate, bits=24, dither=False, seed=3, **options):
    """A writer of one stereo file; 24 bits without dither are rounded."""
    grid = y if bits == "float" else p.quantise(y, bits, np.random.default_rng(seed) if dither else None)
    return lambda path: wavefile.write(path, grid, rate, bits, **options)


def _copy(of):
    return lambda path: shutil.copyfile(of, path)


def _on_border(seconds, rate, offset=44, frame=6):
    """The first frame after `seconds` that begins on a 4096-byte border of the file."""
    n = int(seconds * rate)
    while (offset + n * frame) % 4096:
        n += 1
    return n


def _zeros_on_borders(c):
    """Meant mutes and cold ends that fall on the disk's borders: the mix has them, and alone they are a sound too."""
    x, rate = c.mix, c.rate
    a, b = _on_border(5.0, rate), _on_border(5.4, rate)
    mute = x.copy()
    mute[a:b] = 0
    end = _on_border(9.5, rate)
    cold = x.copy()
    cold[end:] = 0
    for name, y in (("mute-on-border", mute), ("cold-end-on-border", cold)):
        yield name, y


def cases(c, mix_path, short=False):
    """`short`: fewer chains, for carriers at other rates."""
    rng = np.random.default_rng([c.rng.integers(1 << 30), 1])
    wanted = ("eq", "compressed", "chain-a", "chain-b", "delay-fraction", "limited")
    yield Case("copy", _copy(mix_path), "byte-identical copy of the mix")
    for name, did, y, options in _chains(c, rng):
        if short and name not in wanted:
            continue
        alone = name in ("chain-a", "chain-b", "limited", "fades")
        yield Case(name, written(y, c.rate, **options), did, alone=alone, params={k: str(v) for k, v in options.items()})
    if short:
        return
    a, b = int(1.5 * c.rate), int(10.5 * c.rate)
    cut = p.quantise(c.mix[a:b], 24)
    gapless = mix_path.replace(".mix.", ".gapless.mix.")
    wavefile.write(gapless, cut, c.rate)
    yield Case("gapless", written(under_ceiling(p.compress(cut, c.rate, 2.0) * p.db(1)), c.rate), "begins and ends within the music, as its mix does; compressed", mix=gapless, alone=True)
    for name, y in _zeros_on_borders(c):
        other = mix_path.replace(".mix.", ".%s.mix." % name)
        wavefile.write(other, y, c.rate)
        master = under_ceiling(y * p.db(2.0))
        yield Case(name, written(master, c.rate), "%s, gain of 2 dB" % name.replace("-", " "), mix=other, alone=True)
    y = p.quantise(full_chain(c.mix, c.rate, c.random(7)), 24)
    told = wavefile.bext(meters.integrated_lufs(y, c.rate), meters.true_peak_dbtp(y), "2026-03-01")
    yield Case("metadata", written(y, c.rate, before=[("bext", told)], after=[("LIST", wavefile.info(INAM="Song", ICRD="2026-03-01"))]),
               "bext and INFO that agree with the file", alone=True)


def hard_cases(c, mix_path):
    """Moves on material that repeats itself or stands still."""
    rng = np.random.default_rng([c.rng.integers(1 << 30), 2])
    yield Case("copy", _copy(mix_path), "byte-identical copy of a %s" % c.name)
    for name, did, y, options in _chains(c, rng):
        if name in ("gain", "eq", "shelf", "filters", "compressed", "saturated", "limited", "chain-a", "chain-b", "delay-fraction"):
            yield Case(name, written(y, c.rate, **options), did + " on a " + c.name)


def surround(c, mask, inverted=False):
    """A 5.1 file made of the stems: fronts, centre, LFE, surrounds from one room."""
    x, rate = c.mix, c.rate
    wet = p.delay(x, int(0.011 * rate))
    rear = 0.5 * (0.8 * wet.mean(axis=1, keepdims=True) + 0.2 * wet)
    if inverted:
        rear = rear * [1, -1]
    y = np.column_stack([x * 0.8, 0.3 * x.mean(axis=1), 0.3 * p.low_pass(x.mean(axis=1), rate, 90, order=8), rear])
    y = p.quantise(y * p.db(-8), 24)
    return lambda path: wavefile.write(path, y, rate, 24, mask=mask)


def surround_cases(c):
    for label, mask in (("labelled", wavefile.MASK_51), ("unlabelled", 0)):
        yield Case("surround-" + label, surround(c, mask), "5.1, channels %s" % label, mix=None, profile="immersive-channels")
