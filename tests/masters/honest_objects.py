"""Honest object-based masters. None may be stopped.

All moves keep every object's path as it is heard; levels keep to -18 LKFS and -1 dBTP on 5.1, read by the reference
renderer where it is installed (carriers.py), otherwise with room to spare.
"""
import shutil
from dataclasses import replace

import numpy as np

import admfile
import carriers
import meters
import processing as p
from case import Case

LIMIT_LKFS, LIMIT_DBTP = -18.0, -1.0  # a platform's published music specification


def room_left(o, most):
    """Gain in dB that keeps the render 0.3 dB under both limits, at most `most`."""
    if o.render is None:
        return min(most, 0.0)
    return min(most, LIMIT_LKFS - 0.3 - carriers.loudness_51(o.render, o.rate), LIMIT_DBTP - 0.3 - meters.true_peak_dbtp(o.render))


def changed(o, audio=None, items=None):
    m = o.master.copy()
    if audio is not None:
        m.audio = p.quantise(audio, 24)
    if items is not None:
        m.items = items
    return m


def writer(master, **how):
    return lambda path: admfile.write(path, master, **how)


def on_track(o, part, move):
    """The audio with one track changed."""
    x = o.master.audio.copy()
    k = o.master.track(part)
    x[:, [k]] = move(x[:, [k]])
    return x


def reblocked(o, **how):
    """The same paths, written otherwise."""
    return changed(o, items=[replace(i, blocks=replace(i.blocks, **how)) for i in o.master.items])


def linked_curve(o, most_db, rng):
    heard = [k for k in range(o.master.audio.shape[1]) if not (k < len(o.master.bed) and o.master.bed[k][0] == "LFE1")]
    return p.reduction_curve(np.sqrt((o.master.audio[:, heard] ** 2).sum(axis=1)), o.rate, most_db, ratio=rng.uniform(1.5, 3),
                             attack_s=rng.uniform(0.005, 0.03), release_s=rng.uniform(0.1, 0.3))[:, None]


def just_under(o, rng):
    """Linked limiting, then as loud as both limits allow. A gain that all tracks share is the render's gain too."""
    x, y = o.master.audio, o.render
    drive = p.db(LIMIT_DBTP + rng.uniform(1, 3)) / meters.interpolated_peak(y).max()
    curve = drive * p.limit_curve(meters.interpolated_peak(y * drive), o.rate, p.db(LIMIT_DBTP))[:, None]
    y = y * curve
    last = min(LIMIT_LKFS - 0.02 - carriers.loudness_51(y, o.rate), LIMIT_DBTP - 0.01 - meters.true_peak_dbtp(y))
    return x * curve * p.db(last)


def reordered(o, rng):
    m = o.master.copy()
    order = [int(k) for k in rng.permutation(len(m.items))]
    bed = len(m.bed)
    m.items = [replace(m.items[k], name="Stem %02d" % (n + 1)) for n, k in enumerate(order)]
    m.audio = m.audio[:, list(range(bed)) + [bed + k for k in order]]
    return m


def cases(o):
    rng = o.random(3)
    r, x, rate = rng.uniform, o.master.audio, o.rate
    parts = [i.name for i in o.master.items]

    def part():
        return parts[int(rng.integers(0, len(parts)))]

    def case(name, master, did, **params):
        return Case(name, writer(master), did, profile="immersive-music", params=params)

    def audio(name, y, did, **params):
        return case(name, changed(o, audio=y), did, **params)
    yield Case("copy", lambda path: shutil.copyfile(o.path, path), "byte-identical copy of the mix", profile="immersive-music", alone=True)
    for k, gain in enumerate((r(-3, -1), room_left(o, 1.5))):
        yield audio("gain-%d" % k, x * p.db(gain), "gain of all", dB=round(gain, 2))
    for k, most in enumerate((r(1, 2), r(2, 3))):
        yield audio("compressed-%d" % k, x * linked_curve(o, most, rng) * p.db(room_left(o, 1.0)), "linked compression of all tracks by up to %.1f dB" % most)
    for k, kind in enumerate(("bell", "high_shelf", "low_shelf")):
        p_name, hertz, gain = part(), {"bell": r(300, 3000), "high_shelf": r(4000, 9000), "low_shelf": r(80, 250)}[kind], r(-3, 2)
        yield audio("eq-%d" % k, on_track(o, p_name, lambda t: p.equalise(t, rate, [(kind, hertz, gain, 0.7)])), "%s of %.1f dB on one object" % (kind, gain), part=p_name, Hz=round(hertz))
    for k, hertz in enumerate((r(14000, 18000), r(8000, 12000))):
        p_name = part()
        yield audio("low-pass-%d" % k, on_track(o, p_name, lambda t: p.low_pass(t, rate, hertz, order=1 + k)), "low-pass at %.0f Hz on one object" % hertz, part=p_name)
    p_name = o.lead
    yield audio("delay-fraction", on_track(o, p_name, lambda t: p.fractional_delay(t, 0.6)), "0.6 sample of delay on one object", part=p_name)
    yield audio("saturated", on_track(o, p_name, lambda t: p.saturate(t / np.abs(t).max(), 0.8) * np.abs(t).max()), "tanh saturation on one object", part=p_name)
    m = reordered(o, rng)
    yield case("reordered", m, "objects reordered and renamed")
    m = m.copy()
    m.audio = p.quantise(m.audio * linked_curve(o, 2.0, rng), 24)
    yield case("reordered-compressed", m, "objects reordered and renamed, linked compression")
    jump = o.master.items[0].blocks.jump
    for grid in (0.0213, 0.1 if o.name.endswith("band") else 0.03):
        yield case("grid-%g" % grid, reblocked(o, grid=grid, jump=not jump, interpolation=0.005),
                   "blocks of %g s, %s" % (grid, "interpolated in place of jumping" if jump else "jumping with interpolation in place of interpolated"))
    yield case("rounded", reblocked(o, step=0.01 if o.master.items[0].blocks.cartesian else 1.0), "positions rounded to %s" % ("0.01" if o.master.items[0].blocks.cartesian else "1 degree"))
    yield case("coordinates", reblocked(o, cartesian=not o.master.items[0].blocks.cartesian), "polar for Cartesian positions or the reverse, by the conversion of BS.2127-1 clause 10")
    yield case("coordinates-plain", reblocked(o, cartesian=not o.master.items[0].blocks.cartesian, plain=True), "polar for Cartesian positions or the reverse, by plain trigonometry")
    yield case("last-block", reblocked(o, jump=True, interpolation=0.01, last=0.004), "the last block is 4 ms, its interpolation 10 ms")
    if o.render is not None:
        yield audio("just-under", just_under(o, rng), "limited, as loud as -18 LKFS and -1 dBTP on 5.1 allow")
    yield audio("dither", p.quantise(x * p.db(-0.5), 24, np.random.default_rng(9)), "gain of -0.5 dB and 24-bit dither on all tracks")
    yield audio("fade-out", p.fade(x, rate, 0.2, 2.5), "fade in and fade out of all tracks")
    yield audio("latency", np.vstack([p.delay(x, 1024)[1024:], np.zeros((1024, x.shape[1]))]), "latency of 1024 samples, compensated")
    y = p.equalise(p.high_pass(x, rate, 25), rate, [("low_shelf", 100, r(-1, 1), 0.7), ("high_shelf", 9000, r(0, 1.5), 0.7)])
    yield audio("chain", y * linked_curve(o, r(1, 2.5), rng) * p.db(-1.0), "high-pass, equaliser and linked compression of all tracks")
