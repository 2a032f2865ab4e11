//! Which channels belong together: mirror images by label, the two of a stereo file, or, where
//! nobody says where the channels play, every two.

use super::types::PairsFrom;
use crate::layout::Label;

/// Left and right as indices in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Pair {
    pub left: usize,
    pub right: usize,
    /// The front pair of the programme; held to another measure than surrounds and heights.
    pub front: bool,
    /// The two are known to be left and right of each other.
    pub mirrored: bool,
}

/// Every two of so many channels without labels are looked at; of more, neighbours: own choice,
/// 120 pairs.
const ALL_PAIRS: usize = 16;

/// How the pairs were chosen.
pub(super) fn chosen_by(channels: usize, labels: Option<&[Label]>) -> PairsFrom {
    match (labels, channels) {
        (Some(_), _) => PairsFrom::Labels,
        (None, 0..=1) => PairsFrom::NoPair,
        (None, 2) => PairsFrom::TwoChannels,
        (None, 3..=ALL_PAIRS) => PairsFrom::EveryTwo { channels },
        (None, _) => PairsFrom::Neighbours { channels },
    }
}

/// The front pair first, then in file order.
pub(super) fn pairs(channels: usize, labels: Option<&[Label]>) -> Vec<Pair> {
    let Some(labels) = labels else {
        let unknown = |left, right| Pair {
            left,
            right,
            front: false,
            mirrored: false,
        };
        return match chosen_by(channels, None) {
            PairsFrom::TwoChannels => vec![Pair {
                front: true,
                mirrored: true,
                ..unknown(0, 1)
            }],
            PairsFrom::EveryTwo { channels } => (0..channels)
                .flat_map(|left| (left + 1..channels).map(move |right| unknown(left, right)))
                .collect(),
            PairsFrom::Neighbours { channels } => (1..channels)
                .map(|right| unknown(right - 1, right))
                .collect(),
            _ => Vec::new(),
        };
    };
    let mut found = Vec::new();
    for (left, label) in labels.iter().enumerate() {
        let Some(twin) = mirrored(label) else {
            continue;
        };
        if let Some(right) = labels.iter().position(|other| other.as_str() == twin) {
            found.push(Pair {
                left,
                right,
                front: label.as_str() == "M+030",
                mirrored: true,
            });
        }
    }
    found.sort_by_key(|pair| !pair.front);
    found
}

/// The label of the same place on the right side.
pub(crate) fn mirrored(label: &Label) -> Option<String> {
    let text = label.as_str();
    // 0 and 180 degrees have no side.
    let sided = label.is_lfe() || text.ends_with("000") || text.ends_with("180");
    (!sided && text.contains('+')).then(|| text.replacen('+', "-", 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout;

    #[test]
    fn a_wide_layout_pairs_what_mirrors_and_leaves_the_middle_alone() {
        let labels = layout::by_name("7.1.4").unwrap().labels();
        let found = pairs(12, Some(&labels));
        let indices: Vec<_> = found.iter().map(|pair| (pair.left, pair.right)).collect();
        assert_eq!(indices, [(0, 1), (4, 5), (6, 7), (8, 9), (10, 11)]);
        assert!(found[0].front && !found[1].front);
        let film: Vec<Label> = ["M+030", "M+000", "M-030", "M+110", "M-110", "LFE1"]
            .map(|label| label.parse().unwrap())
            .to_vec();
        assert_eq!(pairs(6, Some(&film))[0].right, 2);
    }

    #[test]
    fn without_labels_every_two_channels_are_looked_at_and_of_many_the_neighbours() {
        assert_eq!(pairs(2, None).len(), 1);
        assert!(pairs(2, None)[0].front);
        assert!(pairs(1, None).is_empty());
        // n (n - 1) / 2.
        assert_eq!(pairs(6, None).len(), 15);
        assert_eq!(pairs(16, None).len(), 120);
        assert_eq!(pairs(24, None).len(), 23);
        assert!(
            pairs(6, None)
                .iter()
                .all(|pair| !pair.front && !pair.mirrored)
        );
    }
}
