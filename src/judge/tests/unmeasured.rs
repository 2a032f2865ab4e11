//! What could not be measured never passes for clear.

use super::*;

#[test]
fn unknown_channels_are_told_and_what_to_do() {
    // The channel count keeps its limit; the rest asks a person, who is told at the gate.
    let judgement = file("7.1.4").unlabelled().by("immersive-channels");
    assert_eq!(judgement.verdict, Verdict::Advise);
    assert_eq!(
        judgement.reason,
        "channel layout not measured: nothing says where the 12 channels play"
    );
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
        "integrated loudness not measured: nothing says where the 12 channels play"
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
    silent.measured().loudness = Measured::Is(Loudness::default());
    silent.measured().peaks = Peaks::default();
    for channel in &mut silent.measured().channels {
        channel.sample_peak_dbfs = None;
        channel.true_peak_dbtp = None;
        channel.rms_dbfs = None;
    }
    let judgement = silent.by_limits("[limits.\"loudness.integrated\"]\nat_most = -18.0");
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(
        judgement.reason,
        "integrated loudness not measured: nothing passes the gate"
    );
    let judgement = silent.by("stereo-music");
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(judgement.reason, "the whole file is silent");
}

// EBU Tech 3341, clause 2.1: windows of 400 ms and 3 s.
#[test]
fn a_file_that_is_too_short_for_a_window_says_so() {
    let mut short = file("2.0");
    short.measured().frames = Frames(96_000);
    short.loudness().short_term_max_lufs = None;
    short.loudness().range_lu = None;
    let judgement = short.by("stereo-music");
    for check in ["loudness.short_term_max", "loudness.range"] {
        let says = &finding(&judgement, check).says;
        assert!(
            says.ends_with("not measured, the file is shorter than 3 s"),
            "{says}"
        );
    }
    short.measured().frames = Frames(4_800);
    short.loudness().integrated_lufs = None;
    let judgement = short.by("broadcast-r128");
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(
        judgement.reason,
        "integrated loudness not measured: the file is shorter than 400 ms"
    );
}

#[test]
fn what_is_asked_on_a_render_of_a_file_that_has_none_stops_as_unmeasured() {
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
            .contains("the file has no audio definition metadata"),
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
            "damage.",
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
    // Where it was not even made out what it is, nothing at all is clear but what the name says.
    let mut stones = unread.clone();
    stones.format = None;
    for found in &stones.by("stereo-music").findings {
        let of_name = found.check == "name.rate_and_depth";
        assert!(
            of_name || found.outcome != Outcome::Clear,
            "{}",
            found.check
        );
    }
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

#[test]
fn a_reason_does_not_say_the_same_twice() {
    let cut = "the data chunk says 9 bytes, the file has 4 left";
    let mut waiting = file("2.0").odd(OddityKind::DataTruncated, cut);
    waiting.incomplete = Some(cut.into());
    let judgement = waiting.by("stereo-music");
    assert_eq!(
        judgement.reason,
        format!("still incomplete when the patience ended: {cut}")
    );
}
