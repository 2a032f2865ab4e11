//! The published test signals, synthesised in memory: EBU Tech 3341 and Tech 3342, ITU-R
//! BS.1770 calibration, and tones of the kind of Report ITU-R BS.2217.
//!
//! Out: a [`Case`] each, with its samples, its labels, what a meter must read, the tolerance,
//! and the clause. Nothing is copied from a standard's own material: every signal is built from
//! the definition in the clause beside it. Used by `weighbridge selfcheck`, tests and benches.
//! Levels are peak levels of a sine re full scale.
//!
//! Hearing: some of these tones are at full scale. They are made in memory and never played;
//! who writes them to a file should keep the level down and follow local rules for safe
//! listening.

use std::f64::consts::PI;

use super::{Depth, Measurements, MeterOrder, Meters};
use crate::layout::{self, Label};
use crate::specimen::Block;
use crate::units::{DbTp, Hertz, Lu, Lufs};

/// One signal and what is to be read on it.
pub struct Case {
    /// `tech3341-01`, ...
    pub name: String,
    /// Document and clause.
    pub clause: String,
    pub sample_rate: Hertz,
    pub labels: Vec<Label>,
    pub expected: Vec<Expected>,
    build: Box<dyn Fn() -> Vec<Vec<f64>> + Send + Sync>,
}

impl Case {
    /// `[channel][frame]`, all channels equally long, full scale = 1.0.
    pub fn samples(&self) -> Vec<Vec<f64>> {
        (self.build)()
    }
}

/// What a meter must read: `value` with the tolerance upwards and downwards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    pub quantity: Quantity,
    /// `None`: the quantity must be reported as absent.
    pub value: Option<f64>,
    pub plus: f64,
    pub minus: f64,
}

impl Expected {
    /// Whether a reading lies within the tolerance.
    pub fn met_by(&self, read: Option<f64>) -> bool {
        match (read, self.value) {
            (Some(read), Some(value)) => read <= value + self.plus && read >= value - self.minus,
            (None, None) => true,
            _ => false,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    Integrated,
    MomentaryMax,
    ShortTermMax,
    LoudnessRange,
    TruePeak,
}

impl Quantity {
    /// What was read; `None` where the meter reports it as absent.
    pub fn of(self, measured: &Measurements) -> Option<f64> {
        let loudness = measured.loudness.get();
        match self {
            Self::Integrated => loudness?.integrated_lufs.map(Lufs::value),
            Self::MomentaryMax => loudness?.momentary_max_lufs.map(Lufs::value),
            Self::ShortTermMax => loudness?.short_term_max_lufs.map(Lufs::value),
            Self::LoudnessRange => loudness?.range_lu.map(Lu::value),
            Self::TruePeak => measured.peaks.true_peak_dbtp.map(DbTp::value),
        }
    }

    /// Its name and its unit.
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Integrated => ("integrated", "LUFS"),
            Self::MomentaryMax => ("max momentary", "LUFS"),
            Self::ShortTermMax => ("max short-term", "LUFS"),
            Self::LoudnessRange => ("loudness range", "LU"),
            Self::TruePeak => ("true peak", "dBTP"),
        }
    }
}

fn read(quantity: Quantity, value: f64, plus: f64, minus: f64) -> Expected {
    Expected {
        quantity,
        value: Some(value),
        plus,
        minus,
    }
}

/// Within 0.1 LU: EBU Tech 3341, Table 1; Report ITU-R BS.2217.
fn loudness(quantity: Quantity, value: f64) -> Expected {
    read(quantity, value, 0.1, 0.1)
}

fn absent(quantity: Quantity) -> Expected {
    Expected {
        quantity,
        value: None,
        plus: 0.0,
        minus: 0.0,
    }
}

