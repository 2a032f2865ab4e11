//! Streams: any cut into blocks, any length, silence, and what is refused.

use super::models::{Studio, block};
use super::signals::*;
use super::{compare, feed, side, side_of};
use crate::compare::{CompareError, Comparer, Comparison, Limits, Wants};

fn json(comparison: &Comparison) -> String {
    serde_json::to_string(comparison).unwrap()
}

#[test]
fn any_cut_into_blocks_gives_the_same_bits() {
    let mix = [notes(1, 14.0), noise(2, 13.0, 0.1), vec![0.0; frames(14.0)]];
    let master = [
        late(&mastered(&mix[0]), 37),
        ride(&mix[1], |t| if t > 7.0 { -6.0 } else { 0.0 }),
        mix[2].clone(),
    ];
    let sides = (side(3), side(3));
    let run = |size: &mut dyn FnMut() -> usize| {
        json(&feed((&sides.0, &sides.1), (&master, &mix), size).0)
    };
    let whole = run(&mut || usize::MAX / 2);
    let mut dice = Dice::new(7);
    assert!(run(&mut || 1 + dice.below(30_000)) == whole);
    assert!(run(&mut || 4_800) == whole);
    assert!(run(&mut || 997) == whole);
}

#[test]
fn few_seconds_are_held_however_long_the_files_are() {
    let mix = [noise(1, 40.0, 0.1)];
    let mut studio = Studio::default();
    studio.bed("Bed", &[("M+000", 0.0, 0.0)]);
    let objects = side_of(studio.model, 1);
    let (found, held) = feed((&objects, &objects), (&mix, &mix), || 4_800);
    assert_eq!(found.mix_frames.0, frames(40.0) as u64);
    // Both files together: 4.5 s and a block each, and 1.1 s each for what remains.
    assert!(held < frames(7.0) as u64, "{held}");
    // And when one of them ends early.
    let early = [noise(1, 3.0, 0.1)];
    let (_, held) = feed((&objects, &objects), (&mix, &early), || 4_800);
    assert!(held < frames(7.0) as u64, "{held}");
}

/// Ten seconds either way of the master, and eight of both for cuts to be found in.
#[test]
fn of_channels_half_a_minute_is_held_however_long_the_files_are() {
    let mix = [noise(1, 60.0, 0.1)];
    let (_, held) = feed((&side(1), &side(1)), (&mix, &mix), || 4_800);
    assert!(held < frames(40.0) as u64, "{held}");
}

/// serde_json writes what is no number as null, which cannot be read back as a number.
#[test]
fn silence_has_no_values_and_makes_no_nonsense() {
    for (master, mix) in [
        (vec![0.0; 96_000], vec![0.0; 96_000]),
        (noise(1, 2.0, 0.1), vec![0.0; 96_000]),
        (vec![0.0; 96_000], noise(1, 2.0, 0.1)),
        (vec![], vec![]),
        (vec![0.1], vec![]),
        (vec![f64::NAN; 96_000], vec![1e300; 96_000]),
        (vec![1e3; 96_000], vec![-1e3; 96_000]),
        (vec![1e-3; 96_000], noise(1, 2.0, 1e-9)),
    ] {
        let found = compare(&[master], &[mix]);
        serde_json::from_str::<Comparison>(&json(&found)).unwrap();
        let track = &found.tracks.listed[0];
        assert_eq!(track.static_gain_db, None, "{track:?}");
        assert_eq!(track.gain_movement_db, None, "{track:?}");
    }
}

#[test]
fn a_track_that_is_silent_in_the_master_is_missing() {
    let mix = [noise(1, 5.0, 0.1), noise(2, 5.0, 0.1)];
    let found = compare(&[mix[0].clone(), vec![0.0; frames(5.0)]], &mix);
    assert_eq!(found.level_changes.total, 1);
    let place = &found.level_changes.listed[0];
    assert_eq!((place.start_s.0, place.end_s.0), (0.0, 5.0));
    assert_eq!(place.part.track, Some(2));
}

