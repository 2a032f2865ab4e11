//! WAVE, RF64 and BW64: samples, sizes that lie, channel masks.

use super::*;

#[test]
fn an_independent_writer_s_samples_come_back_exactly() {
    // hound 3.5 as the other witness; each value is written as an integer and must come back
    // as that integer over 2^(b-1).
    for (bits, channels) in [(8u16, 1u16), (16, 2), (24, 1), (24, 2), (24, 6), (32, 2)] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        let spec = hound::WavSpec {
            channels,
            sample_rate: 44_100,
            bits_per_sample: bits,
            sample_format: hound::SampleFormat::Int,
        };
        let frames = 10_000usize;
        let top = 1i64 << (bits - 1);
        let value = |n: usize| ((n as i64 * 1_000_003) % (2 * top) - top) as i32;
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        for n in 0..frames * usize::from(channels) {
            writer.write_sample(value(n)).unwrap();
        }
        writer.finalize().unwrap();

        let (format, reading, planes) = read_file(&path);
        assert_eq!(reading.frames.0, frames as u64);
        assert_eq!(format.bit_depth, Some(bits));
        assert_eq!(kinds(&reading.oddities), [], "{:?}", reading.oddities);
        for (channel, plane) in planes.iter().enumerate() {
            for (frame, sample) in plane.iter().enumerate() {
                let wanted = f64::from(value(frame * usize::from(channels) + channel));
                assert_eq!(*sample * top as f64, wanted, "{bits} bits, frame {frame}");
            }
        }
    }
}

#[test]
fn floats_of_both_widths_come_back_exactly() {
    let values = [0.1f32, -1.5, 0.0, 1.0, -1.0e-20, 3.0];
    let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(3, 2, 96_000, 32)),
            chunk(b"data", &bytes),
        ],
    );
    let (format, _, planes) = read_bytes("a.wav", &file);
    assert_eq!(format.encoding, Encoding::Float);
    assert_eq!(planes[0], [0.1f32, 0.0, -1.0e-20].map(f64::from));

    let bytes: Vec<u8> = [0.1f64, -7.25]
        .iter()
        .flat_map(|v| v.to_le_bytes())
        .collect();
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(3, 1, 96_000, 64)),
            chunk(b"data", &bytes),
        ],
    );
    let (format, _, planes) = read_bytes("a.wav", &file);
    assert_eq!(format.bit_depth, Some(64));
    assert_eq!(planes[0], [0.1, -7.25]);
}

#[test]
fn digests_are_those_of_the_file_and_of_the_data_payload() {
    let frames: Vec<u8> = (0..300_000u32)
        .flat_map(|n| (n * 77).to_le_bytes())
        .collect();
    let data = &frames[..frames.len() - 2];
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 3, 48_000, 24)),
            chunk(b"data", data),
            chunk(b"LIST", b"INFOINAM\x02\0\0\0ab"),
        ],
    );
    let on_disk = on_disk("a.wav", &file);
    let mut keep = Keep::default();
    let mut seen = Vec::new();
    let specimen = Specimen::open(&on_disk.path, None).unwrap();
    let before = specimen.identity();
    let reading = specimen
        .read(true, &mut keep, &mut |bytes| seen.push(bytes))
        .unwrap();
    assert_eq!(reading.digests, digest_file(&on_disk.path, true).unwrap().1);
    assert_eq!(
        reading.digests.blake3,
        blake3::hash(&file).to_hex().to_string()
    );
    assert_eq!(
        reading.audio_blake3,
        blake3::hash(data).to_hex().to_string()
    );
    assert_eq!(reading.identity_after, before);
    assert!(seen.is_sorted(), "progress only grows");
    assert_eq!(seen.last(), Some(&(file.len() as u64)));
    let capacity = Block::CAPACITY_FRAMES as u64;
    let starts: Vec<u64> = (0..keep.block_starts.len() as u64)
        .map(|n| n * capacity)
        .collect();
    assert_eq!(
        keep.block_starts, starts,
        "all blocks but the last are full"
    );
}

