//! Clicks and splices: places where a wave is not what its own past and future say.
//!
//! In: planes of samples. Out: [`DiscontinuityFacts`]. One pass over blocks of a fixed size,
//! counted from the first sample, so that the cut of the input leaves no trace. Each channel
//! keeps a fraction of a second; findings are kept for twenty seconds, because what they are
//! depends on their company.

use std::collections::VecDeque;

use super::analysis::{Analyst, Finding, SIDE};
use super::candidates::{BLOCK, Candidate, Front, STRETCH};
use super::clicks::{self, ClickFacts};
use super::seams::{Seam, SeamSearch};
use super::splices::{self, SpliceFacts};
use crate::units::Hertz;

/// Blocks that a channel keeps before it moves its samples to the front.
const HELD: usize = 20;
/// Blocks that stay before the one that is searched, at least: for copies.
const PAST: usize = 4;
/// Seconds that a finding waits for the company that follows, and then stays for that of others.
const WAIT_S: u64 = 10;
/// Findings kept at once; own choice. More in twenty seconds are a texture anyway.
const COMPANY: usize = 4096;
/// Frames within which findings of several channels are one place.
const ONE_PLACE: u64 = 48;
/// Next to start and end of the programme the model sees silence that is none of the music.
const EDGE: u64 = 64;
/// The energy of the error, over the surroundings' mean square, under which no seam is sought;
/// own choice: of splices that a listener would notice one in twenty lies under it.
const FAINT_SEAM: f64 = 560.0;
/// Less sure places are not worth a remark.
const REMARK: f64 = 0.25;

/// What stands out at one place of one channel.
#[derive(Clone, Copy, Debug)]
pub(super) struct Event {
    pub frame: u64,
    pub channel: usize,
    /// As the first look saw it: largest error over the surroundings' mean, here and in the
    /// other channel where it stands out most.
    pub ratio: f32,
    pub others: f32,
    pub finding: Finding,
    /// The seam of all channels; asked for once a place, in the channel where it stands out most.
    pub seam: Option<Seam>,
}

/// The company of a finding.
pub(super) struct Neighbours<'a> {
    pub channels: usize,
    rate: f64,
    of: &'a Event,
    all: &'a VecDeque<Event>,
}

impl Neighbours<'_> {
    /// How many other places within `seconds` hold a finding that is `like`.
    pub(super) fn places(&self, seconds: f64, like: impl Fn(&Event) -> bool) -> usize {
        let near = (seconds * self.rate) as u64;
        let mut last: Option<u64> = None;
        let mut places = 0;
        for event in self.all {
            let distance = event.frame.abs_diff(self.of.frame);
            if distance <= near
                && distance > 2 * ONE_PLACE
                && last.is_none_or(|last| event.frame.abs_diff(last) > ONE_PLACE)
                && like(event)
            {
                places += 1;
                last = Some(event.frame);
            }
        }
        places
    }

    /// Seconds from here to each other place that may be a seam.
    pub(super) fn seams(&self, like: impl Fn(&Event, &Seam) -> bool) -> Vec<f64> {
        let mut seams = Vec::new();
        for event in self.all {
            let distance = event.frame.abs_diff(self.of.frame);
            if distance > 2 * ONE_PLACE
                && distance <= WAIT_S * self.rate as u64
                && event
                    .seam
                    .is_some_and(|seam| seam.is_likely() && like(event, &seam))
            {
                seams.push(distance as f64 / self.rate);
            }
        }
        seams
    }

    /// How many others are the same thing again: material that repeats.
    pub(super) fn twins(&self) -> usize {
        let same = |a: f64, b: f64| (a - b).abs() < 0.1 * a.max(b);
        let (of, apart) = (&self.of.finding, (0.05 * self.rate) as u64);
        self.all
            .iter()
            .filter(|event| {
                let finding = &event.finding;
                event.frame.abs_diff(self.of.frame) > apart
                    && same(finding.explained, of.explained)
                    && same(finding.level, of.level)
                    && same(finding.added, of.added)
                    && same(finding.burst, of.burst)
            })
            .count()
    }
}

/// The facts of both meters.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DiscontinuityFacts {
    pub clicks: ClickFacts,
    pub splices: SpliceFacts,
}

