//! What the house promises of a judgement. Facts are made by hand; expected numbers stand in
//! the tests or in the documents named beside them.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;

use super::*;
use crate::layout::{self, Label};
use crate::measure::{
    ChannelMeasurements, Edges, Loudness, MeasuredOn, Measurements, Peaks, Place, Places,
};
use crate::profile::{Choice, Profile, Severity};
use crate::specimen::{
    Bext, Container, Encoding, Format, LabelSource, Metadata, Oddity, OddityKind,
};
use crate::units::{DbTp, Dbfs, Frames, Hertz, Lu, Lufs, Seconds};

const EVERY_ODDITY: &[OddityKind] = &[
    OddityKind::DataTruncated,
    OddityKind::HeaderUnfinished,
    OddityKind::HeaderSaysLess,
    OddityKind::SizesDisagree,
    OddityKind::Ds64Missing,
    OddityKind::PadMissing,
    OddityKind::TrailingBytes,
    OddityKind::ChunkTwice,
    OddityKind::FormatFields,
    OddityKind::PartialFrame,
    OddityKind::FloatNan,
    OddityKind::FloatInf,
    OddityKind::FloatDenormal,
    OddityKind::DecodeErrors,
    OddityKind::StreamDigest,
    OddityKind::ExtensionDiffers,
    OddityKind::MetadataDamaged,
];

/// One file's facts, owned; a three-minute stereo master that every stereo profile clears.
#[derive(Clone)]
struct File {
    name: String,
    format: Option<Format>,
    metadata: Metadata,
    oddities: Vec<Oddity>,
    measurements: Option<Measurements>,
    unread: Option<String>,
    incomplete: Option<String>,
}

fn dbtp(level: f64) -> Option<DbTp> {
    DbTp::from_linear(10f64.powf(level / 20.0))
}

fn dbfs(level: f64) -> Option<Dbfs> {
    Dbfs::from_linear(10f64.powf(level / 20.0))
}

fn file(layout: &str) -> File {
    let layout = layout::by_name(layout).expect("a layout");
    let labels = layout.labels();
    let rate = Hertz::new(48_000).unwrap();
    let frames = Frames(180 * 48_000);
    let channel = |label: &Label| ChannelMeasurements {
        label: label.to_string(),
        true_peak_dbtp: dbtp(-1.5),
        sample_peak_dbfs: dbfs(-1.8),
        rms_dbfs: dbfs(-18.0),
        dc_offset: 0.000_01,
        full_scale_runs: 0,
        longest_full_scale_run: 0,
        overs: 0,
    };
    File {
        name: "Harbour_Lights.wav".into(),
        format: Some(Format {
            container: Container::Wave,
            encoding: Encoding::Pcm,
            sample_rate: rate,
            bit_depth: Some(24),
            channels: labels.len(),
            labels: Some(labels.clone()),
            labels_from: Some(LabelSource::File),
            frames: Some(frames),
        }),
        metadata: Metadata::default(),
        oddities: Vec::new(),
        measurements: Some(Measurements {
            sample_rate: rate,
            frames,
            measured_on: Some(MeasuredOn {
                layout: layout.name.into(),
                weights: vec![1.0; labels.len()],
                labels: labels.clone(),
                renderer: None,
            }),
            loudness: Some(Loudness {
                integrated_lufs: Lufs::new(-18.5),
                momentary_max_lufs: Lufs::new(-12.0),
                momentary_max_at_s: Some(Seconds(61.0)),
                short_term_max_lufs: Lufs::new(-14.0),
                short_term_max_at_s: Some(Seconds(60.0)),
                range_lu: Lu::new(6.3),
                range_stable: true,
                gated_blocks: 1700,
            }),
            peaks: Peaks {
                true_peak_dbtp: dbtp(-1.5),
                true_peak_at_s: Some(Seconds(61.2)),
                true_peak_margin_db: Some(0.1),
                true_peak_filter: "96 taps, 4 times".into(),
                sample_peak_dbfs: dbfs(-1.8),
                peak_to_loudness_lu: Lu::new(17.0),
            },
            channels: labels.iter().map(channel).collect(),
            edges: Edges {
                head_silence_s: Seconds(0.1),
                tail_silence_s: Seconds(1.0),
                ..Edges::default()
            },
            overs: Places::default(),
            full_scale_runs: Places::default(),
        }),
        unread: None,
        incomplete: None,
    }
}

