//! One track's offset over time: found once by a wide search, followed by a narrow one, and
//! every jump kept.
//!
//! In: the two buffers and the frame that has been reached. Out: [`Stay`]s, the stretches of
//! the mix over which the offset was the same, but for what a filter does to an onset. Knows
//! nothing of other tracks but the offset that most of them have, which it tries first.

use super::buffer::Buffer;
use super::correlate::{Correlator, Found, Peak, Stretch, Sum, filter_delay};
use super::versions::{Envelope, candidates};

/// Sounding blocks of 100 ms between two looks once the offset is known.
const EVERY: u32 = 20;
/// Before the first look, and before one that confirms a jump.
const SOON: u32 = 4;
/// Wide searches in a row before they become rare.
const FIRST: u32 = 10;
/// Windows in a row that make an offset, and that make a jump to another.
const FIRST_TAKE: u32 = 2;
const JUMP_TAKE: u32 = 3;
/// The longest pause between two wide searches that found nothing, in looks.
const PATIENCE: u32 = 16;
/// Steps of 10 ms of the level curve that are looked for far away: all of the longer one must
/// lie behind an edit, the shorter one is like many places.
const CURVES: [usize; 2] = [250, 100];
/// Steps at its end that are not looked at: their local mean reaches behind the block.
const UNKNOWN: i64 = 26;

/// Offsets of one stay that are counted one by one: up to 32 frames either way, what a filter
/// does at 192 kHz.
const COUNTED: i64 = 32;

/// An offset that was measured once or several times with none between that is farther away
/// than a filter moves an onset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stay {
    /// The one that most windows had.
    pub(super) offset: i64,
    /// The first one that was measured, and how many windows had each about it.
    first_offset: i64,
    counts: [u32; 2 * COUNTED as usize + 1],
    pub(super) windows: u64,
    /// Frames of the mix: the first window, and the start of the last.
    pub(super) first_start: i64,
    pub(super) first_end: i64,
    pub(super) last_start: i64,
    pub(super) last_end: i64,
}

/// The two searches, which all tracks share.
pub(super) struct Searches {
    pub(super) wide: Correlator,
    pub(super) narrow: Correlator,
    pub(super) confidence: f64,
    /// How far offsets are looked for, either way.
    pub(super) reach: usize,
    /// Level curves of master and mix, where offsets are looked for farther than a second.
    pub(super) curves: Option<[Envelope; 2]>,
    /// Offsets that are no farther apart are one: see [`filter_delay`].
    pub(super) near: i64,
    /// The offset that most tracks have by more than one window.
    common: Option<i64>,
    /// Wide searches that may still be made at this block.
    wide_left: u32,
}

impl Searches {
    /// Wide: one second either way. Narrow: 85 ms either way in windows of 0.17 s. With curves,
    /// places as far as `reach` are found by the level of both files and looked at narrowly.
    pub(super) fn new(
        sample_rate: u32,
        silence: f64,
        confidence: f64,
        far: Option<(usize, [Envelope; 2])>,
    ) -> Self {
        let rate = sample_rate as usize;
        let unit = (rate / 12).next_power_of_two();
        // At 48 kHz 2^17 frames: 0.73 s beside two seconds of lags.
        let size = (rate * 5 / 2).next_power_of_two();
        Self {
            wide: Correlator::new(sample_rate, size, rate, silence),
            narrow: Correlator::new(sample_rate, 4 * unit, unit, silence),
            confidence,
            reach: far.as_ref().map_or(rate, |(reach, _)| *reach),
            curves: far.map(|(_, curves)| curves),
            near: filter_delay(sample_rate),
            common: None,
            wide_left: 0,
        }
    }

    /// Looks far away: where the levels of the last seconds of the mix are most like those of
    /// the master, both are looked at narrowly.
    fn far(
        &mut self,
        both: (&Buffer, &Buffer),
        stretch: impl Fn(usize, i64) -> Stretch,
        end: i64,
    ) -> Found {
        for about in self.abouts(end) {
            let stretch = stretch(self.narrow.short, about);
            let found = self
                .narrow
                .look(both, stretch, about, None, self.confidence);
            if let Found::Peak(peak) = found
                && peak.offset.unsigned_abs() <= self.reach as u64
            {
                return found;
            }
        }
        Found::Nothing
    }

