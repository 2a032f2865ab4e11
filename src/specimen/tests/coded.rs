//! Compressed files that another program wrote: `tests/corpus/README.md` says how.

use super::*;

fn corpus(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/corpus")
        .join(name)
}

/// Peak of the 997 Hz part, by correlation over a whole number of its periods.
fn tone_peak(plane: &[f64]) -> f64 {
    // From the middle: 48 periods are 48 * 48000 / 997 = 2311 frames, to a hundredth of a period.
    let middle = &plane[8000..8000 + 2311];
    let (sine, cosine) = middle
        .iter()
        .enumerate()
        .fold((0.0, 0.0), |(s, c), (n, sample)| {
            let phase = std::f64::consts::TAU * 997.0 * n as f64 / 48_000.0;
            (s + sample * phase.sin(), c + sample * phase.cos())
        });
    2.0 * f64::hypot(sine, cosine) / middle.len() as f64
}

#[test]
fn lossy_files_of_another_program_give_the_tone_that_went_in() {
    for (name, container, encoding) in [
        ("tone.mp3", Container::Mp3, Encoding::Mp3),
        ("tone.aac", Container::Adts, Encoding::Aac),
        ("tone.m4a", Container::Mp4, Encoding::Aac),
        ("tone.ogg", Container::Ogg, Encoding::Vorbis),
    ] {
        let (format, reading, planes) = read_file(&corpus(name));
        assert_eq!(
            (format.container, format.encoding),
            (container, encoding),
            "{name}"
        );
        assert_eq!((format.channels, format.bit_depth), (2, None), "{name}");
        assert_eq!(format.sample_rate.value(), 48_000);
        assert_eq!(
            kinds(&reading.oddities),
            [],
            "{name} {:?}",
            reading.oddities
        );
        // The coder may add its delay and fill up its last packet.
        assert!(
            (19_200..=19_200 + 3 * 1152).contains(&reading.frames.0),
            "{name} {:?}",
            reading.frames
        );
        for plane in &planes {
            assert_eq!(plane.len() as u64, reading.frames.0);
            let peak = tone_peak(plane);
            // 64 kbit/s and less: 10 % (0.9 dB) is the coder's own error. Own choice.
            assert!((peak / 0.05 - 1.0).abs() < 0.1, "{name}: {peak}");
        }
        let (_, digests) = digest_file(&corpus(name), false).unwrap();
        assert_eq!(reading.digests, digests, "{name}");
        assert_ne!(reading.audio_blake3, digests.blake3);
    }
}

#[test]
fn lossless_files_of_another_program_hold_the_same_audio() {
    let mut digests = Vec::new();
    for (name, encoding) in [
        ("tone-alac.m4a", Encoding::Alac),
        ("tone-alac.caf", Encoding::Alac),
        ("tone.flac", Encoding::Flac),
    ] {
        let (format, reading, planes) = read_file(&corpus(name));
        assert_eq!(
            (format.encoding, format.bit_depth),
            (encoding, Some(16)),
            "{name}"
        );
        assert_eq!(reading.frames.0, 19_200, "{name}");
        assert_eq!(
            kinds(&reading.oddities),
            [],
            "{name} {:?}",
            reading.oddities
        );
        for (n, sample) in planes[0].iter().enumerate() {
            let wanted = 0.05 * (std::f64::consts::TAU * 997.0 * n as f64 / 48_000.0).sin();
            // One step of 16 bits for the conversion when it was made.
            assert!((sample - wanted).abs() <= 1.0 / 32_768.0, "{name} {n}");
        }
        digests.push(reading.audio_blake3);
    }
    assert!(
        digests.iter().all(|digest| *digest == digests[0]),
        "same samples, same digest"
    );
}

#[test]
fn what_the_library_does_not_decode_is_refused_in_words() {
    let refused = |name: &str| {
        let error = Specimen::open(&corpus(name), None).unwrap_err();
        assert!(matches!(error, OpenError::Unsupported { .. }), "{error}");
        error.to_string()
    };
    assert!(refused("tone.opus").contains("Opus"));
    assert!(refused("three.ogg").contains("3 channels"));
}