impl File {
    fn facts(&self) -> Facts<'_> {
        Facts {
            name: OsStr::new(&self.name),
            format: self.format.as_ref(),
            metadata: &self.metadata,
            oddities: &self.oddities,
            measurements: self.measurements.as_ref(),
            unread: self.unread.as_deref(),
            incomplete: self.incomplete.as_deref(),
        }
    }

    fn measured(&mut self) -> &mut Measurements {
        self.measurements.as_mut().unwrap()
    }

    fn loudness(&mut self) -> &mut Loudness {
        self.measured().loudness.as_mut().unwrap()
    }

    fn odd(mut self, kind: OddityKind, says: &str) -> Self {
        self.oddities.push(Oddity {
            kind,
            says: says.into(),
            at: None,
            channel: None,
            count: 1,
        });
        self
    }

    fn by(&self, profile: &str) -> Judgement {
        judge(&self.facts(), built_in().get(profile).unwrap())
    }

    /// Judged by a profile with these limits alone.
    fn by_limits(&self, limits: &str) -> Judgement {
        judge(&self.facts(), &house(limits))
    }

    /// A file that could not be read as audio.
    fn unreadable(mut self, why: &str) -> Self {
        self.measurements = None;
        self.unread = Some(why.into());
        self
    }

    /// A file whose channels nobody has named.
    fn unlabelled(mut self) -> Self {
        let format = self.format.as_mut().unwrap();
        format.labels = None;
        format.labels_from = None;
        let measured = self.measured();
        measured.measured_on = None;
        measured.loudness = None;
        measured.peaks.peak_to_loudness_lu = None;
        for (n, channel) in measured.channels.iter_mut().enumerate() {
            channel.label = format!("ch {}", n + 1);
        }
        self
    }
}

fn built_in() -> ProfileSet {
    load_profiles(None).expect("the built-in profiles are right")
}

fn house(limits: &str) -> Profile {
    let folder = tempfile::tempdir().unwrap();
    let text = format!("name = \"house\"\ntitle = \"House\"\n{limits}");
    fs::write(folder.path().join("house.toml"), text).unwrap();
    load_profiles(Some(folder.path()))
        .unwrap()
        .get("house")
        .unwrap()
        .clone()
}

fn finding<'a>(judgement: &'a Judgement, check: &str) -> &'a Finding {
    judgement
        .findings
        .iter()
        .find(|finding| finding.check == check)
        .unwrap_or_else(|| panic!("no finding for {check}"))
}

fn over(start: f64, value: f64) -> Place {
    Place {
        start_s: Seconds(start),
        end_s: Seconds(start + 0.001),
        start_frame: Frames((start * 48_000.0) as u64),
        channel: Some("M+030".into()),
        value: Some(value),
    }
}

// The catalogue and the built-in profiles.

#[test]
fn every_check_says_what_it_is_where_it_comes_from_and_what_it_cannot_see() {
    let mut ids = BTreeSet::new();
    for check in catalogue() {
        assert!(ids.insert(check.id), "{} stands twice", check.id);
        assert!(
            check
                .id
                .split_once('.')
                .is_some_and(|(a, b)| !a.is_empty() && !b.is_empty())
        );
        for text in [
            check.title,
            check.definition,
            check.source,
            check.cannot_see,
        ] {
            assert!(!text.trim().is_empty(), "{}", check.id);
        }
        assert!(
            check.definition.ends_with('.') && check.cannot_see.ends_with('.'),
            "{}",
            check.id
        );
        assert_eq!(super::check(check.id).unwrap().id, check.id);
    }
}

#[test]
fn every_kind_of_oddity_has_its_check() {
    for kind in EVERY_ODDITY {
        assert!(check(kind.check()).is_some(), "{kind:?}");
    }
}

#[test]
fn every_built_in_profile_is_right_and_names_a_source_for_each_number() {
    let set = built_in();
    for name in [
        "any-audio",
        "stereo-music",
        "stereo-version",
        "immersive-channels",
        "immersive-7-1-4",
        "immersive-music",
        "broadcast-r128",
        "broadcast-r128-short",
        "streaming-r128",
        "music-streaming",
        "broadcast-a85",
        "cd-premaster",
        "archive-transfer",
    ] {
        let profile = set.get(name).unwrap();
        assert_eq!(profile.origin, "built in");
        assert!(profile.about.ends_with('.'), "{name}");
        for (id, limit) in &profile.limits {
            assert!(limit.source.len() > 10, "{name} {id}");
            assert!(!limit.source.contains("no source given"), "{name} {id}");
        }
    }
    assert_eq!(set.iter().count(), 13);
    let digests: BTreeSet<&str> = set.iter().map(|p| p.digest.as_str()).collect();
    assert_eq!(digests.len(), 13);
}

