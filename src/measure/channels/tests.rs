//! What the house promises: every finding on the fault it names, and on nothing else.

use proptest::prelude::*;

use super::*;
use crate::layout;
use crate::measure::{Spot, Spots};

const RATE: u32 = 48_000;
const FRAMES: usize = 8 * RATE as usize;

fn noise(seed: u64, frames: usize) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    (0..frames)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            0.2 * ((state >> 33) as f64 / f64::from(1u32 << 30) - 1.0)
        })
        .collect()
}

/// White noise with 3 dB an octave taken off (the published three-pole approximation of pink
/// noise; from memory).
fn pink(seed: u64, frames: usize) -> Vec<f64> {
    let mut poles = [0.0; 3];
    let white = noise(seed, frames);
    let shape = |x: &f64| {
        for (pole, (a, g)) in poles.iter_mut().zip([
            (0.997_65, 0.099_046),
            (0.963, 0.296_516_4),
            (0.57, 1.052_691_3),
        ]) {
            *pole = a * *pole + g * x;
        }
        0.3 * (poles.iter().sum::<f64>() + 0.1848 * x)
    };
    white.iter().map(shape).collect()
}

/// A middle and two sides `wide` strong.
fn mix(seed: u64, wide: f64) -> [Vec<f64>; 2] {
    let middle = pink(seed, FRAMES);
    [seed + 100, seed + 200].map(|seed| {
        let side = pink(seed, FRAMES);
        middle
            .iter()
            .zip(&side)
            .map(|(m, s)| m + wide * s)
            .collect()
    })
}

fn measured(layout: &str, planes: &[Vec<f64>], cut: usize) -> ChannelFacts {
    labelled(&layout::by_name(layout).unwrap().labels(), planes, cut)
}

fn labelled(labels: &[Label], planes: &[Vec<f64>], cut: usize) -> ChannelFacts {
    let mut meter = ChannelMeter::new(Hertz::new(RATE).unwrap(), planes.len(), Some(labels));
    let frames = planes[0].len();
    for at in (0..frames).step_by(cut) {
        let block: Vec<&[f64]> = planes
            .iter()
            .map(|p| &p[at..(at + cut).min(frames)])
            .collect();
        meter.feed(&block);
    }
    meter.finish()
}

fn sure(spots: &Spots) -> Option<Spot> {
    spots
        .listed
        .iter()
        .copied()
        .find(|spot| spot.confidence >= Spot::SURE)
}

/// All findings by name.
fn by_name(facts: &ChannelFacts) -> [(&'static str, &Spots); 10] {
    [
        ("polarity", &facts.polarity),
        ("anti_phase", &facts.anti_phase),
        ("dual_mono", &facts.dual_mono),
        ("channel_delay", &facts.channel_delay),
        ("level_imbalance", &facts.level_imbalance),
        ("only_noise", &facts.only_noise),
        ("channel_order", &facts.channel_order),
        ("lfe_full_range", &facts.lfe_full_range),
        ("lfe_silent", &facts.lfe_silent),
        ("surround_swapped", &facts.surround_swapped),
    ]
}

/// Names of the findings that would be told to a person.
fn told(facts: &ChannelFacts) -> Vec<&'static str> {
    by_name(facts)
        .iter()
        .filter(|(_, spots)| sure(spots).is_some())
        .map(|(name, _)| *name)
        .collect()
}

fn late(samples: &[f64], by: usize) -> Vec<f64> {
    let mut late = vec![0.0; by];
    late.extend_from_slice(&samples[..samples.len() - by]);
    late
}

/// Second-order sections in a row, direct form: a low-pass that is not the meter's.
fn low_passed(samples: &[f64], hertz: f64, qualities: &[f64]) -> Vec<f64> {
    let mut out = samples.to_vec();
    for quality in qualities {
        let angle = std::f64::consts::TAU * hertz / f64::from(RATE);
        let alpha = angle.sin() / (2.0 * quality);
        let (cosine, a0) = (angle.cos(), 1.0 + alpha);
        let b = [(1.0 - cosine) / 2.0 / a0, (1.0 - cosine) / a0];
        let a = [-2.0 * cosine / a0, (1.0 - alpha) / a0];
        let [mut x1, mut x2, mut y1, mut y2] = [0.0; 4];
        for sample in &mut out {
            let x = *sample;
            let y = b[0] * x + b[1] * x1 + b[0] * x2 - a[0] * y1 - a[1] * y2;
            (x2, x1, y2, y1) = (x1, x, y1, y);
            *sample = y;
        }
    }
    out
}

