//! From a track's levels, block by block, to its gain: static, moving, and the places where it
//! left the static one.
//!
//! In: [`BlockLevels`] of the whole programme, and which of them lie over each other. Out:
//! numbers and places counted in blocks of 100 ms. A static equaliser with moving content looks
//! like moving gain in the sum of the bands, but not in the band that it leaves alone: of the
//! bands, the one that moves least is taken. Knows nothing of tracks, frames or names.

use super::bands::{BlockLevels, decibels, mean_square_of};
use super::types::LevelChangeKind;

/// Blocks of the short-term window, 3 s (EBU Tech 3341 has the same length for loudness).
const SHORT_TERM: usize = 30;
/// Sounding blocks without which a window or a band says nothing.
const ENOUGH: usize = 10;
/// Blocks of silence on one side that make a place.
const MISSING_RUN: usize = 3;
/// How far over the silence limit a level must be expected for its absence to count, in dB.
const MISSING_MARGIN: f64 = 10.0;
/// A side is silent where it has fallen by so much beyond the static gain, in dB. Own choice:
/// limiting, compression and high-passes of a master take less away, a mute takes all.
const GONE_DB: f64 = 24.0;
/// Two blocks from a place where a side is silent, a fade has taken so much away, in dB. Own
/// choice: a linear fade of half a second; what is cut off or muted has lost nothing there.
const FADED_DB: f64 = 6.0;
/// Mean square of the least level that is kept, -120 dBFS.
const LEAST: f64 = 1e-12;
/// Places of one kind that are closer than this many blocks are one.
const MERGE: usize = 10;

/// What the levels say as a whole.
#[derive(Clone, Debug, Default)]
pub(super) struct Gain {
    pub(super) static_db: Option<f64>,
    pub(super) band_static_db: [Option<f64>; 3],
    pub(super) band_movement_db: [Option<f64>; 3],
    /// Bands that sound in at least half as many blocks as the fullest one.
    pub(super) telling: [bool; 3],
    pub(super) compared: u64,
    pub(super) left_out: u64,
}

/// A place, in blocks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    pub(super) kind: LevelChangeKind,
    pub(super) start: usize,
    pub(super) end: usize,
    pub(super) deviation_db: f64,
    /// Mean square of the side that sounds.
    pub(super) level: f64,
    /// The silent side fell before the place, or rises after it, as in a fade.
    pub(super) faded: bool,
}

/// What the short-term windows say.
#[derive(Clone, Debug, Default)]
pub(super) struct Course {
    /// Deviation from the static gain about each block.
    pub(super) deviations_db: Vec<Option<f64>>,
    pub(super) movement_db: Option<f64>,
    pub(super) largest: Option<(usize, f64)>,
    pub(super) only_in_mix: u64,
    pub(super) only_in_master: u64,
    pub(super) places: Vec<Place>,
}

/// The level change of one band in one block, where it sounds in both.
fn change(block: &BlockLevels, band: usize, silence: f64) -> Option<f64> {
    let mix = decibels(block[band]).filter(|&level| level > silence)?;
    let master = decibels(block[band + 3]).filter(|&level| level > silence)?;
    Some(master - mix)
}

/// Mean squares of mix and master over all bands.
fn sums(block: &BlockLevels) -> (f64, f64) {
    let sum = |levels: &[i16]| levels.iter().map(|&level| mean_square_of(level)).sum();
    (sum(&block[..3]), sum(&block[3..]))
}

/// `valid[block]`: whether the two lie over each other there.
pub(super) fn gain(levels: &[BlockLevels], valid: &[bool], silence: f64) -> Gain {
    let mut changes: [Vec<f64>; 3] = Default::default();
    let mut whole = Vec::new();
    let mut found = Gain::default();
    let silent = 10_f64.powf(silence / 10.0);
    for (block, &valid) in levels.iter().zip(valid) {
        let (mix, master) = sums(block);
        if mix <= silent || master <= silent {
            continue;
        }
        if !valid {
            found.left_out += 1;
            continue;
        }
        found.compared += 1;
        whole.push(10.0 * (master / mix).log10());
        for (band, changes) in changes.iter_mut().enumerate() {
            changes.extend(change(block, band, silence));
        }
    }
    let fullest = changes.iter().map(Vec::len).max().unwrap_or(0);
    found.static_db = quantile(&mut whole, 0.5);
    for (band, changes) in changes.iter_mut().enumerate() {
        found.telling[band] = changes.len() >= ENOUGH && changes.len() * 2 >= fullest;
        found.band_static_db[band] = quantile(changes, 0.5);
        if changes.len() >= ENOUGH {
            found.band_movement_db[band] = range(changes);
        }
    }
    found
}

