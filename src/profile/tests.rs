//! Inheritance, digests, and whole messages held as texts: wording is reviewed like code.

use std::fs;
use std::path::Path;

use super::*;

const KNOWN: &[KnownCheck] = &[
    known("loudness.integrated", Takes::Number, true),
    known("peaks.true_peak", Takes::Number, true),
    known("format.sample_rate", Takes::Number, false),
    known("container.kind", Takes::Word(&["WAVE", "RF64"]), false),
    known("format.layout", Takes::Layout, false),
    known("name.pattern", Takes::Text, false),
    known(
        "metadata.required",
        Takes::Fields(&["bext.originator", "info."]),
        false,
    ),
    known("channels.channel_silent", Takes::Fault, false),
    KnownCheck {
        always: true,
        ..known("damage.data_truncated", Takes::Fault, false)
    },
];

const fn known(id: &'static str, takes: Takes, on_renders: bool) -> KnownCheck {
    KnownCheck {
        id,
        takes,
        severity: Severity::Stop,
        always: false,
        on_renders,
    }
}

/// Loads `files` (name, text) beside one built-in profile.
fn load_with(files: &[(&str, &str)]) -> Result<ProfileSet, String> {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        fs::write(folder.path().join(format!("{name}.toml")), text).unwrap();
    }
    let built_in = [(
        "base",
        "name = \"base\"\ntitle = \"Base\"\n[limits.\"loudness.integrated\"]\nat_most = -18.0\nmargin = 0.1\nseverity = \"advise\"\nsource = \"somewhere, clause 1\"\n[limits.\"channels.channel_silent\"]\nnever = true\n",
    )];
    set::load_from(KNOWN, &built_in, Some(folder.path())).map_err(|error| {
        error
            .to_string()
            .replace(&folder.path().display().to_string(), "/etc/profiles")
    })
}

fn load_one(text: &str) -> Result<Profile, String> {
    let text = format!("name = \"house\"\ntitle = \"House\"\n{text}");
    load_with(&[("house", &text)]).map(|set| set.get("house").unwrap().clone())
}

#[track_caller]
fn refused(text: &str, message: &str) {
    let said = load_one(text).expect_err("should be refused");
    assert_eq!(said, message, "\n{said}\n");
}

#[track_caller]
fn refused_with(text: &str, part: &str) {
    let said = load_one(text).expect_err("should be refused");
    assert!(said.contains(part), "\n{said}\n");
    assert!(said.contains("right: "), "\n{said}\n");
}

#[test]
fn a_profile_without_a_parent_has_only_its_own_limits() {
    let profile = load_one("[limits.\"peaks.true_peak\"]\nat_most = -1\n").unwrap();
    assert_eq!(
        profile.limits.keys().collect::<Vec<_>>(),
        ["peaks.true_peak"]
    );
    let limit = &profile.limits["peaks.true_peak"];
    assert!(matches!(limit.rule, Rule::AtMost(-1.0)));
    assert_eq!(limit.severity, Severity::Stop);
    assert_eq!(limit.source, "the operator's own limit, no source given");
    assert_ne!(profile.origin, "built in");
}

#[test]
fn a_limit_with_a_rule_replaces_the_parents_whole() {
    let profile =
        load_one("extends = \"base\"\n[limits.\"loudness.integrated\"]\nat_most = -14.0\n")
            .unwrap();
    let limit = &profile.limits["loudness.integrated"];
    assert!(matches!(limit.rule, Rule::AtMost(-14.0)));
    assert_eq!(limit.margin, 0.0);
    assert_eq!(limit.severity, Severity::Stop);
    // The old number's source is not the new number's.
    assert_eq!(limit.source, "the operator's own limit, no source given");
    assert_eq!(profile.extends, ["base"]);
    assert!(profile.limits.contains_key("channels.channel_silent"));
}