    /// Offsets that are worth a narrow look about the frame `end` of the mix.
    pub(super) fn abouts(&self, end: i64) -> Vec<i64> {
        let Some([master, mix]) = &self.curves else {
            return Vec::new();
        };
        let hop = mix.hop as i64;
        let steps = self.reach as i64 / hop;
        let mut abouts = Vec::new();
        for curve in CURVES {
            let from = end / hop - UNKNOWN - curve as i64;
            if from < 0 {
                continue;
            }
            let short = mix.course(from, curve);
            let long = master.course(from - steps, curve + 2 * steps as usize);
            let lags = candidates(&short, &long).into_iter();
            abouts.extend(lags.map(|lag| (lag as i64 - steps) * hop));
        }
        abouts
    }

    /// Begins another block. A wide search costs as much as twenty narrow ones: one for each
    /// block bounds the cost where two files have nothing in common.
    pub(super) fn next_block(&mut self, common: Option<i64>) {
        self.common = common;
        self.wide_left = 1;
    }
}

/// A measured offset, before it is believed.
#[derive(Clone, Copy, Debug)]
struct Reading {
    offset: i64,
    start: i64,
    end: i64,
}

#[derive(Debug, Default)]
pub(super) struct Tracker {
    pub(super) stays: Vec<Stay>,
    pub(super) tried: u64,
    pub(super) matched: u64,
    /// Windows that lay over themselves at several offsets, and told nothing.
    pub(super) repeated: u64,
    pub(super) best_confidence: f64,
    inverted: u64,
    /// An offset that too few windows have confirmed, and how many have.
    rival: Option<(Reading, u32)>,
    /// Sounding blocks since the last look.
    waited: u32,
    wait_for: u32,
    failed: u32,
    narrow_sum: Sum,
    wide_sum: Sum,
    /// Wide searches that found nothing.
    searched: u32,
    wide_pause: u32,
    wide_due: u32,
}

impl Tracker {
    /// Every sample is the same in both files, wherever the searches found it.
    pub(super) fn become_identical(&mut self, frames: u64) {
        let end = i64::try_from(frames).unwrap_or(i64::MAX);
        let whole = Reading {
            offset: 0,
            start: 0,
            end,
        };
        let last = self.stays.last().map_or(whole, |stay| Reading {
            offset: 0,
            start: stay.last_start,
            end: stay.last_end,
        });
        self.stays = vec![whole.stay(last, self.tried.max(1))];
        self.matched = self.tried;
        self.inverted = 0;
        self.rival = None;
    }

    /// Where the track is now, as far as is known.
    pub(super) fn offset(&self) -> Option<i64> {
        let rival = self.rival.map(|(rival, _)| rival.offset);
        self.stays.last().map(|stay| stay.offset).or(rival)
    }

    /// No more windows come: a single one has to do, and two for a jump.
    pub(super) fn finish(&mut self) {
        if let Some((only, agreed)) = self.rival.take()
            && (self.stays.is_empty() || agreed + 1 >= JUMP_TAKE)
        {
            self.stays.push(only.stay(only, u64::from(agreed)));
        }
    }

    /// What was just heard is not alike where the track is: it is looked for at once.
    pub(super) fn hurry(&mut self) {
        if self.rival.is_none() {
            self.wait_for = 0;
            self.failed = self.failed.max(1);
        }
    }

    /// The offset that most windows had.
    pub(super) fn main_offset(&self) -> Option<i64> {
        let total = |offset: i64| -> u64 {
            let same = self.stays.iter().filter(|stay| stay.offset == offset);
            same.map(|stay| stay.windows).sum()
        };
        let longest = self
            .stays
            .iter()
            .rev()
            .max_by_key(|stay| total(stay.offset))?;
        Some(longest.offset)
    }