impl Gain {
    /// The least movement of the bands that tell.
    pub(super) fn movement_db(&self) -> Option<f64> {
        let telling = self.band_movement_db.iter().zip(self.telling);
        telling
            .filter_map(|(movement, telling)| movement.filter(|_| telling))
            .reduce(f64::min)
    }
}

/// `fallback_db` stands in for a static gain where the track has none.
pub(super) fn course(
    levels: &[BlockLevels],
    valid: &[bool],
    gain: &Gain,
    (silence, limit, fallback_db): (f64, f64, f64),
) -> Course {
    let mut course = Course {
        deviations_db: deviations(levels, valid, gain, silence),
        ..Course::default()
    };
    let mut values: Vec<f64> = course.deviations_db.iter().flatten().copied().collect();
    course.movement_db = range(&mut values);
    for (block, deviation) in course.deviations_db.iter().enumerate() {
        if let Some(deviation) = *deviation
            && course
                .largest
                .is_none_or(|(_, most)| deviation.abs() > most.abs())
        {
            course.largest = Some((block, deviation));
        }
    }
    moved(levels, &mut course, limit);
    one_sided(
        levels,
        valid,
        &mut course,
        (silence, gain.static_db.unwrap_or(fallback_db)),
    );
    course.places.sort_by_key(|place| place.start);
    course
}

/// Running sums of one band: mix, master, and how many blocks sound in both.
type Running = Vec<(f64, f64, usize)>;

/// The least deviation of the telling bands in 3 s about each block.
fn deviations(
    levels: &[BlockLevels],
    valid: &[bool],
    gain: &Gain,
    silence: f64,
) -> Vec<Option<f64>> {
    let running: Vec<(f64, Running)> = (0..3)
        .filter(|&band| gain.telling[band])
        .filter_map(|band| {
            let mut sum = (0.0, 0.0, 0);
            let mut running = Vec::with_capacity(levels.len() + 1);
            running.push(sum);
            for (block, &valid) in levels.iter().zip(valid) {
                if valid && change(block, band, silence).is_some() {
                    sum.0 += mean_square_of(block[band]);
                    sum.1 += mean_square_of(block[band + 3]);
                    sum.2 += 1;
                }
                running.push(sum);
            }
            Some((gain.band_static_db[band]?, running))
        })
        .collect();
    // About the ends the window stays whole.
    let last = levels.len().saturating_sub(SHORT_TERM);
    (0..levels.len())
        .map(|block| {
            let from = block.saturating_sub(SHORT_TERM / 2).min(last);
            let to = (from + SHORT_TERM).min(levels.len());
            let mut least: Option<f64> = None;
            for (static_db, running) in &running {
                let ((mix, master, count), before) = (running[to], running[from]);
                if count - before.2 < ENOUGH || mix <= before.0 || master <= before.1 {
                    continue;
                }
                let ratio = (master - before.1) / (mix - before.0);
                let deviation = 10.0 * ratio.log10() - static_db;
                least = Some(match least {
                    None => deviation,
                    Some(other) if other * deviation <= 0.0 => 0.0,
                    Some(other) if other.abs() < deviation.abs() => other,
                    Some(_) => deviation,
                });
            }
            least
        })
        .collect()
}

