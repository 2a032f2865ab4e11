//! The units that every room may use: loudness, level, time and rate as newtypes.
//!
//! A newtype is a wall: no `Deref`, no `From<f64>`, only the arithmetic that means
//! something. In JSON each is a bare number; the unit is the suffix of its key.

use std::fmt;
use std::ops::Sub;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A loudness in LUFS (ITU-R BS.1770-5, Annex 1; 1 LUFS = 1 LKFS).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Lufs(f64);

/// A difference of two loudnesses, in LU (EBU Tech 3341).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Lu(f64);

/// A true-peak level in dBTP (ITU-R BS.1770-5, Annex 2).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct DbTp(f64);

/// A level relative to full scale = 1.0, in dBFS: sample peak, or RMS (where a full-scale
/// sine reads -3.01).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Dbfs(f64);

/// A time or a duration in seconds.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Seconds(pub f64);

/// A count of sample frames, or a place as the count of frames before it.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Frames(pub u64);

/// A sample rate in hertz, never 0.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Hertz(u32);

impl Lufs {
    /// `None` when `value` is not finite: silence has no loudness, and JSON no infinity.
    pub fn new(value: f64) -> Option<Self> {
        value.is_finite().then_some(Self(value))
    }

    pub fn value(self) -> f64 {
        self.0
    }
}

impl Sub for Lufs {
    type Output = Lu;
    fn sub(self, other: Self) -> Lu {
        Lu(self.0 - other.0)
    }
}

impl Lu {
    /// `None` when `value` is not finite.
    pub fn new(value: f64) -> Option<Self> {
        value.is_finite().then_some(Self(value))
    }

    pub fn value(self) -> f64 {
        self.0
    }
}

impl DbTp {
    /// From a linear peak, full scale = 1.0; `None` for 0 and for what is not finite.
    pub fn from_linear(peak: f64) -> Option<Self> {
        decibels(peak).map(Self)
    }

    pub fn value(self) -> f64 {
        self.0
    }

    /// The linear value, full scale = 1.0.
    pub fn linear(self) -> f64 {
        10f64.powf(self.0 / 20.0)
    }

    /// Peak-to-loudness ratio, in LU: true peak less integrated loudness (EBU Tech 3343).
    pub fn above(self, loudness: Lufs) -> Lu {
        Lu(self.0 - loudness.0)
    }
}

impl Dbfs {
    /// From a linear level, full scale = 1.0; `None` for 0 and for what is not finite.
    pub fn from_linear(level: f64) -> Option<Self> {
        decibels(level).map(Self)
    }

    pub fn value(self) -> f64 {
        self.0
    }
}

impl Hertz {
    /// `None` for 0.
    pub fn new(rate: u32) -> Option<Self> {
        (rate > 0).then_some(Self(rate))
    }

    pub fn value(self) -> u32 {
        self.0
    }
}

impl Frames {
    /// How long so many frames last at `rate`.
    pub fn at(self, rate: Hertz) -> Seconds {
        Seconds(self.0 as f64 / f64::from(rate.0))
    }
}

fn decibels(linear: f64) -> Option<f64> {
    let level = 20.0 * linear.abs().log10();
    level.is_finite().then_some(level)
}

/// `m:ss.mmm`, or `h:mm:ss.mmm` from an hour on: how every face writes a place in time.
impl fmt::Display for Seconds {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let millis = (self.0 * 1000.0).round() as i64;
        let sign = if millis < 0 { "-" } else { "" };
        let millis = millis.unsigned_abs();
        let (hours, minutes) = (millis / 3_600_000, millis / 60_000 % 60);
        let (seconds, rest) = (millis / 1000 % 60, millis % 1000);
        match hours {
            0 => write!(out, "{sign}{minutes}:{seconds:02}.{rest:03}"),
            _ => write!(out, "{sign}{hours}:{minutes:02}:{seconds:02}.{rest:03}"),
        }
    }
}

impl fmt::Display for Hertz {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} Hz", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn silence_has_no_level() {
        assert_eq!(DbTp::from_linear(0.0), None);
        assert_eq!(Dbfs::from_linear(0.0), None);
        assert_eq!(Lufs::new(f64::NEG_INFINITY), None);
        assert_eq!(Dbfs::from_linear(f64::NAN), None);
    }

    #[test]
    fn a_place_is_written_in_minutes_seconds_and_milliseconds() {
        assert_eq!(Seconds(0.0).to_string(), "0:00.000");
        assert_eq!(Seconds(83.4567).to_string(), "1:23.457");
        assert_eq!(Seconds(3600.0 + 59.9996).to_string(), "1:01:00.000");
    }
}
