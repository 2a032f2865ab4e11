//! The loudspeakers of a layout with the places that the panners need (ITU-R BS.2051).
//!
//! In: a layout's name. Out: labels in output order with nominal positions. Real positions are
//! the nominal ones: weighbridge renders for a measurement, not for a room.

use crate::layout::{self, Label};

pub use crate::layout::RENDERABLE;

/// One loudspeaker of a layout.
#[derive(Clone, Debug, PartialEq)]
pub struct Speaker {
    pub label: Label,
    /// Degrees, left positive; meaningless for a low-frequency loudspeaker.
    pub azimuth: f64,
    /// Degrees, up positive.
    pub elevation: f64,
    pub is_lfe: bool,
}

/// A layout that can be rendered to.
#[derive(Clone, Debug, PartialEq)]
pub struct SpeakerLayout {
    /// The BS.2051 name, `4+7+0`.
    pub name: &'static str,
    /// In output order, low-frequency loudspeakers among them.
    pub speakers: Vec<Speaker>,
}

impl SpeakerLayout {
    /// The layout of that BS.2051 name or name of the trade (`5.1`); `None` when it is
    /// none of [`RENDERABLE`].
    pub fn named(name: &str) -> Option<Self> {
        let layout = layout::by_name(name)?;
        if !RENDERABLE.contains(&layout.name) {
            return None;
        }
        let speakers = layout.labels().into_iter().map(|label| {
            // A place for an LFE that no panner uses.
            let (azimuth, elevation) = label.position_deg().unwrap_or((45.0, -30.0));
            Speaker {
                is_lfe: label.is_lfe(),
                label,
                azimuth,
                elevation,
            }
        });
        Some(Self {
            name: layout.name,
            speakers: speakers.collect(),
        })
    }

    pub fn len(&self) -> usize {
        self.speakers.len()
    }

    pub fn is_empty(&self) -> bool {
        self.speakers.is_empty()
    }

    pub fn index_of(&self, label: &str) -> Option<usize> {
        self.speakers
            .iter()
            .position(|speaker| speaker.label.as_str() == label)
    }

    /// Output indices of the loudspeakers that are no LFE, in order.
    pub fn full_range(&self) -> Vec<usize> {
        (0..self.len())
            .filter(|&index| !self.speakers[index].is_lfe)
            .collect()
    }
}
