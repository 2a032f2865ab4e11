//! What is laid before the judge.

use std::ffi::OsStr;

use crate::measure::Measurements;
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
    /// Why it could not be read as audio: a sentence without full stop.
    pub unread: Option<&'a str>,
    /// Why intake gave up waiting for it: a sentence without full stop.
    pub incomplete: Option<&'a str>,
}