/// Places where the deviation is over the limit.
fn moved(levels: &[BlockLevels], course: &mut Course, limit: f64) {
    let mut places = Vec::new();
    for (block, deviation) in course.deviations_db.iter().enumerate() {
        let Some(deviation) = deviation.filter(|deviation| deviation.abs() > limit) else {
            continue;
        };
        let kind = if deviation > 0.0 {
            LevelChangeKind::Louder
        } else {
            LevelChangeKind::Quieter
        };
        extend(&mut places, kind, block, deviation, MERGE);
    }
    for place in &mut places {
        let within = &levels[place.start..place.end];
        place.level = within.iter().map(|block| sums(block).1).sum::<f64>() / within.len() as f64;
    }
    course.places.append(&mut places);
}

/// Places where one side sounds and the other, which should, is silent.
fn one_sided(
    levels: &[BlockLevels],
    valid: &[bool],
    course: &mut Course,
    (silence, static_db): (f64, f64),
) {
    let silent = 10_f64.powf(silence / 10.0);
    let mut places = Vec::new();
    for (index, (block, &valid)) in levels.iter().zip(valid).enumerate() {
        let (mix, master) = sums(block);
        let (kind, sounding, other, expected) = match (mix > silent, master > silent) {
            (true, false) => (LevelChangeKind::Missing, mix, master, static_db),
            (false, true) => (LevelChangeKind::Added, master, mix, -static_db),
            _ => continue,
        };
        let over = 10.0 * sounding.log10() + expected - silence;
        let fell = 10.0 * (sounding / other.max(LEAST)).log10() + expected;
        if !valid || over < MISSING_MARGIN || fell < GONE_DB {
            continue;
        }
        if kind == LevelChangeKind::Missing {
            course.only_in_mix += 1;
            extend(&mut places, kind, index, -over, MISSING_RUN);
        } else {
            course.only_in_master += 1;
            extend(&mut places, kind, index, over, MISSING_RUN);
        }
    }
    places.retain(|place| place.end - place.start >= MISSING_RUN);
    for place in &mut places {
        let within = &levels[place.start..place.end];
        let sum: f64 = within
            .iter()
            .map(|block| {
                let (mix, master) = sums(block);
                if place.kind == LevelChangeKind::Missing {
                    mix
                } else {
                    master
                }
            })
            .sum();
        place.level = sum / within.len() as f64;
        place.faded = is_faded(levels, place, static_db);
    }
    course.places.append(&mut places);
}

/// Whether the side that is silent within the place lies well under its static gain next to it.
/// The block at the border is part of both and says nothing.
fn is_faded(levels: &[BlockLevels], place: &Place, static_db: f64) -> bool {
    let beside = [place.start.checked_sub(2), Some(place.end + 1)];
    beside.into_iter().flatten().any(|block| {
        let Some((mix, master)) = levels.get(block).map(sums) else {
            return false;
        };
        let change = 10.0 * (master.max(LEAST) / mix.max(LEAST)).log10() - static_db;
        let lost = match place.kind {
            LevelChangeKind::Missing => -change,
            _ => change,
        };
        lost > FADED_DB
    })
}

/// Adds a block to the last place of its kind, or begins another.
fn extend(
    places: &mut Vec<Place>,
    kind: LevelChangeKind,
    block: usize,
    deviation_db: f64,
    merge: usize,
) {
    match places.last_mut() {
        Some(place) if place.kind == kind && block < place.end + merge => {
            place.end = block + 1;
            if deviation_db.abs() > place.deviation_db.abs() {
                place.deviation_db = deviation_db;
            }
        }
        _ => places.push(Place {
            kind,
            start: block,
            end: block + 1,
            deviation_db,
            level: 0.0,
            faded: false,
        }),
    }
}

/// From the 1st to the 99th percentile.
pub(super) fn range(values: &mut [f64]) -> Option<f64> {
    let low = quantile(values, 0.01)?;
    Some(quantile(values, 0.99)? - low)
}

/// With linear interpolation between ranks; `None` for no values. Reorders them.
pub(super) fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    let place = share * values.len().checked_sub(1)? as f64;
    let below = place as usize;
    let (_, &mut low, above) = values.select_nth_unstable_by(below, f64::total_cmp);
    let high = above.iter().copied().min_by(f64::total_cmp).unwrap_or(low);
    Some(low + (high - low) * (place - below as f64))
}
