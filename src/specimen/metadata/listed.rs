//! The lists of the RIFF family: `LIST/INFO` texts, `LIST/adtl` labels, `cue ` points
//! (Multimedia Programming Interface and Data Specifications 1.0).
//!
//! In: payloads. Out: entries as far as they are whole.

use std::collections::BTreeMap;

use super::super::facts::CuePoint;
use super::super::riff::{FourCc, le32};
use super::super::text;
use super::{MAX_ENTRIES, MAX_TEXT_BYTES};

const CUE_BYTES: usize = 24;

/// Sub-chunks as (id, payload); `Err` once for one that is longer than the list.
fn entries(mut list: &[u8]) -> impl Iterator<Item = Result<(FourCc, &[u8]), ()>> {
    std::iter::from_fn(move || {
        let header = list.get(..8)?;
        let id = [header[0], header[1], header[2], header[3]];
        let bytes = usize::try_from(le32(&header[4..])).unwrap_or(usize::MAX);
        let body = &list[8..];
        if bytes > body.len() {
            list = &[];
            return Some(Err(()));
        }
        // A pad byte follows an odd length; the last one may be missing.
        list = body.get(bytes + bytes % 2..).unwrap_or(&[]);
        Some(Ok((id, &body[..bytes])))
    })
}

/// Returns `false` where an entry is longer than its list.
pub(super) fn read_info(list: &[u8], info: &mut BTreeMap<String, String>) -> bool {
    for entry in entries(list) {
        let Ok((id, body)) = entry else { return false };
        if info.len() >= MAX_ENTRIES {
            break;
        }
        let value = text::cut(text::field(body), MAX_TEXT_BYTES);
        if !value.is_empty() {
            info.entry(text::four_letters(&id)).or_insert(value);
        }
    }
    true
}

/// `labl` texts by the cue point's id. Returns `false` where an entry is longer than its list.
pub(super) fn read_labels(list: &[u8], labels: &mut Vec<(u32, String)>) -> bool {
    for entry in entries(list) {
        let Ok((id, body)) = entry else { return false };
        if id == *b"labl" && body.len() >= 4 && labels.len() < MAX_ENTRIES {
            let value = text::cut(text::field(&body[4..]), MAX_TEXT_BYTES);
            labels.push((le32(body), value));
        }
    }
    true
}

/// Points with their labels, and whether all that are declared are there.
pub(super) fn read_cues(payload: &[u8], labels: &[(u32, String)]) -> (Vec<CuePoint>, bool) {
    if payload.len() < 4 {
        return (Vec::new(), false);
    }
    let declared = usize::try_from(le32(payload)).unwrap_or(usize::MAX);
    let points = payload[4..].chunks_exact(CUE_BYTES);
    let whole = declared <= points.len();
    let cues = points
        .take(declared.min(MAX_ENTRIES))
        .map(|point| {
            let id = le32(point);
            let label = labels.iter().find(|(of, _)| *of == id);
            CuePoint {
                id,
                // dwSampleOffset: frames from the start of the data chunk.
                frame: u64::from(le32(&point[20..])),
                label: label.map(|(_, text)| text.clone()),
            }
        })
        .collect();
    (cues, whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
        let mut bytes = id.to_vec();
        bytes.extend((body.len() as u32).to_le_bytes());
        bytes.extend(body);
        bytes.extend(vec![0; body.len() % 2]);
        bytes
    }

    #[test]
    fn info_entries_are_padded_to_even_lengths() {
        let list = [
            entry(b"INAM", b"Harbour Lights\0"),
            entry(b"IART", b"Tallow Street"),
            entry(b"ICMT", b"\0\0"),
        ]
        .concat();
        let mut info = BTreeMap::new();
        assert!(read_info(&list, &mut info));
        assert_eq!(info["INAM"], "Harbour Lights");
        assert_eq!(info["IART"], "Tallow Street");
        assert_eq!(info.len(), 2);
        let mut cut = BTreeMap::new();
        assert!(!read_info(&list[..40], &mut cut));
    }

    #[test]
    fn a_cue_point_gets_its_label_and_its_place_in_frames() {
        let mut payload = 1u32.to_le_bytes().to_vec();
        for value in [7u32, 0, 0x6174_6164, 0, 0, 96_000] {
            payload.extend(value.to_le_bytes());
        }
        let mut labels = Vec::new();
        assert!(read_labels(
            &entry(b"labl", b"\x07\0\0\0Chorus\0"),
            &mut labels
        ));
        let (cues, whole) = read_cues(&payload, &labels);
        assert!(whole);
        assert_eq!(cues[0].frame, 96_000);
        assert_eq!(cues[0].label.as_deref(), Some("Chorus"));
        payload[0] = 200;
        assert!(!read_cues(&payload, &labels).1);
    }
}
