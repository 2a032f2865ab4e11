//! DirectSpeakers against the reference renderer of BS.2127 (ear 2.1.0), and the labels on which
//! we differ from it.

use std::sync::atomic::{AtomicUsize, Ordering};

use serde_json::Value;

use super::*;
use crate::adm::block::{Bounded, HorizontalEdge, SpeakerPosition};
use crate::adm::model::Screen;
use crate::render::speakers::RENDERABLE;

/// Counts how often it is asked, and plays nothing.
#[derive(Default)]
struct Silent(AtomicUsize);

impl PointPanner for Silent {
    fn pan(&self, _: [f64; 3], out: &mut [f64]) {
        self.0.fetch_add(1, Ordering::Relaxed);
        out.fill(0.0);
    }
}

/// A screen whose edges are 29 degrees to the side and whatever up and down.
struct Wide;

impl EdgeLock for Wide {
    fn lock(&self, position: [f64; 3], lock: ScreenEdgeLock, cartesian: bool) -> [f64; 3] {
        assert!(!cartesian);
        let azimuth = match lock.horizontal {
            Some(HorizontalEdge::Left) => 29.0_f64.to_radians(),
            Some(HorizontalEdge::Right) => -29.0_f64.to_radians(),
            None => return position,
        };
        [-azimuth.sin(), azimuth.cos(), 0.0]
    }
}

fn bounded(value: f64) -> Bounded {
    Bounded {
        value,
        ..Bounded::default()
    }
}

fn polar(azimuth: f64, elevation: f64) -> SpeakerPosition {
    SpeakerPosition::Polar {
        azimuth: bounded(azimuth),
        elevation: bounded(elevation),
        distance: bounded(1.0),
    }
}

fn cartesian([x, y, z]: [f64; 3]) -> SpeakerPosition {
    SpeakerPosition::Cartesian {
        x: bounded(x),
        y: bounded(y),
        z: bounded(z),
    }
}

fn block(labels: &[&str], position: SpeakerPosition) -> SpeakerBlock {
    SpeakerBlock {
        time: Default::default(),
        number: 1,
        labels: labels.iter().map(|&label| label.to_owned()).collect(),
        position,
        screen_edge_lock: ScreenEdgeLock::default(),
        gain: 1.0,
        importance: 10,
    }
}

fn calculator(layout: &str, panner: Arc<dyn PointPanner>) -> SpeakerGainCalculator {
    let layout = SpeakerLayout::named(layout).unwrap();
    SpeakerGainCalculator::new(&layout, panner, Arc::new(Wide))
}

fn gains_with(
    calculator: &mut SpeakerGainCalculator,
    block: &SpeakerBlock,
    pack_id: Option<&str>,
    low_pass: Option<f64>,
) -> Vec<f64> {
    let mut out = vec![7.0; 3];
    let point = SpeakerPoint {
        block,
        gain: 1.0,
        pack_id,
        frequency: Frequency {
            low_pass,
            high_pass: None,
        },
        reference_screen: &Screen::default(),
    };
    calculator.gains(&point, &mut out);
    out
}

/// The labels of the loudspeakers that play.
fn heard(layout: &str, block: &SpeakerBlock) -> Vec<String> {
    let mut calculator = calculator(layout, Arc::<Silent>::default());
    let gains = gains_with(&mut calculator, block, None, None);
    let speakers = calculator.layout.speakers.iter().zip(gains);
    let playing = speakers.filter(|(_, gain)| *gain != 0.0);
    playing
        .map(|(speaker, _)| speaker.label.to_string())
        .collect()
}

