//! Makes a sidecar of what was weighed, and turns sidecars to JSON and back.
//!
//! In: a [`Weighed`] (or the reason why there is none), the file's name, the profile, what
//! custody did. Out: a [`Sidecar`], its text, its schema. The clock is handed in.

use std::collections::BTreeMap;
use std::ffi::OsStr;

use jiff::{Timestamp, ZonedDateTime};
use serde_json::Value;

use super::elsewhere;
use super::sidecar::*;
use crate::intake::Identity;
use crate::judge::{Finding, Verdict};
use crate::layout;
use crate::ledger::CustodyEvent;
use crate::measure::{ChannelMeasurements, Headroom, Measurements, SurveyFigures};
use crate::names::{one_line, printable};
use crate::profile::{Choice, Profile};
use crate::render::Kind;
use crate::specimen::{Digests, Format, Metadata};
use crate::units::{Frames, Seconds};
use crate::weigh::{AdmWeighed, Weighed};

/// The number that stands in every sidecar; a key's meaning never changes within it.
pub const SCHEMA: &str = "weighbridge.sidecar/1";

/// What the figures were read by.
pub const METHODS: [&str; 3] = ["ITU-R BS.1770-5", "EBU Tech 3341", "EBU Tech 3342"];

/// What object-based files are read and rendered by, besides.
pub const RENDER_METHODS: [&str; 3] = ["ITU-R BS.2076-2", "ITU-R BS.2094-2", "ITU-R BS.2127-1"];

/// The record of one file that was weighed.
///
/// `name` is the file's own name without its folder; `custody` what was done with it, empty
/// for a file that was only weighed by command; `now` gives the time and the zone in which
/// all times of the sidecar are written.
pub fn sidecar(
    weighed: &Weighed,
    name: &OsStr,
    profile: &Profile,
    custody: Vec<CustodyEvent>,
    revision: Option<Revision>,
    now: &ZonedDateTime,
) -> Sidecar {
    let report = report(weighed, name, profile, now);
    beside(report, custody, revision, now)
}

fn beside(
    report: Report,
    custody: Vec<CustodyEvent>,
    revision: Option<Revision>,
    now: &ZonedDateTime,
) -> Sidecar {
    Sidecar {
        schema: SCHEMA.into(),
        written: rfc3339(now.timestamp(), now),
        report,
        custody,
        signoffs: Vec::new(),
        waivers: Vec::new(),
        revision,
    }
}

/// What a weighing came to, as plain values. `now` gives the zone in which the file's own time is
/// written.
pub fn report(weighed: &Weighed, name: &OsStr, profile: &Profile, now: &ZonedDateTime) -> Report {
    let judgement = &weighed.judgement;
    let audio_digest = weighed.audio_blake3.as_ref().map(|blake3| Digests {
        blake3: blake3.clone(),
        ..Digests::default()
    });
    let mut made = Report {
        file: FileFacts {
            digests: weighed.digests.clone(),
            audio_digest,
            ..file_facts(Some(&weighed.identity), name, now)
        },
        format: (weighed.format.as_ref())
            .map(|format| format_facts(format, weighed.measurements.as_ref())),
        metadata: weighed.metadata.clone(),
        measured: (weighed.measurements.as_ref()).map(|m| {
            let mut measured = measured(m, weighed.adm.as_ref());
            let survey = m
                .survey
                .as_ref()
                .and_then(|survey| survey.translation.get());
            let mix = (weighed.against.as_ref()).and_then(|against| against.translation.as_ref());
            if let Some((now, mix)) = survey.zip(mix) {
                measured.translation_changes = elsewhere::changes(&now.table, mix, "mix");
            }
            measured
        }),
        against: weighed.against.as_ref().map(|against| AgainstFacts {
            mix: printable(&against.mix),
            digest_blake3: against
                .digests
                .as_ref()
                .map(|digests| digests.blake3.clone()),
            comparison: against.result.as_ref().ok().cloned(),
        }),
        checks: judgement.findings.iter().map(finding).collect(),
        verdict: judgement.verdict,
        reason: one_line(&judgement.reason),
        caution: judgement.caution.as_deref().map(one_line),
        tool: tool(weighed.adm.is_some()),
        ..bare(profile, now, Some(&weighed.identity), name)
    };
    if !made.yardsticks.is_empty() {
        let figures = made.figures();
        let is_here = |key: &String| figures.iter().any(|figure| figure.key == *key);
        made.yardsticks.retain(|key, _| is_here(key));
    }
    made
}

