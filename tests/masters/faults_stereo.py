"""Faults in stereo masters, one a file, put into the same chain that honest_stereo.py sends as `chain-a`."""
import numpy as np

import carriers
import damage as d
import meters
import processing as p
import wavefile
from case import Case, channel_part
from honest_stereo import full_chain, surround, under_ceiling, written


def _fault(c, name, fault, did, y, place=None, rate=None, **how):
    options = how.pop("options", {})
    if place is not None:
        place = tuple(frame / (rate or c.rate) for frame in place)
    return Case(name, written(y, rate or c.rate, dither=options.pop("dither", False), **options), did, kind="fault", fault=fault, place=place,
                control=how.pop("control", "chain-a"), **how)


def _master(c, mix=None):
    return p.quantise(full_chain(c.mix if mix is None else mix, c.rate, c.random(7)), 24)


def versions(c, mix_path, other):
    """Another version than the approved one. `other`: a stereo carrier with another song."""
    lead = c.lead()
    without = mix_path.replace(".mix.", ".without-lead.mix.")
    wavefile.write(without, c.version(**{lead: None}), c.rate)
    yield _fault(c, "main-against-instrumental", "wrong_version", "the main version held against the mix without its lead", _master(c), mix=without)
    yield _fault(c, "instrumental", "wrong_version", "made from the mix without its lead", _master(c, c.version(**{lead: None})))
    yield _fault(c, "older-revision", "older_revision", "made from a revision whose lead is 4.4 dB lower", _master(c, c.version(**{lead: -4.4})))
    yield _fault(c, "another-song", "another_song", "another song", _master(c, other.mix))
    for part in list(c.stems)[:2] + list(c.stems)[-1:]:
        if part != lead:
            yield _fault(c, "lost-" + part.lower().replace(" ", "-"), "lost_part", "made from a mix without %s" % part, _master(c, c.version(**{part: None})), params={"part": part})
    for change in (-3.0, 3.0):
        yield _fault(c, "lead%+.0f" % change, "vocal_level", "made from a mix whose lead is at %+.1f dB" % change, _master(c, c.version(**{lead: change})), params={"dB": change})
    a, b = int(4.0 * c.rate), int(7.0 * c.rate)
    stretch = c.mix.copy()
    stretch[a:b] = c.version(**{lead: -6.0})[a:b]
    yield _fault(c, "lead-ride", "vocal_level", "the lead is 6 dB lower from 4 to 7 s", _master(c, stretch), place=(a, b))


def edits(c, rng):
    y = _master(c)
    at = c.loud_frame(rng, 4, 8)
    cut, place = d.cut_out(y, at, int(rng.uniform(0.2, 0.6) * c.rate), c.rate)
    yield _fault(c, "cut-out", "edit", "0.2 to 0.6 s missing, joined over 5 ms", cut, place)
    swapped, place = d.exchange(y, int(3.1 * c.rate), int(7.7 * c.rate), int(0.8 * c.rate), c.rate)
    yield _fault(c, "exchanged", "edit", "two stretches of 0.8 s changed places", swapped, place)


def holes_and_clicks(c, rng):
    y = _master(c)
    for name, fade_s in (("hole-hard", 0), ("hole-faded", 0.002)):
        at = c.loud_frame(rng, x=y)
        broken, place = d.hole(y, at, int(0.05 * c.rate), int(fade_s * c.rate))
        yield _fault(c, name, "hole", "50 ms of silence in both channels", broken, place)
    broken, place = d.click(y, c.downbeat(rng))
    yield _fault(c, "click-downbeat", "click", "one sample moved by 0.5 on a downbeat, held against the mix", broken, place)
    alone = c.random(29)
    at = _standing_out(y, lambda: c.downbeat(alone))
    if at is not None:
        broken, place = d.click(y, at)
        yield _fault(c, "click-downbeat-alone", "click", "one sample moved by 0.5 on a downbeat, without a mix", broken, place, mix=None)
    side = int(rng.integers(0, 2))
    at = _standing_out(y[:, [side]], lambda: c.loud_frame(alone) + 701)
    if at is not None:
        broken, place = d.click(y, at, 0.5, [side])
        yield _fault(c, "click-one-channel-alone", "click", "one sample of one channel moved by 0.5, without a mix", broken, place, mix=None, part=channel_part(side))


