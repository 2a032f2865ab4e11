//! Level changes over time.

use super::models::Studio;
use super::signals::*;
use super::{compare, feed, side_of};
use crate::compare::{LevelChangeKind, TrackChange};

fn one(master: Vec<f64>, mix: Vec<f64>) -> TrackChange {
    compare(&[master], &[mix]).tracks.listed.remove(0)
}

fn near(found: Option<f64>, expected: f64, tolerance: f64) {
    let value = found.expect("there is a value");
    assert!(
        (value - expected).abs() <= tolerance,
        "{value}, not {expected}"
    );
}

#[test]
fn a_static_gain_is_static_and_right() {
    let mix = noise(1, 12.0, 0.2);
    let found = one(gain_db(&mix, -3.25), mix);
    // Levels are kept to 1/128 dB.
    near(found.static_gain_db, -3.25, 0.01);
    near(found.gain_movement_db, 0.0, 0.02);
    near(found.short_term_movement_db, 0.0, 0.01);
    assert_eq!(found.level_changes, 0);
}

/// The user's rule is about 2.5 to 3 dB of gain reduction: it has to be read as that.
#[test]
fn ducking_is_read_as_deep_as_it_is() {
    let mix = noise(2, 40.0, 0.2);
    let duck = |t: f64| if (t / 2.0) as u64 % 3 == 2 { -2.5 } else { 0.0 };
    let found = one(ride(&mix, duck), mix);
    near(found.static_gain_db, 0.0, 0.02);
    near(found.gain_movement_db, 2.5, 0.05);
    assert_eq!(found.level_changes, 0);
}

/// The trade's own trial: a 2 dB shelf with moving content faked 1.61 dB in the whole band.
#[test]
fn a_shelf_with_moving_content_is_no_gain_movement() {
    let dark = low_pass(&noise(3, 40.0, 0.5), 400.0);
    let bright = noise(4, 40.0, 0.1);
    let moving = ride(&bright, |t| {
        if (t as u64).is_multiple_of(2) {
            0.0
        } else {
            -30.0
        }
    });
    let mix = sum(&dark, &moving);
    let found = one(high_shelf(&mix, 2_000.0, 2.0), mix);
    near(found.gain_movement_db, 0.0, 0.05);
    // The shelf is there.
    near(found.band_static_gain_db[2], 2.0, 0.3);
    // And with ducking on top it is the ducking that is read.
    let mix = sum(&dark, &moving);
    let duck = |t: f64| if (t / 2.0) as u64 % 3 == 2 { -2.5 } else { 0.0 };
    let found = one(ride(&high_shelf(&mix, 2_000.0, 2.0), duck), mix);
    near(found.gain_movement_db, 2.5, 0.1);
}

#[test]
fn a_lost_automation_is_told_with_its_place() {
    let dry = notes(5, 60.0);
    let fader = |t: f64| if (20.0..32.0).contains(&t) { -8.0 } else { 0.0 };
    let mix = ride(&dry, fader);
    let found = compare(&[gain_db(&dry, 1.0)], &[mix]);
    assert_eq!(found.level_changes.total, 1, "{:?}", found.level_changes);
    let place = &found.level_changes.listed[0];
    assert_eq!(place.kind, LevelChangeKind::Louder);
    near(Some(place.deviation_db), 8.0, 0.3);
    near(Some(place.start_s.0), 20.0, 1.5);
    near(Some(place.end_s.0), 32.0, 1.5);
    let track = &found.tracks.listed[0];
    near(track.static_gain_db, 1.0, 0.05);
    near(track.largest_change_db, 8.0, 0.3);
    let curve = track.gain_curve.as_ref().unwrap();
    let at = |seconds: f64| curve.values_db[(seconds / curve.step_s.0) as usize];
    near(at(26.0), 9.0, 0.3);
    near(at(50.0), 1.0, 0.1);
}

#[test]
fn a_missing_part_and_an_added_one_are_told() {
    let mix = noise(6, 30.0, 0.2);
    let gate =
        |from: f64, to: f64| move |t: f64| if (from..to).contains(&t) { -200.0 } else { 0.0 };
    let master = ride(&mix, gate(10.0, 10.6));
    let mix = ride(&mix, gate(20.0, 25.0));
    let found = compare(&[master], &[mix]);
    let places = &found.level_changes.listed;
    assert_eq!(places.len(), 2, "{places:?}");
    assert_eq!(places[0].kind, LevelChangeKind::Missing);
    near(Some(places[0].start_s.0), 10.0, 0.1);
    near(Some(places[0].end_s.0), 10.6, 0.1);
    assert_eq!(places[1].kind, LevelChangeKind::Added);
    near(Some(places[1].start_s.0), 20.0, 0.1);
    near(Some(places[1].end_s.0), 25.0, 0.1);
    // RMS of uniform noise of 0.2: -18.75 dBFS less what lies below 20 Hz and over 16 kHz
    // (a third): -20.5.
    near(places[1].level_dbfs.map(|level| level.value()), -20.5, 0.3);
    near(Some(found.tracks.listed[0].only_in_mix_s.0), 0.6, 0.11);
    near(Some(found.tracks.listed[0].only_in_master_s.0), 5.0, 0.11);
}

#[test]
fn levels_are_taken_where_the_same_music_lies() {
    // Half a second late, and in moving gain: without alignment nothing would fit.
    let mix = ride(&notes(7, 30.0), |t| {
        if ((t * 2.0) as u64).is_multiple_of(3) {
            -20.0
        } else {
            0.0
        }
    });
    let found = one(late(&gain_db(&mix, -2.0), 24_000), mix);
    near(found.static_gain_db, -2.0, 0.02);
    near(found.gain_movement_db, 0.0, 0.1);
}

#[test]
fn glue_is_the_difference_between_bed_and_objects() {
    let mut studio = Studio::default();
    studio.bed("Bed", &[("M+030", 30.0, 0.0), ("M-030", -30.0, 0.0)]);
    let at = super::models::block(0.0, 30.0, [0.0, 0.0, 1.0]);
    studio.object("Lead", Default::default(), vec![at]);
    studio.object("Guitar", Default::default(), vec![at]);
    let sides = (
        side_of(studio.model.clone(), 4),
        side_of(studio.model.clone(), 4),
    );
    let mix: Vec<_> = (0..4).map(|n| noise(n + 1, 30.0, 0.2)).collect();
    let pump = |t: f64| if t as u64 % 3 == 1 { -1.2 } else { 0.0 };
    let master: Vec<_> = (0..4)
        .map(|n| match n {
            0 | 1 => gain_db(&ride(&mix[n], pump), 1.0),
            _ => gain_db(&mix[n], 1.4),
        })
        .collect();
    let found = feed((&sides.0, &sides.1), (&master, &mix), || 48_000).0;
    let balance = found.balance.expect("there are both");
    near(balance.objects_static_gain_db, 1.4, 0.02);
    near(balance.spread_99_percent_db, 1.2, 0.03);
    assert!(balance.blocks > 290);
    let both = balance.bed_static_gain_db.unwrap() - balance.objects_static_gain_db.unwrap();
    near(balance.static_gain_difference_db, both, 1e-12);
    // Unpumped, bed and objects move as one.
    let master: Vec<_> = mix.iter().map(|track| ride(track, pump)).collect();
    let found = feed((&sides.0, &sides.1), (&master, &mix), || 48_000).0;
    near(found.balance.unwrap().spread_99_percent_db, 0.0, 0.03);
}
