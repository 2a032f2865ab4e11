//! What the house promises of direct current.

use proptest::prelude::*;

use super::super::testing::{chord, cut};
use super::*;

fn facts(planes: &[&[f64]], block: usize) -> DcFacts {
    let mut meter = DcMeter::new(Hertz::new(44_100).expect("not 0"), planes.len());
    cut(planes, block, |part| meter.feed(part));
    meter.finish()
}

/// A chord that comes and goes.
fn music(seconds: usize) -> Vec<f64> {
    let mut samples = chord(seconds * 44_100, 4);
    for (i, sample) in samples.iter_mut().enumerate() {
        *sample *= 0.05 + (i as f64 / 60_000.0).sin().powi(2);
    }
    samples
}

#[test]
fn an_offset_is_found_with_its_size_in_its_channel_alone() {
    let clean = music(20);
    for size in [0.002, -0.005, 0.05] {
        let offset: Vec<f64> = clean.iter().map(|v| v + size).collect();
        let found = facts(&[&clean, &offset], 4096);
        assert_eq!(found.offsets.total, 1);
        let spot = found.offsets.listed[0];
        assert_eq!(spot.channel, Some(1));
        assert!(spot.confidence > 0.8, "{spot:?}");
        assert!((spot.size - size).abs() < 2e-4, "{spot:?}");
        assert_eq!(found.steps.total, 0);
    }
}

#[test]
fn a_sound_that_leans_to_one_side_has_no_offset() {
    let leaning: Vec<f64> = music(20).iter().map(|v| v + v.abs() * 0.3).collect();
    let found = facts(&[&leaning], 4096);
    assert!(found.channels[0].offset_fs > 0.005);
    assert_eq!(found.offsets.total, 0);
}

#[test]
fn a_step_is_found_where_it_is() {
    let mut stepped = music(20);
    stepped[400_000..].iter_mut().for_each(|v| *v += 0.01);
    let found = facts(&[&stepped], 4096);
    let sure: Vec<_> = found
        .steps
        .listed
        .iter()
        .filter(|s| s.confidence > 0.5)
        .collect();
    assert_eq!(sure.len(), 1);
    assert!(
        sure[0].start <= 402_205 && sure[0].end >= 397_795,
        "{:?}",
        sure[0]
    );
    assert!((sure[0].size - 0.01).abs() < 1e-3);
}

#[test]
fn blocks_of_any_size_give_the_same_bits() {
    let mut stepped = music(12);
    stepped[200_000..].iter_mut().for_each(|v| *v += 0.01);
    let whole = facts(&[&stepped], stepped.len());
    for block in [1, 13, 4410, 5000] {
        assert_eq!(facts(&[&stepped], block), whole, "blocks of {block}");
    }
}

#[test]
fn silence_and_a_short_file_have_no_offset() {
    assert_eq!(facts(&[&[0.0; 100_000]], 4096).offsets.total, 0);
    assert_eq!(facts(&[&[0.3; 10_000]], 4096).offsets.total, 0);
}

#[test]
fn a_sound_with_a_mean_that_sets_in_louder_is_no_step() {
    let mut leaning = music(20);
    leaning.iter_mut().for_each(|v| *v *= 0.2);
    for (i, sample) in leaning[400_000..].iter_mut().enumerate() {
        *sample += 0.05 * (i as f64 / 9.0).sin() + 0.01;
    }
    let found = facts(&[&leaning], 4096);
    assert!(
        found.steps.listed.iter().all(|step| step.confidence < 0.5),
        "{found:?}"
    );
}

#[test]
fn bass_leaves_little_of_itself_in_the_means() {
    let turn = std::f64::consts::TAU / 44_100.0;
    let bass: Vec<f64> = (0..8 * 44_100)
        .map(|i| 0.5 * (41.2 * turn * i as f64).sin() + 0.002)
        .collect();
    let found = facts(&[&bass], 4096);
    // A plain mean of a tenth of a second may be off by 0.5 / (pi * 4.12), the smooth one by the
    // third power of that.
    let most = 0.5 * (1.0 / (std::f64::consts::PI * 4.12)).powi(3);
    assert!((found.channels[0].constant_fs - 0.002).abs() < most);
    assert!(
        found.channels[0]
            .uncertainty_fs
            .is_some_and(|error| error < most)
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(6))]

    #[test]
    fn offsets_and_steps_are_found_whatever_size_sign_place_channel_and_cut(
        size in 0.004f64..0.05, turned in any::<bool>(), at in 200_000usize..600_000,
        channel in 0usize..2, block in 700usize..30_000,
    ) {
        let clean = music(20);
        let size = if turned { -size } else { size };
        let from = |start: usize| {
            let add = |(i, v): (usize, &f64)| if i < start { *v } else { v + size };
            clean.iter().enumerate().map(add).collect::<Vec<f64>>()
        };
        let both = |faulty: &[f64]| {
            let mut planes = [&clean[..], &clean[..]];
            planes[channel] = faulty;
            let found = facts(&planes, block);
            assert_eq!(found, facts(&planes, clean.len()));
            found
        };
        let sure = |spots: &Spots| -> Vec<Spot> {
            spots.listed.iter().filter(|s| s.confidence >= Spot::SURE).copied().collect()
        };
        let offset = both(&from(0));
        let told = sure(&offset.offsets);
        prop_assert_eq!(told.len(), 1);
        prop_assert_eq!(told[0].channel, Some(channel));
        prop_assert!((told[0].size - size).abs() < 5e-4);
        prop_assert!(sure(&offset.steps).is_empty());
        let told = sure(&both(&from(at)).steps);
        prop_assert_eq!(told.len(), 1, "{:?}", told);
        prop_assert_eq!(told[0].channel, Some(channel));
        prop_assert!(told[0].start <= at as u64 + 4_410 && told[0].end + 4_410 >= at as u64);
        prop_assert!((told[0].size - size).abs() < 5e-4);
    }
}