fn tool(object_based: bool) -> Tool {
    let renders: &[&str] = if object_based { &RENDER_METHODS } else { &[] };
    Tool {
        name: env!("CARGO_PKG_NAME").into(),
        version: env!("CARGO_PKG_VERSION").into(),
        methods: METHODS
            .iter()
            .chain(renders)
            .map(|&method| method.to_owned())
            .collect(),
    }
}

/// The record of a file that could not even be read: verdict unread, and why.
///
/// `identity`: `None` where there is no such file. `why` is a sentence without full stop (`reading failed after 4096 bytes: ...`).
pub fn unread(
    identity: Option<&Identity>,
    name: &OsStr,
    why: &str,
    profile: &Profile,
    custody: Vec<CustodyEvent>,
    revision: Option<Revision>,
    now: &ZonedDateTime,
) -> Sidecar {
    let report = Report {
        reason: one_line(why),
        ..bare(profile, now, identity, name)
    };
    beside(report, custody, revision, now)
}

/// A report that knows the file from outside only: what is true before anything was read.
fn bare(
    profile: &Profile,
    now: &ZonedDateTime,
    identity: Option<&Identity>,
    name: &OsStr,
) -> Report {
    Report {
        tool: tool(false),
        file: file_facts(identity, name, now),
        format: None,
        metadata: Metadata::default(),
        measured: None,
        against: None,
        checks: Vec::new(),
        verdict: Verdict::Unread,
        reason: String::new(),
        caution: None,
        profile: ProfileFacts {
            name: profile.name.clone(),
            digest: profile.digest.clone(),
        },
        yardsticks: profile.yardsticks.clone(),
    }
}

fn file_facts(identity: Option<&Identity>, name: &OsStr, now: &ZonedDateTime) -> FileFacts {
    FileFacts {
        name: printable(name),
        bytes: identity.map(|identity| identity.bytes),
        modified: identity.map(|identity| modified(identity.modified_ns, now)),
        digests: Digests::default(),
        audio_digest: None,
    }
}

/// RFC 3339 with the offset of `now`'s zone at that time, to the second.
/// RFC 3339 in whole seconds, in the zone of `now`.
pub fn rfc3339(at: Timestamp, now: &ZonedDateTime) -> String {
    let whole = Timestamp::from_second(at.as_second()).unwrap_or(at);
    let offset = now.time_zone().to_offset(at);
    whole.display_with_offset(offset).to_string()
}

/// A file time. Some file systems hold times that no calendar has; those are written as
/// seconds from 1970, `@SECONDS`.
fn modified(ns: i128, now: &ZonedDateTime) -> String {
    match Timestamp::from_nanosecond(ns) {
        Ok(at) => at
            .display_with_offset(now.time_zone().to_offset(at))
            .to_string(),
        Err(_) => format!("@{}", ns.div_euclid(1_000_000_000)),
    }
}

fn format_facts(format: &Format, measurements: Option<&Measurements>) -> FormatFacts {
    let frames = measurements.map_or(Frames(0), |m| m.frames);
    let labels = format.labels.as_deref();
    FormatFacts {
        container: format.container,
        encoding: format.encoding.clone(),
        sample_rate_hz: format.sample_rate.value(),
        bit_depth: format.bit_depth,
        channels: format.channels,
        layout: labels.and_then(layout::name_of).map(String::from),
        channel_labels: labels.map(|all| all.iter().map(|l| l.to_string()).collect()),
        channel_labels_from: format.labels_from,
        frames: frames.0,
        duration_s: frames.at(format.sample_rate).0,
    }
}