/// Finds clicks and splices in all channels.
pub struct DiscontinuityMeter {
    rate: Hertz,
    channels: Vec<Channel>,
    analyst: Analyst,
    /// Frames taken, the silence that ends the programme not counted.
    frames: u64,
    ended: bool,
    /// Samples of the block that is being filled.
    filled: usize,
    blocks: u64,
    /// In time order but for the width of a place; the first `judged` have had their turn.
    events: VecDeque<Event>,
    judged: usize,
    facts: DiscontinuityFacts,
}

struct Channel {
    /// Two samples, then whole blocks, then the one that is being filled.
    samples: Vec<f64>,
    front: Front,
    candidates: Vec<Candidate>,
}

impl DiscontinuityMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        let channel = || Channel {
            samples: vec![0.0; 2 + (PAST + 1) * BLOCK],
            front: Front::new(),
            candidates: Vec::new(),
        };
        Self {
            rate,
            channels: (0..channels).map(|_| channel()).collect(),
            analyst: Analyst::new(f64::from(rate.value())),
            frames: 0,
            ended: false,
            filled: 0,
            blocks: 0,
            events: VecDeque::new(),
            judged: 0,
            facts: DiscontinuityFacts::default(),
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total {
            let take = (BLOCK - self.filled).min(total - done);
            for (channel, plane) in self.channels.iter_mut().zip(planes) {
                channel.samples.extend_from_slice(&plane[done..done + take]);
            }
            done += take;
            self.filled += take;
            if !self.ended {
                self.frames += take as u64;
            }
            if self.filled == BLOCK {
                self.close_block();
            }
        }
    }

    /// Ends the programme.
    pub fn finish(mut self) -> DiscontinuityFacts {
        self.ended = true;
        // The last block is looked at when one more has come; each look is one block late.
        let zeros = vec![0.0; 3 * BLOCK - self.filled];
        let planes: Vec<&[f64]> = self.channels.iter().map(|_| &zeros[..]).collect();
        self.feed(&planes);
        self.judge(u64::MAX);
        self.facts.clicks.clicks.sort();
        self.facts.splices.splices.sort();
        splices::summarise_repeated(&mut self.facts.splices.splices);
        self.facts
    }

    fn close_block(&mut self) {
        self.filled = 0;
        self.blocks += 1;
        for channel in &mut self.channels {
            let length = channel.samples.len();
            channel.front.take(&channel.samples[length - BLOCK - 2..]);
            channel.front.candidates(&mut channel.candidates);
        }
        if let Some(before) = self.blocks.checked_sub(2) {
            let start = before * BLOCK as u64;
            self.look(start);
            self.judge(start.saturating_sub(WAIT_S * u64::from(self.rate.value())));
        }
        for channel in &mut self.channels {
            if channel.samples.len() >= 2 + HELD * BLOCK {
                let from = channel.samples.len() - 2 - (PAST + 1) * BLOCK;
                channel.samples.copy_within(from.., 0);
                channel.samples.truncate(2 + (PAST + 1) * BLOCK);
            }
        }
    }

    /// Looks at the candidates of the middle one of the last three blocks, which begins at `start`.
    fn look(&mut self, start: u64) {
        let known = self.events.len();
        for index in 0..self.channels.len() {
            let candidates = std::mem::take(&mut self.channels[index].candidates);
            for candidate in &candidates {
                let samples = &self.channels[index].samples;
                let middle = samples.len() - 2 * BLOCK + candidate.at + STRETCH / 2;
                let Some(mut finding) = self
                    .analyst
                    .look(&samples[middle - SIDE - 2..middle + SIDE])
                else {
                    continue;
                };
                let frame = (start + (candidate.at + STRETCH / 2) as u64)
                    .saturating_add_signed(finding.first as i64);
                if frame < EDGE || frame + EDGE > self.frames || self.events.len() >= COMPANY {
                    continue;
                }
                // One place may stand out in two stretches.
                let seen = self.events.iter().rev().take(64).any(|event| {
                    event.channel == index && event.frame.abs_diff(frame) < ONE_PLACE / 2
                });
                if !seen {
                    finding.copied = !finding.pulse && is_copied(samples, middle, &finding);
                    self.events.push_back(Event {
                        frame,
                        channel: index,
                        ratio: candidate.ratio,
                        others: self.elsewhere(index, candidate.at / STRETCH),
                        finding,
                        seam: None,
                    });
                }
            }
            self.channels[index].candidates = candidates;
        }
        self.events.make_contiguous()[known..].sort_by_key(|event| (event.frame, event.channel));
        self.seek_seams(known, start);
    }

    /// Asks for the seam of each place among the events from `known` on, in a block that begins
    /// at `start`.
    fn seek_seams(&mut self, known: usize, start: u64) {
        let mut at = known;
        while at < self.events.len() {
            let first = self.events[at].frame;
            let mut leader = at;
            while at < self.events.len() && self.events[at].frame - first <= ONE_PLACE {
                if self.events[at].finding.burst > self.events[leader].finding.burst {
                    leader = at;
                }
                at += 1;
            }
            let place = self.events[leader].frame;
            if self.events[leader].finding.burst < FAINT_SEAM
                || place < SIDE as u64
                || place + SIDE as u64 > self.frames
            {
                continue;
            }
            let after = place as i64 - start as i64;
            let mut search = SeamSearch::new();
            for channel in &self.channels {
                let samples = &channel.samples;
                let middle = (samples.len() - 2 * BLOCK).saturating_add_signed(after as isize);
                let around = &samples[middle - SIDE - 2..middle + SIDE];
                if let Some(ways) = self.analyst.both_ways(around) {
                    search.take(&ways);
                }
            }
            self.events[leader].seam = search.best();
        }
    }

    /// How much that stretch or one next to it stands out in the other channels.
    fn elsewhere(&self, index: usize, stretch: usize) -> f32 {
        let around = stretch.saturating_sub(1)..=(stretch + 1).min(BLOCK / STRETCH - 1);
        self.channels
            .iter()
            .enumerate()
            .filter(|&(other, _)| other != index)
            .flat_map(|(_, channel)| around.clone().map(|at| channel.front.ratio(at)))
            .fold(0.0, f32::max)
    }

    /// Gives the findings before frame `until` their turn, and lets go of those whose company is
    /// no longer asked for.
    fn judge(&mut self, until: u64) {
        while let Some(event) = self.events.get(self.judged).filter(|e| e.frame < until) {
            let neighbours = Neighbours {
                channels: self.channels.len(),
                rate: f64::from(self.rate.value()),
                of: event,
                all: &self.events,
            };
            if let Some(seam) = &event.seam {
                let (join, summarised) = splices::confidence(event, seam, &neighbours);
                if join >= REMARK {
                    let spot = splices::spot(event, seam, join, summarised);
                    self.facts.splices.splices.push(spot);
                }
            }
            let (click, summarised) = clicks::confidence(event, &neighbours);
            if click >= REMARK {
                let spot = clicks::spot(event, click, summarised);
                self.facts.clicks.clicks.push(spot);
            }
            self.judged += 1;
        }
        let kept = until.saturating_sub(WAIT_S * u64::from(self.rate.value()));
        while self.judged > 0 && self.events.front().is_some_and(|e| e.frame < kept) {
            self.events.pop_front();
            self.judged -= 1;
        }
    }
}

/// Whether the samples on one side of a join stand, bit for bit, in the time before it: a buffer
/// that was played again, or a stutter that is meant. Exact, so only of use where the copy was not
/// processed further.
fn is_copied(samples: &[f64], middle: usize, finding: &Finding) -> bool {
    const LENGTH: usize = 16;
    let first = middle.saturating_add_signed(finding.first);
    let end = first + finding.width;
    let from = middle - (PAST - 1) * BLOCK;
    let sides = [&samples[first - LENGTH..first], &samples[end..end + LENGTH]];
    sides.iter().any(|side| {
        side.iter().any(|v| *v != side[0])
            && samples[from..first]
                .windows(LENGTH)
                .rev()
                .skip(1)
                .any(|past| past == *side)
    })
}

/// Ten times the decimal logarithm, of energies.
pub(super) fn decibels(ratio: f64) -> f64 {
    10.0 * ratio.max(1e-30).log10()
}
