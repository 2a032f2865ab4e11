//! What the meter of provenance promises for whole signals.

use proptest::prelude::*;

use super::*;

const RATE: u32 = 44_100;

struct Noise(u32);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.0 >> 8) / 8_388_608.0 - 1.0
    }
}

fn hertz(rate: u32) -> Hertz {
    Hertz::new(rate).expect("not 0")
}

fn rounded(samples: &[f64], bits: u32) -> Vec<f64> {
    let steps = f64::from(1u32 << (bits - 1));
    samples
        .iter()
        .map(|v| (v * steps).round() / steps)
        .collect()
}

/// Two unlike channels of noise with a slope of 6 dB an octave, and a few tones.
fn music(frames: usize) -> Vec<Vec<f64>> {
    (0..2u32)
        .map(|channel| {
            let mut noise = Noise(7 + channel);
            let mut last = 0.0;
            let samples: Vec<f64> = (0..frames)
                .map(|n| {
                    last = 0.6 * last + 0.05 * noise.next();
                    let tone =
                        |hz: f64| (std::f64::consts::TAU * hz * n as f64 / f64::from(RATE)).sin();
                    last + 0.1 * (tone(220.0) + tone(331.0 + 50.0 * f64::from(channel)))
                })
                .collect();
            rounded(&samples, 24)
        })
        .collect()
}

fn weigh(planes: &[Vec<f64>], rate: u32, cut: usize) -> ProvenanceFacts {
    let mut meter = ProvenanceMeter::new(hertz(rate), planes.len(), Some(24));
    let frames = planes[0].len();
    for from in (0..frames).step_by(cut) {
        let to = (from + cut).min(frames);
        let block: Vec<&[f64]> = planes.iter().map(|plane| &plane[from..to]).collect();
        meter.feed(&block);
    }
    meter.finish()
}

/// Through a transform codec in small: sine-window MDCT of 2048 samples by its formula, a coarse
/// quantiser, begun `begun` samples before the file.
fn coded(samples: &[f64], begun: usize) -> Vec<f64> {
    const HOP: usize = 1024;
    let cosines: Vec<f64> = (0..8 * HOP)
        .map(|n| (std::f64::consts::PI * n as f64 / (4 * HOP) as f64).cos())
        .collect();
    // cos(pi/N (n + 1/2 + N/2)(k + 1/2)) with whole numbers: pi/4N (2n + 1 + N)(2k + 1).
    let cosine = |n: usize, k: usize| cosines[(2 * n + 1 + HOP) * (2 * k + 1) % (8 * HOP)];
    let window = |n: usize| (std::f64::consts::PI * (n as f64 + 0.5) / (2 * HOP) as f64).sin();
    let mut out = vec![0.0; samples.len()];
    let at = |frame: usize, n: usize| (frame * HOP + n).checked_sub(begun + HOP);
    for frame in 0..(samples.len() + begun) / HOP + 2 {
        let input: Vec<f64> = (0..2 * HOP)
            .map(|n| {
                let sample = at(frame, n).and_then(|at| samples.get(at)).unwrap_or(&0.0);
                sample * window(n)
            })
            .collect();
        // 0.7 of the lines is enough, and a third of the time.
        let lines: Vec<f64> = (0..700)
            .map(|k| {
                let step = 0.3 + 2.0 * (k as f64 / HOP as f64);
                let line: f64 = input
                    .iter()
                    .enumerate()
                    .map(|(n, v)| v * cosine(n, k))
                    .sum();
                (line / step).round() * step
            })
            .collect();
        let alive: Vec<(usize, f64)> = lines
            .into_iter()
            .enumerate()
            .filter(|(_, line)| *line != 0.0)
            .collect();
        for n in 0..2 * HOP {
            if let Some(to) = at(frame, n).and_then(|at| out.get_mut(at)) {
                let sum: f64 = alive.iter().map(|&(k, line)| line * cosine(n, k)).sum();
                *to += sum * window(n) / HOP as f64;
            }
        }
    }
    out
}

#[test]
fn a_codec_is_found_with_its_frame_whatever_the_gain_and_the_start() {
    let begun = 300;
    for gain in [1.0, -0.37] {
        let planes: Vec<Vec<f64>> = music(3 * 8192)
            .iter()
            .map(|plane| {
                let coded: Vec<f64> = coded(plane, begun).iter().map(|v| v * gain).collect();
                rounded(&coded, 24)
            })
            .collect();
        let lossy = weigh(&planes, RATE, 5000).summary.lossy;
        assert!(lossy.score > 0.9, "{lossy:?}");
        let framing = lossy.reasons.iter().find_map(|reason| match reason {
            LossyReason::Framing { family, offset, .. } => Some((*family, *offset)),
            LossyReason::CutOff { .. } => None,
        });
        assert_eq!(framing, Some((CodecFamily::Aac, 1024 - begun as u32)));
    }
}

