//! A small master without faults, and the same with one fault after the other.

use std::collections::BTreeSet;

use super::{AudioFacts, check};
use crate::adm::chna::{Chna, ChnaRow};
use crate::adm::finding::{Class, Finding, Severity, merge};
use crate::adm::parse::{self, Limits};
use crate::adm::{Model, reference};

/// A bed of L, R, LFE and one object of three blocks, 2 s long; made for these tests.
const MASTER: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<ituADM xmlns="urn:metadata-schema:adm"><coreMetadata><format><audioFormatExtended version="ITU-R_BS.2076-2">
<audioProgramme audioProgrammeID="APR_1001" audioProgrammeName="Master"><audioContentIDRef>ACO_1001</audioContentIDRef></audioProgramme>
<audioContent audioContentID="ACO_1001" audioContentName="All"><audioObjectIDRef>AO_1001</audioObjectIDRef><audioObjectIDRef>AO_1002</audioObjectIDRef></audioContent>
<audioObject audioObjectID="AO_1001" audioObjectName="Bed"><audioPackFormatIDRef>AP_00011001</audioPackFormatIDRef><audioTrackUIDRef>ATU_00000001</audioTrackUIDRef><audioTrackUIDRef>ATU_00000002</audioTrackUIDRef><audioTrackUIDRef>ATU_00000003</audioTrackUIDRef></audioObject>
<audioObject audioObjectID="AO_1002" audioObjectName="Voice" start="00:00:00.00000" duration="00:00:02.00000"><audioPackFormatIDRef>AP_00031001</audioPackFormatIDRef><audioTrackUIDRef>ATU_00000004</audioTrackUIDRef></audioObject>
<audioPackFormat audioPackFormatID="AP_00011001" audioPackFormatName="Bed" typeLabel="0001" typeDefinition="DirectSpeakers"><audioChannelFormatIDRef>AC_00011001</audioChannelFormatIDRef><audioChannelFormatIDRef>AC_00011002</audioChannelFormatIDRef><audioChannelFormatIDRef>AC_00011003</audioChannelFormatIDRef></audioPackFormat>
<audioPackFormat audioPackFormatID="AP_00031001" audioPackFormatName="Voice" typeLabel="0003" typeDefinition="Objects"><audioChannelFormatIDRef>AC_00031001</audioChannelFormatIDRef></audioPackFormat>
<audioChannelFormat audioChannelFormatID="AC_00011001" audioChannelFormatName="L" typeLabel="0001" typeDefinition="DirectSpeakers"><audioBlockFormat audioBlockFormatID="AB_00011001_00000001"><speakerLabel>M+030</speakerLabel><position coordinate="azimuth">30</position><position coordinate="elevation">0</position></audioBlockFormat></audioChannelFormat>
<audioChannelFormat audioChannelFormatID="AC_00011002" audioChannelFormatName="R" typeLabel="0001" typeDefinition="DirectSpeakers"><audioBlockFormat audioBlockFormatID="AB_00011002_00000001"><speakerLabel>M-030</speakerLabel><position coordinate="azimuth">-30</position><position coordinate="elevation">0</position></audioBlockFormat></audioChannelFormat>
<audioChannelFormat audioChannelFormatID="AC_00011003" audioChannelFormatName="LFE" typeLabel="0001" typeDefinition="DirectSpeakers"><frequency typeDefinition="lowPass">120</frequency><audioBlockFormat audioBlockFormatID="AB_00011003_00000001"><speakerLabel>RC_LFE</speakerLabel><position coordinate="azimuth">0</position><position coordinate="elevation">-30</position></audioBlockFormat></audioChannelFormat>
<audioChannelFormat audioChannelFormatID="AC_00031001" audioChannelFormatName="Voice" typeLabel="0003" typeDefinition="Objects">
<audioBlockFormat audioBlockFormatID="AB_00031001_00000001" rtime="00:00:00.00000" duration="00:00:00.50000"><position coordinate="azimuth">10</position><position coordinate="elevation">0</position><width>20</width></audioBlockFormat>
<audioBlockFormat audioBlockFormatID="AB_00031001_00000002" rtime="00:00:00.50000" duration="00:00:00.50000"><cartesian>1</cartesian><position coordinate="X">0.5</position><position coordinate="Y">1</position><position coordinate="Z">0</position><jumpPosition interpolationLength="0.02">1</jumpPosition></audioBlockFormat>
<audioBlockFormat audioBlockFormatID="AB_00031001_00000003" rtime="00:00:01.00000" duration="00:00:01.00000"><position coordinate="azimuth">-10</position><position coordinate="elevation">0</position><diffuse>0.5</diffuse></audioBlockFormat>
</audioChannelFormat>
<audioStreamFormat audioStreamFormatID="AS_00031001" audioStreamFormatName="PCM" formatLabel="0001" formatDefinition="PCM"><audioChannelFormatIDRef>AC_00031001</audioChannelFormatIDRef><audioTrackFormatIDRef>AT_00031001_01</audioTrackFormatIDRef></audioStreamFormat>
<audioTrackFormat audioTrackFormatID="AT_00031001_01" audioTrackFormatName="PCM" formatLabel="0001" formatDefinition="PCM"><audioStreamFormatIDRef>AS_00031001</audioStreamFormatIDRef></audioTrackFormat>
<audioTrackUID UID="ATU_00000001" sampleRate="48000" bitDepth="24"><audioChannelFormatIDRef>AC_00011001</audioChannelFormatIDRef><audioPackFormatIDRef>AP_00011001</audioPackFormatIDRef></audioTrackUID>
<audioTrackUID UID="ATU_00000002" sampleRate="48000" bitDepth="24"><audioChannelFormatIDRef>AC_00011002</audioChannelFormatIDRef><audioPackFormatIDRef>AP_00011001</audioPackFormatIDRef></audioTrackUID>
<audioTrackUID UID="ATU_00000003" sampleRate="48000" bitDepth="24"><audioChannelFormatIDRef>AC_00011003</audioChannelFormatIDRef><audioPackFormatIDRef>AP_00011001</audioPackFormatIDRef></audioTrackUID>
<audioTrackUID UID="ATU_00000004" sampleRate="48000" bitDepth="24"><audioTrackFormatIDRef>AT_00031001_01</audioTrackFormatIDRef><audioPackFormatIDRef>AP_00031001</audioPackFormatIDRef></audioTrackUID>
</audioFormatExtended></format></coreMetadata></ituADM>
"#;

