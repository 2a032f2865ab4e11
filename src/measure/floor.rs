//! The noise floor: how quiet the programme gets, of what its quietest moments consist, and
//! whether the floor changes on the way.
//!
//! In: samples. Out: scalars. Windows of 100 ms, the loudest channel of each. Music that never
//! pauses has no floor to be seen: its quietest windows are quiet music, and the figure says that.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::stretches::{Stretches, is_black, mean_square};
use crate::units::{Dbfs, Frames, Hertz, Seconds};

/// Share of the windows with sound that makes the floor. Own choice.
const QUIETEST: f64 = 0.05;

/// Windows under this are pauses, in dBFS RMS. Common practice, no source.
const PAUSE_DBFS: f64 = -60.0;

/// Pauses under this hold dither and nothing else, in dBFS RMS. Plain dither of two steps, and
/// the rounding after it, come to half a step RMS: -96 dBFS at 16 bits; shaped dither is up to
/// about 12 dB above (own choice).
const DITHER_DBFS: f64 = -84.0;

/// A floor over this is quiet music for all that can be told, in dBFS RMS. Own choice.
const HIGHEST_FLOOR_DBFS: f64 = -50.0;

/// Levels are counted in bins of 0.1 dB from here up; what is quieter goes to the first.
const LOWEST_DBFS: f64 = -160.0;
const BINS_PER_DB: f64 = 10.0;
const BINS: usize = 1800;

/// Parts of the programme of which the floor is kept: joined two by two when they are full.
const PARTS: usize = 64;

/// A part has at least so many windows (10 s): music pauses seldom. Own choice.
const PART_WINDOWS: u64 = 100;

/// Follows the level in windows of 100 ms.
pub struct FloorMeter {
    rate: Hertz,
    stretches: Stretches,
    levels: Levels,
}

/// What `FloorMeter` found.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FloorFacts {
    /// Level under which the quietest 5 % of the windows lie that are not digital silence, RMS
    /// of the loudest channel; `None` where there is none.
    pub noise_floor_dbfs: Option<Dbfs>,
    /// Pauses (under -60 dBFS) by what they hold.
    pub digital_black_s: Seconds,
    /// Pauses so quiet that they hold dither only (under -84 dBFS).
    pub dither_s: Seconds,
    /// Pauses with noise, or music that is nearly gone.
    pub noise_s: Seconds,
    /// The largest change of the floor between one part of the programme and the next, in dB;
    /// `None` unless two neighbours have a floor under -50 dBFS.
    pub largest_step_db: Option<f64>,
    /// Where the second of the two parts begins.
    pub largest_step_at_s: Option<Seconds>,
}

struct Levels {
    bins: Vec<u64>,
    black: u64,
    windows: u64,
    /// Mean square of the quietest window of each part; infinite where all was black.
    parts: Vec<f64>,
    windows_in_part: u64,
    /// Windows in the part that is being filled.
    filled: u64,
}

impl FloorMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        let window = (rate.value() as usize).div_ceil(10);
        Self {
            rate,
            stretches: Stretches::new(window, channels),
            levels: Levels {
                bins: vec![0; BINS],
                black: 0,
                windows: 0,
                parts: Vec::with_capacity(PARTS),
                windows_in_part: PART_WINDOWS,
                filled: 0,
            },
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let levels = &mut self.levels;
        self.stretches.feed(planes, |planes| levels.window(planes));
    }

    /// Ends the programme; what does not fill a window is left out.
    pub fn finish(self) -> FloorFacts {
        let levels = &self.levels;
        let window = (self.rate.value() as usize).div_ceil(10) as u64;
        let seconds = |windows: u64| Frames(windows * window).at(self.rate);
        let step = levels.largest_step();
        FloorFacts {
            noise_floor_dbfs: levels.floor(),
            digital_black_s: seconds(levels.black),
            dither_s: seconds(levels.between(LOWEST_DBFS, DITHER_DBFS)),
            noise_s: seconds(levels.between(DITHER_DBFS, PAUSE_DBFS)),
            largest_step_db: step.map(|(_, step)| step),
            largest_step_at_s: step.map(|(part, _)| seconds(part * levels.windows_in_part)),
        }
    }
}

impl Levels {
    fn window(&mut self, planes: &[&[f64]]) {
        let loudest = planes
            .iter()
            .map(|plane| {
                if is_black(plane) {
                    0.0
                } else {
                    mean_square(plane)
                }
            })
            .fold(0.0, f64::max);
        self.windows += 1;
        if loudest == 0.0 {
            self.black += 1;
        } else {
            self.bins[bin(decibels(loudest))] += 1;
        }
        if self.filled == 0 {
            if self.parts.len() == PARTS {
                self.join_parts();
            }
            self.parts.push(f64::INFINITY);
        }
        if let Some(part) = self.parts.last_mut().filter(|_| loudest > 0.0) {
            *part = part.min(loudest);
        }
        self.filled = (self.filled + 1) % self.windows_in_part;
    }

