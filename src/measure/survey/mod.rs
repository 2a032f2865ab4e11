//! The meters of what ears miss: defects, ends, channels, origin, and what is left of the music
//! elsewhere. One pass, fed with the same blocks as the other meters.
//!
//! In: samples, and the few facts about the file that the meters need ([`SurveyOrder`]). Out: a
//! [`Survey`] of numbers and places. Knows no limits; what is not wanted is not measured.

mod groups;
mod over_unity;
#[cfg(test)]
mod tests;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use groups::{Clicks, Defects, Ends};
pub use over_unity::OverUnity;

use super::channels::{ChannelFacts, ChannelMeter, ChannelScalars};
use super::defects::DataLayout;
use super::ends::EndsFigures;
use super::floor::FloorFacts;
use super::hazard::{HazardMeter, HighBands, Loud};
use super::provenance::{Provenance, ProvenanceFacts, ProvenanceMeter};
use super::spot::{Spot, Spots};
use super::translation::{Fold, Translation, TranslationFacts, TranslationMeter};
use super::types::{Place, Places};
use crate::layout::Label;
use crate::measured::{Measured, NotMeasured};
use crate::render::{RENDERER, SpeakerLayout, bed_gains};
use crate::units::{Frames, Hertz, Seconds};
use groups::{ClickMeters, DefectMeters, EndMeters};
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
    /// Where the samples lie in the file; `None` where they are compressed.
    pub data: Option<DataLayout>,
    /// The channels are tracks of an object-based master: no two of them are a pair.
    pub object_based: bool,
    pub wants: SurveyWants,
}

/// Which groups are measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SurveyWants {
    /// Clicks, splices and bursts, which cost most.
    pub clicks: bool,
    /// The other faults within the sound.
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
    /// How each channel is called: its label, or `ch 3`. Of an object-based master the caller puts
    /// [`Immersive::track_names`](super::Immersive::track_names) here.
    pub channels: Vec<String>,
    /// The first passage that could hurt.
    pub loud: Option<Loud>,
    /// Levels over 16 and 20 kHz, one a channel; measured of every file.
    pub high_bands: Vec<HighBands>,
    pub over_unity: OverUnity,
    /// Each group only where it was wanted.
    pub clicks: Measured<Clicks>,
    pub defects: Measured<Defects>,
    pub ends: Measured<Ends>,
    pub between: Measured<ChannelFacts>,
    pub provenance: Measured<ProvenanceFacts>,
    /// Also not measured where nothing says where the channels play, or there is one only. Of an
    /// object-based file it is taken from its renders, not from its tracks.
    pub translation: Measured<TranslationFacts>,
}

/// The figures of a survey that go into the record; its places stand with the findings.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SurveyFigures {
    /// The first passage that could hurt.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub loud: Option<Loud>,
    /// The noise floor, and what pauses consist of.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub floor: Option<FloorFacts>,
    /// What stands between the channels.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub channels: Option<ChannelScalars>,
    /// Where the samples came from.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub provenance: Option<Provenance>,
    /// How the programme begins and ends.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub ends: Option<EndsFigures>,
    /// What is left of the programme elsewhere.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub translation: Option<Translation>,
}

