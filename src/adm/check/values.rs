//! The values of one channel's blocks: positions, and what has a range.
//!
//! Source: ITU-R BS.2076-3, clauses 5.4 and 8; the ranges of BS.2076-2, clause 5.4.3.3, from memory
//! where nothing stands beside them.

use crate::adm::block::{
    Blocks, Bounded, HoaBlock, ObjectTraits, SpeakerBlock, SpeakerPosition, Zone,
};
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::labels::{bed_label, is_lfe_label};
use crate::adm::model::AudioChannelFormat;
use crate::adm::parse::block_name;
use crate::adm::time::AdmTime;

pub(super) fn check(channel: &AudioChannelFormat, findings: &mut Findings) {
    let mut of = Channel {
        id: &channel.id,
        findings,
    };
    match &channel.blocks {
        Blocks::Objects(objects) => {
            let mut told = vec![false; objects.traits.len()];
            for block in &objects.blocks {
                let at = (block.number, block.time.rtime);
                let traits = objects.traits_of(block);
                of.position(at, traits.cartesian, block.position);
                of.gain(at, block.gain);
                if !std::mem::replace(&mut told[block.traits as usize], true) {
                    of.traits(at, traits);
                }
            }
            frequency(channel, &mut of);
        }
        Blocks::DirectSpeakers(blocks) => {
            for block in blocks {
                of.speaker(block);
            }
            low_frequency(channel, blocks, &mut of);
            place(channel, blocks, &mut of);
        }
        Blocks::Hoa(blocks) => {
            for block in blocks {
                of.hoa(block);
            }
            frequency(channel, &mut of);
        }
        Blocks::Matrix(blocks) => {
            for block in blocks {
                let at = (block.number, block.time.rtime);
                of.gain(at, block.gain);
                for coefficient in &block.coefficients {
                    let variable = coefficient.gain_var.is_some()
                        || coefficient.phase_var.is_some()
                        || coefficient.delay_var.is_some();
                    if variable || coefficient.phase.is_some() {
                        of.tell(Class::AdmTypeUnsupported, Severity::Fail, at, || {
                            "a coefficient has a phase or a variable, which are not rendered"
                                .to_owned()
                        });
                    }
                    if coefficient.delay_ms.is_some_and(|delay| delay < 0.0) {
                        of.range(
                            at,
                            "delay of a coefficient",
                            coefficient.delay_ms,
                            0.0,
                            f64::MAX,
                        );
                    }
                }
            }
        }
        Blocks::Binaural(_) | Blocks::Unknown(_) => {}
    }
}

type At = (u32, Option<AdmTime>);

struct Channel<'a> {
    id: &'a str,
    findings: &'a mut Findings,
}