#[test]
fn the_published_figures_are_in_the_profiles() {
    let set = built_in();
    let asked = |profile: &str, check: &str| {
        words::asked(
            &set.get(profile).unwrap().limits[check].rule,
            super::check(check).unwrap().unit,
        )
        .unwrap()
    };
    // EBU R 128 (2023): -23.0 LUFS, (i) +/-0.2 LU, (m) -1 dBTP.
    assert_eq!(
        asked("broadcast-r128", "loudness.integrated"),
        "-23.0 ±0.2 LUFS"
    );
    assert_eq!(
        asked("broadcast-r128", "peaks.true_peak"),
        "at most -1.0 dBTP"
    );
    // EBU R 128 s1: short-term maximum -18 LUFS.
    assert_eq!(
        asked("broadcast-r128-short", "loudness.short_term_max"),
        "at most -18.0 LUFS"
    );
    // EBU R 128 s2, interim range (secondary summary).
    assert_eq!(
        asked("streaming-r128", "loudness.integrated"),
        "-20.0 to -16.0 LUFS"
    );
    // ATSC A/85, clause 6: -24 LKFS +/-2 dB, -2 dBTP.
    assert_eq!(
        asked("broadcast-a85", "loudness.integrated"),
        "-24.0 ±2.0 LUFS"
    );
    assert_eq!(
        asked("broadcast-a85", "peaks.true_peak"),
        "at most -2.0 dBTP"
    );
    // AES TD1008, Table 1: -1 dBTP at the codec's input, -14 LUFS for the loudest track.
    assert_eq!(
        asked("music-streaming", "loudness.integrated"),
        "at most -14.0 LUFS"
    );
    assert_eq!(
        asked("stereo-music", "peaks.true_peak"),
        "at most -1.0 dBTP"
    );
    // IEC 60908 (secondary summary): 44.1 kHz, 16 bit, 4 s to 79.8 min.
    assert_eq!(asked("cd-premaster", "format.sample_rate"), "44100 Hz");
    assert_eq!(asked("cd-premaster", "format.bit_depth"), "16 bit");
    assert_eq!(
        asked("cd-premaster", "duration.length"),
        "4.00 to 4788.00 s"
    );
    // IASA TC-03, chapter 10: 48 kHz, 24 bit for analogue originals.
    assert_eq!(
        asked("archive-transfer", "format.sample_rate"),
        "at least 48000 Hz"
    );
    // A platform's published music specification: -18 LKFS, -1 dBTP.
    assert_eq!(
        asked("immersive-music", "loudness.integrated"),
        "at most -18.0 LUFS"
    );
    assert_eq!(
        set.get("immersive-music").unwrap().limits["loudness.integrated"]
            .render
            .as_deref(),
        Some("0+5+0")
    );
}

#[test]
fn the_starting_point_names_profiles_that_exist() {
    let text = include_str!("../../config/weighbridge.toml");
    let path = Path::new("/etc/weighbridge/weighbridge.toml");
    crate::config::Config::parse(text, path, &built_in().names()).unwrap();
}

#[test]
fn the_meter_lists_overs_above_the_profiles_ceiling_or_full_scale() {
    let set = built_in();
    assert_eq!(over_ceiling_dbtp(set.get("stereo-music").unwrap()), -1.0);
    assert_eq!(over_ceiling_dbtp(set.get("broadcast-a85").unwrap()), -2.0);
    assert_eq!(over_ceiling_dbtp(set.get("any-audio").unwrap()), 0.0);
    assert_eq!(
        over_ceiling_dbtp(&house(
            "[limits.\"peaks.true_peak\"]\nwithin = [-9.0, -0.5]"
        )),
        -0.5
    );
}

// Verdicts.

#[test]
fn a_good_master_is_clear() {
    let judgement = file("2.0").by("stereo-music");
    assert_eq!(judgement.verdict, Verdict::Clear, "{}", judgement.reason);
    assert_eq!(judgement.caution, None);
    let clear = judgement
        .findings
        .iter()
        .filter(|f| f.outcome == Outcome::Clear)
        .count();
    assert_eq!(judgement.reason, format!("{clear} checks clear"));
}

#[test]
fn a_loud_master_is_told_by_how_much_with_the_layout_and_whose_limit() {
    let mut loud = file("2.0");
    loud.loudness().integrated_lufs = Lufs::new(-16.4);
    let judgement = loud.by_limits(
        "[limits.\"loudness.integrated\"]\nat_most = -18.0\nsource = \"contract, page 2\"",
    );
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(
        judgement.reason,
        "1.6 LU too loud (-16.4 on 0+2+0, asked: at most -18.0 LUFS)"
    );
    let found = &judgement.findings[0];
    assert_eq!(
        found.says,
        "integrated loudness is -16.4 LUFS, 1.6 LU above the limit of -18.0"
    );
    assert_eq!(found.subject, "0+2+0");
    assert_eq!(found.limit.as_deref(), Some("at most -18.0 LUFS"));
    assert_eq!(
        (found.unit.as_str(), found.source.as_str()),
        ("LUFS", "contract, page 2")
    );
    assert_eq!(found.value, Some(Choice::Number(-16.4)));
}

#[test]
fn a_quiet_programme_is_told_against_its_target() {
    let mut quiet = file("2.0");
    quiet.loudness().integrated_lufs = Lufs::new(-24.5);
    let judgement = quiet.by("broadcast-r128");
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(
        judgement.reason,
        "1.3 LU too quiet (-24.5 on 0+2+0, asked: -23.0 ±0.2 LUFS)"
    );
    assert_eq!(
        judgement.findings[0].says,
        "integrated loudness is -24.5 LUFS, 1.3 LU below what the target of -23.0 ±0.2 allows"
    );
    for inside in [-23.2, -23.0, -22.8] {
        quiet.loudness().integrated_lufs = Lufs::new(inside);
        assert_eq!(
            quiet.by("broadcast-r128").verdict,
            Verdict::Clear,
            "{inside}"
        );
    }
}

