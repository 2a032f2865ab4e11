//! Rows of equal events at equal distances, and how much they look like no part of the music.
//!
//! In: events of one kind in time order. Out: the longest row with a confidence.

use crate::measure::spot::ramp;

/// From which period on, in seconds: shorter ones are rhythm (the house's notes on the trade, F9).
const PERIOD_S: f64 = 10.0;

/// Events of the fewest row, and of one that may be told. Own choice.
const FEWEST: usize = 3;
const TOLD: usize = 4;

/// So many candidates for the second event of a row are tried: more would be rhythm.
const SECONDS: usize = 12;

/// One event may be missed between two of a row, where the music covers it.
const MISSED: u64 = 1;

/// What is as near as this to an event of the row, in seconds, belongs to it: beeps come in groups.
const GROUP_S: f64 = 2.0;

/// Levels are equal within this, in dB. Own choice.
const EQUAL_DB: f64 = 1.0;

/// The level of music that repeats itself after a period goes with that of a period before: from
/// the first correlation on it is a doubt, at the second it is certain. Own choice.
const REPEATS: [f64; 2] = [0.25, 0.5];

/// Frames of an event, and its level in dB where it has one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Event {
    pub start: u64,
    pub end: u64,
    pub level: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Row {
    pub events: Vec<Event>,
    /// In frames.
    pub period: f64,
    /// Share of the expected events that are there.
    filled: f64,
    /// Events like it that are not in the row, as a share of it.
    others: f64,
}

/// How far apart, in frames, starts and lengths may be and still be equal.
#[derive(Clone, Copy, Debug)]
pub(super) struct Tolerance {
    pub rate: f64,
    pub frames: u64,
}

impl Tolerance {
    fn alike(&self, a: &Event, b: &Event) -> bool {
        (a.end - a.start).abs_diff(b.end - b.start) <= self.frames
            && (a.level - b.level).abs() <= EQUAL_DB
    }

    /// The longest row; `None` where there is none of three.
    pub(super) fn row(&self, events: &[Event]) -> Option<Row> {
        let mut best: Vec<Event> = Vec::new();
        let mut best_period = 0;
        for (index, first) in events.iter().enumerate() {
            let later = || events[index + 1..].iter().filter(|e| self.alike(e, first));
            for second in later().take(SECONDS) {
                let period = second.start - first.start;
                if (period as f64) < PERIOD_S * self.rate {
                    continue;
                }
                let mut row = vec![*first];
                for event in later() {
                    let last = row[row.len() - 1].start;
                    let is_due = |periods: u64| {
                        event.start.abs_diff(last + periods * period) <= periods * self.frames
                    };
                    if (1..=1 + MISSED).any(is_due) {
                        row.push(*event);
                    }
                }
                if row.len() > best.len() {
                    (best, best_period) = (row, period);
                }
            }
        }
        let (first, last) = (*best.first()?, *best.last()?);
        if best.len() < FEWEST {
            return None;
        }
        let periods = ((last.start - first.start) as f64 / best_period as f64).round();
        let with_the_row = |event: &&Event| {
            let near = |own: &Event| event.start.abs_diff(own.start) as f64 <= GROUP_S * self.rate;
            best.iter().any(near)
        };
        let alike = events.iter().filter(|event| self.alike(event, &first));
        let others = alike.filter(|event| !with_the_row(event)).count();
        Some(Row {
            period: (last.start - first.start) as f64 / periods,
            filled: (best.len() - 1) as f64 / periods,
            others: others as f64 / best.len() as f64,
            events: best,
        })
    }
}

impl Row {
    /// How sure it is that this is a mark of unlicensed processing: it comes from the first
    /// period to the end of the file, which is `frames` long, is the only one of its kind, and
    /// the music does not repeat itself with it.
    pub(super) fn confidence(&self, frames: u64, repeats: f64) -> f64 {
        let (Some(first), Some(last)) = (self.events.first(), self.events.last()) else {
            return 0.0;
        };
        let before = first.start as f64 / self.period;
        let after = frames.saturating_sub(last.start) as f64 / self.period;
        let throughout = if before < 1.1 && after < 1.1 {
            1.0
        } else {
            0.5
        };
        let only = (1.0 - 0.5 * self.others).max(0.3);
        let enough = if self.events.len() < TOLD { 0.5 } else { 1.0 };
        let own = 1.0 - ramp(repeats, REPEATS[0], REPEATS[1]);
        0.9 * throughout * only * enough * self.filled * (0.3 + 0.7 * own)
    }
}

/// The level of the programme over time, kept coarsely.
#[derive(Debug, Default)]
pub(super) struct Levels {
    /// In half decibels over -120 dB, one a hop; 0 for silence.
    hops: Vec<u8>,
}

/// Hops that are kept: hours.
const KEPT: usize = 1 << 20;

/// Hops whose mean is taken off each, so that onsets are compared and not loud parts.
const PAST: usize = 8;

impl Levels {
    pub(super) fn push(&mut self, decibels: f32) {
        if self.hops.len() < KEPT {
            self.hops
                .push(((decibels + 120.0) * 2.0).clamp(0.0, 255.0) as u8);
        }
    }

    /// Correlation of the onsets with those of a period before, beside the events of the row;
    /// `hop`: frames of one.
    pub(super) fn repeats(&self, row: &Row, hop: f64) -> f64 {
        let onset = |at: usize| {
            let past = &self.hops[at - PAST..at];
            let mean = past.iter().map(|v| f64::from(*v)).sum::<f64>() / PAST as f64;
            f64::from(self.hops[at]) - mean
        };
        let mut beside = vec![true; self.hops.len()];
        for event in &row.events {
            let from = (event.start as f64 / hop) as usize;
            let to = (event.end as f64 / hop) as usize + PAST + 3;
            let to = to.min(beside.len());
            beside[from.saturating_sub(3).min(to)..to].fill(false);
        }
        let onsets: Vec<f64> = (0..self.hops.len())
            .map(|at| if at < PAST { 0.0 } else { onset(at) })
            .collect();
        let lag = (row.period / hop).round() as usize;
        let at_lag = |lag: usize| {
            let (mut both, mut now, mut then) = (0.0, 0.0, 0.0);
            for at in lag..onsets.len() {
                if beside[at] && beside[at - lag] {
                    both += onsets[at] * onsets[at - lag];
                    now += onsets[at] * onsets[at];
                    then += onsets[at - lag] * onsets[at - lag];
                }
            }
            both / (now * then).sqrt().max(f64::MIN_POSITIVE)
        };
        (lag.saturating_sub(1)..=lag + 1)
            .map(at_lag)
            .fold(0.0, f64::max)
    }
}