const FACTS: AudioFacts = AudioFacts {
    tracks: 4,
    sample_rate: 48_000,
    frames: 96_000,
    bit_depth: 24,
};

struct Master {
    axml: String,
    chna: Option<Chna>,
    facts: AudioFacts,
}

impl Master {
    fn good() -> Self {
        let row = |track_index, track: &str, pack: &str| ChnaRow {
            track_index,
            uid: format!("ATU_0000000{track_index}"),
            track_ref: track.to_owned(),
            pack_ref: pack.to_owned(),
        };
        Self {
            axml: MASTER.to_owned(),
            chna: Some(Chna {
                declared_tracks: 4,
                declared_uids: 4,
                rows: vec![
                    row(1, "AC_00011001", "AP_00011001"),
                    row(2, "AC_00011002", "AP_00011001"),
                    row(3, "AC_00011003", "AP_00011001"),
                    // A track format and its channel format are two names of one thing.
                    row(4, "AC_00031001", "AP_00031001"),
                ],
                places: 4,
                ..Chna::default()
            }),
            facts: FACTS,
        }
    }

    /// Replaces text that stands once at least; the first of it.
    fn with(mut self, from: &str, to: &str) -> Self {
        assert!(self.axml.contains(from), "{from}");
        self.axml = self.axml.replacen(from, to, 1);
        self
    }

    fn rows(mut self, change: impl FnOnce(&mut Chna)) -> Self {
        change(self.chna.as_mut().unwrap());
        self
    }

    fn findings(&self) -> Vec<Finding> {
        let rows = self.chna.as_ref().map_or(&[][..], |chna| &chna.rows);
        let parsed = parse::parse(self.axml.as_bytes(), &Limits::default(), rows).unwrap();
        let nothing = Model::default();
        let model = if parsed.usable {
            &parsed.model
        } else {
            &nothing
        };
        merge(
            parsed.findings,
            check(model, self.chna.as_ref(), &self.facts),
        )
    }
}

