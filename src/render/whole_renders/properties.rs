//! What holds for every master.

use proptest::prelude::*;

use super::master::{Master, block, cartesian, polar, timed};
use super::{Play, model_of, noise};
use crate::render::SpeakerLayout;
use crate::render::speakers::RENDERABLE;

fn energy(samples: &[f64]) -> f64 {
    samples.iter().map(|sample| sample * sample).sum()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// The programmes of data/reference.xml have ramps, filters, gaps and delays.
    #[test]
    fn the_size_of_the_blocks_changes_no_bit(
        programme in 0x1001..=0x100b_u32,
        layout in prop::sample::select(vec!["0+2+0", "0+5+0", "4+7+0"]),
        cuts in prop::collection::vec(prop_oneof![1..40_usize, 500..530_usize, 1..2000_usize], 1..6),
    ) {
        let model = model_of(include_str!("data/reference.xml"));
        let tracks: Vec<Vec<f64>> = (1..=9).map(|track| noise(track, 3000)).collect();
        let mut play = Play::new(&model, layout);
        play.choice.programme = Some(format!("APR_{programme:04x}"));
        play.cuts = &[3000];
        let whole = play.hear(&tracks).unwrap();
        play.cuts = &cuts;
        let cut = play.hear(&tracks).unwrap();
        let bits = |heard: &[Vec<f64>]| -> Vec<u64> {
            heard.iter().flatten().map(|sample| sample.to_bits()).collect()
        };
        prop_assert_eq!(bits(&whole), bits(&cut));
    }

    /// BS.2127-1, clause 7.3: gains of one block have the power 1; 0+2+0 is a down-mix with up
    /// to 3 dB less behind, and is left out.
    #[test]
    fn an_object_keeps_its_power_in_every_layout(
        layout in prop::sample::select(RENDERABLE[1..].to_vec()),
        azimuth in -180.0..180.0_f64,
        elevation in -90.0..90.0_f64,
        place in prop::array::uniform3(-1.0..1.0_f64),
        is_cartesian: bool,
        size in 0.0..1.0_f64,
        gain in 0.0..2.0_f64,
    ) {
        let extent = |most: f64| format!("<width>{0}</width><height>{0}</height>", size * most);
        let inside = match is_cartesian {
            true => cartesian(place) + &extent(1.0),
            false => polar(azimuth, elevation) + &extent(180.0),
        };
        let mut master = Master::new();
        let object = master.single("Objects", 1, &[block("", &format!("{inside}<gain>{gain}</gain>"))]);
        let model = master.of(&[&object]);
        let track = noise(1, 1000);
        let into = energy(&track) * gain * gain;
        let out: f64 =
            Play::new(&model, layout).hear(&[track]).unwrap().iter().map(|speaker| energy(speaker)).sum();
        prop_assert!((out - into).abs() <= 1e-9 * into, "{out} of {into}");
    }

    /// Every layout is symmetrical, and so are both panners; only the decorrelators are not.
    #[test]
    fn a_mirrored_master_is_heard_mirrored(
        layout in prop::sample::select(RENDERABLE.to_vec()),
        azimuths in prop::array::uniform4(-180.0..180.0_f64),
        elevation in -90.0..90.0_f64,
        place in prop::array::uniform3(-1.0..1.0_f64),
        size in 0.0..1.0_f64,
    ) {
        let render = |side: f64| {
            let mut master = Master::new();
            let steps = azimuths.iter().enumerate().map(|(index, azimuth)| {
                let width = format!("<width>{}</width><height>20</height>", 90.0 * size);
                block(&timed(0.003 * index as f64, 0.003), &(polar(side * azimuth, elevation) + &width))
            });
            let steps: Vec<String> = steps.collect();
            let walk = master.single("Objects", 1, &steps);
            let [x, y, z] = place;
            let inside = cartesian([side * x, y, z]) + &format!("<width>{size}</width>");
            let stand = master.single("Objects", 2, &[block("", &inside)]);
            let model = master.of(&[&walk, &stand]);
            Play::new(&model, layout).hear(&[noise(1, 600), noise(2, 600)]).unwrap()
        };
        let (heard, mirrored) = (render(1.0), render(-1.0));
        let speakers = SpeakerLayout::named(layout).unwrap().speakers;
        for (index, speaker) in speakers.iter().enumerate().filter(|(_, speaker)| !speaker.is_lfe) {
            let turned = (360.0 - speaker.azimuth).rem_euclid(360.0);
            let other = speakers.iter().position(|other| {
                !other.is_lfe
                    && other.elevation == speaker.elevation
                    && other.azimuth.rem_euclid(360.0) == turned
            });
            let other = other.expect("a layout has a loudspeaker on the other side");
            for (a, b) in heard[index].iter().zip(&mirrored[other]) {
                prop_assert!((a - b).abs() < 1e-9, "{}: {a}, {b}", speaker.label.as_str());
            }
        }
    }
}

/// The filters are all-passes of 512 taps: of a noise, all but the ends keeps its power within
/// the chance of how the two paths add up.
#[test]
fn a_diffuse_object_keeps_its_power() {
    for layout in ["0+5+0", "9+10+3"] {
        let mut master = Master::new();
        let inside = polar(30.0, 0.0) + "<diffuse>1</diffuse>";
        let object = master.single("Objects", 1, &[block("", &inside)]);
        let model = master.of(&[&object]);
        // Silence before and behind holds what rings on.
        let mut track = vec![0.0; 1024];
        track.extend(noise(1, 20_000));
        track.resize(22_048, 0.0);
        let into = energy(&track);
        let heard = Play::new(&model, layout).hear(&[track]).unwrap();
        let out: f64 = heard.iter().map(|speaker| energy(speaker)).sum();
        assert!((out / into - 1.0).abs() < 0.02, "{layout}: {out} of {into}");
    }
}