fn linear(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Runs samples, `[channel][frame]`, through all meters in blocks of `cut` frames (at
/// least 1, and no more than a block of so many channels holds).
pub fn measure(
    samples: &[Vec<f64>],
    sample_rate: Hertz,
    labels: Option<Vec<Label>>,
    cut: usize,
) -> Measurements {
    let mut meters = Meters::new(MeterOrder {
        sample_rate,
        channels: samples.len(),
        labels,
        over_ceiling_dbtp: -1.0,
        full_scale: 1.0,
        renderer: None,
        depth: Depth::Full,
    });
    let mut block = Block::new(samples.len());
    let cut = cut.min(Block::capacity_frames(samples.len()));
    let frames = samples.first().map_or(0, Vec::len);
    let mut done = 0;
    while done < frames {
        let take = cut.min(frames - done);
        for (index, channel) in samples.iter().enumerate() {
            block.channel_mut(index)[..take].copy_from_slice(&channel[done..done + take]);
        }
        block.set(done as u64, take);
        meters.feed(&block);
        done += take;
    }
    meters.finish()
}

/// Every published case that can be synthesised, in the order of the documents.
pub fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    programme_cases(&mut cases);
    window_cases(&mut cases);
    true_peak_cases(&mut cases);
    range_cases(&mut cases);
    calibration_cases(&mut cases);
    response_cases(&mut cases);
    weight_cases(&mut cases);
    gate_cases(&mut cases);
    cases
}

/// A tone that goes on through segments of (seconds, dBFS or silence), without a jump in phase.
pub fn segments(parts: &[(f64, Option<f64>)], frequency: f64, rate: f64) -> Vec<f64> {
    let mut out = Vec::new();
    for &(seconds, level) in parts {
        let amplitude = level.map_or(0.0, linear);
        for _ in 0..(seconds * rate).round() as usize {
            let phase = 2.0 * PI * frequency / rate * out.len() as f64;
            out.push(amplitude * phase.sin());
        }
    }
    out
}

/// Raised-cosine fades at both ends, in place.
pub fn fade(samples: &mut [f64], rate: f64, seconds: f64) {
    let length = ((rate * seconds) as usize).min(samples.len() / 2);
    let total = samples.len();
    for i in 0..length {
        let gain = 0.5 - 0.5 * (PI * (i as f64 + 0.5) / length as f64).cos();
        samples[i] *= gain;
        samples[total - 1 - i] *= gain;
    }
}

fn stereo(samples: Vec<f64>) -> Vec<Vec<f64>> {
    vec![samples.clone(), samples]
}

fn labels(text: &str) -> Vec<Label> {
    layout::parse_channels(text).expect("the cases' layouts are layouts")
}

fn hertz(rate: u32) -> Hertz {
    Hertz::new(rate).expect("the cases' rates are not 0")
}

fn stereo_tone(
    name: impl Into<String>,
    clause: impl Into<String>,
    parts: Vec<(f64, Option<f64>)>,
    expected: Vec<Expected>,
) -> Case {
    Case {
        name: name.into(),
        clause: clause.into(),
        sample_rate: hertz(48_000),
        labels: labels("2.0"),
        expected,
        build: Box::new(move || stereo(segments(&parts, 1000.0, 48_000.0))),
    }
}

fn tech_3341(case: u32) -> String {
    format!("EBU Tech 3341 (2023), Table 1, case {case}")
}

fn programme_cases(cases: &mut Vec<Case>) {
    use Quantity::{Integrated, MomentaryMax, ShortTermMax};
    for (case, level) in [(1, -23.0), (2, -33.0)] {
        cases.push(stereo_tone(
            format!("tech3341-{case:02}"),
            tech_3341(case),
            vec![(20.0, Some(level))],
            [MomentaryMax, ShortTermMax, Integrated]
                .map(|q| loudness(q, level))
                .to_vec(),
        ));
    }
    let programmes: [(u32, Vec<(f64, f64)>); 3] = [
        (3, vec![(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)]),
        (
            4,
            vec![
                (10.0, -72.0),
                (10.0, -36.0),
                (60.0, -23.0),
                (10.0, -36.0),
                (10.0, -72.0),
            ],
        ),
        (5, vec![(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)]),
    ];
    for (case, parts) in programmes {
        let parts = parts
            .into_iter()
            .map(|(s, level)| (s, Some(level)))
            .collect();
        cases.push(stereo_tone(
            format!("tech3341-{case:02}"),
            tech_3341(case),
            parts,
            vec![loudness(Integrated, -23.0)],
        ));
    }
    for layout in ["5.0", "5.1"] {
        let channels = labels(layout);
        let names = channels.clone();
        cases.push(Case {
            name: format!("tech3341-06-{layout}"),
            clause: tech_3341(6),
            sample_rate: hertz(48_000),
            labels: channels,
            expected: vec![loudness(Integrated, -23.0)],
            build: Box::new(move || {
                let tone = segments(&[(20.0, Some(0.0))], 1000.0, 48_000.0);
                let gain = |label: &Label| match label.as_str() {
                    "M+030" | "M-030" => linear(-28.0),
                    "M+000" => linear(-24.0),
                    "M+110" | "M-110" => linear(-30.0),
                    _ => 0.0,
                };
                names
                    .iter()
                    .map(|l| tone.iter().map(|v| v * gain(l)).collect())
                    .collect()
            }),
        });
    }
}

fn window_cases(cases: &mut Vec<Case>) {
    use Quantity::{MomentaryMax, ShortTermMax};
    let repeat = |parts: [(f64, f64); 2], times: usize| -> Vec<(f64, Option<f64>)> {
        (0..times)
            .flat_map(|_| parts.map(|(s, level)| (s, Some(level))))
            .collect()
    };
    cases.push(stereo_tone(
        "tech3341-09",
        tech_3341(9),
        repeat([(1.34, -20.0), (1.66, -30.0)], 5),
        vec![loudness(ShortTermMax, -23.0)],
    ));
    let step = |i: u32, width: f64| f64::from(i) * width;
    for i in 0..20 {
        cases.push(stereo_tone(
            format!("tech3341-10-{:02}", i + 1),
            tech_3341(10),
            vec![(step(i, 0.15), None), (3.0, Some(-23.0)), (1.0, None)],
            vec![loudness(ShortTermMax, -23.0)],
        ));
    }
    // Case 11 and 14 are live-meter cases: each segment has its own maximum. Segments rise by
    // 1 dB, so the maximum after segment i is that of segment i; all prefixes are cases.
    for last in 0..20u32 {
        let parts = (0..=last).flat_map(|i| {
            let level = Some(-38.0 + f64::from(i));
            [
                (step(i, 0.15), None),
                (3.0, level),
                (3.0 - step(i, 0.15), None),
            ]
        });
        if last % 5 == 4 {
            cases.push(segmented(11, last, parts.collect(), ShortTermMax));
        }
    }
    cases.push(stereo_tone(
        "tech3341-12",
        tech_3341(12),
        repeat([(0.18, -20.0), (0.22, -30.0)], 25),
        vec![loudness(MomentaryMax, -23.0)],
    ));
    for i in 0..20 {
        cases.push(stereo_tone(
            format!("tech3341-13-{:02}", i + 1),
            tech_3341(13),
            vec![(step(i, 0.02), None), (0.4, Some(-23.0)), (1.0, None)],
            vec![loudness(MomentaryMax, -23.0)],
        ));
    }
    for last in 0..20u32 {
        let parts = (0..=last).flat_map(|i| {
            let level = Some(-38.0 + f64::from(i));
            [
                (step(i, 0.02), None),
                (0.4, level),
                (0.4 - step(i, 0.02), None),
            ]
        });
        if last % 5 == 4 {
            cases.push(segmented(14, last, parts.collect(), MomentaryMax));
        }
    }
}

/// Each segment starts its own tone, as the live cases ask.
fn segmented(case: u32, last: u32, parts: Vec<(f64, Option<f64>)>, quantity: Quantity) -> Case {
    Case {
        name: format!("tech3341-{case}-to-{:02}", last + 1),
        clause: tech_3341(case),
        sample_rate: hertz(48_000),
        labels: labels("2.0"),
        expected: vec![loudness(quantity, -38.0 + f64::from(last))],
        build: Box::new(move || {
            let tones = parts
                .chunks(3)
                .flat_map(|part| segments(part, 1000.0, 48_000.0));
            stereo(tones.collect())
        }),
    }
}

fn true_peak_cases(cases: &mut Vec<Case>) {
    let tones = [
        (15, 4.0, 0.5, 0.0, -6.0),
        (16, 4.0, 0.5, 45.0, -6.0),
        (17, 6.0, 0.5, 60.0, -6.0),
        (18, 8.0, 0.5, 67.5, -6.0),
        (19, 4.0, 1.41, 45.0, 3.0),
    ];
    for (case, divisor, amplitude, phase_deg, level) in tones {
        for rate in [48_000, 44_100, 96_000, 192_000] {
            let at = if rate == 48_000 {
                String::new()
            } else {
                format!("-{rate}")
            };
            let goal = if rate == 48_000 {
                ""
            } else {
                "; at this rate own goal"
            };
            cases.push(Case {
                name: format!("tech3341-{case}{at}"),
                clause: tech_3341(case) + goal,
                sample_rate: hertz(rate),
                labels: labels("2.0"),
                expected: vec![read(Quantity::TruePeak, level, 0.2, 0.4)],
                build: Box::new(move || {
                    let tone = |k| 2.0 * PI * f64::from(k) / divisor + f64::to_radians(phase_deg);
                    let mut samples: Vec<f64> =
                        (0..rate).map(|k| amplitude * tone(k).sin()).collect();
                    fade(&mut samples, f64::from(rate), 0.01);
                    stereo(samples)
                }),
            });
        }
    }
    for case in 20..=23u32 {
        cases.push(Case {
            name: format!("tech3341-{case}"),
            clause: tech_3341(case),
            sample_rate: hertz(48_000),
            labels: labels("2.0"),
            expected: vec![read(Quantity::TruePeak, 0.0, 0.2, 0.4)],
            build: Box::new(move || stereo(burst(case as usize - 20))),
        });
    }
}

/// One second of fs/6 at 0.50 with one period of fs/4 at 1.00 in its middle, built at 4 fs,
/// low-passed, and decimated with an offset of 0 to 3 (EBU Tech 3341, cases 20 to 23).
fn burst(offset: usize) -> Vec<f64> {
    let total = 4 * 48_000;
    let half = total / 2 / 24 * 24;
    let tone = |k: usize, period: f64| (2.0 * PI * k as f64 / period).sin();
    let mut wide: Vec<f64> = (0..half).map(|k| 0.5 * tone(k, 24.0)).collect();
    wide.extend((0..16).map(|k| tone(k, 16.0)));
    wide.extend((0..total - half - 16).map(|k| 0.5 * tone(k, 24.0)));
    fade(&mut wide, 192_000.0, 0.01);
    let taps = low_pass(1023, 0.1225);
    (0..48_000)
        .map(|n| {
            // Sample n of the output is sample 4 n - offset of the filtered signal.
            let centre = (4 * n + 511) as i64 - offset as i64;
            let from = (centre - 1022).max(0);
            (from..=centre.min(total as i64 - 1))
                .map(|k| wide[k as usize] * taps[(centre - k) as usize])
                .sum()
        })
        .collect()
}

/// Linear-phase low-pass by a Kaiser window (beta 10), `cut_off` in cycles a sample.
fn low_pass(length: usize, cut_off: f64) -> Vec<f64> {
    let bessel = |x: f64| {
        let (mut term, mut sum) = (1.0, 1.0);
        for k in 1..80 {
            term *= (x / 2.0 / f64::from(k)).powi(2);
            sum += term;
        }
        sum
    };
    let middle = (length - 1) as f64 / 2.0;
    let mut taps: Vec<f64> = (0..length)
        .map(|k| {
            let t = k as f64 - middle;
            let sinc = if t == 0.0 {
                2.0 * cut_off
            } else {
                (2.0 * PI * cut_off * t).sin() / (PI * t)
            };
            sinc * bessel(10.0 * (1.0 - (t / middle).powi(2)).max(0.0).sqrt())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|tap| *tap /= sum);
    taps
}

fn range_cases(cases: &mut Vec<Case>) {
    let programmes: [(&[f64], f64); 4] = [
        (&[-20.0, -30.0], 10.0),
        (&[-20.0, -15.0], 5.0),
        (&[-40.0, -20.0], 20.0),
        (&[-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
    ];
    for (index, (levels, range)) in programmes.into_iter().enumerate() {
        cases.push(stereo_tone(
            format!("tech3342-{}", index + 1),
            format!(
                "EBU Tech 3342 (2023), clause 4, Table 1, case {}",
                index + 1
            ),
            levels.iter().map(|&level| (20.0, Some(level))).collect(),
            vec![read(Quantity::LoudnessRange, range, 1.0, 1.0)],
        ));
    }
}

fn calibration_cases(cases: &mut Vec<Case>) {
    let rates = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000];
    for (rate, channels) in rates
        .map(|rate| (rate, "2.0"))
        .into_iter()
        .chain([(48_000, "1.0")])
    {
        let labels = labels(channels);
        let count = labels.len();
        cases.push(Case {
            name: format!("calibration-997-{channels}-{rate}"),
            clause: "ITU-R BS.1770-5, Annex 1: 997 Hz at 0 dBFS in one of L, C, R; tolerance Report ITU-R BS.2217".into(),
            sample_rate: hertz(rate),
            labels,
            expected: vec![loudness(Quantity::Integrated, -3.01)],
            build: Box::new(move || {
                let tone = segments(&[(3.0, Some(0.0))], 997.0, f64::from(rate));
                let silence = vec![0.0; tone.len()];
                [tone, silence].into_iter().take(count).collect()
            }),
        });
    }
}

/// Gain of K-weighting in dB from the coefficients of ITU-R BS.1770-5, Annex 1, Tables 1 and 2,
/// evaluated on the unit circle at 48 kHz. Written apart from the meter on purpose.
pub fn k_gain_db(frequency: f64) -> f64 {
    let w = 2.0 * PI * frequency / 48_000.0;
    let power = |c: [f64; 3]| {
        let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
        let im = -c[1] * w.sin() - c[2] * (2.0 * w).sin();
        re * re + im * im
    };
    let head = power([1.53512485958697, -2.69169618940638, 1.19839281085285])
        / power([1.0, -1.69065929318241, 0.73248077421585]);
    let rlb = power([1.0, -2.0, 1.0]) / power([1.0, -1.99004745483398, 0.99007225036621]);
    10.0 * (head * rlb).log10()
}

/// Loudness of a steady sine in one channel of that weight.
pub fn sine_loudness(level_dbfs: f64, frequency: f64, weight: f64) -> f64 {
    -0.691 + level_dbfs - 10.0 * 2f64.log10() + k_gain_db(frequency) + 10.0 * weight.log10()
}

fn response_cases(cases: &mut Vec<Case>) {
    for rate in [48_000, 44_100, 96_000, 192_000] {
        for frequency in [25.0, 100.0, 500.0, 1000.0, 2000.0, 10_000.0] {
            cases.push(Case {
                name: format!("response-{frequency}-{rate}"),
                clause: "Report ITU-R BS.2217 kind: tone in both channels; level from ITU-R BS.1770-5, Annex 1, Tables 1 and 2".into(),
                sample_rate: hertz(rate),
                labels: labels("2.0"),
                expected: vec![loudness(Quantity::Integrated, -23.0)],
                build: Box::new(move || {
                    let level = -23.0 - sine_loudness(0.0, frequency, 2.0);
                    let mut tone =
                        segments(&[(4.0, Some(level))], frequency, f64::from(rate));
                    fade(&mut tone, f64::from(rate), 0.002);
                    stereo(tone)
                }),
            });
        }
    }
}

/// Loudness weight as the table says it, written apart from the meter on purpose.
/// Source: ITU-R BS.1770-5, Annex 3, Table 4.
fn table_weight(label: &str) -> f64 {
    match label {
        "LFE1" | "LFE2" => 0.0,
        "M+060" | "M-060" | "M+090" | "M-090" | "M+110" | "M-110" => 1.41,
        _ => 1.0,
    }
}

fn weight_cases(cases: &mut Vec<Case>) {
    let clause = "ITU-R BS.1770-5, Annex 3, Table 4 (weight by direction), Annex 1 (LFE left out)";
    for layout in ["5.1", "5.1.4", "7.1", "7.1.2", "7.1.4", "9.1.6", "22.2"] {
        let channels = labels(layout);
        for index in 0..channels.len() {
            let weight = table_weight(channels[index].as_str());
            let count = channels.len();
            let expected = match weight {
                0.0 => absent(Quantity::Integrated),
                _ => loudness(Quantity::Integrated, sine_loudness(-20.0, 997.0, weight)),
            };
            cases.push(Case {
                name: format!("weight-{layout}-{}", channels[index]),
                clause: clause.into(),
                sample_rate: hertz(48_000),
                labels: channels.clone(),
                expected: vec![expected],
                build: Box::new(move || {
                    let tone = segments(&[(1.0, Some(-20.0))], 997.0, 48_000.0);
                    let mut out = vec![vec![0.0; tone.len()]; count];
                    out[index] = tone;
                    out
                }),
            });
        }
        let names = channels.clone();
        cases.push(Case {
            name: format!("weight-{layout}-all"),
            clause: format!("{clause}; a loud LFE must not count"),
            sample_rate: hertz(48_000),
            labels: channels,
            expected: vec![loudness(Quantity::Integrated, -23.0)],
            build: Box::new(move || all_alike(&names)),
        });
    }
}

/// Every loudspeaker with the same share of -23 LUFS, LFE at -6 dBFS.
fn all_alike(labels: &[Label]) -> Vec<Vec<f64>> {
    let weights: Vec<f64> = labels.iter().map(|l| table_weight(l.as_str())).collect();
    let live = weights.iter().filter(|&&w| w > 0.0).count() as f64;
    let tone = |level: f64, frequency: f64, phase: f64| -> Vec<f64> {
        let step = 2.0 * PI * frequency / 48_000.0;
        (0..96_000)
            .map(|n| linear(level) * (step * f64::from(n) + phase).sin())
            .collect()
    };
    let share = -23.0 - 10.0 * live.log10();
    let channel = |(index, &weight): (usize, &f64)| match weight {
        0.0 => tone(-6.0, 60.0, 0.0),
        _ => tone(
            share - sine_loudness(0.0, 997.0, weight),
            997.0,
            index as f64,
        ),
    };
    weights.iter().enumerate().map(channel).collect()
}

fn gate_cases(cases: &mut Vec<Case>) {
    use Quantity::{Integrated, LoudnessRange, ShortTermMax, TruePeak};
    let mut gate = |name: &str, clause: &str, parts: &[(f64, Option<f64>)], expected| {
        let clause = format!("ITU-R BS.1770-5, Annex 1, {clause}");
        cases.push(stereo_tone(name, clause, parts.to_vec(), expected));
    };
    gate(
        "gate-all-below",
        "absolute gate",
        &[(5.0, Some(-70.5))],
        vec![absent(Integrated), absent(LoudnessRange)],
    );
    gate(
        "gate-just-above",
        "absolute gate",
        &[(5.0, Some(-69.5))],
        vec![loudness(Integrated, -69.5)],
    );
    let mean = 10.0 * ((10f64.powf(-2.3) + 10f64.powf(-3.0)) / 2.0).log10();
    gate(
        "gate-relative-in",
        "relative gate",
        &[(15.0, Some(-23.0)), (15.0, Some(-30.0))],
        vec![loudness(Integrated, mean)],
    );
    gate(
        "gate-relative-out",
        "relative gate",
        &[(15.0, Some(-23.0)), (15.0, Some(-37.0))],
        vec![loudness(Integrated, -23.0)],
    );
    gate(
        "silence",
        "nothing to measure",
        &[(5.0, None)],
        vec![absent(Integrated), absent(ShortTermMax), absent(TruePeak)],
    );
    gate(
        "shorter-than-a-block",
        "incomplete gating blocks are not used",
        &[(0.399, Some(-20.0))],
        vec![absent(Integrated)],
    );
}