fn measured(m: &Measurements, adm: Option<&AdmWeighed>) -> Measured {
    let immersive = m.immersive.as_deref();
    let mut renders: BTreeMap<String, Render> = immersive
        .iter()
        .flat_map(|immersive| &immersive.renders)
        .filter_map(|made| Some((made.measured_on.as_ref()?.layout.clone(), render(made))))
        .collect();
    if let Some(ears) = immersive.and_then(|immersive| immersive.binaural.as_ref()) {
        let head = Head {
            set: ears.head.clone(),
            virtual_layout: ears.virtual_layout.clone(),
        };
        renders.insert(
            "binaural".into(),
            Render {
                head: Some(head),
                ..render(&ears.measured)
            },
        );
    }
    Measured {
        scene: adm.map(scene),
        parts: immersive.map(|immersive| immersive.parts.clone()),
        items: immersive.map_or_else(Vec::new, |immersive| immersive.items.clone()),
        lfe: immersive.map_or_else(Vec::new, |immersive| immersive.lfe.clone()),
        fold: immersive.and_then(|immersive| immersive.fold.clone()),
        survey: m
            .survey
            .as_ref()
            .map(|survey| survey.figures())
            .filter(is_written),
        translation_changes: Vec::new(),
        renders,
        loudness: m.loudness.get().cloned(),
        peaks: m.peaks.clone(),
        headroom: headroom(m).unwrap_or_default(),
        channels: m.channels.iter().map(channel).collect(),
        edges: m.edges.clone(),
        measured_on: m.measured_on.clone(),
    }
}

fn headroom(m: &Measurements) -> Option<Vec<Headroom>> {
    let integrated = m.loudness.get()?.integrated_lufs?;
    Some(crate::measure::headroom(
        integrated,
        m.peaks.true_peak_dbtp?,
    ))
}

/// Whether the figures can be read again: samples past every number can give figures that are
/// none, and a record that cannot be read would be worse than one without them.
fn is_written(figures: &SurveyFigures) -> bool {
    let text = serde_json::to_string(figures).unwrap_or_default();
    *figures != SurveyFigures::default() && serde_json::from_str::<SurveyFigures>(&text).is_ok()
}

fn render(m: &Measurements) -> Render {
    Render {
        loudness: m.loudness.get().cloned(),
        peaks: m.peaks.clone(),
        measured_on: m.measured_on.clone(),
        channels: m.channels.iter().map(channel).collect(),
        head: None,
    }
}

fn scene(adm: &AdmWeighed) -> SceneFacts {
    let named = |index: usize| {
        let programme = &adm.model.programmes[index];
        Named {
            id: one_line(&programme.id),
            name: one_line(&programme.name),
        }
    };
    let chosen = adm.scene.as_ref().and_then(|scene| scene.programme);
    let mut facts = SceneFacts {
        version: adm.model.version.as_deref().map(one_line),
        programme: chosen.map(named),
        other_programmes: (0..adm.model.programmes.len())
            .filter(|&index| Some(index) != chosen)
            .map(named)
            .collect(),
        not_rendered: adm.not_rendered.as_deref().map(one_line),
        ..SceneFacts::default()
    };
    let Some(scene) = &adm.scene else {
        return facts;
    };
    let speakers = scene.items.iter().filter_map(|item| item.speaker_channel());
    facts.bed_layout = crate::adm::bed_layout(&adm.model, speakers.clone());
    facts.bed_channels = speakers.count();
    for item in &scene.items {
        match item.kind {
            Kind::Object { .. } => facts.objects += 1,
            Kind::Hoa(_) => facts.hoa_groups += 1,
            Kind::Speaker { .. } => {}
        }
    }
    facts.remarks = scene
        .remarks
        .iter()
        .map(|remark| one_line(remark))
        .collect();
    facts
}

/// Samples of 64-bit floats near 10^308 can sum past every number; JSON has no infinity, so
/// the largest number stands for what is larger.
fn channel(m: &ChannelMeasurements) -> ChannelMeasurements {
    let dc_offset = match m.dc_offset.is_nan() {
        true => f64::MAX,
        false => m.dc_offset.clamp(f64::MIN, f64::MAX),
    };
    ChannelMeasurements {
        dc_offset,
        ..m.clone()
    }
}

/// A finding as it is written: texts in one line each, numbers finite or absent.
fn finding(found: &Finding) -> Finding {
    let value = match &found.value {
        Some(Choice::Number(n)) if !n.is_finite() => None,
        Some(Choice::Text(text)) => Some(Choice::Text(one_line(text))),
        other => other.clone(),
    };
    let places = found.places.iter().map(|place| {
        let mut place = place.clone();
        place.value = place.value.filter(|v| v.is_finite());
        for at in [&mut place.start_s, &mut place.end_s] {
            *at = Seconds(if at.0.is_finite() { at.0 } else { 0.0 });
        }
        place
    });
    Finding {
        value,
        subject: one_line(&found.subject),
        limit: found.limit.as_deref().map(one_line),
        says: one_line(&found.says),
        places: places.collect(),
        ..found.clone()
    }
}

