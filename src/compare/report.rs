//! From what was gathered while both files were read to the [`Comparison`].
//!
//! In: [`Heard`], everything that the comparer kept. Out: numbers and places, each list bounded.
//! Knows nothing of samples.

use super::balance::{Groups, balance};
use super::bands::BlockLevels;
use super::beds::bed_changes;
use super::curve::{Course, Gain, course, gain, quantile};
use super::movement::{Models, movement};
use super::pairing::Pairing;
use super::remains::{NotHeard, Remains};
use super::side::{Limits, Side};
use super::timing::{Stay, Tracker};
use super::types::*;
use super::versions::{Desk, Envelope, Told, Versions, rate_label, told};
use crate::units::{Dbfs, Frames, Hertz, Seconds};

/// Blocks a second.
pub(super) const RATE: u32 = 10;

/// What one pair of tracks left behind.
pub(super) struct Track {
    /// Index into the pairs.
    pub(super) pair: usize,
    pub(super) mix: usize,
    pub(super) master: usize,
    pub(super) kind: PartKind,
    pub(super) tracker: Tracker,
    pub(super) levels: Vec<BlockLevels>,
    /// From which block on which offset was used.
    pub(super) used: Vec<(usize, i64)>,
}

/// All that was gathered.
pub(super) struct Heard {
    pub(super) master: Side,
    pub(super) mix: Side,
    pub(super) limits: Limits,
    pub(super) pairing: Pairing,
    pub(super) tracks: Vec<Track>,
    pub(super) groups: Option<Groups>,
    /// Of channel-based files.
    pub(super) desk: Option<Desk>,
    /// Level curves of master and mix.
    pub(super) curves: Option<[Envelope; 2]>,
    /// Frames of a block.
    pub(super) block: i64,
    pub(super) remains: Result<Remains, NotHeard>,
    /// How far offsets were looked for, in frames.
    pub(super) reach: u64,
    pub(super) master_frames: u64,
    pub(super) mix_frames: u64,
}

impl Heard {
    pub(super) fn told(mut self) -> Comparison {
        let rate = f64::from(self.mix.sample_rate);
        let blocks = self.mix_frames.max(self.master_frames) as f64 / self.block as f64;
        let blocks = blocks.ceil() as usize;
        for track in &mut self.tracks {
            track.levels.truncate(blocks);
        }
        if let Some(desk) = &mut self.desk {
            desk.finish();
        }
        let timing = self.timing();
        let gains = self.gains();
        let (tracks, level_changes) = self.level_changes(&gains);
        let versions = self.versions(&timing, &gains);
        let in_mix = |frames: u64| self.in_frames_of_the_mix(frames).unsigned_abs();
        let end = if blocks > 0 {
            Some(self.mix_frames.max(in_mix(self.master_frames)))
        } else {
            self.mix
                .frames_hint
                .max(self.master.frames_hint.map(in_mix))
        };
        let movement = self.movement(
            timing.offset_frames,
            end.map_or(f64::INFINITY, |end| end as f64 / rate),
        );
        let (master_frames, mix_frames) = (self.master_frames, self.mix_frames);
        let count = |tracks: usize| u32::try_from(tracks).unwrap_or(u32::MAX);
        let keep = self.limits.listed;
        let renamed = self.pairing.pairs.iter().filter(|pair| {
            matches!(
                pair.by,
                PairedBy::Name | PairedBy::TrackIndex | PairedBy::ChannelId
            )
        });
        let renamed: Vec<Renamed> = renamed
            .map(|pair| Renamed {
                by: pair.by,
                mix: pair.mix.part.clone(),
                master: pair.master.part.clone(),
            })
            .collect();
        Comparison {
            sample_rate_hz: Hertz::new(self.mix.sample_rate)
                .expect("a rate of zero was refused when the comparison began"),
            master_frames: Frames(master_frames),
            mix_frames: Frames(mix_frames),
            master_sample_rate_hz: Hertz::new(self.master.sample_rate)
                .expect("a rate of zero was refused when the comparison began"),
            length_difference_frames: self.in_frames_of_the_mix(master_frames) - mix_frames as i64,
            parts: Parts {
                tracks: Changed {
                    mix: count(self.mix.tracks),
                    master: count(self.master.tracks),
                },
                paired: self.pairing.pairs.len() as u64,
                missing: Listed::new(std::mem::take(&mut self.pairing.missing), keep),
                extra: Listed::new(std::mem::take(&mut self.pairing.extra), keep),
                renamed: Listed::new(renamed, keep),
            },
            timing,
            movement,
            balance: self
                .groups
                .as_ref()
                .map(|groups| balance(groups, self.limits.silence_dbfs)),
            tracks,
            level_changes,
            versions,
            remains: self.remains.into(),
            limits: self.limits,
        }
    }

