//! Files that two readers may read differently, against copies of a chunk that harm nobody.

use super::*;
use crate::specimen::Rival;

fn file(chunks: &[Vec<u8>]) -> Vec<Oddity> {
    read_bytes("a.wav", &riff(b"RIFF", chunks)).1.oddities
}

fn mono() -> Vec<u8> {
    chunk(b"fmt ", &fmt(1, 1, 48_000, 16))
}

/// numTracks, numUIDs, and 40 bytes a row (ITU-R BS.2088-1, chna chunk).
fn chna(tracks: &[u16]) -> Vec<u8> {
    let count = (tracks.len() as u16).to_le_bytes();
    let mut payload = [count, count].concat();
    for track in tracks {
        let mut row = track.to_le_bytes().to_vec();
        row.extend(
            format!(
                "ATU_{track:08x}AT_0003{:04x}_01AP_00031001\0",
                0x1000 + track
            )
            .bytes(),
        );
        payload.extend(row);
    }
    chunk(b"chna", &payload)
}

#[track_caller]
fn told(chunks: &[Vec<u8>], rival: Rival, readings: [&str; 2]) {
    let oddities = file(chunks);
    assert_eq!(kinds(&oddities), [OddityKind::TwoReadings(rival)]);
    for reading in readings {
        assert!(oddities[0].says.contains(reading), "{}", oddities[0].says);
    }
}

#[test]
fn a_second_fmt_chunk_that_says_something_else_is_two_readings() {
    let other = chunk(b"fmt ", &fmt(1, 2, 44_100, 24));
    let chunks = [mono(), other, chunk(b"data", &ramp(10))];
    told(
        &chunks,
        Rival::Format,
        [
            "1 channels, 48000 Hz, 16 bit",
            "2 channels, 44100 Hz, 24 bit",
        ],
    );
    let (format, reading, _) = read_bytes("a.wav", &riff(b"RIFF", &chunks));
    assert_eq!(format.sample_rate.value(), 48_000);
    assert_eq!(reading.oddities[0].count, 2);
}

#[test]
fn a_second_data_chunk_is_two_readings_unless_it_is_empty() {
    let data = chunk(b"data", &ramp(10));
    told(
        &[mono(), data.clone(), chunk(b"data", &ramp(7))],
        Rival::Data,
        ["has 20 bytes", "has 14 bytes"],
    );
    told(
        &[mono(), data.clone(), data.clone()],
        Rival::Data,
        ["has 20 bytes", "has 20 bytes"],
    );
    let empty = file(&[mono(), data, chunk(b"data", &[])]);
    assert_eq!(kinds(&empty), [OddityKind::ChunkTwice]);
}

#[test]
fn two_axml_and_two_chna_chunks_are_two_readings_where_they_differ() {
    let data = chunk(b"data", &ramp(10));
    let axml = |text: &str| chunk(b"axml", text.as_bytes());
    told(
        &[mono(), axml("<a/>"), data.clone(), axml("<other/>")],
        Rival::Axml,
        ["has 4 bytes", "has 8 bytes"],
    );
    // Of one length: the content decides.
    told(
        &[mono(), axml("<a/>"), data.clone(), axml("<b/>")],
        Rival::Axml,
        ["has 4 bytes", "another"],
    );
    told(
        &[mono(), chna(&[1]), chna(&[1, 2]), data.clone()],
        Rival::Chna,
        [
            "says 1 tracks with 1 track UIDs",
            "says 2 tracks with 2 track UIDs",
        ],
    );
    let copies = file(&[
        mono(),
        axml("<a/>"),
        axml("<a/>"),
        chna(&[1]),
        chna(&[1]),
        data,
    ]);
    assert_eq!(
        kinds(&copies),
        [OddityKind::ChunkTwice, OddityKind::ChunkTwice]
    );
}

#[test]
fn a_third_chunk_that_differs_is_found_behind_an_equal_second_one() {
    let axml = |text: &str| chunk(b"axml", text.as_bytes());
    let oddities = file(&[
        mono(),
        axml("<a/>"),
        axml("<a/>"),
        axml("<c/>"),
        chunk(b"data", &ramp(10)),
    ]);
    assert_eq!(kinds(&oddities), [OddityKind::TwoReadings(Rival::Axml)]);
    assert_eq!(oddities[0].count, 3);
}

/// Frames of 3 bytes where two channels of 16 bits have 4; samples of 4 bytes where 24 bits have 3.
#[test]
fn a_block_align_that_contradicts_channels_and_bits_is_two_readings() {
    let with = |mut payload: Vec<u8>, align: u16| {
        payload[12..14].copy_from_slice(&align.to_le_bytes());
        [chunk(b"fmt ", &payload), chunk(b"data", &ramp(24))]
    };
    told(
        &with(fmt(1, 2, 48_000, 16), 3),
        Rival::BlockAlign,
        ["3 bytes a frame", "have 4"],
    );
    let mut wide = fmt(1, 2, 48_000, 24);
    wide[8..12].copy_from_slice(&(48_000u32 * 8).to_le_bytes());
    told(
        &with(wide, 8),
        Rival::BlockAlign,
        ["4 bytes, as it was read", "by the bits it has 3"],
    );
}

#[test]
fn doubled_chunks_that_decide_nothing_that_plays_are_told_as_such() {
    let oddities = file(&[
        mono(),
        chunk(b"bext", &[0; 602]),
        chunk(b"bext", &[1; 602]),
        chunk(b"data", &ramp(10)),
    ]);
    assert_eq!(kinds(&oddities), [OddityKind::ChunkTwice]);
}
