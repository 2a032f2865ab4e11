//! Invented music: chords, bass, drums and a tune from a seed, brought to a loudness.
//!
//! In: a seed, a layout, a length. Out: samples, `[channel][frame]`, all channels equally long,
//! full scale = 1.0. The loudness is read by a meter that is not ours (the `ebur128` crate), so
//! that the demo does not prove our meter with itself. Knows no files.

use std::f32::consts::TAU;
use std::io;

use ebur128::{Channel, EbuR128, Mode};

use crate::layout::Label;

/// The demo's own rate, in hertz.
pub const RATE_HZ: u32 = 48_000;

/// Beats a second; four make a bar.
pub(super) const BEAT_S: f32 = 0.5;

/// Semitones above A2 (110 Hz): a chord a bar, root first.
pub(super) const CHORDS: [[i32; 4]; 4] = [
    [0, 7, 12, 16],
    [-4, 8, 12, 15],
    [3, 7, 10, 15],
    [-2, 5, 10, 14],
];

/// The tune, a note a beat, semitones above A4; `None` is a rest.
pub(super) const TUNE: [Option<i32>; 16] = [
    Some(0),
    None,
    Some(4),
    Some(7),
    Some(3),
    None,
    Some(0),
    None,
    Some(7),
    Some(6),
    None,
    Some(3),
    Some(2),
    None,
    Some(-1),
    None,
];

/// A steady stream of numbers from a seed (SplitMix64; Steele, Lea, Flood 2014).
pub struct Seeded(u64);

impl Seeded {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// From -1 up to 1.
    fn next(&mut self) -> f32 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        // 24 bits are what an f32 holds exactly.
        (z >> 40) as f32 / (1u64 << 23) as f32 - 1.0
    }

    /// Triangular noise of one quantisation step's height, for 24 or 16 bit.
    pub fn dither(&mut self) -> f32 {
        (self.next() + self.next()) * 0.5
    }
}

/// Samples and what their channels are.
#[derive(Clone)]
pub struct Piece {
    /// `[channel][frame]`, full scale = 1.0.
    pub channels: Vec<Vec<f32>>,
    pub labels: Vec<Label>,
    pub rate_hz: u32,
}

/// What a piece is made of.
pub struct Score<'a> {
    pub seed: u64,
    pub labels: &'a [Label],
    pub length_s: f32,
    pub rate_hz: u32,
    /// An instrumental version has none.
    pub with_tune: bool,
}

impl Piece {
    /// The piece at no particular loudness, peaks below full scale.
    pub fn compose(score: &Score) -> Self {
        let mut piece = Self::silence(score.labels, score.length_s, score.rate_hz);
        let mut random = Seeded::new(score.seed);
        // The last bar rings out: nothing begins in the last two seconds.
        let beats = ((score.length_s - 2.0) / BEAT_S) as usize;
        for beat in 0..beats {
            let chord = CHORDS[beat / 4 % CHORDS.len()];
            let at = beat as f32 * BEAT_S;
            if beat.is_multiple_of(4) {
                for (voice, &note) in chord.iter().enumerate() {
                    let detune = 1.0 + 0.002 * random.next();
                    let hertz = pitch(110.0, note) * detune;
                    piece.string(at, hertz, 2.2, 0.10, Place::Spread(beat + voice));
                }
            }
            piece.string(at, pitch(55.0, chord[0]), 0.45, 0.22, Place::Low);
            piece.drum(at, 0.45);
            if beat % 2 == 1 {
                piece.noise(at, 0.09, 0.16, Place::Middle, &mut random);
            }
            for eighth in 0..2 {
                let later = at + eighth as f32 * BEAT_S / 2.0;
                piece.noise(later, 0.02, 0.05, Place::Spread(beat + eighth), &mut random);
            }
            if let Some(note) = TUNE[beat % TUNE.len()].filter(|_| score.with_tune) {
                piece.string(at, pitch(440.0, note), 0.7, 0.14, Place::Middle);
            }
        }
        piece
    }

    pub(super) fn silence(labels: &[Label], length_s: f32, rate_hz: u32) -> Self {
        let frames = (length_s * rate_hz as f32) as usize;
        Self {
            channels: vec![vec![0.0; frames]; labels.len()],
            labels: labels.to_vec(),
            rate_hz,
        }
    }

    /// A plucked tone: five harmonics, the higher ones quieter and shorter.
    pub(super) fn string(&mut self, at_s: f32, hertz: f32, decay_s: f32, level: f32, place: Place) {
        let rate = self.rate_hz as f32;
        self.add(at_s, decay_s * 3.0, place, &mut |time| {
            let attack = (time / 0.008).min(1.0);
            let harmonics = (1..=5u8).map(f32::from).filter(|h| hertz * h < rate * 0.45);
            let tone: f32 = harmonics
                .map(|h| (TAU * (hertz * h * time).fract()).sin() / h * (-time * h / decay_s).exp())
                .sum();
            level * attack * tone
        });
    }

