//! What the gain calculators are asked: one moment of an object or of a loudspeaker channel.
//!
//! These types are the border between the timeline (which block is heard when) and the panners
//! (which gains a block has on a layout); they borrow the model and own nothing.

use crate::adm::block::{ObjectTraits, SpeakerBlock};
use crate::adm::model::{Frequency, Screen};

/// One object block as the gain calculator sees it (ITU-R BS.2127-1, clause 7.3).
#[derive(Clone, Copy, Debug)]
pub struct ObjectPoint<'a> {
    /// With the object's positionOffset already added. Azimuth, elevation, distance or X, Y, Z.
    pub position: [f64; 3],
    /// Block gain times object gain, 0 when muted; linear.
    pub gain: f64,
    pub traits: &'a ObjectTraits,
    /// The programme's screen (the reproduction screen is the default one).
    pub reference_screen: &'a Screen,
    /// absoluteDistance of the pack, metres.
    pub absolute_distance: Option<f64>,
    /// `Model::revision()`: decides the default azimuthRange of divergence (45 up to 1, 0 from 2).
    pub revision: u32,
}

/// Gains of one block on a layout, one per loudspeaker, low-frequency ones included and 0.
#[derive(Clone, Debug, PartialEq)]
pub struct ObjectGains {
    pub direct: Vec<f64>,
    pub diffuse: Vec<f64>,
}

/// One block of a DirectSpeakers channel (ITU-R BS.2127-1, clause 8).
#[derive(Clone, Copy, Debug)]
pub struct SpeakerPoint<'a> {
    pub block: &'a SpeakerBlock,
    /// Block gain times object gain, 0 when muted; linear.
    pub gain: f64,
    /// The id of the innermost pack that holds the channel, as written
    /// (`AP_00010003` of the common definitions makes the mapping rules apply).
    pub pack_id: Option<&'a str>,
    pub frequency: Frequency,
    pub reference_screen: &'a Screen,
}
