//! Decorrelation filters of the diffuse path (ITU-R BS.2127-1, clause 7.4).
//!
//! In: a layout. Out: one all-pass FIR filter of random phase per loudspeaker, low-frequency ones
//! among them, always the same for a layout. Knows nothing of signals: the mixer convolves with
//! them, and delays the direct path by [`DELAY`] samples to match.

use std::f64::consts::TAU;

use realfft::RealFftPlanner;

use super::speakers::SpeakerLayout;

/// Length of a filter in samples.
pub const TAPS: usize = 512;

/// Samples by which the direct path is delayed: (TAPS - 1) / 2, rounded down.
pub const DELAY: usize = (TAPS - 1) / 2;

/// One filter per loudspeaker of `layout`, in output order.
///
/// A filter depends on the rank of its loudspeaker's label among the layout's labels sorted as
/// text (`B+000`, `LFE1`, `M+000`, `M+030`, `M-030`, ...), as in the reference renderer of BS.2127
/// (ear 2.1.0).
pub fn filters(layout: &SpeakerLayout) -> Vec<[f64; TAPS]> {
    let mut planner = RealFftPlanner::new();
    let mut sorted: Vec<&str> = layout.speakers.iter().map(|s| s.label.as_str()).collect();
    sorted.sort_unstable();
    layout
        .speakers
        .iter()
        .map(|speaker| {
            let rank = sorted.partition_point(|&label| label < speaker.label.as_str());
            filter(u32::try_from(rank).unwrap_or(u32::MAX), &mut planner)
        })
        .collect()
}

/// All bins have magnitude 1; those between 0 and the Nyquist frequency a random phase.
fn filter(seed: u32, planner: &mut RealFftPlanner<f64>) -> [f64; TAPS] {
    let inverse = planner.plan_fft_inverse(TAPS);
    let mut spectrum = inverse.make_input_vec();
    let mut random = MersenneTwister::new(seed);
    for (index, bin) in spectrum.iter_mut().enumerate() {
        bin.re = 1.0;
        if index != 0 && index != TAPS / 2 {
            let phase = f64::from(random.next_u32()) / 2.0_f64.powi(32) * TAU;
            (bin.im, bin.re) = phase.sin_cos();
        }
    }
    let mut taps = [0.0; TAPS];
    inverse
        .process(&mut spectrum, &mut taps)
        .expect("lengths are the plan's, and the outer bins are real");
    taps.map(|tap| tap / TAPS as f64)
}

/// MT19937, the generator of `std::mt19937` (ISO/IEC 14882:2020, 26.6.3.3 and 26.6.5).
struct MersenneTwister {
    state: [u32; Self::WORDS],
    next: usize,
}

impl MersenneTwister {
    const WORDS: usize = 624;
    const SHIFT: usize = 397;

    fn new(seed: u32) -> Self {
        let mut state = [seed; Self::WORDS];
        for index in 1..Self::WORDS {
            let before = state[index - 1];
            state[index] = (before ^ (before >> 30))
                .wrapping_mul(1_812_433_253)
                .wrapping_add(index as u32);
        }
        Self {
            state,
            next: Self::WORDS,
        }
    }

    fn next_u32(&mut self) -> u32 {
        if self.next == Self::WORDS {
            self.twist();
        }
        let mut word = self.state[self.next];
        self.next += 1;
        word ^= word >> 11;
        word ^= (word << 7) & 0x9d2c_5680;
        word ^= (word << 15) & 0xefc6_0000;
        word ^ (word >> 18)
    }

    fn twist(&mut self) {
        for index in 0..Self::WORDS {
            let high = self.state[index] & 0x8000_0000;
            let low = self.state[(index + 1) % Self::WORDS] & 0x7fff_ffff;
            let word = high | low;
            let odd = if word & 1 == 1 { 0x9908_b0df } else { 0 };
            self.state[index] = self.state[(index + Self::SHIFT) % Self::WORDS] ^ (word >> 1) ^ odd;
        }
        self.next = 0;
    }
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;
    use crate::render::speakers::RENDERABLE;

    /// ISO/IEC 14882:2020, 26.6.5: the 10000th word of a default-constructed `mt19937` (seed
    /// 5489) is 4123659995; the first is that of the generator's published output.
    #[test]
    fn the_random_numbers_are_those_of_the_published_generator() {
        let mut random = MersenneTwister::new(5489);
        assert_eq!(random.next_u32(), 3_499_211_612);
        for _ in 0..9_998 {
            random.next_u32();
        }
        assert_eq!(random.next_u32(), 4_123_659_995);
    }

    /// `gains.json`, from the reference renderer of BS.2127 (ear 2.1.0): nine digits.
    #[test]
    fn the_filters_are_those_of_the_reference() {
        let Some(path) = crate::adm::reference("immersive/gains.json") else {
            return;
        };
        let reference: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
        let compare = |taps: &[f64], expected: &Value, what: &str| {
            let expected = expected.as_array().unwrap();
            for (tap, expected) in taps.iter().zip(expected) {
                let expected = expected.as_f64().unwrap();
                assert!((tap - expected).abs() < 1e-9, "{what}: {tap} {expected}");
            }
            expected.len()
        };
        let whole = filter(0, &mut RealFftPlanner::new());
        assert_eq!(compare(&whole, &reference["decorrelator_id0"], "0"), TAPS);
        for (name, channels) in reference["decorrelators_first6"].as_object().unwrap() {
            let layout = SpeakerLayout::named(name).unwrap();
            let filters = filters(&layout);
            for (label, taps) in channels.as_object().unwrap() {
                let speaker = layout.index_of(label).unwrap();
                assert_eq!(compare(&filters[speaker], taps, label), 6);
            }
        }
    }

    #[test]
    fn every_filter_passes_all_frequencies_alike_and_no_two_are_the_same() {
        let forward = RealFftPlanner::<f64>::new().plan_fft_forward(TAPS);
        for name in RENDERABLE {
            let filters = filters(&SpeakerLayout::named(name).unwrap());
            for (index, taps) in filters.iter().enumerate() {
                let mut spectrum = forward.make_output_vec();
                forward.process(&mut taps.clone(), &mut spectrum).unwrap();
                assert!(spectrum.iter().all(|bin| (bin.norm() - 1.0).abs() < 1e-12));
                assert!(filters[..index].iter().all(|other| other != taps));
            }
        }
    }
}
