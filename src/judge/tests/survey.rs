//! The survey before the judge: what is sure and new is told, the rest is noted.

use std::ffi::OsStr;

use super::*;
use crate::judge::caution::caution;
use crate::layout::Label;
use crate::measure::{
    Depth, Measurements, MeterOrder, Meters, Spot, Spots, Survey, SurveyMeters, SurveyOrder,
    SurveyWants,
};
use crate::specimen::Metadata;
use crate::units::Hertz;

const RATE: u32 = 48_000;

/// Two channels of silence, and what a meter is said to have seen in them.
fn measured(see: impl Fn(&mut Survey)) -> Measurements {
    let rate = Hertz::new(RATE).expect("a rate");
    let labels: Vec<Label> = ["M+030", "M-030"]
        .map(|l| l.parse().expect("a label"))
        .to_vec();
    let mut survey = SurveyMeters::new(SurveyOrder {
        object_based: false,
        sample_rate: rate,
        channels: 2,
        labels: Some(labels.clone()),
        bits: None,
        floats: true,
        data: None,
        wants: SurveyWants::default(),
    })
    .finish();
    see(&mut survey);
    let mut measurements = Meters::new(MeterOrder {
        sample_rate: rate,
        channels: 2,
        labels: Some(labels),
        over_ceiling_dbtp: 0.0,
        full_scale: 1.0,
        renderer: None,
        depth: Depth::Full,
    })
    .finish();
    measurements.survey = Some(Box::new(survey));
    measurements
}

fn spot(start: u64, channel: Option<usize>, confidence: f64, inherited: bool) -> Spot {
    Spot {
        start,
        end: start + 480,
        channel,
        size: 3.0,
        confidence,
        inherited,
        summarised: false,
    }
}

fn over(spots: &[Spot]) -> Measurements {
    measured(|survey| {
        let mut places = Spots::default();
        spots.iter().for_each(|spot| places.push(*spot));
        survey.over_unity.places = places;
    })
}

const CHECK: &str = "peaks.float_over_0dbfs";

fn found(measurements: &Measurements, profile: &Profile) -> (Finding, Verdict) {
    let facts = Facts {
        name: OsStr::new("x.wav"),
        format: None,
        metadata: &Metadata::default(),
        oddities: &[],
        measurements: Some(measurements),
        adm: None,
        against: None,
        file_written: None,
        unread: None,
        incomplete: None,
    };
    let judgement = judge(&facts, profile);
    let verdict = judgement.verdict;
    let finding = judgement.findings.into_iter().find(|f| f.check == CHECK);
    (finding.expect("it is told"), verdict)
}

fn asks(severity: &str) -> Profile {
    house(&format!(
        "[limits.\"{CHECK}\"]\nnever = true\nseverity = \"{severity}\"\nsource = \"a test\""
    ))
}

#[test]
fn a_sure_place_is_told_with_how_many_where_and_how_large() {
    let measured = over(&[
        spot(96_000, Some(1), 0.8, false),
        spot(480_000, Some(1), 0.9, false),
        spot(500_000, Some(1), 0.3, false),
    ]);
    let (finding, verdict) = found(&measured, &asks("advise"));
    assert_eq!(
        (finding.outcome, verdict),
        (Outcome::Advise, Verdict::Advise)
    );
    assert_eq!(finding.subject, "M-030");
    assert_eq!(
        finding.says,
        "2 passages over full scale, the first at 0:02.000 on M-030, 3.0 dBFS"
    );
    assert_eq!((finding.places_total, finding.places.len()), (2, 2));
    assert_eq!(finding.places[0].confidence, Some(0.8));
}

#[test]
fn what_is_not_sure_or_inherited_is_a_note_whatever_the_profile_asks() {
    for (spots, says) in [
        (
            vec![spot(96_000, None, 0.4, false)],
            "perhaps 1 passage over full scale",
        ),
        (vec![spot(96_000, None, 0.9, true)], "the mix has the same"),
        (
            vec![
                spot(96_000, None, 0.9, true),
                spot(99_000, None, 0.2, false),
            ],
            "1 of them are in the mix too",
        ),
    ] {
        let (finding, verdict) = found(&over(&spots), &asks("stop"));
        assert_eq!(finding.outcome, Outcome::Note, "{}", finding.says);
        assert_ne!(verdict, Verdict::Stop);
        assert!(finding.says.contains(says), "{}", finding.says);
        assert_eq!(finding.places.len(), spots.len());
    }
}