/// What was found: class, severity and element of each.
fn told(findings: &[Finding]) -> Vec<String> {
    findings
        .iter()
        .map(|finding| {
            format!(
                "{:?} {} [{}] x{}",
                finding.severity, finding.class, finding.element, finding.count
            )
        })
        .collect()
}

#[track_caller]
fn expect(master: Master, wanted: &[&str]) {
    assert_eq!(told(&master.findings()), wanted);
}

#[test]
fn a_master_without_faults_has_no_finding() {
    expect(Master::good(), &[]);
}

/// BS.2088-1 (chna chunk), BS.2076-3 clauses 5.9 and 7.
#[test]
fn faults_of_chna_are_named() {
    let mut master = Master::good();
    master.chna = None;
    expect(master, &["Fail chna-missing [chna] x1"]);
    expect(
        Master::good().rows(|chna| chna.rows[3].track_index = 7),
        &["Fail chna-track-index [ATU_00000004] x1"],
    );
    expect(
        Master::good().rows(|chna| chna.rows[0].track_index = 0),
        &["Fail chna-track-index [ATU_00000001] x1"],
    );
    expect(
        Master::good().rows(|chna| {
            chna.rows[3].track_index = 1;
            chna.declared_tracks = 3;
        }),
        &["Warn adm-track-unreferenced [track 4] x1"],
    );
    expect(
        Master::good().rows(|chna| chna.rows[1].uid = "ATU_00000001".into()),
        &[
            "Fail chna-duplicate-uid [ATU_00000001] x1",
            "Fail chna-missing-uid [ATU_00000002] x1",
            "Fail chna-axml-disagree [ATU_00000001] x1",
        ],
    );
    // Strict readers refuse it; those that do not play the same.
    expect(
        Master::good().rows(|chna| chna.declared_uids = 5),
        &["Warn chna-counts [chna] x1"],
    );
    // Readers that follow one count leave out the voice on track 4.
    expect(
        Master::good().rows(|chna| {
            chna.declared_uids = 3;
            chna.rows_beyond_count = 1;
        }),
        &["Fail chna-counts [chna] x1"],
    );
    expect(
        Master::good().rows(|chna| chna.declared_tracks = 3),
        &["Fail chna-counts [chna] x1"],
    );
    // Places that are kept free, within the count.
    expect(
        Master::good().rows(|chna| {
            chna.declared_uids = 128;
            chna.places = 128;
        }),
        &["Note chna-counts [chna] x1"],
    );
    expect(
        Master::good().rows(|chna| chna.declared_tracks = 9),
        &["Warn chna-counts [chna] x1"],
    );
    expect(
        Master::good().rows(|chna| chna.rows[2].pack_ref = "AP_00031001".into()),
        &["Fail chna-axml-disagree [ATU_00000003] x1"],
    );
    expect(
        Master::good().rows(|chna| chna.rows[3].track_ref = "AT_00031002_01".into()),
        &["Fail chna-axml-disagree [ATU_00000004] x1"],
    );
    expect(
        Master::good().rows(|chna| chna.rows[2].pack_ref = "ap_00011001".into()),
        &[],
    );
    expect(
        Master::good().rows(|chna| {
            chna.rows.pop();
            (chna.declared_uids, chna.declared_tracks) = (3, 3);
        }),
        &[
            "Fail chna-missing-uid [ATU_00000004] x1",
            "Warn adm-track-unreferenced [track 4] x1",
        ],
    );
}

