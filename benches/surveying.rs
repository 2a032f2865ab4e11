//! What each meter of faults costs, beside loudness, true peak and digests, in one run, so that
//! the shares hold when the machine's speed drifts.
//!
//! The aim: all of them together on stereo at 48 kHz within three times the cost of loudness, true
//! peak and digests. Two minutes of 24-bit programme in memory; CPU of the one thread that works.

#[path = "support/mod.rs"]
mod support;

use std::hint::black_box;
use std::path::Path;

use weighbridge::layout::{self, Label};
use weighbridge::measure::channels::ChannelMeter;
use weighbridge::measure::defects::hum::HumMeter;
use weighbridge::measure::defects::{
    BurstMeter, DataLayout, DcMeter, DiscontinuityMeter, GapMeter, PeriodicMeter, RepeatMeter,
    ZeroBlocks,
};
use weighbridge::measure::provenance::ProvenanceMeter;
use weighbridge::measure::{Depth, MeterOrder, Meters, SurveyMeters, SurveyOrder, SurveyWants};
use weighbridge::specimen::{Block, digest_file};
use weighbridge::units::Hertz;

use support::{cpu, median, music_like};

const PROGRAMME_S: usize = 120;
const RATE: u32 = 48_000;
const ROUNDS: usize = 5;

/// A name and what it costs, second by second of CPU.
struct Row {
    name: &'static str,
    times: Vec<f64>,
}

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    for layout in ["2.0", "5.1"] {
        report(folder.path(), layout);
    }
}

fn report(folder: &Path, name: &str) {
    let labels = layout::parse_channels(name).expect("a layout");
    let frames = PROGRAMME_S * RATE as usize;
    let samples: Vec<Vec<f64>> = (0..labels.len())
        .map(|index| programme(index as u64, frames))
        .collect();
    let path = folder.join(format!("{name}.wav"));
    write(&path, &samples);
    let mut rows: Vec<Row> = Vec::new();
    for _ in 0..ROUNDS {
        for (index, (name, work)) in works(&labels, &samples, &path).into_iter().enumerate() {
            let time = cpu(work);
            match rows.get_mut(index) {
                Some(row) => row.times.push(time),
                None => rows.push(Row {
                    name,
                    times: vec![time],
                }),
            }
        }
    }
    let costs: Vec<(&str, f64)> = rows
        .into_iter()
        .map(|row| (row.name, median(row.times)))
        .collect();
    let of = |wanted: &str| {
        let found = costs.iter().find(|(name, _)| *name == wanted);
        found.map_or(f64::NAN, |(_, cost)| *cost)
    };
    let base = of("loudness, true peak") + of("digests");
    let whole = base + of("all meters of faults");
    let per_sample = 1e9 / (frames * labels.len()) as f64;
    println!("{name}, {PROGRAMME_S} s at {RATE} Hz, median of {ROUNDS} interleaved rounds");
    println!(
        "  {:<26} {:>10} {:>12} {:>9} {:>10}",
        "", "ns/sample", "x real time", "of all", "of base"
    );
    for (name, cost) in &costs {
        println!(
            "  {name:<26} {:>10.2} {:>11.0}x {:>8.1}% {:>10.2}",
            cost * per_sample,
            PROGRAMME_S as f64 / cost,
            100.0 * cost / whole,
            cost / base,
        );
    }
    println!(
        "  base with all meters of faults: {:.2} times the base",
        whole / base
    );
}

type Work<'a> = Box<dyn FnOnce() + 'a>;