#[test]
fn a_sink_that_wants_no_more_ends_the_reading() {
    struct Once;
    impl BlockSink for Once {
        fn take(&mut self, _: &Block) -> ControlFlow<()> {
            ControlFlow::Break(())
        }
    }
    let data = ramp(20_000);
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &data),
        ],
    );
    let file = on_disk("a.wav", &file);
    let specimen = Specimen::open(&file.path, None).unwrap();
    let reading = specimen.read(false, &mut Once, &mut |_| {}).unwrap();
    assert!(reading.ended_early);
    assert_eq!(reading.frames.0, Block::CAPACITY_FRAMES as u64);
    assert_eq!(reading.digests, Digests::default());
}

#[test]
fn an_odd_chunk_is_followed_by_one_pad_byte() {
    // RIFF specification, "chunk": the pad byte is not counted in the size.
    let file = riff(
        b"RIFF",
        &[
            chunk(b"junk", b"odd"),
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(100)),
        ],
    );
    let (_, reading, planes) = read_bytes("a.wav", &file);
    assert_eq!(planes[0], ramp_samples(100));
    assert_eq!(kinds(&reading.oddities), []);
    let ids: Vec<&str> = reading
        .metadata
        .chunks
        .iter()
        .map(|c| c.id.as_str())
        .collect();
    assert_eq!(ids, ["junk", "fmt ", "data"]);
}

#[test]
fn a_missing_pad_byte_is_told_and_the_audio_is_found_all_the_same() {
    let mut unpadded = chunk(b"junk", b"odd");
    unpadded.pop();
    let file = riff(
        b"RIFF",
        &[
            unpadded,
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(100)),
        ],
    );
    let (_, reading, planes) = read_bytes("a.wav", &file);
    assert_eq!(planes[0], ramp_samples(100));
    assert_eq!(kinds(&reading.oddities), [OddityKind::PadMissing]);
}

#[test]
fn a_file_cut_in_its_audio_says_how_much_is_missing() {
    let whole = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(1000)),
        ],
    );
    let (format, reading, planes) = read_bytes("a.wav", &whole[..whole.len() - 501]);
    // 2000 bytes less 501: 749 frames and one byte.
    assert_eq!(format.frames.unwrap().0, 749);
    assert_eq!(planes[0], ramp_samples(749));
    assert_eq!(
        kinds(&reading.oddities),
        [OddityKind::DataTruncated, OddityKind::PartialFrame]
    );
    assert_eq!(reading.oddities[0].count, 501);
    assert_eq!(reading.oddities[0].at.unwrap().0, 749.0 / 48_000.0);
    assert!(
        reading.oddities[0].says.contains("2000"),
        "{:?}",
        reading.oddities
    );
}

#[test]
fn a_header_that_was_never_finished_is_read_to_the_end_of_the_file() {
    for size in [0u32, u32::MAX] {
        let mut file = riff(
            b"RIFF",
            &[
                chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
                chunk(b"data", &ramp(1000)),
            ],
        );
        file[4..8].copy_from_slice(&size.to_le_bytes());
        file[40..44].copy_from_slice(&size.to_le_bytes());
        let (_, reading, planes) = read_bytes("a.wav", &file);
        assert_eq!(planes[0], ramp_samples(1000));
        assert_eq!(kinds(&reading.oddities), [OddityKind::HeaderUnfinished]);
    }
}

#[test]
fn an_empty_data_chunk_before_other_chunks_is_empty_and_not_unfinished() {
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", b""),
            chunk(b"LIST", b"INFOINAM\x02\0\0\0ab"),
        ],
    );
    let (format, reading, _) = read_bytes("a.wav", &file);
    assert_eq!(format.frames.unwrap().0, 0);
    assert_eq!(kinds(&reading.oddities), []);
    assert_eq!(reading.metadata.info["INAM"], "ab");
}

