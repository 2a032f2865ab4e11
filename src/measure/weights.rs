//! Loudness weights by loudspeaker direction.

use crate::layout::Label;

/// Weight of a channel in the loudness sum.
///
/// 1.41 (the standard's figure, not the square root of 2) where the loudspeaker stands below 30
/// degrees of elevation and between 60 and 120 degrees to either side, 1 elsewhere, 0 for a
/// low-frequency channel. Source: ITU-R BS.1770-5, Annex 3, Table 4; Annex 1 leaves LFE out.
pub fn loudness_weight(label: &Label) -> f64 {
    match label.position_deg() {
        None => 0.0,
        Some((azimuth, elevation)) => {
            let beside = (60.0..=120.0).contains(&azimuth.abs());
            if elevation.abs() < 30.0 && beside {
                1.41
            } else {
                1.0
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // ITU-R BS.1770-5, Annex 3, Tables 4 and 5: the channels of 5.1, 7.1.4 and 22.2.
    #[test]
    fn only_loudspeakers_beside_the_listener_at_ear_height_weigh_more() {
        for (label, weight) in [
            ("M+030", 1.0),
            ("M+000", 1.0),
            ("M+060", 1.41),
            ("M-090", 1.41),
            ("M+110", 1.41),
            ("M-135", 1.0),
            ("M+180", 1.0),
            ("U+090", 1.0),
            ("U+110", 1.0),
            ("B+045", 1.0),
            ("T+000", 1.0),
            ("LFE1", 0.0),
            ("LFE2", 0.0),
        ] {
            assert_eq!(loudness_weight(&label.parse().unwrap()), weight, "{label}");
        }
    }
}
