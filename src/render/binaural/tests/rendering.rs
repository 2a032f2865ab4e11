//! Ears hear what a plain convolution says, in time, and whole.

use proptest::prelude::*;

use super::super::{BinauralError, BinauralRenderer, HeadSet};
use super::{dummy_head, invented_ears, noise, packed, plain};
use crate::render::speakers::SpeakerLayout;
use crate::units::Hertz;

fn layout(name: &str) -> SpeakerLayout {
    SpeakerLayout::named(name).unwrap()
}

fn renderer(set: &HeadSet, name: &str, rate: u32) -> BinauralRenderer {
    BinauralRenderer::new(set, &layout(name), Hertz::new(rate).unwrap()).unwrap()
}

/// Noise for every loudspeaker of a layout, the low-frequency ones too.
fn noises(name: &str, length: usize) -> Vec<Vec<f64>> {
    let count = layout(name).len() as u64;
    (0..count).map(|seed| noise(seed + 1, length)).collect()
}

fn blocks_of(signals: &[Vec<f64>], from: usize, to: usize) -> Vec<&[f64]> {
    signals.iter().map(|signal| &signal[from..to]).collect()
}

fn rendered(renderer: &mut BinauralRenderer, signals: &[Vec<f64>]) -> [Vec<f64>; 2] {
    let mut ears = [Vec::new(), Vec::new()];
    renderer.process(&blocks_of(signals, 0, signals[0].len()), &mut ears);
    renderer.finish(&mut ears);
    ears
}

/// One loudspeaker plays an impulse in the middle of a second.
fn impulse(set: &HeadSet, name: &str, label: &str, rate: u32) -> [Vec<f64>; 2] {
    let layout = layout(name);
    let mut signals = vec![vec![0.0; rate as usize]; layout.len()];
    signals[layout.index_of(label).unwrap()][rate as usize / 2] = 1.0;
    rendered(&mut renderer(set, name, rate), &signals)
}

/// By the definition of convolution, cut to the length of the signal.
fn convolved(signal: &[f64], taps: &[f64], into: &mut [f64]) {
    for (at, out) in into.iter_mut().enumerate() {
        let heard = taps.iter().take(at + 1).enumerate();
        *out += heard.map(|(k, tap)| tap * signal[at - k]).sum::<f64>();
    }
}

fn farthest(a: &[f64], b: &[f64]) -> f64 {
    assert_eq!(a.len(), b.len());
    a.iter()
        .zip(b)
        .fold(0.0, |most, (a, b)| most.max((a - b).abs()))
}

#[test]
fn ears_hear_the_sum_of_plain_convolutions_and_nothing_of_the_lfe() {
    let set = plain();
    let layout = layout("4+7+0");
    let signals = noises("4+7+0", 5000);
    let mut renderer = renderer(&set, "4+7+0", 48_000);
    let gain = 10_f64.powf(renderer.facts().gain_db / 20.0);
    let mut expected = [vec![0.0; 5000], vec![0.0; 5000]];
    for (speaker, signal) in layout.speakers.iter().zip(&signals) {
        if speaker.is_lfe {
            continue;
        }
        let responses = invented_ears(speaker.azimuth as i64, speaker.elevation as i64);
        for (response, ear) in responses.iter().zip(&mut expected) {
            let loud: Vec<f64> = response.iter().map(|tap| tap * gain).collect();
            convolved(signal, &loud, ear);
        }
    }
    let ears = rendered(&mut renderer, &signals);
    for (ear, expected) in ears.iter().zip(&expected) {
        let error = farthest(ear, expected);
        assert!(error < 1e-11, "{error:e}");
    }
    let facts = renderer.facts();
    assert_eq!(facts.left_out, ["LFE1".parse().unwrap()]);
    assert_eq!(facts.layout, "4+7+0");
    assert!(facts.largest_angle_deg < 1e-6);
}

/// The delays of the file, one with half a sample: a sine's phase tells them.
#[test]
fn an_ear_that_hears_later_in_the_file_hears_later() {
    let set = packed();
    let ears = impulse(&set, "0+2+0", "M+030", 48_000);
    let gain = 10_f64.powf(renderer(&set, "0+2+0", 48_000).facts().gain_db / 20.0);
    let responses = invented_ears(30, 0);
    for ((ear, response), delay) in ears.iter().zip(&responses).zip([3.0, 12.5]) {
        for hz in [500.0, 4000.0, 15_000.0] {
            let turn = std::f64::consts::TAU * hz / 48_000.0;
            let sum = |taps: &[f64], from: f64| {
                taps.iter().enumerate().fold((0.0, 0.0), |sum, (k, tap)| {
                    let (sine, cosine) = (turn * (k as f64 - from)).sin_cos();
                    (sum.0 + tap * cosine, sum.1 - tap * sine)
                })
            };
            let found = sum(ear, 24_000.0 + delay);
            let expected = sum(response, 0.0);
            let error = (found.0 - gain * expected.0).hypot(found.1 - gain * expected.1);
            assert!(error < 1e-4, "{hz} Hz: {error:e}");
        }
    }
}

