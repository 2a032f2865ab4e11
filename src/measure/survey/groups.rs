//! Meters that are wanted together.
//!
//! In: samples. Out: what each found. A group is measured whole or not at all.

use super::super::clipping::{ClippingFacts, ClippingMeter};
use super::super::defects::hum::{HumFacts, HumMeter};
use super::super::defects::{
    BurstFacts, BurstMeter, DcFacts, DcMeter, DiscontinuityFacts, DiscontinuityMeter, GapFacts,
    GapMeter, PeriodicFacts, PeriodicMeter, RepeatFacts, RepeatMeter, ZeroBlocks, ZeroFacts,
};
use super::super::ends::{EndsFacts, EndsMeter};
use super::super::floor::{FloorFacts, FloorMeter};
use super::super::silences::{SilenceFacts, SilenceMeter};
use super::super::spot::Spots;
use super::SurveyOrder;

/// Clicks, splices and bursts of noise.
#[derive(Clone, Debug, PartialEq)]
pub struct Clicks {
    pub discontinuities: DiscontinuityFacts,
    pub bursts: BurstFacts,
}

/// Other faults within the sound.
#[derive(Clone, Debug, PartialEq)]
pub struct Defects {
    pub gaps: GapFacts,
    pub zeros: ZeroFacts,
    pub repeats: RepeatFacts,
    pub dc: DcFacts,
    pub hum: HumFacts,
    pub periodic: PeriodicFacts,
}

/// How the programme begins and ends, how it is clipped, and how it is silent.
#[derive(Clone, Debug, PartialEq)]
pub struct Ends {
    pub ends: EndsFacts,
    pub clipping: ClippingFacts,
    pub silences: SilenceFacts,
    pub floor: FloorFacts,
}

/// Marks in the first what the second has too.
type Inherit<'a> = &'a dyn Fn(&mut Spots, &Spots);

impl Clicks {
    pub(super) fn inherit(&mut self, mix: &Self, inherit: Inherit) {
        for (mine, other) in [
            (
                &mut self.discontinuities.clicks.clicks,
                &mix.discontinuities.clicks.clicks,
            ),
            (
                &mut self.discontinuities.splices.splices,
                &mix.discontinuities.splices.splices,
            ),
            (&mut self.bursts.bursts, &mix.bursts.bursts),
        ] {
            inherit(mine, other);
        }
    }
}

impl Defects {
    pub(super) fn inherit(&mut self, mix: &Self, inherit: Inherit) {
        for (mine, other) in [
            (&mut self.gaps.all_channels, &mix.gaps.all_channels),
            (&mut self.gaps.one_channel, &mix.gaps.one_channel),
            (&mut self.repeats.repeats, &mix.repeats.repeats),
            (&mut self.dc.steps, &mix.dc.steps),
            (&mut self.periodic.spots, &mix.periodic.spots),
        ] {
            inherit(mine, other);
        }
    }

    /// What is true of the whole file.
    pub(super) fn whole_file(&mut self) -> [&mut Spots; 1] {
        [&mut self.hum.hums]
    }
}

impl Ends {
    pub(super) fn inherit(&mut self, mix: &Self, inherit: Inherit) {
        for (mine, other) in [
            (&mut self.clipping.passages, &mix.clipping.passages),
            (&mut self.silences.gaps, &mix.silences.gaps),
            (&mut self.silences.absences, &mix.silences.absences),
            (&mut self.ends.abrupt_start, &mix.ends.abrupt_start),
            (&mut self.ends.cut_tail, &mix.ends.cut_tail),
            (&mut self.ends.chopped_tail, &mix.ends.chopped_tail),
        ] {
            inherit(mine, other);
        }
    }
}

pub(super) struct ClickMeters {
    discontinuities: DiscontinuityMeter,
    bursts: BurstMeter,
}

impl ClickMeters {
    pub(super) fn new(order: &SurveyOrder) -> Self {
        let (rate, channels) = (order.sample_rate, order.channels);
        Self {
            discontinuities: DiscontinuityMeter::new(rate, channels),
            bursts: BurstMeter::new(rate, channels),
        }
    }

    pub(super) fn feed(&mut self, planes: &[&[f64]]) {
        self.discontinuities.feed(planes);
        self.bursts.feed(planes);
    }

    pub(super) fn finish(self) -> Clicks {
        Clicks {
            discontinuities: self.discontinuities.finish(),
            bursts: self.bursts.finish(),
        }
    }
}

pub(super) struct DefectMeters {
    gaps: GapMeter,
    zeros: ZeroBlocks,
    repeats: RepeatMeter,
    dc: DcMeter,
    hum: HumMeter,
    periodic: PeriodicMeter,
}

impl DefectMeters {
    pub(super) fn new(order: &SurveyOrder) -> Self {
        let (rate, channels) = (order.sample_rate, order.channels);
        Self {
            gaps: GapMeter::new(rate, channels),
            zeros: ZeroBlocks::new(rate, channels, order.data),
            repeats: RepeatMeter::new(rate, channels),
            dc: DcMeter::new(rate, channels),
            hum: HumMeter::new(rate, channels),
            periodic: PeriodicMeter::new(rate, channels),
        }
    }

    pub(super) fn feed(&mut self, planes: &[&[f64]]) {
        self.gaps.feed(planes);
        self.zeros.feed(planes);
        self.repeats.feed(planes);
        self.dc.feed(planes);
        self.hum.feed(planes);
        self.periodic.feed(planes);
    }

    pub(super) fn finish(self) -> Defects {
        Defects {
            gaps: self.gaps.finish(),
            zeros: self.zeros.finish(),
            repeats: self.repeats.finish(),
            dc: self.dc.finish(),
            hum: self.hum.finish(),
            periodic: self.periodic.finish(),
        }
    }
}

pub(super) struct EndMeters {
    ends: EndsMeter,
    clipping: ClippingMeter,
    silences: SilenceMeter,
    floor: FloorMeter,
}

impl EndMeters {
    pub(super) fn new(order: &SurveyOrder) -> Self {
        let (rate, channels) = (order.sample_rate, order.channels);
        // Floats have no step: that of 24 bits, whose samples most of them hold.
        let step = 2f64.powi(1 - i32::from(order.bits.unwrap_or(24)));
        Self {
            ends: EndsMeter::new(rate, channels),
            clipping: ClippingMeter::new(rate, channels, step),
            silences: SilenceMeter::new(rate, channels),
            floor: FloorMeter::new(rate, channels),
        }
    }

    pub(super) fn feed(&mut self, planes: &[&[f64]]) {
        self.ends.feed(planes);
        self.clipping.feed(planes);
        self.silences.feed(planes);
        self.floor.feed(planes);
    }

    pub(super) fn finish(self) -> Ends {
        Ends {
            ends: self.ends.finish(),
            clipping: self.clipping.finish(),
            silences: self.silences.finish(),
            floor: self.floor.finish(),
        }
    }
}