#[test]
fn what_was_never_coded_or_resampled_is_not_accused() {
    let facts = weigh(&music(80_000), RATE, 4096).summary;
    assert_eq!(facts.lossy.score, 0.0, "{:?}", facts.lossy);
    assert_eq!(facts.upsampled, None);
    assert!(facts.channels.iter().all(|c| c.bits.hidden.is_none()));
}

/// Twice the rate: every sample, and between two a windowed sinc of 400 samples.
fn doubled(samples: &[f64]) -> Vec<f64> {
    const REACH: usize = 200;
    let weights: Vec<f64> = (0..REACH)
        .map(|n| {
            let away = n as f64 + 0.5;
            let x = std::f64::consts::PI * away;
            let window = std::f64::consts::FRAC_PI_2 * away / REACH as f64;
            x.sin() / x * window.cos().powi(4)
        })
        .collect();
    let mut out = Vec::with_capacity(2 * samples.len());
    for (n, sample) in samples.iter().enumerate() {
        let before = samples[..=n].iter().rev();
        let after = samples[n + 1..].iter();
        let between: f64 = weights.iter().zip(before).map(|(w, v)| w * v).sum::<f64>()
            + weights.iter().zip(after).map(|(w, v)| w * v).sum::<f64>();
        out.extend([*sample, between]);
    }
    out
}

#[test]
fn upsampled_music_is_told_with_its_old_rate() {
    let planes: Vec<Vec<f64>> = music(60_000)
        .iter()
        .map(|plane| rounded(&doubled(plane), 24))
        .collect();
    let upsampled = weigh(&planes, 2 * RATE, 4096).summary.upsampled;
    let upsampled = upsampled.expect("an older rate");
    assert_eq!(upsampled.original_rate_hz, RATE);
    assert!(upsampled.confidence >= 0.5, "{upsampled:?}");
}

#[test]
fn scale_polarity_and_order_of_channels_do_not_change_the_old_rate() {
    let planes: Vec<Vec<f64>> = music(60_000).iter().map(|plane| doubled(plane)).collect();
    let told = |planes: &[Vec<f64>]| weigh(planes, 2 * RATE, 4096).summary.upsampled;
    for gain in [1.0, -0.3, 0.02] {
        let mut scaled: Vec<Vec<f64>> = (planes.iter())
            .map(|plane| rounded(&plane.iter().map(|v| v * gain).collect::<Vec<_>>(), 24))
            .collect();
        for _ in 0..2 {
            let upsampled = told(&scaled).expect("an older rate");
            assert_eq!(upsampled.original_rate_hz, RATE);
            assert!(upsampled.confidence >= Spot::SURE, "{gain} {upsampled:?}");
            scaled.reverse();
        }
    }
}

/// Samples of 16 bits, and between them soft ones of 24: no edge of a spectrum shows that.
fn softly_doubled(plane: &[f64]) -> Vec<f64> {
    let quiet: Vec<f64> = plane.iter().map(|v| 0.1 * v).collect();
    let coarse = rounded(&quiet, 16);
    let mut noise = Noise(77);
    let between = coarse.windows(2).map(|two| (two[0] + two[1]) / 2.0);
    let fine: Vec<f64> = between.map(|v| v + 0.003 * noise.next()).collect();
    coarse
        .iter()
        .zip(rounded(&fine, 24))
        .flat_map(|(kept, fine)| [*kept, fine])
        .collect()
}

#[test]
fn samples_that_a_resampler_kept_tell_the_old_rate_and_are_no_padding() {
    let planes: Vec<Vec<f64>> = music(60_000).iter().map(|p| softly_doubled(p)).collect();
    let mirrored: Vec<Vec<f64>> = (planes.iter().rev())
        .map(|plane| plane.iter().map(|v| -v).collect())
        .collect();
    // The first sample may be one of those between.
    let later: Vec<Vec<f64>> = planes.iter().map(|plane| plane[1..].to_vec()).collect();
    for planes in [&planes, &mirrored, &later] {
        let found = weigh(planes, 2 * RATE, 4096).summary;
        let upsampled = found.upsampled.expect("an older rate");
        assert_eq!(
            (
                upsampled.original_rate_hz,
                upsampled.kept_bits.map(f64::round)
            ),
            (RATE, Some(16.0))
        );
        assert!(found.channels.iter().all(|c| c.bits.hidden.is_none()));
    }
}