    /// A struck bell: six partials that are no harmonics, the higher ones shorter.
    pub(super) fn bell(&mut self, at_s: f32, hertz: f32, decay_s: f32, level: f32, place: Place) {
        const PARTIALS: [(f32, f32); 6] = [
            (0.5, 0.4),
            (1.0, 1.0),
            (1.19, 0.6),
            (1.5, 0.5),
            (2.0, 0.6),
            (2.66, 0.3),
        ];
        self.add(at_s, decay_s * 4.0, place, &mut |time| {
            let partial = |&(ratio, part): &(f32, f32)| {
                part * (TAU * (hertz * ratio * time).fract()).sin()
                    * (-time * ratio / decay_s).exp()
            };
            let tone: f32 = PARTIALS.iter().map(partial).sum();
            level * (time / 0.004).min(1.0) * tone
        });
    }

    /// A falling sine: a bass drum.
    fn drum(&mut self, at_s: f32, level: f32) {
        self.add(at_s, 0.3, Place::Low, &mut |time| {
            // The integral of 50 + 90 exp(-30 t) hertz.
            let turns = 50.0 * time + 3.0 * (1.0 - (-30.0 * time).exp());
            level * (time / 0.002).min(1.0) * (-time / 0.09).exp() * (TAU * turns).sin()
        });
    }

    /// A burst of bright noise: a snare or a hat, by its length.
    pub(super) fn noise(
        &mut self,
        at_s: f32,
        decay_s: f32,
        level: f32,
        place: Place,
        random: &mut Seeded,
    ) {
        let mut before = 0.0;
        self.add(at_s, decay_s * 6.0, place, &mut |time| {
            let now = random.next();
            let bright = now - before;
            before = now;
            level * (time / 0.001).min(1.0) * (-time / decay_s).exp() * bright
        });
    }

    /// Adds a sound, given as a function of its own time in seconds, to the channels of a place.
    /// It is let go before its end, or the end of the piece: nothing breaks off.
    fn add(&mut self, at_s: f32, length_s: f32, place: Place, sound: &mut dyn FnMut(f32) -> f32) {
        let rate = self.rate_hz as f32;
        let start = (at_s * rate) as usize;
        let frames = self.channels.first().map_or(0, Vec::len);
        let end = frames.min(start + (length_s * rate) as usize);
        let gains = place.gains(&self.labels);
        let release = (0.3 * end.saturating_sub(start) as f32).min(0.5 * rate);
        for frame in start..end {
            let left = ((end - frame) as f32 / release).min(1.0);
            let let_go = 0.5 - 0.5 * (TAU / 2.0 * left).cos();
            let value = let_go * sound((frame - start) as f32 / rate);
            for &(channel, gain) in &gains {
                self.channels[channel][frame] += gain * value;
            }
        }
    }

    /// Adds, at each of `places_s` in the first channel, a click of a few milliseconds whose
    /// samples stay below full scale while the wave between them rises to `peak`: a sine at a
    /// quarter of the rate whose samples all lie 45 degrees beside its crests.
    pub fn add_intersample_peaks(&mut self, places_s: &[f32], peak: f32) {
        let length = (0.003 * self.rate_hz as f32) as usize;
        for place in places_s {
            let start = (place * self.rate_hz as f32) as usize;
            for step in 0..length {
                let window = 0.5 - 0.5 * (TAU * step as f32 / length as f32).cos();
                let wave = (TAU * (step as f32 / 4.0 + 0.125)).sin();
                if let Some(sample) = self.channels[0].get_mut(start + step) {
                    *sample = *sample * (1.0 - window) + peak * window * wave;
                }
            }
        }
    }

    /// Brings the piece to `target_lufs`, peaks rounded off below `ceiling_dbtp`.
    ///
    /// An error says that the two cannot both be had.
    pub fn master(mut self, target_lufs: f64, ceiling_dbtp: f64) -> io::Result<Self> {
        let raw = self.channels.clone();
        // Between the samples of a rounded wave a little more is to come than at them.
        let ceiling = 10f32.powf((ceiling_dbtp as f32 - 1.0) / 20.0);
        let mut gain = 1.0f32;
        for _ in 0..12 {
            for (channel, raw) in self.channels.iter_mut().zip(&raw) {
                for (sample, raw) in channel.iter_mut().zip(raw) {
                    *sample = ceiling * (gain * raw / ceiling).tanh();
                }
            }
            let (loudness, true_peak) = self.reading()?;
            let off = target_lufs - loudness;
            if off.abs() < 0.02 && true_peak <= ceiling_dbtp {
                return Ok(self);
            }
            gain *= 10f32.powf(off as f32 / 20.0);
        }
        Err(io::Error::other(format!(
            "the demo's music does not reach {target_lufs} LUFS below {ceiling_dbtp} dBTP"
        )))
    }