#[test]
fn a_mix_with_a_middle_has_nothing_to_tell() {
    for wide in [0.1, 0.5, 1.0] {
        assert_eq!(
            told(&measured("2.0", &mix(1, wide), 4800)),
            [""; 0],
            "{wide}"
        );
    }
}

#[test]
fn two_unrelated_channels_have_nothing_to_tell() {
    let facts = measured("2.0", &[pink(1, FRAMES), pink(2, FRAMES)], 4800);
    assert_eq!(told(&facts), [""; 0]);
    assert!(facts.scalars.pairs[0].correlation.unwrap().abs() < 0.1);
}

#[test]
fn an_inverted_channel_is_told_and_its_return_is_not() {
    let [left, right] = mix(2, 0.2);
    let inverted: Vec<f64> = right.iter().map(|v| -v).collect();
    let facts = measured("2.0", &[left.clone(), inverted], 4800);
    assert_eq!(told(&facts), ["polarity"]);
    // A pair alone does not tell which one it is.
    let named: Vec<_> = facts.polarity.listed.iter().map(|s| s.channel).collect();
    assert_eq!(named, [Some(0), Some(1)]);
    let both: [Vec<f64>; 2] = [left, right].map(|side| side.iter().map(|v| -v).collect());
    assert_eq!(told(&measured("2.0", &both, 4800)), [""; 0]);
}

/// A middle with sides of its own strength times w: r = 1 / (1 + w^2).
#[test]
fn the_coefficient_is_that_of_the_definition() {
    let facts = measured("2.0", &mix(3, 0.5), 4800);
    let pair = &facts.scalars.pairs[0];
    assert!((pair.correlation.unwrap() - 0.8).abs() < 0.03, "{pair:?}");
    assert_eq!(pair.below_minus_half, Some(0.0));
}

#[test]
fn two_equal_channels_are_dual_mono_and_dither_makes_it_a_remark() {
    let one = pink(4, FRAMES);
    let facts = measured("2.0", &[one.clone(), one.clone()], 4800);
    assert_eq!(told(&facts), ["dual_mono"]);
    assert!(facts.scalars.pairs[0].identical);
    let mut other = one.clone();
    other
        .iter_mut()
        .zip(noise(5, FRAMES))
        .for_each(|(v, n)| *v += n * 1e-4);
    let facts = measured("2.0", &[one, other], 4800);
    assert_eq!(told(&facts), [""; 0]);
    assert!(facts.dual_mono.total == 1 && !facts.scalars.pairs[0].identical);
}

#[test]
fn a_channel_of_dither_holds_only_noise() {
    let quiet: Vec<f64> = noise(6, FRAMES).iter().map(|v| v * 1e-4).collect();
    let facts = measured("2.0", &[pink(7, FRAMES), quiet], 4800);
    assert_eq!(told(&facts), ["only_noise"]);
    assert_eq!(facts.only_noise.listed[0].channel, Some(1));
}

#[test]
fn a_gain_error_is_told_with_its_size_and_the_quieter_channel() {
    let [left, right] = mix(8, 0.15);
    let quieter: Vec<f64> = left.iter().map(|v| v * 10f64.powf(-3.0 / 20.0)).collect();
    let facts = measured("2.0", &[quieter, right], 4800);
    let spot = sure(&facts.level_imbalance).unwrap();
    assert_eq!(spot.channel, Some(0));
    assert!((spot.size - 3.0).abs() < 0.3, "{}", spot.size);
}

// Pink noise through a fourth-order low-pass at 120 Hz, a second-order one at 150 Hz, and through
// none: -61.3, -29.5 and +3.2 dB, computed with another program from the filters' formulas.
#[test]
fn a_low_frequency_channel_is_known_by_what_it_lacks() {
    let source = pink(9, 2 * FRAMES);
    let cases = [
        (low_passed(&source, 120.0, &[0.541_196, 1.306_563]), -61.3),
        (
            low_passed(&source, 150.0, &[std::f64::consts::FRAC_1_SQRT_2]),
            -29.5,
        ),
        (source.clone(), 3.2),
    ];
    for (samples, wanted) in cases {
        let zeros = vec![0.0; samples.len()];
        let facts = measured("2.0", &[samples, zeros], 4800);
        let read = facts.scalars.channels[0].high_less_low_db.unwrap();
        // The noise is pink to half a dB, its lowest octaves vary from stretch to stretch.
        assert!((read - wanted).abs() < 1.5, "{read} against {wanted}");
    }
}

