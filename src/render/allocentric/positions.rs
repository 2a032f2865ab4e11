//! Where the loudspeakers of BS.2051 stand in the allocentric cube.
//!
//! X is right, Y front, Z up; the walls are at -1 and 1. A label has one place in every layout.

use crate::render::speakers::Speaker;

/// Source: ITU-R BS.2127-1, clause 11 (allocentric loudspeaker positions); the figures are those
/// of the reference renderer's table (ear 2.1.0, BSD-3-Clause-Clear), which has no other place for a
/// label in any of its layouts.
///
/// `M+SC` and `M-SC` stand where the conversion of clause 10 puts 15 degrees, the azimuth that
/// `crate::layout` gives them: half way from the centre to the corner.
const POSITIONS: [(&str, [f64; 3]); 33] = [
    ("M+000", [0.0, 1.0, 0.0]),
    ("M+SC", [-0.5, 1.0, 0.0]),
    ("M-SC", [0.5, 1.0, 0.0]),
    ("M+030", [-1.0, 1.0, 0.0]),
    ("M-030", [1.0, 1.0, 0.0]),
    ("M+060", [-1.0, 0.414214, 0.0]),
    ("M-060", [1.0, 0.414214, 0.0]),
    ("M+090", [-1.0, 0.0, 0.0]),
    ("M-090", [1.0, 0.0, 0.0]),
    ("M+110", [-1.0, -1.0, 0.0]),
    ("M-110", [1.0, -1.0, 0.0]),
    ("M+135", [-1.0, -1.0, 0.0]),
    ("M-135", [1.0, -1.0, 0.0]),
    ("M+180", [0.0, -1.0, 0.0]),
    ("U+000", [0.0, 1.0, 1.0]),
    ("U+030", [-1.0, 1.0, 1.0]),
    ("U-030", [1.0, 1.0, 1.0]),
    ("U+045", [-1.0, 1.0, 1.0]),
    ("U-045", [1.0, 1.0, 1.0]),
    ("U+090", [-1.0, 0.0, 1.0]),
    ("U-090", [1.0, 0.0, 1.0]),
    ("U+110", [-1.0, -1.0, 1.0]),
    ("U-110", [1.0, -1.0, 1.0]),
    ("U+135", [-1.0, -1.0, 1.0]),
    ("U-135", [1.0, -1.0, 1.0]),
    ("U+180", [0.0, -1.0, 1.0]),
    ("UH+180", [0.0, -1.0, 1.0]),
    ("T+000", [0.0, 0.0, 1.0]),
    ("B+000", [0.0, 1.0, -1.0]),
    ("B+045", [-1.0, 1.0, -1.0]),
    ("B-045", [1.0, 1.0, -1.0]),
    ("LFE1", [-1.0, 1.0, -1.0]),
    ("LFE2", [1.0, 1.0, -1.0]),
];

/// The allocentric position of a loudspeaker.
///
/// A label that no layout of BS.2051 has stands where its nominal direction meets the cube's wall
/// (own choice).
pub fn position_of(speaker: &Speaker) -> [f64; 3] {
    let known = POSITIONS
        .iter()
        .find(|(label, _)| *label == speaker.label.as_str());
    if let Some((_, position)) = known {
        return *position;
    }
    let (azimuth, elevation) = (speaker.azimuth.to_radians(), speaker.elevation.to_radians());
    let direction = [
        -azimuth.sin() * elevation.cos(),
        azimuth.cos() * elevation.cos(),
        elevation.sin(),
    ];
    let longest = direction.iter().fold(0.0_f64, |max, x| max.max(x.abs()));
    direction.map(|x| x / longest)
}