/// BS.2076-3 clauses 5.6.2 and 6; no programme: common practice.
#[test]
fn faults_of_references_are_named() {
    expect(
        Master::good().with(
            "<audioPackFormatIDRef>AP_00031001",
            "<audioPackFormatIDRef>AP_00031fff",
        ),
        &["Fail adm-dangling-reference [AO_1002] x1"],
    );
    expect(
        Master::good().with("<audioObjectIDRef>AO_1002", "<audioObjectIDRef>AO_1009"),
        &[
            "Warn adm-track-unreferenced [ATU_00000004] x1",
            "Fail adm-dangling-reference [ACO_1001] x1",
        ],
    );
    let programme =
        &MASTER[MASTER.find("<audioProgramme ").unwrap()..MASTER.find("<audioContent ").unwrap()];
    expect(
        Master::good().with(programme, ""),
        &["Fail adm-programme-missing [axml] x1"],
    );
    expect(
        Master::good().with(
            "</audioFormatExtended>",
            "<audioObject audioObjectID=\"AO_1002\" audioObjectName=\"Again\"/></audioFormatExtended>",
        ),
        &["Fail adm-duplicate-id [AO_1002] x1"],
    );
    expect(
        Master::good().with("AB_00031001_00000002", "AB_00031001_00000001"),
        &["Warn adm-duplicate-id [AC_00031001, AB_00031001_00000001] x1"],
    );
    expect(
        Master::good().with(
            "<audioTrackUIDRef>ATU_00000004",
            "<audioObjectIDRef>AO_1002</audioObjectIDRef><audioTrackUIDRef>ATU_00000004",
        ),
        &["Fail adm-object-loop [AO_1002] x1"],
    );
    expect(
        Master::good().with(
            "<audioChannelFormatIDRef>AC_00031001",
            "<audioPackFormatIDRef>AP_00031001</audioPackFormatIDRef><audioChannelFormatIDRef>AC_00031001",
        ),
        &["Fail adm-object-loop [AP_00031001] x1"],
    );
    expect(
        Master::good().with("<audioTrackUIDRef>ATU_00000002</audioTrackUIDRef>", ""),
        &[
            "Warn adm-track-unreferenced [ATU_00000002] x1",
            "Fail chna-missing-uid [AO_1001] x1",
        ],
    );
    // ATU_00000000 stands for silence (BS.2076-2, clause 5.6.2).
    expect(
        Master::good().with(
            "<audioTrackUIDRef>ATU_00000002",
            "<audioTrackUIDRef>ATU_00000000",
        ),
        &["Warn adm-track-unreferenced [ATU_00000002] x1"],
    );
    expect(
        Master::good().with(
            "<audioTrackUIDRef>ATU_00000002",
            "<audioTrackUIDRef>ATU_00000004",
        ),
        &[
            "Warn adm-track-unreferenced [ATU_00000002] x1",
            "Fail adm-track-unreferenced [AO_1001] x1",
        ],
    );
}

/// BS.2076-3 clauses 5.3, 5.5 and 6.
#[test]
fn faults_of_types_are_named() {
    let pack = "Voice\" typeLabel=\"0003\" typeDefinition=\"Objects\"><audioChannelFormatIDRef";
    expect(
        Master::good().with(
            pack,
            &pack.replace("0003", "0009").replace("Objects", "Wavefield"),
        ),
        &["Fail adm-type-unknown [AP_00031001] x1"],
    );
    expect(
        Master::good().with(pack, &pack.replace("0003", "0001")),
        &["Fail adm-id-type [AP_00031001] x1"],
    );
    expect(
        Master::good().with(
            pack,
            &pack.replace("typeLabel=\"0003\" typeDefinition=\"Objects\"", ""),
        ),
        &["Warn adm-type-unknown [AP_00031001] x1"],
    );
    expect(
        Master::good().with(
            pack,
            &pack
                .replace("0003", "0001")
                .replace("Objects", "DirectSpeakers"),
        ),
        &[
            "Fail adm-id-type [AP_00031001] x1",
            "Warn adm-id-type [AP_00031001] x1",
        ],
    );
    expect(
        Master::good().with(
            "formatLabel=\"0001\" formatDefinition=\"PCM\"",
            "formatLabel=\"0002\" formatDefinition=\"Coded\"",
        ),
        &["Fail adm-type-unsupported [ATU_00000004] x1"],
    );
    expect(
        Master::good().with("audioProgrammeID=\"APR_1001\"", "audioProgrammeID=\"P1\""),
        &["Warn adm-id-type [P1] x1"],
    );
}