#[test]
fn padding_is_told_for_its_own_channel_whatever_polarity_and_order() {
    let mut planes = music(30_000);
    planes[1] = rounded(&planes[1], 16);
    for _ in 0..2 {
        let used: Vec<Option<u32>> = (weigh(&planes, RATE, 4096).summary.channels.iter())
            .map(|channel| channel.bits.used_bits)
            .collect();
        let wanted = match planes[1][..100] == rounded(&planes[1][..100], 16) {
            true => [Some(24), Some(16)],
            false => [Some(16), Some(24)],
        };
        assert_eq!(used, wanted);
        planes.reverse();
        for sample in planes.iter_mut().flatten() {
            *sample = -*sample;
        }
    }
}

/// Two seconds that fade from -50 dBFS to nothing and are rounded to 16 bits.
fn undithered_fade() -> Vec<Vec<f64>> {
    let frames = 2 * RATE as usize;
    let fade = |plane: Vec<f64>, gain: f64| {
        let left = |n: usize| gain * (1.0 - n as f64 / frames as f64).powi(2);
        let faded: Vec<f64> = (plane.iter().enumerate())
            .map(|(n, v)| v * left(n))
            .collect();
        rounded(&faded, 16)
    };
    (music(frames).into_iter().zip([0.02, 0.01]))
        .map(|(plane, gain)| fade(plane, gain))
        .collect()
}

#[test]
fn a_lack_of_dither_is_told_by_place_and_channel_at_any_cut_polarity_and_order() {
    let planes = undithered_fade();
    let told = |planes: &[Vec<f64>], cut: usize| weigh(planes, RATE, cut).undithered;
    let spots = told(&planes, 4096);
    assert!(
        spots
            .listed
            .iter()
            .any(|spot| spot.confidence >= Spot::SURE)
    );
    // Where the fade is still loud there is nothing to see.
    assert!(
        spots
            .listed
            .iter()
            .all(|spot| spot.start > u64::from(RATE) / 2)
    );
    assert_eq!(told(&planes, 997), spots);
    let mirrored: Vec<Vec<f64>> = (planes.iter().rev())
        .map(|plane| plane.iter().map(|v| -v).collect())
        .collect();
    let mut swapped = told(&mirrored, 4096);
    for spot in &mut swapped.listed {
        spot.channel = spot.channel.map(|channel| 1 - channel);
    }
    swapped.sort();
    assert_eq!(swapped, spots);
}

#[test]
fn a_tone_over_20_khz_is_told_with_frequency_and_level() {
    let planes: Vec<Vec<f64>> = music(120_000)
        .iter()
        .map(|plane| {
            let tone = |n: usize| {
                let angle = std::f64::consts::TAU * 30_000.0 * n as f64 / 96_000.0;
                0.01 * angle.sin()
            };
            plane
                .iter()
                .enumerate()
                .map(|(n, v)| v * 0.1 + tone(n))
                .collect()
        })
        .collect();
    let levels = weigh(&planes, 96_000, 4096).summary.channels[0]
        .levels
        .clone();
    let hz = levels.ultrasonic_tone_hz.expect("a tone");
    assert!((hz - 30_000.0).abs() < 12.0, "{hz}");
    // A sine of 0.01: -43 dBFS RMS; half a line off costs 0.2 dB.
    let level = levels.ultrasonic_tone_dbfs.expect("a level");
    assert!((level + 43.01).abs() < 0.5, "{level}");
}

#[test]
fn an_empty_and_a_silent_file_have_no_past() {
    for frames in [0, 10, 50_000] {
        let facts = weigh(&vec![vec![0.0; frames]; 2], RATE, 999).summary;
        assert_eq!(facts.lossy.score, 0.0);
        assert_eq!(facts.upsampled, None);
        assert_eq!(facts.channels[0].bits.used_bits, None);
        assert_eq!(facts.channels[0].levels.subsonic_db, None);
    }
}

#[test]
fn swapped_channels_and_polarity_change_no_score() {
    let planes = music(20_000);
    let swapped: Vec<Vec<f64>> = planes
        .iter()
        .rev()
        .map(|plane| plane.iter().map(|v| -v).collect())
        .collect();
    let (first, second) = (weigh(&planes, RATE, 4096), weigh(&swapped, RATE, 4096));
    assert_eq!(first.summary.lossy, second.summary.lossy);
    assert_eq!(first.summary.channels[0], second.summary.channels[1]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(3))]

    #[test]
    fn any_cut_into_blocks_gives_the_same_bits(cut in 1usize..20_000) {
        let planes = music(20_000);
        prop_assert_eq!(weigh(&planes, RATE, cut), weigh(&planes, RATE, 20_000));
    }
}