fn block_of(json: &Value) -> SpeakerBlock {
    let number = |value: &Value| value.as_f64();
    let coordinate = |key: &str| {
        let bounds = &json["bounds"][key];
        number(&json["position"][key]).map(|value| Bounded {
            value,
            min: number(&bounds[0]),
            max: number(&bounds[1]),
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
    let labels = json["labels"].as_array().unwrap();
    let labels: Vec<&str> = labels.iter().map(|label| label.as_str().unwrap()).collect();
    block(&labels, position)
}

/// `gains.json`, nine digits; entry s084 (`RC_LFE` without a frequency element) is the one on
/// which we differ. Channels that come to the point panner for directions are not compared here.
#[test]
fn loudspeaker_channels_have_the_gains_of_the_reference() {
    let Some(path) = crate::adm::reference("immersive/gains.json") else {
        return;
    };
    let reference: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
    let (mut compared, mut panned) = (0, 0);
    for (name, _) in reference["layouts"].as_object().unwrap() {
        let panner = Arc::<Silent>::default();
        let mut calculator = calculator(name, panner.clone());
        for channel in reference["direct_speakers"].as_array().unwrap() {
            if channel["id"] == "s084" {
                continue;
            }
            let block = block_of(channel);
            let pack = channel["pack"].as_str();
            let asked = panner.0.load(Ordering::Relaxed);
            let low_pass = channel["lowPass"].as_f64();
            let gains = gains_with(&mut calculator, &block, pack, low_pass);
            if panner.0.load(Ordering::Relaxed) != asked {
                panned += 1;
                continue;
            }
            let expected = channel["gains"][name].as_array().unwrap();
            assert_eq!(gains.len(), expected.len());
            for (gain, expected) in gains.iter().zip(expected) {
                let deviation = (gain - expected.as_f64().unwrap()).abs();
                assert!(deviation < 1e-9, "{name} {}: {gains:?}", channel["id"]);
            }
            compared += 1;
        }
    }
    println!("{compared} compared, {panned} left to the point panner");
    assert_eq!(compared + panned, 116 * 6);
    assert!(panned < 80);
}

/// The reference renderer of BS.2127 (ear 2.1.0) plays this channel from the front left.
#[test]
fn an_lfe_that_only_its_label_marks_is_never_heard_from_the_front() {
    for name in RENDERABLE {
        let expected: &[&str] = if name == "0+2+0" { &[] } else { &["LFE1"] };
        for label in [
            "RC_LFE",
            "LFE",
            "LFEL",
            "LFE1",
            "urn:itu:bs:2051:0:speaker:LFE",
        ] {
            assert_eq!(
                heard(name, &block(&[label], cartesian([-1.0, 1.0, -1.0]))),
                expected
            );
            assert_eq!(heard(name, &block(&[label], polar(10.0, 5.0))), expected);
        }
    }
}

/// common practice, no source: the ten channels of a 7.1.2 bed with the trade's labels and places.
#[test]
fn a_bed_of_the_trade_is_mapped_by_its_labels_and_places() {
    let bed = [
        ("RC_L", [-1.0, 1.0, 0.0]),
        ("RC_R", [1.0, 1.0, 0.0]),
        ("RC_C", [0.0, 1.0, 0.0]),
        ("RC_LFE", [-1.0, 1.0, -1.0]),
        ("RC_Lss", [-1.0, 0.0, 0.0]),
        ("RC_Rss", [1.0, 0.0, 0.0]),
        ("RC_Lrs", [-1.0, -1.0, 0.0]),
        ("RC_Rrs", [1.0, -1.0, 0.0]),
        ("RC_Lts", [-1.0, 0.0, 1.0]),
        ("RC_Rts", [1.0, 0.0, 1.0]),
    ];
    let on = |layout: &str| {
        bed.map(|(label, at)| heard(layout, &block(&[label], cartesian(at))).join(" "))
    };
    let side = ["M+090", "M-090", "M+135", "M-135"];
    assert_eq!(
        on("9+10+3"),
        [
            "M+030", "M-030", "M+000", "LFE1", side[0], side[1], side[2], side[3], "U+090", "U-090"
        ]
    );
    let (left, right) = ("U+045 U+135", "U-045 U-135");
    assert_eq!(
        on("4+7+0"),
        [
            "M+030", "M-030", "M+000", "LFE1", side[0], side[1], side[2], side[3], left, right
        ]
    );
    let (left, right) = ("M+030 M+110", "M-030 M-110");
    assert_eq!(
        on("0+5+0"),
        [
            "M+030", "M-030", "M+000", "LFE1", left, right, "M+110", "M-110", left, right
        ]
    );
}

#[test]
fn a_label_outranks_a_place_and_the_first_label_the_second() {
    let somewhere = polar(10.0, 5.0);
    assert_eq!(heard("0+5+0", &block(&["M-110"], somewhere)), ["M-110"]);
    assert_eq!(
        heard("0+5+0", &block(&["M+090", "M+110", "M+000"], somewhere)),
        ["M+110"]
    );
    assert_eq!(
        heard("4+7+0", &block(&["RC_Lss", "M+000"], somewhere)),
        ["M+090"]
    );
}

#[test]
fn a_locked_channel_is_placed_at_the_edge_of_the_screen() {
    let mut locked = block(&[], polar(80.0, 0.0));
    locked.screen_edge_lock.horizontal = Some(HorizontalEdge::Right);
    if let SpeakerPosition::Polar { azimuth, .. } = &mut locked.position {
        azimuth.min = Some(-40.0);
        azimuth.max = Some(-5.0);
    }
    assert_eq!(heard("0+5+0", &locked), ["M-030"]);
}

/// The rules of ITU-R BS.2127-1, clause 8.3, keep the power but for the surrounds that 0+2+0 takes
/// 3 dB down; a loudspeaker without a rule is there under its own label.
#[test]
fn the_rules_keep_the_power_on_every_layout_but_stereo() {
    for name in RENDERABLE.iter().filter(|name| **name != "0+2+0") {
        let layout = SpeakerLayout::named(name).unwrap();
        let largest = SpeakerLayout::named("9+10+3").unwrap();
        for speaker in largest.speakers.iter().filter(|speaker| !speaker.is_lfe) {
            let label = speaker.label.as_str();
            let Some(gains) = rules::gains("9+10+3", label, &layout) else {
                assert!(layout.index_of(label).is_some(), "{name} {label}");
                continue;
            };
            let power: f64 = gains.iter().map(|(_, gain)| gain * gain).sum();
            assert!((power - 1.0).abs() < 1e-15, "{name} {}", speaker.label);
        }
    }
}

#[test]
fn the_rules_mirror_left_and_right() {
    for name in RENDERABLE {
        let layout = SpeakerLayout::named(name).unwrap();
        for speaker in &SpeakerLayout::named("9+10+3").unwrap().speakers {
            let label = speaker.label.as_str();
            let labelled = |label: &str| {
                let gains = rules::gains("9+10+3", label, &layout).unwrap_or_default();
                let named = |(index, gain): (usize, f64)| {
                    (layout.speakers[index].label.to_string(), gain.to_bits())
                };
                gains.into_iter().map(named).collect::<Vec<_>>()
            };
            let mirror = labelled(&rules::mirrored(label));
            let mut back: Vec<_> = mirror
                .into_iter()
                .map(|(label, gain)| (rules::mirrored(&label), gain))
                .collect();
            let mut straight = labelled(label);
            back.sort();
            straight.sort();
            assert_eq!(straight, back, "{name} {label}");
        }
    }
}

#[test]
fn packs_of_a_file_have_no_rules() {
    assert_eq!(rules::layout_of_pack("AP_00010009"), Some("9+10+3"));
    assert_eq!(rules::layout_of_pack("AP_0001000C"), Some("0+5+0"));
    for no_rules in [
        "AP_00010016",
        "AP_00011001",
        "AP_10001",
        "",
        "AC_00010001",
        "AP_é0010001",
    ] {
        assert_eq!(rules::layout_of_pack(no_rules), None);
    }
}

#[test]
fn odd_numbers_make_no_panic() {
    let odd = [f64::NAN, f64::INFINITY, -1e300, 0.0];
    for name in ["0+2+0", "9+10+3"] {
        let mut calculator = calculator(name, Arc::<Silent>::default());
        for x in odd {
            for y in odd {
                for position in [polar(x, y), cartesian([x, y, x])] {
                    let gains = gains_with(&mut calculator, &block(&[], position), None, Some(x));
                    assert!(gains.iter().all(|gain| gain.is_finite()));
                }
            }
        }
    }
}

#[test]
fn a_frequency_element_makes_an_lfe_only_without_a_high_pass() {
    let frequency = |low_pass, high_pass| Frequency {
        low_pass,
        high_pass,
    };
    assert!(is_lfe_by_frequency(&frequency(Some(120.0), None)));
    assert!(is_lfe_by_frequency(&frequency(Some(200.0), None)));
    assert!(!is_lfe_by_frequency(&frequency(Some(200.1), None)));
    assert!(!is_lfe_by_frequency(&frequency(Some(120.0), Some(20.0))));
    assert!(!is_lfe_by_frequency(&frequency(None, None)));
}
