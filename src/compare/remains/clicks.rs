//! Single samples that the mix does not have.
//!
//! In: the remainder of one window as a wave and the master. Out: the largest sample that stands
//! alone in what remains. A limiter or clipper leaves such samples as well: they are either a gain
//! that moves within a millisecond, or make the master smaller than expected at its ceiling.

/// How far a click stands out of the rest of the window's remainder. Own choice, far under what
/// clicks of a tenth of full scale leave (40 and more).
const STANDS_OUT: f32 = 14.0;
/// Of the programme's effective value in the same window, under which a click is not heard.
const AUDIBLE: f32 = 0.25;
/// Frames either side, 1 ms at 48 kHz, over which a gain that moves in a straight line is taken
/// out, and those about the peak that do not count for it.
const BESIDE: usize = 48;
const PEAK: usize = 3;
/// Over the largest of the neighbours' remainder once that gain is out. Own measurement on 40
/// clicks of -6 and -20 dBFS and 100 limited or clipped masters: clicks exceed 12, and limiters and
/// clippers stay under 5, but at their ceiling.
const OVER_NEIGHBOURS: f32 = 6.0;
/// Samples about the peak that belong to it.
const NEAR: usize = 6;
/// Of the master's largest sample in the window: at its ceiling.
const CEILING: f32 = 0.8;
/// Samples either side of the peak that may be the one that was cut at the ceiling, and the least
/// that is cut there, of the peak.
const CUT_NEAR: usize = 2;
const CUT: f32 = 0.4;
/// Of the peak: what a ceiling cuts stays level or a maximum; a click towards zero is a dent.
const DENT: f32 = 0.1;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Click {
    /// Frames from the window's start.
    pub(super) at: usize,
    /// Over the rest of what remains, and over the programme's effective value.
    pub(super) stands_out_db: f32,
    pub(super) level_db: f32,
}

/// `remainder`, `window` and `master` are one window each; only its middle half is looked at,
/// since the next window has the rest.
pub(super) fn click(remainder: &[f32], window: &[f32], master: &[f32]) -> Option<Click> {
    let size = remainder.len();
    let middle = size / 4..size - size / 4;
    let curve = |n: usize| sharpness(|n| remainder[n], n);
    let at = middle.max_by(|&a, &b| curve(a).abs().total_cmp(&curve(b).abs()))?;
    let weight = window[at].max(0.25);
    let rest = (1..size - 1).filter(|&n| n.abs_diff(at) > NEAR);
    let (sum, count) = rest.fold((0.0_f32, 0.0_f32), |(sum, count), n| {
        (sum + curve(n).powi(2), count + 1.0)
    });
    let rest = (sum / count.max(1.0)).sqrt() + 1e-7;
    let programme = master.iter().map(|s| s * s).sum::<f32>() / size as f32;
    let programme = programme.sqrt() + 1e-5;
    let whole = curve(at).abs() / weight;
    if whole < STANDS_OUT * rest || whole < AUDIBLE * programme {
        return None;
    }
    let expected = |n: usize| master[n] * window[n].max(0.25) - remainder[n];
    let alone = without_moving_gain(curve, |n| sharpness(expected, n), at)? / weight;
    if alone < AUDIBLE * programme || cut_at_ceiling(curve, master, at) {
        return None;
    }
    let db = |ratio: f32| 20.0 * ratio.log10();
    Some(Click {
        at,
        stands_out_db: db(alone / rest),
        level_db: db(alone / programme),
    })
}

/// Half of what a sample differs by from its neighbours.
fn sharpness(wave: impl Fn(usize) -> f32, n: usize) -> f32 {
    wave(n) - 0.5 * (wave(n - 1) + wave(n + 1))
}

/// The remainder at `at` without what a gain explains that is linear over the samples beside it;
/// `None` where it is not far larger than theirs.
fn without_moving_gain(
    remainder: impl Fn(usize) -> f32,
    expected: impl Fn(usize) -> f32,
    at: usize,
) -> Option<f32> {
    let near = || (at - BESIDE..=at + BESIDE).filter(|n| n.abs_diff(at) > PEAK);
    let time = |n: usize| (n as f32 - at as f32) / BESIDE as f32;
    // Least squares for gain and slope.
    let (mut constant, mut mixed, mut linear) = (1e-12_f32, 0.0_f32, 1e-12_f32);
    let (mut right, mut right_linear) = (0.0_f32, 0.0_f32);
    for n in near() {
        let (time, x, r) = (time(n), expected(n), remainder(n));
        constant += x * x;
        mixed += x * x * time;
        linear += x * x * time * time;
        right += x * r;
        right_linear += x * r * time;
    }
    let determinant = constant * linear - mixed * mixed;
    let gain = (right * linear - right_linear * mixed) / determinant;
    let slope = (right_linear * constant - right * mixed) / determinant;
    if !gain.is_finite() || !slope.is_finite() {
        return None;
    }
    let left = |n: usize| (remainder(n) - (gain + slope * time(n)) * expected(n)).abs();
    let neighbours = near().map(left).fold(0.0, f32::max);
    let alone = left(at);
    (alone >= OVER_NEIGHBOURS * neighbours).then_some(alone)
}

/// Whether a limiter or clipper made it: towards zero, at one of the master's largest samples,
/// which is no dent.
fn cut_at_ceiling(remainder: impl Fn(usize) -> f32, master: &[f32], at: usize) -> bool {
    let largest = master.iter().fold(0.0_f32, |most, s| most.max(s.abs()));
    let peak = remainder(at).abs();
    (at - CUT_NEAR..=at + CUT_NEAR).any(|n| {
        let sign = master[n].signum();
        let cut = -remainder(n) * sign;
        let outward = sharpness(|n| master[n], n) * sign;
        master[n].abs() > CEILING * largest && cut > CUT * peak && outward > -DENT * peak
    })
}