#[test]
fn bytes_behind_the_last_chunk_are_rubbish_or_perhaps_audio() {
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(1000)),
        ],
    );
    let with = |rest: &[u8]| [file.as_slice(), rest].concat();
    let (_, reading, planes) = read_bytes("a.wav", &with(&[0; 100]));
    assert_eq!(kinds(&reading.oddities), [OddityKind::TrailingBytes]);
    assert_eq!(reading.oddities[0].count, 100);
    assert_eq!(planes[0].len(), 1000);
    let (_, reading, planes) = read_bytes("a.wav", &with(&[1; 50_000]));
    assert_eq!(kinds(&reading.oddities), [OddityKind::HeaderSaysLess]);
    assert_eq!(
        planes[0].len(),
        1000,
        "declared or present, whichever is less"
    );
}

#[test]
fn a_riff_size_that_lies_is_told_and_does_no_harm() {
    let good = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(10)),
        ],
    );
    for (size, wanted) in [(20u32, 1), (10_000, 1), (good.len() as u32 - 8, 0)] {
        let mut file = good.clone();
        file[4..8].copy_from_slice(&size.to_le_bytes());
        let (_, reading, planes) = read_bytes("a.wav", &file);
        assert_eq!(planes[0], ramp_samples(10));
        assert_eq!(
            kinds(&reading.oddities),
            vec![OddityKind::SizesDisagree; wanted],
            "{size}"
        );
    }
}

/// `ds64`: sizes of the whole, of `data`, the sample count, an empty or filled table (EBU Tech
/// 3306, clause 3).
fn ds64(riff: u64, data: u64, table: &[(&[u8; 4], u64)]) -> Vec<u8> {
    let mut payload = Vec::new();
    for value in [riff, data, 0] {
        payload.extend(value.to_le_bytes());
    }
    payload.extend((table.len() as u32).to_le_bytes());
    for (id, bytes) in table {
        payload.extend(*id);
        payload.extend(bytes.to_le_bytes());
    }
    chunk(b"ds64", &payload)
}

#[test]
fn sizes_of_rf64_and_bw64_come_from_ds64_where_the_sentinel_stands() {
    for id in [b"RF64", b"BW64"] {
        let data = ramp(1000);
        let mut axml = chunk(b"axml", b"<a/>");
        let mut data_chunk = chunk(b"data", &data);
        for sized in [&mut axml, &mut data_chunk] {
            sized[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
        }
        let total = 4 + 48 + 24 + data_chunk.len() + axml.len();
        let mut file = riff(
            id,
            &[
                ds64(total as u64, data.len() as u64, &[(b"axml", 4)]),
                chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
                data_chunk,
                axml,
            ],
        );
        file[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
        let (format, reading, planes) = read_bytes("a.wav", &file);
        assert_eq!(planes[0], ramp_samples(1000));
        assert_eq!(kinds(&reading.oddities), [], "{:?}", reading.oddities);
        assert_eq!(reading.metadata.adm.unwrap().axml_bytes, Some(4));
        let wanted = if id == b"RF64" {
            Container::Rf64
        } else {
            Container::Bw64
        };
        assert_eq!(format.container, wanted);
    }
}

#[test]
fn an_rf64_whose_data_size_is_not_the_sentinel_is_read() {
    // The 32-bit field has the word (EBU Tech 3306); ds64 says something else.
    let data = ramp(1000);
    let file = riff(
        b"RF64",
        &[
            ds64(0, 77, &[]),
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &data),
        ],
    );
    let (_, reading, planes) = read_bytes("a.wav", &file);
    assert_eq!(planes[0], ramp_samples(1000));
    assert_eq!(kinds(&reading.oddities), [OddityKind::SizesDisagree]);

    // The other way round: the field leads nowhere, ds64 fits.
    let mut file = riff(
        b"RF64",
        &[
            ds64(0, 2000, &[]),
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &data),
        ],
    );
    let field = file.len() - 2000 - 4;
    file[field..field + 4].copy_from_slice(&0x7fff_0000u32.to_le_bytes());
    assert_eq!(read_bytes("a.wav", &file).2[0], ramp_samples(1000));
}