#[test]
fn files_of_different_lengths_are_compared_as_far_as_they_go() {
    let mix = [notes(4, 12.0)];
    let mut longer = mix[0].clone();
    longer.extend(notes(5, 6.0));
    let found = compare(std::slice::from_ref(&longer), &mix);
    assert_eq!(found.length_difference_frames, frames(6.0) as i64);
    assert_eq!(found.timing.offset_frames, Some(0));
    assert!((found.tracks.listed[0].only_in_master_s.0 - 6.0).abs() < 0.5);
    let found = compare(&mix, &[longer]);
    assert_eq!(found.length_difference_frames, -(frames(6.0) as i64));
    assert!((found.tracks.listed[0].only_in_mix_s.0 - 6.0).abs() < 0.5);
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let new = |rates: (u32, u32), tracks: (usize, usize)| {
        let mut sides = (side(tracks.0), side(tracks.1));
        sides.0.sample_rate = rates.0;
        sides.1.sample_rate = rates.1;
        Comparer::new(&sides.0, &sides.1, &Limits::default()).err()
    };
    assert_eq!(new((96_000, 0), (2, 2)), Some(CompareError::SampleRate(0)));
    assert_eq!(new((96_000, 48_000), (2, 2)), None);
    assert_eq!(new((0, 0), (2, 2)), Some(CompareError::SampleRate(0)));
    assert_eq!(
        new((48_000, 48_000), (2, 0)),
        Some(CompareError::NoTracks("mix"))
    );
    assert_eq!(new((44_100, 44_100), (2, 3)), None);
}

#[test]
fn other_sample_rates_work_the_same() {
    for rate in [8_000, 44_100, 96_000, 192_000] {
        let mut file = side(1);
        file.sample_rate = rate;
        let mix = [noise(3, 6.0 * f64::from(rate) / 48_000.0, 0.2)];
        let master = [late(&gain_db(&mix[0], -2.0), 100)];
        let found = feed((&file, &file), (&master, &mix), || 9_999).0;
        assert_eq!(found.timing.offset_frames, Some(100), "{rate}");
        let gain = found.tracks.listed[0].static_gain_db.unwrap();
        assert!((gain + 2.0).abs() < 0.02, "{rate} {gain}");
    }
}

#[test]
fn the_one_that_is_behind_is_wanted() {
    let mut comparer = Comparer::new(&side(1), &side(1), &Limits::default()).unwrap();
    assert_eq!(comparer.wants(), Wants::Either);
    let long = noise(1, 5.0, 0.1);
    comparer.feed_mix(&[&long]);
    assert_eq!(comparer.wants(), Wants::Master);
    // Ten seconds ahead, and what a window needs.
    for _ in 0..4 {
        comparer.feed_master(&[&long]);
    }
    assert_eq!(comparer.wants(), Wants::Mix);
    comparer.mix_ended();
    assert_eq!(comparer.wants(), Wants::Master);
}

#[test]
fn a_comparison_of_models_needs_no_samples() {
    let mut studio = Studio::default();
    studio.object(
        "Lead",
        Default::default(),
        vec![block(0.0, 4.0, [30.0, 0.0, 1.0])],
    );
    let file = side_of(studio.model, 1);
    let comparer = Comparer::new(&file, &file, &Limits::default()).unwrap();
    let found = comparer.finish();
    let movement = found.movement.clone().expect("both have a model");
    assert_eq!((movement.objects, movement.objects_that_differ), (1, 0));
    serde_json::from_str::<Comparison>(&json(&found)).unwrap();
}

#[test]
fn the_words_of_the_sidecar_are_these() {
    use crate::compare::{LevelChangeKind::*, PairedBy, PartKind};
    let word = |json: serde_json::Result<String>| json.unwrap();
    assert_eq!(
        [Louder, Quieter, Missing, Added].map(|kind| word(serde_json::to_string(&kind))),
        ["\"louder\"", "\"quieter\"", "\"missing\"", "\"added\""]
    );
    assert_eq!(
        [
            PartKind::Channel,
            PartKind::Bed,
            PartKind::Object,
            PartKind::Hoa
        ]
        .map(|kind| word(serde_json::to_string(&kind))),
        ["\"channel\"", "\"bed\"", "\"object\"", "\"hoa\""]
    );
    assert_eq!(
        [
            PairedBy::IdAndName,
            PairedBy::TrackIndex,
            PairedBy::ChannelId
        ]
        .map(|by| word(serde_json::to_string(&by))),
        ["\"id_and_name\"", "\"track_index\"", "\"channel_id\""]
    );
    let schema = schemars::schema_for!(Comparison).to_value().to_string();
    for key in [
        "offset_frames",
        "static_gain_db",
        "gain_movement_db",
        "largest_angle_deg",
    ] {
        assert!(schema.contains(key), "{key}");
    }
}
