//! Whole-file weighing beside the `ebur128` crate, in one run, so that the ratio holds when
//! the machine's speed drifts.
//!
//! Ours: open, read, decode, BLAKE3 and SHA-256 of the file, BLAKE3 of the audio, loudness,
//! range, true peak, levels, runs, edges, judgement. Theirs: loudness, range and true peak on
//! samples that already lie in memory: no reading, no decoding, no digests.
//!
//! `cargo bench` prints CPU seconds scaled to five minutes of programme. The files are made in
//! a temporary folder: seeded noise with music's spectrum and crest, limited at -1 dBFS.

#[path = "support/mod.rs"]
mod support;

use std::hint::black_box;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use ebur128::{Channel, EbuR128, Mode};
use weighbridge::layout::{self, Label};
use weighbridge::measure::{Depth, MeterOrder, Meters};
use weighbridge::specimen::{Block, digest_file};
use weighbridge::units::Hertz;
use weighbridge::weigh::{Request, weigh};

use support::{cpu, median, music_like};

const PROGRAMME_S: usize = 60;
const FIVE_MINUTES_S: f64 = 300.0;
const ROUNDS: usize = 5;

struct Material {
    name: &'static str,
    path: PathBuf,
    rate: u32,
    labels: Vec<Label>,
    /// `[channel][frame]`
    samples: Vec<Vec<f64>>,
    interleaved: Vec<f32>,
    /// CPU seconds for five minutes that the quickest general tool took on another day and
    /// machine: for scale only.
    for_scale_s: f64,
}

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let materials = [
        material(folder.path(), "stereo 48 kHz", "2.0", 48_000, 1.19),
        material(folder.path(), "7.1.4 48 kHz", "7.1.4", 48_000, 8.42),
        material(folder.path(), "stereo 96 kHz", "2.0", 96_000, 1.59),
        material(folder.path(), "7.1.4 96 kHz", "7.1.4", 96_000, f64::NAN),
    ];
    println!("CPU seconds for 5 min of 24-bit programme, median of {ROUNDS} interleaved rounds");
    println!(
        "{:<15} {:>9} {:>9} {:>9} {:>9} {:>9} {:>11} {:>10}",
        "material", "all of it", "meters", "digests", "x real", "ebur128", "all/ebur128", "aim"
    );
    for material in &materials {
        report(material);
    }
}

fn report(material: &Material) {
    let profiles = weighbridge::judge::load_profiles(None).expect("the built-in profiles");
    let profile = profiles.get("stereo-music").expect("a built-in profile");
    let (mut whole, mut meters, mut digests, mut theirs) = (vec![], vec![], vec![], vec![]);
    for _ in 0..ROUNDS {
        whole.push(cpu(|| {
            let request = Request {
                channels: Some(&material.labels),
                ..Request::new(&material.path, profile)
            };
            let weighed = weigh(&request, &mut |_, _| ControlFlow::Continue(()));
            black_box(weighed.expect("the bench's file can be weighed"));
        }));
        theirs.push(cpu(|| second_opinion(material)));
        meters.push(cpu(|| meters_alone(material)));
        digests.push(cpu(|| {
            black_box(digest_file(&material.path, false).expect("the bench's file"));
        }));
    }
    let scale = FIVE_MINUTES_S / PROGRAMME_S as f64;
    let [whole, meters, digests, theirs] =
        [whole, meters, digests, theirs].map(|times| median(times) * scale);
    println!(
        "{:<15} {:>9.3} {:>9.3} {:>9.3} {:>8.0}x {:>9.3} {:>11.3} {:>10.2}",
        material.name,
        whole,
        meters,
        digests,
        FIVE_MINUTES_S / whole,
        theirs,
        whole / theirs,
        material.for_scale_s / 4.0,
    );
}

fn meters_alone(material: &Material) {
    let mut meters = Meters::new(MeterOrder {
        sample_rate: Hertz::new(material.rate).expect("not 0"),
        channels: material.labels.len(),
        labels: Some(material.labels.clone()),
        over_ceiling_dbtp: -1.0,
        full_scale: 1.0,
        renderer: None,
        depth: Depth::Full,
    });
    let mut block = Block::new(material.labels.len());
    let frames = material.samples[0].len();
    for start in (0..frames).step_by(Block::CAPACITY_FRAMES) {
        let take = Block::CAPACITY_FRAMES.min(frames - start);
        for (index, channel) in material.samples.iter().enumerate() {
            block.channel_mut(index)[..take].copy_from_slice(&channel[start..start + take]);
        }
        block.set(start as u64, take);
        meters.feed(&block);
    }
    black_box(meters.finish());
}

fn second_opinion(material: &Material) {
    let channels = material.labels.len();
    let mode = Mode::I | Mode::LRA | Mode::TRUE_PEAK;
    let mut state = EbuR128::new(channels as u32, material.rate, mode).expect("a state");
    for (index, label) in material.labels.iter().enumerate() {
        let channel = match label.as_str() {
            "M+030" => Channel::Left,
            "M-030" => Channel::Right,
            "M+000" => Channel::Center,
            "LFE1" => Channel::Unused,
            "M+090" => Channel::Mp090,
            "M-090" => Channel::Mm090,
            "M+135" => Channel::Mp135,
            "M-135" => Channel::Mm135,
            "U+045" => Channel::Up045,
            "U-045" => Channel::Um045,
            "U+135" => Channel::Up135,
            _ => Channel::Um135,
        };
        state.set_channel(index as u32, channel).expect("a channel");
    }
    for piece in material.interleaved.chunks(channels * 4096) {
        state.add_frames_f32(piece).expect("frames");
    }
    let peak = (0..channels as u32)
        .map(|c| state.true_peak(c).unwrap_or(0.0))
        .fold(0.0, f64::max);
    black_box((
        state.loudness_global().ok(),
        state.loudness_range().ok(),
        peak,
    ));
}

fn material(
    folder: &Path,
    name: &'static str,
    layout: &str,
    rate: u32,
    for_scale_s: f64,
) -> Material {
    let labels = layout::parse_channels(layout).expect("a layout");
    let frames = PROGRAMME_S * rate as usize;
    let samples: Vec<Vec<f64>> = (0..labels.len())
        .map(|index| music_like(index as u64, frames, f64::from(rate)))
        .collect();
    let interleaved: Vec<f32> = (0..frames)
        .flat_map(|n| samples.iter().map(move |c| c[n] as f32))
        .collect();
    let path = folder.join(format!("{}.wav", name.replace(' ', "_")));
    let spec = hound::WavSpec {
        channels: labels.len() as u16,
        sample_rate: rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&path, spec).expect("a file");
    for value in &interleaved {
        writer
            .write_sample((f64::from(*value) * 8_388_607.0).round() as i32)
            .expect("a sample");
    }
    writer.finalize().expect("a file");
    Material {
        name,
        path,
        rate,
        labels,
        samples,
        interleaved,
        for_scale_s,
    }
}
