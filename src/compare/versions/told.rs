//! From what was gathered of two versions to [`Versions`].

use super::bed::exchange;
use super::desk::Desk;
use super::edits::Material;
use super::matrix::Channel;
use super::swap::{Found, Places, found};
use super::types::*;
use crate::compare::bands::{BlockLevels, mean_square_of};
use crate::compare::correlate::filter_delay;
use crate::compare::curve::{Gain, quantile};
use crate::compare::pairing::Pairing;
use crate::compare::report::{RATE, Track};
use crate::compare::timing::Stay;
use crate::compare::types::Listed;
use crate::units::{Dbfs, Seconds};

/// A level change under which channels are in balance is a listener's, and the judge's; bands
/// that differ in sign say nothing. In dB.
const AGREE_DB: f64 = 0.1;
/// Blocks that sound, without which a level or a floor is none: 1 s.
const ENOUGH: usize = 10;
/// Correlation of a channel with its counterpart from which its level is compared. Own choice.
const ALIKE: f64 = 0.5;
/// A channel of the master under this level throughout is silent, in dBFS.
const SILENT_DB: f64 = -80.0;

/// What the comparer holds beside the desk.
pub(in crate::compare) struct Told<'a> {
    pub(in crate::compare) tracks: &'a [Track],
    /// Of each track, as `curve` found them.
    pub(in crate::compare) gains: &'a [(Vec<bool>, Gain)],
    pub(in crate::compare) pairing: &'a Pairing,
    pub(in crate::compare) offset: Option<i64>,
    pub(in crate::compare) block: i64,
    pub(in crate::compare) sample_rate: u32,
    pub(in crate::compare) frames: (u64, u64),
    pub(in crate::compare) silence_dbfs: f64,
    pub(in crate::compare) listed: usize,
}

pub(in crate::compare) fn told(desk: &Desk, from: &Told) -> Versions {
    let places = Places::new(
        from.tracks
            .iter()
            .map(|track| from.pairing.pairs[track.pair].mix.part.channel.clone())
            .collect(),
    );
    let count = from.tracks.len();
    let (matches, cycles) = match &desk.matrix {
        Some(matrix) if matrix.windows > 0 => found(matrix, &places.mirrored(), count),
        _ => (vec![Found::default(); count], Vec::new()),
    };
    let in_master = |index: usize| u32::try_from(from.tracks[index].master + 1).unwrap_or(u32::MAX);
    let exchanges: Vec<Exchange> = cycles
        .iter()
        .map(|cycle| {
            let mix = |pair: usize| from.tracks[pair].mix;
            exchange(cycle, &places, &mix, &|pair| from.tracks[pair].master)
        })
        .collect();
    let moved = exchanges.iter().any(|exchange| exchange.confidence >= 0.5);
    let levels = from.level_changes();
    let channels = (0..count)
        .map(|index| {
            let of_track = &from.tracks[index];
            let found = &matches[index];
            let own = desk.matrix.as_ref().and_then(|m| m.own_correlation(index));
            let (delay_frames, mut delay_confidence) = from.delay(of_track, moved);
            let straight = desk
                .matrix
                .as_ref()
                .and_then(|matrix| matrix.correlation(Channel::Mix(index), Channel::Master(index)));
            // Bass is as alike a few samples later: a delay that changes nothing is none.
            if straight
                .zip(own)
                .is_some_and(|(straight, own)| straight.abs() >= own.abs() - 0.01)
            {
                delay_confidence = 0.0;
            }
            let sounds = of_track.sounds(from.silence_dbfs);
            // Two pieces of music are not out of balance.
            let alike = own.is_some_and(|own| own.abs() >= ALIKE);
            let level = levels[index].filter(|_| !moved && alike);
            ChannelAgainst {
                part: from.pairing.pairs[of_track.pair].mix.part.clone(),
                master_track: in_master(index),
                correlation: own,
                most_like_track: found.correlation.map(|_| in_master(found.at)),
                most_like_correlation: found.correlation,
                inverted: found.inverted,
                inverted_confidence: found.inverted_confidence,
                delay_frames,
                delay_confidence,
                level_change_db: level.map(|(change, _)| change),
                level_confidence: level.map_or(0.0, |(_, confidence)| confidence),
                sounds_in_mix_s: Seconds(sounds.0 as f64 / f64::from(RATE)),
                sounds_in_master_s: Seconds(sounds.1 as f64 / f64::from(RATE)),
                missing: sounds.0 >= ENOUGH && !of_track.heard_in_master(),
            }
        })
        .collect();
    let (edits, alignment) = from.edits(desk, moved);
    let as_long = from.offset == Some(0)
        && from.frames.0.abs_diff(from.frames.1) <= u64::from(from.sample_rate) / 100;
    let null = desk.null.told(as_long && edits.is_empty(), RATE);
    Versions {
        channels,
        exchanges,
        edits: Listed::new(edits, from.listed),
        alignment,
        null: null.filter(|null| from.offset.is_some() || null.identical_samples),
        rate: None,
        tone: tone(desk),
        floor: from.floor(),
    }
}

