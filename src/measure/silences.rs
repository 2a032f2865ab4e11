//! Digital silence within a programme: all channels at once, or one that is only there at times.
//!
//! In: samples. Out: spans of exact zeros, with places. Zeros at the very start and the very end
//! are the programme's edges and not counted here.

use super::spot::{Spot, Spots};
use super::stretches::is_black;
use crate::units::Hertz;

/// Shortest silence of all channels that is listed, in seconds (EBU 0078B Audio Silence v2.0
/// gives 100 ms in its example).
const SHORTEST_GAP_S: f64 = 0.1;

/// Shortest silence of one channel among sounding ones, in seconds. Own choice: hard-panned
/// parts pause for a beat or a bar; two seconds and more are an arrangement, or a dead channel.
const SHORTEST_ABSENCE_S: f64 = 2.0;

/// Looks for spans of exact zeros.
pub struct SilenceMeter {
    rate: f64,
    frames: u64,
    /// One a channel; `None` while it sounds.
    silent: Vec<Option<Silence>>,
    /// Where all channels together became silent; `None` while anything sounds.
    all_since: Option<u64>,
    /// Frames so far in silences of all channels that have ended.
    all_silent: u64,
    sounding: Vec<Sounding>,
    gaps: Spots,
    absences: Spots,
}

/// A silence of one channel that goes on.
#[derive(Clone, Copy)]
struct Silence {
    start: u64,
    /// Frames of silence in all channels before it.
    all_silent: u64,
}

/// Where a channel sounds within a part.
struct Sounding {
    channel: usize,
    first: u64,
    last: u64,
}

/// What [`SilenceMeter`] found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SilenceFacts {
    /// Spans of at least 100 ms inside the programme in which every channel is exactly zero;
    /// size in seconds. That they are zeros is certain, so the confidence is 1: whether they are
    /// meant, samples do not tell.
    pub gaps: Spots,
    /// Spans of one channel that is exactly zero while others sound for at least 2 s of it, up to
    /// the whole programme; size in seconds in which others sound, confidence 1 as above.
    pub absences: Spots,
}