    fn in_frames_of_the_mix(&self, master_frames: u64) -> i64 {
        if self.master.sample_rate == self.mix.sample_rate {
            return master_frames as i64;
        }
        let ratio = f64::from(self.mix.sample_rate) / f64::from(self.master.sample_rate);
        (master_frames as f64 * ratio).round() as i64
    }

    fn versions(&self, timing: &Timing, gains: &[(Vec<bool>, Gain)]) -> Option<Versions> {
        let rate = self.curves.as_ref().and_then(|[master, mix]| {
            rate_label(
                (master, mix),
                (self.master_frames, self.mix_frames),
                (self.master.sample_rate, self.mix.sample_rate),
                timing.offset_frames.is_some(),
            )
        });
        let found = self.desk.as_ref().map(|desk| {
            let from = Told {
                tracks: &self.tracks,
                gains,
                pairing: &self.pairing,
                offset: timing.offset_frames,
                block: self.block,
                sample_rate: self.mix.sample_rate,
                frames: (self.master_frames, self.mix_frames),
                silence_dbfs: self.limits.silence_dbfs,
                listed: self.limits.listed,
            };
            told(desk, &from)
        });
        if found.is_none() && rate.is_none() {
            return None;
        }
        Some(Versions {
            rate,
            ..found.unwrap_or_default()
        })
    }

    fn movement(&self, offset: Option<i64>, end: f64) -> Option<Movement> {
        if !self.pairing.by_model {
            return None;
        }
        let models = Models {
            mix: self.mix.model.as_deref()?,
            master: self.master.model.as_deref()?,
            pairs: &self.pairing.pairs,
            sample_rate: self.mix.sample_rate,
            end,
        };
        let mut movement = movement(&models, offset, &self.limits);
        movement.beds_changed = Listed::new(bed_changes(&models, &self.limits), self.limits.listed);
        Some(movement)
    }

    fn timing(&self) -> Timing {
        let main = |track: &Track| track.tracker.main_offset();
        let overall = common_offset(self.tracks.iter().map(main));
        let mut deviating = Vec::new();
        let mut slips = Vec::new();
        let rate = f64::from(self.mix.sample_rate);
        for track in &self.tracks {
            let part = || self.pairing.pairs[track.pair].mix.part.clone();
            if let (Some(offset), Some(overall)) = (main(track), overall)
                && offset != overall
            {
                deviating.push(TrackOffset {
                    part: part(),
                    offset_frames: offset,
                    deviation_frames: offset - overall,
                    confidence: track.tracker.best_confidence,
                });
            }
            for stays in track.tracker.stays.windows(2) {
                let [before, after] = stays else { continue };
                let seconds = |frame: i64| Seconds(frame.max(0) as f64 / rate);
                slips.push(Slip {
                    part: part(),
                    after_s: seconds(before.last_start),
                    before_s: seconds(after.first_end),
                    offset_before_frames: before.offset,
                    offset_after_frames: after.offset,
                    jump_frames: after.offset - before.offset,
                });
            }
        }
        let measured = |track: &&Track| !track.tracker.stays.is_empty();
        let tried = |track: &&Track| track.tracker.tried > 0 && track.tracker.stays.is_empty();
        Timing {
            offset_frames: overall,
            tracks_measured: self.tracks.iter().filter(measured).count() as u64,
            tracks_not_measured: self.tracks.iter().filter(tried).count() as u64,
            deviating: Listed::new(deviating, self.limits.listed),
            slips: Listed::new(slips, self.limits.listed),
            search_range_frames: self.reach,
        }
    }

    /// Of each track, the blocks that were taken where they belong, and the gain in them.
    fn gains(&self) -> Vec<(Vec<bool>, Gain)> {
        let tracks = self.tracks.iter().map(|track| {
            let valid = track.valid(self.block);
            let gain = gain(&track.levels, &valid, self.limits.silence_dbfs);
            (valid, gain)
        });
        tracks.collect()
    }