    fn join_parts(&mut self) {
        let joined = self
            .parts
            .chunks(2)
            .map(|pair| pair.iter().copied().fold(f64::INFINITY, f64::min));
        self.parts = joined.collect();
        self.parts.reserve(PARTS);
        self.windows_in_part *= 2;
    }

    fn floor(&self) -> Option<Dbfs> {
        let sounding: u64 = self.bins.iter().sum();
        let wanted = (sounding as f64 * QUIETEST).ceil() as u64;
        let mut seen = 0;
        let index = self.bins.iter().position(|&count| {
            seen += count;
            count > 0 && seen >= wanted
        })?;
        let level = LOWEST_DBFS + index as f64 / BINS_PER_DB;
        Dbfs::from_linear(10f64.powf(level / 20.0))
    }

    /// Windows with a level from `low` to under `high`, in dBFS.
    fn between(&self, low: f64, high: f64) -> u64 {
        self.bins[bin(low)..bin(high)].iter().sum()
    }

    /// The number of a part, and by how much its floor differs from that of the part before.
    fn largest_step(&self) -> Option<(u64, f64)> {
        let is_floor = |level: f64| level.is_finite() && decibels(level) < HIGHEST_FLOOR_DBFS;
        let steps = self
            .parts
            .windows(2)
            .enumerate()
            .filter_map(|(index, pair)| {
                let both = is_floor(pair[0]) && is_floor(pair[1]);
                both.then(|| (index as u64 + 1, decibels(pair[1]) - decibels(pair[0])))
            });
        steps.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
    }
}

/// Of a mean square, full scale = 1.0.
fn decibels(mean_square: f64) -> f64 {
    10.0 * mean_square.log10()
}

fn bin(level_dbfs: f64) -> usize {
    let place = ((level_dbfs - LOWEST_DBFS) * BINS_PER_DB + 1e-9).floor();
    (place.max(0.0) as usize).min(BINS - 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 1000;

    /// A square wave: its RMS is its amplitude.
    fn square(level_dbfs: f64, seconds: f64) -> Vec<f64> {
        let amplitude = 10f64.powf(level_dbfs / 20.0);
        (0..(seconds * f64::from(RATE)) as usize)
            .map(|n| if n % 2 == 0 { amplitude } else { -amplitude })
            .collect()
    }

    fn facts(samples: &[f64], cut: usize) -> FloorFacts {
        let mut meter = FloorMeter::new(Hertz::new(RATE).expect("not 0"), 2);
        let other = vec![0.0; samples.len()];
        for (block, other) in samples.chunks(cut).zip(other.chunks(cut)) {
            meter.feed(&[block, other]);
        }
        meter.finish()
    }

    #[test]
    fn the_floor_is_the_level_of_the_quietest_windows_that_are_not_black() {
        let programme = [
            square(-20.0, 8.0),
            square(-72.05, 1.0),
            vec![0.0; 3000],
            square(-96.05, 0.2),
        ]
        .concat();
        let found = facts(&programme, 77);
        let floor = found.noise_floor_dbfs.expect("there is sound").value();
        // 92 windows sound; the fifth quietest is one of the ten at -72.05 dBFS.
        assert!((floor + 72.1).abs() < 0.11, "{floor}");
        let pauses = (found.digital_black_s, found.dither_s, found.noise_s);
        assert_eq!(pauses, (Seconds(3.0), Seconds(0.2), Seconds(1.0)));
        assert_eq!(found, facts(&programme, programme.len()));
    }

    #[test]
    fn silence_has_no_floor() {
        let found = facts(&[0.0; 5000], 1000);
        assert_eq!(
            (found.noise_floor_dbfs, found.digital_black_s),
            (None, Seconds(5.0))
        );
    }

    #[test]
    fn a_floor_that_rises_is_told_with_its_place() {
        let part = |floor| [square(-20.0, 9.0), square(floor, 1.0)].concat();
        let programme = [part(-80.0), part(-80.0), part(-65.0), part(-65.0)].concat();
        let found = facts(&programme, 501);
        assert_eq!(found.largest_step_at_s, Some(Seconds(20.0)));
        let step = found.largest_step_db.expect("all parts pause");
        assert!((step - 15.0).abs() < 1e-6, "{step}");
        assert_eq!(facts(&square(-20.0, 40.0), 501).largest_step_db, None);
    }

    #[test]
    fn a_long_programme_takes_no_more_memory_than_a_short_one() {
        let part = [square(-20.0, 9.0), square(-80.0, 1.0)].concat();
        let mut meter = FloorMeter::new(Hertz::new(RATE).expect("not 0"), 1);
        for _ in 0..500 {
            meter.feed(&[&part]);
        }
        assert!(meter.levels.parts.len() <= PARTS);
        assert_eq!(meter.finish().largest_step_db, Some(0.0));
    }
}
