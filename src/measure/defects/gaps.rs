//! Short losses of sound, in all channels or in some: finds them, measures their edges and what
//! is around them.
//!
//! In: blocks of samples. Out: [`GapFacts`], places with a confidence and the reasons. What makes
//! a gap a fault is in `gap_verdict`, the numbers of the edges are in `gap_edges`. Knows no files.

use super::super::Spots;
use super::gap_edges::{Around, Context, around};
use super::gap_verdict::verdict;
use super::slabs::{BODY, Slab, Slabs};
use crate::units::Hertz;
use crate::vector::{Work, fast};

/// Frames that are looked at together; a gap of twice as many cannot hide between them.
const CHUNK: usize = 16;

/// A gap is quiet: under -54 dBFS, and 24 dB under what was before. Own choice, between the
/// -50 dBFS of an open analysis library's gap detector (library default) and dithered silence.
const QUIET: f64 = 2e-3;
const DEPTH: f64 = 16.0;

/// A gap is in something: -50 dBFS. Own choice.
const AUDIBLE: f64 = 3.16e-3;

/// From which length on, and up to which, in seconds. The upper end is that of the library's
/// detector; the lower one is for buffers of 1 ms. Zeros may be shorter: a fade into them and out
/// takes a third of the millisecond.
const SHORTEST_S: f64 = 0.75e-3;
const SHORTEST_ZEROS_S: f64 = 0.65e-3;
const SHORTEST_HELD_S: f64 = 0.9e-3;
const LONGEST_S: f64 = 3.5;

/// How much around a gap is looked at, in seconds; not less than [`LEAST_CONTEXT`] frames.
const CONTEXT_S: f64 = 0.046;
const LEAST_CONTEXT: usize = 256;

/// So many frames of the other channels, at least, are still there when a gap is over.
const PARTNERS: usize = 2048;

/// Looking closely takes time: so many gaps of a channel at once, and two a second, are looked
/// at; a file with more has the habit. Own choice.
const AT_ONCE: f64 = 24.0;
const A_SECOND: f64 = 2.0;

/// What a gap is filled with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Filling {
    /// One value, and it is zero.
    Zeros,
    /// One value other than zero: a sample that was held.
    Held,
    /// Something under the level of a gap.
    NearSilence,
}

/// One gap of one channel, before any opinion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    pub channel: usize,
    pub start: u64,
    pub end: u64,
    pub filling: Filling,
    /// Frames in a row that are exactly zero, in whole chunks.
    pub zeros: u64,
    /// Other channels sound while it lasts.
    pub alone: bool,
    /// The held value lies at or outside the extremes around it, as a clipped top does.
    pub extreme: bool,
    pub around: Around,
}

/// What was found. The size of a spot is its length in seconds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct GapFacts {
    /// Gaps of all channels that sound (F2).
    pub all_channels: Spots,
    /// Gaps of a channel while others go on (F3).
    pub one_channel: Spots,
    /// Every gap that was looked at, by start; the first [`Spots::KEPT`].
    pub gaps: Vec<Gap>,
}

/// The meter.
pub struct GapMeter {
    slabs: Slabs,
    scan: Scan,
}

struct Scan {
    rate: Hertz,
    lengths: Lengths,
    channels: Vec<Channel>,
    gaps: Vec<Gap>,
    /// Lowest and highest sample of each chunk of the body.
    ranges: Vec<(f64, f64)>,
}

/// In frames.
#[derive(Clone, Copy)]
struct Lengths {
    shortest: u64,
    shortest_zeros: u64,
    shortest_held: u64,
    longest: u64,
    context: usize,
    short: usize,
    edge: usize,
    /// Chunks of 2 ms.
    group: usize,
}

struct Channel {
    state: State,
    /// Largest chunks of the present 2 ms and of the 2 ms before.
    recent: [f64; 2],
    in_group: usize,
    pending: Vec<Closed>,
    /// How many gaps may still be looked at, and since when this holds.
    credit: f64,
    credit_at: u64,
}

enum State {
    Sound,
    Gap(Open),
    /// After a gap that is too long.
    Silence {
        limit: f64,
    },
}

