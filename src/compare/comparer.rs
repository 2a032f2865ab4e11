//! Takes both files in turn, holds some seconds of each, and asks the rooms within at every
//! 100 ms of the mix.
//!
//! In: planar blocks. Out: a [`Comparison`]. All that is done depends on frame numbers alone, so
//! any cut into blocks gives the same bits. Offsets are looked for a second before levels are
//! taken, so that levels of the same music are compared.

use super::balance::Groups;
use super::bands::{BandMeter, block_levels};
use super::buffer::Buffer;
use super::correlate::mean_square;
use super::pairing::{Pair, Pairing, pairing};
use super::report::{Heard, RATE, Track, common_offset};
use super::side::{CompareError, Limits, Side};
use super::timing::{Searches, Tracker};
use super::types::{Comparison, PartKind};

/// Blocks between the look for offsets and the measurement of levels.
const DELAY: i64 = 10;

/// Whom to feed next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wants {
    Master,
    Mix,
    Either,
}

/// Compares a master with the mix it came from, while both are read.
///
/// Feed the one that [`wants`](Self::wants) names, in blocks of any size; say
/// [`master_ended`](Self::master_ended) or [`mix_ended`](Self::mix_ended) when one has no more.
/// Then some four seconds of each are held beside one block; who feeds against that has as much
/// held as he is ahead.
pub struct Comparer {
    master: Side,
    mix: Side,
    limits: Limits,
    pairing: Pairing,
    /// The pairs that have a track on both sides, with the state of each.
    tracks: Vec<Track>,
    master_samples: Buffer,
    mix_samples: Buffer,
    searches: Searches,
    meter: BandMeter,
    groups: Option<Groups>,
    scratch: Vec<f32>,
    /// Frames of a block, and how many blocks have been looked at.
    block: i64,
    looked: i64,
}

impl Comparer {
    pub fn new(master: &Side, mix: &Side, limits: &Limits) -> Result<Self, CompareError> {
        if master.sample_rate != mix.sample_rate {
            return Err(CompareError::SampleRates {
                master: master.sample_rate,
                mix: mix.sample_rate,
            });
        }
        let sample_rate = mix.sample_rate;
        if !(8_000..=768_000).contains(&sample_rate) {
            return Err(CompareError::SampleRate(sample_rate));
        }
        for (side, name) in [(master, "master"), (mix, "mix")] {
            if side.tracks == 0 {
                return Err(CompareError::NoTracks(name));
            }
        }
        let pairing = pairing(mix, master);
        let tracks = tracks_of(&pairing.pairs);
        let mut master_wanted = vec![false; master.tracks];
        let mut mix_wanted = vec![false; mix.tracks];
        for track in &tracks {
            master_wanted[track.master] = true;
            mix_wanted[track.mix] = true;
        }
        let has = |kind| tracks.iter().any(|track| track.kind == kind);
        let block = (sample_rate / RATE) as usize;
        let silence = 10_f64.powf(limits.silence_dbfs / 10.0);
        let searches = Searches::new(sample_rate, silence, limits.confidence);
        let (ahead, behind) = (ahead(&searches), behind(&searches, block as i64));
        // Half a second for the caller's blocks.
        let spare = i64::from(sample_rate / 2);
        Ok(Self {
            master: master.clone(),
            mix: mix.clone(),
            limits: *limits,
            groups: (has(PartKind::Bed) && has(PartKind::Object)).then(Groups::default),
            pairing,
            tracks,
            master_samples: Buffer::new(master_wanted, behind + 2 * ahead + spare),
            mix_samples: Buffer::new(mix_wanted, behind + spare),
            searches,
            meter: BandMeter::new(sample_rate, block),
            scratch: vec![0.0; block / 5],
            block: block as i64,
            looked: 0,
        })
    }

    /// Whom to feed so that least is held.
    pub fn wants(&self) -> Wants {
        let end = (self.looked + 1) * self.block;
        let master = !self.master_samples.reaches(end + ahead(&self.searches));
        let mix = !self.mix_samples.reaches(end);
        match (master, mix) {
            (true, false) => Wants::Master,
            (false, true) => Wants::Mix,
            _ => Wants::Either,
        }
    }

    /// Takes `[track][frame]`; a track that is shorter than the others is filled up with
    /// silence, and what is no number is silence.
    pub fn feed_master(&mut self, tracks: &[&[f64]]) {
        self.master_samples.feed(tracks);
        self.advance();
    }

    /// As [`feed_master`](Self::feed_master).
    pub fn feed_mix(&mut self, tracks: &[&[f64]]) {
        self.mix_samples.feed(tracks);
        self.advance();
    }

    /// No more frames of the master follow.
    pub fn master_ended(&mut self) {
        self.master_samples.ended = true;
        self.advance();
    }

    /// No more frames of the mix follow.
    pub fn mix_ended(&mut self) {
        self.mix_samples.ended = true;
        self.advance();
    }