#[test]
fn a_cut_m4a_or_ogg_is_told_and_waited_for() {
    for (name, keep) in [("tone-alac.caf", 4000), ("tone.ogg", 4700)] {
        let whole = std::fs::read(corpus(name)).unwrap();
        assert_eq!(
            completeness(&corpus(name)).unwrap(),
            Completeness::Complete,
            "{name}"
        );
        let file = on_disk(name, &whole[..keep]);
        assert!(
            matches!(
                completeness(&file.path).unwrap(),
                Completeness::Incomplete(_)
            ),
            "{name}"
        );
    }
    // The index of an M4A may stand in front: what is missing is audio then.
    let whole = std::fs::read(corpus("tone-alac.m4a")).unwrap();
    let file = on_disk("a.m4a", &whole[..whole.len() / 2]);
    assert!(matches!(
        completeness(&file.path).unwrap(),
        Completeness::Incomplete(_)
    ));
}

#[test]
fn a_damaged_packet_does_not_stop_the_reading() {
    let mut bytes = std::fs::read(corpus("tone.mp3")).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 60].fill(0xff);
    let (_, reading, planes) = read_bytes("a.mp3", &bytes);
    assert!(planes[0].len() > 10_000);
    assert_eq!(
        reading.digests.blake3,
        blake3::hash(&bytes).to_hex().to_string()
    );
}

#[test]
fn a_tag_in_front_is_read_and_passed_over_however_long_it_is() {
    // ID3v2.4 with a title and a picture of 2 MB (a size field of four times seven bits) that looks like MPEG frames.
    let size_of = |bytes: &[u8]| [21, 14, 7, 0].map(|by| (bytes.len() >> by & 0x7f) as u8);
    let frame = |id: &[u8; 4], body: &[u8]| [id.as_slice(), &size_of(body), &[0, 0], body].concat();
    let picture = [0xff, 0xfb, 0x90, 0x00].repeat(500_000);
    let frames = [frame(b"TIT2", b"\x03Dusk"), frame(b"APIC", &picture)].concat();
    let tag = [b"ID3\x04\0\0".as_slice(), &size_of(&frames), &frames].concat();

    for name in ["tone.mp3", "tone.flac"] {
        let plain = std::fs::read(corpus(name)).unwrap();
        let tagged = [tag.as_slice(), &plain].concat();
        let (_, reading, planes) = read_bytes(name, &tagged);
        let (_, of_plain, plain_planes) = read_bytes(name, &plain);
        assert_eq!(reading.metadata.tags["title"], "Dusk", "{name}");
        assert_eq!(kinds(&reading.oddities), [], "{name}");
        assert!(planes == plain_planes, "{name}");
        assert_eq!(reading.audio_blake3, of_plain.audio_blake3);
        assert_eq!(
            reading.digests.blake3,
            blake3::hash(&tagged).to_hex().to_string()
        );
    }
}

#[test]
fn a_cut_ogg_is_read_as_far_as_it_goes_and_a_cut_m4a_is_damaged() {
    let whole = std::fs::read(corpus("tone.ogg")).unwrap();
    let (_, reading, planes) = read_bytes("a.ogg", &whole[..whole.len() - 100]);
    assert_eq!(kinds(&reading.oddities), [OddityKind::DataTruncated]);
    assert_eq!(planes[0].len() as u64, reading.frames.0);
    assert!(
        (9_600..19_200).contains(&reading.frames.0),
        "{:?}",
        reading.frames
    );
    let whole = std::fs::read(corpus("tone.m4a")).unwrap();
    let file = on_disk("a.m4a", &whole[..whole.len() / 2]);
    let error = Specimen::open(&file.path, None).unwrap_err();
    assert!(matches!(error, OpenError::Damaged { .. }), "{error}");
}
