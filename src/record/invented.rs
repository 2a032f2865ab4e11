//! Invented files for the tests of record and notice: what a weighing could have said.

use std::collections::BTreeMap;

use jiff::ZonedDateTime;

use super::{Head, Named, Render, Revision, SceneFacts, Sidecar, sidecar, unread};
use crate::intake::Identity;
use crate::judge::{Finding, Judgement, Outcome, Verdict};
use crate::layout;
use crate::ledger::{CustodyEvent, CustodyEventKind};
use crate::measure::*;
use crate::profile::{Choice, Profile};
use crate::render::binaural::HeadSetFacts;
use crate::specimen::*;
use crate::units::*;
use crate::weigh::Weighed;

pub fn now() -> ZonedDateTime {
    "2026-05-04T17:20:11+01:00[+01:00]"
        .parse()
        .expect("a time with its zone")
}

pub fn profile() -> Profile {
    Profile {
        yardsticks: Default::default(),
        renders: None,
        name: "immersive-music".into(),
        title: "Immersive music master".into(),
        about: String::new(),
        extends: Vec::new(),
        origin: "built in".into(),
        channels: None,
        limits: BTreeMap::new(),
        digest: "ab".repeat(32),
    }
}

pub fn identity() -> Identity {
    Identity {
        device: 1,
        inode: 2,
        bytes: 103_680_044,
        modified_ns: 1_777_911_480_250_000_000,
        changed_ns: 0,
        links: 1,
    }
}

pub fn place(start_frame: u64, channel: Option<&str>, value: Option<f64>) -> Place {
    let start = start_frame as f64 / 48_000.0;
    Place {
        start_s: Seconds(start),
        end_s: Seconds(start + 0.001),
        start_frame: Frames(start_frame),
        channel: channel.map(String::from),
        value,
        ..Place::default()
    }
}

pub fn finding(check: &str, outcome: Outcome, value: f64, unit: &str, limit: &str) -> Finding {
    Finding {
        check: check.into(),
        subject: "0+5+0".into(),
        value: Some(Choice::Number(value)),
        unit: unit.into(),
        limit: Some(limit.into()),
        outcome,
        says: format!("{check} reads {value} {unit}"),
        source: "common practice, no source".into(),
        places: Vec::new(),
        identity: None,
        not_measured: None,
        weight: None,
        places_total: 0,
    }
}

pub fn too_loud() -> Judgement {
    let mut findings = vec![
        Finding {
            says: "integrated loudness is 1.6 LU over what was asked".into(),
            source: "house aim of the invented studio".into(),
            ..finding(
                "loudness.integrated",
                Outcome::Stop,
                -16.4,
                "LUFS",
                "at most -18.0 LUFS",
            )
        },
        Finding {
            says: "the true peak passes the ceiling in 3 places".into(),
            places: vec![
                place(2_021_424, Some("M+030"), Some(-0.31)),
                place(5_000_001, Some("M-030"), Some(-0.84)),
                place(9_312_000, None, None),
            ],
            places_total: 3,
            source: "EBU R 128 (2023), clause h".into(),
            ..finding(
                "peaks.true_peak",
                Outcome::Stop,
                -0.31,
                "dBTP",
                "at most -1.0 dBTP",
            )
        },
        Finding {
            value: None,
            unit: "LU".into(),
            says: "the range could not be measured: the piece is shorter than 3 s".into(),
            ..finding(
                "loudness.range",
                Outcome::Unmeasured,
                0.0,
                "LU",
                "at most 20.0 LU",
            )
        },
        Finding {
            says: "0.2 s of silence before the music".into(),
            ..finding(
                "edges.head_silence",
                Outcome::Advise,
                0.2,
                "s",
                "at most 0.1 s",
            )
        },
        Finding {
            value: Some(Choice::Text("Tallow Street".into())),
            says: "bext names the originator Tallow Street".into(),
            limit: None,
            ..finding("metadata.originator", Outcome::Note, 0.0, "", "")
        },
    ];
    for n in 0..41 {
        findings.push(finding(
            &format!("format.clear_{n}"),
            Outcome::Clear,
            1.0,
            "",
            "1",
        ));
    }
    Judgement {
        verdict: Verdict::Stop,
        reason: "1.6 LU too loud on the 5.1 re-render (-16.4, asked: at most -18.0 LUFS), \
                 and 3 true-peak overs"
            .into(),
        caution: None,
        findings,
    }
}

