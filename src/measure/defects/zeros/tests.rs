//! What the house promises of zeros at the borders of blocks.

use proptest::prelude::*;

use super::*;

fn hertz() -> Hertz {
    Hertz::new(44_100).expect("not 0")
}

/// Bytes of a 24-bit little-endian file behind a header, all samples loud.
fn bytes(header: usize, frames: usize, channels: usize) -> Vec<u8> {
    let mut seed = 5u64;
    (0..header + frames * channels * 3)
        .map(|_| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 56) as u8 | 1
        })
        .collect()
}

fn facts(file: &[u8], header: usize, channels: usize, block: usize) -> ZeroFacts {
    let samples: Vec<f64> = file[header..]
        .chunks_exact(3)
        .map(|b| {
            let code = i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8;
            f64::from(code) / 8_388_608.0
        })
        .collect();
    let frames = samples.len() / channels;
    let planes: Vec<Vec<f64>> = (0..channels)
        .map(|c| (0..frames).map(|f| samples[f * channels + c]).collect())
        .collect();
    let layout = DataLayout {
        first_byte: header as u64,
        frame_bytes: 3 * channels as u32,
    };
    let mut meter = ZeroBlocks::new(hertz(), channels, Some(layout));
    for from in (0..frames).step_by(block) {
        let to = (from + block).min(frames);
        let cut: Vec<&[f64]> = planes.iter().map(|p| &p[from..to]).collect();
        meter.feed(&cut);
    }
    meter.finish()
}

#[test]
fn a_zero_tail_from_a_page_border_is_found_and_measured_in_bytes() {
    for channels in [1, 2, 6, 16] {
        let mut file = bytes(58, 60_000, channels);
        let length = file.len();
        file[81_920..].fill(0);
        let found = facts(&file, 58, channels, 1000);
        let tail = found.tail.expect("the tail");
        assert_eq!(tail.start_byte, 81_920);
        assert_eq!(tail.length_bytes, (length - 81_920) as u64);
        assert_eq!(tail.start_aligned_bytes, 4096);
        assert!(found.holes.is_empty());
    }
}

#[test]
fn a_lost_block_is_a_hole_wherever_its_borders_cut_the_samples() {
    for header in 44..50 {
        let mut file = bytes(header, 50_000, 2);
        file[25 * 512..25 * 512 + 8192].fill(0);
        for block in [50_000, 4096, 333] {
            let found = facts(&file, header, 2, block);
            assert_eq!(found.holes.len(), 1, "header {header}");
            assert_eq!(found.holes[0].start_byte, 25 * 512);
            assert_eq!(found.holes[0].length_bytes, 8192);
            assert_eq!(found.holes[0].end_aligned_bytes, Some(512));
            assert!(found.holes[0].chance < 1e-3);
            assert!(found.tail.is_none());
        }
    }
}

#[test]
fn zeros_off_the_borders_or_after_a_fade_or_too_few_are_no_lost_blocks() {
    let mut off = bytes(44, 50_000, 2);
    off[44 + 6 * 5000..44 + 6 * 9000].fill(0);
    assert!(!((44 + 6 * 5000) as u64).is_multiple_of(512));
    let mut few = bytes(44, 50_000, 2);
    few[40 * 512..47 * 512].fill(0);
    let mut faded = bytes(44, 50_000, 2);
    faded[60 * 512 - 3000..].fill(0);
    for at in (60 * 512 - 2998..60 * 512).step_by(6) {
        faded[at] = 1;
    }
    for (name, file) in [("off", off), ("few", few), ("faded", faded)] {
        let found = facts(&file, 44, 2, 4096);
        assert_eq!(
            found.hole_spots().total + found.tail_spots().total,
            0,
            "{name}"
        );
    }
}

#[test]
fn nothing_is_said_of_a_compressed_file() {
    let mut meter = ZeroBlocks::new(hertz(), 1, None);
    meter.feed(&[&[0.5; 100]]);
    meter.feed(&[&[0.0; 100_000]]);
    let found = meter.finish();
    assert!(!found.looked && found.tail.is_none());
}