def _standing_out(y, draw):
    """A frame where a click of 0.5 is no part of a burst of noise, so that it can be told without the mix.

    Its second difference (twice its size) is 12 dB over the largest within 480 frames around it. Own choice: in the
    noise of a drum of its own size nobody hears or measures it. None where the music leaves no such frame.
    """
    for _ in range(60):
        at = draw()
        if 0.5 * 2 >= p.db(12) * np.abs(np.diff(y[at - 480:at + 480], 2, axis=0)).max():
            return at
    return None


def timing_and_channels(c, rng):
    y = _master(c)
    for samples in (37, 480):
        yield _fault(c, "late-%d" % samples, "late", "%d samples late" % samples, p.delay(y, samples), params={"samples": samples})
    side = int(rng.integers(0, 2))
    late = y.copy()
    late[:, side] = p.delay(y[:, [side]], 24)[:, 0]
    yield _fault(c, "late-channel", "late_part", "one channel 24 samples late", late, part=channel_part(side), params={"samples": 24})
    turned = y.copy()
    turned[:, side] *= -1
    yield _fault(c, "polarity-channel", "polarity", "one channel inverted", turned, part=channel_part(side))
    yield _fault(c, "polarity-channel-alone", "polarity", "one channel inverted, without a mix", turned, mix=None)
    yield _fault(c, "polarity-whole", "polarity", "both channels inverted", -y)
    yield _fault(c, "swapped", "lr_swapped", "left and right exchanged", y[:, ::-1])
    mono = np.repeat(y.mean(axis=1, keepdims=True), 2, axis=1)
    yield _fault(c, "dual-mono", "dual_mono", "both channels equal", under_ceiling(mono), mix=None)


def levels(c, rng):
    y = _master(c)
    for over in (0.6, 1.5):
        yield _fault(c, "over-%.1f" % over, "true_peak", "%.1f dB over -1 dBTP" % over, p.at_true_peak(y, -1 + over), mix=None, params={"dB": over})
    drive = -20 * np.log10(np.abs(c.mix).max()) + 6
    yield _fault(c, "clipped", "clipped", "6 dB driven into full scale", d.clip(c.mix, drive), mix=None)
    yield _fault(c, "clipped-turned-down", "clipped", "6 dB driven into full scale, then 3 dB down", d.clip(c.mix, drive, -3.0), mix=None)
    for offset in (0.004, 0.02):
        yield _fault(c, "dc-%g" % offset, "dc_offset", "%.1f %% of direct current" % (100 * offset), under_ceiling(y * 0.9 + offset), mix=None, params={"fraction": offset})
    for hertz, level in ((50, -40), (60, -46)):
        yield _fault(c, "hum-%d" % hertz, "hum", "hum of %d Hz at %d dBFS with harmonics" % (hertz, level), under_ceiling(d.hum(y, c.rate, hertz, level)), params={"dBFS": level})
        # Alone it is heard where the music fades, as hum mostly is.
        faded = d.hum(p.fade(y, c.rate, 0.3, 2.5), c.rate, hertz, level)
        yield _fault(c, "hum-%d-alone" % hertz, "hum", "the same through the music's fades, without a mix", under_ceiling(faded), mix=None, params={"dBFS": level})


def _sounding(c, y, frames, channels, rng):
    """A frame where the stretch that will be taken out is no quieter than half of the whole's root mean square."""
    whole = np.sqrt((y ** 2).mean())
    while True:
        at = c.loud_frame(rng, x=y) + int(rng.integers(0, 999))
        if np.sqrt((y[at:at + frames, channels] ** 2).mean()) >= 0.5 * whole:
            return at


