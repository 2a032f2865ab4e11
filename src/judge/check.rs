//! What a check is: its definition, what it needs measured, how it is read, and how its numbers
//! are worded. Each check is one constant in the file of its group under `checks/`.

use super::facts::Facts;
use super::reading::Reading;
use crate::profile::{Limit, Severity, Takes};

/// One check of the catalogue.
#[derive(Clone, Copy, Debug)]
pub struct Check {
    /// `group.name`
    pub id: &'static str,
    /// The quantity or fault in a few words, as a sentence uses it.
    pub title: &'static str,
    pub definition: &'static str,
    /// `LUFS`, `dBTP`, `s`, ...; `FS` is linear, full scale = 1.0; empty where there is none.
    pub unit: &'static str,
    /// Document and clause of the definition, or `common practice, no source`.
    pub source: &'static str,
    /// Where a profile names none.
    pub severity: Severity,
    pub cannot_see: &'static str,
    /// What a profile may ask of it.
    pub takes: Takes,
    /// It always stops, whatever the profile.
    pub always: bool,
    /// It may be read on a render.
    pub on_renders: bool,
    /// The meters that must run for it, besides those that always do.
    pub needs: &'static [Meter],
    /// In seconds: of a shorter programme it cannot be said that there is no such fault.
    pub least_s: f64,
    /// How it is read from the facts.
    pub read: fn(&Case) -> Reading,
    /// How a number that passed its limit is told in the verdict's reason.
    pub words: Words,
}

/// Meters that run only where a check asks for them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meter {
    /// Clicks, splices, noise bursts.
    Clicks,
    /// The other faults within the sound.
    Defects,
    /// How the programme begins and ends, clipping, digital silence, noise floor.
    Ends,
    /// What stands between the channels.
    Channels,
    /// Where the samples came from.
    Provenance,
    /// Playback on other systems.
    Translation,
}

/// How a number beyond its limit is told in a few words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Words {
    /// `duration 0.50 s`
    Usual,
    /// `1.6 LU too loud`
    Loudness,
    /// `momentary maximum 1.6 LU too loud`
    Maximum,
    /// `3 true-peak overs`
    Overs,
    /// `DC offset 1.20 % of full scale on M+030`
    OnChannel,
}

/// What a check is read from.
#[derive(Clone, Copy)]
pub struct Case<'a> {
    pub check: &'static Check,
    /// `None` where the profile asks nothing of it.
    pub limit: Option<&'a Limit>,
    pub facts: &'a Facts<'a>,
}

/// The source of what the trade does and no document says.
pub const PRACTICE: &str = "common practice, no source";

/// What most checks are: a fault, read on the file itself, from practice.
pub const FAULT: Check = Check {
    id: "",
    title: "",
    definition: "",
    unit: "",
    source: PRACTICE,
    severity: Severity::Advise,
    cannot_see: "",
    takes: Takes::Fault,
    always: false,
    on_renders: false,
    needs: &[],
    least_s: 0.0,
    read: |_| Reading::Untold,
    words: Words::Usual,
};

/// The same for a number.
pub const NUMBER: Check = Check {
    takes: Takes::Number,
    ..FAULT
};

impl Case<'_> {
    /// What is said where a fault was looked for and not found.
    pub fn none_found(&self) -> Reading {
        Reading::NoFault(format!("no {}", self.check.title))
    }
}
