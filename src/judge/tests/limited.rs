//! Limits on sound, format, metadata and name: outcomes, sentences, order.

use super::*;

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
    assert_eq!((found.places.len(), found.places_total), (250, 250));
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
        "the audio is cut short: the header says 9 bytes, 5 are there, encoding MP3, and 3 more"
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
        "true peak is -0.8 dBTP, 0.2 dB above the limit of -1.0; the shortest filter that the standard allows may read -1.4 dBTP, so it only advises"
    );
    just.measured().peaks.true_peak_dbtp = dbtp(-0.3);
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
        "DC offset 0.25 % of full scale on M-030 (asked: at most 0.10 % of full scale), leading silence 1.25 s, and 1 more"
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
    let usual = bed.by("immersive-channels");
    assert_eq!(usual.verdict, Verdict::Clear, "{}", usual.reason);
    silence(&mut bed, "U+135");
    silence(&mut bed, "U-135");
    let judgement = bed.by("immersive-channels");
    assert_eq!(judgement.verdict, Verdict::Advise);
    assert_eq!(judgement.reason, "U+135 and U-135 are silent");
}

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

// A file brought to the limit and written in 16 or 24 bit reads a little beside it: what the
// meter cannot tell from the limit lies on it, and no more than that.
#[test]
fn a_reading_on_the_limit_is_clear_and_the_rounding_of_samples_flips_nothing() {
    let outcome = |lufs: f64, profile: &str| {
        let mut exact = file("2.0");
        exact.loudness().integrated_lufs = Lufs::new(lufs);
        finding(&exact.by(profile), "loudness.integrated").outcome
    };
    // Readings of a 1 kHz tone at -22.8, -22, -26 and -20 LUFS, rounded to 24 and to 16 bit.
    for (on_the_limit, profile) in [
        (-22.8, "broadcast-r128"),
        (-22.799_997, "broadcast-r128"),
        (-21.999_999, "broadcast-a85"),
        (-26.000_221, "broadcast-a85"),
        (-20.000_046, "streaming-r128"),
    ] {
        assert_eq!(
            outcome(on_the_limit, profile),
            Outcome::Clear,
            "{on_the_limit}"
        );
    }
    for beyond in [-22.799, -22.75, -23.201] {
        assert_eq!(outcome(beyond, "broadcast-r128"), Outcome::Stop, "{beyond}");
    }
    let peak = |level: f64| {
        let mut exact = file("2.0");
        exact.measured().peaks.true_peak_dbtp = dbtp(level);
        finding(&exact.by("stereo-music"), "peaks.true_peak").outcome
    };
    // What the meter reads on tones of exactly -1 dBTP: its filter's ripple is under 0.01 dB.
    for on_the_limit in [-1.0, -0.999_17, -0.997_8, -0.994_8] {
        assert_eq!(peak(on_the_limit), Outcome::Clear, "{on_the_limit}");
    }
    assert_eq!(peak(-0.95), Outcome::Advise);
    assert_eq!(peak(-0.895), Outcome::Advise, "on the margin");
    assert_eq!(peak(-0.85), Outcome::Stop);
}

#[test]
fn half_a_tenth_is_not_told_as_a_tenth() {
    let mut just = file("2.0");
    just.loudness().integrated_lufs = Lufs::new(-22.75);
    assert_eq!(
        finding(&just.by("broadcast-r128"), "loudness.integrated").says,
        "integrated loudness is -22.75 LUFS, 0.05 LU above what the target of -23.0 ±0.2 allows"
    );
}

#[test]
fn a_peak_that_is_only_noted_keeps_its_places() {
    let mut hot = file("2.0");
    hot.measured().peaks.true_peak_dbtp = dbtp(2.0);
    hot.measured().overs.push(over(3.5, 2.0));
    let judgement = hot.by("any-audio");
    let noted = finding(&judgement, "peaks.true_peak");
    assert_eq!(noted.outcome, Outcome::Note);
    assert_eq!(
        (noted.places_total, noted.places[0].start_s),
        (1, Seconds(3.5))
    );
}

#[test]
fn every_channel_with_an_offset_is_named_as_a_place() {
    let mut offset = file("5.1");
    offset.measured().channels[1].dc_offset = -0.0025;
    offset.measured().channels[4].dc_offset = 0.0102;
    let judgement = offset.by("any-audio");
    let found = finding(&judgement, "levels.dc_offset");
    assert_eq!(found.subject, "M+110");
    let places: Vec<_> = (found.places.iter())
        .map(|place| (place.channel.as_deref(), place.value))
        .collect();
    assert_eq!(
        places,
        [
            (Some("M-030"), Some(-0.0025)),
            (Some("M+110"), Some(0.0102))
        ]
    );
    assert_eq!(found.places[0].end_s, Seconds(180.0));
    assert_eq!(
        judgement.reason,
        "DC offset 1.02 % of full scale on M+110 (asked: at most 0.10 % of full scale)"
    );
}

#[test]
fn a_number_of_three_hundred_digits_is_told_in_few() {
    let mut odd = file("2.0");
    odd.measured().channels[0].dc_offset = 1e300;
    let judgement = odd.by("any-audio");
    assert!(judgement.reason.len() < 100, "{}", judgement.reason);
    let caution = judgement.caution.unwrap();
    assert!(
        caution.contains("a DC offset beyond full scale on M+030"),
        "{caution}"
    );
}
