//! Which channels belong together: mirror images by label, or the two of a stereo file.

use crate::layout::Label;

/// Left and right as indices in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Pair {
    pub left: usize,
    pub right: usize,
    /// The front pair of the programme; held to another measure than surrounds and heights.
    pub front: bool,
}

/// The front pair first, then in file order.
pub(super) fn pairs(channels: usize, labels: Option<&[Label]>) -> Vec<Pair> {
    let Some(labels) = labels else {
        let stereo = Pair {
            left: 0,
            right: 1,
            front: true,
        };
        return if channels == 2 {
            vec![stereo]
        } else {
            Vec::new()
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
            });
        }
    }
    found.sort_by_key(|pair| !pair.front);
    found
}

/// The label of the same place on the right side.
fn mirrored(label: &Label) -> Option<String> {
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
    fn without_labels_only_two_channels_are_a_pair() {
        assert_eq!(pairs(2, None).len(), 1);
        assert!(pairs(6, None).is_empty());
        assert!(pairs(1, None).is_empty());
    }
}
