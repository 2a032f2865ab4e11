//! Damage, silence, and the caution before listening.

use super::*;

#[test]
fn damage_that_always_stops_needs_no_limit_and_other_damage_is_never_kept_quiet() {
    let always = [
        OddityKind::DataTruncated,
        OddityKind::HeaderUnfinished,
        OddityKind::HeaderSaysLess,
        OddityKind::PartialFrame,
        OddityKind::TwoReadings(Rival::Axml),
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
        let found = bare
            .findings
            .iter()
            .find(|found| found.outcome != Outcome::Clear)
            .unwrap_or_else(|| panic!("{kind:?} is kept quiet"));
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
        (OddityKind::LabelsForAnotherCount, Verdict::Advise),
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
    assert_eq!(judgement.reason, "8 invalid samples (NaN)");
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
    // The programme stands at -18.5 LUFS.
    let rise = |lufs: f64| {
        with(&|m| {
            let loudness = m.loudness.as_mut().ok().unwrap();
            loudness.sudden_max_lufs = Lufs::new(lufs);
            loudness.sudden_max_at_s = Some(Seconds(75.5));
        })
    };
    let blast = "a sudden rise to -7.0 LUFS at 1:15.500, 12 LU over the programme";
    assert!(rise(-7.0).unwrap().contains(blast));
    assert_eq!(rise(-9.0), None, "a loud entry is music");
    // Heavily limited music: peak -0.1 dBFS, RMS -6.5 dBFS.
    let loud = with(&|m| {
        m.channels[1].sample_peak_dbfs = dbfs(-0.1);
        m.channels[1].rms_dbfs = dbfs(-6.5);
    });
    assert_eq!(loud, None);
}