/// L R C LFE Ls Rs with every channel its own.
fn surround() -> Vec<Vec<f64>> {
    let [left, right] = mix(10, 0.5);
    let [back_left, back_right] = mix(20, 0.7).map(|side| low_passed(&side, 6000.0, &[0.7]));
    let lfe = low_passed(&pink(30, FRAMES), 120.0, &[0.541_196, 1.306_563]);
    vec![left, right, pink(31, FRAMES), lfe, back_left, back_right]
}

#[test]
fn film_order_under_the_usual_labels_is_told() {
    let right = surround();
    assert_eq!(told(&measured("5.1", &right, 4800)), [""; 0]);
    let film: Vec<Vec<f64>> = [0, 2, 1, 4, 5, 3]
        .map(|index: usize| right[index].clone())
        .into();
    let facts = measured("5.1", &film, 4800);
    assert_eq!(told(&facts), ["channel_order"]);
    let order = facts.scalars.order.unwrap();
    assert_eq!(
        (order.labelled_lfe, order.looks_like_lfe),
        (vec![4], vec![6])
    );
    assert_eq!(order.fits_order.as_deref(), Some("L C R Ls Rs LFE"));
}

#[test]
fn a_full_range_lfe_and_a_silent_one_are_told() {
    let mut planes = surround();
    planes[3] = pink(32, FRAMES);
    assert_eq!(told(&measured("5.1", &planes, 4800)), ["lfe_full_range"]);
    planes[3].fill(0.0);
    let facts = measured("5.1", &planes, 4800);
    assert_eq!(told(&facts), ["lfe_silent"]);
    assert_eq!(facts.scalars.silent_channels, ["LFE1"]);
}

#[test]
fn a_stretch_of_opposite_sign_is_placed() {
    let [left, mut right] = mix(11, 0.2);
    let (from, to) = (FRAMES / 8, FRAMES);
    right[from..to].iter_mut().for_each(|v| *v = -*v);
    let facts = measured("2.0", &[left, right], 4800);
    let passage = facts
        .anti_phase
        .listed
        .first()
        .or(facts.polarity.listed.first())
        .unwrap();
    assert!(passage.end > to as u64 - 10_000 && passage.size < -0.5);
}

#[test]
fn silence_and_a_short_file_tell_nothing() {
    for frames in [0, 1, 100, 5000, FRAMES] {
        assert_eq!(
            told(&measured(
                "2.0",
                &[vec![0.0; frames], vec![0.0; frames]],
                4800
            )),
            [""; 0]
        );
    }
    assert_eq!(
        told(&measured("2.0", &[noise(1, 100), noise(2, 100)], 64)),
        [""; 0]
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(6))]

    #[test]
    fn any_cut_into_blocks_gives_the_same_facts(cut in 1usize..20_000) {
        let planes = mix(12, 0.4).map(|side| side[..60_000].to_vec());
        prop_assert_eq!(measured("2.0", &planes, cut), measured("2.0", &planes, 60_000));
    }

    #[test]
    fn a_late_channel_is_told_whichever_however_loud(
        by in 1usize..500, left_is_late: bool, gain in 0.1f64..1.0, inverted: bool
    ) {
        let [left, right] = mix(13, 0.2);
        let sign = if inverted { -gain } else { gain };
        let scaled = |side: &[f64]| -> Vec<f64> { side.iter().map(|v| v * sign).collect() };
        let planes = match left_is_late {
            true => [scaled(&late(&left, by)), scaled(&right)],
            false => [scaled(&left), scaled(&late(&right, by))],
        };
        let facts = measured("2.0", &planes, 4800);
        let spot = sure(&facts.channel_delay);
        prop_assert_eq!(spot.map(|s| s.size), Some(by as f64));
        prop_assert_eq!(spot.and_then(|s| s.channel), Some(usize::from(!left_is_late)));
        prop_assert_eq!(told(&facts), ["channel_delay"]);
    }
}

/// A fault of each kind that stands between channels, in 5.1 or in stereo, and what it is called.
#[derive(Clone, Copy, Debug)]
enum Fault {
    None,
    Inverted,
    Equal,
    Late,
    Quieter,
    LfeFull,
    LfeSilent,
    FilmOrder,
}

const FAULTS: [(Fault, &[&str]); 8] = [
    (Fault::None, &[]),
    (Fault::Inverted, &["polarity"]),
    (Fault::Equal, &["dual_mono"]),
    (Fault::Late, &["channel_delay"]),
    (Fault::Quieter, &["level_imbalance"]),
    (Fault::LfeFull, &["lfe_full_range"]),
    (Fault::LfeSilent, &["lfe_silent"]),
    (Fault::FilmOrder, &["channel_order"]),
];

