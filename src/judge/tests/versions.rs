//! A file against another version of itself: what stops it, what only advises, what is not told.

use super::*;
use crate::compare::{
    ChannelAgainst, Comparer, Comparison, Edit, EditKind, Exchange, ExchangeKind, NullTest, Part,
    PartKind, RateLabel, Side, Versions,
};

/// Two channels that are those of the reference.
fn versions() -> Versions {
    let channel = |track: u32, label: &str| ChannelAgainst {
        part: Part {
            kind: PartKind::Channel,
            name: label.into(),
            object_id: None,
            channel: Some(label.into()),
            track: Some(track),
        },
        master_track: track,
        correlation: Some(0.99),
        most_like_track: Some(track),
        most_like_correlation: Some(0.99),
        inverted: false,
        inverted_confidence: 0.0,
        delay_frames: Some(0),
        delay_confidence: 1.0,
        level_change_db: Some(0.0),
        level_confidence: 1.0,
        sounds_in_mix_s: Seconds(180.0),
        sounds_in_master_s: Seconds(180.0),
        missing: false,
    };
    Versions {
        channels: vec![channel(1, "M+030"), channel(2, "M-030")],
        ..Versions::default()
    }
}

fn judged(versions: Versions) -> Judgement {
    let side = Side {
        model: None,
        tracks: 2,
        sample_rate: 48_000,
        labels: None,
        frames_hint: None,
    };
    let comparer = Comparer::new(&side, &side, &Default::default()).unwrap();
    let comparison = Comparison {
        master_frames: Frames(180 * 48_000),
        mix_frames: Frames(180 * 48_000),
        versions: Some(versions),
        ..comparer.finish()
    };
    let file = file("2.0");
    let facts = Facts {
        against: Some(AgainstRead {
            mix: Some(OsStr::new("Harbour_Lights_v1.wav")),
            result: Ok(&comparison),
        }),
        ..file.facts()
    };
    judge(&facts, &house(""))
}

fn told(versions: Versions) -> Vec<(String, Outcome)> {
    let findings = judged(versions).findings.into_iter();
    findings
        .filter(|finding| finding.check.starts_with("versions."))
        .map(|finding| (finding.check, finding.outcome))
        .collect()
}

fn one(check: &str, outcome: Outcome) -> Vec<(String, Outcome)> {
    vec![(format!("versions.{check}"), outcome)]
}

fn swap(confidence: f64) -> Versions {
    let mut versions = versions();
    versions.exchanges.push(Exchange {
        kind: ExchangeKind::LeftRight,
        tracks: vec![1, 2],
        found_at: vec![2, 1],
        direct: 1.2,
        crossed: 1.9,
        side_to_mid_db: Some(-9.0),
        side_correlation: Some(-0.95),
        confidence,
    });
    versions
}

#[test]
fn a_version_that_is_the_same_in_all_channels_has_nothing_against_it() {
    assert_eq!(told(versions()), []);
}

#[test]
fn a_swap_stops_beyond_doubt_advises_in_doubt_and_is_silent_under_half() {
    assert_eq!(told(swap(1.0)), one("lr_swapped", Outcome::Stop));
    assert_eq!(told(swap(0.6)), one("lr_swapped", Outcome::Advise));
    assert_eq!(told(swap(0.4)), []);
    let judgement = judged(swap(1.0));
    let finding = finding(&judgement, "versions.lr_swapped");
    assert_eq!(
        finding.says,
        "M+030 of the reference plays on M-030, M-030 of the reference plays on M+030"
    );
    let channels = finding.places.iter().map(|place| place.channel.as_deref());
    assert_eq!(channels.collect::<Vec<_>>(), [Some("M+030"), Some("M-030")]);
}

#[test]
fn one_channel_upside_down_stops_and_all_of_them_advise() {
    let mut found = versions();
    found.channels[1].inverted = true;
    found.channels[1].inverted_confidence = 1.0;
    assert_eq!(told(found.clone()), one("polarity", Outcome::Stop));
    found.channels[0].inverted = true;
    found.channels[0].inverted_confidence = 1.0;
    assert_eq!(told(found), one("polarity", Outcome::Advise));
}

#[test]
fn a_late_channel_and_one_out_of_balance_advise() {
    let mut found = versions();
    found.channels[1].delay_frames = Some(1);
    assert_eq!(told(found.clone()), one("channel_delay", Outcome::Advise));
    let judgement = judged(found);
    let says = &finding(&judgement, "versions.channel_delay").says;
    assert_eq!(says, "M-030 is 1 sample late against the other channels");
    let mut found = versions();
    found.channels[0].level_change_db = Some(-1.0);
    assert_eq!(told(found.clone()), one("level_imbalance", Outcome::Advise));
    found.channels[0].level_change_db = Some(-0.4);
    assert_eq!(told(found), []);
}

#[test]
fn an_edit_advises_at_its_place_in_this_file() {
    let mut found = versions();
    found.edits.listed.push(Edit {
        kind: EditKind::Inserted,
        start_s: Seconds(20.0),
        start_in_master_s: Seconds(21.0),
        length_in_mix_s: Seconds(0.0),
        length_in_master_s: Seconds(0.5),
        level_change_db: None,
        jump_frames: 24_000,
        uncertain_s: Seconds(0.0),
        confidence: 1.0,
    });
    assert_eq!(told(found.clone()), one("version_edit", Outcome::Advise));
    let judgement = judged(found);
    let finding = finding(&judgement, "versions.version_edit");
    assert_eq!(finding.says, "0.50 s are put in at 21.00 s");
    let place = &finding.places[0];
    assert_eq!((place.start_s, place.end_s), (Seconds(21.0), Seconds(21.5)));
}

#[test]
fn a_copy_advises_and_a_copy_at_another_gain_does_not() {
    let mut found = versions();
    let mut null = NullTest {
        gain_db: 0.0,
        inverted: false,
        residual_db: -150.0,
        worst_block_db: -150.0,
        identical_samples: true,
        same_audio: true,
        same_but_gain: false,
        compared_s: Seconds(180.0),
    };
    found.null = Some(null.clone());
    assert_eq!(told(found.clone()), one("duplicate", Outcome::Advise));
    (null.same_audio, null.same_but_gain) = (false, true);
    found.null = Some(null);
    assert_eq!(told(found), []);
}

#[test]
fn a_wrong_rate_stops() {
    let rate = |confidence| Versions {
        rate: Some(RateLabel {
            master_sample_rate_hz: Hertz::new(48_000).unwrap(),
            mix_sample_rate_hz: Hertz::new(48_000).unwrap(),
            duration_ratio: 0.918_75,
            ratio: 0.918_75,
            correlation: 0.95,
            correlation_as_labelled: 0.2,
            confidence,
        }),
        ..Versions::default()
    };
    assert_eq!(told(rate(1.0)), one("rate_label", Outcome::Stop));
    assert_eq!(told(rate(0.2)), []);
    let judgement = judged(rate(1.0));
    let says = &finding(&judgement, "versions.rate_label").says;
    assert!(says.contains("made for 44100 Hz"), "{says}");
}
