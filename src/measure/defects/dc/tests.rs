//! What the house promises of direct current.

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