fn works<'a>(
    labels: &'a [Label],
    samples: &'a [Vec<f64>],
    path: &'a Path,
) -> Vec<(&'static str, Work<'a>)> {
    let rate = Hertz::new(RATE).expect("not 0");
    let channels = labels.len();
    let data = DataLayout {
        first_byte: 44,
        frame_bytes: 3 * channels as u32,
    };
    macro_rules! meter {
        ($name:expr, $new:expr) => {
            (
                $name,
                Box::new(move || {
                    let mut meter = $new;
                    feed(samples, |planes| meter.feed(planes));
                    black_box(meter.finish());
                }) as Work<'a>,
            )
        };
    }
    let survey = move |wants: SurveyWants| {
        SurveyMeters::new(SurveyOrder {
            object_based: false,
            sample_rate: rate,
            channels,
            labels: Some(labels.to_vec()),
            bits: Some(24),
            floats: false,
            data: Some(data),
            wants,
        })
    };
    let nothing = SurveyWants::default();
    let all = SurveyWants {
        clicks: true,
        defects: true,
        ends: true,
        channels: true,
        provenance: true,
        translation: true,
    };
    vec![
        (
            "loudness, true peak",
            Box::new(move || {
                let mut meters = Meters::new(MeterOrder {
                    sample_rate: rate,
                    channels,
                    labels: Some(labels.to_vec()),
                    over_ceiling_dbtp: -1.0,
                    full_scale: 1.0,
                    renderer: None,
                    depth: Depth::Full,
                });
                feed(samples, |planes| meters.feed_planes(planes));
                black_box(meters.finish());
            }) as Work<'a>,
        ),
        (
            "digests",
            Box::new(move || {
                black_box(digest_file(path, false).expect("the bench's file"));
            }),
        ),
        meter!("all meters of faults", survey(all)),
        meter!("hazards alone", survey(nothing)),
        meter!("clicks, splices", DiscontinuityMeter::new(rate, channels)),
        meter!("bursts", BurstMeter::new(rate, channels)),
        meter!("gaps", GapMeter::new(rate, channels)),
        meter!("zero blocks", ZeroBlocks::new(rate, channels, Some(data))),
        meter!("repeats", RepeatMeter::new(rate, channels)),
        meter!("hum", HumMeter::new(rate, channels)),
        meter!("marks at one period", PeriodicMeter::new(rate, channels)),
        meter!("direct current", DcMeter::new(rate, channels)),
        meter!(
            "ends, clipping, floor",
            survey(SurveyWants {
                ends: true,
                ..nothing
            })
        ),
        meter!("channels", ChannelMeter::new(rate, channels, Some(labels))),
        meter!("provenance", ProvenanceMeter::new(rate, channels, Some(24))),
        meter!(
            "translation",
            survey(SurveyWants {
                translation: true,
                ..nothing
            })
        ),
    ]
}

/// Feeds blocks of the size that files are read in.
fn feed(samples: &[Vec<f64>], mut to: impl FnMut(&[&[f64]])) {
    let frames = samples[0].len();
    for start in (0..frames).step_by(Block::CAPACITY_FRAMES) {
        let end = (start + Block::CAPACITY_FRAMES).min(frames);
        let planes: Vec<&[f64]> = samples.iter().map(|plane| &plane[start..end]).collect();
        to(&planes);
    }
}

/// A loud master's noise with notes in it, on the grid of 24 bits.
fn programme(seed: u64, frames: usize) -> Vec<f64> {
    let noise = music_like(seed, frames, f64::from(RATE));
    noise
        .iter()
        .enumerate()
        .map(|(n, sample)| {
            let t = n as f64 / f64::from(RATE);
            let hz =
                110.0 * 2f64.powf(((t * 2.0).floor() * 5.0 + seed as f64).rem_euclid(12.0) / 12.0);
            let note = (std::f64::consts::TAU * hz * t).sin() * (-3.0 * (t * 2.0).fract()).exp();
            ((0.7 * sample + 0.25 * note) * 8_388_608.0).round() / 8_388_608.0
        })
        .collect()
}

fn write(path: &Path, samples: &[Vec<f64>]) {
    let spec = hound::WavSpec {
        channels: samples.len() as u16,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for frame in 0..samples[0].len() {
        for plane in samples {
            let code = (plane[frame] * 8_388_608.0) as i32;
            writer.write_sample(code).expect("a sample");
        }
    }
    writer.finalize().expect("a file");
}