/// BS.2076-3 clauses 5.4.1 and 9.3, BS.2127-1 clause 6; up to one sample period (20.8 us at 48 kHz)
/// is rounding: common practice, no source.
#[test]
fn faults_of_block_times_are_named() {
    let second = "AC_00031001, AB_00031001_00000002";
    let third = "AC_00031001, AB_00031001_00000003";
    let rtime = "rtime=\"00:00:00.50000\"";
    expect(
        Master::good().with(rtime, "rtime=\"00:00:00.40000\""),
        &[
            &format!("Fail adm-block-overlap [{second}] x1"),
            &format!("Warn adm-block-gap [{third}] x1"),
        ],
    );
    expect(
        Master::good().with(rtime, "rtime=\"00:00:00.50002\""),
        &[
            &format!("Note adm-block-gap [{second}] x1"),
            &format!("Note adm-block-overlap [{third}] x1"),
        ],
    );
    // Three hundredths of a millisecond are more than a sample.
    expect(
        Master::good().with(rtime, "rtime=\"00:00:00.50003\""),
        &[
            &format!("Warn adm-block-gap [{second}] x1"),
            &format!("Fail adm-block-overlap [{third}] x1"),
        ],
    );
    expect(
        Master::good()
            .with("rtime=\"00:00:00.00000\"", "rtime=\"00:00:00.10000\"")
            .with("duration=\"00:00:00.50000\"", "duration=\"00:00:00.40000\""),
        &["Warn adm-first-block [AC_00031001, AB_00031001_00000001] x1"],
    );
    let last = "rtime=\"00:00:01.00000\" duration=\"00:00:01.00000\"";
    expect(
        Master::good().with(last, "rtime=\"00:00:01.00000\" duration=\"00:00:01.10000\""),
        &[&format!("Fail adm-block-outside-object [{third}] x1")],
    );
    expect(
        Master::good().with(last, "rtime=\"00:00:01.00000\" duration=\"00:00:01.00001\""),
        &[&format!("Note adm-block-outside-object [{third}] x1")],
    );
    expect(
        Master::good().with(last, "rtime=\"00:00:01.00000\""),
        &[&format!("Fail adm-rtime-duration [{third}] x1")],
    );
    expect(
        Master::good().with(last, ""),
        &[&format!("Fail adm-rtime-duration [{third}] x1")],
    );
    expect(
        Master::good().with(last, "rtime=\"1.0\" duration=\"00:00:01.00000\""),
        &[&format!("Fail adm-rtime-duration [{third}] x2")],
    );
    expect(
        Master::good().with("rtime=\"00:00:00.00000\" ", ""),
        &["Warn adm-rtime-duration [AC_00031001, AB_00031001_00000001] x1"],
    );
    expect(
        Master::good().with(
            "interpolationLength=\"0.02\"",
            "interpolationLength=\"0.6\"",
        ),
        &[&format!("Fail adm-interpolation-length [{second}] x1")],
    );
    expect(
        Master::good().with(
            "interpolationLength=\"0.02\"",
            "interpolationLength=\"0.50001\"",
        ),
        &[&format!("Note adm-interpolation-length [{second}] x1")],
    );
    let in_last =
        "<diffuse>0.5</diffuse><jumpPosition interpolationLength=\"1.5\">1</jumpPosition>";
    expect(
        Master::good().with("<diffuse>0.5</diffuse>", in_last),
        &[&format!("Warn adm-interpolation-length [{third}] x1")],
    );
    expect(
        Master::good().with(
            "interpolationLength=\"0.02\"",
            "interpolationLength=\"short\"",
        ),
        &[&format!("Fail adm-interpolation-length [{second}] x1")],
    );
}

#[test]
fn blocks_out_of_order_are_told_and_taken_in_order() {
    let blocks: Vec<&str> = MASTER
        .lines()
        .filter(|line| line.contains("AB_00031001"))
        .collect();
    let master = Master::good()
        .with(blocks[0], "@")
        .with(blocks[1], blocks[0])
        .with("@", blocks[1]);
    expect(
        master,
        &["Warn adm-block-order [AC_00031001, AB_00031001_00000001] x1"],
    );
}