impl Channel<'_> {
    fn tell(&mut self, class: Class, severity: Severity, at: At, says: impl FnOnce() -> String) {
        let id = self.id;
        let at_s = at.1.map(AdmTime::seconds);
        self.findings
            .add(class, severity, id, at_s, || (block_name(id, at.0), says()));
    }

    fn range(&mut self, at: At, what: &str, value: Option<f64>, low: f64, high: f64) {
        if let Some(value) = value
            && !(low..=high).contains(&value)
        {
            self.tell(Class::AdmValueRange, Severity::Fail, at, || {
                if high == f64::MAX {
                    format!("{what} is {value}; {low} or more is wanted")
                } else {
                    format!("{what} is {value}; {low} to {high} is wanted")
                }
            });
        }
    }

    fn angle(&mut self, at: At, what: &str, value: f64, most: f64) {
        if value.abs() > most + TOLERANCE {
            self.tell(Class::AdmPositionRange, Severity::Fail, at, || {
                format!("{what} is {value} degrees; {} to {most} is wanted", -most)
            });
        }
    }

    fn distance(&mut self, at: At, value: f64) {
        if value < 0.0 {
            self.tell(Class::AdmPositionRange, Severity::Fail, at, || {
                format!("distance is {value}; 0 to 1 is wanted")
            });
        } else if value > 1.0 + TOLERANCE {
            self.tell(Class::AdmPositionRange, Severity::Warn, at, || {
                format!("distance is {value}; 0 to 1 is wanted")
            });
        }
    }

    /// BS.2127-1 clips a Cartesian position to the cube, so that such a file is heard as it may be
    /// meant.
    fn cube(&mut self, at: At, what: &str, value: f64) {
        if value.abs() > 1.0 + TOLERANCE {
            self.tell(Class::AdmPositionRange, Severity::Warn, at, || {
                format!("{what} is {value}; -1 to 1 is wanted, and the renderer clips to that")
            });
        }
    }

    fn position(&mut self, at: At, cartesian: bool, [first, second, third]: [f64; 3]) {
        if cartesian {
            self.cube(at, "X", first);
            self.cube(at, "Y", second);
            self.cube(at, "Z", third);
        } else {
            self.angle(at, "azimuth", first, 180.0);
            self.angle(at, "elevation", second, 90.0);
            self.distance(at, third);
        }
    }

    fn gain(&mut self, at: At, gain: f64) {
        if gain < 0.0 {
            self.tell(Class::AdmValueRange, Severity::Warn, at, || {
                format!("gain is {gain}; it turns the signal over")
            });
        }
    }

    fn traits(&mut self, at: At, traits: &ObjectTraits) {
        let most = if traits.cartesian { 1.0 } else { 360.0 };
        self.range(at, "width", Some(traits.width), 0.0, most);
        self.range(at, "height", Some(traits.height), 0.0, most);
        self.range(at, "depth", Some(traits.depth), 0.0, 1.0);
        self.range(at, "diffuse", Some(traits.diffuse), 0.0, 1.0);
        if let Some(divergence) = traits.divergence {
            self.range(at, "objectDivergence", Some(divergence.value), 0.0, 1.0);
            self.range(at, "azimuthRange", divergence.azimuth_range, 0.0, 180.0);
            self.range(at, "positionRange", divergence.position_range, 0.0, 1.0);
        }
        if let Some(lock) = traits.channel_lock {
            self.range(at, "maxDistance", lock.max_distance, 0.0, f64::MAX);
        }
        for zone in &traits.zone_exclusion {
            let empty = match zone {
                // Azimuths may run through the back: 100 to -100.
                Zone::Polar {
                    min_elevation,
                    max_elevation,
                    ..
                } => min_elevation > max_elevation,
                Zone::Cartesian { min, max } => min.iter().zip(max).any(|(min, max)| min > max),
            };
            if empty {
                self.tell(Class::AdmValueRange, Severity::Warn, at, || {
                    "a zone's lower bound lies above its upper one, so it excludes nothing"
                        .to_owned()
                });
            }
        }
    }

    fn speaker(&mut self, block: &SpeakerBlock) {
        let at = (block.number, block.time.rtime);
        self.gain(at, block.gain);
        match block.position {
            SpeakerPosition::Polar {
                azimuth,
                elevation,
                distance,
            } => {
                self.position(at, false, [azimuth.value, elevation.value, distance.value]);
                // Azimuth bounds may run through the back.
                self.bounds(at, &[("elevation", elevation), ("distance", distance)]);
            }
            SpeakerPosition::Cartesian { x, y, z } => {
                self.position(at, true, [x.value, y.value, z.value]);
                self.bounds(at, &[("X", x), ("Y", y), ("Z", z)]);
            }
        }
    }

    fn bounds(&mut self, at: At, parts: &[(&str, Bounded)]) {
        for (what, part) in parts {
            let (min, max) = (
                part.min.unwrap_or(part.value),
                part.max.unwrap_or(part.value),
            );
            if !(min..=max).contains(&part.value) {
                self.tell(Class::AdmPositionRange, Severity::Warn, at, || {
                    format!("{what} is {} and its bounds are {min} to {max}", part.value)
                });
            }
        }
    }

    /// BS.2076-2, clause 11; BS.2127-1 renders no equation.
    fn hoa(&mut self, block: &HoaBlock) {
        let at = (block.number, block.time.rtime);
        self.gain(at, block.gain);
        if block.equation.is_some() {
            self.tell(Class::AdmTypeUnsupported, Severity::Fail, at, || {
                "the component is given by an equation, which is not rendered".to_owned()
            });
            return;
        }
        match (block.order, block.degree) {
            (Some(order), Some(degree))
                if order >= 0 && degree.unsigned_abs() <= order.unsigned_abs() => {}
            (order, degree) => self.tell(Class::AdmValueRange, Severity::Fail, at, || {
                let shown = |value: Option<i32>| {
                    value.map_or("absent".to_owned(), |value| value.to_string())
                };
                format!(
                    "order is {} and degree {}; a degree from -order to order is wanted",
                    shown(order),
                    shown(degree)
                )
            }),
        }
        let known = ["SN3D", "N3D", "FuMa"];
        if let Some(other) = block
            .normalization
            .as_deref()
            .filter(|text| !known.contains(text))
        {
            self.tell(Class::AdmValueRange, Severity::Fail, at, || {
                format!("normalization is {other:?}; SN3D, N3D or FuMa is wanted")
            });
        }
    }
}