def dropouts(c, rng):
    y = _master(c)
    for ms in (1, 5, 50):
        for edge in ("hard", "faded"):
            for side in (None, int(rng.integers(0, 2))):
                frames = int(ms / 1000 * c.rate)
                fade = 0 if edge == "hard" else max(6, frames // 6)
                channels = [0, 1] if side is None else [side]
                broken, place = d.hole(y, _sounding(c, y, frames, channels, rng), frames, fade, channels)
                yield _fault(c, "dropout-%dms-%s-%s" % (ms, edge, "both" if side is None else "one"), "dropout", "%d ms of silence, %s edges" % (ms, edge), broken, place,
                             mix=None, part=None if side is None else channel_part(side), params={"ms": ms, "edge": edge})
    for times in (1, 3, 8):
        buffer = int(rng.choice([256, 512, 1024]))
        broken, place = d.repeat(y, c.loud_frame(rng, 2, 9, x=y), buffer, times)
        yield _fault(c, "repeat-%d" % times, "repeat", "a buffer of %d frames repeated %d times" % (buffer, times), broken, place, mix=None, params={"times": times, "buffer": buffer})
    broken, starts = y, np.sort(rng.choice(np.arange(1, 20), 12, replace=False)) * int(0.5 * c.rate) + int(rng.integers(0, 9999))
    for at in starts:
        broken, _ = d.repeat(broken, int(at), 512, int(rng.integers(1, 4)))
    yield _fault(c, "repeat-dozen", "repeat", "a dozen buffers repeated one to three times each", broken, (int(starts[0]), int(starts[0]) + 1024), mix=None, params={"times": "dozen", "buffer": 512})


def ends_and_words(c, rng):
    y = _master(c)
    at = c.loud_frame(rng, 6, 9, x=y) + int(0.02 * c.rate)
    yield _fault(c, "cut-end", "cut_end", "ends within a loud note", y[:at], mix=None)
    yield _fault(c, "cut-end-silence", "cut_end", "ends within a loud note, then half a second of digital silence", np.vstack([y[:at], np.zeros((c.rate // 2, 2))]), mix=None)
    yield _fault(c, "padded", "padded", "16 bits in a 24-bit file", p.quantise(y, 16, np.random.default_rng(5)), mix=None)
    yield _fault(c, "padded-dithered", "padded", "16 bits, then 24-bit dither", p.quantise(p.quantise(y, 16), 24, np.random.default_rng(5)), mix=None)
    loud = meters.integrated_lufs(y, c.rate)
    peak = meters.true_peak_dbtp(y)
    for name, fault, did, chunks in (
            ("bext-loudness", "loudness_written", "bext says 4 LU more than the file has", dict(before=[("bext", wavefile.bext(loud + 4, peak))])),
            ("bext-true-peak", "loudness_written", "bext says a true peak 2 dB lower", dict(before=[("bext", wavefile.bext(loud, peak - 2))])),
            ("info-loudness", "loudness_written", "INFO says 5 LU less than the file has", dict(after=[("LIST", wavefile.info(ICMT="Integrated loudness %.1f LUFS" % (loud - 5)))])),
            ("bext-date", "date_written", "bext has the 30th of February", dict(before=[("bext", wavefile.bext(date="2026-02-30"))])),
            ("dates-differ", "date_written", "bext and INFO name days three years apart", dict(before=[("bext", wavefile.bext(date="2023-01-05"))], after=[("LIST", wavefile.info(ICRD="2026-03-01"))]))):
        yield _fault(c, name, fault, did, y, mix=None, options=chunks)


def copies(c, rng):
    """What a copy that stopped leaves: the bytes after a block's border are zero or missing."""
    y = _master(c)
    border = int(7.0 * c.rate) * 6 // 4096 * 4096
    while (border - 44) % 6 == 0:
        border += 4096

    def filled(path, end=None):
        written(y, c.rate)(path)
        with open(path, "r+b") as f:
            size = f.seek(0, 2)
            f.seek(border)
            f.write(b"\0" * ((size if end is None else end) - border))
    at = (border - 44) / 6 / c.rate
    yield Case("zero-tail", filled, "zeros from a 4096-byte border that splits a frame, to the end", kind="fault", fault="zero_tail", place=(at, len(y) / c.rate), mix=None, control="chain-a")
    hole_end = border + 16 * 4096
    yield Case("zero-hole", lambda path: filled(path, hole_end), "65536 bytes of zeros between two borders that split frames", kind="fault", fault="zero_hole",
               place=(at, (hole_end - 44) / 6 / c.rate), mix=None, control="chain-a")
    missing = int(rng.integers(100000, 900000))
    yield _fault(c, "truncated", "truncated", "%d bytes missing at the end" % missing, y, mix=None, options={"shorten": missing})


def origin(c):
    """Needs sound up to half the sampling rate: synthesised songs have it."""
    if d.missing_codecs():
        return
    y = _master(c)
    for codec, setting in (("mp3", 128), ("mp3", 192), ("vorbis", 0.9), ("vorbis", 0.6)):
        z = d.through_codec(y, c.rate, codec, setting)
        yield _fault(c, "lossy-%s-%g" % (codec, setting), "lossy", "through %s, setting %g" % (codec, setting), under_ceiling(z), mix=None, params={"codec": codec, "setting": setting})


def upsampled(c):
    """`c` at 44.1 or 48 kHz, brought to a higher rate."""
    for rate in ((48000, 96000) if c.rate == 44100 else (96000,)):
        z = carriers.resample(_master(c), c.rate, rate)
        yield _fault(c, "upsampled-%d" % rate, "upsampled", "%d Hz brought to %d" % (c.rate, rate), under_ceiling(z), rate=rate, mix=None, params={"from": c.rate, "to": rate})


def surround_faults(c):
    for label, mask in (("labelled", wavefile.MASK_51), ("unlabelled", 0)):
        yield Case("surround-%s-inverted" % label, surround(c, mask, inverted=True), "5.1, one surround channel inverted, channels %s" % label, kind="fault", fault="polarity",
                   mix=None, profile="immersive-channels", control="surround-" + label)


GROUPS = {  # Which carriers a group is put into
    "versions": ("band", "ballad", "electronic", "chorale-a", "quartet"),
    "edits": ("band", "ballad", "quartet", "consort"),
    "holes": ("band", "ballad", "electronic", "chorale-b", "quartet"),
    "timing": ("band", "electronic", "chorale-a", "quartet"),
    "levels": ("band", "ballad", "sparse", "chorale-a"),
    "dropouts": ("band", "electronic", "quartet", "consort"),
    "ends": ("band", "ballad", "chorale-b"),
    "copies": ("band", "ballad", "quartet"),
    "origin": ("band", "electronic", "sparse"),
    "upsampled": ("band-44k", "electronic"),
    "surround": ("band", "quartet"),
}


def cases(c, mix_path, other):
    def rng(group):
        return np.random.default_rng([len(c.name), sum(group.encode()), 17, c.seed - 1])

    def asked(group):
        return c.name in GROUPS[group]
    if asked("versions"):
        yield from versions(c, mix_path, other())
    for group, make in (("edits", edits), ("holes", holes_and_clicks), ("timing", timing_and_channels), ("levels", levels), ("dropouts", dropouts),
                        ("ends", ends_and_words), ("copies", copies)):
        if asked(group):
            yield from make(c, rng(group))
    for group, make in (("origin", origin), ("upsampled", upsampled), ("surround", surround_faults)):
        if asked(group):
            yield from make(c)
