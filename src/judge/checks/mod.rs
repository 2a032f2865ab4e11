//! The checks, a file for each group. A check is one constant there: what it is, what it cannot
//! see, what it needs measured, how it is read. A new one is added to its group's list.

mod channels;
mod defect;
mod edges;
mod format;
mod found;
mod immersive_container;
mod immersive_content;
mod immersive_figures;
mod immersive_metadata;
mod immersive_tracks;
mod integrity;
mod loudness;
mod movement;
mod names;
mod peaks;
mod provenance;
mod remains;
mod rendered;
mod stated;
mod survey;
mod translation;
mod versions;

use super::check::Check;

pub use movement::{LEVEL_CHANGE, POSITION};
pub use peaks::TRUE_PEAK;

/// All groups, in the order in which findings of equal weight are told: damage first, then format,
/// sound, ends, metadata, name, then what is heard and compared.
pub const GROUPS: &[&[Check]] = &[
    integrity::CHECKS,
    format::CHECKS,
    loudness::CHECKS,
    peaks::CHECKS,
    channels::CHECKS,
    edges::CHECKS,
    names::CHECKS,
    stated::CHECKS,
    defect::CHECKS,
    provenance::CHECKS,
    translation::CHECKS,
    immersive_container::CHECKS,
    immersive_metadata::CHECKS,
    immersive_content::CHECKS,
    immersive_tracks::CHECKS,
    immersive_figures::CHECKS,
    movement::CHECKS,
    versions::CHECKS,
    remains::CHECKS,
];
