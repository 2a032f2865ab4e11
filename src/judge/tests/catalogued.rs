//! The catalogue and the built-in profiles.

use super::*;

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
fn every_built_in_profile_is_right_and_names_a_source_for_each_number() {
    let set = built_in();
    for name in [
        "any-audio",
        "fault-finding",
        "stereo-music",
        "any-music",
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
    assert_eq!(set.iter().count(), 15);
    let digests: BTreeSet<&str> = set.iter().map(|p| p.digest.as_str()).collect();
    assert_eq!(digests.len(), 15);
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
    let text = include_str!("../../../config/weighbridge.toml");
    let path = Path::new("/etc/weighbridge/weighbridge.toml");
    crate::config::Config::parse(text, path, &built_in().names()).unwrap();
}

#[test]
fn the_meter_lists_overs_above_the_profiles_ceiling_or_full_scale() {
    // And 0.01 dB, the ripple of the meter's filter, in which the judge sees no difference.
    let set = built_in();
    assert_eq!(over_ceiling_dbtp(set.get("stereo-music").unwrap()), -0.99);
    assert_eq!(over_ceiling_dbtp(set.get("broadcast-a85").unwrap()), -1.99);
    assert_eq!(over_ceiling_dbtp(set.get("any-audio").unwrap()), 0.01);
    assert_eq!(
        over_ceiling_dbtp(&house(
            "[limits.\"peaks.true_peak\"]\nwithin = [-9.0, -0.5]"
        )),
        -0.49
    );
}
