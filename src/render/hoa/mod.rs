//! Decoding matrices of scene-based (HOA) packs (ITU-R BS.2127-1, clause 9).
//!
//! In: orders, degrees and normalisation of the channels, in any order and any subset. Out: one row
//! of gains per full-range loudspeaker. AllRAD: the components are decoded to the 5200 points of a
//! spherical design, each of which the point panner plays, and the whole is scaled to unit mean
//! power. screenRef and nfcRefDist change nothing here. Knows nothing of blocks, gains or time.
//!
//! The design is exact for polynomials up to degree 100, so that the mean power over the sphere of a
//! matrix for orders up to 50 is the sum of its squares in the N3D normalisation.

mod harmonics;
#[cfg(test)]
mod tests;

use std::f64::consts::FRAC_1_SQRT_2;
use std::str::FromStr;
use std::sync::Arc;

use super::direct_speakers::PointPanner;
use super::speakers::SpeakerLayout;

/// Orders above this are refused: half the degree of the design.
pub const MAX_ORDER: i32 = 50;

/// The highest order of the FuMa normalisation (BS.2076-2, clause 5.4.3.4).
const MAX_FUMA_ORDER: i32 = 3;

/// One channel of a scene.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Component {
    pub order: i32,
    /// Minus order to order.
    pub degree: i32,
}

/// How the components of a scene are scaled.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Normalization {
    #[default]
    Sn3d,
    N3d,
    FuMa,
}

/// Why there is no decoder for some channels.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HoaError {
    #[error("order {0} is not between 0 and {MAX_ORDER}")]
    Order(i32),
    #[error("degree {degree} is not between -{order} and {order}, the order of its channel")]
    Degree { order: i32, degree: i32 },
    #[error("the FuMa normalization ends at order {MAX_FUMA_ORDER}, the channel has order {0}")]
    FuMaOrder(i32),
    #[error("{0:?} is no normalization: one is SN3D, N3D or FuMa")]
    Normalization(String),
}

impl FromStr for Normalization {
    type Err = HoaError;

    fn from_str(text: &str) -> Result<Self, HoaError> {
        match text.trim() {
            "SN3D" => Ok(Self::Sn3d),
            "N3D" => Ok(Self::N3d),
            "FuMa" => Ok(Self::FuMa),
            other => Err(HoaError::Normalization(other.to_owned())),
        }
    }
}

impl Normalization {
    /// A component in N3D divided by the same one in this normalisation.
    fn to_n3d(self, component: Component) -> f64 {
        let sn3d = f64::from(2 * component.order + 1).sqrt();
        match self {
            Self::Sn3d => sn3d,
            Self::N3d => 1.0,
            Self::FuMa => sn3d / fuma(component),
        }
    }
}

/// A component in FuMa divided by the same one in SN3D: FuMa scales each one's maximum to 1,
/// but for order 0 (BS.2076-2, clause 5.4.3.4).
fn fuma(component: Component) -> f64 {
    match (component.order, component.degree.abs()) {
        (0, _) => FRAC_1_SQRT_2,
        (2, 1 | 2) => 2.0 / 3.0_f64.sqrt(),
        (3, 1) => (45.0_f64 / 32.0).sqrt(),
        (3, 2) => 3.0 / 5.0_f64.sqrt(),
        (3, 3) => (8.0_f64 / 5.0).sqrt(),
        _ => 1.0,
    }
}

/// Gains from the channels of a scene to the full-range loudspeakers of a layout.
#[derive(Clone, Debug, PartialEq)]
pub struct DecoderMatrix {
    channels: usize,
    /// `[loudspeaker][channel]`
    gains: Vec<f64>,
}

impl DecoderMatrix {
    /// How many loudspeakers: the full-range ones of the layout, in output order.
    pub fn speakers(&self) -> usize {
        self.gains.len().checked_div(self.channels).unwrap_or(0)
    }

    pub fn channels(&self) -> usize {
        self.channels
    }

    /// One gain per channel of the scene.
    pub fn row(&self, speaker: usize) -> &[f64] {
        &self.gains[speaker * self.channels..][..self.channels]
    }
}

/// The decoders of one layout; each is computed once.
pub struct HoaDecoders {
    panner: Arc<dyn PointPanner>,
    speakers: usize,
    points: Vec<[f64; 3]>,
    /// `[loudspeaker][point]`, made when the first decoder is asked for.
    panned: Vec<f64>,
    known: Vec<(Vec<Component>, Normalization, Arc<DecoderMatrix>)>,
}

impl HoaDecoders {
    pub fn new(layout: &SpeakerLayout, panner: Arc<dyn PointPanner>) -> Self {
        Self {
            panner,
            speakers: layout.full_range().len(),
            points: Vec::new(),
            panned: Vec::new(),
            known: Vec::new(),
        }
    }

    /// The matrix for channels in this order and normalisation.
    pub fn decoder(
        &mut self,
        components: &[Component],
        normalization: Normalization,
    ) -> Result<Arc<DecoderMatrix>, HoaError> {
        let known = self
            .known
            .iter()
            .find(|(channels, scaled, _)| channels == components && *scaled == normalization);
        if let Some((_, _, matrix)) = known {
            return Ok(Arc::clone(matrix));
        }
        for &component in components {
            check(component, normalization)?;
        }
        let matrix = Arc::new(self.design(components, normalization));
        let kept = Arc::clone(&matrix);
        self.known.push((components.to_vec(), normalization, kept));
        Ok(matrix)
    }

    fn design(&mut self, components: &[Component], normalization: Normalization) -> DecoderMatrix {
        self.pan_points();
        let channels = components.len();
        let points = self.points.len();
        let mut gains = vec![0.0; self.speakers * channels];
        let mut values = vec![0.0; points];
        for (channel, component) in components.iter().enumerate() {
            harmonics::n3d(component.order, component.degree, &self.points, &mut values);
            for (speaker, panned) in self.panned.chunks_exact(points).enumerate() {
                let sum: f64 = panned.iter().zip(&values).map(|(g, y)| g * y).sum();
                gains[speaker * channels + channel] = sum;
            }
        }
        let length = gains.iter().map(|gain| gain * gain).sum::<f64>().sqrt();
        let scale = if length > 0.0 { 1.0 / length } else { 0.0 };
        for row in gains.chunks_exact_mut(channels.max(1)) {
            for (gain, &component) in row.iter_mut().zip(components) {
                *gain *= scale * normalization.to_n3d(component);
            }
        }
        DecoderMatrix { channels, gains }
    }

    fn pan_points(&mut self) {
        if !self.points.is_empty() {
            return;
        }
        self.points = harmonics::design_points();
        let points = self.points.len();
        self.panned = vec![0.0; self.speakers * points];
        let mut gains = vec![0.0; self.speakers];
        for (index, &point) in self.points.iter().enumerate() {
            self.panner.pan(point, &mut gains);
            for (speaker, &gain) in gains.iter().enumerate() {
                self.panned[speaker * points + index] = gain;
            }
        }
    }
}

/// Whether a decoder can be made of such a channel.
pub fn check(component: Component, normalization: Normalization) -> Result<(), HoaError> {
    let Component { order, degree } = component;
    if !(0..=MAX_ORDER).contains(&order) {
        return Err(HoaError::Order(order));
    }
    if !(-order..=order).contains(&degree) {
        return Err(HoaError::Degree { order, degree });
    }
    if normalization == Normalization::FuMa && order > MAX_FUMA_ORDER {
        return Err(HoaError::FuMaOrder(order));
    }
    Ok(())
}