#[test]
fn a_small_difference_is_never_shown_as_nothing() {
    let mut just = file("2.0");
    just.loudness().integrated_lufs = Lufs::new(-17.98);
    let judgement = just.by_limits("[limits.\"loudness.integrated\"]\nat_most = -18.0");
    assert_eq!(
        judgement.findings[0].says,
        "integrated loudness is -17.98 LUFS, 0.02 LU above the limit of -18.0"
    );
}

#[test]
fn overs_are_counted_listed_and_told_after_the_loudness() {
    let mut hot = file("2.0");
    hot.loudness().integrated_lufs = Lufs::new(-16.4);
    hot.measured().peaks.true_peak_dbtp = dbtp(-0.2);
    for n in 0..3 {
        let place = over(10.0 + f64::from(n), -0.5);
        hot.measured().overs.push(place);
    }
    let limits = "[limits.\"loudness.integrated\"]\nat_most = -18.0\n[limits.\"peaks.true_peak\"]\nat_most = -1.0";
    let judgement = hot.by_limits(limits);
    assert_eq!(
        judgement.reason,
        "1.6 LU too loud (-16.4 on 0+2+0, asked: at most -18.0 LUFS), and 3 true-peak overs"
    );
    let found = finding(&judgement, "peaks.true_peak");
    assert_eq!((found.places.len(), found.places_total), (3, 3));
    assert_eq!(
        found.says,
        "true peak is -0.2 dBTP, 0.8 dB above the limit of -1.0"
    );

    let mut hot = file("2.0");
    hot.measured().peaks.true_peak_dbtp = dbtp(-0.2);
    for n in 0..250 {
        let place = over(f64::from(n), -0.5);
        hot.measured().overs.push(place);
    }
    let judgement = hot.by_limits(limits);
    assert_eq!(
        judgement.reason,
        "250 true-peak overs (highest -0.2, asked: at most -1.0 dBTP)"
    );
    let found = finding(&judgement, "peaks.true_peak");
    assert_eq!((found.places.len(), found.places_total), (100, 250));
}

#[test]
fn more_than_two_findings_are_counted() {
    let mut bad = file("2.0").odd(
        OddityKind::DataTruncated,
        "the header says 9 bytes, 5 are there",
    );
    bad.measured().peaks.true_peak_dbtp = dbtp(0.5);
    let format = bad.format.as_mut().unwrap();
    format.sample_rate = Hertz::new(32_000).unwrap();
    format.channels = 1;
    format.encoding = Encoding::Mp3;
    let judgement = bad.by("stereo-music");
    assert_eq!(
        judgement.reason,
        "the header says 9 bytes, 5 are there, encoding MP3, and 3 more"
    );
    assert_eq!(judgement.findings[0].check, "damage.data_truncated");
}

#[test]
fn an_over_within_the_margin_only_advises_and_says_why() {
    let mut just = file("2.0");
    just.measured().peaks.true_peak_dbtp = dbtp(-0.8);
    just.measured().peaks.true_peak_margin_db = Some(0.6);
    // EBU R 128 (2023), clause (m): -1 dBTP, measurement tolerance 0.3 dB.
    let judgement = just.by("broadcast-r128");
    let found = finding(&judgement, "peaks.true_peak");
    assert_eq!(found.outcome, Outcome::Advise);
    assert_eq!(
        found.says,
        "true peak is -0.8 dBTP, 0.2 dB above the limit of -1.0; within the margin of 0.3 dB, so it only advises; another meter's filter may read up to 0.6 dB lower"
    );
    just.measured().peaks.true_peak_dbtp = dbtp(-0.6);
    assert_eq!(
        finding(&just.by("broadcast-r128"), "peaks.true_peak").outcome,
        Outcome::Stop
    );
}

#[test]
fn the_range_of_a_short_piece_never_stops() {
    let mut short = file("2.0");
    short.loudness().range_stable = false;
    short.loudness().range_lu = Lu::new(25.0);
    let limits = "[limits.\"loudness.range\"]\nat_most = 20.0\nseverity = \"stop\"";
    let judgement = short.by_limits(limits);
    assert_eq!(judgement.verdict, Verdict::Clear);
    let found = finding(&judgement, "loudness.range");
    assert_eq!(found.outcome, Outcome::Note);
    assert!(found.says.contains("unstable under 60 s"), "{}", found.says);
    short.loudness().range_stable = true;
    assert_eq!(short.by_limits(limits).verdict, Verdict::Stop);
}

// What could not be measured.

#[test]
fn unknown_channels_stop_and_say_what_to_do() {
    let judgement = file("7.1.4").unlabelled().by("immersive-channels");
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(judgement.reason, "nobody says where the 12 channels play");
    let found = finding(&judgement, "loudness.integrated");
    assert_eq!(found.outcome, Outcome::Unmeasured);
    assert_eq!(found.value, None);
    assert!(
        found
            .says
            .contains("set `channels` in the route or the profile"),
        "{}",
        found.says
    );
    // Asked with weight, it stops: what is not measured is never taken for a pass.
    let limits = "[limits.\"loudness.integrated\"]\nat_most = -18.0\n[limits.\"loudness.momentary_max\"]\nat_most = -5.0";
    let judgement = file("7.1.4").unlabelled().by_limits(limits);
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(
        judgement.reason,
        "loudness not measured: nobody says where the 12 channels play"
    );
    let noted = "[limits.\"loudness.integrated\"]\nreport = true";
    assert_eq!(
        file("7.1.4").unlabelled().by_limits(noted).verdict,
        Verdict::Clear
    );
}

