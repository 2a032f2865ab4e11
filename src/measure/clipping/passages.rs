//! Flat tops of one channel, joined into passages and judged together.
//!
//! In: flat tops in time order. Out: passages with a confidence, and figures of the channel.

use super::super::spot::{Spot, Spots};
use super::ClippingFigures;
use super::flat_tops::FlatTop;
use super::verdict::Judge;
use crate::units::{Dbfs, Hertz};

/// Tops closer than this belong together, in seconds. Own choice: two periods of a low note.
const JOIN_S: f64 = 0.1;

/// The share of the programme with tops is counted in spans of this length, in seconds.
const SPAN_S: f64 = 0.25;

/// Spans over this level hold sound, linear (-40 dBFS).
const SOUND: f64 = 0.01;

/// Levels that are counted: more than a programme is cut at.
const LEVELS: usize = 64;

/// Flat tops less than [`JOIN_S`] apart.
pub(super) struct Passage {
    start: u64,
    end: u64,
    pub tops: u64,
    pub samples: u64,
    pub longest: usize,
    overshoot: f64,
    /// Of all tops, for the mean.
    pub overshoots: f64,
    /// The largest magnitude.
    pub level: f64,
    /// Tops at the level of one before, of the same sign.
    pub agreeing: u64,
    levels: [f64; 2],
}

pub(super) struct Passages {
    rate: f64,
    /// Within which two levels are one.
    width: f64,
    kept: Vec<Passage>,
    pub left_out: u64,
    figures: ClippingFigures,
    /// Of all tops, for the mean.
    overshoots: f64,
    /// Levels at which tops were cut, and how many.
    levels: Vec<(f64, u64)>,
    frames: u64,
    span_loudest: f64,
    /// Largest magnitude of all samples.
    loudest: f64,
    spans_with_sound: u64,
    spans_with_tops: u64,
    last_span: Option<u64>,
}

impl Passages {
    pub(super) fn new(rate: Hertz, step: f64) -> Self {
        Self {
            rate: f64::from(rate.value()),
            width: 6.4 * step,
            kept: Vec::new(),
            left_out: 0,
            figures: ClippingFigures::default(),
            overshoots: 0.0,
            levels: Vec::new(),
            frames: 0,
            span_loudest: 0.0,
            loudest: 0.0,
            spans_with_sound: 0,
            spans_with_tops: 0,
            last_span: None,
        }
    }

    fn span(&self, frame: u64) -> u64 {
        (frame as f64 / (self.rate * SPAN_S)) as u64
    }

    /// Told of every stretch, for the share of the programme.
    pub(super) fn sound(&mut self, frames: usize, loudest: f64) {
        self.span_loudest = self.span_loudest.max(loudest);
        self.loudest = self.loudest.max(loudest);
        let before = self.span(self.frames);
        self.frames += frames as u64;
        if self.span(self.frames) != before {
            self.close_span();
        }
    }

    fn close_span(&mut self) {
        self.spans_with_sound += u64::from(self.span_loudest >= SOUND);
        self.span_loudest = 0.0;
    }

    pub(super) fn add(&mut self, top: FlatTop) {
        self.figures.flat_tops += 1;
        self.figures.flat_samples += top.length as u64;
        self.figures.longest_flat_top = self.figures.longest_flat_top.max(top.length as u64);
        self.overshoots += top.overshoot;
        let overshoot = decibels(1.0 + top.overshoot);
        self.figures.largest_overshoot_db = self.figures.largest_overshoot_db.max(overshoot);
        let span = self.span(top.start);
        self.spans_with_tops += u64::from(self.last_span != Some(span));
        self.last_span = Some(span);
        self.count_level(top.level.abs());
        self.join(top);
    }

    fn count_level(&mut self, level: f64) {
        let width = self.width;
        let known = self
            .levels
            .iter_mut()
            .find(|(at, _)| (*at - level).abs() <= width);
        if let Some((_, count)) = known {
            *count += 1;
            return;
        }
        if self.levels.len() == LEVELS {
            let rarest = (0..LEVELS).min_by_key(|&index| self.levels[index].1);
            self.levels.swap_remove(rarest.unwrap_or(0));
        }
        self.levels.push((level, 1));
    }

    fn join(&mut self, top: FlatTop) {
        let sign = usize::from(top.level < 0.0);
        let end = top.start + top.length as u64;
        // The tops of one sign are told before those of the other: this may be before the last.
        let near = |last: &&mut Passage| {
            let distance = top.start as f64 - last.end as f64;
            distance <= JOIN_S * self.rate
        };
        let full = self.kept.len() == Spots::KEPT;
        let passage = match self.kept.last_mut().filter(near) {
            Some(passage) => passage,
            None if full => {
                self.left_out += 1;
                return;
            }
            None => {
                self.kept.push(Passage {
                    start: top.start,
                    end,
                    tops: 0,
                    samples: 0,
                    longest: 0,
                    overshoot: 0.0,
                    overshoots: 0.0,
                    level: 0.0,
                    agreeing: 0,
                    levels: [f64::NAN; 2],
                });
                let last = self.kept.len() - 1;
                &mut self.kept[last]
            }
        };
        passage.start = passage.start.min(top.start);
        passage.end = passage.end.max(end);
        passage.tops += 1;
        passage.samples += top.length as u64;
        passage.longest = passage.longest.max(top.length);
        passage.overshoot = passage.overshoot.max(top.overshoot);
        passage.overshoots += top.overshoot;
        passage.level = passage.level.max(top.level.abs());
        let agrees = (passage.levels[sign] - top.level).abs() <= self.width;
        passage.agreeing += u64::from(agrees);
        passage.levels[sign] = top.level;
    }

    /// Ends the channel.
    pub(super) fn finish(&mut self) {
        self.close_span();
    }

    pub(super) fn figures(&self) -> ClippingFigures {
        let most = self.levels.iter().max_by_key(|(_, count)| *count);
        let mut figures = self.figures.clone();
        figures.level_dbfs = most.and_then(|(level, _)| Dbfs::from_linear(*level));
        let mean = self.overshoots / figures.flat_tops.max(1) as f64;
        figures.mean_overshoot_db = decibels(1.0 + mean);
        let spans = self.spans_with_sound.max(self.spans_with_tops).max(1);
        figures.share = self.spans_with_tops as f64 / spans as f64;
        figures
    }

    /// The passages in time order, after the end.
    pub(super) fn spots(&self, channel: usize) -> Vec<Spot> {
        let figures = self.figures();
        let judge = Judge::new(self.rate, &figures, self.loudest);
        let kept = self.kept.iter();
        kept.map(|passage| Spot {
            start: passage.start,
            end: passage.end,
            channel: Some(channel),
            size: decibels(1.0 + passage.overshoot),
            confidence: judge.confidence(passage),
            inherited: false,
            summarised: false,
        })
        .collect()
    }
}

pub(super) fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}