    /// Integrated loudness in LUFS and true peak in dBTP, by the other meter.
    pub fn reading(&self) -> io::Result<(f64, f64)> {
        let count = u32::try_from(self.channels.len()).map_err(io::Error::other)?;
        let mode = Mode::I | Mode::TRUE_PEAK;
        let mut meter = EbuR128::new(count, self.rate_hz, mode).map_err(io::Error::other)?;
        let map: Vec<Channel> = self.labels.iter().map(channel_of).collect();
        meter.set_channel_map(&map).map_err(io::Error::other)?;
        let planes: Vec<&[f32]> = self.channels.iter().map(Vec::as_slice).collect();
        meter
            .add_frames_planar_f32(&planes)
            .map_err(io::Error::other)?;
        let mut peak = 0.0f64;
        for channel in 0..count {
            peak = peak.max(meter.true_peak(channel).map_err(io::Error::other)?);
        }
        let loudness = meter.loudness_global().map_err(io::Error::other)?;
        Ok((loudness, 20.0 * peak.log10()))
    }
}

/// Where a sound stands.
#[derive(Clone, Copy)]
pub(super) enum Place {
    /// The centre, or both sides of the stereo pair.
    Middle,
    /// As the middle, and the low-frequency channel.
    Low,
    /// One channel for each number in turn, and a little in its neighbour.
    Spread(usize),
}

impl Place {
    fn gains(self, labels: &[Label]) -> Vec<(usize, f32)> {
        let find = |label: &str| labels.iter().position(|l| l.as_str() == label);
        let full: Vec<usize> = (0..labels.len()).filter(|&i| !labels[i].is_lfe()).collect();
        match self {
            Self::Spread(_) if full.is_empty() => Vec::new(),
            Self::Spread(turn) => {
                let at = |turn: usize| full[turn % full.len()];
                match full.len() {
                    1 => vec![(at(0), 1.0)],
                    _ => vec![(at(turn), 1.0), (at(turn + 1), 0.35)],
                }
            }
            Self::Middle | Self::Low => {
                let mut gains: Vec<(usize, f32)> = match (find("M+030"), find("M-030")) {
                    (Some(left), Some(right)) => vec![(left, 0.7), (right, 0.7)],
                    _ => full.iter().take(1).map(|&channel| (channel, 1.0)).collect(),
                };
                if let (Self::Low, Some(low)) = (self, find("LFE1")) {
                    gains.push((low, 0.5));
                }
                gains
            }
        }
    }
}

pub(super) fn pitch(base_hz: f32, semitones: i32) -> f32 {
    base_hz * 2f32.powf(semitones as f32 / 12.0)
}

/// The other meter's name of a label. Its default map drops channels beyond the sixth, so each
/// is named; what it has no name for counts with weight 1, as all of those do.
fn channel_of(label: &Label) -> Channel {
    match label.as_str() {
        "M+030" => Channel::Left,
        "M-030" => Channel::Right,
        "M+000" => Channel::Center,
        "M+110" => Channel::LeftSurround,
        "M-110" => Channel::RightSurround,
        "M+090" => Channel::Mp090,
        "M-090" => Channel::Mm090,
        "M+135" => Channel::Mp135,
        "M-135" => Channel::Mm135,
        "U+045" => Channel::Up045,
        "U-045" => Channel::Um045,
        "U+135" => Channel::Up135,
        "U-135" => Channel::Um135,
        _ if label.is_lfe() => Channel::Unused,
        _ => Channel::Center,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout;

    fn piece(layout: &str) -> Piece {
        piece_of(layout, 4.0)
    }

    fn piece_of(layout: &str, length_s: f32) -> Piece {
        let labels = layout::by_name(layout).unwrap().labels();
        Piece::compose(&Score {
            seed: 7,
            labels: &labels,
            length_s,
            rate_hz: RATE_HZ,
            with_tune: true,
        })
    }

    #[test]
    fn a_piece_comes_to_the_loudness_asked_and_stays_below_the_ceiling() {
        for layout in ["0+2+0", "4+7+0"] {
            let (loudness, peak) = piece(layout)
                .master(-16.0, -2.0)
                .unwrap()
                .reading()
                .unwrap();
            assert!((loudness + 16.0).abs() < 0.05, "{layout}: {loudness}");
            assert!(peak <= -2.0, "{layout}: {peak}");
        }
    }

    #[test]
    fn every_channel_of_a_layout_has_something_to_play() {
        for (channel, samples) in piece_of("4+7+0", 12.0).channels.iter().enumerate() {
            assert!(
                samples.iter().any(|s| s.abs() > 1e-3),
                "channel {channel} is silent"
            );
        }
    }

    #[test]
    fn the_wave_between_the_samples_passes_full_scale_where_no_sample_does() {
        let mut loud = piece("0+2+0").master(-16.0, -2.0).unwrap();
        loud.add_intersample_peaks(&[1.0], 1.06);
        let highest = loud.channels[0]
            .iter()
            .fold(0.0f32, |max, s| max.max(s.abs()));
        assert!(highest < 0.9, "{highest}");
        let (_, peak) = loud.reading().unwrap();
        // The crest is 1.06, +0.51 dB; the window's top lies between two samples.
        assert!((0.2..=0.6).contains(&peak), "{peak}");
    }

    #[test]
    fn a_demand_that_cannot_be_met_is_an_error_and_not_a_square_wave() {
        assert!(piece("0+2+0").master(-3.0, -2.0).is_err());
    }

    #[test]
    fn one_seed_gives_one_piece() {
        assert!(piece("0+2+0").channels == piece("0+2+0").channels);
    }
}