#[test]
fn the_output_is_as_long_as_the_input_and_starts_with_it() {
    for (set, rate) in [(plain(), 48_000), (plain(), 44_100), (packed(), 96_000)] {
        for length in [0, 1, 7, 1023, 1024, 1025, 9000] {
            let mut renderer = renderer(&set, "4+7+0", rate);
            let ears = rendered(&mut renderer, &noises("4+7+0", length));
            assert_eq!(ears.map(|ear| ear.len()), [length, length]);
        }
    }
}

#[test]
fn a_renderer_is_as_new_after_finishing() {
    let mut renderer = renderer(&packed(), "4+7+0", 44_100);
    let signals = noises("4+7+0", 3000);
    let first = rendered(&mut renderer, &signals);
    assert_eq!(rendered(&mut renderer, &signals), first);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn any_cut_into_blocks_gives_the_same_bits(
        cuts in prop::collection::vec(0..6000_usize, 0..12),
        resampled in any::<bool>(),
    ) {
        let rate = if resampled { 44_100 } else { 48_000 };
        let signals = noises("4+7+0", 6000);
        let whole = rendered(&mut renderer(&plain(), "4+7+0", rate), &signals);
        let mut cuts = cuts;
        cuts.extend([0, 6000]);
        cuts.sort_unstable();
        let mut renderer = renderer(&plain(), "4+7+0", rate);
        let mut ears = [Vec::new(), Vec::new()];
        for pair in cuts.windows(2) {
            renderer.process(&blocks_of(&signals, pair[0], pair[1]), &mut ears);
        }
        renderer.finish(&mut ears);
        for (ear, whole) in ears.iter().zip(&whole) {
            prop_assert!(ear.iter().map(|v| v.to_bits()).eq(whole.iter().map(|v| v.to_bits())));
        }
    }
}

#[test]
fn silence_between_sounds_is_the_same_as_no_short_cut() {
    // Blocks of silence cost no transform; the tail of what was before them must still be heard.
    let mut signals = noises("4+7+0", 9000);
    for signal in &mut signals {
        signal[1000..7000].fill(0.0);
    }
    let set = plain();
    let ears = rendered(&mut renderer(&set, "4+7+0", 96_000), &signals);
    let mut early = signals.clone();
    let mut late = signals;
    early.iter_mut().for_each(|signal| signal[7000..].fill(0.0));
    late.iter_mut().for_each(|signal| signal[..1000].fill(0.0));
    let early = rendered(&mut renderer(&set, "4+7+0", 96_000), &early);
    let late = rendered(&mut renderer(&set, "4+7+0", 96_000), &late);
    for ear in 0..2 {
        let sum: Vec<f64> = early[ear]
            .iter()
            .zip(&late[ear])
            .map(|(a, b)| a + b)
            .collect();
        assert!(farthest(&ears[ear], &sum) < 1e-12);
    }
    assert!(ears[0][3000..6000].iter().all(|v| v.abs() < 1e-12));
}

#[test]
fn a_mirrored_sound_is_heard_by_the_other_ear() {
    for set in [Some(plain()), Some(packed()), dummy_head()]
        .into_iter()
        .flatten()
    {
        let layout = layout("4+7+0");
        let signals = noises("4+7+0", 4000);
        let mirrored: Vec<Vec<f64>> = layout
            .speakers
            .iter()
            .map(|speaker| {
                let name = speaker.label.as_str();
                let other = match name {
                    "M+000" | "LFE1" => name.to_owned(),
                    _ if name.contains('+') => name.replace('+', "-"),
                    _ => name.replace('-', "+"),
                };
                signals[layout.index_of(&other).unwrap()].clone()
            })
            .collect();
        let [left, right] = rendered(&mut renderer(&set, "4+7+0", 48_000), &signals);
        let [mirrored_left, mirrored_right] =
            rendered(&mut renderer(&set, "4+7+0", 48_000), &mirrored);
        assert!(farthest(&left, &mirrored_right) < 1e-9);
        assert!(farthest(&right, &mirrored_left) < 1e-9);
        // And the two ears do not hear the same.
        assert!(farthest(&left, &right) > 0.1);
    }
}