/// What a decimal may be off by when it was rounded.
const TOLERANCE: f64 = 1e-6;

/// Only loudspeaker channels have a frequency (BS.2076-3, clause 5.3.2).
fn frequency(channel: &AudioChannelFormat, of: &mut Channel) {
    if channel.frequency.low_pass.is_some() || channel.frequency.high_pass.is_some() {
        of.findings.of(
            Class::AdmValueRange,
            Severity::Warn,
            &channel.id,
            format!(
                "{} is of type {:?} and has a frequency, which is left out",
                channel.id, channel.type_definition
            ),
        );
    }
}

/// The widest range that ITU-R BS.2051-3 allows a labelled loudspeaker is 60 degrees from the
/// azimuth in its label (Table 1, M+090 and M+135 of system J).
const FAR_DEG: f64 = 75.0;
/// A channel this near to the middle is on no side. Own choice.
const MIDDLE_DEG: f64 = 5.0;

/// Label, position and name of a loudspeaker channel say the same place.
fn place(channel: &AudioChannelFormat, blocks: &[SpeakerBlock], of: &mut Channel) {
    let Some(block) = blocks.first() else { return };
    let label = block.labels.iter().find_map(|label| bed_label(label));
    let Some((label, (nominal, _))) = label.and_then(|label| {
        // Right above there are no sides.
        let at = label.position_deg().filter(|(_, up)| *up < 80.0)?;
        Some((label, at))
    }) else {
        return;
    };
    let azimuth = match &block.position {
        SpeakerPosition::Polar { azimuth, .. } => Some(azimuth.value),
        SpeakerPosition::Cartesian { x, y, .. } => {
            (x.value.hypot(y.value) > 0.05).then(|| (-x.value).atan2(y.value).to_degrees())
        }
    };
    // Outside its range it is told as such.
    if let Some(azimuth) = azimuth.filter(|azimuth| azimuth.abs() <= 180.0) {
        let turn = (azimuth - nominal).rem_euclid(360.0);
        let apart = turn.min(360.0 - turn);
        let sides = [azimuth, nominal].map(side_of);
        if apart > FAR_DEG || sides[0] * sides[1] < 0.0 {
            of.findings.of(
                Class::AdmLabelPlace,
                Severity::Warn,
                &channel.id,
                format!(
                    "{} is labelled {label} and stands at azimuth {azimuth:.0}, {apart:.0} degrees from there: readers that follow the label and readers that follow the position play it in different places",
                    channel.id
                ),
            );
            return;
        }
    }
    if side_of(nominal) * side_of_name(&channel.name) < 0.0 {
        of.findings.of(
            Class::AdmLabelPlace,
            Severity::Warn,
            &channel.id,
            format!(
                "{} is named {:?} and labelled {label}, on the other side",
                channel.id, channel.name
            ),
        );
    }
}

/// 1 on the left, -1 on the right, 0 in the middle, front or back.
fn side_of(azimuth_deg: f64) -> f64 {
    let sine = azimuth_deg.to_radians().sin();
    if sine.abs() < MIDDLE_DEG.to_radians().sin() {
        0.0
    } else {
        sine.signum()
    }
}

/// The same of a name, where it says one side only.
fn side_of_name(name: &str) -> f64 {
    if let Some((azimuth, _)) = bed_label(name).and_then(|label| label.position_deg()) {
        return side_of(azimuth);
    }
    let name = name.to_lowercase();
    match (name.contains("left"), name.contains("right")) {
        (true, false) => 1.0,
        (false, true) => -1.0,
        _ => 0.0,
    }
}

fn low_frequency(channel: &AudioChannelFormat, blocks: &[SpeakerBlock], of: &mut Channel) {
    let labels = blocks.iter().flat_map(|block| &block.labels);
    if channel.frequency.low_pass.is_none()
        && let Some(label) = labels.into_iter().find(|label| is_lfe_label(label))
    {
        of.findings.of(
            Class::AdmLfeUndeclared,
            Severity::Warn,
            &channel.id,
            format!(
                "{} is labelled {label} and has no frequency element; it is treated as a low-frequency channel, by its label",
                channel.id
            ),
        );
    }
}
