//! What is laid before the judge.

use std::ffi::OsStr;

use jiff::civil::Date;

use crate::adm::{Finding, Model};
use crate::compare::Comparison;
use crate::measure::Measurements;
use crate::render::Scene;
use crate::specimen::{Format, Metadata, Oddity};

/// All that is known of one file, without an opinion.
#[derive(Clone, Copy)]
pub struct Facts<'a> {
    /// The file's name, without folders.
    pub name: &'a OsStr,
    /// `None` where the container could not be made out.
    pub format: Option<&'a Format>,
    pub metadata: &'a Metadata,
    pub oddities: &'a [Oddity],
    /// `None` where nothing could be measured.
    pub measurements: Option<&'a Measurements>,
    /// What the audio definition metadata are; `None` for a file that has none.
    pub adm: Option<AdmRead<'a>>,
    /// What the file is against its mix; `None` where none was named.
    pub against: Option<AgainstRead<'a>>,
    /// The day on which the file was last written (UTC), where that is known.
    pub file_written: Option<Date>,
    /// Why it could not be read as audio: a sentence without full stop.
    pub unread: Option<&'a str>,
    /// Why intake gave up waiting for it: a sentence without full stop.
    pub incomplete: Option<&'a str>,
}

/// A master against its mix.
#[derive(Clone, Copy)]
pub struct AgainstRead<'a> {
    /// The mix's file name; `None` where the reason that there is no comparison says all.
    pub mix: Option<&'a OsStr>,
    /// Why there is no comparison: a sentence without full stop.
    pub result: Result<&'a Comparison, &'a str>,
}

/// The metadata of an object-based file, as read.
#[derive(Clone, Copy)]
pub struct AdmRead<'a> {
    pub model: &'a Model,
    pub findings: &'a [Finding],
    /// What is heard; `None` where that cannot be made out.
    pub scene: Option<&'a Scene>,
    /// Why there are no renders: a sentence without full stop.
    pub not_rendered: Option<&'a str>,
}

impl Facts<'_> {
    pub(super) fn sample_rate_hz(&self) -> u32 {
        self.format.map_or(1, |format| format.sample_rate.value())
    }

    /// True where nobody knows what is in the file.
    pub(super) fn is_unread(&self) -> bool {
        self.unread.is_some() || self.measurements.is_none()
    }

    /// Whether it is known where the channels play.
    pub(super) fn has_labels(&self) -> bool {
        self.format.is_none_or(|format| format.labels.is_some())
    }

    /// 0 for a file that was not read.
    pub(super) fn duration_s(&self) -> f64 {
        self.measurements
            .map_or(0.0, |measured| measured.frames.at(measured.sample_rate).0)
    }
}