    /// Looks at all blocks for which everything is there.
    fn advance(&mut self) {
        loop {
            let end = (self.looked + 1) * self.block;
            let there = self.mix_samples.reaches(end)
                && self.master_samples.reaches(end + ahead(&self.searches));
            // Behind both ends there is nothing to look at, but levels that are still due.
            let last = self.mix_samples.fed.max(self.master_samples.fed);
            let due = u64::try_from(end - (DELAY + 1) * self.block).is_ok_and(|due| due >= last);
            let over = self.mix_samples.ended && self.master_samples.ended && due;
            if !there || over {
                return;
            }
            self.look(end);
            self.looked += 1;
            let before = end + self.block - behind(&self.searches, self.block);
            self.mix_samples.forget_before(before);
            self.master_samples
                .forget_before(before - ahead(&self.searches));
        }
    }

    /// One step: offsets about the block that ends at `end`, levels of one `DELAY` earlier.
    fn look(&mut self, end: i64) {
        let silence = 10_f64.powf(self.limits.silence_dbfs / 10.0) as f32;
        // A fifth of the block tells whether it sounds.
        let middle = end - (self.block + self.scratch.len() as i64) / 2;
        let settled = |track: &Track| track.tracker.stays.last().map(|stay| stay.offset);
        let settled = common_offset(self.tracks.iter().map(settled));
        self.searches.next_block(settled);
        let mut common = self.common_offset();
        let count = self.tracks.len();
        // Another track is the first each time, so that each comes to its search.
        let first = usize::try_from(self.looked).unwrap_or(0);
        for index in (0..count).map(|index| (index + first) % count) {
            let track = &self.tracks[index];
            let (mix, master) = (track.mix, track.master);
            self.mix_samples.copy(mix, middle, &mut self.scratch);
            if mean_square(&self.scratch) < silence {
                continue;
            }
            if common.is_none() {
                common = self.common_offset();
            }
            self.tracks[index].tracker.sounded(
                &mut self.searches,
                (&self.mix_samples, mix),
                (&self.master_samples, master),
                end,
                common,
            );
        }
        let block = self.looked - DELAY;
        if let Ok(block) = usize::try_from(block) {
            self.levels(block);
        }
    }

    fn common_offset(&self) -> Option<i64> {
        common_offset(self.tracks.iter().map(|track| track.tracker.offset()))
    }

    fn levels(&mut self, block: usize) {
        let middle = (self.block - self.meter.window as i64) / 2;
        let from = block as i64 * self.block + middle;
        let common = self.common_offset();
        let mut sums = [[[0.0; 3]; 2]; 2];
        for track in &mut self.tracks {
            let offset = track.tracker.offset().or(common).unwrap_or(0);
            if track.used.last().is_none_or(|&(_, used)| used != offset) {
                track.used.push((block, offset));
            }
            let mix = self.meter.measure(&self.mix_samples, track.mix, from);
            let (samples, meter) = (&self.master_samples, &mut self.meter);
            let master = meter.measure(samples, track.master, from + offset);
            track.levels.push(block_levels(mix, master));
            let group = match track.kind {
                PartKind::Bed => 0,
                PartKind::Object => 1,
                _ => continue,
            };
            for band in 0..3 {
                sums[group][0][band] += mix[band];
                sums[group][1][band] += master[band];
            }
        }
        if let Some(groups) = &mut self.groups {
            groups.bed.push(block_levels(sums[0][0], sums[0][1]));
            groups.objects.push(block_levels(sums[1][0], sums[1][1]));
        }
    }

    #[cfg(test)]
    pub(super) fn held_frames(&self) -> u64 {
        self.master_samples.held() + self.mix_samples.held()
    }

    /// Looks at what is left and tells what was found.
    pub fn finish(mut self) -> Comparison {
        self.mix_samples.ended = true;
        self.master_samples.ended = true;
        self.advance();
        Heard {
            master: self.master,
            mix: self.mix,
            limits: self.limits,
            pairing: self.pairing,
            tracks: self.tracks,
            groups: self.groups,
            block: self.block,
            reach: self.searches.wide.reach as u64,
            master_frames: self.master_samples.fed,
            mix_frames: self.mix_samples.fed,
        }
        .told()
    }
}

/// Frames of the master that a look needs behind the end of its block.
fn ahead(searches: &Searches) -> i64 {
    (searches.wide.reach + searches.narrow.reach) as i64
}

/// Frames of the mix that a look needs before the end of its block, or levels do.
fn behind(searches: &Searches, block: i64) -> i64 {
    let windows = searches.wide.short.max(searches.narrow.short) as i64;
    windows.max((DELAY + 2) * block)
}

/// Pairs with a track on both sides; a track that several objects carry is looked at once.
fn tracks_of(pairs: &[Pair]) -> Vec<Track> {
    let mut seen = std::collections::BTreeSet::new();
    let tracks = pairs.iter().enumerate().filter_map(|(index, pair)| {
        let (mix, master) = (pair.mix.track?, pair.master.track?);
        seen.insert((mix, master)).then(|| Track {
            pair: index,
            mix,
            master,
            kind: pair.mix.kind,
            tracker: Tracker::default(),
            levels: Vec::new(),
            used: Vec::new(),
        })
    });
    tracks.collect()
}
