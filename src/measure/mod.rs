//! Meters: every number and every place, no opinion.
//!
//! In: blocks of samples and the labels that say where each channel plays. Out: a
//! [`Measurements`]. Pure functions of samples: any cut into blocks gives the same result,
//! bit for bit. Knows no files and no limits.

pub mod channels;
mod clipping;
pub mod defects;
mod dispatch;
mod edges;
mod ends;
mod floor;
mod full_scale;
mod hazard;
mod headroom;
mod hop;
pub mod immersive;
mod k_weighting;
mod loudness;
mod meters;
pub mod provenance;
pub mod signals;
mod silences;
mod spot;
mod stretches;
pub mod survey;
pub mod translation;
mod true_peak;
mod types;
mod weights;

pub use floor::FloorFacts;
pub use hazard::{HazardFacts, HighBands, HighLevel, Loud, LoudKind};
pub use headroom::{Headroom, headroom};
pub use immersive::{
    BedChannels, Content, Disguise, Duplicate, ElsewhereMeters, Fold, Immersive, ImmersiveMeters,
    ImmersiveOrder, ItemFacts, ItemKind, LfeFacts, NoBeds, Parts, SilentTwin, Unheard,
};
pub use meters::{Depth, MeterOrder, Meters};
pub use spot::{Spot, Spots};
pub use survey::{
    Clicks, Defects, Ends, Survey, SurveyFigures, SurveyMeters, SurveyOrder, SurveyWants,
};
pub use types::*;
pub use weights::loudness_weight;