struct Open {
    start: u64,
    limit: f64,
    /// `Some` for a held value.
    held: Option<f64>,
    zeros: bool,
    /// Chunks of zeros up to now, and the most in a row.
    zero_chunks: u64,
    most_zero_chunks: u64,
    /// Taken before they leave the slab: the context before it, and its first samples.
    before: Vec<f64>,
    first: Vec<f64>,
}

struct Closed {
    open: Open,
    end: u64,
    /// The gap's last samples.
    last: Vec<f64>,
}

impl GapMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        let frames = |seconds: f64| (seconds * f64::from(rate.value())).round().max(1.0) as usize;
        let lengths = Lengths {
            shortest: frames(SHORTEST_S).max(2 * CHUNK) as u64,
            shortest_zeros: frames(SHORTEST_ZEROS_S).max(2 * CHUNK) as u64,
            shortest_held: frames(SHORTEST_HELD_S).max(2 * CHUNK) as u64,
            longest: frames(LONGEST_S) as u64,
            context: frames(CONTEXT_S).max(2 * LEAST_CONTEXT),
            short: frames(0.000_36).max(8),
            edge: frames(0.005).max(64),
            group: (frames(0.002) / CHUNK).max(1),
        };
        let channel = || Channel {
            state: State::Sound,
            recent: [0.0; 2],
            in_group: 0,
            pending: Vec::new(),
            credit: AT_ONCE,
            credit_at: 0,
        };
        Self {
            slabs: Slabs::new(channels, lengths.context + BODY + PARTNERS),
            scan: Scan {
                rate,
                lengths,
                channels: (0..channels).map(|_| channel()).collect(),
                gaps: Vec::new(),
                ranges: Vec::new(),
            },
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let Self { slabs, scan } = self;
        slabs.feed(planes, |slab| scan.look(slab, false));
    }

    pub fn finish(self) -> GapFacts {
        let Self { slabs, mut scan } = self;
        scan.look(&slabs.slab(), true);
        scan.gaps.sort_by_key(|gap| (gap.start, gap.channel));
        let (all_channels, one_channel) = verdict(&scan.gaps, scan.rate);
        GapFacts {
            all_channels,
            one_channel,
            gaps: scan.gaps,
        }
    }
}

/// Lowest and highest sample of each chunk.
struct Ranges<'a>(&'a [f64], &'a mut Vec<(f64, f64)>);

impl Work for Ranges<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Self(samples, ranges) = self;
        ranges.clear();
        for chunk in samples.chunks_exact(CHUNK) {
            let (mut low, mut high) = ([0.0f64; 4], [0.0f64; 4]);
            low.copy_from_slice(&chunk[..4]);
            high.copy_from_slice(&chunk[..4]);
            for row in chunk[4..].chunks_exact(4) {
                for lane in 0..4 {
                    low[lane] = if row[lane] < low[lane] {
                        row[lane]
                    } else {
                        low[lane]
                    };
                    high[lane] = if row[lane] > high[lane] {
                        row[lane]
                    } else {
                        high[lane]
                    };
                }
            }
            let least = |a: f64, b: f64| if b < a { b } else { a };
            let most = |a: f64, b: f64| if b > a { b } else { a };
            ranges.push((
                least(least(low[0], low[1]), least(low[2], low[3])),
                most(most(high[0], high[1]), most(high[2], high[3])),
            ));
        }
    }
}

impl Scan {
    fn look(&mut self, slab: &Slab, last: bool) {
        for index in 0..self.channels.len() {
            let plane = slab.plane(index);
            fast(Ranges(&plane[slab.body.clone()], &mut self.ranges));
            let channel = &mut self.channels[index];
            for (chunk, &range) in self.ranges.iter().enumerate() {
                channel.chunk(slab, plane, chunk * CHUNK, range, &self.lengths);
            }
            if let State::Gap(open) = &mut channel.state {
                open.keep(slab, plane, &self.lengths);
            }
            for closed in &mut channel.pending {
                closed.open.keep(slab, plane, &self.lengths);
            }
        }
        for index in 0..self.channels.len() {
            let ready = |closed: &mut Closed| {
                last || closed.end + self.lengths.context as u64 <= slab.end()
            };
            let closed: Vec<Closed> = self.channels[index].pending.extract_if(.., ready).collect();
            for closed in closed {
                self.measure(slab, index, closed);
            }
        }
    }