#[test]
fn a_limit_without_a_rule_changes_only_what_it_says() {
    let profile =
        load_one("extends = \"base\"\n[limits.\"loudness.integrated\"]\nseverity = \"stop\"\n")
            .unwrap();
    let limit = &profile.limits["loudness.integrated"];
    assert!(matches!(limit.rule, Rule::AtMost(-18.0)));
    assert_eq!((limit.margin, limit.severity), (0.1, Severity::Stop));
    assert_eq!(limit.source, "somewhere, clause 1");
}

#[test]
fn a_limit_can_be_switched_off() {
    let profile =
        load_one("extends = \"base\"\n[limits.\"loudness.integrated\"]\noff = true\n").unwrap();
    assert!(!profile.limits.contains_key("loudness.integrated"));
    refused_with(
        "extends = \"base\"\n[limits.\"peaks.true_peak\"]\noff = true\n",
        "there is no limit",
    );
    refused_with(
        "extends = \"base\"\n[limits.\"loudness.integrated\"]\noff = true\nat_most = 1\n",
        "switched off and asked at once",
    );
    refused_with(
        "extends = \"base\"\n[limits.\"loudness.integrated\"]\noff = false\n",
        "off = false says nothing",
    );
}

#[test]
fn a_parent_may_come_later_in_the_alphabet_and_lend_through_generations() {
    let set = load_with(&[
        ("a", "name = \"a\"\ntitle = \"A\"\nextends = \"z\"\n"),
        (
            "z",
            "name = \"z\"\ntitle = \"Z\"\nextends = \"base\"\nchannels = \"5.1\"\n",
        ),
    ])
    .unwrap();
    let a = set.get("a").unwrap();
    assert_eq!(a.extends, ["z", "base"]);
    assert_eq!(a.channels.as_ref().unwrap().len(), 6);
    assert_eq!(set.names(), ["a", "base", "z"]);
}

#[test]
fn profiles_that_judge_alike_have_one_digest_and_others_do_not() {
    let digest = |text: &str| load_one(text).unwrap().digest;
    let one = digest(
        "[limits.\"peaks.true_peak\"]\nat_most = -1.0\nsource = \"a\"\n[limits.\"format.sample_rate\"]\none_of = [48000, 96000]\n",
    );
    let same = digest(
        "about = \"other words\"\n[limits.\"format.sample_rate\"]\n# a remark\none_of = [96000.0, 48000]\n[limits.\"peaks.true_peak\"]\nseverity = \"stop\"\nat_most = -1\n",
    );
    assert_eq!(one, same);
    assert_eq!(one.len(), 64);
    for other in [
        "[limits.\"peaks.true_peak\"]\nat_most = -1.1\n[limits.\"format.sample_rate\"]\none_of = [48000, 96000]\n",
        "[limits.\"peaks.true_peak\"]\nat_most = -1.0\nmargin = 0.1\n[limits.\"format.sample_rate\"]\none_of = [48000, 96000]\n",
        "[limits.\"peaks.true_peak\"]\nat_most = -1.0\nseverity = \"note\"\n[limits.\"format.sample_rate\"]\none_of = [48000, 96000]\n",
        "[limits.\"peaks.true_peak\"]\nat_most = -1.0\nrender = \"5.1\"\n[limits.\"format.sample_rate\"]\none_of = [48000, 96000]\n",
        "channels = \"5.1\"\n[limits.\"peaks.true_peak\"]\nat_most = -1.0\n[limits.\"format.sample_rate\"]\none_of = [48000, 96000]\n",
        "[limits.\"peaks.true_peak\"]\nat_most = -1.0\n",
    ] {
        assert_ne!(digest(other), one, "{other}");
    }
}

#[test]
fn an_unknown_check_is_shown_with_the_one_that_was_meant() {
    refused(
        "[limits.\"peaks.truepeak\"]\nat_most = -1.0\n",
        r#"there is no check "peaks.truepeak"
 --> /etc/profiles/house.toml:3:9
  |
3 | [limits."peaks.truepeak"]
  |         ^^^^^^^^^^^^^^^^
  = right: did you mean "peaks.true_peak"?"#,
    );
}

