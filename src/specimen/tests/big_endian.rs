//! AIFF, AIFF-C and CAF, built by hand after their specifications.

use super::*;

fn be_chunk(id: &[u8; 4], payload: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((payload.len() as u32).to_be_bytes());
    bytes.extend(payload);
    bytes.extend(vec![0; payload.len() % 2]);
    bytes
}

fn form(kind: &[u8; 4], chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let mut bytes = b"FORM".to_vec();
    bytes.extend((body.len() as u32 + 4).to_be_bytes());
    bytes.extend(kind);
    bytes.extend(body);
    bytes
}

/// 44,100 Hz as an 80-bit extended number (AIFF 1.3, "COMM", has this very value as example:
/// 400E AC44 0000 0000 0000).
const RATE_44100: [u8; 10] = [0x40, 0x0e, 0xac, 0x44, 0, 0, 0, 0, 0, 0];

fn comm(channels: u16, frames: u32, bits: u16, compression: Option<&[u8; 4]>) -> Vec<u8> {
    let mut bytes = channels.to_be_bytes().to_vec();
    bytes.extend(frames.to_be_bytes());
    bytes.extend(bits.to_be_bytes());
    bytes.extend(RATE_44100);
    if let Some(kind) = compression {
        bytes.extend(kind);
        bytes.extend([0, 0]);
    }
    be_chunk(b"COMM", &bytes)
}

fn ssnd(samples: &[u8]) -> Vec<u8> {
    be_chunk(b"SSND", &[&[0; 8], samples].concat())
}

pub fn small_aiff() -> Vec<u8> {
    form(
        b"AIFF",
        &[
            be_chunk(b"NAME", b"x"),
            comm(2, 2, 24, None),
            ssnd(&bytes_24(true)),
        ],
    )
}

pub fn small_caf() -> Vec<u8> {
    caf(0, 6, 24, None, &bytes_24(true))
}

const VALUES: [i32; 4] = [1, -1, 0x7f_ffff, -0x80_0000];

fn wanted() -> Vec<Vec<f64>> {
    let scaled = VALUES.map(|value| f64::from(value) / 8_388_608.0);
    vec![vec![scaled[0], scaled[2]], vec![scaled[1], scaled[3]]]
}

fn bytes_24(big: bool) -> Vec<u8> {
    let of = |value: &i32| match big {
        true => value.to_be_bytes()[1..].to_vec(),
        false => value.to_le_bytes()[..3].to_vec(),
    };
    VALUES.iter().flat_map(of).collect()
}

#[test]
fn aiff_samples_texts_and_markers_are_read() {
    let mut mark = 1u16.to_be_bytes().to_vec();
    mark.extend([0, 9, 0, 0, 0, 2, 5]);
    mark.extend(b"Outro");
    let samples = bytes_24(true);
    let file = form(
        b"AIFF",
        &[
            be_chunk(b"NAME", b"Harbour Lights"),
            comm(2, 2, 24, None),
            be_chunk(b"MARK", &mark),
            ssnd(&samples),
        ],
    );
    let (format, reading, planes) = read_bytes("a.aif", &file);
    assert_eq!(planes, wanted());
    assert_eq!(format.container, Container::Aiff);
    assert_eq!(format.sample_rate.value(), 44_100);
    assert_eq!(format.bit_depth, Some(24));
    assert_eq!(kinds(&reading.oddities), [], "{:?}", reading.oddities);
    assert_eq!(reading.metadata.tags["title"], "Harbour Lights");
    assert_eq!(reading.metadata.cues[0].label.as_deref(), Some("Outro"));
    assert_eq!(reading.metadata.cues[0].frame, 2);
    assert_eq!(
        reading.audio_blake3,
        blake3::hash(&samples).to_hex().to_string()
    );
}

#[test]
fn uncompressed_kinds_of_aifc_are_read_and_others_named() {
    let open = |kind: &[u8; 4], samples: &[u8]| {
        let file = form(b"AIFC", &[comm(2, 2, 24, Some(kind)), ssnd(samples)]);
        read_bytes("a.aifc", &file).2
    };
    assert_eq!(open(b"sowt", &bytes_24(false)), wanted());
    assert_eq!(open(b"in24", &bytes_24(true)), wanted());
    let floats: Vec<u8> = [0.5f32, -0.5, 0.25, 2.0]
        .iter()
        .flat_map(|v| v.to_be_bytes())
        .collect();
    assert_eq!(open(b"fl32", &floats), [[0.5, 0.25], [-0.5, 2.0]]);
    let file = on_disk(
        "a.aifc",
        &form(b"AIFC", &[comm(2, 2, 16, Some(b"ulaw")), ssnd(&[0; 4])]),
    );
    let error = Specimen::open(&file.path, None).unwrap_err();
    assert!(error.to_string().contains("ulaw"), "{error}");
}

