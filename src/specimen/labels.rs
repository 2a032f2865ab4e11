//! From what a file says of its channels to loudspeaker labels of ITU-R BS.2051.
//!
//! In: a channel mask, `chna` entries, labels that were told. Out: one label a channel in file
//! order, and who said so; or nothing, where nobody says. Never guesses from the channel count
//! except for one and two channels.

use super::facts::{ChnaEntry, Format, LabelSource, Oddity, OddityKind};
use crate::layout::Label;

/// The surround positions of the WAVE channel mask (WAVEFORMATEXTENSIBLE, `dwChannelMask`).
const BACK_LEFT: u32 = 1 << 4;
const BACK_RIGHT: u32 = 1 << 5;
const SIDE_LEFT: u32 = 1 << 9;
const SIDE_RIGHT: u32 = 1 << 10;
const BACK_HEIGHTS: u32 = 1 << 15 | 1 << 17;

/// The mask has 18 positions; the bits above are reserved.
const MASK_POSITIONS: u32 = 18;

/// One label a set bit, in the mask's order, which is the order in the file.
///
/// A single pair at the side or at the back is the surround pair at 110 degrees, and the heights
/// above it are at 30 and 110 (BS.2051 systems B, D: 0+5+0, 4+5+0). With both pairs the back one
/// is at 135, the side one at 90, and the heights are at 45 and 135 (systems I, J: 0+7+0, 4+7+0).
/// The mask has no names for the heights at the side: a single pair over both is written as the
/// front one and taken for that of 7.1.2, at 90 (common practice, no source).
///
/// `None` for an empty mask and for one with reserved bits.
pub(super) fn of_mask(mask: u32) -> Option<Vec<Label>> {
    if mask == 0 || mask >> MASK_POSITIONS != 0 {
        return None;
    }
    let has = |bits: u32| mask & bits != 0;
    let seven = has(BACK_LEFT | BACK_RIGHT) && has(SIDE_LEFT | SIDE_RIGHT);
    let by = |five: &'static str, with_seven: &'static str| if seven { with_seven } else { five };
    let front_heights = |five, with_seven, alone_over_seven| match (seven, has(BACK_HEIGHTS)) {
        (false, _) => five,
        (true, true) => with_seven,
        (true, false) => alone_over_seven,
    };
    let names = [
        "M+030",
        "M-030",
        "M+000",
        "LFE1",
        by("M+110", "M+135"),
        by("M-110", "M-135"),
        "M+022",
        "M-022",
        "M+180",
        by("M+110", "M+090"),
        by("M-110", "M-090"),
        "T+000",
        front_heights("U+030", "U+045", "U+090"),
        "U+000",
        front_heights("U-030", "U-045", "U-090"),
        by("U+110", "U+135"),
        "U+180",
        by("U-110", "U-135"),
    ];
    Some(
        names
            .iter()
            .enumerate()
            .filter(|(bit, _)| has(1 << bit))
            .map(|(_, name)| label(name))
            .collect(),
    )
}

/// A label of this file's own tables.
pub(super) fn label(name: &str) -> Label {
    name.parse().expect("the table's labels are labels")
}

/// The channels of the common definitions: low byte of the audioChannelFormat's number
/// (`AC_000100xx`), label (ITU-R BS.2094-1, Table 1, DirectSpeakers). Left out are the ones
/// without a place in BS.2051's naming: the diffuse pairs.
const COMMON_CHANNELS: &[(u16, &str)] = &[
    (0x01, "M+030"),
    (0x02, "M-030"),
    (0x03, "M+000"),
    (0x04, "LFE1"),
    (0x05, "M+110"),
    (0x06, "M-110"),
    (0x07, "M+022"),
    (0x08, "M-022"),
    (0x09, "M+180"),
    (0x0a, "M+090"),
    (0x0b, "M-090"),
    (0x0c, "T+000"),
    (0x0d, "U+030"),
    (0x0e, "U+000"),
    (0x0f, "U-030"),
    (0x10, "U+110"),
    (0x11, "U+180"),
    (0x12, "U-110"),
    (0x13, "U+090"),
    (0x14, "U-090"),
    (0x15, "B+000"),
    (0x16, "B+045"),
    (0x17, "B-045"),
    (0x18, "M+060"),
    (0x19, "M-060"),
    (0x1c, "M+135"),
    (0x1d, "M-135"),
    (0x1e, "U+135"),
    (0x1f, "U-135"),
    (0x20, "LFE1"),
    (0x21, "LFE2"),
    (0x22, "U+045"),
    (0x23, "U-045"),
    (0x24, "M+SC"),
    (0x25, "M-SC"),
    (0x26, "M+045"),
    (0x27, "M-045"),
    (0x28, "UH+180"),
];

/// The label behind `AT_0001xxxx_01` or `AC_0001xxxx` when it is a common definition.
pub(super) fn of_common_definition(reference: &str) -> Option<&'static str> {
    let rest = reference
        .strip_prefix("AT_0001")
        .or_else(|| reference.strip_prefix("AC_0001"))?;
    let number = rest.get(..4)?;
    if !matches!(rest.as_bytes().get(4), None | Some(b'_')) {
        return None;
    }
    let number = u16::from_str_radix(number, 16).ok()?;
    let found = COMMON_CHANNELS.iter().find(|(of, _)| *of == number);
    found.map(|(_, label)| *label)
}

