//! From what was gathered while both files were read to the [`Comparison`].
//!
//! In: [`Heard`], everything that the comparer kept. Out: numbers and places, each list bounded.
//! Knows nothing of samples.

use super::balance::{Groups, balance};
use super::bands::{BlockLevels, NOTHING};
use super::beds::bed_changes;
use super::curve::{Course, Gain, course, gain, quantile};
use super::movement::{Models, movement};
use super::pairing::{Pair, Pairing};
use super::remains::{NotHeard, Remains};
use super::side::{Limits, Side};
use super::timing::{Stay, Tracker};
use super::types::*;
use super::versions::{BedOrder, Desk, Envelope, Told, Versions, rate_label, told};
use crate::measured::NotMeasured;
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
    /// Of files with a bed in a model.
    pub(super) bed: Option<BedOrder>,
    /// Level curves of master and mix.
    pub(super) curves: Option<[Envelope; 2]>,
    /// Frames of a block.
    pub(super) block: i64,
    pub(super) remains: Result<Remains, NotHeard>,
    /// How far offsets were looked for, in frames.
    pub(super) reach: u64,
    /// Offsets that are no farther apart are one.
    pub(super) near: i64,
    /// No sample of any pair of tracks differs.
    pub(super) same_samples: bool,
    pub(super) master_frames: u64,
    pub(super) mix_frames: u64,
}