#[test]
fn a_bw64_over_4_gb_is_walked_to_its_last_chunk() {
    // A sparse file: 5 GiB of audio that take no room on the disk (ITU-R BS.2088-1).
    use std::os::unix::fs::FileExt;
    let bytes = 5u64 << 30;
    let mut head = riff(
        b"BW64",
        &[
            ds64(0, bytes, &[]),
            chunk(b"fmt ", &fmt(1, 2, 48_000, 24)),
            chunk(b"data", b""),
        ],
    );
    let start = head.len() as u64;
    let total = start + bytes + 12;
    head[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
    head[20..28].copy_from_slice(&(total - 8).to_le_bytes());
    let size_field = head.len() - 4;
    head[size_field..].copy_from_slice(&u32::MAX.to_le_bytes());
    let on_disk = on_disk("a.wav", &head);
    let file = std::fs::OpenOptions::new()
        .write(true)
        .open(&on_disk.path)
        .unwrap();
    file.write_all_at(&chunk(b"axml", b"<a/>"), start + bytes)
        .unwrap();

    let specimen = Specimen::open(&on_disk.path, None).unwrap();
    assert_eq!(specimen.format().frames.unwrap().0, bytes / 6);
    let chunks = &specimen.metadata().chunks;
    assert_eq!(chunks[2].bytes, bytes);
    assert_eq!(
        (chunks[3].id.as_str(), chunks[3].offset),
        ("axml", total - 4)
    );
    // 5 GiB are no multiple of 6 bytes; counted is what the last frame lacks.
    assert_eq!(kinds(specimen.oddities()), [OddityKind::PartialFrame]);
    assert_eq!(specimen.oddities()[0].count, 6 - bytes % 6);
}

#[test]
fn fmt_fields_that_contradict_each_other_are_told() {
    let with = |at: usize, value: u16| {
        let mut payload = fmt(1, 2, 48_000, 16);
        payload[at..at + 2].copy_from_slice(&value.to_le_bytes());
        let file = riff(
            b"RIFF",
            &[chunk(b"fmt ", &payload), chunk(b"data", &ramp(10))],
        );
        kinds(&read_bytes("a.wav", &file).1.oddities)
    };
    assert_eq!(with(12, 0), [OddityKind::FormatFields], "block align");
    assert_eq!(with(8, 1), [OddityKind::FormatFields], "byte rate");
}

#[test]
fn a_header_without_sense_is_damage_in_words() {
    let damaged = |chunks: &[Vec<u8>]| {
        let file = on_disk("a.wav", &riff(b"RIFF", chunks));
        let error = Specimen::open(&file.path, None).unwrap_err();
        assert!(!error.is_transient());
        assert!(matches!(error, OpenError::Damaged { .. }), "{error}");
        error.to_string()
    };
    let data = chunk(b"data", &ramp(10));
    assert!(damaged(&[]).contains("no fmt chunk"));
    assert!(damaged(&[chunk(b"fmt ", &fmt(1, 1, 48_000, 16))]).contains("no data chunk"));
    assert!(damaged(&[chunk(b"fmt ", &[1, 0]), data.clone()]).contains("at least 16"));
    assert!(
        damaged(&[chunk(b"fmt ", &fmt(1, 0, 48_000, 16)), data.clone()]).contains("0 channels")
    );
    assert!(damaged(&[chunk(b"fmt ", &fmt(1, 1, 0, 16)), data.clone()]).contains("0 Hz"));
    let file = on_disk(
        "a.wav",
        &riff(b"RIFF", &[chunk(b"fmt ", &fmt(0x55, 2, 48_000, 16)), data]),
    );
    let error = Specimen::open(&file.path, None).unwrap_err();
    assert!(matches!(error, OpenError::Unsupported { .. }) && error.to_string().contains("MP3"));
}

#[test]
fn nan_and_infinity_become_silence_and_are_counted_with_their_place() {
    let mut values = vec![0.25f32; 2 * 5000];
    values[2 * 4500 + 1] = f32::NAN;
    values[2 * 4600] = f32::NAN;
    values[2 * 4700 + 1] = f32::NEG_INFINITY;
    values[2 * 10] = f32::MIN_POSITIVE / 4.0;
    let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let file = riff(
        b"RIFF",
        &[chunk(b"fmt ", &fmt(3, 2, 1000, 32)), chunk(b"data", &bytes)],
    );
    let (_, reading, planes) = read_bytes("a.wav", &file);
    assert_eq!(
        kinds(&reading.oddities),
        [
            OddityKind::FloatNan,
            OddityKind::FloatNan,
            OddityKind::FloatInf,
            OddityKind::FloatDenormal
        ]
    );
    let nan = &reading.oddities[0];
    assert_eq!(
        (nan.count, nan.channel, nan.at.unwrap().0),
        (1, Some(1), 4.5)
    );
    assert_eq!(reading.oddities[2].at.unwrap().0, 4.7);
    assert_eq!(planes[1][4500], 0.0);
    assert_eq!(planes[1][4700], 0.0);
    assert_eq!(planes[1][4501], 0.25);
    // A denormal is a usable number: counted, and left as it is.
    assert_eq!(planes[0][10], f64::from(f32::MIN_POSITIVE / 4.0));
}

#[test]
fn the_mask_gives_labels_and_a_mask_that_does_not_fit_gives_none() {
    let open = |channels: u16, mask: u32, told: Option<&[Label]>| {
        let data = vec![0; usize::from(channels) * 2 * 10];
        let payload = fmt_extensible(channels, 16, mask);
        let file = riff(b"RIFF", &[chunk(b"fmt ", &payload), chunk(b"data", &data)]);
        let file = on_disk("a.wav", &file);
        let specimen = Specimen::open(&file.path, told).unwrap();
        (
            specimen.format().labels.clone(),
            specimen.format().labels_from,
            kinds(specimen.oddities()),
        )
    };
    let five_one = labels("M+030 M-030 M+000 LFE1 M+110 M-110");
    let (got, from, odd) = open(6, 0x3f, None);
    assert_eq!(
        (got.as_ref(), from),
        (Some(&five_one), Some(LabelSource::File))
    );
    assert_eq!(odd, []);

    let (got, from, odd) = open(6, 0x3, Some(&five_one));
    assert_eq!(
        (got.as_ref(), from),
        (Some(&five_one), Some(LabelSource::Told))
    );
    assert_eq!(odd, [OddityKind::FormatFields]);

    assert_eq!(
        open(6, 0, None).0,
        None,
        "mask 0 says nothing, and six is not a layout"
    );
    assert_eq!(open(2, 0, None).1, Some(LabelSource::Convention));
    assert_eq!(open(2, 0, Some(&five_one)).1, Some(LabelSource::Convention));
}

#[test]
fn names_and_content_are_compared() {
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(1, 1, 48_000, 16)),
            chunk(b"data", &ramp(10)),
        ],
    );
    assert_eq!(
        kinds(&read_bytes("a.aiff", &file).1.oddities),
        [OddityKind::ExtensionDiffers]
    );
    assert_eq!(kinds(&read_bytes("a.BWF", &file).1.oddities), []);
}