#[test]
fn silence_has_no_loudness_and_does_not_pass_for_quiet() {
    let mut silent = file("2.0");
    silent.measured().loudness = Some(Loudness::default());
    silent.measured().peaks = Peaks::default();
    for channel in &mut silent.measured().channels {
        channel.sample_peak_dbfs = None;
        channel.true_peak_dbtp = None;
        channel.rms_dbfs = None;
    }
    let judgement = silent.by_limits("[limits.\"loudness.integrated\"]\nat_most = -18.0");
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(judgement.reason, "no loudness: nothing passes the gate");
    let judgement = silent.by("stereo-music");
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(judgement.reason, "the whole file is silent");
}

#[test]
fn a_render_that_is_not_built_stops_as_unmeasured() {
    let judgement = file("7.1.4").by("immersive-music");
    assert_eq!(judgement.verdict, Verdict::Stop);
    let found = finding(&judgement, "loudness.integrated");
    assert_eq!(
        (found.outcome, found.subject.as_str()),
        (Outcome::Unmeasured, "0+5+0")
    );
    assert!(
        judgement
            .reason
            .contains("not measured on 0+5+0: that render is not built yet"),
        "{}",
        judgement.reason
    );
    // A file that is 5.1 itself needs no render.
    let limits = "[limits.\"loudness.integrated\"]\nat_most = -18.0\nrender = \"5.1\"";
    assert_eq!(file("5.1").by_limits(limits).verdict, Verdict::Clear);
}

#[test]
fn an_unread_file_is_unread_and_nothing_of_it_is_called_clear() {
    let unread = file("2.0").unreadable("the first 12 bytes are no container that I know");
    let judgement = unread.by("stereo-music");
    assert_eq!(judgement.verdict, Verdict::Unread);
    assert_eq!(
        judgement.reason,
        "could not be read as audio: the first 12 bytes are no container that I know"
    );
    for found in &judgement.findings {
        let needs_audio = [
            "loudness.",
            "peaks.",
            "edges.",
            "levels.",
            "channels.",
            "duration.",
        ]
        .iter()
        .any(|group| found.check.starts_with(group));
        if needs_audio {
            assert_eq!(found.outcome, Outcome::Unmeasured, "{}", found.check);
        }
    }
    assert!(
        !judgement
            .findings
            .iter()
            .any(|f| f.check == "damage.data_truncated")
    );
    // Nor without a reason.
    let mut nothing = file("2.0");
    nothing.measurements = None;
    nothing.format = None;
    assert_eq!(nothing.by_limits("").verdict, Verdict::Unread);
}

#[test]
fn a_file_that_stayed_incomplete_stops_whatever_was_read() {
    let mut waiting = file("2.0");
    waiting.incomplete = Some("the header promises 4000 bytes more".into());
    let judgement = waiting.by("stereo-music");
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(
        judgement.reason,
        "still incomplete when the patience ended: the header promises 4000 bytes more"
    );
}

// Damage.

#[test]
fn damage_that_always_stops_needs_no_limit_and_other_damage_is_never_kept_quiet() {
    let always = [
        OddityKind::DataTruncated,
        OddityKind::HeaderUnfinished,
        OddityKind::HeaderSaysLess,
        OddityKind::PartialFrame,
        OddityKind::FloatNan,
        OddityKind::FloatInf,
        OddityKind::DecodeErrors,
        OddityKind::StreamDigest,
    ];
    for &kind in EVERY_ODDITY {
        let bare = file("2.0").odd(kind, "something is wrong").by_limits("");
        let wanted = if always.contains(&kind) {
            Verdict::Stop
        } else {
            Verdict::Clear
        };
        assert_eq!(bare.verdict, wanted, "{kind:?}");
        let found = finding(&bare, kind.check());
        assert_ne!(found.outcome, Outcome::Clear, "{kind:?}");
        assert_eq!(found.says, "something is wrong");
    }
}

#[test]
fn damage_that_leaves_the_audio_whole_goes_on_with_a_remark() {
    for (kind, wanted) in [
        (OddityKind::SizesDisagree, Verdict::Advise),
        (OddityKind::Ds64Missing, Verdict::Advise),
        (OddityKind::TrailingBytes, Verdict::Advise),
        (OddityKind::ChunkTwice, Verdict::Advise),
        (OddityKind::FormatFields, Verdict::Advise),
        (OddityKind::ExtensionDiffers, Verdict::Advise),
        (OddityKind::MetadataDamaged, Verdict::Advise),
        (OddityKind::PadMissing, Verdict::Clear),
        (OddityKind::FloatDenormal, Verdict::Clear),
    ] {
        let judgement = file("2.0").odd(kind, "something is odd").by("stereo-music");
        assert_eq!(judgement.verdict, wanted, "{kind:?}");
    }
}

