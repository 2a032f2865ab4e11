//! Which channel of the mix stands where in the master, and which way up.
//!
//! In: the [`Matrix`] of both files and what the labels say. Out: `Exchange`s, and the sign of
//! every channel. The sum of correlations in their own places against the sum in others is the
//! trade's rule; it cannot see a swap of a nearly monophonic pair, whose side signal tells it:
//! a swap turns that around and leaves the mid signal alone.

use super::matrix::{Channel, Matrix};
use super::types::ExchangeKind;

/// By so much must the sum of correlations be better where channels were found. The trade's
/// rule, G3: common practice, no source.
const BETTER: f64 = 0.2;
/// Mean correlation from which a channel was found in another's place. Own choice: processed
/// masters have 0.8 and more.
const FOUND: f64 = 0.6;
/// Side over mid power from which a side signal tells: -40 dB. Own choice: 16-bit dither of a
/// quiet mix is lower.
const SIDE_TELLS: f64 = 1e-4;

/// What a channel of the mix became.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Found {
    /// The pair whose master's channel it is most like.
    pub(super) at: usize,
    pub(super) correlation: Option<f64>,
    pub(super) inverted: bool,
    pub(super) inverted_confidence: f64,
}

/// Pairs that changed places with each other: what stood at `pairs[n]` is found at `at[n]`.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Cycle {
    pub(super) pairs: Vec<usize>,
    pub(super) at: Vec<usize>,
    pub(super) direct: f64,
    pub(super) crossed: f64,
    pub(super) side: Option<Side>,
    pub(super) confidence: f64,
}

/// What mid and side of a pair say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Side {
    pub(super) side_to_mid_db: f64,
    pub(super) correlation: f64,
    swapped: bool,
    inverted: [bool; 2],
    confidence: f64,
}

/// `mirrored`: pairs of channels that are left and right of each other.
pub(super) fn found(
    matrix: &Matrix,
    mirrored: &[(usize, usize)],
    count: usize,
) -> (Vec<Found>, Vec<Cycle>) {
    let signed: Vec<Vec<Option<f64>>> = (0..count)
        .map(|mix| {
            let master = |master| {
                let straight = matrix.correlation(Channel::Mix(mix), Channel::Master(master));
                let own = matrix.own_correlation(mix).filter(|_| master == mix);
                let larger =
                    |one: f64, other: f64| if other.abs() > one.abs() { other } else { one };
                straight.zip(own).map(|(a, b)| larger(a, b)).or(straight)
            };
            (0..count).map(master).collect()
        })
        .collect();
    let size = |mix: usize, master: usize| signed[mix][master].map_or(0.0, f64::abs);
    let place = assigned(count, size);
    let mut cycles = cycles(&place, size);
    for &(one, other) in mirrored {
        let taken = |pair: usize| cycles.iter().position(|cycle| cycle.pairs.contains(&pair));
        let (Some(side), taken) = (side(matrix, one, other), (taken(one), taken(other))) else {
            continue;
        };
        match taken {
            (None, None) if side.swapped => cycles.push(Cycle {
                pairs: vec![one, other],
                at: vec![other, one],
                direct: size(one, one) + size(other, other),
                crossed: size(one, other) + size(other, one),
                confidence: side.confidence,
                side: Some(side),
            }),
            (Some(cycle), Some(same)) if cycle == same && cycles[cycle].pairs.len() == 2 => {
                cycles[cycle].confidence = cycles[cycle].confidence.max(side.confidence);
                cycles[cycle].side = Some(side);
            }
            _ => {}
        }
    }
    let mut found: Vec<Found> = (0..count)
        .map(|mix| {
            let moved = cycles.iter().find_map(|cycle| {
                let place = cycle.pairs.iter().position(|&pair| pair == mix)?;
                Some(cycle.at[place])
            });
            let at = moved.unwrap_or(mix);
            let correlation = signed[mix][at];
            Found {
                at,
                correlation,
                inverted: correlation.is_some_and(|value| value < -0.3),
                inverted_confidence: correlation
                    .map_or(0.0, |value| ((-value - 0.3) / 0.4).clamp(0.0, 1.0)),
            }
        })
        .collect();
    for &(one, other) in mirrored {
        // A swapped pair whose side alone tells of the swap has its signs from there, too.
        let of_pair = |cycle: &&Cycle| cycle.pairs == [one, other];
        if let Some(side) = cycles.iter().find(of_pair).and_then(|cycle| cycle.side)
            && side.swapped
        {
            for (pair, inverted) in [one, other].into_iter().zip(side.inverted) {
                found[pair].inverted = inverted;
                found[pair].inverted_confidence = if inverted { side.confidence } else { 0.0 };
            }
        }
    }
    (found, cycles)
}