/// BS.2127-1 clause 6, BS.2076-3 clause 5.6.1.
#[test]
fn an_object_outside_of_the_file_is_named() {
    let mut short = Master::good();
    short.facts.frames = 95_000;
    expect(short, &["Warn adm-object-outside-file [AO_1002] x1"]);
    let mut rounded = Master::good();
    rounded.facts.frames = 95_999;
    expect(rounded, &[]);
    expect(
        Master::good().with("start=\"00:00:00.00000\"", "start=\"00:00:02.00000\""),
        &["Fail adm-object-outside-file [AO_1002] x1"],
    );
}

/// BS.2076-3 clause 8 (coordinate system); Cartesian positions are clipped by BS.2127-1.
#[test]
fn positions_out_of_range_are_named() {
    let first = "AC_00031001, AB_00031001_00000001";
    let second = "AC_00031001, AB_00031001_00000002";
    let azimuth = "<position coordinate=\"azimuth\">10<";
    expect(
        Master::good().with(azimuth, "<position coordinate=\"azimuth\">200<"),
        &[&format!("Fail adm-position-range [{first}] x1")],
    );
    expect(
        Master::good().with(azimuth, "<position coordinate=\"azimuth\">-180<"),
        &[],
    );
    let elevation = "10</position><position coordinate=\"elevation\">0<";
    expect(
        Master::good().with(
            elevation,
            "10</position><position coordinate=\"elevation\">-91<",
        ),
        &[&format!("Fail adm-position-range [{first}] x1")],
    );
    expect(
        Master::good().with("\"X\">0.5<", "\"X\">1.5<"),
        &[&format!("Warn adm-position-range [{second}] x1")],
    );
    expect(
        Master::good().with(
            "<position coordinate=\"azimuth\">30<",
            "<position coordinate=\"azimuth\">330<",
        ),
        &["Fail adm-position-range [AC_00011001, AB_00011001_00000001] x1"],
    );
}

/// BS.2076-3 clauses 5.4 and 8.
#[test]
fn coordinates_and_values_that_do_not_fit_are_named() {
    let first = "AC_00031001, AB_00031001_00000001";
    let second = "AC_00031001, AB_00031001_00000002";
    let mismatch = |block: &str| format!("Fail adm-coordinate-mismatch [{block}] x1");
    expect(
        Master::good().with("<cartesian>1</cartesian>", ""),
        &[&mismatch(second)],
    );
    expect(
        Master::good().with("<position coordinate=\"Y\">1</position>", ""),
        &[&mismatch(second)],
    );
    expect(
        Master::good().with("coordinate=\"Z\"", "coordinate=\"elevation\""),
        &[&mismatch(second)],
    );
    expect(
        Master::good().with("coordinate=\"Z\"", "coordinate=\"W\""),
        &[&mismatch(second)],
    );
    expect(
        Master::good().with("coordinate=\"Z\"", "coordinate=\"X\""),
        &[&mismatch(second)],
    );
    let value = |block: &str, times: u32| format!("Fail adm-value-range [{block}] x{times}");
    for wrong in [
        "<width>-1</width>",
        "<width>361</width>",
        "<width>wide</width>",
        "<width>nan</width>",
        "<diffuse>1.5</diffuse>",
        "<gain gainUnit=\"foo\">1</gain>",
        "<gain>loud</gain>",
        "<objectDivergence azimuthRange=\"45\">2</objectDivergence>",
        "<channelLock maxDistance=\"-1\">1</channelLock>",
        "<channelLock>2</channelLock>",
        "<screenRef>maybe</screenRef>",
        "<zoneExclusion><zone minX=\"0\" maxX=\"1\"/></zoneExclusion>",
    ] {
        expect(
            Master::good().with("<width>20</width>", wrong),
            &[&value(first, 1)],
        );
    }
    expect(
        Master::good().with("<width>20</width>", "<importance>11</importance>"),
        &[&format!("Warn adm-value-range [{first}] x1")],
    );
    expect(
        Master::good().with("duration=\"00:00:02.00000\"", "duration=\"2 s\""),
        &["Fail adm-value-range [AO_1002] x1"],
    );
}