/// Why a text is no sidecar that this version reads.
#[derive(Debug, thiserror::Error)]
pub enum ParseError {
    #[error("it is not the JSON of a sidecar")]
    Json(#[from] serde_json::Error),
    #[error("it is of schema {found}, this version reads {SCHEMA}")]
    Schema { found: String },
}

impl Sidecar {
    /// The sidecar file's text: indented, for people too; ends with a newline.
    pub fn to_pretty(&self) -> String {
        let text = serde_json::to_string_pretty(&self.to_json());
        text.expect("a JSON value has a text") + "\n"
    }

    /// One line without a newline at its end, for lists.
    pub fn to_line(&self) -> String {
        self.to_json().to_string()
    }

    /// The sidecar as a JSON value. Numbers are kept to nine decimals: far below what a meter
    /// can know, and so few digits that every reader of JSON gets the same double back.
    pub fn to_json(&self) -> Value {
        let mut value =
            serde_json::to_value(self).expect("all keys of the sidecar are texts: it has a JSON");
        tidy(&mut value);
        value
    }

    /// Reads what [`Sidecar::to_pretty`] or [`Sidecar::to_line`] wrote; ignores unknown keys.
    pub fn parse(text: &str) -> Result<Self, ParseError> {
        let value: Value = serde_json::from_str(text)?;
        match value.get("schema").and_then(Value::as_str) {
            Some(SCHEMA) => Ok(serde_json::from_value(value)?),
            found => Err(ParseError::Schema {
                found: found.map_or("none".into(), one_line),
            }),
        }
    }
}

fn tidy(value: &mut Value) {
    match value {
        Value::Array(all) => all.iter_mut().for_each(tidy),
        Value::Object(all) => all.values_mut().for_each(tidy),
        Value::Number(number) if number.is_f64() => {
            let exact = number.as_f64().unwrap_or_default();
            // Above a million the ninth decimal is beyond a double anyway.
            if exact.abs() < 1e6 {
                // Adding 0 turns -0.0 into 0.0.
                *value = Value::from((exact * 1e9).round() / 1e9 + 0.0);
            }
        }
        _ => {}
    }
}

/// The JSON Schema of the sidecar, from the types (JSON Schema 2020-12). Unknown keys are
/// allowed everywhere: later versions add some.
pub fn schema() -> Value {
    let mut schema = schemars::schema_for!(Sidecar).to_value();
    if let Some(top) = schema.as_object_mut() {
        top.insert("title".into(), Value::from(SCHEMA));
    }
    schema
}

#[cfg(test)]
mod tests {
    use std::os::unix::ffi::OsStrExt;

    use proptest::prelude::*;
    use serde_json::json;

    use super::super::invented;
    use super::*;
    use crate::judge::Outcome;
    use crate::units::{Lu, Lufs};

    fn committed() -> std::path::PathBuf {
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/sidecar.schema.json")
    }

    #[test]
    fn the_published_schema_is_the_one_of_the_types() {
        let now = serde_json::to_string_pretty(&schema()).unwrap() + "\n";
        // WRITE_SCHEMA=1 cargo test the_published_schema writes it anew.
        if std::env::var_os("WRITE_SCHEMA").is_some() {
            std::fs::write(committed(), &now).unwrap();
        }
        let published = std::fs::read_to_string(committed()).unwrap();
        assert!(
            published == now,
            "config/sidecar.schema.json is not of these types"
        );
    }

    #[test]
    fn every_kind_of_sidecar_is_valid_under_the_published_schema() {
        let published = std::fs::read_to_string(committed()).unwrap();
        let validator =
            jsonschema::validator_for(&serde_json::from_str(&published).unwrap()).unwrap();
        for sidecar in invented::all_kinds() {
            let json: Value = serde_json::from_str(&sidecar.to_pretty()).unwrap();
            let errors: Vec<String> = (validator.iter_errors(&json))
                .map(|error| format!("{} at {}", error, error.instance_path()))
                .collect();
            assert_eq!(errors, Vec::<String>::new(), "{json:#}");
        }
    }