#[test]
fn only_what_is_certain_stops() {
    let (finding, _) = found(&over(&[spot(9, None, 0.9, false)]), &asks("stop"));
    assert_eq!(finding.outcome, Outcome::Advise);
    let (finding, verdict) = found(&over(&[spot(9, None, 1.0, false)]), &asks("stop"));
    assert_eq!((finding.outcome, verdict), (Outcome::Stop, Verdict::Stop));
}

/// A tone of a tenth of full scale (-23.0 dBFS RMS) over a soft one.
fn caution_for(hz: f64, amplitude: f64) -> Option<String> {
    let rate = Hertz::new(96_000).expect("a rate");
    let wave = |hz: f64, n: usize| (std::f64::consts::TAU * hz * n as f64 / 96_000.0).sin();
    let channel: Vec<f64> = (0..192_000)
        .map(|n| amplitude * wave(hz, n) + 0.01 * wave(440.0, n))
        .collect();
    let planes: [&[f64]; 2] = [&channel, &channel];
    let mut survey = SurveyMeters::new(SurveyOrder {
        object_based: false,
        sample_rate: rate,
        channels: 2,
        labels: None,
        bits: Some(24),
        floats: false,
        data: None,
        // In every profile: no group is asked for.
        wants: SurveyWants::default(),
    });
    survey.feed(&planes);
    let mut meters = Meters::new(MeterOrder {
        sample_rate: rate,
        channels: 2,
        labels: None,
        over_ceiling_dbtp: 0.0,
        full_scale: 1.0,
        renderer: None,
        depth: Depth::Full,
    });
    meters.feed_planes(&planes);
    let mut measurements = meters.finish();
    measurements.survey = Some(Box::new(survey.finish()));
    caution(&Facts {
        name: OsStr::new("x.wav"),
        format: None,
        metadata: &Metadata::default(),
        oddities: &[],
        measurements: Some(&measurements),
        adm: None,
        against: None,
        file_written: None,
        unread: None,
        incomplete: None,
    })
}

// An ear's range ends near 20 kHz (common practice, no source).
#[test]
fn a_strong_tone_that_nobody_hears_opens_the_record_with_the_caution() {
    // A sine of 0.1 is -23 dBFS RMS; one of -27 dBFS by its peak, 0.0447, is -30.
    for (amplitude, level) in [(0.1, -23), (0.0447, -30)] {
        let ultrasonic = caution_for(30_000.0, amplitude).expect("a caution");
        let says = format!("{level} dBFS over 20 kHz on ch 1");
        assert!(ultrasonic.contains(&says), "{ultrasonic}");
    }
    let shrill = caution_for(18_000.0, 0.1).expect("a caution");
    assert!(
        shrill.contains("more energy over 16 kHz than below on ch 1"),
        "{shrill}"
    );
    assert_eq!(caution_for(4_000.0, 0.1), None);
    assert_eq!(caution_for(30_000.0, 0.001), None);
}

#[test]
fn where_there_is_nothing_it_is_said_that_there_is_nothing() {
    let (finding, _) = found(&over(&[]), &asks("advise"));
    assert_eq!(finding.outcome, Outcome::Clear);
    assert_eq!(finding.says, "no passage over full scale");
}

#[test]
fn the_fault_finding_profile_wants_every_meter_and_asks_every_check() {
    let set = built_in();
    let profile = set.get("fault-finding").expect("built in");
    let all = wants(profile);
    assert!(all.clicks && all.defects && all.ends && all.channels && all.provenance);
    let is_fault = |check: &&Check| {
        let of_tracks = check.id.starts_with("immersive.");
        check.takes == Takes::Fault && !check.needs.is_empty() && !of_tracks
    };
    for check in catalogue().iter().filter(is_fault) {
        assert!(profile.limits.contains_key(check.id), "{}", check.id);
    }
}