/// What is done is told: the label decides (common practice, no source).
#[test]
fn an_lfe_that_only_its_label_marks_is_told() {
    let master = Master::good().with("<frequency typeDefinition=\"lowPass\">120</frequency>", "");
    let findings = master.findings();
    assert_eq!(
        told(&findings),
        ["Warn adm-lfe-undeclared [AC_00011003] x1"]
    );
    assert!(findings[0].says.contains("RC_LFE"), "{}", findings[0].says);
}

/// ITU-R BS.2051-3, Table 1: M+030 stands at 30 degrees, to the left.
#[test]
fn a_bed_channel_whose_label_position_and_name_disagree_is_told() {
    let azimuth = |degrees: &str| {
        Master::good().with(
            "<speakerLabel>M+030</speakerLabel><position coordinate=\"azimuth\">30<",
            &format!(
                "<speakerLabel>M+030</speakerLabel><position coordinate=\"azimuth\">{degrees}<"
            ),
        )
    };
    let name = |name: &str| {
        Master::good().with(
            "audioChannelFormatName=\"L\"",
            &format!("audioChannelFormatName=\"{name}\""),
        )
    };
    for master in [
        azimuth("-30"),
        azimuth("135"),
        name("RC_R"),
        name("FrontRight"),
    ] {
        let findings = master.findings();
        assert_eq!(told(&findings), ["Warn adm-label-place [AC_00011001] x1"]);
    }
    for master in [
        azimuth("45"),
        azimuth("22"),
        name("FrontLeft"),
        name("Front"),
    ] {
        let findings = master.findings();
        assert_eq!(told(&findings), [""; 0]);
    }
}

/// 128 tracks, 118 objects and a bed of 7.1.2: common practice, no source.
#[test]
fn the_limits_of_the_trade_are_named() {
    let mut wide = Master::good();
    wide.facts.tracks = 129;
    let found = wide.findings();
    assert!(told(&found).contains(&"Fail limit-tracks [file] x1".to_owned()));

    let mut many = Master::good();
    for number in 5..=122 {
        let uid = format!("ATU_{number:08x}");
        many = many
            .with(
                "</audioObject>\n<audioPackFormat ",
                &format!("<audioTrackUIDRef>{uid}</audioTrackUIDRef></audioObject>\n<audioPackFormat "),
            )
            .with(
                "</audioFormatExtended>",
                &format!("<audioTrackUID UID=\"{uid}\"><audioTrackFormatIDRef>AT_00031001_01</audioTrackFormatIDRef><audioPackFormatIDRef>AP_00031001</audioPackFormatIDRef></audioTrackUID></audioFormatExtended>"),
            )
            .rows(|chna| {
                chna.places += 1;
                chna.rows.push(ChnaRow {
                    track_index: number,
                    uid: uid.clone(),
                    track_ref: "AT_00031001_01".into(),
                    pack_ref: "AP_00031001".into(),
                });
                (chna.declared_uids, chna.declared_tracks) = (number, number);
            });
        many.facts.tracks = number;
    }
    expect(many, &["Fail limit-objects [file] x1"]);

    // 22.2 of the common definitions in place of the bed's own pack.
    let bed = Master::good().with(
        "<audioPackFormatIDRef>AP_00011001",
        "<audioPackFormatIDRef>AP_00010009",
    );
    let found = told(&bed.findings());
    assert!(
        found.contains(&"Warn limit-bed-width [AO_1001] x1".to_owned()),
        "{found:?}"
    );
}

/// Faults of the text, by way of the whole: what cannot be read leaves chna's own faults only.
#[test]
fn an_axml_that_cannot_be_read_is_one_finding() {
    expect(
        Master::good().with("</audioProgramme>", "</audioProgram>"),
        &["Fail axml-syntax [axml] x1"],
    );
    expect(
        Master::good().with("Master", "&master;"),
        &["Fail axml-entities [axml] x1"],
    );
    let mut empty = Master::good();
    empty.axml.clear();
    expect(empty, &["Fail axml-missing [axml] x1"]);
    let mut other = Master::good();
    other.axml = "<notes/>".into();
    expect(other, &["Fail axml-missing [axml] x1"]);
}