impl Survey {
    /// What goes into the record beside the findings.
    pub fn figures(&self) -> SurveyFigures {
        SurveyFigures {
            loud: self.loud,
            floor: self.ends.get().map(|ends| ends.floor.clone()),
            channels: self.between.get().map(|facts| facts.scalars.clone()),
            provenance: self.provenance.get().map(|facts| facts.summary.clone()),
            ends: self.ends.get().map(|ends| ends.ends.figures.clone()),
            translation: self.translation.get().map(|facts| facts.table.clone()),
        }
    }

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
        (self.over_unity.places).inherit(&mix.over_unity.places, aligned, near);
        if let (Measured::Is(mine), Measured::Is(other)) = (&mut self.clicks, &mix.clicks) {
            mine.inherit(other, &|mine, other| mine.inherit(other, aligned, near));
        }
        if let (Measured::Is(mine), Measured::Is(other)) = (&mut self.defects, &mix.defects) {
            mine.inherit(other, &|mine, other| mine.inherit(other, aligned, near));
            let mut other = other.clone();
            for (mine, other) in mine.whole_file().into_iter().zip(other.whole_file()) {
                mine.inherit(other, &|_| Some(0), near);
            }
        }
        if let (Measured::Is(mine), Measured::Is(other)) = (&mut self.ends, &mix.ends) {
            mine.inherit(other, &|mine, other| mine.inherit(other, aligned, near));
        }
        if let (Measured::Is(mine), Measured::Is(other)) = (&mut self.between, &mix.between) {
            // Of the whole file: where the mix is so too, mastering has not done it.
            for (mine, other) in whole_file(mine)
                .into_iter()
                .zip(whole_file(&mut other.clone()))
            {
                mine.inherit(other, &|_| Some(0), near);
            }
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

/// How the file's channels are folded to two: by BS.775 where it tells, else by our renderer.
fn fold(labels: &[Label]) -> Option<Fold> {
    Fold::of_channels(labels).or_else(|| {
        let gains = bed_gains(labels, &SpeakerLayout::named("0+2+0")?).ok()?;
        let pairs = gains.iter().map(|row| Some([*row.first()?, *row.get(1)?]));
        Fold::of_wide_bed(labels, pairs.collect::<Option<_>>()?, RENDERER)
    })
}

/// The findings between channels that are about the whole file.
fn whole_file(facts: &mut ChannelFacts) -> [&mut Spots; 9] {
    [
        &mut facts.polarity,
        &mut facts.dual_mono,
        &mut facts.channel_delay,
        &mut facts.level_imbalance,
        &mut facts.only_noise,
        &mut facts.channel_order,
        &mut facts.lfe_full_range,
        &mut facts.lfe_silent,
        &mut facts.surround_swapped,
    ]
}

/// The meters of one file.
pub struct SurveyMeters {
    order: SurveyOrder,
    hazard: HazardMeter,
    over_unity: Option<OverUnityMeter>,
    clicks: Option<ClickMeters>,
    defects: Option<DefectMeters>,
    ends: Option<EndMeters>,
    between: Option<ChannelMeter>,
    provenance: Option<ProvenanceMeter>,
    translation: Option<TranslationMeter>,
}

impl SurveyMeters {
    pub fn new(order: SurveyOrder) -> Self {
        let (rate, channels) = (order.sample_rate, order.channels);
        Self {
            hazard: HazardMeter::new(rate, channels),
            over_unity: order.floats.then(|| OverUnityMeter::new(channels)),
            clicks: (order.wants.clicks).then(|| ClickMeters::new(&order)),
            defects: (order.wants.defects).then(|| DefectMeters::new(&order)),
            ends: (order.wants.ends).then(|| EndMeters::new(&order)),
            between: (order.wants.channels).then(|| match (&order.labels, order.object_based) {
                (None, true) => ChannelMeter::of_objects(rate, channels),
                (labels, _) => ChannelMeter::new(rate, channels, labels.as_deref()),
            }),
            provenance: (order.wants.provenance)
                .then(|| ProvenanceMeter::new(rate, channels, order.bits.map(u32::from))),
            translation: (order.wants.translation)
                .then(|| fold(order.labels.as_deref()?))
                .flatten()
                .map(|fold| TranslationMeter::new(rate, fold)),
            order,
        }
    }

    /// Takes the next samples, `[channel][frame]`; any cut into blocks gives the same result.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        self.hazard.feed(planes);
        if let Some(meter) = &mut self.over_unity {
            meter.feed(planes);
        }
        if let Some(meters) = &mut self.clicks {
            meters.feed(planes);
        }
        if let Some(meters) = &mut self.defects {
            meters.feed(planes);
        }
        if let Some(meters) = &mut self.ends {
            meters.feed(planes);
        }
        if let Some(meter) = &mut self.between {
            meter.feed(planes);
        }
        if let Some(meter) = &mut self.provenance {
            meter.feed(planes);
        }
        if let Some(meter) = &mut self.translation {
            meter.feed(planes);
        }
    }

    /// Ends the programme and reads the meters.
    pub fn finish(self) -> Survey {
        let order = self.order;
        fn asked<T>(found: Option<T>) -> Measured<T> {
            Measured::of(found, || NotMeasured::NotAsked)
        }
        let no_translation = match (order.wants.translation, &order.labels) {
            (false, _) => NotMeasured::NotAsked,
            (true, None) if order.object_based => NotMeasured::NotAsked,
            (true, None) => NotMeasured::NoLabels {
                channels: order.channels,
            },
            (true, Some(_)) => NotMeasured::NoFold,
        };
        let channels = match &order.labels {
            Some(labels) => labels.iter().map(ToString::to_string).collect(),
            None => (1..=order.channels).map(|n| format!("ch {n}")).collect(),
        };
        let hazard = self.hazard.finish();
        Survey {
            sample_rate: order.sample_rate,
            channels,
            loud: hazard.loud,
            high_bands: hazard.high_bands,
            over_unity: (self.over_unity)
                .map(OverUnityMeter::finish)
                .unwrap_or_default(),
            clicks: asked(self.clicks.map(ClickMeters::finish)),
            defects: asked(self.defects.map(DefectMeters::finish)),
            ends: asked(self.ends.map(EndMeters::finish)),
            between: asked(self.between.map(ChannelMeter::finish)),
            provenance: asked(self.provenance.map(ProvenanceMeter::finish)),
            translation: Measured::of(self.translation.map(TranslationMeter::finish), || {
                no_translation
            }),
        }
    }
}