/// Labels from `chna`: only when each channel has exactly one entry, each entry is a common
/// definition, and no label stands twice.
pub(super) fn of_chna(entries: &[ChnaEntry], channels: usize) -> Option<Vec<Label>> {
    let mut labels: Vec<Option<Label>> = vec![None; channels];
    for entry in entries {
        let slot = usize::from(entry.track_index)
            .checked_sub(1)
            .and_then(|index| labels.get_mut(index))?;
        let name = of_common_definition(&entry.track_ref)?;
        if slot.replace(label(name)).is_some() {
            return None;
        }
    }
    let labels: Vec<Label> = labels.into_iter().collect::<Option<_>>()?;
    let mut unique = labels.clone();
    unique.sort_unstable();
    unique.dedup();
    (unique.len() == labels.len()).then_some(labels)
}

/// Who says where the channels play: the file's own description, `chna`, what was told when it
/// fits the count, the convention for one and two channels, nobody.
pub(super) fn choose(
    channels: usize,
    of_file: Option<Vec<Label>>,
    chna: &[ChnaEntry],
    told: Option<&[Label]>,
) -> Option<(Vec<Label>, LabelSource)> {
    let fits = |labels: &Vec<Label>| labels.len() == channels;
    if let Some(labels) = of_file.filter(fits) {
        return Some((labels, LabelSource::File));
    }
    if let Some(labels) = of_chna(chna, channels) {
        return Some((labels, LabelSource::Chna));
    }
    if let Some(labels) = told.map(<[Label]>::to_vec).filter(fits) {
        return Some((labels, LabelSource::Told));
    }
    // One channel is the centre and two are left and right: common practice, no source.
    match channels {
        1 => Some((vec![label("M+000")], LabelSource::Convention)),
        2 => Some((
            vec![label("M+030"), label("M-030")],
            LabelSource::Convention,
        )),
        _ => None,
    }
}

/// Labels were told, the file needs them, and their number is not that of its channels.
pub(super) fn told_for_another_count(format: &Format, told: Option<&[Label]>) -> Option<Oddity> {
    let told = told?.len();
    let says_itself = matches!(
        format.labels_from,
        Some(LabelSource::File | LabelSource::Chna)
    );
    let labels = |count: usize| match count {
        1 => "1 channel label was".to_owned(),
        many => format!("{many} channel labels were"),
    };
    (!says_itself && told != format.channels).then(|| {
        Oddity::new(
            OddityKind::LabelsForAnotherCount,
            format!(
                "{} given (by --channels, the route or the profile) and the file has {}: they were left aside",
                labels(told),
                format.channels
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::super::tests::{labels, reference};
    use super::*;
    use crate::layout;

    #[test]
    fn masks_of_the_reference_signals_give_their_labels() {
        // The reference set's signal maker, table LAYOUT: labels and mask of each layout.
        for (mask, wanted) in [
            (0x4, "M+000"),
            (0x3, "M+030 M-030"),
            (0x37, "M+030 M-030 M+000 M+110 M-110"),
            (0x3f, "M+030 M-030 M+000 LFE1 M+110 M-110"),
            (0x60f, "M+030 M-030 M+000 LFE1 M+110 M-110"),
            (0x63f, "M+030 M-030 M+000 LFE1 M+135 M-135 M+090 M-090"),
            (
                0x2d63f,
                "M+030 M-030 M+000 LFE1 M+135 M-135 M+090 M-090 U+045 U-045 U+135 U-135",
            ),
        ] {
            assert_eq!(of_mask(mask).unwrap(), labels(wanted), "{mask:#x}");
        }
        assert_eq!(of_mask(0), None);
        assert_eq!(of_mask(0x8000_0003), None, "reserved bits");
    }

    #[test]
    fn masks_of_the_trade_s_layouts_have_names_in_bs_2051() {
        // ITU-R BS.2051-3, clause 3, systems D, I and J.
        for (mask, name) in [
            (0x2d60f, "4+5+0"),
            (0x2d03f, "4+5+0"),
            (0x503f, "2+5+0"),
            (0x63f, "0+7+0"),
            (0x2d63f, "4+7+0"),
            (0x563f, "7.1.2"),
        ] {
            assert_eq!(
                layout::name_of(&of_mask(mask).unwrap()),
                Some(name),
                "{mask:#x}"
            );
        }
    }

    #[test]
    fn the_table_of_common_definitions_is_that_of_bs_2094() {
        let Some(path) = reference("immersive/data/tables/common_definitions_2094.xml") else {
            return;
        };
        let xml = std::fs::read_to_string(path).unwrap();
        let document = roxmltree::Document::parse(&xml).unwrap();
        let mut looked_at = 0;
        for channel in document
            .descendants()
            .filter(|node| node.has_tag_name(("urn:metadata-schema:adm", "audioChannelFormat")))
        {
            let id = channel.attribute("audioChannelFormatID").unwrap();
            let urn = channel
                .descendants()
                .find(|node| node.tag_name().name() == "speakerLabel")
                .and_then(|node| node.text());
            let Some(urn) = urn.filter(|_| id.starts_with("AC_0001")) else {
                continue;
            };
            // The two low-frequency channels of 22.2 are numbered here and lettered there.
            let wanted = match urn.rsplit(':').next().unwrap() {
                "LFE" | "LFEL" => Some("LFE1".to_owned()),
                "LFER" => Some("LFE2".to_owned()),
                name => name.parse::<Label>().ok().map(String::from),
            };
            let got = of_common_definition(id).map(str::to_owned);
            assert_eq!(got, wanted, "{id} {urn}");
            looked_at += 1;
        }
        assert_eq!(looked_at, 40);
    }
}
