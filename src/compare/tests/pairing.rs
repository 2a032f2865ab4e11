//! Which part is which.

use super::models::{Studio, block};
use super::signals::*;
use super::{compare, feed, side, side_of};
use crate::compare::{Comparison, PairedBy, PartKind};
use crate::measured::NotMeasured;

fn studio(objects: &[&str]) -> Studio {
    let mut studio = Studio::default();
    studio.bed("Bed", &[("M+030", 30.0, 0.0), ("M-030", -30.0, 0.0)]);
    for name in objects {
        studio.object(
            name,
            Default::default(),
            vec![block(0.0, 4.0, [0.0, 0.0, 1.0])],
        );
    }
    studio
}

fn paired(master: Studio, mix: Studio) -> Comparison {
    let tracks = |studio: &Studio| studio.model.track_uids.len();
    let sides = (
        side_of(master.model.clone(), tracks(&master)),
        side_of(mix.model.clone(), tracks(&mix)),
    );
    feed((&sides.0, &sides.1), (&[], &[]), || 1).0
}

#[test]
fn an_object_that_is_only_in_one_file_is_told() {
    let found = paired(
        studio(&["Lead", "Strings", "Choir"]),
        studio(&["Lead", "Guitar", "Strings"]),
    );
    let names = |parts: &crate::compare::Listed<crate::compare::Part>| -> Vec<String> {
        parts.listed.iter().map(|part| part.name.clone()).collect()
    };
    // Strings moved up, which is by its name; Guitar and Choir have neither name, track nor
    // channel in common.
    assert_eq!(names(&found.parts.missing), ["Guitar"]);
    assert_eq!(names(&found.parts.extra), ["Choir"]);
    assert_eq!(found.parts.paired, 4);
    let renamed = &found.parts.renamed;
    assert_eq!(renamed.total, 1);
    assert_eq!(renamed.listed[0].by, PairedBy::Name);
    assert_eq!(renamed.listed[0].mix.track, Some(5));
    assert_eq!(renamed.listed[0].master.track, Some(4));
}

#[test]
fn a_renamed_object_is_found_by_its_track() {
    let found = paired(studio(&["Lead", "Gtr"]), studio(&["Lead", "Guitar"]));
    assert_eq!(found.parts.missing.total + found.parts.extra.total, 0);
    let renamed = &found.parts.renamed.listed[0];
    assert_eq!(renamed.by, PairedBy::TrackIndex);
    assert_eq!(
        (renamed.mix.name.as_str(), renamed.master.name.as_str()),
        ("Guitar", "Gtr")
    );
}

#[test]
fn bed_channels_are_paired_by_label_and_samples_go_along() {
    let (mut one, mut other) = (Studio::default(), Studio::default());
    one.bed("Bed", &[("M+030", 30.0, 0.0), ("M-030", -30.0, 0.0)]);
    other.bed("Bed", &[("M-030", -30.0, 0.0), ("M+030", 30.0, 0.0)]);
    let (left, right) = (notes(1, 4.0), notes(2, 4.0));
    let sides = (side_of(other.model, 2), side_of(one.model, 2));
    let files = ([gain_db(&right, -1.0), gain_db(&left, -2.0)], [left, right]);
    let found = feed((&sides.0, &sides.1), (&files.0, &files.1), || 4_800).0;
    let tracks = found.tracks.listed;
    assert_eq!(tracks[0].part.channel.as_deref(), Some("M+030"));
    assert_eq!(tracks[0].part.kind, PartKind::Bed);
    assert_eq!(tracks[0].master_track, 2);
    assert!((tracks[0].static_gain_db.unwrap() + 2.0).abs() < 0.02);
    assert!((tracks[1].static_gain_db.unwrap() + 1.0).abs() < 0.02);
    assert_eq!(found.movement.unwrap().beds_changed.total, 0);
}

#[test]
fn a_bed_that_was_labelled_anew_is_told() {
    let mut other = studio(&[]);
    other.model = {
        let mut relabelled = Studio::default();
        relabelled.bed("Bed", &[("M+030", 30.0, 0.0), ("M-110", -110.0, 0.0)]);
        relabelled.model
    };
    let found = paired(other, studio(&[])).movement.unwrap().beds_changed;
    assert_eq!(found.total, 1);
    let change = &found.listed[0];
    assert!(change.labels.as_ref().unwrap().master[0].ends_with("M-110"));
    assert!((change.largest_angle_deg - 80.0).abs() < 1e-9);
    assert_eq!(change.position.as_ref().unwrap().mix, [-30.0, 0.0, 1.0]);
}

#[test]
fn files_without_a_model_are_paired_by_label_or_by_place() {
    let labels = |text: &str| Some(crate::layout::parse_channels(text).unwrap());
    let mut sides = (side(3), side(3));
    sides.0.labels = labels("M+030,M-030,M+000");
    sides.1.labels = labels("M+030,M+000,M-030");
    let found = feed((&sides.0, &sides.1), (&[], &[]), || 1).0;
    let masters: Vec<u32> = found.tracks.listed.iter().map(|t| t.master_track).collect();
    assert_eq!(masters, [1, 3, 2]);
    assert!(found.movement.is_none());
    let found = compare(&[vec![], vec![]], &[vec![], vec![], vec![]]);
    assert_eq!(found.parts.paired, 2);
    assert_eq!(found.parts.missing.listed[0].name, "ch 3");
}