pub fn weighed() -> Weighed {
    let stereo = layout::by_name("0+2+0").expect("a known layout").labels();
    let peaks = Peaks {
        true_peak_dbtp: DbTp::from_linear(0.965),
        true_peak_at_s: Some(Seconds(42.113)),
        true_peak_margin_db: Some(0.12),
        true_peak_filter: "invented".into(),
        sample_peak_dbfs: Dbfs::from_linear(0.95),
        peak_to_loudness_lu: Lu::new(16.1),
    };
    let channel = |label: &str| ChannelMeasurements {
        label: label.into(),
        true_peak_dbtp: DbTp::from_linear(0.965),
        sample_peak_dbfs: Dbfs::from_linear(0.95),
        rms_dbfs: Dbfs::from_linear(0.1),
        dc_offset: -0.000_012_5,
        full_scale_runs: 0,
        longest_full_scale_run: 0,
        overs: 3,
    };
    Weighed {
        adm: None,
        against: None,
        identity: identity(),
        digests: Digests {
            blake3: "0f".repeat(32),
            sha256: Some("1e".repeat(32)),
            md5: None,
        },
        audio_blake3: Some("2d".repeat(32)),
        format: Some(Format {
            container: Container::Wave,
            encoding: Encoding::Pcm,
            sample_rate: Hertz::new(48_000).expect("not 0"),
            bit_depth: Some(24),
            channels: 2,
            labels: Some(stereo.clone()),
            labels_from: Some(LabelSource::File),
            frames: Some(Frames(17_280_000)),
        }),
        metadata: Metadata::default(),
        measurements: Some(Measurements {
            sample_rate: Hertz::new(48_000).expect("not 0"),
            frames: Frames(17_280_000),
            measured_on: Some(MeasuredOn {
                layout: "0+2+0".into(),
                labels: stereo,
                weights: vec![1.0, 1.0],
                renderer: None,
            }),
            loudness: crate::measured::Measured::Is(Loudness {
                integrated_lufs: Lufs::new(-16.4),
                momentary_max_lufs: Lufs::new(-9.1),
                short_term_max_lufs: Lufs::new(-12.0),
                range_lu: Lu::new(6.3),
                range_stable: true,
                gated_blocks: 3_500,
                ..Loudness::default()
            }),
            peaks,
            channels: vec![channel("M+030"), channel("M-030")],
            edges: Edges::default(),
            overs: Places::default(),
            full_scale_runs: Places::default(),
            immersive: None,
            survey: None,
        }),
        judgement: too_loud(),
    }
}

/// Nothing that could be read as audio.
pub fn weighed_rubbish() -> Weighed {
    Weighed {
        audio_blake3: None,
        format: None,
        measurements: None,
        judgement: Judgement {
            verdict: Verdict::Unread,
            reason: "it is no audio file that weighbridge reads".into(),
            caution: None,
            findings: Vec::new(),
        },
        ..weighed()
    }
}

pub fn quarantined() -> Vec<CustodyEvent> {
    vec![CustodyEvent {
        at: "2026-05-04T17:20:11+01:00".into(),
        event: CustodyEventKind::Quarantined,
        from: Some("exports:album/x.wav".into()),
        to: Some("quarantine:album/x.wav".into()),
        says: None,
    }]
}

pub fn stopped(name: &str) -> Sidecar {
    sidecar(
        &weighed(),
        name.as_ref(),
        &profile(),
        quarantined(),
        None,
        &now(),
    )
}