#[test]
fn a_check_name_without_quotes_is_explained() {
    // In TOML the dot makes this a table "true_peak" within a limit "peaks".
    refused(
        "[limits.peaks.true_peak]\nat_most = -1.0\n",
        r#"unknown key "true_peak"
 --> /etc/profiles/house.toml:3:15
  |
3 | [limits.peaks.true_peak]
  |               ^^^^^^^^^
  = right: the check in quotes: [limits."peaks.true_peak"]"#,
    );
}

#[test]
fn a_misspelt_rule_is_shown_with_the_one_that_was_meant() {
    refused(
        "[limits.\"peaks.true_peak\"]\natmost = -1.0\n",
        r#"unknown key "atmost"
 --> /etc/profiles/house.toml:4:1
  |
4 | atmost = -1.0
  | ^^^^^^
  = right: did you mean "at_most"?"#,
    );
}

#[test]
fn two_rules_at_once_are_refused() {
    refused(
        "[limits.\"loudness.integrated\"]\nat_least = -31.0\nat_most = -18.0\n",
        r#"two rules for "loudness.integrated": at_least and at_most
 --> /etc/profiles/house.toml:5:11
  |
5 | at_most = -18.0
  |           ^^^^^
  = right: one of them; both ends of a range are within = [least, most]"#,
    );
}

#[test]
fn a_range_the_wrong_way_round_is_refused() {
    refused(
        "[limits.\"loudness.integrated\"]\nwithin = [-16.0, -20.0]\n",
        r#"the range is the wrong way round: -16 is above -20
 --> /etc/profiles/house.toml:4:10
  |
4 | within = [-16.0, -20.0]
  |          ^^^^^^^^^^^^^^
  = right: within = [-20.0, -16.0]"#,
    );
    refused_with(
        "[limits.\"loudness.integrated\"]\nwithin = [-16.0]\n",
        "\"within\" is of the wrong kind",
    );
    refused_with(
        "[limits.\"loudness.integrated\"]\nwithin = [-16.0, nan]\n",
        "not numbers that can be compared",
    );
}

#[test]
fn a_rule_that_the_check_cannot_take_is_refused() {
    refused(
        "[limits.\"channels.channel_silent\"]\nat_most = 1\n",
        r#""channels.channel_silent" cannot be asked with at_most
 --> /etc/profiles/house.toml:4:11
  |
4 | at_most = 1
  |           ^
  = right: one of never or report"#,
    );
}

#[test]
fn a_target_needs_a_tolerance_and_a_tolerance_a_target() {
    refused(
        "[limits.\"loudness.integrated\"]\ntarget = -23.0\n",
        r#"a target without a tolerance
 --> /etc/profiles/house.toml:3:9
  |
3 | [limits."loudness.integrated"]
  |         ^^^^^^^^^^^^^^^^^^^^^
  = right: tolerance = 0.2 beside it"#,
    );
    refused_with(
        "[limits.\"loudness.integrated\"]\ntolerance = 1\n",
        "a tolerance without a target",
    );
    refused_with(
        "[limits.\"loudness.integrated\"]\nat_most = 1\ntolerance = 1\n",
        "a tolerance without a target",
    );
    refused_with(
        "[limits.\"loudness.integrated\"]\ntarget = 1\ntolerance = -1\n",
        "the tolerance is negative",
    );
}

#[test]
fn a_number_where_a_text_belongs_is_shown_with_an_example() {
    refused(
        "[limits.\"loudness.integrated\"]\nat_most = \"-18\"\n",
        r#""at_most" is of the wrong kind (string "-18")
 --> /etc/profiles/house.toml:4:11
  |
4 | at_most = "-18"
  |           ^^^^^
  = right: at_most = -1.0"#,
    );
    refused_with(
        "[limits.\"format.sample_rate\"]\none_of = [true]\n",
        "\"one_of\" is of the wrong kind",
    );
    refused_with(
        "[limits.\"format.sample_rate\"]\none_of = [\"48k\"]\n",
        "not a number",
    );
    refused_with(
        "[limits.\"format.sample_rate\"]\none_of = []\n",
        "a choice of nothing",
    );
    refused_with(
        "[limits.\"loudness.integrated\"]\nat_most = inf\n",
        "not a number that can be compared",
    );
}

