//! FLAC: a file built by hand after RFC 9639 (verbatim subframes), whole and damaged.

use md5::Digest as _;

use super::*;

const BLOCK: usize = 1024;
const RATE: u32 = 48_000;

/// CRC with the top bit first (RFC 9639, section 9.1.8: 0x07 over 8 bits; 9.3: 0x8005 over 16).
fn crc(bytes: &[u8], polynomial: u32, bits: u32) -> u32 {
    let top = 1 << (bits - 1);
    let mask = (1u64 << bits) as u32 - 1;
    bytes.iter().fold(0, |crc, byte| {
        let mut crc = crc ^ u32::from(*byte) << (bits - 8);
        for _ in 0..8 {
            crc = if crc & top != 0 {
                crc << 1 ^ polynomial
            } else {
                crc << 1
            } & mask;
        }
        crc
    })
}

pub struct Flac {
    pub channels: usize,
    pub bits: u16,
    /// Interleaved.
    pub samples: Vec<i32>,
    pub declared: Option<u64>,
    pub md5: Option<[u8; 16]>,
    pub comment: Option<&'static str>,
}

impl Flac {
    pub fn new(channels: usize, bits: u16, frames: usize) -> Self {
        let top = 1i64 << (bits - 1);
        let samples: Vec<i32> = (0..frames * channels)
            .map(|n| ((n as i64 * 7_919) % (2 * top) - top) as i32)
            .collect();
        let mut flac = Self {
            channels,
            bits,
            samples,
            declared: Some(frames as u64),
            md5: None,
            comment: None,
        };
        flac.md5 = Some(md5::Md5::digest(flac.interleaved()).into());
        flac
    }

    /// As the MD5 counts them: little-endian, signed, whole bytes (RFC 9639, section 8.2).
    pub fn interleaved(&self) -> Vec<u8> {
        let bytes = usize::from(self.bits.div_ceil(8));
        let of = |sample: &i32| sample.to_le_bytes()[..bytes].to_vec();
        self.samples.iter().flat_map(of).collect()
    }

    /// A metadata block (section 8.1).
    fn metadata_block(kind: u8, last: bool, body: &[u8]) -> Vec<u8> {
        let mut bytes = vec![kind | u8::from(last) << 7];
        bytes.extend(&(body.len() as u32).to_be_bytes()[1..]);
        bytes.extend(body);
        bytes
    }

    /// STREAMINFO (section 8.2).
    fn stream_info(&self) -> Vec<u8> {
        let mut body = Vec::new();
        body.extend((BLOCK as u16).to_be_bytes());
        body.extend((BLOCK as u16).to_be_bytes());
        body.extend([0; 6]);
        let packed = u64::from(RATE) << 44
            | (self.channels as u64 - 1) << 41
            | (u64::from(self.bits) - 1) << 36
            | self.declared.unwrap_or(0);
        body.extend(packed.to_be_bytes());
        body.extend(self.md5.unwrap_or_default());
        body
    }

    /// One frame (section 9) with its check sums; sample rate and bits are those of STREAMINFO.
    fn frame(&self, number: usize, samples: &[i32]) -> Vec<u8> {
        assert!(number < 128, "the frame number is written in one byte");
        let frames = samples.len() / self.channels;
        let mut bytes = vec![
            0xff,
            0xf8,
            0x70,
            (self.channels as u8 - 1) << 4,
            number as u8,
        ];
        bytes.extend((frames as u16 - 1).to_be_bytes());
        bytes.push(crc(&bytes, 0x07, 8) as u8);
        for channel in 0..self.channels {
            // Verbatim, no wasted bits (section 9.2.1).
            bytes.push(0x02);
            for sample in samples.iter().skip(channel).step_by(self.channels) {
                let width = usize::from(self.bits / 8);
                bytes.extend(&sample.to_be_bytes()[4 - width..]);
            }
        }
        bytes.extend((crc(&bytes, 0x8005, 16) as u16).to_be_bytes());
        bytes
    }

    pub fn bytes(&self) -> Vec<u8> {
        let mut bytes = b"fLaC".to_vec();
        bytes.extend(Self::metadata_block(
            0,
            self.comment.is_none(),
            &self.stream_info(),
        ));
        if let Some(comment) = self.comment {
            // Vendor, count, comments, each with a little-endian length (section 8.6).
            let mut body = 0u32.to_le_bytes().to_vec();
            body.extend(1u32.to_le_bytes());
            body.extend((comment.len() as u32).to_le_bytes());
            body.extend(comment.bytes());
            bytes.extend(Self::metadata_block(4, true, &body));
        }
        for (number, samples) in self.samples.chunks(BLOCK * self.channels).enumerate() {
            bytes.extend(self.frame(number, samples));
        }
        bytes
    }