    /// A gap is over and what follows is there.
    fn measure(&mut self, slab: &Slab, index: usize, closed: Closed) {
        let Closed { open, end, last } = closed;
        let start = open.start;
        let Some(at) = slab.index(end) else { return };
        let plane = slab.plane(index);
        let after = &plane[at..(at + self.lengths.context).min(plane.len())];
        let before = &open.before;
        let channel = &mut self.channels[index];
        if after.len() < LEAST_CONTEXT || before.len() < LEAST_CONTEXT {
            return;
        }
        if !channel.may_look(end, self.rate) || self.gaps.len() >= Spots::KEPT {
            return;
        }
        // The middle half: where the edges lie to the sample differs between channels.
        let quarter = ((end - start) / 4).min(PARTNERS as u64 / 2) as usize;
        let middle_end = at - quarter.min(at);
        let within = slab
            .index(start + quarter as u64)
            .unwrap_or(0)
            .clamp(slab.first().min(middle_end), middle_end)..middle_end;
        let top = |plane: &[f64]| plane.iter().fold(0.0f64, |top, v| top.max(v.abs()));
        let alone = (0..self.channels.len())
            .filter(|&other| other != index)
            .any(|other| top(&slab.plane(other)[within.clone()]) > AUDIBLE);
        let edge = self.lengths.edge;
        let extreme = open.held.is_some_and(|value| {
            // A clipped top may have been dithered.
            let slack = 0.01 * value.abs();
            let near = [
                &before[before.len() - edge.min(before.len())..],
                &after[..edge.min(after.len())],
            ];
            near.iter().any(|side| {
                side.iter().all(|&v| v <= value + slack) || side.iter().all(|&v| v >= value - slack)
            })
        });
        let context = Context {
            before: open.before,
            first: open.first,
            last,
            after,
        };
        self.gaps.push(Gap {
            channel: index,
            start,
            end,
            filling: match (open.held, open.zeros) {
                (Some(_), _) => Filling::Held,
                (None, true) => Filling::Zeros,
                (None, false) => Filling::NearSilence,
            },
            zeros: open.most_zero_chunks * CHUNK as u64,
            alone,
            extreme,
            around: around(&context, self.lengths.short, edge),
        });
    }
}

impl Channel {
    /// One chunk, `offset` frames into the body.
    fn chunk(
        &mut self,
        slab: &Slab,
        plane: &[f64],
        offset: usize,
        (low, high): (f64, f64),
        lengths: &Lengths,
    ) {
        let top = high.max(-low);
        let from = slab.body.start + offset;
        let frame = slab.body_at + offset as u64;
        let chunk = &plane[from..from + CHUNK];
        match &mut self.state {
            State::Sound => {
                let reference = self.recent[0].max(self.recent[1]);
                if reference > AUDIBLE {
                    let limit = QUIET.min(reference / DEPTH);
                    if top < limit || low == high {
                        let held = (top >= limit).then_some(low);
                        let earliest = from.saturating_sub(CHUNK).max(slab.first());
                        let back = plane[earliest..from].iter().rev();
                        let more = match held {
                            Some(value) => back.take_while(|&&v| v == value).count(),
                            None => back.take_while(|v| v.abs() < limit).count(),
                        };
                        self.state = State::Gap(Open {
                            start: frame - more as u64,
                            limit,
                            held,
                            zeros: top == 0.0,
                            zero_chunks: u64::from(top == 0.0),
                            most_zero_chunks: u64::from(top == 0.0),
                            before: Vec::new(),
                            first: Vec::new(),
                        });
                        return;
                    }
                }
                self.remember(top, lengths);
            }
            State::Gap(open) => {
                let goes_on = match open.held {
                    Some(value) => low == value && high == value,
                    None => top < open.limit,
                };
                if goes_on {
                    open.zeros &= top == 0.0;
                    open.zero_chunks = if top == 0.0 { open.zero_chunks + 1 } else { 0 };
                    open.most_zero_chunks = open.most_zero_chunks.max(open.zero_chunks);
                    if frame - open.start > lengths.longest {
                        self.state = State::Silence { limit: open.limit };
                    }
                    return;
                }
                let over = |v: f64| match open.held {
                    Some(value) => v != value,
                    None => v.abs() >= open.limit,
                };
                let end = frame + chunk.iter().take_while(|&&v| !over(v)).count() as u64;
                let shortest = match open.held {
                    Some(_) => lengths.shortest_held,
                    None if open.most_zero_chunks > 0 => lengths.shortest_zeros,
                    None => lengths.shortest,
                };
                if let State::Gap(open) = std::mem::replace(&mut self.state, State::Sound)
                    && end - open.start >= shortest
                {
                    let at = slab.index(end).unwrap_or(from);
                    let last = plane[at.saturating_sub(2 * lengths.short)..at].to_vec();
                    self.pending.push(Closed { open, end, last });
                }
                self.recent = [0.0; 2];
                self.in_group = 0;
                self.remember(top, lengths);
            }
            State::Silence { limit } => {
                if top >= *limit {
                    self.state = State::Sound;
                    self.recent = [0.0; 2];
                    self.in_group = 0;
                    self.remember(top, lengths);
                }
            }
        }
    }

