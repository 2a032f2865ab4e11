//! Takes both files in turn, holds some seconds of each, and asks the rooms within at every
//! 100 ms of the mix.
//!
//! In: planar blocks. Out: a [`Comparison`]. All that is done depends on frame numbers alone, so
//! any cut into blocks gives the same bits. Offsets are looked for a second before levels are
//! taken, so that levels of the same music are compared. Of files whose sample rates differ only
//! the level curves are taken.

use super::balance::Groups;
use super::bands::{BandMeter, Whose, block_levels};
use super::buffer::Buffer;
use super::correlate::mean_square;
use super::pairing::{Pair, Pairing, pairing};
use super::remains::{self, NotHeard, Source};
use super::rematch::Rematch;
use super::report::{Heard, RATE, Track, common_offset};
use super::side::{CompareError, Limits, Side};
use super::timing::{Searches, Tracker};
use super::types::{Comparison, PartKind};
use super::versions::{BedOrder, Desk, ENVELOPE_RATE, Envelope, channel_based};

/// Blocks between two looks for the counterparts of objects.
const REMATCH_EVERY: i64 = 10;
/// Blocks between the look for offsets and the measurement of levels.
const DELAY: i64 = 10;
/// Blocks of which what remains is measured at once: a second.
const REMAINS: i64 = 10;
/// Seconds either way that channel-based versions are looked for: leading silence and edits.
const FAR_S: i64 = 10;
/// Seconds of two such versions that are held for cuts to be found in.
const HISTORY_S: i64 = 8;
/// Samples of one file that are held for that at most: 32 MB.
const HELD: i64 = 8_000_000;

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
/// Then some four seconds of each are held beside one block, of channel-based files up to thirty;
/// who feeds against that has as much held as he is ahead.
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
    /// Of channel-based files.
    desk: Option<Desk>,
    /// Of object-based files.
    rematch: Option<Rematch>,
    /// Of files with a bed in a model.
    bed: Option<BedOrder>,
    /// `None` where no track has a counterpart.
    remains: Option<remains::Meter>,
    scratch: Vec<f32>,
    /// Frames of the mix that are held before the end of a block.
    behind: i64,
    /// No sample of any pair of tracks differs so far.
    same_samples: bool,
    /// Frames of a block, and how many blocks have been looked at.
    block: i64,
    looked: i64,
}

impl Comparer {
    pub fn new(master: &Side, mix: &Side, limits: &Limits) -> Result<Self, CompareError> {
        let sample_rate = mix.sample_rate;
        let rates_differ = master.sample_rate != sample_rate;
        for (side, name) in [(master, "master"), (mix, "mix")] {
            if !(8_000..=768_000).contains(&side.sample_rate) {
                return Err(CompareError::SampleRate(side.sample_rate));
            }
            if side.tracks == 0 {
                return Err(CompareError::NoTracks(name));
            }
        }
        let pairing = pairing(mix, master);
        let tracks = if rates_differ {
            Vec::new()
        } else {
            tracks_of(&pairing.pairs)
        };
        let mut master_wanted = vec![false; master.tracks];
        let mut mix_wanted = vec![false; mix.tracks];
        for track in &tracks {
            master_wanted[track.master] = true;
            mix_wanted[track.mix] = true;
        }
        let has = |kind| tracks.iter().any(|track| track.kind == kind);
        let block = (sample_rate / RATE) as usize;
        let silence = 10_f64.powf(limits.silence_dbfs / 10.0);
        let channels = channel_based(&pairing) && !tracks.is_empty();
        let (reach, history) = held(sample_rate, master.tracks.max(mix.tracks), channels);
        let curves = (channels || rates_differ).then(|| {
            let of = |side: &Side| Envelope::new(side.sample_rate, side.tracks);
            (reach, [of(master), of(mix)])
        });
        let searches = Searches::new(sample_rate, silence, limits.confidence, curves);
        let ahead = ahead(&searches);
        let behind = behind(&searches, block as i64).max(history);
        // Half a second for the caller's blocks.
        let spare = i64::from(sample_rate / 2);
        Ok(Self {
            master: master.clone(),
            mix: mix.clone(),
            limits: *limits,
            groups: (has(PartKind::Bed) && has(PartKind::Object)).then(Groups::default),
            desk: channels.then(|| {
                let of_desk = tracks.iter().map(|track| (track.mix, track.master));
                let of_desk: Vec<_> = of_desk.collect();
                Desk::new(sample_rate, &of_desk, block, silence)
            }),
            rematch: has(PartKind::Object).then(|| Rematch::new(sample_rate)),
            bed: BedOrder::new(sample_rate, &tracks, silence),
            remains: (!tracks.is_empty())
                .then(|| remains::Meter::new(sample_rate, tracks.len(), channels)),
            pairing,
            tracks,
            master_samples: Buffer::new(master_wanted, behind + 2 * ahead + spare),
            mix_samples: Buffer::new(mix_wanted, behind + spare),
            searches,
            meter: BandMeter::new(sample_rate, block),
            scratch: vec![0.0; block / 5],
            behind,
            same_samples: !rates_differ,
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
        if let Some([master, _]) = &mut self.searches.curves {
            master.feed(tracks);
        }
        self.master_samples.feed(tracks);
        self.advance();
    }

    /// As [`feed_master`](Self::feed_master).
    pub fn feed_mix(&mut self, tracks: &[&[f64]]) {
        if let Some([_, mix]) = &mut self.searches.curves {
            mix.feed(tracks);
        }
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
            self.compare_samples(end);
            self.look(end);
            if self.looked % REMATCH_EVERY == REMATCH_EVERY - 1 {
                self.rematch(end);
            }
            self.looked += 1;
            let before = end + self.block - self.behind;
            self.mix_samples.forget_before(before);
            self.master_samples
                .forget_before(before - ahead(&self.searches));
        }
    }

    /// Whether the block that ends at `end` is the same in both files, as long as all were.
    fn compare_samples(&mut self, end: i64) {
        if !self.same_samples {
            return;
        }
        let from = end - self.block;
        let mut both = [0, 1].map(|_| vec![0.0; usize::try_from(self.block).unwrap_or(0)]);
        self.same_samples = self.tracks.iter().all(|track| {
            let [mix, master] = &mut both;
            self.mix_samples.copy(track.mix, from, mix);
            self.master_samples.copy(track.master, from, master);
            mix == master
        });
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
            let known = self.tracks[index].tracker.stays.len();
            self.tracks[index].tracker.sounded(
                &mut self.searches,
                (&self.mix_samples, mix),
                (&self.master_samples, master),
                end,
                common,
            );
            self.slipped(index, known, end);
        }
        let near = self.searches.near;
        let together = self.tracks.iter().filter(|track| {
            let both = track.tracker.offset().zip(common);
            both.is_some_and(|(offset, common)| (offset - common).abs() <= near)
        });
        // Where two channels agree, the file is where they are.
        let together = together.count() > 1;
        if let Some(desk) = &mut self.desk
            && !together
            && desk.cross_is_due(self.looked)
        {
            let abouts = match common {
                Some(common) => vec![common],
                None => self.searches.abouts(end),
            };
            let both = (&self.mix_samples, &self.master_samples);
            let confidence = self.searches.confidence;
            desk.cross(
                &mut self.searches.narrow,
                both,
                (self.looked, end),
                &abouts,
                confidence,
            );
        }
        let block = self.looked - DELAY;
        if let Ok(block) = usize::try_from(block) {
            self.levels(block);
        }
    }

