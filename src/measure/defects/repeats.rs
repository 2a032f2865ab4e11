//! Blocks of samples that come twice: a buffer that was played or written again.
//!
//! In: blocks of samples. Out: [`RepeatFacts`]. Knows no files.

use super::super::spot::ramp;
use super::super::{Spot, Spots};
use super::slabs::{BODY, Slab, Slabs};
use crate::units::Hertz;
use crate::vector::{Work, fast};

/// Frames of a block. Own choice: buffers of audio hardware and software have 32 to 8192.
const SHORTEST: usize = 32;
const LONGEST: usize = 8192;

/// Frames that are remembered: two of the longest blocks.
const PAST: usize = 2 * LONGEST + 64;

/// Bodies that fit behind the past before it is moved to the front again.
const BODIES: usize = 8;

/// Frames that all channels are added up of before the next.
const PIECE: usize = 1024;

/// One frame of eight is remembered in the table.
const ANCHOR_BITS: u32 = 3;
const TABLE_BITS: u32 = 14;

/// A run of equality that is shorter than its block, from so many frames on, tells of material
/// that repeats itself.
const PARTIAL: usize = 64;

/// From that many copies in a row on it may be a tone whose period is a whole number of frames.
/// Own choice: a driver or a player that repeats a block gives up or goes on before.
const TONE_COPIES: usize = 24;

/// A seam between two copies that bends the wave no more than that many times what it bends within
/// the block (root mean square) is no seam. Own choice: the largest of a wave's own bends is rarely
/// over four times their root mean square.
const SEAMLESS: f64 = 4.0;

/// Repeats within a second, or of one length in a file, from which on they may be an edit that is
/// meant. Own choice. They stay as sure as they are: more of a fault is no less of one.
const CROWD: usize = 4;
const SAME_LENGTH: usize = 3;

/// The same a minute, for repeats and for runs that are shorter than their block.
const OFTEN: f64 = 20.0;
const PIECES: f64 = 6.0;

/// -60 dBFS over the sum of the channels: a block is no silence. Own choice.
const SILENCE: f64 = 1e-3;

/// What was found. A spot begins where the second copy begins and ends with the last; its size
/// is the frames of the block.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RepeatFacts {
    pub repeats: Spots,
    /// Blocks that come more than three times.
    pub tiled: u64,
    /// Waves that repeat themselves from period to period: tones, not blocks.
    pub tones: u64,
    /// Runs of `PARTIAL` and more frames that equal an earlier place without being a block.
    pub partial: u64,
}

/// The meter: runs of frames that equal, sample for sample and in all channels, those before
/// them at a distance of 32 to 8192 frames, for at least that distance.
///
/// Own method: frames are hashed, some of them chosen by their own content, and looked up by
/// content, as file synchronisation does (content-defined sampling; A. Tridgell, P. Mackerras,
/// "The rsync algorithm", TR-CS-96-05, ANU, 1996, from memory, for the idea of finding equal
/// blocks at any offset); what the table says is then compared frame by frame.
pub struct RepeatMeter {
    slabs: Slabs,
    search: Search,
}

struct Search {
    rate: f64,
    /// Past and body: a number for each frame, equal for equal frames; and the sum of channels.
    keys: Vec<u64>,
    mix: Vec<f32>,
    /// The frames of the body that are looked up, as indexes of the keys; how many there are,
    /// and how many have been looked up.
    marks: Vec<u32>,
    marked: usize,
    passed: usize,
    /// 1 for each frame of the body that is.
    chosen: Vec<u8>,
    /// Newest place of what an anchor's hash says: (hash, frame), both cut to 32 bits.
    table: Vec<(u32, u32)>,
    /// Index of the body's first frame, and its frame in the file.
    base: usize,
    done: u64,
    open: Option<Run>,
    found: Vec<Found>,
    tiled: u64,
    tones: u64,
    partial: u64,
}

/// Frames from `start` on equal those `lag` before.
#[derive(Clone, Copy)]
struct Run {
    start: u64,
    lag: usize,
}

struct Found {
    start: u64,
    end: u64,
    lag: usize,
    /// The wave goes on from copy to copy as it does within one.
    seamless: bool,
    confidence: f64,
}

impl RepeatMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        Self {
            slabs: Slabs::new(channels, 0),
            search: Search {
                rate: f64::from(rate.value()),
                keys: vec![0; PAST + BODIES * BODY],
                mix: vec![0.0; PAST + BODIES * BODY],
                marks: vec![0; BODY + 1],
                marked: 0,
                passed: 0,
                chosen: vec![0; BODY],
                table: vec![(0, 0); 1 << TABLE_BITS],
                base: PAST,
                done: 0,
                open: None,
                found: Vec::new(),
                tiled: 0,
                tones: 0,
                partial: 0,
            },
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let Self { slabs, search } = self;
        slabs.feed(planes, |slab| search.look(slab));
    }

    pub fn finish(self) -> RepeatFacts {
        let Self { slabs, mut search } = self;
        search.look(&slabs.slab());
        let end = search.done;
        search.close(end);
        search.verdict()
    }
}

