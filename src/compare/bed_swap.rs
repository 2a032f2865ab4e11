//! Whether the channels of a bed carry each other's sound: left and right exchanged, surrounds
//! exchanged, two channels in each other's place.
//!
//! In: the speaker labels of the bed's channels, paired by label between mix and master, and how
//! alike each channel of the mix is to each of the master. Out: [`BedExchange`]s. Knows nothing of
//! how the likeness was measured, of files and of limits.
//!
//! Channels that are alike in the mix itself (a nearly monophonic pair) cannot be told apart by
//! this; their side signal can, which is not among these figures.

/// By so much must the sum of likenesses be better where the channels were found, for each channel
/// that moved two at a time. The trade's rule, G3: common practice, no source.
const BETTER: f64 = 0.2;
/// Likeness from which a channel was found in another's place. Own choice: processed masters have
/// 0.8 and more against their mixes.
const FOUND: f64 = 0.6;
/// A channel counts for its own place before an equal one.
const OWN: f64 = 0.02;

/// What was exchanged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BedExchangeKind {
    /// The two channels of one pair: `M+030` and `M-030`, `M+110` and `M-110`.
    Sides,
    /// Anything else: centre and LFE, front and rear pair, a whole order.
    Places,
}

/// Channels that carry each other's sound.
#[derive(Clone, Debug, PartialEq)]
pub struct BedExchange {
    pub kind: BedExchangeKind,
    /// Channels by their place in the bed: the mix's sound of `channels[n]` is found on the
    /// master's `found_at[n]`.
    pub channels: Vec<usize>,
    pub found_at: Vec<usize>,
    /// Sum of the likenesses in their own places, and where they were found.
    pub direct: f64,
    pub crossed: f64,
    /// 0.5 where the rule is just met, 1 where it is met twice over.
    pub confidence: f64,
}

/// `labels`: one a channel of the bed (`M+030`). `likeness[mix][master]`: magnitude of the
/// correlation of a channel of the mix with one of the master at the offset of the files, 0 to 1;
/// `None` where one of them is silent.
pub fn bed_exchanges(labels: &[String], likeness: &[Vec<Option<f64>>]) -> Vec<BedExchange> {
    let count = labels.len().min(likeness.len());
    let size = |mix: usize, master: usize| {
        let value = likeness[mix].get(master).copied().flatten();
        value.map_or(0.0, f64::abs)
    };
    let place = places(count, size);
    let mut seen = vec![false; count];
    let mut found = Vec::new();
    for start in 0..count {
        let mut channels = Vec::new();
        let mut at = start;
        while !seen[at] {
            seen[at] = true;
            channels.push(at);
            at = place[at];
        }
        if channels.len() < 2 {
            continue;
        }
        let found_at: Vec<usize> = channels.iter().map(|&channel| place[channel]).collect();
        let direct: f64 = channels.iter().map(|&c| size(c, c)).sum();
        let each: Vec<f64> = channels
            .iter()
            .zip(&found_at)
            .map(|(&c, &at)| size(c, at))
            .collect();
        let crossed: f64 = each.iter().sum();
        if crossed - direct <= BETTER || each.iter().any(|&value| value < FOUND) {
            continue;
        }
        found.push(BedExchange {
            kind: match channels[..] {
                [one, other] if are_mirrored(&labels[one], &labels[other]) => {
                    BedExchangeKind::Sides
                }
                _ => BedExchangeKind::Places,
            },
            channels,
            found_at,
            direct,
            crossed,
            confidence: 0.5 + 0.5 * ((crossed - direct - BETTER) / BETTER).min(1.0),
        });
    }
    found
}

/// Where each channel of the mix is found: the most alike first.
fn places(count: usize, size: impl Fn(usize, usize) -> f64) -> Vec<usize> {
    let mut all: Vec<(f64, usize, usize)> = (0..count)
        .flat_map(|mix| (0..count).map(move |master| (mix, master)))
        .map(|(mix, master)| {
            let own = if mix == master { OWN } else { 0.0 };
            (size(mix, master) + own, mix, master)
        })
        .collect();
    all.sort_by(|one, other| other.0.total_cmp(&one.0));
    let mut place: Vec<Option<usize>> = vec![None; count];
    let mut taken = vec![false; count];
    for (_, mix, master) in all {
        if place[mix].is_none() && !taken[master] {
            place[mix] = Some(master);
            taken[master] = true;
        }
    }
    let place = place.into_iter().enumerate();
    place.map(|(own, at)| at.unwrap_or(own)).collect()
}

fn are_mirrored(one: &str, other: &str) -> bool {
    one != other && (one.replacen('+', "-", 1) == other || other.replacen('+', "-", 1) == one)
}

#[cfg(test)]
mod tests {
    use super::*;

    const BED: [&str; 6] = ["M+030", "M-030", "M+000", "LFE1", "M+110", "M-110"];

    /// What stands at `at[n]` of the master is the mix's channel `n`, alike by `alike`; different
    /// channels have `common` in common.
    fn exchanged(at: [usize; 6], alike: f64, common: f64) -> Vec<BedExchange> {
        let labels = BED.map(str::to_owned);
        let row = |mix: usize| {
            let value = |master| if at[mix] == master { alike } else { common };
            (0..6).map(|master| Some(value(master))).collect()
        };
        let likeness: Vec<Vec<Option<f64>>> = (0..6).map(row).collect();
        bed_exchanges(&labels, &likeness)
    }

    #[test]
    fn a_bed_in_its_own_order_has_no_exchange() {
        for common in [0.0, 0.5, 0.9] {
            assert_eq!(exchanged([0, 1, 2, 3, 4, 5], 0.92, common), []);
        }
    }

    #[test]
    fn exchanged_sides_are_told_with_both_channels() {
        for (at, pair) in [([1, 0, 2, 3, 4, 5], [0, 1]), ([0, 1, 2, 3, 5, 4], [4, 5])] {
            let found = exchanged(at, 0.85, 0.3);
            assert_eq!(found.len(), 1);
            assert_eq!(found[0].kind, BedExchangeKind::Sides);
            assert_eq!(found[0].channels, pair);
            // Two times 0.85 against two times 0.3: 1.1, more than twice the rule's 0.2.
            assert!((found[0].crossed - found[0].direct - 1.1).abs() < 1e-12);
            assert_eq!(found[0].confidence, 1.0);
        }
    }

    #[test]
    fn a_whole_bed_turned_around_is_two_exchanges_of_sides() {
        let found = exchanged([1, 0, 2, 3, 5, 4], 0.9, 0.2);
        assert_eq!(found.len(), 2);
        assert!(found.iter().all(|one| one.kind == BedExchangeKind::Sides));
    }

    #[test]
    fn centre_and_lfe_exchanged_are_places() {
        let found = exchanged([0, 1, 3, 2, 4, 5], 0.9, 0.1);
        assert_eq!(found[0].kind, BedExchangeKind::Places);
        assert_eq!(found[0].channels, [2, 3]);
    }

    /// A nearly monophonic pair is as alike crossed as it is direct.
    #[test]
    fn a_pair_that_is_alike_in_itself_is_not_told() {
        assert_eq!(exchanged([1, 0, 2, 3, 4, 5], 0.95, 0.9), []);
    }

    #[test]
    fn silent_channels_are_nowhere() {
        let labels = BED.map(str::to_owned);
        assert_eq!(bed_exchanges(&labels, &vec![vec![None; 6]; 6]), []);
    }
}