#[test]
fn a_file_of_nothing_but_empty_chunks_ends() {
    let file = riff(b"RIFF", &vec![chunk(b"junk", b""); 50_000]);
    let file = on_disk("a.wav", &file);
    let error = Specimen::open(&file.path, None).unwrap_err();
    assert!(error.to_string().contains("no fmt chunk"), "{error}");
}

#[test]
fn the_reference_renderer_s_odd_files_are_read_or_refused_as_they_should() {
    let Some(folder) = reference("immersive/data/wav") else {
        return;
    };
    let open = |name: &str| Specimen::open(&folder.join(name), None);
    for (name, wanted) in [
        ("rect_16bit.wav", vec![]),
        ("rect_24bit.wav", vec![]),
        ("rect_24bit_rf64.wav", vec![]),
        ("fmt_padding.wav", vec![]),
        ("empty_extradata.wav", vec![]),
        ("pcm_extradata.wav", vec![]),
        ("test_bwf.wav", vec![]),
        ("24bit_missing_padding.wav", vec![OddityKind::PadMissing]),
        (
            "rect_24bit_nods64.wav",
            // It says RF64 and counts a ds64 chunk that is not there.
            vec![OddityKind::SizesDisagree, OddityKind::Ds64Missing],
        ),
    ] {
        let specimen = open(name).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(
            kinds(specimen.oddities()),
            wanted,
            "{name} {:?}",
            specimen.oddities()
        );
    }
    for name in [
        "rect_24bit_noriff.wav",
        "rect_24bit_nowave.wav",
        "rect_24bit_wrong_fmt_size.wav",
    ] {
        let error = open(name).unwrap_err();
        assert!(!error.is_transient(), "{name}: {error}");
    }
    // The same signal in three wrappings (the reference renderer's own test of its reader).
    let planes = |name: &str| read_file(&folder.join(name)).2;
    let plain = planes("rect_24bit.wav");
    assert_eq!(planes("rect_24bit_rf64.wav"), plain);
    assert_eq!(planes("rect_24bit_nods64.wav"), plain);
    assert_eq!(plain[0].len(), 22_050);
    assert_eq!(
        planes("noise_24bit_uneven_data_chunk_size.wav")[0].len(),
        13
    );
    let adm = open("test_bwf.wav")
        .unwrap()
        .metadata()
        .adm
        .clone()
        .unwrap();
    assert!(adm.axml_bytes.is_some());
    assert_eq!(adm.chna[0].uid, "ATU_00000001");
    assert_eq!(adm.chna[0].track_ref, "AT_00031001_01");
}