#[test]
fn bad_samples_are_counted_with_their_places_and_caution_comes_first() {
    let mut bad = file("2.0");
    for (at, channel) in [(2.0, 1), (1.0, 0)] {
        bad.oddities.push(Oddity {
            kind: OddityKind::FloatNan,
            says: "4 samples are NaN".into(),
            at: Some(Seconds(at)),
            channel: Some(channel),
            count: 4,
        });
    }
    let judgement = bad.by("stereo-music");
    let found = finding(&judgement, "damage.float_nan");
    assert_eq!(found.value, Some(Choice::Number(8.0)));
    assert_eq!(found.places_total, 2);
    assert_eq!(found.places[0].start_frame, Frames(48_000));
    assert_eq!(found.places[0].channel.as_deref(), Some("M+030"));
    assert_eq!(judgement.reason, "8 samples that are no number");
    assert_eq!(
        judgement.caution.as_deref(),
        Some(
            "playing this file could hurt ears or loudspeakers (samples that are no finite number): listen at low level first; follow your local hearing-protection rules"
        )
    );
}

#[test]
fn a_caution_is_given_for_tones_overloads_and_direct_current_and_not_for_loud_music() {
    let with = |change: &dyn Fn(&mut Measurements)| {
        let mut file = file("2.0");
        change(file.measured());
        file.by("any-audio").caution
    };
    // A full-scale sine: peak 0 dBFS, RMS -3.01 dBFS.
    let tone = with(&|m| {
        m.channels[1].sample_peak_dbfs = dbfs(0.0);
        m.channels[1].rms_dbfs = dbfs(-3.01);
    });
    assert!(
        tone.unwrap()
            .contains("M-030 is as steady and loud as a test tone")
    );
    assert!(
        with(&|m| m.peaks.sample_peak_dbfs = dbfs(8.2))
            .unwrap()
            .contains("peaks 8.2 dB over full scale")
    );
    assert!(
        with(&|m| m.channels[0].dc_offset = -0.12)
            .unwrap()
            .contains("a DC offset of 12 % on M+030")
    );
    // Heavily limited music: peak -0.1 dBFS, RMS -6.5 dBFS.
    let loud = with(&|m| {
        m.channels[1].sample_peak_dbfs = dbfs(-0.1);
        m.channels[1].rms_dbfs = dbfs(-6.5);
    });
    assert_eq!(loud, None);
}

// House habits only advise.

#[test]
fn habits_of_the_house_advise_and_never_stop() {
    let mut habits = file("2.0");
    habits.measured().edges.head_silence_s = Seconds(1.25);
    habits.measured().edges.tail_silence_s = Seconds(14.0);
    habits.measured().channels[1].dc_offset = -0.0025;
    habits.measured().channels[1].longest_full_scale_run = 48;
    for n in 0..12 {
        let place = over(f64::from(n), 48.0);
        habits.measured().full_scale_runs.push(place);
    }
    let judgement = habits.by("stereo-music");
    assert_eq!(judgement.verdict, Verdict::Advise);
    assert_eq!(
        judgement.reason,
        "12 runs of samples at full scale, the longest 48 samples (asked: at most 0 runs), DC offset 0.25 % of full scale, and 2 more"
    );
    assert_eq!(
        finding(&judgement, "levels.dc_offset").says,
        "DC offset is 0.25 % of full scale on M-030, 0.15 % above the limit of 0.10"
    );
    let tail = finding(&judgement, "edges.trailing_silence");
    assert_eq!(
        tail.says,
        "trailing silence is 14.00 s, 4.00 s above the limit of 10.00"
    );
    assert_eq!(tail.places[0].start_s, Seconds(166.0));
    // Versions keep the main master's length, silence included.
    habits.measured().full_scale_runs = Places::default();
    habits.measured().channels[1].dc_offset = 0.0;
    assert_eq!(habits.by("stereo-version").verdict, Verdict::Clear);
}

#[test]
fn a_silent_channel_advises_and_a_silent_low_frequency_channel_is_usual() {
    let mut bed = file("7.1.4");
    let silence = |bed: &mut File, label: &str| {
        for channel in &mut bed.measured().channels {
            if channel.label == label {
                channel.sample_peak_dbfs = dbfs(-84.0);
            }
        }
    };
    silence(&mut bed, "LFE1");
    assert_eq!(
        bed.by("immersive-channels").verdict,
        Verdict::Clear,
        "{}",
        bed.by("immersive-channels").reason
    );
    silence(&mut bed, "U+135");
    silence(&mut bed, "U-135");
    let judgement = bed.by("immersive-channels");
    assert_eq!(judgement.verdict, Verdict::Advise);
    assert_eq!(judgement.reason, "U+135 and U-135 are silent");
}

// Format, metadata, name.