/// A channel's samples added to the keys and to the sum; those of the first make both.
struct Add<'a> {
    samples: &'a [f64],
    channel: usize,
    keys: &'a mut [u64],
    mix: &'a mut [f32],
}

impl Work for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        // Another turn for each of many channels, so that none undoes another.
        let turn = (self.channel as u32 * 13) % 64;
        let frames = self.samples.iter().zip(self.keys).zip(self.mix);
        if self.channel == 0 {
            for ((sample, key), mix) in frames {
                *key = sample.to_bits();
                *mix = *sample as f32;
            }
        } else {
            for ((sample, key), mix) in frames {
                *key = key.wrapping_add(sample.to_bits().rotate_left(turn));
                *mix += *sample as f32;
            }
        }
    }
}

/// Marks the frames that their content chooses, one of eight; none in what stands still.
struct Choose<'a> {
    /// One more than are chosen from: the frame before comes first.
    keys: &'a [u64],
    chosen: &'a mut [u8],
}

impl Work for Choose<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        let Self { keys, chosen: into } = self;
        for ((into, key), last) in into.iter_mut().zip(&keys[1..]).zip(keys) {
            // A product of 32 bits, which vectors have; its middle bits are mixed best.
            let mixed = ((key ^ (key >> 32)) & 0xFFFF_FFFF) * 0x9E37_79B1;
            let chosen = (mixed >> 28) & ((1 << ANCHOR_BITS) - 1) == 0;
            *into = u8::from(chosen & (key != last));
        }
    }
}

fn hash(key: u64) -> u64 {
    // Fibonacci hashing: 2^64 over the golden ratio.
    (key ^ (key >> 31)).wrapping_mul(0x9E37_79B9_7F4A_7C15)
}

impl Search {
    fn look(&mut self, slab: &Slab) {
        let count = slab.body.len();
        let (base, end) = (self.base, self.base + count);
        // Few enough at a time to stay near the processor from one channel to the next.
        for from in (0..count).step_by(PIECE) {
            let piece = from..(from + PIECE).min(count);
            let kept = base + piece.start..base + piece.end;
            let mut channel = 0;
            while let Some(samples) = slab.channel(channel) {
                fast(Add {
                    samples: &samples[piece.clone()],
                    channel,
                    keys: &mut self.keys[kept.clone()],
                    mix: &mut self.mix[kept.clone()],
                });
                channel += 1;
            }
        }
        fast(Choose {
            keys: &self.keys[base - 1..end],
            chosen: &mut self.chosen[..count],
        });
        // Without a branch: what is chosen cannot be foretold.
        let mut marked = 0;
        let marks = &mut self.marks[..];
        for (index, &chosen) in (base as u32..).zip(&self.chosen[..count]) {
            marks[marked] = index;
            marked += usize::from(chosen);
        }
        (self.marked, self.passed) = (marked, 0);
        let mut at = base;
        while at < end {
            at = match self.open {
                Some(run) => self.follow(run, at, end),
                None => self.seek(end),
            };
        }
        self.done += count as u64;
        self.base += count;
        if self.base + BODY > self.keys.len() {
            self.keys.copy_within(self.base - PAST..self.base, 0);
            self.mix.copy_within(self.base - PAST..self.base, 0);
            self.base = PAST;
        }
    }

    fn frame(&self, index: usize) -> u64 {
        (self.done + index as u64).saturating_sub(self.base as u64)
    }

    /// Goes on until a frame at a known distance from an equal one opens a run.
    fn seek(&mut self, to: usize) -> usize {
        while self.passed < self.marked {
            let at = self.marks[self.passed] as usize;
            self.passed += 1;
            let (slot, tag) = self.anchor(at);
            let frame = self.frame(at) as u32;
            let (known, when) = std::mem::replace(&mut self.table[slot], (tag, frame));
            let lag = frame.wrapping_sub(when) as usize;
            if known == tag && (SHORTEST..=LONGEST).contains(&lag) {
                let equal = |i: usize| self.keys[i] == self.keys[i - lag];
                let back = (lag..=at).rev().take_while(|&i| equal(i)).count();
                if back >= 3 && self.frame(at) >= lag as u64 {
                    let start = (self.frame(at) + 1).saturating_sub(back as u64);
                    self.open = Some(Run { start, lag });
                    return at + 1;
                }
            }
        }
        to
    }