/// A bed of four, an object, and what each of them plays in the mix.
fn bed_and_object(narrow: bool) -> (Studio, Vec<Vec<f64>>) {
    let mut studio = Studio::default();
    let labels = [
        ("M+030", 30.0, 0.0),
        ("M-030", -30.0, 0.0),
        ("M+110", 110.0, 0.0),
        ("M-110", -110.0, 0.0),
    ];
    studio.bed("Bed", &labels);
    let way = vec![block(0.0, 12.0, [0.0, 0.0, 1.0])];
    studio.object("Lead", Default::default(), way);
    let mut sounds: Vec<Vec<f64>> = (1..=5).map(|seed| notes(seed, 12.0)).collect();
    if narrow {
        // 20 dB of mid over side.
        let (mid, side) = (sounds[0].clone(), gain_db(&sounds[1], -20.0));
        let mix = |sign: f64| mid.iter().zip(&side).map(|(m, s)| m + sign * s).collect();
        (sounds[0], sounds[1]) = (mix(1.0), mix(-1.0));
    }
    (studio, sounds)
}

fn bed_exchanges(narrow: bool, order: [usize; 5]) -> Vec<(Vec<u32>, Vec<u32>, bool)> {
    let (studio, mix) = bed_and_object(narrow);
    let master: Vec<_> = order.iter().map(|&at| gain_db(&mix[at], -1.5)).collect();
    let side = side_of(studio.model, 5);
    let found = feed((&side, &side), (&master, &mix), || 4_800).0;
    let exchanges = found.bed_exchanges().ok().unwrap().to_vec();
    let plain = exchanges.into_iter();
    plain
        .map(|one| (one.tracks, one.found_at, one.confidence >= 0.8))
        .collect()
}

#[test]
fn bed_channels_that_carry_each_others_sound_are_told() {
    for narrow in [false, true] {
        assert_eq!(bed_exchanges(narrow, [0, 1, 2, 3, 4]), []);
        let sides = bed_exchanges(narrow, [1, 0, 2, 3, 4]);
        assert_eq!(sides, [(vec![1, 2], vec![2, 1], true)]);
    }
    let surrounds = bed_exchanges(false, [0, 1, 3, 2, 4]);
    assert_eq!(surrounds, [(vec![3, 4], vec![4, 3], true)]);
    let front_and_rear = bed_exchanges(false, [2, 3, 0, 1, 4]);
    assert_eq!(front_and_rear.len(), 2);
}

#[test]
fn a_bed_of_one_channel_is_not_held_against_itself() {
    let mut studio = Studio::default();
    studio.bed("Bed", &[("M+000", 0.0, 0.0)]);
    let side = side_of(studio.model, 1);
    let found = feed((&side, &side), (&[notes(1, 4.0)], &[notes(2, 4.0)]), || {
        4_800
    })
    .0;
    assert_eq!(found.bed_exchanges().why_not(), Some(&NotMeasured::NoBed));
}

/// Five objects, each on its own way, under the names and in the order that are asked for.
fn moving(order: &[usize], names: &[&str]) -> Studio {
    let mut studio = Studio::default();
    for (&which, name) in order.iter().zip(names) {
        let blocks = (0..100_u32)
            .map(|n| {
                let t = 0.1 * f64::from(n);
                let speed = 0.4 + 0.2 * which as f64;
                block(
                    t,
                    0.1,
                    [60.0 * (speed * t).sin() - 20.0 * which as f64, 0.0, 1.0],
                )
            })
            .collect();
        studio.object(name, Default::default(), blocks);
    }
    studio
}

fn still(order: &[usize], names: &[&str]) -> Studio {
    let mut studio = Studio::default();
    for (&which, name) in order.iter().zip(names) {
        let place = [40.0 * which as f64 - 80.0, 0.0, 1.0];
        studio.object(name, Default::default(), vec![block(0.0, 10.0, place)]);
    }
    studio
}

#[test]
fn objects_that_were_reordered_and_renamed_are_found_by_path_and_by_sound() {
    let names = ["Lead", "Guitar", "Strings", "Choir", "Bells"];
    let others = ["Obj 1", "Obj 2", "Obj 3", "Obj 4", "Obj 5"];
    let plain = [0, 1, 2, 3, 4];
    let order = [3, 0, 4, 2, 1];
    // The same five names on other sounds: the paths went with the sounds.
    let swapped = ["Guitar", "Lead", "Strings", "Choir", "Bells"];
    let music: Vec<Vec<f64>> = (0..5).map(|n| notes(60 + n, 14.0)).collect();
    type Make = fn(&[usize], &[&str]) -> Studio;
    type Case<'a> = (&'a str, Make, [usize; 5], [&'a str; 5], PairedBy);
    let cases: [Case; 3] = [
        ("moving", moving, order, others, PairedBy::Path),
        ("still", still, order, others, PairedBy::Sound),
        ("names", moving, plain, swapped, PairedBy::Sound),
    ];
    for (case, make, order, called, by) in cases {
        let (mix, master) = (make(&plain, &names), make(&order, &called));
        let samples: Vec<Vec<f64>> = order.iter().map(|&n| mastered(&music[n])).collect();
        let sides = (side_of(master.model, 5), side_of(mix.model, 5));
        let found = feed((&sides.0, &sides.1), (&samples, &music), || 4_800).0;
        let tracks = found
            .tracks
            .listed
            .iter()
            .map(|track| track.master_track as usize - 1);
        let expected = plain.map(|n| order.iter().position(|&which| which == n).unwrap());
        assert_eq!(tracks.collect::<Vec<_>>(), expected, "{case}");
        let movement = found.movement.as_ref().unwrap();
        assert!(movement.largest_angle_deg < 1e-6, "{case} {movement:?}");
        assert!(
            found.parts.renamed.listed.iter().any(|one| one.by == by),
            "{case}"
        );
        assert_eq!(
            found.timing.deviating.total + found.timing.slips.total,
            0,
            "{case}"
        );
        assert_eq!(
            found.level_changes.total, 0,
            "{case} {:?}",
            found.level_changes
        );
    }
}