    pub fn frame_bytes(&self) -> usize {
        8 + self.channels * (1 + BLOCK * usize::from(self.bits / 8)) + 2
    }
}

#[test]
fn samples_of_a_lossless_stream_are_the_very_integers() {
    for (channels, bits) in [(1, 16), (2, 16), (2, 24), (6, 24), (1, 8)] {
        let flac = Flac::new(channels, bits, 5 * BLOCK + 100);
        let bytes = flac.bytes();
        let (format, reading, planes) = read_bytes("a.flac", &bytes);
        assert_eq!(kinds(&reading.oddities), [], "{:?}", reading.oddities);
        assert_eq!(format.bit_depth, Some(bits));
        assert_eq!(format.frames, Some(reading.frames));
        let scale = f64::from(1u32 << (bits - 1));
        for (channel, plane) in planes.iter().enumerate() {
            let wanted: Vec<f64> = flac
                .samples
                .iter()
                .skip(channel)
                .step_by(channels)
                .map(|sample| f64::from(*sample) / scale)
                .collect();
            assert_eq!(*plane, wanted, "{channels} channels, {bits} bits");
        }
        assert_eq!(
            reading.digests.blake3,
            blake3::hash(&bytes).to_hex().to_string()
        );
        assert_eq!(
            reading.audio_blake3,
            blake3::hash(&flac.interleaved()).to_hex().to_string()
        );
    }
}

#[test]
fn tags_are_kept_and_do_not_touch_the_audio_s_digest() {
    let mut flac = Flac::new(2, 16, 3000);
    let plain = read_bytes("a.flac", &flac.bytes()).1;
    flac.comment = Some("TITLE=Harbour Lights");
    let tagged = read_bytes("a.flac", &flac.bytes()).1;
    assert_eq!(tagged.metadata.tags["title"], "Harbour Lights");
    assert_eq!(tagged.audio_blake3, plain.audio_blake3);
    assert_ne!(tagged.digests.blake3, plain.digests.blake3);
}

#[test]
fn a_stream_that_does_not_match_its_own_md5_is_told() {
    let mut flac = Flac::new(2, 16, 5000);
    flac.md5 = Some([7; 16]);
    let (_, reading, planes) = read_bytes("a.flac", &flac.bytes());
    assert_eq!(kinds(&reading.oddities), [OddityKind::StreamDigest]);
    assert_eq!(planes[0].len(), 5000);
}

#[test]
fn a_stream_without_length_and_md5_has_nothing_to_be_held_against() {
    let mut flac = Flac::new(2, 16, 5000);
    flac.md5 = None;
    flac.declared = None;
    let (format, reading, _) = read_bytes("a.flac", &flac.bytes());
    assert_eq!(format.frames, None);
    assert_eq!(reading.frames.0, 5000);
    assert_eq!(kinds(&reading.oddities), []);
}

#[test]
fn a_stream_that_is_cut_says_how_many_frames_are_missing() {
    let flac = Flac::new(2, 16, 10 * BLOCK);
    let bytes = flac.bytes();
    // At the end of the sixth frame, and in the middle of the seventh.
    for cut in [
        42 + 6 * flac.frame_bytes(),
        42 + 6 * flac.frame_bytes() + 1000,
    ] {
        let (format, reading, planes) = read_bytes("a.flac", &bytes[..cut]);
        assert_eq!(format.frames.unwrap().0, 10 * BLOCK as u64);
        assert_eq!(
            kinds(&reading.oddities),
            [OddityKind::DataTruncated],
            "{cut}"
        );
        assert_eq!(reading.oddities[0].count, 4 * BLOCK as u64);
        assert_eq!(planes[0].len(), 6 * BLOCK);
    }
}

#[test]
fn a_damaged_frame_is_told_with_its_place_and_the_rest_is_read() {
    let flac = Flac::new(1, 16, 10 * BLOCK);
    let mut bytes = flac.bytes();
    bytes[42 + 3 * flac.frame_bytes() + 500] ^= 0x10;
    let (_, reading, planes) = read_bytes("a.flac", &bytes);
    assert_eq!(
        kinds(&reading.oddities),
        [OddityKind::DecodeErrors, OddityKind::StreamDigest]
    );
    let refused = &reading.oddities[0];
    assert_eq!(refused.at.unwrap().0, (3 * BLOCK) as f64 / f64::from(RATE));
    assert!(refused.says.contains("1024 frames"), "{}", refused.says);
    assert_eq!(planes[0].len(), 9 * BLOCK);
}

#[test]
fn flac_under_a_wrong_name_is_read_and_told() {
    let (format, reading, _) = read_bytes("a.wav", &Flac::new(1, 16, 2000).bytes());
    assert_eq!(format.container, Container::Flac);
    assert_eq!(kinds(&reading.oddities), [OddityKind::ExtensionDiffers]);
}
