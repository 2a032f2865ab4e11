"""Faults in object-based masters, one a file, put into the mix after linked compression."""
from dataclasses import replace

import numpy as np

import admfile
import carriers
import damage as d
import meters
import processing as p
from case import Case, object_part
from honest_objects import changed, linked_curve, on_track, writer


def _loud(o, part, rng):
    """A frame at a loud place of one track."""
    x = o.master.audio[:, o.master.track(part)]
    size = int(0.05 * o.rate)
    power = (x[:size * (len(x) // size)] ** 2).reshape(-1, size).sum(axis=1)[40:200]
    return int((40 + rng.choice(np.flatnonzero(power > np.quantile(power, 0.75)))) * size)


def cases(o, other):
    """`other`: another object-based carrier's master, for the wrong song."""
    rng = o.random(23)
    base = changed(o, audio=o.master.audio * linked_curve(o, 2.0, rng) * p.db(-0.5))
    rate, parts = o.rate, [i.name for i in base.items]
    second = parts[1]

    def fault(name, kind, did, master, place=None, part=None, edit=None, **how):
        if place is not None:
            place = tuple(frame / rate for frame in place)
        return Case(name, writer(master, edit=edit) if edit else writer(master), did, kind="fault", fault=kind, place=place,
                    part=None if part is None else object_part(base, part), profile="immersive-music", control=how.pop("control", "base"), **how)

    def sound(move, part):
        m = base.copy()
        k = m.track(part)
        m.audio[:, [k]] = move(m.audio[:, [k]])
        m.audio = p.quantise(m.audio, 24)
        return m

    def paths(change, part):
        m = base.copy()
        m.items = [replace(i, path=change(i.path)) if i.name == part else i for i in m.items]
        return m
    yield Case("base", writer(base), "linked compression of all tracks: what the faults are put into", profile="immersive-music", alone=True)

    # Sound of one part
    for part in (o.lead, second):
        at = _loud(o, part, rng)
        m = base.copy()
        m.audio[:, [m.track(part)]], place = d.hole(m.audio[:, [m.track(part)]], at, int(0.05 * rate), int(rng.choice([0, 96])))
        yield fault("hole-" + part, "hole", "50 ms of silence in one object", m, place, part)
        m = base.copy()
        m.audio[:, [m.track(part)]], place = d.click(m.audio[:, [m.track(part)]], at + 377)
        yield fault("click-" + part, "click", "one sample of one object moved by 0.5", m, place, part)
    for samples in (64, 480):
        yield fault("late-object-%d" % samples, "late_part", "one object %d samples late" % samples, sound(lambda t: p.delay(t, samples), o.lead), part=o.lead, params={"samples": samples})
    yield fault("polarity-object", "polarity", "one object inverted", sound(lambda t: -t, second), part=second)
    for gain in (-5.0, 5.0):
        yield fault("gain%+.0f" % gain, "part_gain", "one object at %+.0f dB" % gain, sound(lambda t: t * p.db(gain), parts[2]), part=parts[2], params={"dB": gain})
    yield fault("older-revision", "older_revision", "the lead 4.4 dB lower", sound(lambda t: t * p.db(-4.4), o.lead), part=o.lead)
    yield fault("zeroed-object", "muted", "one object's track is silent", sound(lambda t: t * 0, second), part=second)
    m = base.copy()
    m.items = [replace(i, mute=i.name == o.lead) for i in m.items]
    yield fault("muted-object", "muted", "one object has gain 0 in every block", m, part=o.lead)
    yield fault("muted-object-alone", "muted", "the same without a mix", m, part=o.lead, mix=None)
    m = base.copy()
    k = m.track(o.lead)
    m.items, m.audio = [i for i in m.items if i.name != o.lead], np.delete(m.audio, k, axis=1)
    yield fault("lost-object", "lost_part", "one object is not in the file", m, part=o.lead)
    m = base.copy()
    m.items, m.audio = m.items + [replace(m.items[2], name="Double")], np.column_stack([m.audio, m.audio[:, m.track(parts[2])]])
    yield fault("same-twice", "same_twice", "the same object twice, against the mix", m)
    yield fault("same-twice-alone", "same_twice", "the same object twice", m, mix=None)

    # Where it is
    moving = next(i.name for i in base.items if i.path(0.0) != i.path(3.0))
    yield fault("movement-lost", "movement_lost", "one object's path is one point", paths(lambda f: (lambda t: f(0.0)), moving), part=moving)
    for degrees in (5.0, 12.0, 30.0):
        yield fault("moved-%.0f" % degrees, "movement_changed", "one object's path turned by %.0f degrees" % degrees,
                    paths(lambda f: (lambda t: (f(t)[0] + degrees, f(t)[1], f(t)[2])), moving), part=moving, params={"degrees": degrees})
    yield fault("moved-part", "movement_changed", "one object 20 degrees away from 4 to 7 s",
                paths(lambda f: (lambda t: (f(t)[0] + (20.0 if 4 <= t < 7 else 0.0), f(t)[1], f(t)[2])), moving), (int(4 * rate), int(7 * rate)), moving, params={"degrees": 20})
    yield fault("mirrored", "movement_changed", "one object's path mirrored", paths(lambda f: (lambda t: (-f(t)[0], f(t)[1], f(t)[2])), moving), part=moving)
    m = base.copy()
    pairs = [(m.track(a), m.track(b)) for a, b in (("M+030", "M-030"), (m.bed[4][0], m.bed[5][0]))]
    for a, b in pairs:
        m.audio[:, [a, b]] = m.audio[:, [b, a]]
    yield fault("bed-sides", "bed_sides", "left and right of the bed exchanged, against the mix", m)
    m = base.copy()
    m.bed = [(label, -azimuth if label[1:] in ("+030", "-030") and label[0] == "M" else azimuth, e, lp) for label, azimuth, e, lp in m.bed]
    yield fault("bed-positions-alone", "bed_sides", "the front pair's positions contradict its labels", m, mix=None)
    m = base.copy()
    m.channel_names = [admfile.NAMES[label] for label, *_ in m.bed]
    flip = {"M+030": "M-030", "M-030": "M+030"}
    m.bed = [(flip.get(label, label), -azimuth if label in flip else azimuth, e, lp) for label, azimuth, e, lp in m.bed]
    yield fault("bed-names-alone", "bed_sides", "the channel named FrontLeft has label and position of the right one", m, mix=None)

    # The whole
    yield fault("another-song", "another_song", "another song", other().copy())
    for samples in (37, 480):
        m = base.copy()
        m.audio = p.delay(m.audio, samples)
        yield fault("late-%d" % samples, "late", "all tracks %d samples late" % samples, m, params={"samples": samples})
    m = base.copy()
    m.audio = np.vstack([np.zeros((rate, m.audio.shape[1])), m.audio])
    m.items = [replace(i, path=(lambda f: (lambda t: f(max(0.0, t - 1.0))))(i.path)) for i in m.items]
    yield fault("head-silence", "head_silence", "one second of silence at the head, against the mix", m)
    yield fault("head-silence-alone", "head_silence", "one second of silence at the head", m, mix=None, place=(0, rate))
    m = base.copy()
    m.audio = p.quantise(m.audio * p.db(-45 + 20.5), 24)
    yield fault("too-quiet", "too_quiet", "about -45 LKFS", m, mix=None)
    m = base.copy()
    m.audio[:, 2:] = 0
    yield fault("stereo-objects-silent", "stereo_in_disguise", "front pair and silence everywhere else", m, mix=None)
    m = m.copy()
    m.items, m.audio = [], m.audio[:, :len(m.bed)]
    yield fault("stereo-bed", "stereo_in_disguise", "a bed whose front pair alone has sound, no object", m, mix=None)
    if o.render is not None:
        for over in (0.6, 1.5):
            gain = p.db(-1 + over) / meters.interpolated_peak(o.render).max()
            level = carriers.loudness_51(o.render * gain, rate)
            yield fault("over-%.1f" % over, "true_peak", "%.1f dB over -1 dBTP on 5.1 (%.1f LKFS)" % (over, level), changed(o, audio=o.master.audio * gain), mix=None, control="copy", params={"dB": over})

    # Two readers may read it differently
    def two(which):
        def edit(xml, rows):
            short = [r for r in rows[:-1]]
            if which == "axml":
                turned = xml.replace('coordinate="azimuth">30<', 'coordinate="azimuth">-30<')
                return [("chna", admfile.chna_bytes(rows))], [("axml", xml.encode()), ("axml", turned.encode())]
            return [("chna", admfile.chna_bytes(rows)), ("chna", admfile.chna_bytes(short))], [("axml", xml.encode())]
        return edit

    def counted(tracks, uids):
        return lambda xml, rows: ([("chna", admfile.chna_bytes(rows, len(rows) + tracks, len(rows) + uids))], [("axml", xml.encode())])
    yield fault("two-axml", "two_descriptions", "two axml chunks with other positions", base, edit=two("axml"), mix=None)
    yield fault("two-chna", "two_descriptions", "two chna chunks, one without the last track", base, edit=two("chna"), mix=None)
    yield fault("counts-tracks", "counts", "chna counts two tracks more than it lists", base, edit=counted(2, 0), mix=None)
    yield fault("counts-uids", "counts", "chna counts one UID fewer than it lists", base, edit=counted(0, -1), mix=None)
