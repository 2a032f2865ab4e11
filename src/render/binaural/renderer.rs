//! The renderer: blocks of loudspeaker signals in, blocks of two ears out.
//!
//! In: a head set, a layout and a rate, then blocks of any size. Out: as many samples an ear as
//! came in, the set's own onsets kept: what the head hears of a loudspeaker at its place, with no
//! latency of ours. The size of the blocks does not change one bit. Knows nothing of loudness.
//!
//! Own choices: the low-frequency loudspeakers are left out, as the render to 0+2+0 of ITU-R
//! BS.2127-1 leaves them out, and the facts say so; and the level is set so that pink noise from
//! 500 Hz to 2 kHz from straight ahead has the power at both ears together that it has at the
//! loudspeaker. A loudness meter sums the two ears, so dialogue from `M+000` reads as loud as in
//! the loudspeaker render, and about as loud as in its 0+2+0 fold (-3 dB an ear).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::convolver::{BLOCK, Convolver};
use super::direction;
use super::resample::{self, Response};
use super::set::{HeadSet, HeadSetFacts};
use crate::layout::Label;
use crate::render::speakers::SpeakerLayout;
use crate::units::Hertz;

/// A loudspeaker with no measurement nearer than this has none: what is further off would be
/// another loudspeaker's place. Own choice; the widest grids of public sets are 15 degrees (from memory).
const NEAR_ENOUGH_DEG: f64 = 15.0;
/// The band that sets the level, Hz; own choice: where a head is neither transparent nor
/// peculiar, and where speech has its power.
const LEVEL_BAND: [f64; 2] = [500.0, 2000.0];
/// Parts of the band, equally many an octave: so noise of equal power in each is pink.
const LEVEL_PARTS: u32 = 48;
/// Rates that are rendered at, Hz; own choice.
const RATES: std::ops::RangeInclusive<u32> = 8_000..=384_000;

/// Why a head set cannot render a layout.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BinauralError {
    #[error(
        "the head set has no direction for {label}: the nearest one is {nearest_deg:.1} degrees away, {limit_deg} are allowed"
    )]
    NoDirection {
        label: Label,
        nearest_deg: f64,
        limit_deg: f64,
    },
    #[error("the head set hears nothing from straight ahead")]
    SilentFront,
    #[error("{0} Hz is no rate that is rendered at (8 to 384 kHz)")]
    Rate(u32),
}

/// What a record says of a binaural render.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BinauralFacts {
    pub head_set: HeadSetFacts,
    /// The layout that was listened to.
    pub layout: String,
    /// Low-frequency loudspeakers, which no ear gets.
    pub left_out: Vec<Label>,
    /// The largest angle between a loudspeaker and the measurement that stands for it, degrees.
    pub largest_angle_deg: f64,
    /// What the responses were raised by, so that the front is as loud as its loudspeaker.
    pub gain_db: f64,
}

/// Renders a layout's loudspeakers to two ears.
pub struct BinauralRenderer {
    facts: BinauralFacts,
    convolver: Convolver,
    /// The loudspeaker of each input of the convolver.
    heard: Vec<usize>,
    speakers: usize,
    /// `[input][..filled]`: what waits for a whole block.
    waiting: Vec<Vec<f64>>,
    filled: usize,
    /// Samples before time 0 of every response.
    lead: usize,
    /// Samples that the convolver made before the first one of the output, still to be dropped.
    early: usize,
    /// Samples that came in and have not gone out.
    owed: u64,
}

impl BinauralRenderer {
    pub fn new(
        set: &HeadSet,
        layout: &SpeakerLayout,
        sample_rate: Hertz,
    ) -> Result<Self, BinauralError> {
        let rate = sample_rate.value();
        if !RATES.contains(&rate) {
            return Err(BinauralError::Rate(rate));
        }
        let heard = layout.full_range();
        let mut directions = Vec::new();
        let mut largest_angle_deg: f64 = 0.0;
        for &index in &heard {
            let speaker = &layout.speakers[index];
            let (direction, angle) =
                direction::nearest(&set.measured, speaker.azimuth, speaker.elevation)
                    .filter(|&(_, angle)| angle <= NEAR_ENOUGH_DEG)
                    .ok_or_else(|| too_far(set, layout, index))?;
            directions.push(direction);
            largest_angle_deg = largest_angle_deg.max(angle);
        }
        let gain = gain(set)?;

        let responses: Vec<Response> = directions
            .iter()
            .flat_map(|&direction| set.ears(direction).into_iter().zip(set.delays(direction)))
            .map(|(taps, delay)| Response { taps, delay })
            .collect();
        let mut resampled = resample::resample(&responses, set.sample_rate, f64::from(rate));
        let taps = resampled.responses.iter_mut().flatten();
        taps.for_each(|tap| *tap *= gain);
        let (pairs, _) = resampled.responses.as_chunks::<2>();
        let pairs: Vec<[&[f64]; 2]> = pairs
            .iter()
            .map(|[left, right]| [left.as_slice(), right.as_slice()])
            .collect();

        let low = layout.speakers.iter().filter(|speaker| speaker.is_lfe);
        Ok(Self {
            facts: BinauralFacts {
                head_set: set.facts().clone(),
                layout: layout.name.to_owned(),
                left_out: low.map(|speaker| speaker.label.clone()).collect(),
                largest_angle_deg,
                gain_db: 20.0 * gain.log10(),
            },
            convolver: Convolver::new(&pairs),
            waiting: vec![vec![0.0; BLOCK]; heard.len()],
            heard,
            speakers: layout.len(),
            filled: 0,
            lead: resampled.lead,
            early: resampled.lead,
            owed: 0,
        })
    }

