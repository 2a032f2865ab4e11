//! The places, to the sample, between which the master is not the mix.
//!
//! In: a stretch of both and the offsets before and behind. Out: where the match of the first
//! ends and that of the second begins: the cut of least squared error, where what matches
//! nothing costs nearly as much as it sounds. Knows nothing of how the offsets were found.

use crate::compare::buffer::Buffer;

/// What a sample costs that is left unmatched, against its own power. Own choice: a master that
/// was equalised and driven leaves less, other music nearly twice as much.
const UNMATCHED: f64 = 0.7;
/// A gap that is no longer than that is none, in seconds. Own choice.
const NO_GAP: f64 = 0.02;

/// Frames of the mix: the match with the first offset ends at `end`, that with the second
/// begins at `start`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::compare) struct Cut {
    pub(in crate::compare) end: i64,
    pub(in crate::compare) start: i64,
    /// Frames by which the place may be off.
    pub(in crate::compare) uncertain: i64,
}

/// Looks from `from` to `to` of the mix. `None` where one of them is silent. With `inner_db` what
/// lies between is the same at another level, master less mix and the level about it.
pub(in crate::compare) fn cut(
    (mix, in_mix): (&Buffer, usize),
    (master, in_master): (&Buffer, usize),
    (from, to): (i64, i64),
    (before, behind): (i64, i64),
    inner_db: Option<f64>,
    sample_rate: u32,
) -> Option<Cut> {
    let frames = usize::try_from(to - from)
        .ok()
        .filter(|&frames| frames > 64)?;
    let read = |buffer: &Buffer, track: usize, at: i64| {
        let mut samples = vec![0.0_f32; frames];
        buffer.copy(track, at, &mut samples);
        whiten(&mut samples);
        samples
    };
    let one = read(mix, in_mix, from);
    let first = read(master, in_master, from + before);
    let second = if before == behind {
        first.clone()
    } else {
        read(master, in_master, from + behind)
    };
    // Where both match, at the ends, the gain is measured.
    let ends = (frames / 4).min(sample_rate as usize / 10);
    let gain = |range: std::ops::Range<usize>, other: &[f32]| {
        let (mut cross, mut square) = (0.0, 0.0);
        for (one, other) in one[range.clone()].iter().zip(&other[range]) {
            cross += f64::from(*one) * f64::from(*other);
            square += f64::from(*other) * f64::from(*other);
        }
        if square > 0.0 { cross / square } else { 0.0 }
    };
    let gains = (gain(0..ends, &first), gain(frames - ends..frames, &second));
    if gains.0 == 0.0 || gains.1 == 0.0 {
        return None;
    }
    // Costs of the samples before each place at the first offset, and behind it at the second,
    // less what they would cost unmatched.
    let inner = inner_db.map(|db| 10_f64.powf(-db / 20.0));
    let cost = |one: f32, other: f32, gain: f64| {
        let (one, other) = (f64::from(one), gain * f64::from(other));
        let between = match inner {
            Some(inner) => (one - inner * other) * (one - inner * other),
            None => UNMATCHED * one * one,
        };
        (one - other) * (one - other) - between
    };
    let mut until = Vec::with_capacity(frames + 1);
    let mut sum = 0.0;
    until.push(0.0);
    for (one, first) in one.iter().zip(&first) {
        sum += cost(*one, *first, gains.0);
        until.push(sum);
    }
    let mut rest = vec![0.0; frames + 1];
    sum = 0.0;
    for index in (0..frames).rev() {
        sum += cost(one[index], second[index], gains.1);
        rest[index] = sum;
    }
    // What was taken out of the mix is at least as long as the jump.
    let least = usize::try_from(before - behind).unwrap_or(0);
    if least > frames {
        return None;
    }
    let plain = |end: usize| until[end] + rest[end + least];
    let end = (0..=frames - least).min_by(|&a, &b| plain(a).total_cmp(&plain(b)))?;
    let (mut best, mut free) = ((end, end + least), plain(end));
    let mut lowest = (0.0, 0);
    for (end, (&until, &rest)) in until.iter().zip(&rest[least..]).enumerate() {
        if until < lowest.0 || end == 0 {
            lowest = (until, end);
        }
        if lowest.0 + rest < free {
            free = lowest.0 + rest;
            best = (lowest.1, end + least);
        }
    }
    let gap = best.1 - best.0 - least;
    if gap > 0 && (gap as f64) < NO_GAP * f64::from(sample_rate) && before != behind {
        best = (end, end + least);
    }
    let uncertain = width(&until, best.0) + width(&rest, best.1);
    Some(Cut {
        end: from + best.0 as i64,
        start: from + best.1 as i64,
        uncertain,
    })
}

/// How far a cost stays within a thousandth of what the neighbourhood holds.
fn width(costs: &[f64], at: usize) -> i64 {
    let reach = 2_400;
    let (from, to) = (at.saturating_sub(reach), (at + reach).min(costs.len() - 1));
    let within = &costs[from..=to];
    let span = within.iter().copied().fold(f64::MIN, f64::max)
        - within.iter().copied().fold(f64::MAX, f64::min);
    let near = |index: usize| (costs[index] - costs[at]).abs() <= 1e-3 * span;
    let below = (from..at).rev().take_while(|&index| near(index)).count();
    let above = (at + 1..=to).take_while(|&index| near(index)).count();
    below.max(above) as i64
}

/// The difference to the sample before: bass is slow and tells no place.
fn whiten(samples: &mut [f32]) {
    let mut before = samples.first().copied().unwrap_or(0.0);
    for sample in samples {
        let now = *sample;
        *sample = now - 0.95 * before;
        before = now;
    }
}
