//! The panner for polar positions: a direction in, one gain for each loudspeaker out
//! (ITU-R BS.2127-1, clause 6.1).
//!
//! All geometry is done once, when the panner is made for a layout; panning itself allocates
//! nothing and cannot fail. Low-frequency loudspeakers are not counted: gain n is that of
//! loudspeaker `SpeakerLayout::full_range()[n]`. Knows nothing of objects, blocks or samples.

pub mod extent;
mod hull;
pub mod lock;
mod regions;
pub mod zones;

use crate::layout::Label;
use crate::render::geometry::{Vector, cart, direction, dot};
use crate::render::speakers::{Speaker, SpeakerLayout};
use regions::{Corner, Region, normalise};

/// Why there is no panner for a set of loudspeakers.
#[derive(Clone, Debug, thiserror::Error, PartialEq, Eq)]
pub enum NoPanner {
    #[error("loudspeaker {0} has no place")]
    NoPlace(Label),
    #[error("the loudspeakers of {0} do not stand around the listener")]
    NotAround(String),
    #[error("the loudspeakers of {0} leave a gap that no panning rule is made for")]
    Gap(String),
}

/// Pans directions between the loudspeakers of one layout.
#[derive(Clone, Debug)]
pub struct PolarPanner {
    outputs: usize,
    method: Method,
}

#[derive(Clone, Debug)]
enum Method {
    Regions(Surround),
    /// 0+2+0: panned to 0+5+0 and mixed down.
    Stereo(Surround),
}

/// Nominal layers above and below the middle one: elevation, from, to (clause 6.1.3.1).
const LAYERS: [(f64, f64, f64); 2] = [(-30.0, -70.0, -10.0), (30.0, 10.0, 70.0)];
/// How far beyond a layer's own azimuths no loudspeaker of the middle layer is copied to it.
const LAYER_REACH: f64 = 40.0;

impl PolarPanner {
    /// The panner of a layout; its low-frequency loudspeakers are passed over.
    pub fn new(layout: &SpeakerLayout) -> Result<Self, NoPanner> {
        let speakers: Vec<&Speaker> = layout.speakers.iter().filter(|s| !s.is_lfe).collect();
        for speaker in &speakers {
            if !(speaker.azimuth.is_finite() && speaker.elevation.is_finite()) {
                return Err(NoPanner::NoPlace(speaker.label.clone()));
            }
        }
        let labels: Vec<&str> = speakers.iter().map(|s| s.label.as_str()).collect();
        let method = if labels == ["M+030", "M-030"] {
            let surround =
                SpeakerLayout::named("0+5+0").ok_or_else(|| NoPanner::NotAround("0+5+0".into()))?;
            let surround: Vec<&Speaker> = surround.speakers.iter().filter(|s| !s.is_lfe).collect();
            Method::Stereo(Surround::new("0+5+0", &surround)?)
        } else {
            Method::Regions(Surround::new(layout.name, &speakers)?)
        };
        Ok(Self {
            outputs: speakers.len(),
            method,
        })
    }

    /// How many gains there are.
    pub fn len(&self) -> usize {
        self.outputs
    }

    pub fn is_empty(&self) -> bool {
        self.outputs == 0
    }

    /// Writes the gains for a direction of any length to the first [`Self::len`] places of
    /// `out`. A vector without direction is taken as straight ahead.
    ///
    /// Their power is 1, but for 0+2+0: there it falls to one half behind the listener.
    ///
    /// # Panics
    ///
    /// When `out` is too short.
    pub fn gains(&self, towards: Vector, out: &mut [f64]) {
        let out = &mut out[..self.outputs];
        match &self.method {
            Method::Regions(surround) => surround.gains(direction(towards), out),
            Method::Stereo(surround) => {
                let mut five = [0.0; 5];
                surround.gains(direction(towards), &mut five);
                let two = stereo(five);
                out.copy_from_slice(&two);
            }
        }
    }
}

/// Mixes the gains of 0+5+0 down to 0+2+0 (clause 6.1.2.4): as in ITU-R BS.775, but the centre
/// keeps its place rather than its power; then the power is put right, 0 dB in front, -3 dB behind.
fn stereo([left, right, centre, back_left, back_right]: [f64; 5]) -> [f64; 2] {
    let to_front = 3_f64.sqrt() / 3.0;
    let to_back = 0.5_f64.sqrt();
    let mut two = [
        left + to_front * centre + to_back * back_left,
        right + to_front * centre + to_back * back_right,
    ];
    normalise(&mut two);
    let front = left.max(right).max(centre);
    let back = back_left.max(back_right);
    let level = (-0.5 * back / (front + back)).exp2();
    two.map(|gain| gain * level)
}

