//! Completeness: what intake waits for, and what it does not.

use std::os::unix::fs::FileExt;

use super::flac::Flac;
use super::*;

fn of(name: &str, bytes: &[u8]) -> Completeness {
    completeness(&on_disk(name, bytes).path).unwrap()
}

fn waits_for(name: &str, bytes: &[u8]) -> String {
    match of(name, bytes) {
        Completeness::Incomplete(why) => why,
        other => panic!("{other:?}"),
    }
}

/// 16-bit mono with samples that are never 0.
fn wave(frames: u16) -> Vec<u8> {
    riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(frames)),
        ],
    )
}

#[test]
fn a_finished_file_is_complete_and_every_cut_of_it_is_not() {
    let whole = wave(20_000);
    assert_eq!(of("a.wav", &whole), Completeness::Complete);
    for cut in [0, 1, 4, 11, 12, 30, 44, 45, 4096, whole.len() - 1] {
        waits_for("a.wav", &whole[..cut]);
    }
}

#[test]
fn a_header_that_was_never_finished_is_waited_for() {
    for (riff_size, data_size) in [(0u32, 0u32), (u32::MAX, u32::MAX), (36, 0), (0, 40_000)] {
        let mut file = wave(20_000);
        file[4..8].copy_from_slice(&riff_size.to_le_bytes());
        file[40..44].copy_from_slice(&data_size.to_le_bytes());
        let why = waits_for("a.wav", &file);
        assert!(why.contains("never finished"), "{why}");
    }
}

#[test]
fn sizes_that_are_only_wrong_are_a_finding_and_not_a_wait() {
    // The RIFF size says less than there is, chunks are consistent.
    let mut file = wave(1000);
    file[4..8].copy_from_slice(&36u32.to_le_bytes());
    assert_eq!(of("a.wav", &file), Completeness::Complete);
    // The first header's 8 bytes counted twice.
    let mut file = wave(1000);
    let size = file.len() as u32;
    file[4..8].copy_from_slice(&size.to_le_bytes());
    assert_eq!(of("a.wav", &file), Completeness::Complete);
    // Rubbish behind the last chunk.
    let file = [wave(1000), vec![0; 33]].concat();
    assert_eq!(of("a.wav", &file), Completeness::Complete);
}

#[test]
fn chunks_that_are_still_to_come_are_waited_for() {
    let whole = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(1000)),
            chunk(b"axml", &[b'x'; 500]),
        ],
    );
    let after_data = whole.len() - 508;
    assert!(waits_for("a.wav", &whole[..after_data]).contains("the header says"));
    assert!(waits_for("a.wav", &whole[..after_data + 100]).contains("axml"));
}

#[test]
fn chunks_behind_the_audio_that_are_not_written_yet_are_waited_for() {
    let mut file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(2026)),
            chunk(b"axml", &[b'x'; 500]),
        ],
    );
    file[4096..].fill(0);
    assert!(waits_for("a.wav", &file).contains("where a chunk should, at byte 4096"));
}

#[test]
fn a_copy_preallocated_at_full_size_is_waited_for_until_its_end_is_written() {
    let whole = wave(30_000);
    for written in [4096, 8192, 40_960] {
        let mut file = whole.clone();
        file[written..].fill(0);
        let why = waits_for("a.wav", &file);
        assert!(
            why.contains("only zeros") && why.contains(&written.to_string()),
            "{why}"
        );
    }
    let nothing = vec![0; whole.len()];
    assert!(waits_for("a.wav", &nothing).contains("beginning"));
    assert_eq!(of("notes.txt", &nothing), Completeness::Unknown);
}

#[test]
fn digital_silence_at_the_end_is_not_taken_for_an_unwritten_end() {
    // From a place that is no page's border, for less than a page, or all through.
    let silent_from = |byte: usize, frames: u16| {
        let mut file = wave(frames);
        file[byte..].fill(0);
        of("a.wav", &file)
    };
    assert_eq!(silent_from(10_000, 30_000), Completeness::Complete);
    assert_eq!(silent_from(44, 30_000), Completeness::Complete);
    let short = wave(6000);
    assert!(short.len() - 8192 < 4096);
    assert_eq!(silent_from(8192, 6000), Completeness::Complete);
}

