//! What is measured of channels of which nobody says where they play, and what two pairs tell of
//! exchanged surrounds.

use super::*;
use crate::layout;
use crate::measure::Spot;

const RATE: u32 = 48_000;
const FRAMES: usize = 16 * RATE as usize;

/// White noise from splitmix64 (Steele, Lea and Flood 2014): sequences of different seeds have
/// nothing in common.
fn noise(seed: u64) -> Vec<f64> {
    let mut state = seed << 40;
    (0..FRAMES)
        .map(|_| {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            z ^= z >> 31;
            0.2 * ((z >> 33) as f64 / f64::from(1u32 << 30) - 1.0)
        })
        .collect()
}

fn measured(labels: Option<&[Label]>, planes: &[Vec<f64>]) -> ChannelFacts {
    let mut meter = ChannelMeter::new(Hertz::new(RATE).unwrap(), planes.len(), labels);
    let planes: Vec<&[f64]> = planes.iter().map(Vec::as_slice).collect();
    meter.feed(&planes);
    meter.finish()
}

fn sure(facts: &ChannelFacts) -> Vec<(PairFault, usize, usize)> {
    let sure = facts
        .pair_findings
        .iter()
        .filter(|finding| finding.confidence >= Spot::SURE);
    sure.map(|finding| (finding.fault, finding.left, finding.right))
        .collect()
}

#[test]
fn copies_and_inverted_copies_are_found_among_unlabelled_channels() {
    let mut planes: Vec<Vec<f64>> = (1..=6).map(noise).collect();
    planes[3] = planes[2].clone();
    planes[5] = planes[0].iter().map(|v| -v).collect();
    let facts = measured(None, &planes);
    assert_eq!(
        sure(&facts),
        [(PairFault::Polarity, 0, 5), (PairFault::DualMono, 2, 3)]
    );
    // n (n - 1) / 2 pairs, by their numbers.
    assert_eq!(facts.scalars.pairs.len(), 15);
    let copy = facts
        .scalars
        .pairs
        .iter()
        .find(|pair| pair.identical)
        .unwrap();
    assert_eq!((copy.left.as_str(), copy.right.as_str()), ("ch 3", "ch 4"));
}

#[test]
fn unrelated_unlabelled_channels_have_nothing_to_tell() {
    let planes: Vec<Vec<f64>> = (1..=6).map(noise).collect();
    assert_eq!(sure(&measured(None, &planes)), []);
}

#[test]
fn what_needs_labels_says_why_it_was_not_measured() {
    let planes: Vec<Vec<f64>> = (1..=6).map(noise).collect();
    let missing = Some(Uncovered::NoLabels { channels: 6 });
    assert_eq!(
        measured(None, &planes).coverage,
        ChannelCoverage {
            pairs: PairsFrom::EveryTwo { channels: 6 },
            balance: missing,
            order: missing,
            sides: missing,
        }
    );
    let labels = layout::by_name("5.1").unwrap().labels();
    assert_eq!(
        measured(Some(&labels), &planes).coverage,
        ChannelCoverage::default()
    );
    let objects = ChannelMeter::of_objects(Hertz::new(RATE).unwrap(), 6).finish();
    assert_eq!(objects.coverage.pairs, PairsFrom::Objects { tracks: 6 });
    assert!(objects.scalars.pairs.is_empty());
}

/// Sources left and right that come and go, a middle, and surrounds of which each has the source
/// of its side 12 ms late and some sound of its own.
fn bed() -> Vec<Vec<f64>> {
    let gate = |samples: &[f64], period: usize, phase: usize| -> Vec<f64> {
        let envelope = |n: usize| 0.1 + 0.9 * f64::from((n + phase) % period < period / 2);
        samples
            .iter()
            .enumerate()
            .map(|(n, v)| v * envelope(n))
            .collect()
    };
    let sides = [gate(&noise(1), 60_000, 0), gate(&noise(2), 44_000, 9_000)];
    let middle = noise(3);
    let front = sides
        .each_ref()
        .map(|side| -> Vec<f64> { side.iter().zip(&middle).map(|(s, m)| s + 0.3 * m).collect() });
    let back = [(&sides[0], noise(4)), (&sides[1], noise(5))].map(|(side, own)| -> Vec<f64> {
        (0..FRAMES)
            .map(|n| 0.4 * n.checked_sub(576).map_or(0.0, |n| side[n]) + 0.1 * own[n])
            .collect()
    });
    let [left, right] = front;
    let [back_left, back_right] = back;
    vec![
        left,
        right,
        middle,
        vec![0.0; FRAMES],
        back_left,
        back_right,
    ]
}

#[test]
fn exchanged_surrounds_are_told_and_others_are_not() {
    let labels = layout::by_name("5.1").unwrap().labels();
    let mut planes = bed();
    let told = |planes: &[Vec<f64>]| {
        let facts = measured(Some(&labels), planes);
        let most = facts
            .surround_swapped
            .listed
            .iter()
            .map(|spot| spot.confidence);
        (
            most.fold(0.0, f64::max),
            facts.scalars.surround_coherence.unwrap(),
        )
    };
    let (confidence, [own, other]) = told(&planes);
    assert!(
        confidence < 0.1 && own > other + 0.2,
        "{confidence} {own} {other}"
    );
    planes.swap(4, 5);
    let (confidence, [own, other]) = told(&planes);
    assert!(
        confidence >= Spot::SURE && other > own + 0.2,
        "{confidence} {own} {other}"
    );
}

/// Surrounds that have nothing to do with the front cannot be seen to be exchanged.
#[test]
fn unrelated_surrounds_tell_nothing_of_their_side() {
    let labels = layout::by_name("5.1").unwrap().labels();
    let mut planes = bed();
    planes[4] = noise(6);
    planes[5] = noise(7);
    let facts = measured(Some(&labels), &planes);
    let spots = &facts.surround_swapped;
    assert!(
        spots.listed.iter().all(|spot| spot.confidence < 0.3),
        "{spots:?} {:?}",
        facts.scalars.surround_coherence
    );
}