    fn remember(&mut self, top: f64, lengths: &Lengths) {
        if self.in_group == lengths.group {
            self.recent = [0.0, self.recent[0]];
            self.in_group = 0;
        }
        self.recent[0] = self.recent[0].max(top);
        self.in_group += 1;
    }

    fn may_look(&mut self, frame: u64, rate: Hertz) -> bool {
        let seconds = frame.saturating_sub(self.credit_at) as f64 / f64::from(rate.value());
        self.credit = (self.credit + seconds * A_SECOND).min(AT_ONCE);
        self.credit_at = frame;
        let may = self.credit >= 1.0;
        self.credit -= f64::from(u8::from(may));
        may
    }
}

impl Open {
    fn keep(&mut self, slab: &Slab, plane: &[f64], lengths: &Lengths) {
        if self.before.is_empty()
            && let Some(at) = slab.index(self.start)
        {
            let from = at.saturating_sub(lengths.context).max(slab.first());
            self.before = plane[from..at].to_vec();
            self.first = plane[at..(at + 2 * lengths.short).min(plane.len())].to_vec();
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::super::Spot;
    use super::super::testing::{chord, cut, noise};
    use super::*;

    fn facts(planes: &[&[f64]], block: usize) -> GapFacts {
        let mut meter = GapMeter::new(Hertz::new(44_100).expect("not 0"), planes.len());
        cut(planes, block, |part| meter.feed(part));
        meter.finish()
    }

    fn sure(spots: &Spots) -> Vec<Spot> {
        let sure = spots.listed.iter().filter(|s| s.confidence >= Spot::SURE);
        sure.copied().collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn a_dropout_is_found_there_and_nowhere_else(
            at in 9_000usize..40_000,
            length in 220usize..30_000,
            one: bool,
            dithered: bool,
            block in 1usize..20_000,
            scale in 0.3f64..1.0,
        ) {
            let mut left = noise(80_000, 1);
            let mut right = noise(80_000, 2);
            let floor = noise(80_000, 3);
            for i in at..at + length {
                let fill = if dithered { floor[i] * 1e-4 } else { 0.0 };
                right[i] = fill;
                left[i] = if one { left[i] } else { fill };
            }
            left.iter_mut().chain(&mut right).for_each(|v| *v *= -scale);
            let found = facts(&[&left, &right], block);
            prop_assert_eq!(&facts(&[&left, &right], 80_000), &found);
            let (all, single) = (sure(&found.all_channels), sure(&found.one_channel));
            let (wanted, other) = if one { (single, all) } else { (all, single) };
            prop_assert_eq!(other.len(), 0);
            prop_assert_eq!(wanted.len(), 1);
            prop_assert_eq!(wanted[0].channel, one.then_some(1));
            prop_assert!(wanted[0].start.abs_diff(at as u64) < 8);
            prop_assert!(wanted[0].end.abs_diff((at + length) as u64) < 8);
            let turned = facts(&[&right, &left], 4096);
            prop_assert_eq!(sure(&turned.all_channels).len() + sure(&turned.one_channel).len(), 1);
        }
    }

    #[test]
    fn a_buffer_of_a_millisecond_is_enough() {
        let mut samples = noise(60_000, 1);
        samples[30_000..30_044].fill(0.0);
        let found = sure(&facts(&[&samples], 4096).all_channels);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].start, found[0].end), (30_000, 30_044));
    }

    #[test]
    fn a_held_sample_is_a_dropout() {
        let mut samples = chord(60_000, 1);
        let value = samples[30_020];
        samples[30_000..30_100].fill(value);
        let found = facts(&[&samples], 4096).gaps;
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].filling, Filling::Held);
    }

    #[test]
    fn soft_gates_and_stops_are_not_told_and_hard_gates_are_told_together() {
        let sound = chord(400_000, 1);
        let gated = |ramp: f64, period: usize, open: usize| -> Vec<f64> {
            let gain = |i: usize| {
                let at = (i % period) as f64;
                ((at / ramp).min((open as f64 - at) / ramp)).clamp(0.0, 1.0)
            };
            sound.iter().enumerate().map(|(i, v)| v * gain(i)).collect()
        };
        let soft = gated(132.0, 30_000, 20_000);
        // A decay of a second, half a second of nothing, and something new.
        let mut stop = sound.clone();
        for (i, v) in stop[100_000..144_100].iter_mut().enumerate() {
            *v *= (-(i as f64) / 5_000.0).exp();
        }
        stop[144_100..166_000].fill(0.0);
        for (name, samples) in [("soft", soft), ("stop", stop)] {
            let found = facts(&[&samples, &samples], 4096);
            assert_eq!(sure(&found.all_channels), [], "{name}");
            assert_eq!(sure(&found.one_channel), [], "{name}");
        }
        // Cut in mid-wave on every beat: meant, most likely; but a device may fail so too.
        let hard = gated(1.0, 11_025, 7_000);
        let found = facts(&[&hard, &hard], 4096);
        let told = sure(&found.all_channels);
        assert!(told.len() > 20 && told.iter().all(|spot| spot.summarised));
    }

    #[test]
    fn a_few_milliseconds_with_faded_edges_are_a_dropout() {
        for fade in [9, 22, 44, 88, 220] {
            for length in [44, 220, 1_323] {
                let mut samples = chord(120_000, 1);
                let mut gain = vec![0.0; length + 2 * fade];
                for i in 0..fade {
                    let up = (i as f64 + 0.5) / fade as f64;
                    gain[i] = 1.0 - up;
                    gain[fade + length + i] = up;
                }
                for (sample, gain) in samples[50_000..].iter_mut().zip(&gain) {
                    *sample *= gain;
                }
                let found = sure(&facts(&[&samples, &samples], 4096).all_channels);
                assert_eq!(found.len(), 1, "{length} frames, fades of {fade}");
                assert!(!found[0].summarised);
            }
        }
    }

    #[test]
    fn more_dropouts_are_never_told_less() {
        let told = |count: usize| {
            let mut samples = noise(44_100 * 21, 5);
            for n in 0..count {
                // At no regular distance, and of no one length.
                let at = 30_000 + n * 41_000 + n * n * 37 % 3_000;
                samples[at..at + 200 + 13 * n].fill(0.0);
            }
            sure(&facts(&[&samples], 4096).all_channels)
        };
        for count in [1, 3, 12, 20] {
            assert_eq!(told(count).len(), count);
        }
        assert!(told(3).iter().all(|spot| !spot.summarised));
        assert!(told(20).iter().all(|spot| spot.summarised));
    }

    #[test]
    fn silence_and_steady_tones_have_no_gaps() {
        let tone: Vec<f64> = (0..100_000).map(|i| (f64::from(i) * 0.003).sin()).collect();
        for samples in [tone, vec![0.0; 100_000]] {
            assert_eq!(facts(&[&samples], 4096).gaps, []);
        }
    }
}