    #[test]
    fn of_a_file_that_is_not_there_no_size_and_no_time_is_invented() {
        let now = "2026-05-04T12:00:00+02:00[Europe/Berlin]".parse().unwrap();
        let profile = invented::profile();
        let why = "there is no such file";
        let gone = unread(
            None,
            "gone.wav".as_ref(),
            why,
            &profile,
            Vec::new(),
            None,
            &now,
        );
        let json = gone.to_json();
        assert_eq!(json["file"]["bytes"], Value::Null);
        assert_eq!(json["file"]["modified"], Value::Null);
        assert!(
            jsonschema::validator_for(&schema())
                .unwrap()
                .is_valid(&json)
        );
        assert!(Sidecar::parse(&json.to_string()).is_ok());
    }

    #[test]
    fn the_schema_allows_new_keys_and_refuses_a_missing_verdict() {
        let validator = jsonschema::validator_for(&schema()).unwrap();
        let mut json = invented::stopped("x.wav").to_json();
        json["a key of a later version"] = json!({"a": 1});
        json["measured"]["peaks"]["later"] = json!(1);
        assert!(validator.is_valid(&json));
        assert!(Sidecar::parse(&json.to_string()).is_ok());
        json.as_object_mut().unwrap().remove("verdict");
        assert!(!validator.is_valid(&json));
        assert!(Sidecar::parse(&json.to_string()).is_err());
    }

    // The architecture page's example of a sidecar, key by key: what others' programs read.
    #[test]
    fn the_keys_are_those_of_the_architecture_page() {
        let json = invented::stopped("x.wav").to_json();
        for key in [
            "/schema",
            "/written",
            "/tool/name",
            "/tool/version",
            "/tool/methods/0",
            "/file/name",
            "/file/bytes",
            "/file/modified",
            "/file/digests/blake3",
            "/file/digests/sha256",
            "/file/audio_digest/blake3",
            "/format/container",
            "/format/encoding",
            "/format/sample_rate_hz",
            "/format/bit_depth",
            "/format/channels",
            "/format/layout",
            "/format/channel_labels/1",
            "/format/frames",
            "/format/duration_s",
            "/metadata",
            "/measured/loudness/integrated_lufs",
            "/measured/loudness/momentary_max_lufs",
            "/measured/loudness/short_term_max_lufs",
            "/measured/loudness/range_lu",
            "/measured/peaks/true_peak_dbtp",
            "/measured/peaks/sample_peak_dbfs",
            "/measured/peaks/peak_to_loudness_lu",
            "/measured/channels/0/label",
            "/measured/channels/0/true_peak_dbtp",
            "/measured/channels/0/sample_peak_dbfs",
            "/measured/channels/0/rms_dbfs",
            "/measured/channels/0/dc_offset",
            "/measured/measured_on/layout",
            "/measured/measured_on/renderer",
            "/measured/renders",
            "/checks/0/check",
            "/checks/0/subject",
            "/checks/0/value",
            "/checks/0/unit",
            "/checks/0/limit",
            "/checks/0/outcome",
            "/checks/0/says",
            "/checks/0/source",
            "/checks/0/where",
            "/checks/2/where",
            "/checks/0/places_total",
            "/checks/1/where/0/start_s",
            "/checks/1/where/0/end_s",
            "/checks/1/where/0/channel",
            "/checks/1/where/0/value",
            "/verdict",
            "/profile/name",
            "/profile/digest",
            "/custody/0/at",
            "/custody/0/event",
            "/custody/0/from",
            "/custody/0/to",
            "/signoffs",
            "/waivers",
        ] {
            assert!(json.pointer(key).is_some(), "{key} is missing");
        }
        assert_eq!(json["schema"], "weighbridge.sidecar/1");
        assert_eq!(json["verdict"], "stop");
        assert_eq!(json["written"], "2026-05-04T17:20:11+01:00");
        assert_eq!(json["file"]["modified"], "2026-05-04T17:18:00.25+01:00");
        assert_eq!(json["format"]["duration_s"], 360.0);
        assert_eq!(json["measured"]["loudness"]["integrated_lufs"], -16.4);
    }

    #[test]
    fn a_file_that_could_not_be_read_has_a_record_with_nothing_made_up() {
        let all = invented::all_kinds();
        let json = all.last().unwrap().to_json();
        assert_eq!(json["verdict"], "unread");
        assert_eq!(json["file"]["digests"]["blake3"], Value::Null);
        for key in ["format", "measured"] {
            assert_eq!(json[key], Value::Null);
        }
        let back = Sidecar::parse(&all.last().unwrap().to_line()).unwrap();
        assert_eq!(back.to_json(), json);
    }