#[test]
fn a_wrong_format_says_what_was_asked() {
    let mut cd = file("2.0");
    let judgement = cd.by("cd-premaster");
    assert_eq!(
        judgement.reason,
        "sample rate 48000 Hz (asked: 44100 Hz), and bit depth 24 bit"
    );
    assert_eq!(
        finding(&judgement, "format.sample_rate").says,
        "sample rate is 48000 Hz, asked: 44100 Hz"
    );
    let format = cd.format.as_mut().unwrap();
    format.encoding = Encoding::Aac;
    format.bit_depth = None;
    let judgement = cd.by("cd-premaster");
    assert_eq!(
        finding(&judgement, "format.bit_depth").says,
        "AAC has no bit depth, asked: 16 bit"
    );
    assert_eq!(
        finding(&judgement, "format.bit_depth").outcome,
        Outcome::Stop
    );
}

#[test]
fn a_layout_is_known_by_either_name_and_in_any_order() {
    let limits = "[limits.\"format.layout\"]\none_of = [\"7.1.4\"]";
    let mut bed = file("4+7+0");
    bed.format
        .as_mut()
        .unwrap()
        .labels
        .as_mut()
        .unwrap()
        .reverse();
    assert_eq!(bed.by_limits(limits).verdict, Verdict::Clear);
    let judgement = file("5.1").by_limits(limits);
    assert_eq!(judgement.reason, "channel layout 0+5+0 (asked: 7.1.4)");
}

#[test]
fn required_metadata_is_named_when_it_is_missing_or_empty() {
    let limits = "[limits.\"metadata.required\"]\nrequired = [\"bext.originator\", \"bext.umid\", \"info.INAM\", \"tags.title\", \"chunk.axml\"]\nseverity = \"stop\"";
    let mut described = file("2.0");
    let judgement = described.by_limits(limits);
    assert_eq!(judgement.reason, "5 metadata fields missing");
    described.metadata.bext = Some(Bext {
        originator: "Tallow Street".into(),
        ..Bext::default()
    });
    described.metadata.info.insert("INAM".into(), "  ".into());
    described
        .metadata
        .tags
        .insert("title".into(), "Harbour Lights".into());
    let judgement = described.by_limits(limits);
    assert_eq!(
        finding(&judgement, "metadata.required").says,
        "bext.umid, info.INAM and chunk.axml are missing or empty"
    );
    described
        .metadata
        .info
        .insert("INAM".into(), "Harbour Lights".into());
    described.metadata.bext.as_mut().unwrap().umid = Some("06".into());
    described.metadata.chunks.push(crate::specimen::ChunkFact {
        id: "axml".into(),
        offset: 100,
        bytes: 10,
    });
    assert_eq!(described.by_limits(limits).verdict, Verdict::Clear);
}

#[test]
fn every_name_of_metadata_that_a_profile_may_ask_for_can_be_found() {
    // A misnamed field would be missing in every file.
    let mut full = file("2.0");
    full.metadata.bext = Some(Bext {
        version: 2,
        description: "d".into(),
        originator: "o".into(),
        originator_reference: "r".into(),
        origination_date: "2026-05-04".into(),
        origination_time: "17:20:11".into(),
        time_reference: 0,
        umid: Some("06".into()),
        loudness_lufs: Some(-18.0),
        range_lu: Some(6.0),
        max_true_peak_dbtp: Some(-1.0),
        max_momentary_lufs: Some(-12.0),
        max_short_term_lufs: Some(-14.0),
        coding_history: "A=PCM".into(),
    });
    let crate::profile::Takes::Fields(names) = check("metadata.required").unwrap().takes else {
        panic!("metadata.required takes fields");
    };
    for name in names.iter().filter(|name| !name.ends_with('.')) {
        let limits = format!("[limits.\"metadata.required\"]\nrequired = [\"{name}\"]");
        assert_eq!(full.by_limits(&limits).verdict, Verdict::Clear, "{name}");
    }
}

#[test]
fn a_name_is_matched_whole() {
    let limits =
        "[limits.\"name.pattern\"]\nmatches = '[A-Z][a-z]+_[A-Z][a-z]+\\.wav'\nseverity = \"stop\"";
    assert_eq!(file("2.0").by_limits(limits).verdict, Verdict::Clear);
    let mut wrong = file("2.0");
    wrong.name = "Harbour_Lights.wav.wav".into();
    let judgement = wrong.by_limits(limits);
    assert_eq!(judgement.reason, "the file name does not match the pattern");
    assert_eq!(
        finding(&judgement, "name.pattern").limit.as_deref(),
        Some("matching [A-Z][a-z]+_[A-Z][a-z]+\\.wav")
    );
}

#[test]
fn a_name_that_contradicts_the_header_stops_and_a_rate_alone_advises() {
    let mut named = file("2.0");
    let mut verdict = |name: &str| {
        named.name = name.into();
        named.by("stereo-music").verdict
    };
    assert_eq!(verdict("TS_Harbour_MI04_Main_48k24.wav"), Verdict::Clear);
    assert_eq!(verdict("TS_Harbour_MI04_Main_96k24.wav"), Verdict::Stop);
    assert_eq!(verdict("TS_Harbour_MI04_Main_48k16.wav"), Verdict::Stop);
    assert_eq!(verdict("TS_Harbour_from_96k.wav"), Verdict::Advise);
    named.name = "a_96k24.wav".into();
    assert_eq!(
        named.by("stereo-music").reason,
        "the name says 96k24, the header 48000 Hz and 24 bit"
    );
}

