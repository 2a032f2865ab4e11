//! From a bed to two loudspeakers.

use crate::layout::Label;

/// Minus 3 dB. Source: ITU-R BS.775, the downward mixing coefficients from 3/2 to 2/0.
const HALF_POWER: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// Gains to left and right, one pair a channel, of the layouts that BS.775 folds: stereo and up to
/// 5.1; the low-frequency channel is left out. `None` where a channel plays elsewhere: a wider bed
/// takes the gains of a renderer.
pub fn bs775(labels: &[Label]) -> Option<Vec<[f64; 2]>> {
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
    use crate::layout;

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
}
