//! Offsets and slips.

use super::compare;
use super::signals::*;

/// The offsets of the trade's own trial: each is put in and must come out.
#[test]
fn an_offset_is_found_to_the_sample_on_a_processed_master() {
    let offsets = [0, 1, 37, 480, -1_500];
    for (kind, make) in [
        (
            "noise",
            (|seed| noise(seed, 8.0, 0.3)) as fn(u64) -> Vec<f64>,
        ),
        ("notes", |seed| notes(seed, 8.0)),
    ] {
        let mix: Vec<_> = (0..5).map(|n| make(n + 1)).collect();
        let master: Vec<_> = mix
            .iter()
            .zip(offsets)
            .map(|(track, offset)| late(&mastered(track), offset))
            .collect();
        let found = compare(&master, &mix);
        for (track, offset) in found.tracks.listed.iter().zip(offsets) {
            assert_eq!(track.offset_frames, Some(offset), "{kind} {track:?}");
            assert!(track.confidence.unwrap() > 50.0, "{kind} {track:?}");
            let matched = 2 * track.windows_matched > track.windows_tried;
            assert!(matched, "{kind} {track:?}");
        }
        assert_eq!(found.timing.tracks_measured, 5);
        assert_eq!(found.timing.slips.total, 0, "{:?}", found.timing.slips);
    }
}

#[test]
fn the_offset_of_most_tracks_is_the_files_and_the_others_are_told() {
    let mix: Vec<_> = (0..5).map(|n| notes(n + 11, 6.0)).collect();
    let mut master: Vec<_> = mix.iter().map(|track| late(track, 480)).collect();
    master[3] = late(&mix[3], 480 + 64);
    let found = compare(&master, &mix).timing;
    assert_eq!(found.offset_frames, Some(480));
    assert_eq!(found.deviating.total, 1);
    let deviating = &found.deviating.listed[0];
    assert_eq!(deviating.part.track, Some(4));
    assert_eq!(deviating.deviation_frames, 64);
}

#[test]
fn the_search_reaches_ten_seconds_either_way() {
    for offset in [47_990, -47_990, 461_003, -300_001] {
        let mix = [notes(3, 24.0)];
        let found = compare(&[late(&mix[0], offset)], &mix);
        assert_eq!(found.timing.offset_frames, Some(offset));
        assert_eq!(found.timing.search_range_frames, 480_000);
    }
}

#[test]
fn a_slipped_edit_is_told_with_its_track_its_place_and_its_size() {
    let mix = [notes(21, 30.0), notes(22, 30.0)];
    let mut slipped = mix[1].clone();
    let at = frames(12.0);
    slipped.splice(at..at, std::iter::repeat_n(0.0, 960));
    slipped.truncate(mix[1].len());
    let master = [mastered(&mix[0]), mastered(&slipped)];
    let found = compare(&master, &mix);
    assert_eq!(found.timing.slips.total, 1, "{:?}", found.timing.slips);
    let slip = &found.timing.slips.listed[0];
    assert_eq!(slip.part.track, Some(2));
    assert_eq!(slip.jump_frames, 960);
    assert!(
        slip.after_s.0 <= 12.0 && slip.before_s.0 >= 12.0,
        "{slip:?}"
    );
    assert!(slip.before_s.0 - slip.after_s.0 < 5.0, "{slip:?}");
    // What lies around the slip is in no curve: it would look like moving gain.
    let movement = found.tracks.listed[1].gain_movement_db.unwrap();
    let whole = found.tracks.listed[0].gain_movement_db.unwrap();
    assert!((movement - whole).abs() < 0.3, "{movement} {whole}");
    assert!(found.tracks.listed[1].blocks_left_out > 0);
    assert_eq!(found.level_changes.total, 0, "{:?}", found.level_changes);
}

#[test]
fn a_slip_of_half_a_second_is_found_by_searching_anew() {
    let mix = [notes(31, 40.0)];
    let mut slipped = mix[0].clone();
    slipped.drain(frames(15.0)..frames(15.5));
    let found = compare(&[slipped], &mix).timing;
    assert_eq!(found.slips.total, 1, "{:?}", found.slips);
    let slip = &found.slips.listed[0];
    assert_eq!(slip.jump_frames, -24_000);
    assert!(
        slip.after_s.0 <= 15.0 && slip.before_s.0 >= 15.0,
        "{slip:?}"
    );
    assert!(slip.before_s.0 - slip.after_s.0 < 6.0, "{slip:?}");
}

#[test]
fn what_has_nothing_in_common_is_not_measured() {
    let mix = [noise(1, 12.0, 0.3), notes(5, 12.0), notes(7, 12.0)];
    let master = [noise(2, 12.0, 0.3), notes(6, 12.0), mix[2].clone()];
    let found = compare(&master, &mix);
    assert_eq!(found.timing.tracks_not_measured, 2);
    assert_eq!(found.timing.offset_frames, Some(0));
    for track in &found.tracks.listed[..2] {
        assert_eq!(track.offset_frames, None, "{track:?}");
        assert!(track.windows_tried > 0 && track.windows_matched == 0);
    }
}

/// The trade's own trial found a common part 10 dB down over 60 s, too.
#[test]
fn a_common_part_that_is_weak_is_found_by_many_windows_together() {
    let common = noise(1, 60.0, 0.095);
    let mix = [sum(&common, &noise(2, 60.0, 0.3))];
    let master = [late(&sum(&common, &noise(3, 60.0, 0.3)), 480)];
    let found = compare(&master, &mix).tracks.listed.remove(0);
    assert_eq!(found.offset_frames, Some(480), "{found:?}");
}

#[test]
fn a_master_upside_down_is_told() {
    let mix = [notes(9, 8.0), notes(10, 8.0)];
    let master = [late(&gain_db(&mix[0], -1.0), 5), mix[1].clone()];
    let master = [master[0].iter().map(|s| -s).collect(), master[1].clone()];
    let found = compare(&master, &mix).tracks.listed;
    assert!(found[0].polarity_inverted && !found[1].polarity_inverted);
    assert_eq!(found[0].offset_frames, Some(5));
}

/// A bar that repeats itself lies over itself at every bar: alone its offset is not measured,
/// beside others it is where they are.
#[test]
fn a_loop_is_where_the_others_are() {
    let hit = ride(&noise(1, 0.25, 0.4), |t| -160.0 * t);
    let bar: Vec<f64> = hit.iter().copied().cycle().take(frames(12.0)).collect();
    let mix = [bar, notes(41, 12.0), notes(42, 12.0)];
    let master: Vec<_> = mix.iter().map(|track| late(track, 21_000)).collect();
    let alone = compare(&master[..1], &mix[..1]).timing;
    assert_eq!(alone.offset_frames, None);
    let why = Some(crate::measured::NotMeasured::RepeatsItself);
    assert_eq!(alone.offset_not_measured, why);
    let found = compare(&master, &mix).timing;
    assert_eq!(found.offset_frames, Some(21_000));
    assert_eq!(found.deviating.total, 0, "{:?}", found.deviating);
    assert_eq!(found.slips.total, 0, "{:?}", found.slips);
}
