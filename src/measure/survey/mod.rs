//! The meters of what ears miss: defects, ends, channels, origin, and what is left of the music
//! elsewhere. One pass, fed with the same blocks as the other meters.
//!
//! In: samples, and the few facts about the file that the meters need ([`SurveyOrder`]). Out: a
//! [`Survey`] of numbers and places. Knows no limits; what is not wanted is not measured.

mod over_unity;

pub use over_unity::OverUnity;

use super::hazard::{HazardMeter, Loud};
use super::spot::{Spot, Spots};
use super::types::{Place, Places};
use crate::layout::Label;
use crate::units::{Frames, Hertz, Seconds};
use over_unity::OverUnityMeter;

/// What the meters must be told.
#[derive(Clone, Debug)]
pub struct SurveyOrder {
    pub sample_rate: Hertz,
    pub channels: usize,
    /// One a channel; `None` where nobody says where they play.
    pub labels: Option<Vec<Label>>,
    /// Bits of an integer sample; `None` for floats and lossy encodings.
    pub bits: Option<u16>,
    /// The samples are floats, which may pass full scale.
    pub floats: bool,
    pub wants: SurveyWants,
}

/// Which groups are measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SurveyWants {
    pub defects: bool,
    pub ends: bool,
    pub channels: bool,
    pub provenance: bool,
    pub translation: bool,
}

/// All that the meters found.
#[derive(Clone, Debug, PartialEq)]
pub struct Survey {
    pub sample_rate: Hertz,
    /// How each channel is called: its label, or `ch 3`.
    pub channels: Vec<String>,
    /// The first passage that could hurt.
    pub loud: Option<Loud>,
    pub over_unity: OverUnity,
}

impl Survey {
    /// A place as the record has it.
    pub fn place(&self, spot: &Spot) -> Place {
        let seconds = |frame: u64| Seconds(frame as f64 / f64::from(self.sample_rate.value()));
        Place {
            start_s: seconds(spot.start),
            end_s: seconds(spot.end),
            start_frame: Frames(spot.start),
            channel: spot
                .channel
                .and_then(|channel| self.channels.get(channel).cloned()),
            value: Some(spot.size),
            confidence: Some(spot.confidence),
            inherited: spot.inherited,
            ..Place::default()
        }
    }

    /// Marks the places that the mix has too. `aligned` gives the mix's frame for one of this file.
    pub fn inherit(&mut self, mix: &Survey, aligned: &dyn Fn(u64) -> Option<i64>) {
        // The tolerance in which two labels of one fault are the same: 50 ms, own choice.
        let near = u64::from(self.sample_rate.value()) / 20;
        let Self { over_unity, .. } = self;
        let pairs = [(&mut over_unity.places, &mix.over_unity.places)];
        for (mine, other) in pairs {
            mine.inherit(other, aligned, near);
        }
    }

    /// Places as the record has them.
    pub fn places(&self, spots: &Spots) -> Places {
        Places {
            total: spots.total,
            listed: spots.listed.iter().map(|spot| self.place(spot)).collect(),
        }
    }
}

/// The meters of one file.
pub struct SurveyMeters {
    order: SurveyOrder,
    hazard: HazardMeter,
    over_unity: Option<OverUnityMeter>,
}

impl SurveyMeters {
    pub fn new(order: SurveyOrder) -> Self {
        let (rate, channels) = (order.sample_rate, order.channels);
        Self {
            hazard: HazardMeter::new(rate, channels),
            over_unity: order.floats.then(|| OverUnityMeter::new(channels)),
            order,
        }
    }

    /// Takes the next samples, `[channel][frame]`; any cut into blocks gives the same result.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        self.hazard.feed(planes);
        if let Some(meter) = &mut self.over_unity {
            meter.feed(planes);
        }
    }

    /// Ends the programme and reads the meters.
    pub fn finish(self) -> Survey {
        let order = self.order;
        let channels = match &order.labels {
            Some(labels) => labels.iter().map(ToString::to_string).collect(),
            None => (1..=order.channels).map(|n| format!("ch {n}")).collect(),
        };
        Survey {
            sample_rate: order.sample_rate,
            channels,
            loud: self.hazard.finish(),
            over_unity: (self.over_unity)
                .map(OverUnityMeter::finish)
                .unwrap_or_default(),
        }
    }
}