/// Where each is found: the most alike first, its own place before an equal one.
fn assigned(count: usize, size: impl Fn(usize, usize) -> f64) -> Vec<usize> {
    let mut all: Vec<(f64, usize, usize)> = Vec::new();
    for mix in 0..count {
        for master in 0..count {
            let own = if mix == master { 0.02 } else { 0.0 };
            all.push((size(mix, master) + own, mix, master));
        }
    }
    all.sort_by(|one, other| other.0.total_cmp(&one.0));
    let mut place = vec![None; count];
    let mut taken = vec![false; count];
    for (_, mix, master) in all {
        if place[mix].is_none() && !taken[master] {
            place[mix] = Some(master);
            taken[master] = true;
        }
    }
    let place = place.into_iter().enumerate();
    place.map(|(own, at)| at.unwrap_or(own)).collect()
}

/// The circles in which channels moved, where that is beyond doubt.
fn cycles(place: &[usize], size: impl Fn(usize, usize) -> f64) -> Vec<Cycle> {
    let mut seen = vec![false; place.len()];
    let mut cycles = Vec::new();
    for start in 0..place.len() {
        let mut pairs = Vec::new();
        let mut at = start;
        while !seen[at] {
            seen[at] = true;
            pairs.push(at);
            at = place[at];
        }
        if pairs.len() < 2 {
            continue;
        }
        let to: Vec<usize> = pairs.iter().map(|&pair| place[pair]).collect();
        let direct: f64 = pairs.iter().map(|&pair| size(pair, pair)).sum();
        let each = || pairs.iter().zip(&to).map(|(&pair, &at)| size(pair, at));
        let crossed: f64 = each().sum();
        // Channels that are silent in both are anywhere.
        if crossed - direct <= BETTER || each().any(|value| value < FOUND) {
            continue;
        }
        let confidence = ((crossed - direct - BETTER) / BETTER).min(1.0) * 0.5 + 0.5;
        cycles.push(Cycle {
            pairs,
            at: to,
            direct,
            crossed,
            side: None,
            confidence,
        });
    }
    cycles
}

