//! What holds for every file.

use super::*;

use proptest::prelude::*;

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
