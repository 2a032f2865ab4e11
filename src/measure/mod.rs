//! Meters: every number and every place, no opinion.
//!
//! In: blocks of samples and the labels that say where each channel plays. Out: a
//! [`Measurements`]. Pure functions of samples: any cut into blocks gives the same result,
//! bit for bit. Knows no files and no limits.

mod dispatch;
mod edges;
mod full_scale;
mod hop;
pub mod immersive;
mod k_weighting;
mod loudness;
mod meters;
pub mod provenance;
pub mod signals;
mod spot;
mod true_peak;
mod types;
mod weights;

pub use immersive::{
    Fold, Immersive, ImmersiveMeters, ImmersiveOrder, ItemFacts, ItemKind, LfeFacts, Parts,
};
pub use meters::{Depth, MeterOrder, Meters};
pub use spot::{Spot, Spots};
pub use types::*;
pub use weights::loudness_weight;
