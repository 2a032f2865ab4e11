//! Metadata chunks in whole files, and labels from `chna`.

use super::*;

#[test]
fn chunks_behind_the_audio_are_read_too() {
    let mut bext = vec![0; 602];
    bext[256..269].copy_from_slice(b"Tallow Street");
    let mut cue = 1u32.to_le_bytes().to_vec();
    for value in [1u32, 0, 0, 0, 0, 480] {
        cue.extend(value.to_le_bytes());
    }
    let mut adtl = b"adtl".to_vec();
    adtl.extend(chunk(b"labl", b"\x01\0\0\0Start\0"));
    let mut info = b"INFO".to_vec();
    info.extend(chunk(b"INAM", b"Harbour Lights\0"));
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(1001)),
            chunk(b"bext", &bext),
            chunk(b"cue ", &cue),
            chunk(b"LIST", &adtl),
            chunk(b"LIST", &info),
            chunk(b"iXML", b"<BWFXML><PROJECT>Harbour</PROJECT></BWFXML>"),
            chunk(b"id3 ", b"ID3\x03\0\0\0\0\0\x0fTIT2\0\0\0\x05\0\0\0Dusk"),
            chunk(b"mine", b"kept as a fact"),
        ],
    );
    let (_, reading, _) = read_bytes("a.wav", &file);
    let metadata = reading.metadata;
    assert_eq!(kinds(&reading.oddities), [], "{:?}", reading.oddities);
    assert_eq!(metadata.bext.unwrap().originator, "Tallow Street");
    assert_eq!(metadata.cues[0].label.as_deref(), Some("Start"));
    assert_eq!(metadata.cues[0].frame, 480);
    assert_eq!(metadata.info["INAM"], "Harbour Lights");
    assert_eq!(metadata.ixml.unwrap().fields["PROJECT"], "Harbour");
    assert_eq!(metadata.tags["title"], "Dusk");
    assert_eq!(metadata.chunks.last().unwrap().id, "mine");
}

#[test]
fn metadata_that_cannot_be_read_is_an_oddity_and_the_audio_is_weighed() {
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"bext", &[0; 100]),
            chunk(b"iXML", b"<BWFXML>"),
            chunk(b"data", &ramp(10)),
        ],
    );
    let (_, reading, planes) = read_bytes("a.wav", &file);
    assert_eq!(planes[0], ramp_samples(10));
    assert_eq!(
        kinds(&reading.oddities),
        vec![OddityKind::MetadataDamaged; 2]
    );
    assert!(!reading.metadata.ixml.unwrap().well_formed);
}

/// `chna` with one entry a track (ITU-R BS.2088-1, clause 8).
fn chna(refs: &[&str]) -> Vec<u8> {
    let count = refs.len() as u16;
    let mut payload = [count.to_le_bytes(), count.to_le_bytes()].concat();
    for (index, track_ref) in refs.iter().enumerate() {
        payload.extend((index as u16 + 1).to_le_bytes());
        payload.extend(format!("ATU_{:08}", index + 1).bytes());
        payload.extend(format!("{track_ref:\0<14}").bytes());
        payload.extend(b"AP_00010003\0");
    }
    chunk(b"chna", &payload)
}

#[test]
fn common_definitions_in_chna_give_labels() {
    let open = |refs: &[&str]| {
        let channels = refs.len() as u16;
        let file = riff(
            b"BW64",
            &[
                chunk(b"fmt ", &fmt(1, channels, 48_000, 16)),
                chna(refs),
                chunk(b"data", &vec![0; 2 * refs.len()]),
            ],
        );
        let format = read_bytes("a.wav", &file).0;
        (format.labels, format.labels_from)
    };
    let (got, from) = open(&[
        "AT_00010001_01",
        "AT_00010002_01",
        "AT_00010003_01",
        "AT_00010004_01",
        "AT_0001000a_01",
        "AC_0001000b",
    ]);
    assert_eq!(got.unwrap(), labels("M+030 M-030 M+000 LFE1 M+090 M-090"));
    assert_eq!(from, Some(LabelSource::Chna));
    // An object's track, or a channel of the file's own: the file does not say here.
    assert_eq!(
        open(&["AT_00010001_01", "AT_00010002_01", "AT_00031001_01"]).0,
        None
    );
    assert_eq!(
        open(&["AT_00010001_01", "AT_00010001_01", "AT_00010003_01"]).0,
        None
    );
}