/// A file may do without axml when chna points at the common definitions (BS.2094).
#[test]
fn a_file_of_chna_alone_is_known_by_the_common_definitions() {
    let rows = [(1, "AT_00010001_01"), (2, "AC_00010002")].map(|(track_index, track)| ChnaRow {
        track_index,
        uid: format!("ATU_0000000{track_index}"),
        track_ref: track.into(),
        pack_ref: "AP_00010002".into(),
    });
    let parsed = parse::without_axml(&rows);
    assert!(parsed.usable);
    assert_eq!(told(&parsed.findings), ["Warn axml-missing [axml] x1"]);
    let model = parsed.model;
    assert!(model.track_uids.iter().all(|uid| uid.from_chna));
    let channels: Vec<&str> = model
        .track_uids
        .iter()
        .map(|uid| model.channels[model.channel_of(uid).unwrap()].id.as_str())
        .collect();
    assert_eq!(channels, ["AC_00010001", "AC_00010002"]);
    let chna = Chna {
        declared_tracks: 2,
        declared_uids: 2,
        rows: rows.to_vec(),
        places: 2,
        ..Chna::default()
    };
    let facts = AudioFacts { tracks: 2, ..FACTS };
    assert_eq!(told(&check(&model, Some(&chna), &facts)), [""; 0]);
}

/// Samples of two ADM libraries: the name says what is wrong, or nothing is.
#[test]
fn the_outside_samples_are_judged_as_their_names_say() {
    let Some(folder) = reference("immersive/data/adm") else {
        return;
    };
    // None of these stands alone: they have no chna and most no programme.
    let beside = [
        Class::ChnaMissing,
        Class::AdmProgrammeMissing,
        Class::AdmFirstBlock,
        Class::AdmTypeUnknown,
    ];
    let mut seen = 0;
    let mut names: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    names.sort();
    for path in names {
        let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
        let file = std::io::BufReader::new(std::fs::File::open(&path).unwrap());
        let parsed = parse::parse(file, &Limits::default(), &[]).unwrap();
        let facts = AudioFacts {
            tracks: 64,
            sample_rate: 48_000,
            frames: 0,
            bit_depth: 24,
        };
        let mut findings = parsed.findings;
        if parsed.usable {
            findings.extend(check(&parsed.model, None, &facts));
        }
        let classes: BTreeSet<Class> = findings
            .iter()
            .filter(|finding| finding.severity == Severity::Fail)
            .map(|finding| finding.class)
            .filter(|class| !beside.contains(class))
            .collect();
        let wanted: &[Class] = match name.as_str() {
            name if name.ends_with("_duplicate_id") && !name.contains("uid") => {
                &[Class::AdmDuplicateId]
            }
            name if name.starts_with("p_unresolved_references") => &[Class::AdmDanglingReference],
            // A UID that refers to nothing is incomplete besides.
            "p_audio_track_uid_duplicate_id" => {
                &[Class::AdmDanglingReference, Class::AdmDuplicateId]
            }
            "p_audio_track_uid"
            | "p_audio_track_uid_channel_format_reference"
            | "p_audio_track_uid_track_format_reference"
            | "p_audio_object_track_refs"
            | "p_with_common_definitions" => &[Class::AdmDanglingReference],
            "p_audio_block_format_direct_speakers_cartesian_bad_bound" => {
                &[Class::AdmCoordinateMismatch, Class::AdmValueRange]
            }
            "p_audio_block_format_direct_speakers_cartesian_bad_coord" => {
                &[Class::AdmCoordinateMismatch]
            }
            "p_audio_block_format_objects_gain_unit_error" => &[Class::AdmValueRange],
            // Several blocks that stand at no time: samples of values, not of times.
            "p_audio_block_format_objects" => &[Class::AdmRtimeDuration],
            "p_audio_block_format_hoa" => &[Class::AdmTypeUnsupported, Class::AdmRtimeDuration],
            // One end tag in it is another's.
            "p_loudness_metadata" => &[Class::AxmlSyntax],
            // A schema, no document.
            "r_ADM" => &[Class::AxmlMissing],
            _ => &[],
        };
        let wanted: BTreeSet<Class> = wanted.iter().copied().collect();
        assert_eq!(classes, wanted, "{name}: {findings:#?}");
        seen += 1;
    }
    assert!(seen > 50, "{seen}");
}