#[test]
fn an_aiff_that_is_cut_or_unfinished_is_told_and_waited_for() {
    let whole = form(b"AIFF", &[comm(2, 2, 24, None), ssnd(&bytes_24(true))]);
    let complete = |bytes: &[u8]| completeness(&on_disk("a.aif", bytes).path).unwrap();
    assert_eq!(complete(&whole), Completeness::Complete);
    let cut = &whole[..whole.len() - 6];
    assert!(matches!(complete(cut), Completeness::Incomplete(_)));
    let (_, reading, planes) = read_bytes("a.aif", cut);
    assert_eq!(kinds(&reading.oddities), [OddityKind::DataTruncated]);
    assert_eq!(planes[0].len(), 1);

    let mut unfinished = whole.clone();
    unfinished[4..8].fill(0);
    let size = whole.len() - 12 - 8 - 4;
    unfinished[size..size + 4].fill(0);
    let (_, reading, planes) = read_bytes("a.aif", &unfinished);
    assert_eq!(kinds(&reading.oddities), [OddityKind::HeaderUnfinished]);
    assert_eq!(planes, wanted());
    assert!(matches!(complete(&unfinished), Completeness::Incomplete(_)));

    let lying = form(b"AIFF", &[comm(2, 9, 24, None), ssnd(&bytes_24(true))]);
    let (_, reading, planes) = read_bytes("a.aif", &lying);
    assert_eq!(kinds(&reading.oddities), [OddityKind::SizesDisagree]);
    assert_eq!(planes, wanted());
}

fn caf_chunk(id: &[u8; 4], size: i64, payload: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend(size.to_be_bytes());
    bytes.extend(payload);
    bytes
}

fn caf(flags: u32, frame_bytes: u32, bits: u32, data_size: Option<i64>, samples: &[u8]) -> Vec<u8> {
    let mut desc = 44_100f64.to_be_bytes().to_vec();
    desc.extend(b"lpcm");
    for value in [flags, frame_bytes, 1, 2, bits] {
        desc.extend(value.to_be_bytes());
    }
    let mut chan = Vec::new();
    for value in [101u32 << 16 | 2, 0, 0] {
        chan.extend(value.to_be_bytes());
    }
    let info = b"\0\0\0\x01title\0Harbour Lights\0";
    let data = [&[0; 4], samples].concat();
    [
        b"caff\0\x01\0\0".to_vec(),
        caf_chunk(b"desc", 32, &desc),
        caf_chunk(b"chan", 12, &chan),
        caf_chunk(b"info", info.len() as i64, info),
        caf_chunk(b"data", data_size.unwrap_or(data.len() as i64), &data),
    ]
    .concat()
}

#[test]
fn caf_samples_of_both_byte_orders_and_their_labels_are_read() {
    for (flags, big) in [(0, true), (2, false)] {
        let file = caf(flags, 6, 24, None, &bytes_24(big));
        let (format, reading, planes) = read_bytes("a.caf", &file);
        assert_eq!(planes, wanted());
        assert_eq!(format.labels.unwrap(), labels("M+030 M-030"));
        assert_eq!(format.labels_from, Some(LabelSource::File));
        assert_eq!(kinds(&reading.oddities), []);
        assert_eq!(reading.metadata.tags["title"], "Harbour Lights");
    }
    let floats: Vec<u8> = [0.5f64, -0.5, 0.25, 2.0]
        .iter()
        .flat_map(|v| v.to_le_bytes())
        .collect();
    let (format, _, planes) = read_bytes("a.caf", &caf(3, 16, 64, None, &floats));
    assert_eq!(format.encoding, Encoding::Float);
    assert_eq!(planes, [[0.5, 0.25], [-0.5, 2.0]]);
}

#[test]
fn a_caf_of_unknown_length_goes_to_its_end_and_cannot_tell() {
    let file = caf(0, 6, 24, Some(-1), &bytes_24(true));
    assert_eq!(read_bytes("a.caf", &file).2, wanted());
    let complete = |bytes: &[u8]| completeness(&on_disk("a.caf", bytes).path).unwrap();
    assert_eq!(complete(&file), Completeness::Unknown);
    let whole = caf(0, 6, 24, None, &bytes_24(true));
    assert_eq!(complete(&whole), Completeness::Complete);
    assert!(matches!(
        complete(&whole[..whole.len() - 3]),
        Completeness::Incomplete(_)
    ));
    let (_, reading, _) = read_bytes("a.caf", &whole[..whole.len() - 3]);
    assert_eq!(
        kinds(&reading.oddities),
        [OddityKind::DataTruncated, OddityKind::PartialFrame]
    );
}
