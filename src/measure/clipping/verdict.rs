//! How sure it is that a clipped passage is an accident.
//!
//! In: a passage of flat tops and the figures of its channel. Out: a confidence. Thresholds are own
//! choice, measured on music clipped by 1 to 8 dB against released music that is clipped at full
//! scale in decoding or mastering, limited, distorted, made of squares: what counts is the area
//! that is cut off, and whether clipping is all over the place.

use super::ClippingFigures;
use super::passages::{Passage, decibels};
use crate::measure::spot::ramp;

/// The area is in dB times samples at this rate.
const AREA_RATE: f64 = 44_100.0;

/// Levels this close to full scale are full scale, in dB.
const FULL_DB: f64 = 0.02;

/// From full scale down to here masters have their ceiling, in dB: a clipper there is meant.
const LOWEST_CEILING_DB: f64 = 0.97;

/// A programme with tops in more of its quarter seconds is clipped as a sound; in fewer than
/// [`RARE`], by accident.
const OFTEN: f64 = 0.25;
const RARE: f64 = 0.1;

/// Area that an accident is sure with, however little it overshoots.
const STRONG_AREA: f64 = 58.0;

/// Where clipping is rare and the tops of a passage agree in their level, so much area and so high
/// a mean overshoot in dB will do: released music that is rarely clipped has single tops there.
const AGREEING_AREA: [f64; 2] = [10.0, 28.0];
const AGREEING_DB: [f64; 2] = [0.7, 0.95];

/// Where it is not often, tops as long as this in samples at [`AREA_RATE`], as high as this in dB
/// and as much area in the channel: what a decoder clips has short tops or low ones.
const SELDOM: [f64; 2] = [0.2, 0.3];
const SELDOM_SAMPLES: [f64; 2] = [4.0, 6.0];
const SELDOM_DB: [f64; 2] = [0.5, 0.7];
const SELDOM_AREA: [f64; 2] = [30.0, 100.0];

/// Tops further under the largest sample than this were cut in an ingredient of the mix, in dB.
const OWN_LEVEL_DB: f64 = 0.3;

/// Samples in a top that needs no other at its level.
const LONG_TOP: usize = 8;

/// What is true of all passages of a channel.
pub(super) struct Judge<'a> {
    figures: &'a ClippingFigures,
    /// Samples at [`AREA_RATE`] in one of the channel.
    samples: f64,
    /// Largest magnitude of the channel.
    loudest: f64,
    /// How much the channel is one that is clipped now and then, by much.
    seldom: f64,
}

impl<'a> Judge<'a> {
    pub(super) fn new(rate: f64, figures: &'a ClippingFigures, loudest: f64) -> Self {
        let samples = AREA_RATE / rate;
        let mean_db = figures.mean_overshoot_db;
        let flat = figures.flat_samples as f64 * samples;
        let seldom = (1.0 - within(figures.share, SELDOM))
            * within(flat / figures.flat_tops.max(1) as f64, SELDOM_SAMPLES)
            * within(mean_db, SELDOM_DB)
            * within(flat * mean_db, SELDOM_AREA);
        Self {
            figures,
            samples,
            loudest,
            seldom,
        }
    }

    pub(super) fn confidence(&self, passage: &Passage) -> f64 {
        let share = self.figures.share;
        let all_db = self.figures.mean_overshoot_db;
        let mean_db = decibels(1.0 + passage.overshoots / passage.tops as f64);
        let area = passage.samples as f64 * self.samples * mean_db;
        let level = decibels(passage.level);
        let heard = if level > -LOWEST_CEILING_DB {
            let accident = share < RARE && mean_db > 0.45 && area >= STRONG_AREA;
            let high = within(mean_db, [0.9, 1.1]);
            let high = match (accident, share < RARE) {
                (true, _) => 1.0,
                (false, true) => high,
                (false, false) => high.min(within(all_db, [0.8, 1.0])),
            };
            within(area, [20.0, 100.0]) * high
        } else {
            within(area, [12.0, 32.0]) * within(mean_db, [0.3, 0.5])
        };
        let agreeing = if share < RARE && passage.agreeing > 0 {
            within(mean_db, AGREEING_DB)
        } else {
            0.0
        };
        let heard = heard.max(within(area, AGREEING_AREA) * agreeing.max(self.seldom));
        let one_level = passage.agreeing > 0 || passage.longest >= LONG_TOP;
        let is_ceiling = level < -FULL_DB && level > -LOWEST_CEILING_DB;
        let meant = is_ceiling && share > OFTEN;
        let under_the_top = decibels(self.loudest / passage.level) > OWN_LEVEL_DB;
        let effect = 1.0 - 0.7 * within(all_db, [3.2, 4.5]);
        let doubts = [!one_level, meant, under_the_top];
        let doubts = doubts.iter().filter(|doubt| **doubt);
        doubts.fold(heard * effect, |left, _| left * 0.35)
    }
}

/// 0 up to the first, 1 from the second on.
fn within(value: f64, [none, full]: [f64; 2]) -> f64 {
    ramp(value, none, full)
}