#[test]
fn every_place_with_bad_samples_is_told_with_its_channel() {
    let mut values = vec![0.25f32; 2 * 48_000];
    for (frame, channel) in [(100, 0), (101, 0), (30_000, 0), (30_000, 1), (40_000, 1)] {
        values[2 * frame + channel] = f32::NAN;
    }
    let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(3, 2, 48_000, 32)),
            chunk(b"data", &bytes),
        ],
    );
    let (_, reading, _) = read_bytes("a.wav", &file);
    let told: Vec<_> = (reading.oddities.iter())
        .map(|o| (o.at.unwrap().0 * 48_000.0, o.channel.unwrap(), o.count))
        .collect();
    assert_eq!(
        told,
        [
            (100.0, 0, 2),
            (30_000.0, 0, 1),
            (30_000.0, 1, 1),
            (40_000.0, 1, 1)
        ]
    );
}

#[test]
fn thousands_of_bad_places_are_counted_and_do_not_fill_memory() {
    // One bad sample every 500 frames: each is a place of its own.
    let frames = 500 * 3000usize;
    let mut values = vec![0.25f32; frames];
    values
        .iter_mut()
        .step_by(500)
        .for_each(|v| *v = f32::INFINITY);
    let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let file = riff(
        b"RIFF",
        &[
            chunk(b"fmt ", &fmt(3, 1, 48_000, 32)),
            chunk(b"data", &bytes),
        ],
    );
    let (_, reading, _) = read_bytes("a.wav", &file);
    assert!(reading.oddities.len() <= 1001, "{}", reading.oddities.len());
    let count: u64 = reading.oddities.iter().map(|o| o.count).sum();
    assert_eq!(count, 3000);
}

#[test]
fn labels_for_another_number_of_channels_are_left_aside_and_told() {
    let wave = |channels: u16, format: Vec<u8>| {
        let bytes = vec![1; 3 * 100 * usize::from(channels)];
        riff(b"RIFF", &[chunk(b"fmt ", &format), chunk(b"data", &bytes)])
    };
    let told = labels("M+030 M-030 M+000");
    let open = |bytes: &[u8]| {
        let file = on_disk("a.wav", bytes);
        Specimen::open(&file.path, Some(&told)).unwrap()
    };
    let six = open(&wave(6, fmt(1, 6, 48_000, 24)));
    assert_eq!(six.format().labels, None);
    assert_eq!(kinds(six.oddities()), [OddityKind::LabelsForAnotherCount]);
    assert_eq!(
        six.oddities()[0].says,
        "3 channel labels were given (by --channels, the route or the profile) and the file has 6: they were left aside"
    );
    // A file that says itself where its channels play needs none.
    let bed = open(&wave(6, fmt_extensible(6, 24, 0x3f)));
    assert_eq!(kinds(bed.oddities()), []);
    let three = open(&wave(3, fmt(1, 3, 48_000, 24)));
    assert_eq!(three.format().labels_from, Some(LabelSource::Told));
    assert_eq!(kinds(three.oddities()), []);
}