#[test]
fn a_word_that_never_comes_is_refused() {
    refused(
        "[limits.\"container.kind\"]\none_of = [\"WAV\"]\n",
        r#""container.kind" is never "WAV"
 --> /etc/profiles/house.toml:4:11
  |
4 | one_of = ["WAV"]
  |           ^^^^^
  = right: did you mean "WAVE"?"#,
    );
    refused_with(
        "[limits.\"format.layout\"]\none_of = [\"7.1.3\"]\n",
        "there is no layout \"7.1.3\"",
    );
}

#[test]
fn metadata_that_never_comes_is_refused() {
    refused(
        "[limits.\"metadata.required\"]\nrequired = [\"info.INAM\", \"bext.orginator\"]\n",
        r#"there is no metadata "bext.orginator"
 --> /etc/profiles/house.toml:4:26
  |
4 | required = ["info.INAM", "bext.orginator"]
  |                          ^^^^^^^^^^^^^^^^
  = right: did you mean "bext.originator"?"#,
    );
}

#[test]
fn a_broken_pattern_is_refused_and_a_good_one_matches_the_whole_text() {
    refused(
        "[limits.\"name.pattern\"]\nmatches = '[A-Z+'\n",
        r#"this is no pattern: unclosed character class
 --> /etc/profiles/house.toml:4:11
  |
4 | matches = '[A-Z+'
  |           ^^^^^^^
  = right: a regular expression for the whole text, in single quotes: matches = '[A-Z]+_.*\.wav'"#,
    );
    refused_with(
        "[limits.\"name.pattern\"]\nmatches = 'a)|(b'\n",
        "this is no pattern",
    );
    let profile = load_one("[limits.\"name.pattern\"]\nmatches = 'a|ab'\n").unwrap();
    let Rule::Matches(pattern) = &profile.limits["name.pattern"].rule else {
        panic!("a pattern was asked");
    };
    assert!(pattern.is_match("ab") && !pattern.is_match("abc") && !pattern.is_match("xa"));
}

#[test]
fn a_check_that_always_stops_cannot_be_softened() {
    refused(
        "[limits.\"damage.data_truncated\"]\nnever = true\nseverity = \"advise\"\n",
        r#""damage.data_truncated" always stops: no profile can ask for it, soften it or switch it off
 --> /etc/profiles/house.toml:3:9
  |
3 | [limits."damage.data_truncated"]
  |         ^^^^^^^^^^^^^^^^^^^^^^^
  = right: no such limit: a file that is damaged in this way is never let through"#,
    );
}

#[test]
fn a_limit_that_asks_nothing_is_refused() {
    refused(
        "[limits.\"peaks.true_peak\"]\nseverity = \"stop\"\n",
        r#"the limit on "peaks.true_peak" asks nothing
 --> /etc/profiles/house.toml:3:9
  |
3 | [limits."peaks.true_peak"]
  |         ^^^^^^^^^^^^^^^^^
  = right: one of at_most, at_least, within, target, one_of or report"#,
    );
    refused_with(
        "[limits.\"peaks.true_peak\"]\nreport = true\nseverity = \"stop\"\n",
        "report asks nothing",
    );
    refused_with(
        "[limits.\"peaks.true_peak\"]\nat_most = 1\nseverity = \"halt\"\n",
        "severity knows no \"halt\"",
    );
    refused_with(
        "[limits.\"peaks.true_peak\"]\nat_most = 1\nmargin = -0.1\n",
        "a margin that means nothing",
    );
    refused_with(
        "[limits.\"channels.channel_silent\"]\nnever = true\nmargin = 0.1\n",
        "a margin that means nothing",
    );
    refused_with(
        "[limits.\"channels.channel_silent\"]\nnever = false\n",
        "never = false says nothing",
    );
}

