//! Hostile and broken bytes: nothing panics, nothing is read behind the end, nothing grows.

use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};

use super::flac::Flac;
use super::*;

/// Does everything that the room can do with these bytes, and checks what must hold whatever
/// they are.
fn survives(name: &str, bytes: &[u8]) {
    let file = on_disk(name, bytes);
    let len = bytes.len() as u64;
    let _ = completeness(&file.path).unwrap();
    let specimen = match Specimen::open(&file.path, None) {
        Ok(specimen) => specimen,
        Err(error) => {
            assert!(!error.is_transient(), "the disk is well: {error}");
            assert!(!error.to_string().is_empty());
            return;
        }
    };
    for chunk in &specimen.metadata().chunks {
        assert!(
            chunk.offset + chunk.bytes <= len,
            "{chunk:?} in {len} bytes"
        );
    }
    let channels = specimen.format().channels;
    let lossless = specimen.format().encoding == Encoding::Pcm;
    let declared = specimen.format().frames;
    let mut keep = Keep::default();
    let reading = specimen.read(true, &mut keep, &mut |_| {}).unwrap();
    assert_eq!(
        reading.digests.blake3,
        blake3::hash(bytes).to_hex().to_string()
    );
    if lossless && declared.is_some_and(|frames| frames.0 > 0) {
        assert!(
            reading.frames.0 * channels as u64 <= len,
            "a sample has a byte at least"
        );
    }
    for plane in &keep.planes {
        assert_eq!(plane.len() as u64, reading.frames.0);
        assert!(plane.iter().all(|sample| sample.is_finite()));
    }
    for oddity in &reading.oddities {
        assert!(oddity.count >= 1 && !oddity.says.is_empty());
    }
}

/// Small good files of each kind that is made without another program, with all that the
/// readers look at.
fn good() -> Vec<(&'static str, Vec<u8>)> {
    let mut bext = vec![0; 620];
    bext[346] = 2;
    let wave = |id: &[u8; 4]| {
        riff(
            id,
            &[
                chunk(b"ds64", &[0; 40]),
                chunk(b"fmt ", &fmt_extensible(2, 24, 3)),
                chunk(b"bext", &bext),
                chunk(b"chna", &[1, 0, 1, 0, 1, 0, b'A', b'T', b'U']),
                chunk(b"iXML", b"<BWFXML><PROJECT>x</PROJECT></BWFXML>"),
                chunk(b"data", &ramp(300)),
                chunk(b"cue ", &[1; 28]),
                chunk(b"LIST", b"adtllabl\x05\0\0\0\x01\x01\x01\x01a\0"),
                chunk(b"LIST", b"INFOINAM\x02\0\0\0ab"),
                chunk(b"id3 ", b"ID3\x04\0\0\0\0\0\x0fTIT2\0\0\0\x05\0\0\0Dusk"),
            ],
        )
    };
    let floats: Vec<u8> = (0..400u32).flat_map(|n| (n << 23).to_le_bytes()).collect();
    let float = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(3, 1, 48_000, 32)),
            chunk(b"data", &floats),
        ],
    );
    let mut files = vec![
        ("a.wav", wave(b"RIFF")),
        ("a.rf64", wave(b"RF64")),
        ("a.bw64", wave(b"BW64")),
        ("float.wav", float),
        ("a.aif", big_endian::small_aiff()),
        ("a.caf", big_endian::small_caf()),
        ("a.flac", Flac::new(2, 16, 2500).bytes()),
    ];
    for name in [
        "tone.mp3",
        "tone.aac",
        "tone.m4a",
        "tone-alac.m4a",
        "tone-alac.caf",
        "tone.ogg",
    ] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/corpus")
            .join(name);
        files.push((name, std::fs::read(path).unwrap()));
    }
    files
}

#[test]
fn good_files_are_good_before_they_are_broken() {
    for (name, bytes) in good() {
        survives(name, &bytes);
        let file = on_disk(name, &bytes);
        assert!(Specimen::open(&file.path, None).is_ok(), "{name}");
    }
}

#[test]
fn every_cut_of_a_header_is_survived() {
    for (name, bytes) in good() {
        for cut in (0..bytes.len().min(1200)).step_by(if bytes.len() > 3000 { 13 } else { 3 }) {
            survives(name, &bytes[..cut]);
        }
    }
}

#[test]
fn every_size_field_may_hold_anything() {
    for (name, bytes) in good() {
        for at in (0..bytes.len().min(200) - 4).step_by(2) {
            for value in [
                [0xff; 4],
                [0; 4],
                [0x7f, 0xff, 0xff, 0xff],
                [0, 0, 0, 1],
                [0, 0, 0, 0x80],
            ] {
                let mut broken = bytes.clone();
                broken[at..at + 4].copy_from_slice(&value);
                if name.starts_with("tone") && at % 8 != 0 {
                    continue;
                }
                survives(name, &broken);
            }
        }
    }
}

fn runner(cases: u32) -> TestRunner {
    TestRunner::new(Config {
        cases,
        // A failing case is printed; nothing is written beside the source.
        failure_persistence: None,
        ..Config::default()
    })
}

#[test]
fn any_bytes_are_survived() {
    let heads: Vec<Vec<u8>> = vec![
        b"".to_vec(),
        b"RIFF\0\0\0\0WAVE".to_vec(),
        b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec(),
        b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\x02\0\x80\xbb\0\0\0\0\0\0\x04\0\x10\0data".to_vec(),
        b"FORM\0\0\0\0AIFFCOMM".to_vec(),
        b"caff\0\x01\0\0desc\0\0\0\0\0\0\0\x20".to_vec(),
        b"fLaC\0\0\0\x22".to_vec(),
        b"OggS\0\x02".to_vec(),
        b"\0\0\0\x10ftypM4A ".to_vec(),
        b"ID3\x04\0\0".to_vec(),
        b"\xff\xfb\x90\0".to_vec(),
        b"\xff\xf1".to_vec(),
    ];
    let bytes = (0..heads.len(), prop::collection::vec(any::<u8>(), 0..2000));
    runner(300)
        .run(&bytes, |(head, rest)| {
            survives("a.wav", &[heads[head].as_slice(), &rest].concat());
            Ok(())
        })
        .unwrap();
}

#[test]
fn any_mutation_of_a_good_file_is_survived() {
    let files = good();
    let mutation = (
        0..files.len(),
        prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8),
        any::<prop::sample::Index>(),
        any::<bool>(),
    );
    runner(400)
        .run(&mutation, |(file, bytes, cut, cuts)| {
            let (name, mut broken) = files[file].clone();
            // Half of the mutations hit the header, where they hurt.
            for (turn, (at, value)) in bytes.iter().enumerate() {
                let among = if turn % 2 == 0 {
                    broken.len().min(300)
                } else {
                    broken.len()
                };
                broken[at.index(among)] = *value;
            }
            if cuts {
                broken.truncate(cut.index(broken.len()));
            }
            survives(name, &broken);
            Ok(())
        })
        .unwrap();
}