    pub fn facts(&self) -> &BinauralFacts {
        &self.facts
    }

    /// Takes one block, `[loudspeaker][sample]` in the layout's order, and appends to the ears
    /// (left, right) what can be told by now: some blocks give nothing, some much.
    ///
    /// A sample that is no number spoils the ears for as long as the responses last, and up to
    /// two inner blocks more.
    ///
    /// # Panics
    /// When there are not as many loudspeakers as the layout has, or of unequal lengths.
    pub fn process(&mut self, speakers: &[&[f64]], ears: &mut [Vec<f64>; 2]) {
        assert_eq!(speakers.len(), self.speakers, "one signal a loudspeaker");
        let length = speakers.first().map_or(0, |signal| signal.len());
        assert!(
            speakers.iter().all(|signal| signal.len() == length),
            "loudspeaker signals of one length"
        );
        self.owed += length as u64;
        let mut taken = 0;
        while taken < length {
            let count = (BLOCK - self.filled).min(length - taken);
            for (waiting, &speaker) in self.waiting.iter_mut().zip(&self.heard) {
                waiting[self.filled..self.filled + count]
                    .copy_from_slice(&speakers[speaker][taken..taken + count]);
            }
            self.filled += count;
            taken += count;
            if self.filled == BLOCK {
                self.block(ears);
            }
        }
    }

    /// Appends what is still owed: then the ears have as many samples as came in. The renderer
    /// is as new afterwards.
    pub fn finish(&mut self, ears: &mut [Vec<f64>; 2]) {
        while self.owed > 0 {
            for waiting in &mut self.waiting {
                waiting[self.filled..].fill(0.0);
            }
            self.block(ears);
        }
        self.convolver.reset();
        self.filled = 0;
        self.early = self.lead;
    }

    /// One inner block.
    fn block(&mut self, ears: &mut [Vec<f64>; 2]) {
        let starts = [ears[0].len(), ears[1].len()];
        let [left, right] = &mut *ears;
        self.convolver.block(&self.waiting, [left, right]);
        self.filled = 0;
        let dropped = self.early.min(BLOCK);
        self.early -= dropped;
        let kept = (BLOCK - dropped).min(usize::try_from(self.owed).unwrap_or(usize::MAX));
        self.owed -= kept as u64;
        for (ear, start) in ears.iter_mut().zip(starts) {
            ear.drain(start..start + dropped);
            ear.truncate(start + kept);
        }
    }
}

fn too_far(set: &HeadSet, layout: &SpeakerLayout, index: usize) -> BinauralError {
    let speaker = &layout.speakers[index];
    let nearest = direction::nearest(&set.measured, speaker.azimuth, speaker.elevation);
    BinauralError::NoDirection {
        label: speaker.label.clone(),
        nearest_deg: nearest.map_or(180.0, |(_, angle)| angle),
        limit_deg: NEAR_ENOUGH_DEG,
    }
}

/// The factor that gives pink noise from straight ahead, within the band, the same power at
/// both ears together as at the loudspeaker.
fn gain(set: &HeadSet) -> Result<f64, BinauralError> {
    let (front, _) =
        direction::nearest(&set.measured, 0.0, 0.0).ok_or(BinauralError::SilentFront)?;
    let [low, high] = LEVEL_BAND;
    let powers = (0..LEVEL_PARTS).map(|part| {
        let middle = (f64::from(part) + 0.5) / f64::from(LEVEL_PARTS);
        let frequency = low * (high / low).powf(middle);
        let turn = std::f64::consts::TAU * frequency / set.sample_rate;
        set.ears(front)
            .map(|taps| power_at(taps, turn))
            .iter()
            .sum::<f64>()
    });
    let mean = powers.sum::<f64>() / f64::from(LEVEL_PARTS);
    let gain = mean.sqrt().recip();
    if gain.is_normal() {
        Ok(gain)
    } else {
        Err(BinauralError::SilentFront)
    }
}

/// The squared magnitude of a filter at `turn` radians a sample.
fn power_at(taps: &[f64], turn: f64) -> f64 {
    let (mut real, mut imaginary) = (0.0, 0.0);
    for (index, tap) in taps.iter().enumerate() {
        let (sine, cosine) = (turn * index as f64).sin_cos();
        real += tap * cosine;
        imaginary += tap * sine;
    }
    real * real + imaginary * imaginary
}