/// An object-based master that is 1.6 LU too loud on its 5.1 render, with everything that can be
/// told of one.
pub fn immersive(name: &str) -> Sidecar {
    const RENDERER: &str = "an invented renderer 1.0";
    let mut sidecar = stopped(name);
    let measured = sidecar.measured.as_mut().expect("it was measured");
    let loudness = |integrated: f64| Loudness {
        integrated_lufs: Lufs::new(integrated),
        range_lu: Lu::new(6.3),
        range_stable: true,
        ..Loudness::default()
    };
    let render = |layout: &str, integrated: f64, head: Option<Head>| Render {
        loudness: Some(loudness(integrated)),
        peaks: measured.peaks.clone(),
        measured_on: Some(MeasuredOn {
            layout: layout.into(),
            labels: Vec::new(),
            weights: Vec::new(),
            renderer: Some(match &head {
                Some(head) => format!("{RENDERER}, {}", head.set.name),
                None => RENDERER.into(),
            }),
        }),
        channels: Vec::new(),
        head,
    };
    let head = Head {
        set: HeadSetFacts {
            name: "an invented head".into(),
            digest_blake3: "4b".repeat(32),
            taps: 256,
            sample_rate_hz: 48_000.0,
            licence: String::new(),
            directions: 710,
        },
        virtual_layout: "4+7+0".into(),
    };
    let named = |id: &str, name: &str| Named {
        id: id.into(),
        name: name.into(),
    };
    let renders = [
        ("0+2+0", render("0+2+0", -17.2, None)),
        ("0+5+0", render("0+5+0", -16.4, None)),
        ("4+7+0", render("4+7+0", -16.9, None)),
        ("binaural", render("0+2+0", -17.8, Some(head))),
    ];
    measured.measured_on = renders[1].1.measured_on.clone();
    measured.renders = renders.map(|(on, render)| (on.into(), render)).into();
    measured.scene = Some(SceneFacts {
        version: Some("ITU-R_BS.2076-2".into()),
        programme: Some(named("APR_1001", "Main")),
        other_programmes: vec![named("APR_1002", "Without voice")],
        bed_layout: Some("7.1.2".into()),
        bed_channels: 10,
        objects: 12,
        hoa_groups: 0,
        remarks: vec!["of 2 programmes the one with the lowest id is rendered".into()],
        not_rendered: None,
    });
    measured.parts = Some(Parts {
        layout: "0+5+0".into(),
        renderer: RENDERER.into(),
        bed: Some(loudness(-20.1)),
        objects: Some(loudness(-18.9)),
        bed_less_objects_lu: Lu::new(-1.2),
        short_term_difference_lu: Some([-4.1, -1.0, 2.0].map(|lu| Lu::new(lu).expect("finite"))),
        ..Parts::default()
    });
    measured.lfe = vec![LfeFacts {
        channel: "AC_00031004".into(),
        label: Some("LFE1".into()),
        track: 4,
        declared: false,
        rms_dbfs: Dbfs::from_linear(0.1),
        sample_peak_dbfs: Dbfs::from_linear(0.3),
        high_less_low_db: Some(-50.0),
    }];
    measured.fold = Some(Fold {
        from: "0+5+0".into(),
        to: "0+2+0".into(),
        headroom_lost_db: Some(2.6),
        true_peak_dbtp: DbTp::from_linear(0.9),
        loudness_change_lu: Lu::new(-0.8),
        at_s: Some(Seconds(42.113)),
    });
    let format = sidecar.format.as_mut().expect("it has a format");
    format.channels = 22;
    format.channel_labels = None;
    format.layout = None;
    sidecar
}

/// One of each kind, for tests that must hold for all.
pub fn all_kinds() -> Vec<Sidecar> {
    let revision = Some(Revision {
        number: 3,
        replaces: Some("3c".repeat(32)),
    });
    let clear = Weighed {
        judgement: Judgement {
            verdict: Verdict::Clear,
            reason: String::new(),
            caution: None,
            findings: too_loud().findings.split_off(5),
        },
        ..weighed()
    };
    let of = |weighed: &Weighed| {
        let name = "Harbour Lights_MI04_48k24.wav".as_ref();
        sidecar(
            weighed,
            name,
            &profile(),
            Vec::new(),
            revision.clone(),
            &now(),
        )
    };
    vec![
        stopped("Harbour Lights_MI04_48k24.wav"),
        of(&clear),
        immersive("Harbour Lights_MI05_immersive.wav"),
        of(&weighed_rubbish()),
        unread(
            Some(&identity()),
            "away.wav".as_ref(),
            "reading failed after 4096 bytes: the share was away",
            &profile(),
            Vec::new(),
            None,
            &now(),
        ),
    ]
}