    /// Goes on while frames are equal; then the run is closed.
    fn follow(&mut self, run: Run, from: usize, to: usize) -> usize {
        let (now, then) = (&self.keys[from..to], &self.keys[from - run.lag..]);
        let equal = now.iter().zip(then).take_while(|(a, b)| a == b).count();
        let end = from + equal;
        while self.passed < self.marked && (self.marks[self.passed] as usize) < end {
            let at = self.marks[self.passed] as usize;
            self.passed += 1;
            let (slot, tag) = self.anchor(at);
            self.table[slot] = (tag, self.frame(at) as u32);
        }
        if end < to {
            self.close_at(end);
        }
        end
    }

    /// Slot and tag of a frame, by this and the two before.
    fn anchor(&self, at: usize) -> (usize, u32) {
        let before = self.keys[at - 1].rotate_left(21) ^ self.keys[at - 2].rotate_left(42);
        let all = hash(self.keys[at] ^ before);
        ((all >> (64 - TABLE_BITS)) as usize, all as u32)
    }

    fn close(&mut self, end: u64) {
        let index = self.base as u64 + end - self.done;
        self.close_at(index as usize);
    }

    fn close_at(&mut self, end: usize) {
        let Some(run) = self.open.take() else { return };
        let last = self.frame(end);
        let length = (last - run.start) as usize;
        if length < run.lag {
            self.partial += u64::from(length >= PARTIAL);
            return;
        }
        // The last copy and what was before it are still here.
        let block = &self.mix[end - run.lag..end];
        let keys = &self.keys[end - run.lag..end];
        let top = block.iter().fold(0.0f32, |top, v| top.max(v.abs()));
        if f64::from(top) < SILENCE || self.found.len() >= Spots::KEPT {
            return;
        }
        let moving = keys.windows(2).filter(|pair| pair[0] != pair[1]).count();
        let moving = moving as f64 / keys.len() as f64;
        let part = run.lag.min(64);
        let rms = |samples: &[f32]| {
            let squares: f64 = samples.iter().map(|&v| f64::from(v) * f64::from(v)).sum();
            (squares / samples.len().max(1) as f64).sqrt()
        };
        // A sound that is played again begins louder than the last one ended.
        let attack = rms(&block[..part]) / rms(&block[run.lag - part..]).max(1e-9);
        let distinct = ramp(moving, 0.5, 0.9);
        let seamless = bend_at_seam(block) < SEAMLESS;
        if seamless && length >= TONE_COPIES * run.lag {
            self.tones += 1;
            return;
        }
        self.tiled += u64::from(length >= 3 * run.lag);
        let begins = 1.0 - 0.5 * ramp(attack, 4.0, 10.0);
        let usual = if run.lag.is_power_of_two() { 1.0 } else { 0.9 };
        self.found.push(Found {
            start: run.start,
            end: last,
            lag: run.lag,
            seamless,
            confidence: 0.95 * distinct * begins * usual,
        });
    }

    /// Takes out the periods of a tone that was rounded: where a run ends at a sample that was
    /// rounded otherwise, the next begins. Blocks that come twice each, one after the other, lie
    /// a whole block apart.
    fn drop_tones(&mut self) {
        self.found.sort_by_key(|found| found.start);
        let goes_on = |pair: &[Found]| {
            let near = pair[0].end + pair[1].lag as u64 / 2;
            pair[0].seamless && pair[1].seamless && pair[1].start < near
        };
        let tones: Vec<u64> = (self.found.windows(2))
            .filter(|pair| goes_on(pair))
            .map(|pair| pair[1].start)
            .collect();
        let second = self.rate as u64;
        let before = self.found.len();
        self.found.retain(|found| {
            let from = tones.partition_point(|&tone| tone + second < found.start);
            let to = tones.partition_point(|&tone| tone <= found.start + second);
            !(found.seamless && to - from >= CROWD)
        });
        self.tones += (before - self.found.len()) as u64;
    }

    fn verdict(mut self) -> RepeatFacts {
        self.drop_tones();
        let mut facts = RepeatFacts {
            tiled: self.tiled,
            tones: self.tones,
            partial: self.partial,
            ..RepeatFacts::default()
        };
        // What repeats itself at many places and in pieces may be made of copies.
        let minutes = (self.done as f64 / self.rate / 60.0).max(0.5);
        let made_of_copies = self.partial as f64 > PIECES * minutes
            || self.found.len() as f64 > OFTEN * minutes
            || self.tones > 0;
        let near = self.rate as u64;
        for found in &self.found {
            let others = |like: &dyn Fn(&Found) -> bool| {
                self.found.iter().filter(|other| like(other)).count()
            };
            let crowded = others(&|other| other.start.abs_diff(found.start) < near) >= CROWD;
            let again = others(&|other| other.lag == found.lag) >= SAME_LENGTH;
            facts.repeats.push(Spot {
                start: found.start,
                end: found.end,
                channel: None,
                size: found.lag as f64,
                confidence: found.confidence,
                inherited: false,
                summarised: made_of_copies || crowded || again,
            });
        }
        facts.repeats.sort();
        facts
    }
}

