//! Meters that are wanted together.
//!
//! In: samples. Out: what each found. A group is measured whole or not at all.

use super::super::defects::{
    DataLayout, DcFacts, DcMeter, GapFacts, GapMeter, RepeatFacts, RepeatMeter, ZeroBlocks, ZeroFacts,
};
use super::super::floor::{FloorFacts, FloorMeter};
use super::super::silences::{SilenceFacts, SilenceMeter};
use super::super::spot::Spots;
use crate::units::Hertz;

/// Faults within the sound.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Defects {
    pub gaps: GapFacts,
    pub zeros: ZeroFacts,
    pub repeats: RepeatFacts,
    pub dc: DcFacts,
}

/// How the programme begins and ends, how it is clipped, and how it is silent.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ends {
    pub silences: SilenceFacts,
    pub floor: FloorFacts,
}

/// Marks in the first what the second has too.
type Inherit<'a> = &'a dyn Fn(&mut Spots, &Spots);

impl Defects {
    pub(super) fn inherit(&mut self, mix: &Self, inherit: Inherit) {
        inherit(&mut self.gaps.all_channels, &mix.gaps.all_channels);
        inherit(&mut self.gaps.one_channel, &mix.gaps.one_channel);
        inherit(&mut self.repeats.repeats, &mix.repeats.repeats);
        inherit(&mut self.dc.steps, &mix.dc.steps);
    }
}

impl Ends {
    pub(super) fn inherit(&mut self, mix: &Self, inherit: Inherit) {
        inherit(&mut self.silences.gaps, &mix.silences.gaps);
        inherit(&mut self.silences.absences, &mix.silences.absences);
    }
}

pub(super) struct DefectMeters {
    gaps: GapMeter,
    zeros: ZeroBlocks,
    repeats: RepeatMeter,
    dc: DcMeter,
}

impl DefectMeters {
    pub(super) fn new(rate: Hertz, channels: usize, data: Option<DataLayout>) -> Self {
        Self {
            gaps: GapMeter::new(rate, channels),
            zeros: ZeroBlocks::new(rate, channels, data),
            repeats: RepeatMeter::new(rate, channels),
            dc: DcMeter::new(rate, channels),
        }
    }

    pub(super) fn feed(&mut self, planes: &[&[f64]]) {
        self.gaps.feed(planes);
        self.zeros.feed(planes);
        self.repeats.feed(planes);
        self.dc.feed(planes);
    }

    pub(super) fn finish(self) -> Defects {
        Defects {
            gaps: self.gaps.finish(),
            zeros: self.zeros.finish(),
            repeats: self.repeats.finish(),
            dc: self.dc.finish(),
        }
    }
}

pub(super) struct EndMeters {
    silences: SilenceMeter,
    floor: FloorMeter,
}

impl EndMeters {
    pub(super) fn new(rate: Hertz, channels: usize) -> Self {
        Self {
            silences: SilenceMeter::new(rate, channels),
            floor: FloorMeter::new(rate, channels),
        }
    }

    pub(super) fn feed(&mut self, planes: &[&[f64]]) {
        self.silences.feed(planes);
        self.floor.feed(planes);
    }

    pub(super) fn finish(self) -> Ends {
        Ends {
            silences: self.silences.finish(),
            floor: self.floor.finish(),
        }
    }
}