impl Told<'_> {
    /// Level change of each track without that of the others, and how sure it is.
    fn level_changes(&self) -> Vec<Option<(f64, f64)>> {
        let whole: Vec<Option<f64>> = self.gains.iter().map(|(_, gain)| gain.static_db).collect();
        let count = whole.iter().flatten().count();
        let others = |index: usize, of: &dyn Fn(&Gain) -> Option<f64>| {
            let mut others: Vec<f64> = (0..self.gains.len())
                .filter(|&other| other != index)
                .filter_map(|other| of(&self.gains[other].1))
                .collect();
            quantile(&mut others, 0.5)
        };
        (0..self.gains.len())
            .map(|index| {
                let gain = &self.gains[index].1;
                let own = gain.static_db.filter(|_| gain.compared >= ENOUGH as u64)?;
                others(index, &|gain| gain.static_db)?;
                let bands = (0..3).filter(|&band| gain.telling[band]);
                let changes: Vec<f64> = bands
                    .filter_map(|band| {
                        let others = others(index, &|gain| gain.band_static_db[band])?;
                        Some(gain.band_static_db[band]? - others)
                    })
                    .collect();
                let least = changes
                    .iter()
                    .copied()
                    .min_by(|one, other| one.abs().total_cmp(&other.abs()))?;
                let agree = changes.iter().all(|change| change * least > 0.0);
                let most = changes
                    .iter()
                    .map(|change| change.abs())
                    .fold(0.0, f64::max);
                let change = if agree || least.abs() < AGREE_DB {
                    least
                } else {
                    0.0
                };
                // Of two channels either one may have changed: the one that is farther from
                // where it was.
                let other = (0..2).find(|&other| count == 2 && other != index);
                let nearer = other.is_some_and(|other| {
                    whole
                        .get(other)
                        .copied()
                        .flatten()
                        .is_some_and(|other| other.abs() > own.abs())
                });
                // Own choice: a gain is the same in every band, an equaliser is not.
                let same = (1.0 - (most - change.abs()) / 1.0).clamp(0.0, 1.0);
                let confidence = if nearer { 0.0 } else { same };
                Some((change, confidence))
            })
            .collect()
    }

    fn delay(&self, track: &Track, moved: bool) -> (Option<i64>, f64) {
        let tracker = &track.tracker;
        let (Some(offset), Some(main)) = (self.offset, tracker.main_offset()) else {
            return (None, 0.0);
        };
        let at: u64 = tracker
            .stays
            .iter()
            .filter(|stay| stay.offset == main)
            .map(|stay| stay.windows)
            .sum();
        // An edit moves all channels, if not in the same window.
        let main = match tracker.stays.iter().any(|stay| stay.offset == offset) {
            true => offset,
            false => main,
        };
        let share = at as f64 / tracker.tried.max(1) as f64;
        // What a filter does to an onset is no delay.
        let filter = (main - offset).abs() <= filter_delay(self.sample_rate);
        let enough = if at >= 3 && !filter { 1.0 } else { 0.4 };
        let straight = if moved { 0.3 } else { 1.0 };
        (
            Some(main - offset),
            share.clamp(0.0, 1.0) * enough * straight,
        )
    }

    /// Where channels `moved`, none is like the one in its place, and that is no edit.
    fn edits(&self, desk: &Desk, moved: bool) -> (Vec<Edit>, Vec<Aligned>) {
        let windows =
            |track: &Track| -> u64 { track.tracker.stays.iter().map(|s| s.windows).sum() };
        let near = filter_delay(self.sample_rate);
        let on_time = |track: &Track| {
            let both = track.tracker.main_offset().zip(self.offset);
            both.is_some_and(|(own, common)| (own - common).abs() <= near)
        };
        let best = (0..self.tracks.len())
            .filter(|&index| !self.tracks[index].tracker.stays.is_empty())
            .max_by_key(|&index| {
                let track = &self.tracks[index];
                (on_time(track), windows(track), std::cmp::Reverse(index))
            });
        let Some(best) = best else {
            return (Vec::new(), Vec::new());
        };
        let agree = |before: &Stay, after: &Stay| {
            let measured = self
                .tracks
                .iter()
                .filter(|track| !track.tracker.stays.is_empty());
            let jumps = |track: &&Track| {
                track.tracker.stays.windows(2).any(|stays| {
                    let jump = stays[1].offset - stays[0].offset;
                    let same = (jump - (after.offset - before.offset)).abs() <= near;
                    same && stays[0].last_start < after.first_end
                        && stays[1].first_end > before.last_start
                })
            };
            let all = measured.clone().count().max(1);
            measured.filter(jumps).count() as f64 / all as f64
        };
        let material = Material {
            stays: &self.tracks[best].tracker.stays,
            slipped: &desk.slipped[best],
            agree: &agree,
            passages: if moved { &[] } else { &desk.passages.found },
            rides: if moved { &[] } else { &desk.rides.found },
            median_likeness: desk.passages.median().unwrap_or(0.0),
            block: self.block,
            sample_rate: self.sample_rate,
            mix_frames: self.frames.1,
        };
        (material.edits(), material.alignment())
    }

    /// The quietest twentieth of the blocks that are no digital silence, in all tracks together.
    fn floor(&self) -> Option<FloorChange> {
        let blocks = self.tracks.iter().map(|track| track.levels.len()).min()?;
        let mut levels: Vec<(f64, f64)> = (0..blocks)
            .filter(|&block| self.gains.iter().all(|(valid, _)| valid[block]))
            .map(|block| {
                self.tracks.iter().fold((0.0, 0.0), |sum, track| {
                    let (mix, master) = sums(&track.levels[block]);
                    (sum.0 + mix, sum.1 + master)
                })
            })
            .filter(|(mix, master)| *mix > 0.0 && *master > 0.0)
            .collect();
        levels.sort_by(|one, other| one.0.total_cmp(&other.0));
        let quiet = &levels[..levels.len() / 20];
        if quiet.len() < ENOUGH {
            return None;
        }
        let mean =
            |of: fn(&(f64, f64)) -> f64| quiet.iter().map(of).sum::<f64>() / quiet.len() as f64;
        let (mix, master) = (mean(|levels| levels.0), mean(|levels| levels.1));
        let mut gains: Vec<f64> = self.gains.iter().filter_map(|(_, g)| g.static_db).collect();
        let gain = quantile(&mut gains, 0.5)?;
        Some(FloorChange {
            mix_dbfs: Dbfs::from_linear(mix.sqrt()),
            master_dbfs: Dbfs::from_linear(master.sqrt()),
            change_db: 10.0 * (master / mix).log10() - gain,
        })
    }
}