    /// Objects that have nothing in common with their counterparts may be each other's.
    fn rematch(&mut self, end: i64) {
        let offset = self.common_offset().unwrap_or(0);
        let Some(rematch) = &mut self.rematch else {
            return;
        };
        let objects = self
            .tracks
            .iter()
            .filter(|track| track.kind == PartKind::Object && track.is_doubtful());
        let doubtful: Vec<_> = objects.map(|track| (track.mix, track.master)).collect();
        let both = (&self.mix_samples, &self.master_samples);
        let Some((mix, master)) = rematch.look(both, &doubtful, (end, offset)) else {
            return;
        };
        let place = |found: &dyn Fn(&Track) -> bool| self.tracks.iter().position(found);
        let one = place(&|track| track.mix == mix && doubtful.contains(&(mix, track.master)));
        let other =
            place(&|track| track.master == master && doubtful.contains(&(track.mix, master)));
        let (Some(one), Some(other)) = (one, other) else {
            return;
        };
        let before = self.tracks[one].master;
        self.tracks[one].rematch(master);
        self.tracks[other].rematch(before);
        self.pairing
            .exchange(self.tracks[one].pair, self.tracks[other].pair);
    }

    /// Finds the place of a jump, when the track has more offsets than were `known`.
    fn slipped(&mut self, index: usize, known: usize, end: i64) {
        let track = &self.tracks[index];
        let stays = &track.tracker.stays;
        if let (Some(desk), [.., before, after]) = (&mut self.desk, stays.as_slice())
            && stays.len() > known
        {
            desk.slip(
                (&self.mix_samples, track.mix),
                (&self.master_samples, track.master),
                index,
                (before, after),
                (end - self.behind, self.mix.sample_rate),
            );
        }
    }

    fn common_offset(&self) -> Option<i64> {
        common_offset(self.tracks.iter().map(|track| track.tracker.offset()))
    }