/// The regions of a layout that surrounds the listener.
#[derive(Clone, Debug)]
struct Surround {
    regions: Vec<Region>,
    positions: Vec<Vector>,
}

impl Surround {
    fn new(name: &str, speakers: &[&Speaker]) -> Result<Self, NoPanner> {
        let real = speakers.iter().enumerate().map(|(output, speaker)| Corner {
            position: cart(speaker.azimuth, speaker.elevation, 1.0),
            output,
        });
        let mut corners: Vec<Corner> = real.collect();
        let positions: Vec<Vector> = corners.iter().map(|corner| corner.position).collect();
        corners.extend(copies_of_the_middle_layer(speakers));

        // Below is always a virtual loudspeaker; above, none where one may hang there already.
        let mut virtual_ones: Vec<Vector> = vec![[0.0, 0.0, -1.0]];
        let above = |s: &&Speaker| ["T+000", "UH+180"].contains(&s.label.as_str());
        if !speakers.iter().any(above) {
            virtual_ones.push([0.0, 0.0, 1.0]);
        }
        let mut points: Vec<Vector> = corners.iter().map(|corner| corner.position).collect();
        points.extend(&virtual_ones);
        let facets = hull::facets(&points);
        if facets.is_empty() {
            return Err(NoPanner::NotAround(name.into()));
        }

        let gap = || NoPanner::Gap(name.into());
        let is_virtual = |index: &usize| *index >= corners.len();
        let mut regions = Vec::new();
        for (n, &centre) in virtual_ones.iter().enumerate() {
            let centre_index = corners.len() + n;
            let mut ring: Vec<usize> = facets
                .iter()
                .filter(|facet| facet.contains(&centre_index))
                .flatten()
                .copied()
                .filter(|&index| index != centre_index)
                .collect();
            ring.sort_unstable();
            ring.dedup();
            if ring.iter().any(is_virtual) {
                return Err(gap());
            }
            let ring: Vec<Corner> = ring.into_iter().map(|index| corners[index]).collect();
            regions.push(Region::around(centre, &ring).ok_or_else(gap)?);
        }
        for facet in &facets {
            if facet.iter().any(is_virtual) {
                continue;
            }
            let facet: Vec<Corner> = facet.iter().map(|&index| corners[index]).collect();
            regions.push(Region::facet(&facet).ok_or_else(gap)?);
        }
        Ok(Self { regions, positions })
    }

    /// `towards` is a unit vector.
    fn gains(&self, towards: Vector, out: &mut [f64]) {
        out.fill(0.0);
        if !self.regions.iter().any(|region| region.pan(towards, out)) {
            // The regions overlap by a hair and cover the sphere; if rounding ever opened a
            // gap between two, the loudspeaker next to it is what both would have played.
            let near = |&n: &usize| dot(self.positions[n], towards);
            let nearest = (0..self.positions.len()).max_by(|a, b| near(a).total_cmp(&near(b)));
            if let Some(nearest) = nearest {
                out[nearest] = 1.0;
            }
        }
        normalise(out);
    }
}

/// Loudspeakers of the middle layer, copied to the layers above and below where these have none
/// near; what a copy plays comes out of the original (clause 6.1.3.1).
fn copies_of_the_middle_layer(speakers: &[&Speaker]) -> Vec<Corner> {
    let mut copies = Vec::new();
    for (elevation, from, to) in LAYERS {
        let layer = speakers
            .iter()
            .filter(|speaker| (from..=to).contains(&speaker.elevation));
        let widest = layer
            .map(|speaker| speaker.azimuth.abs())
            .reduce(f64::max)
            .map_or(0.0, |widest| widest + LAYER_REACH);
        for (output, speaker) in speakers.iter().enumerate() {
            if speaker.elevation.abs() <= 10.0 && speaker.azimuth.abs() >= widest - 1e-5 {
                copies.push(Corner {
                    position: cart(speaker.azimuth, elevation, 1.0),
                    output,
                });
            }
        }
    }
    copies
}