#[test]
fn findings_come_worst_first_and_clear_ones_last() {
    let mut mixed = file("2.0").odd(OddityKind::FloatInf, "1 sample is infinite");
    mixed.measured().edges.tail_silence_s = Seconds(20.0);
    let outcomes: Vec<Outcome> = mixed
        .by("stereo-music")
        .findings
        .iter()
        .map(|f| f.outcome)
        .collect();
    let order = |o: &Outcome| match o {
        Outcome::Stop => 0,
        Outcome::Advise => 1,
        Outcome::Unmeasured => 2,
        Outcome::Note => 3,
        Outcome::Clear => 4,
    };
    assert!(outcomes.is_sorted_by_key(order), "{outcomes:?}");
    assert_eq!(outcomes[0], Outcome::Stop);
    assert_eq!(outcomes[1], Outcome::Advise);
}

// Properties.

mod properties {
    use proptest::prelude::*;

    use super::*;

    fn oddity() -> impl Strategy<Value = Oddity> {
        (
            0..EVERY_ODDITY.len(),
            "[a-c]",
            proptest::option::of(0u32..50),
            proptest::option::of(0usize..3),
            1u64..5,
        )
            .prop_map(|(kind, says, at, channel, count)| Oddity {
                kind: EVERY_ODDITY[kind],
                says,
                at: at.map(|at| Seconds(f64::from(at))),
                channel,
                count,
            })
    }

    proptest! {
        #[test]
        fn the_order_of_oddities_decides_nothing(
            (oddities, shuffled) in proptest::collection::vec(oddity(), 0..12)
                .prop_flat_map(|o| (Just(o.clone()), Just(o).prop_shuffle())),
        ) {
            let set = built_in();
            let profile = set.get("stereo-music").unwrap();
            let one = File { oddities, ..file("2.0") };
            let other = File { oddities: shuffled, ..file("2.0") };
            prop_assert_eq!(judge(&one.facts(), profile), judge(&other.facts(), profile));
        }

        #[test]
        fn raising_a_ceiling_never_makes_a_verdict_worse(
            reading in -40.0f64..0.0,
            low in -40.0f64..0.0,
            raise in 0.0f64..20.0,
            margin in 0.0f64..2.0,
            severity in 0usize..3,
        ) {
            let severity = [Severity::Note, Severity::Advise, Severity::Stop][severity];
            let set = built_in();
            let mut profile = set.get("any-audio").unwrap().clone();
            let mut heard = file("2.0");
            heard.loudness().integrated_lufs = Lufs::new(reading);
            let mut verdict = |most: f64| {
                let limit = profile.limits.get_mut("loudness.integrated").unwrap();
                limit.rule = Rule::AtMost(most);
                limit.margin = margin;
                limit.severity = severity;
                judge(&heard.facts(), &profile).verdict
            };
            prop_assert!(verdict(low + raise) <= verdict(low));
        }

        #[test]
        fn a_harder_severity_never_makes_a_verdict_better(reading in -30.0f64..-10.0) {
            let set = built_in();
            let mut profile = set.get("any-audio").unwrap().clone();
            let mut heard = file("2.0");
            heard.loudness().integrated_lufs = Lufs::new(reading);
            let mut verdicts = [Severity::Note, Severity::Advise, Severity::Stop].map(|severity| {
                let limit = profile.limits.get_mut("loudness.integrated").unwrap();
                limit.rule = Rule::AtMost(-20.0);
                limit.severity = severity;
                judge(&heard.facts(), &profile).verdict
            });
            prop_assert!(verdicts.is_sorted());
            verdicts.reverse();
            prop_assert!(reading <= -20.0 || verdicts[0] == Verdict::Stop);
        }

        /// Whatever a file holds, every profile has an answer, and every sentence is there.
        #[test]
        fn every_profile_answers_to_every_file(
            oddities in proptest::collection::vec(oddity(), 0..6),
            name in "\\PC{0,30}",
            integrated in proptest::option::of(-80.0f64..20.0),
            peak in proptest::option::of(-200.0f64..20.0),
            frames in 0u64..10_000_000,
            unlabelled: bool,
            unread: bool,
        ) {
            let mut any = file("5.1");
            any.oddities = oddities;
            any.name = name;
            any.measured().frames = Frames(frames);
            any.loudness().integrated_lufs = integrated.and_then(Lufs::new);
            any.measured().peaks.true_peak_dbtp = peak.and_then(dbtp);
            if unlabelled {
                any = any.unlabelled();
            }
            if unread {
                any = any.unreadable("it is a folder of stones");
            }
            for profile in built_in().iter() {
                let judgement = judge(&any.facts(), profile);
                prop_assert!(!judgement.reason.is_empty());
                prop_assert_eq!(judgement.verdict == Verdict::Unread, unread);
                for found in &judgement.findings {
                    prop_assert!(!found.says.is_empty() && !found.source.is_empty(), "{:?}", found);
                    prop_assert!(!found.says.ends_with('.'), "{:?}", found);
                }
            }
        }
    }
}