    #[test]
    fn silence_has_null_for_its_loudness() {
        let mut weighed = invented::weighed();
        let measurements = weighed.measurements.as_mut().unwrap();
        measurements.loudness = crate::measured::Measured::Is(Default::default());
        measurements.peaks = Default::default();
        let (name, profile) = (OsStr::new("x.wav"), invented::profile());
        let made = sidecar(&weighed, name, &profile, vec![], None, &invented::now());
        let json = made.to_json();
        assert_eq!(json["measured"]["loudness"]["integrated_lufs"], Value::Null);
        assert_eq!(json["measured"]["peaks"]["true_peak_dbtp"], Value::Null);
    }

    #[test]
    fn numbers_past_every_number_do_not_break_the_record() {
        let mut weighed = invented::weighed();
        let measurements = weighed.measurements.as_mut().unwrap();
        measurements.channels[0].dc_offset = f64::NEG_INFINITY;
        measurements.channels[1].dc_offset = f64::NAN;
        weighed.judgement.findings[0].value = Some(Choice::Number(f64::INFINITY));
        weighed.judgement.findings[1].places[0].value = Some(f64::NAN);
        weighed.identity.modified_ns = i128::MAX;
        let (name, profile) = (OsStr::from_bytes(b"\xff\n.wav"), invented::profile());
        let made = sidecar(&weighed, name, &profile, vec![], None, &invented::now());
        let back = Sidecar::parse(&made.to_pretty()).unwrap();
        assert_eq!(back.to_json(), made.to_json());
        assert_eq!(back.file.name, r"\xff\x0a.wav");
        let validator = jsonschema::validator_for(&schema()).unwrap();
        assert!(validator.is_valid(&made.to_json()));
    }

    #[test]
    fn another_schema_number_is_refused_and_named() {
        let text = r#"{"schema": "weighbridge.sidecar/2"}"#;
        let error = Sidecar::parse(text).unwrap_err().to_string();
        assert!(error.contains("weighbridge.sidecar/2"), "{error}");
        assert!(Sidecar::parse("[1").is_err());
        assert!(Sidecar::parse("{}").is_err());
    }

    proptest! {
        #[test]
        fn a_sidecar_survives_json_and_back(
            name in proptest::collection::vec(any::<u8>(), 1..40),
            loudness in proptest::option::of(-90_000_000i64..10_000_000),
            range in 0..60_000u32,
            at in proptest::collection::vec((0..1u64 << 40, -200_000i32..200_000), 0..4),
            says in any::<String>(),
            number in any::<f64>(),
        ) {
            let mut weighed = invented::weighed();
            let measurements = weighed.measurements.as_mut().unwrap();
            let crate::measured::Measured::Is(heard) = &mut measurements.loudness else {
                unreachable!("the invented file has a loudness")
            };
            heard.integrated_lufs = loudness.and_then(|micro| Lufs::new(micro as f64 / 1e6));
            heard.range_lu = Lu::new(f64::from(range) / 1e3);
            measurements.channels[0].dc_offset = number;
            let found = &mut weighed.judgement.findings[0];
            found.outcome = Outcome::Advise;
            found.value = Some(Choice::Text(says.clone()));
            found.says = says;
            found.places = (at.iter())
                .map(|(frame, value)| {
                    invented::place(*frame, Some("M+030"), Some(f64::from(*value) / 1e3))
                })
                .collect();
            let name = OsStr::from_bytes(&name);
            let profile = invented::profile();
            let made = sidecar(&weighed, name, &profile, vec![], None, &invented::now());
            for text in [made.to_pretty(), made.to_line()] {
                let back = Sidecar::parse(&text).unwrap();
                prop_assert_eq!(back.to_json(), made.to_json());
                prop_assert_eq!(&super::super::unprintable(&back.file.name), name);
                let read = back.measured.clone().unwrap().loudness.unwrap();
                let put = made.measured.clone().unwrap().loudness.unwrap();
                prop_assert_eq!(read.integrated_lufs, put.integrated_lufs);
                prop_assert_eq!(read.range_lu, put.range_lu);
                for (back, place) in back.checks[0].places.iter().zip(&made.checks[0].places) {
                    prop_assert_eq!(back.start_frame, place.start_frame);
                    prop_assert_eq!(back.value, place.value);
                }
            }
            prop_assert!(!made.to_line().contains('\n'));
        }
    }
}
