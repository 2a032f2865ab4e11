//! Object-based masters: whose fault it is, on which render, and in how few words.

use super::*;
use crate::adm;
use crate::adm::parse::{Limits, Parsed, parse};
use crate::measure::{Immersive, Parts};
use crate::specimen::ChunkFact;

/// One object, "Strings (close)", on a pack that the file does not have.
const BROKEN: &str = r#"<audioFormatExtended>
<audioProgramme audioProgrammeID="APR_1001" audioProgrammeName="Main">
<audioContentIDRef>ACO_1001</audioContentIDRef></audioProgramme>
<audioContent audioContentID="ACO_1001" audioContentName="Music">
<audioObjectIDRef>AO_1001</audioObjectIDRef></audioContent>
<audioObject audioObjectID="AO_1001" audioObjectName="Strings (close)" start="00:00:02.00000">
<audioPackFormatIDRef>AP_00031fff</audioPackFormatIDRef></audioObject>
</audioFormatExtended>"#;

fn parsed(axml: &str) -> Parsed {
    parse(axml.as_bytes(), &Limits::default(), &[]).unwrap()
}

fn broken() -> adm::Finding {
    adm::Finding {
        class: adm::Class::AdmDanglingReference,
        severity: adm::Severity::Fail,
        element: "AO_1001".into(),
        says: "audioObject AO_1001 -> AP_00031fff: there is no audioPackFormat with this id".into(),
        clause: "BS.2076-3 clause 6",
        count: 1,
        at_s: Some(1.5),
    }
}

fn judged(file: &File, findings: &[adm::Finding], not_rendered: Option<&str>) -> Judgement {
    judged_by(
        built_in().get("immersive-music").unwrap(),
        file,
        findings,
        not_rendered,
    )
}

fn judged_by(
    profile: &Profile,
    file: &File,
    findings: &[adm::Finding],
    not_rendered: Option<&str>,
) -> Judgement {
    let parsed = parsed(BROKEN);
    let facts = Facts {
        adm: Some(AdmRead {
            model: &parsed.model,
            findings,
            scene: None,
            not_rendered,
        }),
        ..file.facts()
    };
    judge(&facts, profile)
}

fn rendered(of: &File, renders: [(&str, f64, f64); 2]) -> File {
    let mut file = of.clone();
    let measured = file.measured().clone();
    let renders = renders.map(|(layout, integrated, peak)| {
        let mut render = measured.clone();
        render.measured_on.as_mut().unwrap().layout = layout.into();
        render.loudness.as_mut().ok().unwrap().integrated_lufs = Lufs::new(integrated);
        render.peaks.true_peak_dbtp = dbtp(peak);
        render
    });
    file.measured().immersive = Some(Box::new(Immersive {
        renders: renders.into(),
        binaural: None,
        translation: None,
        parts: Parts {
            layout: "0+5+0".into(),
            ..Parts::default()
        },
        items: Vec::new(),
        lfe: Vec::new(),
        fold: None,
        content: Default::default(),
        remarks: Vec::new(),
    }));
    file
}

fn master() -> File {
    let mut file = file("5.1");
    file.name = "Harbour_Lights.wav".into();
    file.metadata.chunks = ["axml", "chna"].map(chunk).into();
    file
}

fn chunk(id: &str) -> ChunkFact {
    ChunkFact {
        id: id.into(),
        offset: 0,
        bytes: 4_000,
    }
}

#[test]
fn a_fault_of_the_metadata_names_the_element_and_a_missing_render_is_told_once() {
    let judgement = judged(&master(), &[broken()], Some("a pack is missing"));
    assert_eq!(judgement.verdict, Verdict::Stop);
    assert_eq!(
        judgement.reason,
        "reference to nothing (Strings, close, AO_1001), and high frequencies in the low-frequency channel not measured: the master could not be rendered"
    );
    let found = finding(&judgement, "immersive.adm-dangling-reference");
    assert_eq!(found.subject, "AO_1001");
    assert!(
        found
            .says
            .starts_with("Strings (close): audioObject AO_1001"),
        "{found:?}"
    );
    // The block's time counts from the object's start, the place from the file's.
    assert_eq!(found.places[0].start_s, Seconds(3.5));
    assert_eq!(found.places[0].start_frame, Frames(168_000));
}

#[test]
fn of_several_renders_the_reason_says_which() {
    let file = rendered(&master(), [("0+5+0", -16.4, -3.0), ("0+2+0", -15.0, 0.7)]);
    let judgement = judged(&file, &[], None);
    assert_eq!(
        judgement.reason,
        "1.6 LU too loud on the 5.1 render (-16.4, asked: at most -18.0 LUFS)"
    );
    let stereo = judgement
        .findings
        .iter()
        .find(|found| found.check == "peaks.true_peak" && found.subject == "0+2+0")
        .unwrap();
    assert_eq!(stereo.outcome, Outcome::Advise);
    assert!(stereo.says.contains("true peak is 0.7 dBTP"), "{stereo:?}");
}

#[test]
fn overs_are_counted_by_the_limit_of_their_render() {
    let mut file = rendered(&master(), [("0+5+0", -18.4, -3.0), ("0+2+0", -18.0, 0.7)]);
    let over = |frame: u64, value: f64| Place {
        start_s: Seconds(frame as f64 / 48_000.0),
        end_s: Seconds(frame as f64 / 48_000.0),
        start_frame: Frames(frame),
        channel: Some("M+030".into()),
        value: Some(value),
        ..Place::default()
    };
    // The meter lists from the lowest ceiling, -1 dBTP; in stereo 0 is asked.
    let immersive = file.measured().immersive.as_mut().unwrap();
    for (frame, value) in [(100, -0.5), (200, 0.7), (300, 0.3)] {
        immersive.renders[1].overs.push(over(frame, value));
    }
    let limits = "[limits.\"peaks.true_peak\"]\nrender = \"0+5+0\"\nat_most = -1.0\n\
                  [limits.\"peaks.true_peak@0+2+0\"]\nat_most = 0.0\nseverity = \"advise\"";
    assert_eq!(over_ceiling_dbtp(&house(limits)), -0.99);
    let judgement = judged_by(&house(limits), &file, &[], None);
    assert_eq!(
        judgement.reason,
        "2 true-peak overs on the stereo render (highest 0.7, asked: at most 0.0 dBTP)"
    );
}
