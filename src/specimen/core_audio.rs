//! The channel description that CAF (`chan`) and AIFF-C (`CHAN`) share, and what else the two
//! have in common.
//!
//! In: a chunk's payload. Out: labels in file order, or nothing. Layout tags other than those in
//! the table say nothing here, so the next one who knows is asked.
//!
//! Source: Core Audio Format specification 1.0, "Channel Layout chunk"; label and tag numbers
//! from memory, checked in tests against files of an independent writer.

use super::iff::be32;
use super::labels;
use crate::layout::Label;
use crate::units::Hertz;

const USE_DESCRIPTIONS: u32 = 0;
const USE_BITMAP: u32 = 1 << 16;

/// `mChannelLabel`, flags, three coordinates.
const DESCRIPTION_BYTES: usize = 20;

/// Channels in order by layout tag: WAVE mask positions, as the bitmap has them.
const LAYOUTS: &[(u32, &[&str])] = &[
    (100 << 16 | 1, &["M+000"]),
    (101 << 16 | 2, &["M+030", "M-030"]),
    (113 << 16 | 3, &["M+030", "M-030", "M+000"]),
    (
        117 << 16 | 5,
        &["M+030", "M-030", "M+000", "M+110", "M-110"],
    ),
    (
        121 << 16 | 6,
        &["M+030", "M-030", "M+000", "LFE1", "M+110", "M-110"],
    ),
];

/// Labels from a channel layout chunk.
pub(super) fn of_channel_layout(payload: &[u8]) -> Option<Vec<Label>> {
    if payload.len() < 12 {
        return None;
    }
    match be32(payload) {
        USE_BITMAP => labels::of_mask(be32(&payload[4..])),
        USE_DESCRIPTIONS => {
            let count = usize::try_from(be32(&payload[8..])).ok()?;
            let described: Vec<u32> = payload[12..]
                .chunks_exact(DESCRIPTION_BYTES)
                .take(count)
                .map(be32)
                .collect();
            if described.len() < count {
                return None;
            }
            of_descriptions(&described)
        }
        tag => {
            let (_, names) = LAYOUTS.iter().find(|(of, _)| *of == tag)?;
            Some(names.iter().map(|name| labels::label(name)).collect())
        }
    }
}

/// Label numbers 1 to 18 are the positions of the WAVE mask, in its order; whether a surround
/// pair stands alone is asked of all of them together, as for the mask.
fn of_descriptions(numbers: &[u32]) -> Option<Vec<Label>> {
    const REAR_SURROUND_LEFT: u32 = 33;
    const LEFT_WIDE: u32 = 35;
    const RIGHT_WIDE: u32 = 36;
    const LFE_2: u32 = 37;
    // With a rear pair of their own, the surrounds are the side pair.
    let rears = numbers.contains(&REAR_SURROUND_LEFT);
    let bit = |number: u32| match number {
        5 | 6 if rears => Some(1u32 << (number + 4)),
        1..=18 => Some(1 << (number - 1)),
        33 | 34 => Some(1 << (number - 29)),
        _ => None,
    };
    let mask = numbers
        .iter()
        .filter_map(|n| bit(*n))
        .fold(0, |mask, bit| mask | bit);
    let in_mask = labels::of_mask(mask).unwrap_or_default();
    let mut out: Vec<Label> = Vec::with_capacity(numbers.len());
    for number in numbers {
        let label = match *number {
            LEFT_WIDE => labels::label("M+060"),
            RIGHT_WIDE => labels::label("M-060"),
            LFE_2 => labels::label("LFE2"),
            number => {
                let bit = bit(number)?;
                let index = (mask & (bit - 1)).count_ones() as usize;
                in_mask.get(index)?.clone()
            }
        };
        if out.contains(&label) {
            return None;
        }
        out.push(label);
    }
    Some(out)
}

/// A rate in whole hertz, and whether it was whole; `None` where it is none.
pub(super) fn rate(hertz: f64) -> Option<(Hertz, bool)> {
    if !(0.5..4_294_967_295.0).contains(&hertz) {
        return None;
    }
    let rounded = hertz.round();
    Hertz::new(rounded as u32).map(|rate| (rate, rounded == hertz))
}

#[cfg(test)]
mod tests {
    use super::super::tests::labels as parsed;
    use super::*;

    fn chunk(tag: u32, bitmap: u32, numbers: &[u32]) -> Vec<u8> {
        let mut bytes = Vec::new();
        for value in [tag, bitmap, numbers.len() as u32] {
            bytes.extend(value.to_be_bytes());
        }
        for number in numbers {
            bytes.extend(number.to_be_bytes());
            bytes.extend([0; 16]);
        }
        bytes
    }

    #[test]
    fn a_bitmap_a_tag_and_descriptions_give_labels() {
        let five_one = parsed("M+030 M-030 M+000 LFE1 M+110 M-110");
        let of = |bytes: &[u8]| of_channel_layout(bytes);
        assert_eq!(of(&chunk(1 << 16, 0x3f, &[])).unwrap(), five_one);
        assert_eq!(of(&chunk(121 << 16 | 6, 0, &[])).unwrap(), five_one);
        // Film order: L, C, R, Ls, Rs, LFE.
        assert_eq!(
            of(&chunk(0, 0, &[1, 3, 2, 5, 6, 4])).unwrap(),
            parsed("M+030 M+000 M-030 M+110 M-110 LFE1")
        );
        assert_eq!(
            of(&chunk(0, 0, &[1, 2, 3, 4, 5, 6, 33, 34])).unwrap(),
            parsed("M+030 M-030 M+000 LFE1 M+090 M-090 M+135 M-135")
        );
        assert_eq!(of(&chunk(0, 0, &[1, 1])), None, "a place stands twice");
        assert_eq!(of(&chunk(0, 0, &[0xffff_ffff])), None, "unknown");
        assert_eq!(
            of(&chunk(147 << 16 | 7, 0, &[])),
            None,
            "a tag that we do not know"
        );
    }
}