/// L R C LFE Ls Rs with one fault in it.
fn faulty(fault: Fault) -> Vec<Vec<f64>> {
    let mut planes = surround();
    // Nearly mono in front, where a fault between both is one.
    let [left, right] = mix(40, 0.15);
    (planes[0], planes[1]) = (left, right);
    match fault {
        Fault::None => {}
        Fault::Inverted => planes[1].iter_mut().for_each(|v| *v = -*v),
        Fault::Equal => planes[1] = planes[0].clone(),
        Fault::Late => planes[1] = late(&planes[1], 24),
        Fault::Quieter => planes[1].iter_mut().for_each(|v| *v *= 0.7),
        Fault::LfeFull => planes[3] = pink(41, FRAMES),
        Fault::LfeSilent => planes[3].fill(0.0),
        Fault::FilmOrder => {
            planes = [0, 2, 1, 4, 5, 3]
                .map(|index: usize| planes[index].clone())
                .into();
        }
    }
    planes
}

/// What stands in a place, without its size, which the last bits may differ in: name, channel,
/// whether it is told.
fn findings(facts: &ChannelFacts, at: impl Fn(usize) -> usize) -> Vec<(&'static str, usize, bool)> {
    let mut all: Vec<_> = by_name(facts)
        .iter()
        .flat_map(|(name, spots)| {
            spots.listed.iter().map(|spot| {
                let channel = spot.channel.map_or(usize::MAX, &at);
                (*name, channel, spot.confidence >= Spot::SURE)
            })
        })
        .collect();
    all.sort_unstable();
    all
}

#[test]
fn each_fault_of_a_surround_file_is_told_under_its_own_name() {
    for (fault, wanted) in FAULTS {
        assert_eq!(
            told(&measured("5.1", &faulty(fault), 4800)),
            wanted,
            "{fault:?}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]

    // A gain on all channels, and all of them upside down.
    #[test]
    fn loudness_and_polarity_of_a_whole_file_change_no_finding(
        fault in 0usize..8, gain_db in -12.0f64..6.0, inverted: bool
    ) {
        let planes = faulty(FAULTS[fault].0);
        let gain = 10f64.powf(gain_db / 20.0) * if inverted { -1.0 } else { 1.0 };
        let scaled: Vec<Vec<f64>> = planes
            .iter()
            .map(|plane| plane.iter().map(|v| v * gain).collect())
            .collect();
        let same = |index: usize| index;
        prop_assert_eq!(
            findings(&measured("5.1", &scaled, 4800), same),
            findings(&measured("5.1", &planes, 4800), same)
        );
    }

    // Labels travel with their channels: the same findings, on the same channels.
    #[test]
    fn the_order_of_the_channels_permutes_the_findings(
        fault in 0usize..8, order in Just([0usize, 1, 2, 3, 4, 5]).prop_shuffle()
    ) {
        let planes = faulty(FAULTS[fault].0);
        let labels = layout::by_name("5.1").unwrap().labels();
        let moved: Vec<Vec<f64>> = order.iter().map(|&from| planes[from].clone()).collect();
        let moved_labels: Vec<Label> = order.iter().map(|&from| labels[from].clone()).collect();
        prop_assert_eq!(
            findings(&labelled(&moved_labels, &moved, 4800), |channel| order[channel]),
            findings(&labelled(&labels, &planes, 4800), |channel| channel)
        );
    }

    // Two seconds of grace: a window of 3 s looks before and after.
    #[test]
    fn a_passage_of_opposite_sign_is_found_where_it_was_put(from_s in 4usize..10, last_s in 7usize..10) {
        let [mut left, mut right] = mix(42, 0.2);
        // Three times as long, so that most of the file is sound.
        for side in [&mut left, &mut right] {
            let once = side.clone();
            side.extend_from_slice(&once);
            side.extend_from_slice(&once);
        }
        let (from, to) = (from_s * RATE as usize, (from_s + last_s) * RATE as usize);
        right[from..to].iter_mut().for_each(|v| *v = -*v);
        let facts = measured("2.0", &[left, right], 4800);
        prop_assert_eq!(facts.anti_phase.listed.len(), 1, "{:?}", facts.anti_phase);
        let spot = facts.anti_phase.listed[0];
        let grace = 2 * u64::from(RATE);
        prop_assert!(spot.start.abs_diff(from as u64) <= grace, "{:?}", spot);
        prop_assert!(spot.end.abs_diff(to as u64) <= grace, "{:?}", spot);
        prop_assert!(spot.size < -0.9);
    }
}
