//! Gains of a plain bed, a file of channels without metadata, on another layout.
//!
//! In: the labels of the channels. Out: what ITU-R BS.2127-1, clause 8, gives them as
//! loudspeaker channels: by the mapping rules where the common definitions of ITU-R BS.2094 have
//! a pack of that layout, else by their nominal places.

use std::sync::Arc;

use super::direct_speakers::{SpeakerGainCalculator, rules};
use super::point::SpeakerPoint;
use super::polar::PolarPanner;
use super::screen::ScreenHandler;
use super::{RenderError, SpeakerLayout};
use crate::adm::block::{Bounded, ScreenEdgeLock, SpeakerBlock, SpeakerPosition};
use crate::adm::model::{Frequency, Screen};
use crate::layout::{self, Label};

/// One row a channel, one gain a loudspeaker of `to`.
///
/// # Errors
/// Where there is no panner for `to`.
pub fn bed_gains(labels: &[Label], to: &SpeakerLayout) -> Result<Vec<Vec<f64>>, RenderError> {
    let panner = Arc::new(PolarPanner::new(to)?);
    let edges = Arc::new(ScreenHandler::new(to));
    let mut calculator = SpeakerGainCalculator::new(to, panner, edges);
    let pack = layout::name_of(labels).and_then(rules::pack_of_layout);
    let rows = labels.iter().map(|label| {
        // A low-frequency channel has no place; none is asked for.
        let (azimuth, elevation) = label.position_deg().unwrap_or_default();
        let at = |value: f64| Bounded {
            value,
            ..Bounded::default()
        };
        let block = SpeakerBlock {
            time: Default::default(),
            number: 1,
            labels: vec![label.to_string()],
            position: SpeakerPosition::Polar {
                azimuth: at(azimuth),
                elevation: at(elevation),
                distance: at(1.0),
            },
            screen_edge_lock: ScreenEdgeLock::default(),
            gain: 1.0,
            importance: 10,
        };
        let mut row = Vec::new();
        let point = SpeakerPoint {
            block: &block,
            gain: 1.0,
            pack_id: pack.as_deref(),
            frequency: Frequency {
                low_pass: label.is_lfe().then_some(120.0),
                high_pass: None,
            },
            reference_screen: &Screen::default(),
        };
        calculator.gains(&point, &mut row);
        row
    });
    Ok(rows.collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folded(name: &str) -> Vec<(String, [f64; 2])> {
        let labels = layout::by_name(name).unwrap().labels();
        let stereo = SpeakerLayout::named("0+2+0").unwrap();
        let gains = bed_gains(&labels, &stereo).unwrap();
        let pairs = labels.iter().zip(&gains);
        pairs
            .map(|(label, row)| (label.to_string(), [row[0], row[1]]))
            .collect()
    }

    fn near(label: &str, read: [f64; 2], wanted: [f64; 2]) {
        for (read, wanted) in read.into_iter().zip(wanted) {
            assert!((read - wanted).abs() < 1e-6, "{label}: {read} for {wanted}");
        }
    }

    /// ear 2.1.0, the reference renderer of BS.2127, on the packs of BS.2094 (`gains.json` of the
    /// outside references): 7.1.4 goes by the rules, 7.1.2 has none and goes by its places.
    #[test]
    fn wide_beds_fold_to_stereo_by_the_gains_of_the_reference() {
        let half = std::f64::consts::FRAC_1_SQRT_2;
        for (label, read) in folded("7.1.4") {
            let wanted = match label.as_str() {
                "M+030" | "U+045" => [1.0, 0.0],
                "M-030" | "U-045" => [0.0, 1.0],
                "M+000" => [half, half],
                "LFE1" => [0.0, 0.0],
                "M+090" | "M+135" | "U+135" => [half, 0.0],
                _ => [0.0, half],
            };
            near(&label, read, wanted);
        }
        for (label, read) in folded("7.1.2") {
            let wanted = match label.as_str() {
                "M+030" => [1.0, 0.0],
                "M-030" => [0.0, 1.0],
                "M+000" => [half, half],
                "LFE1" => [0.0, 0.0],
                "M+090" | "U+090" => [0.78000717, 0.0],
                "M-090" | "U-090" => [0.0, 0.78000717],
                "M+135" => [0.640856382, 0.298836239],
                _ => [0.298836239, 0.640856382],
            };
            near(&label, read, wanted);
        }
    }

    /// All packs of the references that are folded to stereo; skipped without them.
    #[test]
    fn beds_with_a_common_definition_have_the_gains_of_the_reference() {
        let Some(path) = crate::adm::reference("immersive/gains.json") else {
            return;
        };
        let reference: serde_json::Value =
            serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
        let mut compared = 0;
        for (pack, name) in [
            ("AP_00010003", "5.1"),
            ("AP_00010004", "5.1.2"),
            ("AP_00010005", "5.1.4"),
            ("AP_00010017", "7.1.4"),
            ("AP_00010009", "22.2"),
        ] {
            let ours = folded(name);
            for channel in reference["direct_speakers"].as_array().unwrap() {
                let urn = channel["labels"][0].as_str().unwrap_or_default();
                let label = match urn.rsplit(':').next().unwrap() {
                    "LFE" | "LFEL" => "LFE1",
                    "LFER" => "LFE2",
                    label => label,
                };
                if channel["pack"] != pack {
                    continue;
                }
                let (_, read) = ours.iter().find(|(ours, _)| ours == label).unwrap();
                let wanted = &channel["gains"]["0+2+0"];
                let wanted = [0, 1].map(|side| wanted[side].as_f64().unwrap());
                near(&format!("{name} {label}"), *read, wanted);
                compared += 1;
            }
        }
        assert_eq!(compared, 60);
    }

    #[test]
    fn every_bed_of_the_trade_folds_and_its_sides_mirror_each_other() {
        for layout in layout::LAYOUTS {
            let ours = folded(layout.name);
            for (label, [left, right]) in &ours {
                let lfe = label.starts_with("LFE");
                let power = left * left + right * right;
                assert!(lfe == (power == 0.0), "{} {label}: {power}", layout.name);
                let mirrored = rules::mirrored(label);
                if let Some((_, other)) = ours.iter().find(|(label, _)| *label == mirrored) {
                    near(label, [*left, *right], [other[1], other[0]]);
                }
            }
        }
    }
}