    fn level_changes(
        &self,
        gains: &[(Vec<bool>, Gain)],
    ) -> (Listed<TrackChange>, Listed<LevelChange>) {
        let silence = self.limits.silence_dbfs;
        let mut statics: Vec<f64> = gains
            .iter()
            .filter_map(|(_, gain)| gain.static_db)
            .collect();
        let fallback = quantile(&mut statics, 0.5).unwrap_or(0.0);
        let limits = (silence, self.limits.level_change_db, fallback);
        let mut tracks = Vec::new();
        let mut changes = Vec::new();
        for (track, (valid, gain)) in self.tracks.iter().zip(gains) {
            let course = course(&track.levels, valid, gain, limits);
            let part = &self.pairing.pairs[track.pair].mix.part;
            changes.extend(course.places.iter().map(|place| LevelChange {
                part: part.clone(),
                kind: place.kind,
                start_s: seconds(place.start),
                end_s: seconds(place.end),
                deviation_db: place.deviation_db,
                level_dbfs: Dbfs::from_linear(place.level.sqrt()),
            }));
            tracks.push(self.track_change(track, gain, &course));
        }
        let keep = self.limits.listed;
        changes.sort_by(|one, other| other.deviation_db.abs().total_cmp(&one.deviation_db.abs()));
        let mut changes = Listed::new(changes, keep);
        changes
            .listed
            .sort_by(|one, other| one.start_s.0.total_cmp(&other.start_s.0));
        (Listed::new(tracks, keep), changes)
    }

    fn track_change(&self, track: &Track, gain: &Gain, course: &Course) -> TrackChange {
        let tracker = &track.tracker;
        TrackChange {
            part: self.pairing.pairs[track.pair].mix.part.clone(),
            master_track: u32::try_from(track.master + 1).unwrap_or(u32::MAX),
            offset_frames: tracker.main_offset(),
            confidence: (tracker.matched > 0).then_some(tracker.best_confidence),
            polarity_inverted: tracker.polarity_inverted(),
            windows_tried: tracker.tried,
            windows_matched: tracker.matched,
            static_gain_db: gain.static_db,
            band_static_gain_db: gain.band_static_db,
            gain_movement_db: gain.movement_db(),
            band_gain_movement_db: gain.band_movement_db,
            short_term_movement_db: course.movement_db,
            largest_change_db: course.largest.map(|(_, deviation)| deviation),
            largest_change_at_s: course.largest.map(|(block, _)| seconds(block)),
            blocks_compared: gain.compared,
            blocks_left_out: gain.left_out,
            only_in_mix_s: Seconds(course.only_in_mix as f64 / f64::from(RATE)),
            only_in_master_s: Seconds(course.only_in_master as f64 / f64::from(RATE)),
            level_changes: course.places.len() as u64,
            gain_curve: gain
                .static_db
                .and_then(|static_db| self.picture(course, static_db)),
        }
    }

    fn picture(&self, course: &Course, static_db: f64) -> Option<GainCurve> {
        let blocks = course.deviations_db.len();
        let points = self.limits.curve_points;
        if points == 0 || blocks == 0 {
            return None;
        }
        let step = blocks.div_ceil(points);
        let values = course.deviations_db.chunks(step).map(|deviations| {
            let deviation = deviations[deviations.len() / 2]?;
            Some(((static_db + deviation) * 100.0).round() / 100.0)
        });
        Some(GainCurve {
            step_s: Seconds(step as f64 / f64::from(RATE)),
            values_db: values.collect(),
        })
    }
}

fn seconds(block: usize) -> Seconds {
    Seconds(block as f64 / f64::from(RATE))
}

/// The offset that most have; of two, the smaller.
pub(super) fn common_offset(offsets: impl Iterator<Item = Option<i64>>) -> Option<i64> {
    let mut counts = std::collections::BTreeMap::new();
    for offset in offsets.flatten() {
        *counts.entry(offset).or_insert(0_u64) += 1;
    }
    let most = counts
        .into_iter()
        .max_by_key(|&(offset, count)| (count, std::cmp::Reverse(offset.unsigned_abs())));
    most.map(|(offset, _)| offset)
}

impl Track {
    /// Which blocks were taken at the offset that was found there; between the last sight of
    /// one offset and the first of the next it is not known.
    fn valid(&self, block: i64) -> Vec<bool> {
        let stays = &self.tracker.stays;
        let mut valid = vec![true; self.levels.len()];
        let (Some(first), Some(last)) = (stays.first(), stays.last()) else {
            return valid;
        };
        let mut used = self.used.iter().peekable();
        let mut offset = first.offset;
        let mut stay = 0;
        for (index, valid) in valid.iter_mut().enumerate() {
            while let Some(&&(from, at)) = used.peek()
                && from <= index
            {
                offset = at;
                used.next();
            }
            let (start, end) = (index as i64 * block, (index as i64 + 1) * block);
            while stay + 1 < stays.len() && start >= stays[stay + 1].first_end {
                stay += 1;
            }
            let known: &Stay = stays.get(stay).unwrap_or(last);
            let between = stay + 1 < stays.len() && end > known.last_start;
            *valid = !between && offset == known.offset;
        }
        valid
    }
}
