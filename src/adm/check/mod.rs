//! Structural validation of an immersive file: what is wrong in its metadata, without hearing it.
//!
//! In: a resolved [`Model`], the chna chunk, and a few facts of the audio. Out: findings, each a plain
//! sentence with its clause, many like ones of an element merged into one. Renders nothing and
//! reads no samples; severities are defaults that a profile may change.

mod blocks;
mod chna;
mod limits;
mod objects;
mod reach;
mod references;
mod structure;
mod values;

#[cfg(test)]
mod tests;

use self::reach::Reach;
use super::Model;
use super::chna::Chna;
use super::finding::{Finding, Findings};

/// What the checks must know of the audio beside the metadata.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AudioFacts {
    /// Channels of the file.
    pub tracks: u16,
    pub sample_rate: u32,
    /// Samples of one channel; 0 when not known.
    pub frames: u64,
    pub bit_depth: u16,
}

/// Every fault of classes `chna-*`, `adm-*` and `limit-*` that the metadata shows.
///
/// `chna` is `None` when the file has no such chunk. The faults that only the text of axml
/// shows came with it from [`parse`](super::parse::parse). For a model that is not usable, call
/// this with `Model::default()`: what is left then are the faults of chna itself.
pub fn check(model: &Model, chna: Option<&Chna>, facts: &AudioFacts) -> Vec<Finding> {
    let mut findings = Findings::default();
    let reach = Reach::of(model);
    chna::check(model, chna, facts, &reach, &mut findings);
    references::check(model, &mut findings);
    structure::check(model, &reach, &mut findings);
    objects::check(model, facts, &reach, &mut findings);
    for channel in model.channels.iter().filter(|channel| !channel.common) {
        blocks::check(channel, facts, &mut findings);
        values::check(channel, &mut findings);
    }
    limits::check(model, facts, &reach, &mut findings);
    findings.into_list()
}
