//! The Broadcast Audio Extension chunk, versions 0 to 2 (EBU Tech 3285 v2, clause 2.3).
//!
//! In: the payload. Out: a [`Bext`], or a sentence on why there is none.

use super::super::digest::hexadecimal;
use super::super::facts::Bext;
use super::super::riff::{le16, le64};
use super::super::text;

/// Everything before `CodingHistory`.
const FIXED_BYTES: usize = 602;

/// A loudness field that was not measured (from memory).
const NOT_SET: i16 = 0x7fff;

pub(super) fn read(payload: &[u8]) -> Result<Bext, String> {
    if payload.len() < FIXED_BYTES {
        return Err(format!(
            "the bext chunk has {} bytes, it needs {FIXED_BYTES}",
            payload.len()
        ));
    }
    let text = |from: usize, bytes: usize| text::field(&payload[from..from + bytes]);
    let version = le16(&payload[346..]);
    let umid = &payload[348..412];
    let has_umid = version >= 1 && umid.iter().any(|byte| *byte != 0);
    let raw: [i16; 5] = std::array::from_fn(|index| le16(&payload[412 + 2 * index..]) as i16);
    // A programme with loudness, range and peaks of exactly 0 does not exist: a writer that
    // states version 2 and fills in nothing leaves such fields.
    let measured = version >= 2 && raw.iter().any(|value| *value != 0);
    let hundredths =
        |index: usize| (measured && raw[index] != NOT_SET).then(|| f64::from(raw[index]) / 100.0);
    Ok(Bext {
        version,
        description: text(0, 256),
        originator: text(256, 32),
        originator_reference: text(288, 32),
        origination_date: text(320, 10),
        origination_time: text(330, 8),
        time_reference: le64(&payload[338..]),
        umid: has_umid.then(|| hexadecimal(umid)),
        loudness_lufs: hundredths(0),
        range_lu: hundredths(1),
        max_true_peak_dbtp: hundredths(2),
        max_momentary_lufs: hundredths(3),
        max_short_term_lufs: hundredths(4),
        coding_history: text::cut(text::field(&payload[FIXED_BYTES..]), super::MAX_TEXT_BYTES),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn payload(version: u16) -> Vec<u8> {
        let mut bytes = vec![0; FIXED_BYTES];
        bytes[..13].copy_from_slice(b"Harbour Light");
        bytes[256..269].copy_from_slice(b"Tallow Street");
        bytes[320..338].copy_from_slice(b"2026-05-0417-20-11");
        bytes[338..346].copy_from_slice(&0x1_0000_0002u64.to_le_bytes());
        bytes[346..348].copy_from_slice(&version.to_le_bytes());
        bytes[348] = 0x06;
        for (index, value) in [-2305i16, 810, -100, 0x7fff, -1800].iter().enumerate() {
            bytes[412 + 2 * index..414 + 2 * index].copy_from_slice(&value.to_le_bytes());
        }
        bytes.extend(b"A=PCM,F=48000,W=24,M=stereo\r\n\0\0");
        bytes
    }

    #[test]
    fn version_2_has_loudness_in_hundredths_and_leaves_out_what_is_not_set() {
        let bext = read(&payload(2)).unwrap();
        assert_eq!(bext.description, "Harbour Light");
        assert_eq!(bext.originator, "Tallow Street");
        assert_eq!(bext.origination_date, "2026-05-04");
        assert_eq!(bext.origination_time, "17-20-11");
        // Low word first (Tech 3285 v2, clause 2.3, TimeReferenceLow, TimeReferenceHigh).
        assert_eq!(bext.time_reference, 4_294_967_298);
        assert_eq!(bext.loudness_lufs, Some(-23.05));
        assert_eq!(bext.range_lu, Some(8.1));
        assert_eq!(bext.max_true_peak_dbtp, Some(-1.0));
        assert_eq!(bext.max_momentary_lufs, None);
        assert_eq!(bext.max_short_term_lufs, Some(-18.0));
        assert_eq!(bext.coding_history, "A=PCM,F=48000,W=24,M=stereo");
    }

    #[test]
    fn fields_count_only_from_the_version_that_has_them() {
        let zero = read(&payload(0)).unwrap();
        assert_eq!((zero.umid, zero.loudness_lufs), (None, None));
        let one = read(&payload(1)).unwrap();
        assert!(one.umid.unwrap().starts_with("0600"));
        assert_eq!(one.loudness_lufs, None);
    }

    #[test]
    fn a_short_chunk_is_refused_in_words() {
        let says = read(&[0; 601]).unwrap_err();
        assert!(says.contains("601") && says.contains("602"), "{says}");
    }
}