/// How far the wave bends where one copy meets the next, against how far it bends within the
/// block: second differences, largest over root mean square.
fn bend_at_seam(block: &[f32]) -> f64 {
    let bend = |a: f32, b: f32, c: f32| f64::from(a - 2.0 * b + c);
    let within: f64 = (block.windows(3))
        .map(|w| bend(w[0], w[1], w[2]).powi(2))
        .sum();
    let within = (within / block.len() as f64).sqrt().max(f64::MIN_POSITIVE);
    let [first, second, .., before, last] = block else {
        return 0.0;
    };
    let seam = bend(*before, *last, *first)
        .abs()
        .max(bend(*last, *first, *second).abs());
    seam / within
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::testing::{chord, cut, noise};
    use super::*;

    fn facts(planes: &[&[f64]], block: usize) -> RepeatFacts {
        let mut meter = RepeatMeter::new(Hertz::new(44_100).expect("not 0"), planes.len());
        cut(planes, block, |part| meter.feed(part));
        meter.finish()
    }

    fn with_repeat(samples: &mut [f64], at: usize, lag: usize, copies: usize) {
        for i in at..at + lag * copies {
            samples[i] = samples[i - lag];
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn a_repeated_buffer_is_found_there_and_nowhere_else(
            at in 9_000usize..50_000,
            lag in 64usize..=8192,
            copies in 1usize..=2,
            block in 1usize..20_000,
            scale in 0.3f64..1.0,
            turned: bool,
        ) {
            let mut left = chord(80_000, 1);
            let mut right = noise(80_000, 2);
            with_repeat(&mut left, at, lag, copies);
            with_repeat(&mut right, at, lag, copies);
            let scale = if turned { -scale } else { scale };
            left.iter_mut().chain(&mut right).for_each(|v| *v *= scale);
            let found = facts(&[&left, &right], block);
            prop_assert_eq!(&facts(&[&left, &right], 80_000), &found);
            prop_assert_eq!(found.repeats.total, 1);
            let spot = found.repeats.listed[0];
            prop_assert!(spot.start.abs_diff(at as u64) <= 1);
            prop_assert!(spot.end.abs_diff((at + lag * copies) as u64) <= 1);
            prop_assert_eq!(spot.size, lag as f64);
            prop_assert!(spot.confidence >= Spot::SURE);
            let turned = facts(&[&right, &left], 4096).repeats.listed[0];
            prop_assert_eq!((turned.start, turned.end), (spot.start, spot.end));
        }
    }

    #[test]
    fn a_tone_and_silence_are_not_told_to_a_person() {
        let tone: Vec<f64> = (0..60_000)
            .map(|i| (i as f64 * std::f64::consts::TAU / 100.0).sin())
            .map(|v| (v * 8_000_000.0).round() / 8_388_608.0)
            .collect();
        for samples in [tone, vec![0.0; 60_000]] {
            let found = facts(&[&samples], 4096);
            assert_eq!(found.repeats, Spots::default());
        }
    }

    fn sure(facts: &RepeatFacts) -> Vec<Spot> {
        let sure = facts.repeats.listed.iter();
        sure.filter(|s| s.confidence >= Spot::SURE)
            .copied()
            .collect()
    }

    #[test]
    fn a_block_is_told_however_often_it_comes() {
        for copies in 1..=20 {
            let mut samples = noise(120_000, 3);
            with_repeat(&mut samples, 20_000, 700, copies);
            let found = sure(&facts(&[&samples], 4096));
            assert_eq!(found.len(), 1, "{copies} copies");
            assert_eq!((found[0].size, found[0].summarised), (700.0, false));
        }
    }

    #[test]
    fn every_one_of_many_repeats_is_told_and_they_are_told_together() {
        let mut told = 0;
        for places in [1, 4, 12, 30] {
            let mut samples = noise(20_000 * (places + 1), 4);
            for place in 0..places {
                with_repeat(
                    &mut samples,
                    20_000 * (place + 1) - 9_000,
                    512,
                    1 + place % 5,
                );
            }
            let found = sure(&facts(&[&samples], 4096));
            assert_eq!(found.len(), places);
            assert!(found.len() > told, "more of a fault is no less of one");
            told = found.len();
            // Thrice the same length, or so many a minute: one sentence for all.
            assert_eq!(found.iter().all(|spot| spot.summarised), places > 1);
        }
    }

    #[test]
    fn a_repeat_in_one_channel_alone_is_no_repeat_of_a_buffer() {
        let mut left = noise(60_000, 1);
        with_repeat(&mut left, 20_000, 512, 1);
        let found = facts(&[&left, &noise(60_000, 2)], 4096);
        assert_eq!(found, RepeatFacts::default());
    }
}