#[test]
fn a_hole_in_the_audio_is_waited_for() {
    let whole = wave(30_000);
    let file = on_disk("a.wav", &[]);
    let handle = std::fs::OpenOptions::new()
        .write(true)
        .open(&file.path)
        .unwrap();
    handle.set_len(whole.len() as u64).unwrap();
    handle.write_all_at(&whole[..8192], 0).unwrap();
    handle.write_all_at(&whole[49_152..], 49_152).unwrap();
    let hole = rustix::fs::seek(&handle, rustix::fs::SeekFrom::Hole(0)).unwrap();
    if hole == whole.len() as u64 {
        println!("skipped: this file system does not tell holes");
        return;
    }
    match completeness(&file.path).unwrap() {
        Completeness::Incomplete(why) => assert!(why.contains("hole at byte 8192"), "{why}"),
        other => panic!("{other:?}"),
    }
    handle.write_all_at(&whole, 0).unwrap();
    assert_eq!(completeness(&file.path).unwrap(), Completeness::Complete);
}

#[test]
fn a_flac_is_complete_when_its_last_frame_stands_at_its_end() {
    let flac = Flac::new(2, 16, 10_100);
    let whole = flac.bytes();
    assert_eq!(of("a.flac", &whole), Completeness::Complete);
    for cut in [
        10,
        42,
        5000,
        whole.len() - flac.frame_bytes(),
        whole.len() - 1,
    ] {
        waits_for("a.flac", &whole[..cut]);
    }
    let tagged = [whole.clone(), b"TAG".to_vec(), vec![b' '; 125]].concat();
    assert_eq!(of("a.flac", &tagged), Completeness::Complete);
    let mut unknown = Flac::new(1, 16, 5000);
    unknown.declared = None;
    assert_eq!(of("a.flac", &unknown.bytes()), Completeness::Unknown);
}

#[test]
fn boxes_of_mp4_and_the_last_page_of_ogg_are_looked_at() {
    let boxed = |name: &[u8; 4], body: &[u8]| {
        let mut bytes = (body.len() as u32 + 8).to_be_bytes().to_vec();
        bytes.extend(name);
        bytes.extend(body);
        bytes
    };
    let mdat = boxed(b"mdat", &[1; 100]);
    let whole = [
        boxed(b"ftyp", b"M4A \0\0\0\0"),
        mdat,
        boxed(b"moov", &[2; 50]),
    ]
    .concat();
    assert_eq!(of("a.m4a", &whole), Completeness::Complete);
    assert!(waits_for("a.m4a", &whole[..whole.len() - 58]).contains("moov"));
    assert!(waits_for("a.m4a", &whole[..whole.len() - 1]).contains("says 58 bytes"));

    let page = |flags: u8| {
        let mut bytes = b"OggS\0".to_vec();
        bytes.push(flags);
        bytes.extend([0; 20]);
        bytes.extend([1, 40]);
        bytes.extend([7; 40]);
        bytes
    };
    let whole = [page(2), page(0), page(4)].concat();
    assert_eq!(of("a.ogg", &whole), Completeness::Complete);
    assert!(waits_for("a.ogg", &whole[..whole.len() - 1]).contains("not all there"));
    assert!(waits_for("a.ogg", &whole[..page(2).len() * 2]).contains("marked as the last"));
}

#[test]
fn what_is_no_audio_cannot_tell() {
    assert_eq!(
        of("cover.pdf", b"%PDF-1.7 and so on"),
        Completeness::Unknown
    );
    let folder = tempfile::tempdir().unwrap();
    let error = completeness(folder.path()).unwrap_err();
    assert_eq!(error.kind(), std::io::ErrorKind::InvalidInput);
}