    pub(super) fn polarity_inverted(&self) -> bool {
        self.inverted * 2 > self.matched
    }

    /// Called once for each block of the mix that sounds; looks when it is time.
    ///
    /// `end` is the frame behind that block; both buffers hold what a search needs about it.
    /// `guess` is where most other tracks are.
    pub(super) fn sounded(
        &mut self,
        searches: &mut Searches,
        (mix, mix_track): (&Buffer, usize),
        (master, master_track): (&Buffer, usize),
        end: i64,
        guess: Option<i64>,
    ) {
        self.waited += 1;
        if self.waited < self.wait_for.max(SOON) {
            return;
        }
        self.waited = 0;
        self.wait_for = EVERY;
        let both = (mix, master);
        let stretch = |short: usize, about: i64| Stretch {
            mix_track,
            master_track,
            from: end - short as i64,
            about,
        };
        let narrowly = self.follow(searches, both, stretch, guess);
        let found = match narrowly {
            Found::Peak(_) | Found::Repeats => narrowly,
            _ => self.search(searches, both, stretch, narrowly, end),
        };
        match found {
            Found::Silence => {}
            Found::Repeats => {
                self.tried += 1;
                self.repeated += 1;
            }
            Found::Nothing => self.tried += 1,
            Found::Peak(peak) => {
                self.tried += 1;
                let narrow = &mut searches.narrow;
                let stretch = stretch(narrow.short, peak.offset);
                let apart =
                    |guess: &i64| (guess - peak.offset).unsigned_abs() > narrow.reach as u64;
                match searches.common.filter(apart) {
                    // A loop lies as well a bar later: then it is where the others are.
                    Some(guess) if narrow.as_alike(both, stretch, (peak.offset, guess)) => {
                        self.rename(peak.offset, guess);
                        let offset = guess;
                        self.take(Peak { offset, ..peak }, end, searches.near);
                    }
                    _ => self.take(peak, end, searches.near),
                }
            }
        }
    }

    /// What was taken for one offset was the other.
    fn rename(&mut self, from: i64, to: i64) {
        for stay in &mut self.stays {
            if stay.offset == from {
                stay.first_offset += to - stay.offset;
                stay.offset = to;
            }
        }
        self.stays.dedup_by(|later, earlier| {
            let same = later.offset == earlier.offset;
            if same {
                earlier.windows += later.windows;
                earlier.last_start = later.last_start;
                earlier.last_end = later.last_end;
            }
            same
        });
        if self.rival.is_some_and(|(rival, _)| rival.offset == from) {
            self.rival = None;
        }
    }

    /// Looks about the offset where the track, or most others, are known to be.
    fn follow(
        &mut self,
        searches: &mut Searches,
        both: (&Buffer, &Buffer),
        stretch: impl Fn(usize, i64) -> Stretch,
        guess: Option<i64>,
    ) -> Found {
        let rival = self.rival.map(|(rival, _)| rival.offset);
        let Some(about) = rival.or(self.offset()).or(guess) else {
            return Found::Silence;
        };
        let narrow = &mut searches.narrow;
        let known = rival.is_none() && !self.stays.is_empty();
        let sum = known.then_some(&mut self.narrow_sum);
        let stretch = stretch(narrow.short, about);
        let found = narrow.look(both, stretch, about, sum, searches.confidence);
        match found {
            Found::Peak(peak) if peak.offset.unsigned_abs() > searches.reach as u64 => {
                Found::Nothing
            }
            Found::Nothing if !self.stays.is_empty() => {
                self.rival = None;
                found
            }
            _ => found,
        }
    }

