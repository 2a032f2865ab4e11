//! From what the programme plays on to two loudspeakers.

use crate::layout::{self, Label};

/// Minus 3 dB. Source: ITU-R BS.775, the downward mixing coefficients from 3/2 to 2/0.
const HALF_POWER: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// How two loudspeakers are made of the planes that the meter is fed with.
#[derive(Clone, Debug, PartialEq)]
pub struct Fold {
    /// To left and right, one pair a plane; low-frequency channels to neither.
    pub(super) gains: Vec<[f64; 2]>,
    /// Indices of the low-frequency channels.
    pub(super) lfe: Vec<usize>,
    /// What the planes are and by which gains they are folded, in words.
    pub(super) taken_from: String,
    /// A true peak of the fold is wanted: that of a stereo file is the file's.
    pub(super) peaks: bool,
}

impl Fold {
    /// The fold of a file's own channels where ITU-R BS.775 has one: stereo, and beds up to 5.1.
    pub fn of_channels(labels: &[Label]) -> Option<Self> {
        let gains = bs775(labels)?;
        let taken_from = match gains.len() {
            2 => "the file's two channels".to_owned(),
            _ => format!("the file's channels ({}), by ITU-R BS.775", spoken(labels)),
        };
        let mut fold = Self::with(labels, gains, taken_from);
        fold.peaks = labels.len() > 2;
        Some(fold)
    }

    /// The fold of wider beds, by the gains that a renderer has for them.
    pub fn of_wide_bed(labels: &[Label], gains: Vec<[f64; 2]>, renderer: &str) -> Option<Self> {
        let taken_from = format!("the file's channels ({}), by {renderer}", spoken(labels));
        (labels.len() >= 2 && labels.len() == gains.len())
            .then(|| Self::with(labels, gains, taken_from))
    }

    /// The fold of one render, or of planes of several; `None` where ITU-R BS.775 has none.
    pub fn of_render(labels: &[Label], taken_from: String) -> Option<Self> {
        Some(Self::with(labels, bs775(labels)?, taken_from))
    }

    fn with(labels: &[Label], mut gains: Vec<[f64; 2]>, taken_from: String) -> Self {
        let lfe = (0..labels.len()).filter(|&index| labels[index].is_lfe());
        let lfe: Vec<usize> = lfe.collect();
        lfe.iter().for_each(|&index| gains[index] = [0.0; 2]);
        Self {
            gains,
            lfe,
            taken_from,
            peaks: true,
        }
    }

    /// The first two planes are the loudspeakers, and nothing else is added to them.
    pub(super) fn plain(&self) -> bool {
        let silent = |gains: &[f64; 2]| *gains == [0.0; 2];
        self.gains.starts_with(&[[1.0, 0.0], [0.0, 1.0]]) && self.gains[2..].iter().all(silent)
    }
}

/// The layout as the trade calls it, or how many channels there are.
fn spoken(labels: &[Label]) -> String {
    match layout::name_of(labels) {
        Some(name) => layout::spoken(name).to_owned(),
        None => format!("{} of them", labels.len()),
    }
}

/// Gains to left and right, one pair a channel, of the layouts that BS.775 folds: stereo and up to
/// 5.1; the low-frequency channel is left out. `None` where a channel plays elsewhere.
fn bs775(labels: &[Label]) -> Option<Vec<[f64; 2]>> {
    let gains = labels.iter().map(|label| match label.as_str() {
        "M+030" => Some([1.0, 0.0]),
        "M-030" => Some([0.0, 1.0]),
        "M+000" => Some([HALF_POWER; 2]),
        "M+110" => Some([HALF_POWER, 0.0]),
        "M-110" => Some([0.0, HALF_POWER]),
        "LFE1" => Some([0.0; 2]),
        _ => None,
    });
    let gains: Option<Vec<_>> = gains.collect();
    gains.filter(|gains| gains.contains(&[1.0, 0.0]) && gains.contains(&[0.0, 1.0]))
}

/// Gain of the low-frequency channel in each of two loudspeakers where a soundbar plays it:
/// reproduced 10 dB up in band (ITU-R BS.775, annex on the low-frequency channel; from memory),
/// shared by two that add up in phase. Own choice.
pub(super) const LFE_GAIN: f64 = 1.581_138_830_084_19;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn five_one_folds_by_bs_775_and_wider_beds_do_not() {
        let fold = bs775(&layout::by_name("5.1").unwrap().labels()).unwrap();
        assert_eq!(fold[0], [1.0, 0.0]);
        assert_eq!(fold[2], [HALF_POWER, HALF_POWER]);
        assert_eq!(fold[3], [0.0, 0.0]);
        assert_eq!(fold[5], [0.0, HALF_POWER]);
        assert_eq!(bs775(&layout::by_name("7.1.4").unwrap().labels()), None);
        assert_eq!(bs775(&layout::by_name("1.0").unwrap().labels()), None);
    }

    #[test]
    fn a_fold_says_what_it_is_made_of() {
        let fold = |name: &str| Fold::of_channels(&layout::by_name(name).unwrap().labels());
        let stereo = fold("2.0").unwrap();
        assert!(stereo.plain() && stereo.lfe.is_empty());
        assert_eq!(stereo.taken_from, "the file's two channels");
        let surround = fold("5.1").unwrap();
        assert!(!surround.plain());
        assert_eq!(surround.lfe, [3]);
        assert_eq!(
            surround.taken_from,
            "the file's channels (5.1), by ITU-R BS.775"
        );
    }

    // Whatever a renderer says of it: stereo has no low-frequency channel.
    #[test]
    fn a_renderers_gains_leave_the_low_frequency_channel_out() {
        let labels = layout::by_name("7.1").unwrap().labels();
        let fold = Fold::of_wide_bed(&labels, vec![[0.5, 0.5]; 8], "a renderer").unwrap();
        assert_eq!((fold.gains[3], fold.gains[4]), ([0.0; 2], [0.5; 2]));
        assert_eq!(Fold::of_wide_bed(&labels, vec![[1.0; 2]; 2], "x"), None);
    }
}
