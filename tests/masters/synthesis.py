"""Songs from formulas: stems with phrases, seeded, no sample of anybody's.

Out: an ordered dict of stem name to float array [frame, 2]. A `style` changes tempo, density and what the parts do, so
that a set of songs covers loops, drones, tremolo, sub bass and steady tones, which comparisons find hard.
"""
import numpy as np
from scipy import signal

CHORDS = [(0, 3, 7, 10), (8, 12, 15, 19), (3, 7, 10, 14), (10, 14, 17, 20)]
STYLES = {  # beats per minute, root note in Hz
    "band": (112, 55.0), "ballad": (76, 65.4), "electronic": (124, 49.0), "sparse": (90, 61.7),
}
VOWELS = [(730, 1090, 2440), (530, 1840, 2480), (270, 2290, 3010), (570, 840, 2410), (300, 870, 2240)]  # Hz, from memory


def _note(root, semitones):
    return root * 2 ** (semitones / 12)


def _place(into, start, sound):
    if start < len(into):
        m = min(len(sound), len(into) - start)
        into[start:start + m] += sound[:m]


def _drum(kind, rate, rng):
    n = int(rate * {"kick": 0.3, "snare": 0.25, "hat": 0.12}[kind])
    t = np.arange(n) / rate
    if kind == "kick":
        return 0.9 * np.sin(2 * np.pi * (48 * t + 9 * (1 - np.exp(-t * 28)))) * np.exp(-t * 11) + \
            0.2 * rng.standard_normal(n) * np.exp(-t * 400)
    noise = rng.standard_normal(n)
    if kind == "snare":
        tone = 0.4 * np.sin(2 * np.pi * 190 * t) * np.exp(-t * 30)
        return tone + 0.35 * signal.lfilter([1, -0.6], [1], noise) * np.exp(-t * 20)
    return 0.16 * signal.lfilter([1, -1.6, 0.7], [1], noise) * np.exp(-t * rng.uniform(35, 60))


def drums(n, rate, beat, rng, exact=False):
    """Kick, snare, hats; played by hand unless `exact`, which repeats the very same bar."""
    out = np.zeros(n)
    samples = {k: _drum(k, rate, rng) for k in ("kick", "snare", "hat")} if exact else None
    for step in range(int(n / (beat / 2)) + 1):
        at = int(step * beat / 2)
        for kind, hit in (("hat", True), ("kick", step % 8 in (0, 5)), ("snare", step % 4 == 2)):
            if not hit:
                continue
            sound = samples[kind] if exact else _drum(kind, rate, rng) * rng.uniform(0.75, 1.0)
            late = 0 if exact or step == 0 else int(rng.integers(0, int(0.006 * rate)))
            _place(out, at + late, sound)
    return out