#[test]
fn a_render_must_exist_and_make_sense() {
    refused_with(
        "[limits.\"peaks.true_peak\"]\nat_most = 1\nrender = \"0+6+0\"\n",
        "there is no render \"0+6+0\"",
    );
    refused_with(
        "[limits.\"format.sample_rate\"]\nat_most = 1\nrender = \"0+5+0\"\n",
        "is not read on a render",
    );
    let profile =
        load_one("[limits.\"peaks.true_peak\"]\nat_most = 1\nrender = \"5.1\"\n").unwrap();
    assert_eq!(
        profile.limits["peaks.true_peak"].render.as_deref(),
        Some("0+5+0")
    );
}

#[test]
fn an_unknown_parent_and_a_circle_are_refused() {
    refused(
        "extends = \"bsae\"\n",
        r#"there is no profile "bsae" to extend
 --> /etc/profiles/house.toml:3:11
  |
3 | extends = "bsae"
  |           ^^^^^^
  = right: did you mean "base"?"#,
    );
    let said = load_with(&[
        ("a", "name = \"a\"\ntitle = \"A\"\nextends = \"b\"\n"),
        ("b", "name = \"b\"\ntitle = \"B\"\nextends = \"a\"\n"),
    ])
    .unwrap_err();
    assert_eq!(
        said,
        r#"the profiles extend one another in a circle: a -> b -> a
 --> /etc/profiles/b.toml:3:11
  |
3 | extends = "a"
  |           ^^^
  = right: one profile at the bottom that extends none of the others"#
    );
    refused_with("extends = \"house\"\n", "in a circle: house -> house");
}

#[test]
fn a_name_is_the_files_and_no_built_ins() {
    let said = load_with(&[("b", "name = \"a\"\ntitle = \"A\"\n")]).unwrap_err();
    assert_eq!(
        said,
        r#"the profile "a" stands in a file that is called "b"
 --> /etc/profiles/b.toml:1:8
  |
1 | name = "a"
  |        ^^^
  = right: name = "b", or the file renamed to a.toml"#
    );
    let said = load_with(&[("base", "name = \"base\"\ntitle = \"A\"\n")]).unwrap_err();
    assert_eq!(
        said,
        r#""base" is a built-in profile: its name must mean the same everywhere
 --> /etc/profiles/base.toml:1:8
  |
1 | name = "base"
  |        ^^^^^^
  = right: a name of its own, as in "house-base", with extends = "base""#
    );
    let said = load_with(&[("a", "title = \"A\"\n")]).unwrap_err();
    assert_eq!(
        said,
        "this profile has no name\n  in /etc/profiles/a.toml\n  right: name = \"a\""
    );
}

#[test]
fn a_copy_of_a_built_in_profile_is_that_profile_and_an_edited_one_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let text = "name = \"base\"\ntitle = \"Base\"\n";
    let file = folder.path().join("base.toml");
    let load = || set::load_from(KNOWN, &[("base", text)], Some(folder.path()));
    fs::write(&file, text).unwrap();
    let set = load().unwrap();
    assert_eq!(set.iter().count(), 1);
    fs::write(&file, format!("{text}# mine\n")).unwrap();
    assert!(load().is_err());
}

#[test]
fn a_folder_that_is_not_there_holds_no_profiles() {
    let set = set::load_from(KNOWN, &[], Some(Path::new("/nowhere/profiles"))).unwrap();
    assert_eq!(set.iter().count(), 0);
}

#[test]
fn hidden_files_and_other_files_are_no_profiles() {
    let folder = tempfile::tempdir().unwrap();
    for name in [".a.toml", "._b.toml", "README.md", "c.toml~"] {
        fs::write(folder.path().join(name), "rubbish").unwrap();
    }
    assert!(set::load_from(KNOWN, &[], Some(folder.path())).is_ok());
}

#[test]
fn bytes_that_are_no_text_are_told_with_the_path() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("a.toml"), [0xff, 0xfe]).unwrap();
    let error = set::load_from(KNOWN, &[], Some(folder.path()))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("a.toml") && error.contains("cannot be read"),
        "{error}"
    );
}