fn sums(block: &BlockLevels) -> (f64, f64) {
    let sum = |levels: &[i16]| levels.iter().map(|&level| mean_square_of(level)).sum();
    (sum(&block[..3]), sum(&block[3..]))
}

impl Track {
    /// Blocks over the level in mix and master.
    fn sounds(&self, silence_dbfs: f64) -> (usize, usize) {
        let over = 10_f64.powf(silence_dbfs / 10.0);
        self.levels.iter().fold((0, 0), |count, block| {
            let (mix, master) = sums(block);
            (
                count.0 + usize::from(mix > over),
                count.1 + usize::from(master > over),
            )
        })
    }

    fn heard_in_master(&self) -> bool {
        let over = 10_f64.powf(SILENT_DB / 10.0);
        self.levels.iter().any(|block| sums(block).1 > over)
    }
}

/// Third-octaves that are within 50 dB of the loudest; the overall gain is their median change.
fn tone(desk: &Desk) -> Option<TonalBalance> {
    let matrix = desk.matrix.as_ref()?;
    let thirds: Vec<(f64, [f64; 2])> = matrix.thirds().collect();
    let loudest = thirds
        .iter()
        .map(|(_, powers)| powers[0])
        .fold(0.0, f64::max);
    let mut bands: Vec<BandChange> = thirds
        .iter()
        .filter(|(_, powers)| powers[0] > 1e-5 * loudest && powers[1] > 0.0)
        .map(|(centre, powers)| BandChange {
            centre_hz: nominal(*centre),
            change_db: 10.0 * (powers[1] / powers[0]).log10(),
        })
        .collect();
    let mut changes: Vec<f64> = bands.iter().map(|band| band.change_db).collect();
    let overall = quantile(&mut changes, 0.5)?;
    for band in &mut bands {
        band.change_db = ((band.change_db - overall) * 100.0).round() / 100.0;
    }
    let largest = bands
        .iter()
        .max_by(|one, other| one.change_db.abs().total_cmp(&other.change_db.abs()))?;
    Some(TonalBalance {
        overall_gain_db: overall,
        largest_band_hz: largest.centre_hz,
        largest_change_db: largest.change_db,
        bands,
    })
}

/// Nominal mid-band frequencies of third-octaves: IEC 61260-1, from memory.
fn nominal(centre: f64) -> f64 {
    const NOMINAL: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];
    let band = (10.0 * centre.log10()).round();
    let decade = (band / 10.0).floor();
    NOMINAL[(band - 10.0 * decade) as usize % 10] * 10_f64.powf(decade)
}