/// A meant mute is cut between two frames, wherever a border lies.
#[test]
fn a_mute_between_two_frames_splits_none_though_it_begins_on_a_border() {
    for channels in [1usize, 2, 3, 6] {
        let frame = 3 * channels;
        for bytes_of_header in 44..44 + frame {
            // From a frame that begins on a border of 512 bytes to another, where there is one.
            let aligned: Vec<usize> = (1..60_000 / channels)
                .map(|at| bytes_of_header + at * frame)
                .filter(|byte| byte.is_multiple_of(512))
                .collect();
            let Some(&[from, ..]) = aligned.get(20..) else {
                continue;
            };
            let mut file = bytes(bytes_of_header, 60_000 / channels, channels);
            let to = aligned.iter().find(|&&to| to >= from + 8192).copied();
            let to = to.unwrap_or(file.len());
            file[from..to].fill(0);
            let found = facts(&file, bytes_of_header, channels, 4096);
            let all = found.holes.iter().chain(&found.tail);
            assert_eq!(all.clone().count(), 1);
            assert!(all.clone().all(|zeros| !zeros.splits_frame()), "{found:?}");
        }
    }
}

#[test]
fn a_silent_channel_splits_no_frame() {
    let header = 47;
    let mut file = bytes(header, 60_000, 2);
    for frame in file[header..].chunks_exact_mut(6) {
        frame[3..].fill(0);
    }
    // A border of 4096 bytes lies 3 bytes into a frame: behind the sounding channel.
    assert_eq!((81_920 - header) % 6, 3);
    file[81_920..].fill(0);
    let tail = facts(&file, header, 2, 4096).tail;
    let tail = tail.expect("on a border, by chance");
    assert!(!tail.splits_frame());
}

#[test]
fn a_lost_block_splits_a_frame_of_24_bits_at_two_of_three_borders() {
    // 512 and 6 have the divisor 2: the borders lie 0, 2 or 4 bytes into a frame by turns.
    let mut split = 0;
    for first in 30..60 {
        let mut file = bytes(44, 60_000, 2);
        file[first * 512..first * 512 + 8192].fill(0);
        let found = facts(&file, 44, 2, 4096);
        assert_eq!(found.holes.len(), 1);
        let begins_a_frame = (first * 512 - 44).is_multiple_of(6);
        assert!(!(begins_a_frame && found.holes[0].start_splits_frame));
        split += usize::from(found.holes[0].start_splits_frame);
    }
    assert_eq!(split, 20);
}

#[test]
fn a_stereo_file_of_16_bits_is_split_only_where_its_header_says_so() {
    for (header, splits) in [(44usize, false), (46, true)] {
        let mut file = bytes(header, 60_000, 2);
        file[81_920..].fill(0);
        let samples: Vec<f64> = (file[header..].chunks_exact(2))
            .map(|b| f64::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0)
            .collect();
        let planes: Vec<Vec<f64>> = (0..2)
            .map(|c| samples[c..].iter().step_by(2).copied().collect())
            .collect();
        let frames = planes[1].len();
        let layout = DataLayout {
            first_byte: header as u64,
            frame_bytes: 4,
        };
        let mut meter = ZeroBlocks::new(hertz(), 2, Some(layout));
        meter.feed(&[&planes[0][..frames], &planes[1][..frames]]);
        let tail = meter.finish().tail.expect("the tail");
        assert_eq!((tail.start_byte, tail.splits_frame()), (81_920, splits));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_lost_block_is_found_at_any_border_of_any_layout_in_any_cut(
        channels in 1usize..8, header in 44usize..80, first in 20usize..60,
        blocks in 8usize..20, block in 100usize..9000,
    ) {
        let mut file = bytes(header, 60_000 / channels, channels);
        file[first * 512..(first + blocks) * 512].fill(0);
        let found = facts(&file, header, channels, block);
        prop_assert_eq!(found.holes.len(), 1);
        let hole = &found.holes[0];
        prop_assert_eq!(hole.start_byte, first as u64 * 512);
        prop_assert_eq!(hole.length_bytes, blocks as u64 * 512);
        prop_assert!(found.tail.is_none());
    }
}
