//! Loudspeaker channels and scenes with the panner of directions, against `gains.json` of the
//! references: the reference renderer of BS.2127 (ear 2.1.0), nine digits.

use std::sync::Arc;

use serde_json::Value;

use crate::adm::block::{Bounded, ScreenEdgeLock, SpeakerBlock, SpeakerPosition};
use crate::adm::model::{Frequency, Screen};
use crate::adm::reference;
use crate::render::direct_speakers::SpeakerGainCalculator;
use crate::render::hoa::{Component, HoaDecoders, Normalization};
use crate::render::point::SpeakerPoint;
use crate::render::polar::PolarPanner;
use crate::render::screen::ScreenHandler;
use crate::render::speakers::SpeakerLayout;

/// Nine digits of gains up to 1.
const DIGITS: f64 = 1e-9;

fn gains_file() -> Option<Value> {
    let path = reference("immersive/gains.json")?;
    Some(serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap())
}

fn block_of(channel: &Value) -> SpeakerBlock {
    let coordinate = |key: &str| {
        let bounds = &channel["bounds"][key];
        Some(Bounded {
            value: channel["position"][key].as_f64()?,
            min: bounds[0].as_f64(),
            max: bounds[1].as_f64(),
        })
    };
    let position = match coordinate("X") {
        Some(x) => SpeakerPosition::Cartesian {
            x,
            y: coordinate("Y").unwrap(),
            z: coordinate("Z").unwrap(),
        },
        None => SpeakerPosition::Polar {
            azimuth: coordinate("azimuth").unwrap(),
            elevation: coordinate("elevation").unwrap(),
            distance: coordinate("distance").unwrap(),
        },
    };
    let labels = channel["labels"].as_array().unwrap().iter();
    SpeakerBlock {
        time: Default::default(),
        number: 1,
        labels: labels
            .map(|label| label.as_str().unwrap().to_owned())
            .collect(),
        position,
        screen_edge_lock: ScreenEdgeLock::default(),
        gain: 1.0,
        importance: 10,
    }
}

/// All but s084, `RC_LFE` without a frequency element: the reference renderer plays it over its full
/// range from the front left, we take the label at its word.
#[test]
fn loudspeaker_channels_have_the_gains_of_the_reference_renderer() {
    let Some(file) = gains_file() else { return };
    let mut differ = Vec::new();
    for name in file["layouts"].as_object().unwrap().keys() {
        let layout = SpeakerLayout::named(name).unwrap();
        let panner = Arc::new(PolarPanner::new(&layout).unwrap());
        let screen = Arc::new(ScreenHandler::new(&layout));
        let mut calculator = SpeakerGainCalculator::new(&layout, panner, screen);
        let mut gains = Vec::new();
        for channel in file["direct_speakers"].as_array().unwrap() {
            let point = SpeakerPoint {
                block: &block_of(channel),
                gain: 1.0,
                pack_id: channel["pack"].as_str(),
                frequency: Frequency {
                    low_pass: channel["lowPass"].as_f64(),
                    high_pass: None,
                },
                reference_screen: &Screen::default(),
            };
            calculator.gains(&point, &mut gains);
            let expected = channel["gains"][name].as_array().unwrap();
            assert_eq!(gains.len(), expected.len());
            let same = |(gain, expected): (&f64, &Value)| {
                (gain - expected.as_f64().unwrap()).abs() < DIGITS
            };
            if !gains.iter().zip(expected).all(same) {
                differ.push((name.as_str(), channel["id"].as_str().unwrap()));
            }
        }
    }
    let layouts = ["0+2+0", "0+5+0", "2+5+0", "4+5+0", "4+7+0", "9+10+3"];
    assert_eq!(differ, layouts.map(|name| (name, "s084")));
}

#[test]
fn scenes_have_the_decoders_of_the_reference_renderer() {
    let Some(file) = gains_file() else { return };
    let mut compared = 0;
    for (name, orders) in file["hoa_sn3d"].as_object().unwrap() {
        let layout = SpeakerLayout::named(name).unwrap();
        let panner = Arc::new(PolarPanner::new(&layout).unwrap());
        let mut decoders = HoaDecoders::new(&layout, panner);
        for (top, expected) in orders.as_object().unwrap() {
            let degrees =
                |order: i32| (-order..=order).map(move |degree| Component { order, degree });
            let components: Vec<Component> = (0..=top.parse().unwrap()).flat_map(degrees).collect();
            let matrix = decoders.decoder(&components, Normalization::Sn3d).unwrap();
            assert_eq!(expected.as_array().unwrap().len(), matrix.speakers());
            for (speaker, row) in expected.as_array().unwrap().iter().enumerate() {
                for (gain, expected) in matrix.row(speaker).iter().zip(row.as_array().unwrap()) {
                    let deviation = (gain - expected.as_f64().unwrap()).abs();
                    assert!(deviation < DIGITS, "{name} {top} {speaker}: {deviation}");
                    compared += 1;
                }
            }
        }
    }
    assert_eq!(compared, (2 + 5 + 7 + 9 + 11 + 22) * (4 + 9 + 16));
}