    /// Looks everywhere, unless it was looked in vain not long ago.
    fn search(
        &mut self,
        searches: &mut Searches,
        both: (&Buffer, &Buffer),
        stretch: impl Fn(usize, i64) -> Stretch,
        narrowly: Found,
        end: i64,
    ) -> Found {
        if let Found::Nothing = narrowly {
            self.failed += 1;
            // One window may be too poor to be found where it is.
            if !self.stays.is_empty() && self.failed < 2 {
                self.wait_for = SOON;
                return narrowly;
            }
        } else if !self.stays.is_empty() {
            return narrowly;
        }
        if self.wide_due > 0 {
            self.wide_due -= 1;
            return narrowly;
        }
        if searches.wide_left == 0 {
            self.wait_for = SOON;
            return narrowly;
        }
        searches.wide_left -= 1;
        let wide = &mut searches.wide;
        let far_stretch = &stretch;
        let stretch = stretch(wide.short, 0);
        let sum = Some(&mut self.wide_sum);
        // A guess that no second window has confirmed may be this track's own.
        let favourite = searches.common.unwrap_or(0);
        let mut found = wide.look(both, stretch, favourite, sum, searches.confidence);
        if !matches!(found, Found::Peak(_) | Found::Repeats)
            && let Found::Peak(peak) = searches.far(both, far_stretch, end)
        {
            found = Found::Peak(peak);
        }
        if let Found::Nothing = found {
            self.searched += 1;
            if self.searched <= FIRST {
                self.wait_for = SOON;
            } else {
                self.wide_pause = (2 * self.wide_pause).clamp(1, PATIENCE);
                self.wide_due = self.wide_pause - 1;
            }
        }
        match (found, narrowly) {
            (Found::Silence, Found::Nothing) => narrowly,
            _ => found,
        }
    }

    /// Offsets that are no more than `near` apart are one.
    fn take(&mut self, peak: Peak, end: i64, near: i64) {
        let reading = Reading {
            offset: peak.offset,
            start: peak.from,
            end,
        };
        self.matched += 1;
        self.inverted += u64::from(peak.inverted);
        self.best_confidence = self.best_confidence.max(peak.confidence);
        self.failed = 0;
        self.searched = 0;
        self.wide_pause = 0;
        self.wide_due = 0;
        self.narrow_sum.forget();
        self.wide_sum.forget();
        match self.stays.last_mut() {
            Some(stay) if (stay.first_offset - reading.offset).abs() <= near => {
                stay.windows += 1;
                stay.count(reading.offset);
                stay.last_start = reading.start;
                stay.last_end = reading.end;
                self.rival = None;
            }
            // Many windows have agreed already.
            _ if peak.together => self.stays.push(reading.stay(reading, 1)),
            _ => {
                let enough = if self.stays.is_empty() {
                    FIRST_TAKE
                } else {
                    JUMP_TAKE
                };
                let (first, agreed) = match self.rival.take() {
                    Some((first, agreed)) if (first.offset - reading.offset).abs() <= near => {
                        (first, agreed + 1)
                    }
                    _ => (reading, 1),
                };
                if agreed >= enough {
                    self.stays.push(first.stay(reading, u64::from(agreed)));
                } else {
                    self.rival = Some((first, agreed));
                    self.wait_for = SOON;
                }
            }
        }
    }
}

impl Reading {
    fn stay(self, last: Self, windows: u64) -> Stay {
        let mut counts = [0; 2 * COUNTED as usize + 1];
        counts[COUNTED as usize] = u32::try_from(windows).unwrap_or(u32::MAX);
        Stay {
            offset: self.offset,
            windows,
            first_offset: self.offset,
            counts,
            first_start: self.start,
            first_end: self.end,
            last_start: last.start,
            last_end: last.end,
        }
    }
}

impl Stay {
    /// Another window had this offset; of two that as many had, the smaller one counts.
    fn count(&mut self, offset: i64) {
        let place = offset - self.first_offset + COUNTED;
        let Some(count) = usize::try_from(place)
            .ok()
            .and_then(|place| self.counts.get_mut(place))
        else {
            return;
        };
        *count += 1;
        let offsets = (-COUNTED..=COUNTED).map(|apart| self.first_offset + apart);
        let most = offsets
            .zip(self.counts)
            .max_by_key(|(offset, count)| (*count, std::cmp::Reverse(offset.unsigned_abs())));
        self.offset = most.map_or(self.offset, |(offset, _)| offset);
    }
}
