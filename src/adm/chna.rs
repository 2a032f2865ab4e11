//! The `chna` chunk: which track of the file carries which audioTrackUID.
//!
//! In: the chunk's bytes. Out: the declared counts and the rows as written, padding rows left
//! out. Judges nothing; `check` does.
//!
//! Source: ITU-R BS.2088-1 (chna chunk), ITU-R BS.2076-2, clause 7.

/// One row of the chunk; texts without their padding.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ChnaRow {
    /// From 1.
    pub track_index: u16,
    /// `ATU_xxxxxxxx`
    pub uid: String,
    /// `AT_xxxxxxxx_xx`, or `AC_xxxxxxxx` after BS.2076-2, whose field is written
    /// `AC_xxxxxxxx_00`; the ending is left out here, as axml has none.
    pub track_ref: String,
    /// `AP_xxxxxxxx`; empty when the row names none.
    pub pack_ref: String,
}

/// The whole chunk.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Chna {
    /// numTracks as the chunk says it.
    pub declared_tracks: u16,
    /// numUIDs as the chunk says it.
    pub declared_uids: u16,
    /// Every row that holds anything, beyond the declared number too.
    pub rows: Vec<ChnaRow>,
    /// Places for rows in the chunk, empty ones too.
    pub places: usize,
    /// How many of `rows`, the last ones, stand behind the first `declared_uids` places: a reader
    /// that follows the count does not see them.
    pub rows_beyond_count: usize,
    /// Bytes behind the last whole row.
    pub rest: usize,
}

const HEAD: usize = 4;
const ROW: usize = 40;

impl Chna {
    /// Reads the payload of a chna chunk. A chunk shorter than its head has no rows and
    /// declares none.
    pub fn parse(bytes: &[u8]) -> Self {
        let word = |at: usize| match bytes.get(at..at + 2) {
            Some(&[low, high]) => u16::from_le_bytes([low, high]),
            _ => 0,
        };
        let declared_uids = word(2);
        let table = bytes.get(HEAD..).unwrap_or_default();
        let places = table.chunks_exact(ROW);
        let (count, rest) = (places.len(), places.remainder().len());
        let mut rows_beyond_count = 0;
        let mut rows = Vec::new();
        for (place, row) in places.enumerate() {
            if row.iter().all(|&byte| byte == 0) {
                continue;
            }
            let row = ChnaRow {
                track_index: u16::from_le_bytes([row[0], row[1]]),
                uid: text(&row[2..14]),
                track_ref: without_zero(text(&row[14..28])),
                pack_ref: text(&row[28..39]),
            };
            // A spare row may be written with spaces.
            if row.track_index == 0 && row.uid.is_empty() && row.track_ref.is_empty() {
                continue;
            }
            rows_beyond_count += usize::from(place >= usize::from(declared_uids));
            rows.push(row);
        }
        Self {
            declared_tracks: word(0),
            declared_uids,
            places: count,
            rows_beyond_count,
            rest,
            rows,
        }
    }

    /// The rows that a reader which follows the count does not see.
    pub fn rows_beyond(&self) -> &[ChnaRow] {
        &self.rows[self.rows.len().saturating_sub(self.rows_beyond_count)..]
    }
}

/// A padded field: up to the first zero byte, without spaces around. Bytes that are no ASCII
/// become U+FFFD, so that they cannot pass for an id.
fn text(field: &[u8]) -> String {
    let end = field
        .iter()
        .position(|&byte| byte == 0)
        .unwrap_or(field.len());
    field[..end]
        .iter()
        .map(|&byte| match byte {
            0x20..=0x7e => char::from(byte),
            _ => char::REPLACEMENT_CHARACTER,
        })
        .collect::<String>()
        .trim()
        .to_owned()
}

/// `AC_00031002_00` is the channel format `AC_00031002` (seen in the reference renderer of
/// BS.2127, which writes and expects it so).
fn without_zero(mut reference: String) -> String {
    let is_channel = reference
        .get(..3)
        .is_some_and(|head| head.eq_ignore_ascii_case("AC_"));
    if is_channel && reference.len() == 14 && reference.ends_with("_00") {
        reference.truncate(11);
    }
    reference
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(index: u16, uid: &str, track: &str, pack: &str) -> Vec<u8> {
        let mut row = index.to_le_bytes().to_vec();
        for (text, width) in [(uid, 12), (track, 14), (pack, 12)] {
            let mut field = text.as_bytes().to_vec();
            field.resize(width, 0);
            row.extend(field);
        }
        row
    }

    /// Field widths: ITU-R BS.2088-1, chna chunk: 2 + 12 + 14 + 11 + 1 bytes a row.
    #[test]
    fn rows_are_read_without_their_padding() {
        let mut bytes = vec![2, 0, 2, 0];
        bytes.extend(row(1, "ATU_00000001", "AT_00031001_01", "AP_00031001"));
        bytes.extend(row(2, "ATU_00000002", "AC_00031002", "AP_00031002"));
        bytes.extend(vec![0; 80]);
        bytes.extend([1, 2, 3]);
        let chna = Chna::parse(&bytes);
        assert_eq!((chna.declared_tracks, chna.declared_uids), (2, 2));
        assert_eq!((chna.rows.len(), chna.rest), (2, 3));
        assert_eq!(
            chna.rows[1],
            ChnaRow {
                track_index: 2,
                uid: "ATU_00000002".into(),
                track_ref: "AC_00031002".into(),
                pack_ref: "AP_00031002".into(),
            }
        );
    }

    #[test]
    fn rows_behind_the_count_are_known_from_those_within() {
        let mut bytes = vec![2, 0, 2, 0];
        bytes.extend(row(1, "ATU_00000001", "AT_00031001_01", "AP_00031001"));
        bytes.extend(vec![0; 40]);
        bytes.extend(row(2, "ATU_00000002", "AT_00031002_01", "AP_00031002"));
        let chna = Chna::parse(&bytes);
        assert_eq!((chna.rows.len(), chna.places), (2, 3));
        assert_eq!(chna.rows_beyond().len(), 1);
        assert_eq!(chna.rows_beyond()[0].uid, "ATU_00000002");
    }

    /// The form that the reference renderer of BS.2127 (development state of 2024) writes.
    #[test]
    fn a_channel_format_fills_its_field_with_two_zeros_that_are_no_part_of_its_id() {
        let mut bytes = vec![3, 0, 3, 0];
        bytes.extend(row(1, "ATU_00000001", "AC_00031001_00", "AP_00031001"));
        bytes.extend(row(2, "ATU_00000002", "AT_00031002_00", "AP_00031002"));
        bytes.extend(row(3, "ATU_00000003", "AC_00031003", "AP_00031003"));
        let rows = Chna::parse(&bytes).rows;
        let refs: Vec<&str> = rows.iter().map(|row| row.track_ref.as_str()).collect();
        assert_eq!(refs, ["AC_00031001", "AT_00031002_00", "AC_00031003"]);
    }

    #[test]
    fn a_chunk_of_any_length_and_any_bytes_is_read_without_harm() {
        for length in 0..200 {
            let chna = Chna::parse(&vec![0xe4; length]);
            assert_eq!(chna.rows.len(), length.saturating_sub(4) / 40);
        }
    }
}