impl Heard {
    /// Parts that were paired for want of a better place are missing and extra, unless their
    /// sound is the same.
    fn take_apart_what_does_not_belong_together(&mut self) {
        let pairs = &self.pairing.pairs;
        let unfounded = |track: &&Track| track.is_unfounded(&pairs[track.pair]);
        let apart: Vec<usize> = (self.tracks.iter().filter(unfounded))
            .map(|track| track.pair)
            .collect();
        if apart.is_empty() {
            return;
        }
        let places = self.pairing.take_apart(|pair| !apart.contains(&pair));
        self.tracks.retain_mut(|track| match places[track.pair] {
            Some(place) => {
                track.pair = place;
                true
            }
            None => false,
        });
    }

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
        let bed = self.bed.as_ref();
        let bed_exchanges = bed.and_then(|bed| bed.told(&self.tracks, &self.pairing));
        self.take_apart_what_does_not_belong_together();
        let identical = self.is_identical();
        if identical {
            // What repeats itself may have been found anywhere.
            for track in &mut self.tracks {
                track.become_identical(self.mix_frames);
            }
        }
        let timing = self.timing();
        let gains = self.gains();
        let (tracks, level_changes) = self.level_changes(&gains);
        let mut versions = self.versions(&timing, &gains);
        if let Some(versions) = versions.as_mut().filter(|_| identical) {
            versions.become_identical(self.mix_frames);
        }
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
                PairedBy::Name
                    | PairedBy::Path
                    | PairedBy::TrackIndex
                    | PairedBy::ChannelId
                    | PairedBy::Sound
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
            identical_audio: identical,
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
            bed_exchanges: bed_exchanges.map(|found| if identical { Vec::new() } else { found }),
            tracks,
            level_changes,
            versions,
            remains: self.remains.into(),
            limits: self.limits,
        }
    }

    /// The same tracks, and the same samples in each from the first to the last.
    fn is_identical(&self) -> bool {
        let as_long = self.master_frames == self.mix_frames && self.mix_frames > 0;
        let paired = self.pairing.missing.is_empty()
            && self.pairing.extra.is_empty()
            && self.master.tracks == self.mix.tracks;
        let mut read: Vec<usize> = self.tracks.iter().map(|track| track.mix).collect();
        read.sort_unstable();
        read.dedup();
        self.same_samples && as_long && paired && read.len() == self.mix.tracks
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
        let mut within = Vec::new();
        let mut slips = Vec::new();
        let rate = f64::from(self.mix.sample_rate);
        for track in &self.tracks {
            let part = || self.pairing.pairs[track.pair].mix.part.clone();
            if let (Some(offset), Some(overall)) = (main(track), overall)
                && offset != overall
            {
                let list = match (offset - overall).abs() <= self.near {
                    true => &mut within,
                    false => &mut deviating,
                };
                list.push(TrackOffset {
                    part: part(),
                    offset_frames: offset,
                    deviation_frames: offset - overall,
                    confidence: track.tracker.best_confidence,
                });
            }
            for stays in track.tracker.stays.windows(2) {
                let [before, after] = stays else { continue };
                if (after.offset - before.offset).abs() <= self.near {
                    continue;
                }
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
        let repeats = |track: &&Track| tried(track) && track.tracker.repeated > 0;
        let whys = self.tracks.iter();
        let whys: Vec<NotMeasured> = whys.filter_map(|track| self.why_no_offset(track)).collect();
        // Of several reasons the one that says most.
        let first = |why: &dyn Fn(&NotMeasured) -> bool| whys.iter().find(|one| why(one)).cloned();
        let why = first(&|why| matches!(why, NotMeasured::RepeatsItself))
            .or_else(|| first(&|why| matches!(why, NotMeasured::NothingInCommon)))
            .or_else(|| whys.first().cloned());
        let other_rate = NotMeasured::OtherSampleRate {
            master_hz: self.master.sample_rate,
            mix_hz: self.mix.sample_rate,
        };
        let why = match self.master.sample_rate == self.mix.sample_rate {
            true => why.unwrap_or(NotMeasured::NothingInCommon),
            false => other_rate,
        };
        Timing {
            offset_frames: overall,
            offset_not_measured: overall.is_none().then_some(why),
            filter_delay_frames: self.near.unsigned_abs(),
            tracks_that_repeat: self.tracks.iter().filter(repeats).count() as u64,
            within_filter_delay: Listed::new(within, self.limits.listed),
            tracks_measured: self.tracks.iter().filter(measured).count() as u64,
            tracks_not_measured: self.tracks.iter().filter(tried).count() as u64,
            deviating: Listed::new(deviating, self.limits.listed),
            slips: Listed::new(slips, self.limits.listed),
            search_range_frames: self.reach,
        }
    }

    /// Why a track has no offset; `None` where it has one.
    fn why_no_offset(&self, track: &Track) -> Option<NotMeasured> {
        let tracker = &track.tracker;
        if tracker.main_offset().is_some() {
            return None;
        }
        let shortest = self.mix_frames.min(self.master_frames);
        Some(if tracker.repeated > 0 {
            NotMeasured::RepeatsItself
        } else if tracker.tried > 0 {
            NotMeasured::NothingInCommon
        } else if shortest < u64::from(self.mix.sample_rate) {
            NotMeasured::TooShort { needs_s: 1.0 }
        } else {
            NotMeasured::NothingSounds
        })
    }

    /// Of each track, the blocks that were taken where they belong, and the gain in them.
    fn gains(&self) -> Vec<(Vec<bool>, Gain)> {
        let tracks = self.tracks.iter().map(|track| {
            let valid = track.valid(self.block, self.near);
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
            let mut course = course(&track.levels, valid, gain, limits);
            if self.why_no_offset(track) == Some(NotMeasured::NothingInCommon) {
                // Levels of two sounds that are not the same say nothing of a change.
                course.places.clear();
                course.largest = None;
            }
            let part = &self.pairing.pairs[track.pair].mix.part;
            changes.extend(course.places.iter().map(|place| LevelChange {
                part: part.clone(),
                kind: place.kind,
                start_s: seconds(place.start),
                end_s: seconds(place.end),
                deviation_db: place.deviation_db,
                level_dbfs: Dbfs::from_linear(place.level.sqrt()),
                faded: place.faded,
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
            offset_not_measured: self.why_no_offset(track),
            windows_repeated: tracker.repeated,
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
    /// Another track of the master is its counterpart from the block on that comes next.
    pub(super) fn rematch(&mut self, master: usize) {
        self.master = master;
        self.tracker = Tracker::default();
        self.levels.fill([NOTHING; 6]);
        self.used.clear();
    }

    /// Nothing but its sound said that the two belong together, and it does not say so.
    pub(super) fn is_unfounded(&self, pair: &Pair) -> bool {
        let tracker = &self.tracker;
        let never_heard =
            || (self.levels.iter()).all(|levels| levels.iter().all(|&l| l == NOTHING));
        let silent = || !self.levels.is_empty() && never_heard();
        pair.tentative && tracker.matched + tracker.repeated == 0 && !silent()
    }

    /// Heard several times in both files, and never found to be the same.
    pub(super) fn is_doubtful(&self) -> bool {
        let tracker = &self.tracker;
        tracker.tried >= 2 && tracker.matched == 0 && tracker.repeated == 0
    }

    /// Both files have the same samples here.
    fn become_identical(&mut self, frames: u64) {
        self.tracker.become_identical(frames);
        self.used = vec![(0, 0)];
        for block in &mut self.levels {
            block.copy_within(..3, 3);
        }
    }

    /// Which blocks were taken at the offset that was found there; between the last sight of
    /// one offset and the first of the next it is not known.
    fn valid(&self, block: i64, near: i64) -> Vec<bool> {
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
            *valid = !between && (offset - known.offset).abs() <= near;
        }
        valid
    }
}
