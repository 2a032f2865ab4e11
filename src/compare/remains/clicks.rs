//! Single samples that the mix does not have.
//!
//! In: the remainder of one window as a wave, the mix as it was expected and the master. Out: the
//! largest sample that stands alone in what remains. A limiter or clipper leaves such samples as
//! well: they make the master smaller than expected, at its ceiling, and are not told.

/// How far a click stands out of the rest of the window's remainder. Own measurement: what
/// limiters and clippers leave stays under a factor of 12 but at their ceiling.
const STANDS_OUT: f32 = 14.0;
/// Of the programme's effective value in the same window, under which a click is not heard.
const AUDIBLE: f32 = 0.25;
/// Of the mix's own sharpest sample within 1.5 ms at 48 kHz, under which a remainder is a part of
/// that. Own measurement: compressors and limiters leave less than a third.
const OF_MIX: f32 = 0.6;
const BESIDE: usize = 72;
/// Samples about the peak that belong to it.
const NEAR: usize = 6;
/// Of the master's largest sample in the window: at its ceiling.
const CEILING: f32 = 0.8;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Click {
    /// Frames from the window's start.
    pub(super) at: usize,
    /// Its size, full scale = 1.0.
    pub(super) size: f32,
    /// Over the rest of what remains, and over the programme's effective value.
    pub(super) stands_out_db: f32,
    pub(super) level_db: f32,
}

/// `remainder`, `expected` and `master` are one window each; only its middle half is looked at,
/// since the next window has the rest.
pub(super) fn click(remainder: &[f32], window: &[f32], master: &[f32]) -> Option<Click> {
    let size = remainder.len();
    let middle = size / 4..size - size / 4;
    // Half of what a sample differs by from its neighbours.
    let curve = |n: usize| remainder[n] - 0.5 * (remainder[n - 1] + remainder[n + 1]);
    let at = middle
        .clone()
        .max_by(|&a, &b| curve(a).abs().total_cmp(&curve(b).abs()))?;
    let peak = curve(at).abs() / window[at].max(0.25);
    let rest = (1..size - 1).filter(|&n| n.abs_diff(at) > NEAR);
    let (sum, count) = rest.fold((0.0_f32, 0.0_f32), |(sum, count), n| {
        (sum + curve(n).powi(2), count + 1.0)
    });
    let rest = (sum / count.max(1.0)).sqrt() + 1e-7;
    // What the mix has there itself: honest processing leaves a part of it at most.
    let near = at.saturating_sub(BESIDE).max(1)..(at + BESIDE).min(size - 1);
    let of_mix = |n: usize| {
        let weighted = |n: usize| master[n] * window[n].max(0.25) - remainder[n];
        (weighted(n) - 0.5 * (weighted(n - 1) + weighted(n + 1))).abs() / window[at].max(0.25)
    };
    let mix = near.map(of_mix).fold(0.0, f32::max);
    let programme = master.iter().map(|s| s * s).sum::<f32>() / size as f32;
    let programme = programme.sqrt() + 1e-5;
    if peak < STANDS_OUT * rest || peak < OF_MIX * mix || peak < AUDIBLE * programme {
        return None;
    }
    // A limiter or clipper: towards zero, from a sample that is among the largest.
    let around = at - NEAR..at + NEAR + 1;
    let change: f32 = remainder[around].iter().sum();
    let largest = master.iter().fold(0.0_f32, |most, s| most.max(s.abs()));
    if change * master[at] < 0.0 && master[at].abs() > CEILING * largest {
        return None;
    }
    let db = |ratio: f32| 20.0 * ratio.log10();
    Some(Click {
        at,
        size: peak,
        stands_out_db: db(peak / rest),
        level_db: db(peak / programme),
    })
}