def bass(n, rate, beat, root, rng, exact=False):
    out = np.zeros(n)
    for step in range(int(n / beat) + 1):
        chord = CHORDS[(step // 4) % 4]
        f = _note(root, chord[0] % 12) if exact else _note(root, chord[rng.integers(0, 2) * 2] % 12)
        m = int(beat * 0.95)
        t = np.arange(m) / rate
        tone = sum(np.sin(2 * np.pi * f * h * t) / h ** 1.6 for h in range(1, 7))
        loud = 0.3 if exact else rng.uniform(0.22, 0.34)
        _place(out, int(step * beat), loud * tone * np.minimum(1, t / 0.008) * np.exp(-t * 2.2) * np.minimum(1, (m - np.arange(m)) / 400))
    return out


def pad(n, rate, beat, root, rng, tremolo=0.0):
    """Two channels of slightly detuned partials; a chord lasts four beats and fades into the next."""
    out = np.zeros((n, 2))
    length = int(beat * 4)
    for k in range(n // length + 1):
        m = length + int(0.3 * rate)
        t = np.arange(m) / rate
        env = np.minimum(1, t / 0.25) * np.minimum(1, (m - np.arange(m)) / (0.3 * rate))
        for semitone in CHORDS[k % 4]:
            f = _note(root * 4, semitone)
            for side in (0, 1):
                tone = sum(np.sin(2 * np.pi * f * h * (1 + rng.uniform(-8e-4, 8e-4)) * t + rng.uniform(0, 6)) / h ** 1.4 for h in (1, 2, 3, 4, 5))
                _place(out[:, side], k * length, 0.035 * tone * env)
    if tremolo:
        out *= (1 + 0.6 * np.sin(2 * np.pi * tremolo * np.arange(n) / rate))[:, None] / 1.6
    return out


def pluck(n, rate, beat, root, rng):
    """Plucked strings: noise in a filtered delay line."""
    out = np.zeros(n)
    for step in range(int(n / (beat / 2)) + 1):
        if rng.random() < 0.3:
            continue
        f = _note(root * 8, CHORDS[(step // 8) % 4][rng.integers(0, 4)])
        period = int(round(rate / f))
        m = int(0.7 * rate)
        feed = np.zeros(m)
        feed[:period] = rng.uniform(-1, 1, period)
        feed[:period] -= feed[:period].mean()  # the loop would hold it: no direct current in the mix
        loop = np.zeros(period + 2)
        loop[0], loop[period], loop[period + 1] = 1, -0.498, -0.498
        _place(out, int(step * beat / 2) + int(rng.integers(0, 200)), 0.5 * rng.uniform(0.6, 1) * signal.lfilter([1], loop, feed) * np.minimum(1, (m - np.arange(m)) / 2000))
    return out


def voice(n, rate, beat, root, rng):
    """A pulse with vibrato through three resonances, in phrases of syllables with breaths between them."""
    out = np.zeros(n)
    at = int(beat)
    while at < n:
        for _ in range(int(rng.integers(4, 8))):
            m = int(beat * rng.choice([0.5, 1.0, 1.5]))
            f = _note(root * 4, rng.choice([0, 2, 3, 5, 7, 10, 12]))
            t = np.arange(m) / rate
            phase = np.cumsum(f * (1 + 0.012 * np.sin(2 * np.pi * 5.4 * t) * np.minimum(1, t / 0.2))) / rate
            source = sum(np.sin(2 * np.pi * h * phase) / h for h in range(1, int(7000 / f)))
            sung = np.zeros(m)
            for k, centre in enumerate(VOWELS[rng.integers(0, 5)]):
                b, a = signal.iirpeak(centre, centre / (70 + 40 * k), fs=rate)
                sung += signal.lfilter(b, a, source) / (1 + k)
            sung *= np.minimum(1, t / 0.03) * np.minimum(1, (m - np.arange(m)) / (0.05 * rate))
            _place(out, at, 0.3 * rng.uniform(0.8, 1.1) * sung)
            hiss = int(0.05 * rate)
            _place(out, max(0, at - hiss // 2), 0.05 * signal.lfilter([1, -0.9], [1], rng.standard_normal(hiss)) * np.hanning(hiss))
            at += m
        at += int(beat * rng.choice([1, 2]))
    return out


def room(x, rate, rng, seconds=0.7, wet=0.18):
    """Decaying noise, other in each channel: places a stem in a room."""
    m = int(seconds * rate)
    tail = rng.standard_normal((m, 2)) * np.exp(-np.arange(m) / rate * 6.9 / seconds)[:, None] * wet / np.sqrt(0.07 * rate)
    return x + signal.fftconvolve(x, tail, axes=0)[:len(x)]


def panned(mono, place):
    """Constant power, -1 left to 1 right."""
    angle = (place + 1) * np.pi / 4
    return mono[:, None] * np.array([np.cos(angle), np.sin(angle)]) * np.sqrt(2)


def song(style, seed, rate, seconds):
    rng = np.random.default_rng([seed, 11])
    n = int(seconds * rate)
    tempo, root = STYLES[style]
    beat = 60 * rate / tempo
    wet = {"band": 0.12, "ballad": 0.3, "electronic": 0.08, "sparse": 0.0}[style]
    parts = {
        "Drums": panned(drums(n, rate, beat, rng), 0.0) * (0.5 if style == "ballad" else 0.8),
        "Bass": panned(bass(n, rate, beat, root, rng), 0.0),
        "Pad": pad(n, rate, beat, root, rng, tremolo=5.0 if style == "electronic" else 0.0),
        "Pluck": panned(pluck(n, rate, beat, root, rng), -0.5),
        "Vocal": panned(voice(n, rate, beat, root, rng), 0.05) * 0.9,
    }
    if style == "sparse":
        for k, x in enumerate(parts.values()):
            for start in np.arange(2.0 + 0.3 * k, seconds - 1, 4.0):
                a, b = int(start * rate), int((start + 0.8) * rate)
                x[a:b] *= np.minimum(1, np.abs(np.linspace(-1, 1, b - a)) ** 8)[:, None]
        return parts
    return {k: room(x, rate, rng, wet=wet) for k, x in parts.items()}


def hard_material(kind, seed, rate, seconds):
    """Material that repeats itself or hardly moves."""
    rng = np.random.default_rng([seed, 12])
    n = int(seconds * rate)
    beat = 0.5 * rate
    t = np.arange(n) / rate
    if kind == "loop":
        one = int(beat * 4)
        bar = panned(drums(one, rate, beat, rng, exact=True), 0) * 0.7 + panned(bass(one, rate, beat, 55.0, rng, exact=True), 0.0)
        return {"Loop": np.tile(bar, (n // one + 1, 1))[:n]}
    if kind == "drone":
        tones = sum(np.stack([np.sin(2 * np.pi * f * t + p), np.sin(2 * np.pi * f * t + p + 0.7)], 1) * a
                    for f, a, p in ((82.4, 0.2, 0), (123.5, 0.15, 1), (164.8, 0.1, 2), (247.1, 0.06, 3), (1318.5, 0.02, 4)))
        return {"Drone": tones * np.minimum(1, np.minimum(t, seconds - t) / 0.05)[:, None]}
    if kind == "tremolo":
        return {"Tremolo": pad(n, rate, beat, 55.0, rng, tremolo=6.0) * 2.5}
    if kind == "sub":
        sub = 0.35 * np.sin(2 * np.pi * 41.2 * t) * (0.55 + 0.45 * np.sign(np.sin(2 * np.pi * t / 2)) * np.minimum(1, 20 * np.abs(np.sin(2 * np.pi * t / 2))))
        return {"Sub": panned(sub, 0.0), "Hats": panned(drums(n, rate, beat, rng), 0.3) * 0.3}
    if kind == "tone":
        return {"Tone": panned(0.2 * np.sin(2 * np.pi * 1000 * t), 0.0), "Keys": panned(pluck(n, rate, beat, 55.0, rng), 0.4) * 0.6}
    raise ValueError(kind)
