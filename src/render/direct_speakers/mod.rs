//! Gains of DirectSpeakers channels on a layout (ITU-R BS.2127-1, clause 8).
//!
//! In: one block of a loudspeaker channel with its pack and frequency element. Out: one gain per
//! loudspeaker of the layout, low-frequency ones among them. Tried in this order:
//!
//! 1. the mapping rules, when the pack is one of the common definitions ([`rules`]);
//! 2. a loudspeaker of the same kind (low-frequency or not) that a label names ([`labels`]);
//! 3. the one nearest loudspeaker of the same kind within the position's bounds (`bounds`), after
//!    the position was moved to the screen's edges;
//! 4. the point panner, polar or allocentric by the position's coordinates; for a low-frequency channel
//!    `LFE1`, and silence where the layout has none.
//!
//! A channel is a low-frequency one by its frequency element (low pass at 200 Hz or below, no
//! high pass) or by a label. The reference renderer of BS.2127 (ear 2.1.0) does not know the
//! labels of the trade: it plays a channel labelled `RC_LFE` without a frequency element over its
//! full range from the front left. We take the label at its word.
//!
//! The point panner for directions and the screen are handed in; knows nothing of their geometry.

mod bounds;
pub mod labels;
pub mod rules;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use self::bounds::{Place, Target};
use super::allocentric::AllocentricPanner;
use super::point::SpeakerPoint;
use super::speakers::SpeakerLayout;
use crate::adm::block::{ScreenEdgeLock, SpeakerBlock};
use crate::adm::model::Frequency;

/// Low passes up to here make a low-frequency channel, in Hz (BS.2127-1, clause 8.2).
const LFE_LOW_PASS: f64 = 200.0;

/// A panner of point sources at a direction from the listener.
pub trait PointPanner: Send + Sync {
    /// Writes one gain per full-range loudspeaker; `direction` need not be of unit length.
    fn pan(&self, direction: [f64; 3], out: &mut [f64]);
}

/// Moves positions to the edges of the reproduction screen.
pub trait EdgeLock: Send + Sync {
    /// `position` is a direction times a distance, or a place in the cube when `cartesian`.
    fn lock(&self, position: [f64; 3], lock: ScreenEdgeLock, cartesian: bool) -> [f64; 3];
}

/// The gains of loudspeaker channels on one layout.
#[derive(Clone)]
pub struct SpeakerGainCalculator {
    layout: SpeakerLayout,
    targets: Vec<Target>,
    full_range: Vec<usize>,
    panner: Arc<dyn PointPanner>,
    edges: Arc<dyn EdgeLock>,
    allocentric: AllocentricPanner,
    /// Gains of the full-range loudspeakers.
    panned: Vec<f64>,
}

impl SpeakerGainCalculator {
    pub fn new(
        layout: &SpeakerLayout,
        panner: Arc<dyn PointPanner>,
        edges: Arc<dyn EdgeLock>,
    ) -> Self {
        let full_range = layout.full_range();
        Self {
            targets: layout.speakers.iter().map(Target::new).collect(),
            panned: vec![0.0; full_range.len()],
            full_range,
            panner,
            edges,
            allocentric: AllocentricPanner::new(layout),
            layout: layout.clone(),
        }
    }

    /// Gains of `point`, one per loudspeaker of the layout; `out` is overwritten.
    pub fn gains(&mut self, point: &SpeakerPoint, out: &mut Vec<f64>) {
        out.clear();
        out.resize(self.layout.len(), 0.0);
        let is_lfe = is_lfe(&point.frequency, &point.block.labels);
        if let Some(gains) = self.by_rule(point) {
            for (speaker, gain) in gains {
                out[speaker] = gain * point.gain;
            }
        } else if let Some(speaker) = self.named(&point.block.labels, is_lfe) {
            out[speaker] = point.gain;
        } else {
            self.place(point.block, is_lfe, out);
            for gain in out {
                *gain *= point.gain;
            }
        }
    }

    fn by_rule(&self, point: &SpeakerPoint) -> Option<Vec<(usize, f64)>> {
        let input = rules::layout_of_pack(point.pack_id?)?;
        let label = labels::bs2051(point.block.labels.first()?);
        rules::gains(input, label, &self.layout)
    }

    /// The loudspeaker that a label names; the first label that names one counts.
    fn named(&self, labels: &[String], is_lfe: bool) -> Option<usize> {
        labels
            .iter()
            .flat_map(|label| labels::loudspeakers(label))
            .filter_map(|label| self.layout.index_of(label))
            .find(|&speaker| self.layout.speakers[speaker].is_lfe == is_lfe)
    }

    fn place(&mut self, block: &SpeakerBlock, is_lfe: bool, out: &mut [f64]) {
        let mut place = Place::of(&block.position);
        if block.screen_edge_lock != ScreenEdgeLock::default() {
            let lock = block.screen_edge_lock;
            place.move_to(self.edges.lock(place.vector(), lock, place.cartesian()));
        }
        let layout = &self.layout;
        let same_kind = |speaker: usize| layout.speakers[speaker].is_lfe == is_lfe;
        if let Some(speaker) = place.nearest_within_bounds(&self.targets, same_kind) {
            out[speaker] = 1.0;
        } else if is_lfe {
            // Both low-frequency channels of 9+10+3 go to the one of a smaller layout.
            if let Some(speaker) = self.layout.index_of("LFE1") {
                out[speaker] = 1.0;
            }
        } else {
            let at = place.vector();
            if place.cartesian() {
                self.allocentric.pan(at, [0.0; 3], &[], &mut self.panned);
            } else {
                self.panner.pan(at, &mut self.panned);
            }
            for (&speaker, &gain) in self.full_range.iter().zip(&self.panned) {
                out[speaker] = gain;
            }
        }
    }
}

/// Is this a low-frequency channel, by its frequency element or by a label?
pub fn is_lfe(frequency: &Frequency, labels: &[String]) -> bool {
    is_lfe_by_frequency(frequency) || labels.iter().any(|label| labels::is_lfe(label))
}

/// Is this a low-frequency channel by its frequency element (BS.2127-1, clause 8.2)?
pub fn is_lfe_by_frequency(frequency: &Frequency) -> bool {
    frequency
        .low_pass
        .is_some_and(|hertz| hertz <= LFE_LOW_PASS)
        && frequency.high_pass.is_none()
}