impl SilenceMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        let silence = Silence {
            start: 0,
            all_silent: 0,
        };
        Self {
            rate: f64::from(rate.value()),
            frames: 0,
            silent: vec![Some(silence); channels],
            all_since: Some(0),
            all_silent: 0,
            sounding: Vec::new(),
            gaps: Spots::default(),
            absences: Spots::default(),
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        // Half of any silence that is listed: each then ends a part at least once.
        let part = ((self.rate * SHORTEST_GAP_S / 2.0) as usize).clamp(1, 256);
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut from = 0;
        while from < total {
            let to = total.min(from + part);
            self.part(planes, from, to);
            self.frames += (to - from) as u64;
            from = to;
        }
    }

    fn part(&mut self, planes: &[&[f64]], from: usize, to: usize) {
        let end = self.frames + (to - from) as u64;
        let mut first_sound = None;
        let mut sound_until = None;
        for (channel, plane) in planes.iter().enumerate() {
            let part = &plane[from..to];
            let sounds_at_end = part.last().is_some_and(|v| *v != 0.0);
            if sounds_at_end && self.silent[channel].is_none() {
                sound_until = Some(end);
                continue;
            }
            if is_black(part) {
                self.silent[channel].get_or_insert(Silence {
                    start: self.frames,
                    all_silent: self.all_silent,
                });
                continue;
            }
            let first = part.iter().position(|v| *v != 0.0).unwrap_or(0);
            let last = part.iter().rposition(|v| *v != 0.0).unwrap_or(0);
            let sounding = Sounding {
                channel,
                first: self.frames + first as u64,
                last: self.frames + last as u64,
            };
            first_sound = Some(first_sound.map_or(sounding.first, |at| sounding.first.min(at)));
            sound_until = sound_until.max(Some(sounding.last + 1));
            self.sounding.push(sounding);
        }
        if let Some(at) = first_sound {
            self.end_gap(at);
        }
        let mut sounding = std::mem::take(&mut self.sounding);
        for Sounding {
            channel,
            first,
            last,
        } in sounding.drain(..)
        {
            self.end_absence(channel, first);
            if last + 1 < end {
                self.silent[channel] = Some(Silence {
                    start: last + 1,
                    all_silent: self.all_silent,
                });
            }
        }
        self.sounding = sounding;
        let silent_from = sound_until.unwrap_or(self.frames);
        if silent_from < end {
            self.all_since.get_or_insert(silent_from);
        }
    }

    /// Something sounds at frame `at`.
    fn end_gap(&mut self, at: u64) {
        let Some(start) = self.all_since.take() else {
            return;
        };
        let length_s = (at - start) as f64 / self.rate;
        if length_s >= SHORTEST_GAP_S {
            self.all_silent += at - start;
            if start > 0 {
                self.gaps.push(Spot {
                    start,
                    end: at,
                    channel: None,
                    size: length_s,
                    confidence: 1.0,
                    inherited: false,
                    summarised: false,
                });
            }
        }
    }

    /// The channel sounds at frame `at`.
    fn end_absence(&mut self, channel: usize, at: u64) {
        let Some(silence) = self.silent[channel].take() else {
            return;
        };
        let all_silent = self.all_silent - silence.all_silent;
        let others_sound = (at - silence.start).saturating_sub(all_silent) as f64 / self.rate;
        if others_sound >= SHORTEST_ABSENCE_S {
            self.absences.push(Spot {
                start: silence.start,
                end: at,
                channel: Some(channel),
                size: others_sound,
                confidence: 1.0,
                inherited: false,
                summarised: false,
            });
        }
    }

    /// Ends the programme.
    pub fn finish(mut self) -> SilenceFacts {
        if let Some(start) = self.all_since {
            self.all_silent += self.frames - start;
        }
        for channel in 0..self.silent.len() {
            self.end_absence(channel, self.frames);
        }
        self.absences.sort();
        SilenceFacts {
            gaps: self.gaps,
            absences: self.absences,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const RATE: u32 = 1000;

    fn facts(planes: &[Vec<f64>], cut: usize) -> SilenceFacts {
        let rate = Hertz::new(RATE).expect("not 0");
        let mut meter = SilenceMeter::new(rate, planes.len());
        let frames = planes[0].len();
        for from in (0..frames).step_by(cut) {
            let to = frames.min(from + cut);
            let block: Vec<&[f64]> = planes.iter().map(|plane| &plane[from..to]).collect();
            meter.feed(&block);
        }
        meter.finish()
    }

    fn sounding(frames: usize, silent: &[std::ops::Range<usize>]) -> Vec<f64> {
        let mut plane = vec![0.1; frames];
        for span in silent {
            plane[span.clone()].fill(0.0);
        }
        plane
    }

    #[test]
    fn silence_at_the_edges_is_no_gap() {
        let plane = sounding(5000, &[0..1500, 4000..5000]);
        assert_eq!(
            facts(&[plane.clone(), plane], 5000),
            SilenceFacts::default()
        );
    }

    #[test]
    fn a_channel_that_never_sounds_is_absent_for_as_long_as_others_sound() {
        let left = sounding(9000, &[0..1000, 4000..5000]);
        let found = facts(&[left, vec![0.0; 9000]], 999);
        let absence = &found.absences.listed[0];
        assert_eq!(
            (absence.start, absence.end, absence.channel),
            (0, 9000, Some(1))
        );
        assert_eq!((found.absences.total, absence.size), (1, 7.0));
        assert_eq!((found.gaps.total, found.gaps.listed[0].size), (1, 1.0));
    }

    proptest! {
        #[test]
        fn a_gap_is_found_at_its_place_and_nowhere_else(
            start in 1usize..3000, length in 1usize..900, cut in 1usize..3000, scale in -2.0f64..2.0,
        ) {
            prop_assume!(scale != 0.0);
            let plane: Vec<f64> = sounding(4000, std::slice::from_ref(&(start..start + length)))
                .iter()
                .map(|v| v * scale)
                .collect();
            let found = facts(&[plane.clone(), plane], cut);
            let spans: Vec<_> = found.gaps.listed.iter().map(|gap| (gap.start, gap.end)).collect();
            let wanted = (start as u64, (start + length) as u64);
            let listed = if length >= 100 { vec![wanted] } else { vec![] };
            prop_assert_eq!(spans, listed);
            prop_assert_eq!(found.absences.total, 0);
        }

        #[test]
        fn a_channel_that_is_away_is_found_at_its_place_and_nowhere_else(
            start in 0usize..3000, length in 1usize..5000, cut in 1usize..3000,
        ) {
            let away = sounding(9000, std::slice::from_ref(&(start..start + length)));
            let found = facts(&[sounding(9000, &[]), away], cut);
            let spans: Vec<_> =
                (found.absences.listed.iter()).map(|s| (s.start, s.end, s.channel)).collect();
            let wanted = (start as u64, (start + length) as u64, Some(1));
            let listed = if length >= 2000 { vec![wanted] } else { vec![] };
            prop_assert_eq!(spans, listed);
            prop_assert_eq!(found.gaps.total, 0);
        }
    }
}
