//! The test for a seam: two recordings, or two places of one, that meet between two samples.
//!
//! In: the error of linear prediction, forward and backward, of every channel around one place.
//! Out: a [`Seam`]. What stands before a seam knows nothing of what stands after it: the forward
//! error is ordinary up to the seam and the backward error ordinary from it on, in all channels
//! and at one and the same sample, while each bursts as soon as it reaches across. A disturbance
//! of one or more samples, as a click leaves it, spoils one of the two wherever the seam is
//! sought; so does an attack, which excites what follows for more than a sample. Own method, on
//! the predictor of the second look; no opinion.

/// How far from the place the seam is sought, samples on each side.
const REACH: usize = 40;
/// The samples next to the seam that must be ordinary.
const ORDINARY: usize = 48;
/// Samples on each side that tell what is ordinary, from here to there.
const FROM: usize = 48;
const TO: usize = 768;
/// A side is never taken for quieter than this share of the louder one: what is left there is
/// the predictor's own error. Own choice.
const QUIETEST: f64 = 0.05;
/// Errors on each side that reach across the seam and tell how large the step is; own choice.
const ACROSS: usize = 2;
const SOUGHT: usize = 2 * REACH + 1;

/// The prediction errors of one channel, by sample; the place is at `middle` of both.
pub(super) struct BothWays<'a> {
    /// Of each sample from those before it.
    pub forward: &'a [f32],
    /// Of each sample from those after it.
    pub backward: &'a [f32],
    pub middle_forward: usize,
    pub middle_backward: usize,
}

/// What the best seam near a place looks like. All in root mean squares of the error elsewhere.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seam {
    /// Samples from the place to the first one after the seam.
    pub offset: isize,
    /// The largest error next to the seam that does not reach across it, each side by its own
    /// measure; and by that of the louder side.
    pub rest: f64,
    pub rest_by_louder: f64,
    /// The error across, the lesser of both ways: in the channel where it is largest, and in
    /// the next. Of the louder side.
    pub crossing: f64,
    pub crossing_next: f64,
}

/// Gathers the channels of a place.
pub(super) struct SeamSearch {
    rest: [f64; SOUGHT],
    rest_by_louder: [f64; SOUGHT],
    crossing: [f64; SOUGHT],
    crossing_next: [f64; SOUGHT],
    channels: usize,
}

impl SeamSearch {
    pub(super) fn new() -> Self {
        Self {
            rest: [0.0; SOUGHT],
            rest_by_louder: [0.0; SOUGHT],
            crossing: [0.0; SOUGHT],
            crossing_next: [0.0; SOUGHT],
            channels: 0,
        }
    }

    /// Takes a channel that sounds.
    pub(super) fn take(&mut self, ways: &BothWays) {
        let before = &ways.forward[ways.middle_forward - TO..ways.middle_forward - FROM];
        let after = &ways.backward[ways.middle_backward + FROM..ways.middle_backward + TO];
        let (before, after) = (root_mean_square(before), root_mean_square(after));
        let louder = before.max(after);
        if louder == 0.0 {
            return;
        }
        let (before, after) = (before.max(QUIETEST * louder), after.max(QUIETEST * louder));
        self.channels += 1;
        for sought in 0..SOUGHT {
            let forward = ways.middle_forward + sought - REACH;
            let backward = ways.middle_backward + sought - REACH;
            let ahead = largest(&ways.forward[forward - ORDINARY..forward]);
            let behind = largest(&ways.backward[backward..backward + ORDINARY]);
            let crossing = largest(&ways.forward[forward..forward + ACROSS])
                .min(largest(&ways.backward[backward - ACROSS..backward]));
            let rest = (ahead / before).max(behind / after);
            self.rest[sought] = self.rest[sought].max(rest);
            self.rest_by_louder[sought] =
                self.rest_by_louder[sought].max(ahead.max(behind) / louder);
            let crossing = crossing / louder;
            self.crossing_next[sought] =
                self.crossing_next[sought].max(crossing.min(self.crossing[sought]));
            self.crossing[sought] = self.crossing[sought].max(crossing);
        }
    }

    /// The place where the least is left. `None` where no channel sounds.
    pub(super) fn best(&self) -> Option<Seam> {
        if self.channels == 0 {
            return None;
        }
        let best = (0..SOUGHT).min_by(|&a, &b| self.rest[a].total_cmp(&self.rest[b]))?;
        Some(Seam {
            offset: best as isize - REACH as isize,
            rest: self.rest[best],
            rest_by_louder: self.rest_by_louder[best],
            crossing: self.crossing[best],
            crossing_next: if self.channels == 1 {
                self.crossing[best]
            } else {
                self.crossing_next[best]
            },
        })
    }
}

impl Seam {
    /// The error across, of the two channels where it is largest: their geometric mean. A channel
    /// that shows nothing counts as one that shows what is ordinary.
    pub(super) fn step(&self) -> f64 {
        (self.crossing * self.crossing_next.max(1.0)).sqrt()
    }

    /// Whether it may be one at all: what counts as company. Own choice, wider than what is told.
    pub(super) fn is_likely(&self) -> bool {
        self.crossing > 5.0 && self.rest < 7.0 && self.crossing > 1.6 * self.rest_by_louder
    }
}

fn root_mean_square(errors: &[f32]) -> f64 {
    let sum: f64 = errors.iter().map(|&v| f64::from(v) * f64::from(v)).sum();
    (sum / errors.len().max(1) as f64).sqrt()
}

fn largest(errors: &[f32]) -> f64 {
    f64::from(errors.iter().fold(0.0f32, |top, v| top.max(v.abs())))
}