/// The eight ways in which a pair can come out: straight or swapped, either one upside down.
/// Mid and side are made of channels of equal power in each octave, so that gain and
/// equalisation of one channel do not make a side signal.
fn side(matrix: &Matrix, one: usize, other: usize) -> Option<Side> {
    use Channel::{Master, Mix};
    let of = |a, b| matrix.correlations(a, b);
    let within = of(Mix(one), Mix(other));
    let within_master = of(Master(one), Master(other));
    let to = [
        [of(Mix(one), Master(one)), of(Mix(one), Master(other))],
        [of(Mix(other), Master(one)), of(Mix(other), Master(other))],
    ];
    let mut best: Option<(f64, f64, f64, bool, [bool; 2])> = None;
    let mut second = f64::NEG_INFINITY;
    let (mut side_power, mut mid_power) = (0.0, 0.0);
    for (mix, master) in within.iter().zip(&within_master) {
        if let (Some(mix), Some(_)) = (mix, master) {
            side_power += 2.0 - 2.0 * mix;
            mid_power += 2.0 + 2.0 * mix;
        }
    }
    if mid_power <= 0.0 || side_power < SIDE_TELLS * mid_power {
        return None;
    }
    for swapped in [false, true] {
        for inverted in [[false, false], [false, true], [true, false], [true, true]] {
            let sign = inverted.map(|inverted| if inverted { -1.0 } else { 1.0 });
            let (mut mids, mut sides) = ([0.0; 3], [0.0; 3]);
            for octave in 0..within.len() {
                let (Some(mix), Some(master)) = (within[octave], within_master[octave]) else {
                    continue;
                };
                // What the master has where the mix's channels should be.
                let here = |mix: usize, place: usize| {
                    let from = if swapped { 1 - place } else { place };
                    to[mix][from][octave].map_or(0.0, |value| sign[place] * value)
                };
                let master = sign[0] * sign[1] * master;
                let straight = here(0, 0) + here(1, 1);
                let crossed = here(0, 1) + here(1, 0);
                let add = |sums: &mut [f64; 3], values: [f64; 3]| {
                    for (sum, value) in sums.iter_mut().zip(values) {
                        *sum += value;
                    }
                };
                add(
                    &mut mids,
                    [straight + crossed, 2.0 + 2.0 * mix, 2.0 + 2.0 * master],
                );
                add(
                    &mut sides,
                    [straight - crossed, 2.0 - 2.0 * mix, 2.0 - 2.0 * master],
                );
            }
            let alike = |sums: [f64; 3]| sums[0] / (sums[1] * sums[2]).max(1e-12).sqrt();
            let (mid, side) = (alike(mids), alike(sides));
            let score = mid + side;
            if best.is_none_or(|(most, ..)| score > most) {
                second = best.map_or(second, |(most, ..)| most.max(second));
                best = Some((score, mid, side, swapped, inverted));
            } else {
                second = second.max(score);
            }
        }
    }
    let (score, mid, side, swapped, inverted) = best?;
    // Own choice: both must be found, and no other way nearly as well.
    let alike = ((mid.min(side) - 0.4) / 0.3).clamp(0.0, 1.0);
    let apart = ((score - second) / 0.8).clamp(0.0, 1.0);
    let confidence = alike.min(apart);
    Some(Side {
        side_to_mid_db: 10.0 * (side_power / mid_power).log10(),
        // As it stands, not as it was found.
        correlation: if swapped { -side } else { side },
        swapped: swapped && confidence > 0.0,
        inverted,
        confidence,
    })
}

/// Which pairs of channels are left and right of each other, and what an exchange is called.
pub(super) struct Places {
    labels: Vec<Option<String>>,
}

impl Places {
    /// Labels of the mix's channels, pair by pair, where the file has them.
    pub(super) fn new(labels: Vec<Option<String>>) -> Self {
        Self { labels }
    }

    fn label(&self, pair: usize) -> Option<&str> {
        if let Some(label) = self.labels.get(pair)?.as_deref() {
            return Some(label);
        }
        // The order of BS.775 and of most files: common practice, no source.
        let six = [
            "M+030", "M-030", "M+000", "LFE1", "M+110", "M-110", "M+135", "M-135",
        ];
        match self.labels.len() {
            2 | 6 | 8 => six.get(pair).copied(),
            _ => None,
        }
    }

    pub(super) fn mirrored(&self) -> Vec<(usize, usize)> {
        let mut found = Vec::new();
        for one in 0..self.labels.len() {
            let Some(left) = self.label(one).filter(|label| label.contains('+')) else {
                continue;
            };
            let right = left.replace('+', "-");
            if let Some(other) = (0..self.labels.len()).find(|&n| self.label(n) == Some(&right)) {
                found.push((one, other));
            }
        }
        found
    }

    pub(super) fn kind(&self, pairs: &[usize]) -> ExchangeKind {
        if self.labels.len() == 2 {
            return ExchangeKind::LeftRight;
        }
        let labels: Vec<&str> = pairs.iter().filter_map(|&pair| self.label(pair)).collect();
        let centre = |label: &&str| label.starts_with("LFE") || label.ends_with("000");
        if labels.len() < pairs.len() || labels.iter().any(centre) {
            ExchangeKind::Other
        } else if labels
            .iter()
            .all(|label| matches!(*label, "M+030" | "M-030"))
        {
            ExchangeKind::LeftRight
        } else {
            ExchangeKind::Surround
        }
    }
}