    fn levels(&mut self, block: usize) {
        let middle = (self.block - self.meter.window as i64) / 2;
        let from = block as i64 * self.block + middle;
        let common = self.common_offset();
        let crossed = self.desk.as_ref().and_then(Desk::crossed);
        let fallback = common.or(crossed).unwrap_or(0);
        let mut own = Vec::new();
        let mut sums = [[[0.0; 3]; 2]; 2];
        for (index, track) in self.tracks.iter_mut().enumerate() {
            let offset = track.tracker.offset().unwrap_or(fallback);
            if track.used.last().is_none_or(|&(_, used)| used != offset) {
                track.used.push((block, offset));
            }
            let meter = &mut self.meter;
            let mix = meter.measure(Whose::Mix, &self.mix_samples, track.mix, from);
            let samples = &self.master_samples;
            let master = meter.measure(Whose::Master, samples, track.master, from + offset);
            track.levels.push(block_levels(mix, master));
            if let Some(desk) = &mut self.desk {
                own.push((track.mix, track.master, offset));
                let powers = (mix.iter().sum(), master.iter().sum());
                desk.track(
                    (&self.mix_samples, &self.master_samples),
                    (index, track.mix, track.master),
                    (block as i64 * self.block, fallback),
                    (powers, meter.alike(), offset == fallback),
                );
            }
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
        if let Some(desk) = &mut self.desk {
            // Where no two channels agree, they may be in each other's places, and their own
            // offsets those of two microphones.
            let agree = own.iter().filter(|(_, _, offset)| Some(*offset) == common);
            let offset = match crossed {
                Some(crossed) if own.len() > 1 && agree.count() < 2 => crossed,
                _ => fallback,
            };
            let end = (self.looked + 1) * self.block;
            let lost = desk.block(
                (&self.mix_samples, &self.master_samples),
                &own,
                (block, self.block, offset),
                (end - self.behind, self.mix.sample_rate),
            );
            if lost {
                for track in &mut self.tracks {
                    track.tracker.hurry();
                }
            }
        }
        if let Some(bed) = &mut self.bed {
            let both = (&self.mix_samples, &self.master_samples);
            bed.measure(both, &self.tracks, (block, self.block, fallback));
        }
        if (block as i64 + 1) % REMAINS == 0 {
            let sources = self.sources(fallback, common.or(crossed).is_some());
            if let Some(remains) = &mut self.remains {
                let both = (&self.mix_samples, &self.master_samples);
                remains.advance(both, &sources, (block as i64 + 1) * self.block);
            }
        }
        if let Some(groups) = &mut self.groups {
            groups.bed.push(block_levels(sums[0][0], sums[0][1]));
            groups.objects.push(block_levels(sums[1][0], sums[1][1]));
        }
    }

    /// Where the master lies for each track, and whether that was measured.
    fn sources(&self, fallback: i64, fallback_measured: bool) -> Vec<Source> {
        let sources = self.tracks.iter().map(|track| {
            let own = track.tracker.offset();
            Source {
                mix: track.mix,
                master: track.master,
                offset: own.unwrap_or(fallback),
                aligned: own.is_some()
                    || fallback_measured && !track.is_unfounded(&self.pairing.pairs[track.pair]),
            }
        });
        sources.collect()
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
        for index in 0..self.tracks.len() {
            let tracker = &mut self.tracks[index].tracker;
            let known = tracker.stays.len();
            tracker.finish();
            self.slipped(index, known, (self.looked + 1) * self.block);
        }
        let common = self.common_offset();
        let common = common.or(self.desk.as_ref().and_then(Desk::crossed));
        let sources = self.sources(common.unwrap_or(0), common.is_some());
        let remains = match self.remains.take() {
            Some(remains) => {
                let both = (&self.mix_samples, &self.master_samples);
                let end = i64::try_from(self.mix_samples.fed).unwrap_or(i64::MAX);
                remains.finish(both, &sources, end)
            }
            None if self.master.sample_rate != self.mix.sample_rate => {
                Err(NotHeard::OtherSampleRate)
            }
            None => Err(NotHeard::NoPairs),
        };
        Heard {
            remains,
            master: self.master,
            mix: self.mix,
            limits: self.limits,
            pairing: self.pairing,
            tracks: self.tracks,
            groups: self.groups,
            desk: self.desk,
            bed: self.bed,
            block: self.block,
            reach: self.searches.reach as u64,
            near: self.searches.near,
            same_samples: self.same_samples,
            curves: self.searches.curves,
            master_frames: self.master_samples.fed,
            mix_frames: self.mix_samples.fed,
        }
        .told()
    }
}

/// Frames of the master that a look needs behind the end of its block.
fn ahead(searches: &Searches) -> i64 {
    (searches.reach + searches.narrow.reach) as i64
}

/// How far offsets are looked for, and how much of the mix is held for cuts, in frames.
fn held(sample_rate: u32, tracks: usize, channels: bool) -> (usize, i64) {
    let rate = i64::from(sample_rate);
    if !channels {
        return (sample_rate as usize, 0);
    }
    let held = HELD / tracks.max(1) as i64;
    let history = (HISTORY_S * rate).min(held / 3);
    let reach = ((held - history) / 2).clamp(rate, FAR_S * rate);
    // Whole steps of the level curve.
    let step = i64::from(sample_rate / ENVELOPE_RATE).max(1);
    (usize::try_from(reach / step * step).unwrap_or(0), history)
}

/// Frames of the mix that a look needs before the end of its block, or levels do.
fn behind(searches: &Searches, block: i64) -> i64 {
    let windows = searches.wide.short.max(searches.narrow.short) as i64;
    // What remains is measured second by second, from windows that begin a little before.
    windows.max((DELAY + 2 + REMAINS + 1) * block)
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