/// R. S. Woodworth, Experimental Psychology, 1938, from memory: a sound from the side reaches the
/// far ear later by a / c (angle + sin angle), for a spherical head; a = 8.75 cm, c = 343 m/s.
#[test]
fn a_sound_from_the_side_reaches_the_far_ear_late_by_woodworths_formula() {
    let Some(set) = dummy_head() else { return };
    let side = std::f64::consts::FRAC_PI_2;
    let expected = 0.0875 / 343.0 * (side + side.sin());
    for rate in [44_100, 48_000, 96_000] {
        for (label, sign) in [("M+090", 1.0), ("M-090", -1.0)] {
            let [left, right] = impulse(&set, "4+7+0", label, rate).map(|ear| onset(&ear));
            let later = (right - left) / f64::from(rate) * sign;
            // 15 %: a dummy head is no sphere, and its ears lie behind its middle.
            assert!(
                (later / expected - 1.0).abs() < 0.15,
                "{label} at {rate}: {later}"
            );
            // The set's own onsets: 29 and 59 samples at 44.1 kHz after the impulse (the first
            // sample above 15 % of the peak, numpy 1.26.4 on what h5py 3.16.0 reads).
            let near = if sign > 0.0 { left } else { right };
            let after = (near / f64::from(rate) - 0.5) * 44_100.0;
            assert!((after - 28.5).abs() < 1.0, "{label} at {rate}: {after}");
        }
        let [left, right] = impulse(&set, "4+7+0", "M+000", rate).map(|ear| onset(&ear));
        assert!((left - right).abs() < 1e-6);
    }
}

/// Where a response first reaches 15 % of its peak, in samples and parts of one.
fn onset(response: &[f64]) -> f64 {
    let peak = response.iter().fold(0.0, |peak: f64, v| peak.max(v.abs()));
    let limit = 0.15 * peak;
    let first = response.iter().position(|v| v.abs() >= limit).unwrap();
    let (before, after) = (response[first - 1].abs(), response[first].abs());
    first as f64 - (after - limit) / (after - before)
}

/// Own choice of the room: pink noise from 500 Hz to 2 kHz from straight ahead, both ears together.
#[test]
fn the_front_is_as_loud_at_both_ears_together_as_its_loudspeaker() {
    for set in [Some(plain()), dummy_head()].into_iter().flatten() {
        for rate in [48_000, 96_000] {
            let ears = impulse(&set, "4+7+0", "M+000", rate);
            let (mut power, mut weight) = (0.0, 0.0);
            // Every hertz, in proportion to its pink power.
            for hz in 500..2000 {
                let turn = std::f64::consts::TAU * f64::from(hz) / f64::from(rate);
                let pink = 1.0 / f64::from(hz);
                weight += pink;
                for ear in &ears {
                    // A head and its resampling last less than 50 ms.
                    let heard = &ear[rate as usize / 2 - 1000..rate as usize / 2 + 4000];
                    let (re, im) = heard.iter().enumerate().fold((0.0, 0.0), |sum, (k, v)| {
                        let (sine, cosine) = (turn * k as f64).sin_cos();
                        (sum.0 + v * cosine, sum.1 + v * sine)
                    });
                    power += pink * (re * re + im * im);
                }
            }
            let level = 10.0 * (power / weight).log10();
            // 0.05 dB: the room takes 48 frequencies, this test 1500.
            assert!(level.abs() < 0.05, "{level} dB at {rate}");
        }
    }
}

#[test]
fn a_loudspeaker_far_from_every_measurement_is_named() {
    let refused = |name: &str, rate: u32| {
        BinauralRenderer::new(&plain(), &layout(name), Hertz::new(rate).unwrap()).err()
    };
    // Measured at 90 and 135 degrees, wanted at 110.
    let Some(BinauralError::NoDirection {
        label, nearest_deg, ..
    }) = refused("0+5+0", 48_000)
    else {
        panic!("0+5+0 was accepted");
    };
    assert_eq!(label.as_str(), "M+110");
    assert!((nearest_deg - 20.0).abs() < 1e-6);
    assert_eq!(refused("4+7+0", 4000), Some(BinauralError::Rate(4000)));
    assert_eq!(refused("4+7+0", 48_000), None);
}

#[test]
fn a_measured_head_has_a_direction_for_every_loudspeaker_of_4_7_0() {
    let Some(set) = dummy_head() else { return };
    let facts = renderer(&set, "4+7+0", 48_000).facts().clone();
    // Its grid is 5 degrees at the horizon and 6 at 30 degrees of elevation.
    assert!(facts.largest_angle_deg < 4.0, "{}", facts.largest_angle_deg);
    println!("{}", serde_json::to_string(&facts).unwrap());
}
