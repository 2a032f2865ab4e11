//! The blocks of every type but Objects: few to a channel.
//!
//! Source: ITU-R BS.2076-2, clause 5.4.3.

use std::io::BufRead;

use super::blocks::{CARTESIAN, Head, POLAR};
use super::reading::{Of, Read, Reading, tell, unreadable};
use super::values;
use crate::adm::block::{
    BinauralBlock, Bounded, HoaBlock, MatrixBlock, MatrixCoefficient, ScreenEdgeLock, SpeakerBlock,
    SpeakerPosition,
};
use crate::adm::finding::{Class, Severity};

impl<R: BufRead> Reading<R> {
    /// BS.2076-2, clause 5.4.3.1.
    pub(super) fn speaker_block(&mut self, channel: &str, head: Head) -> Read<SpeakerBlock> {
        let of = head.of(channel);
        let mut labels = Vec::new();
        let mut coordinates = [Bounded::default(); 6];
        coordinates[2].value = 1.0;
        let (mut seen, mut bounds) = (0_u8, 0_u8);
        let mut cartesian = None;
        let mut screen_edge_lock = ScreenEdgeLock::default();
        let (mut gain, mut importance) = (1.0, 10);
        self.children(|reading| {
            match reading.pull.name() {
                b"speakerLabel" => labels.push(reading.text_string()?),
                b"position" => {
                    let axis = reading.coordinate(of);
                    let bound = reading
                        .pull
                        .attribute("bound")
                        .map(|bound| bound.into_owned());
                    if let Some(axis) = axis {
                        reading.edge_lock(of, axis, &mut screen_edge_lock);
                    }
                    let value = reading.text_number(of, "position")?;
                    let Some(axis) = axis else {
                        return Ok(());
                    };
                    let place = &mut coordinates[axis];
                    match bound.as_deref() {
                        None => {
                            place.value = value.unwrap_or(place.value);
                            seen |= 1 << axis;
                        }
                        Some("min") => (place.min, bounds) = (value, bounds | 1 << axis),
                        Some("max") => (place.max, bounds) = (value, bounds | 1 << axis),
                        Some(other) => unreadable(
                            &mut reading.findings,
                            of,
                            "bound of a position",
                            other,
                            "min or max",
                        ),
                    }
                }
                b"cartesian" => cartesian = reading.text_flag(of, "cartesian")?,
                b"gain" => gain = reading.text_gain(of)?.unwrap_or(1.0),
                b"importance" => importance = reading.importance(of)?,
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        let is_cartesian =
            self.coordinate_kind(of, seen, cartesian.unwrap_or(seen & CARTESIAN != 0));
        if bounds & !(if is_cartesian { CARTESIAN } else { POLAR }) != 0 {
            tell(
                &mut self.findings,
                Class::AdmCoordinateMismatch,
                Severity::Fail,
                of,
                || "the bounds and the position have different kinds of coordinates".to_owned(),
            );
        }
        if cartesian.is_some_and(|flag| flag != is_cartesian) {
            tell(
                &mut self.findings,
                Class::AdmCoordinateMismatch,
                Severity::Warn,
                of,
                || {
                    format!(
                        "cartesian says {} and the coordinates say {}; the coordinates are taken",
                        !is_cartesian, is_cartesian
                    )
                },
            );
        }
        let [azimuth, elevation, distance, x, y, z] = coordinates;
        Ok(SpeakerBlock {
            time: head.time,
            number: head.number,
            labels,
            position: if is_cartesian {
                SpeakerPosition::Cartesian { x, y, z }
            } else {
                SpeakerPosition::Polar {
                    azimuth,
                    elevation,
                    distance,
                }
            },
            screen_edge_lock,
            gain,
            importance,
        })
    }

    /// BS.2076-2, clause 5.4.3.4.
    pub(super) fn hoa_block(&mut self, channel: &str, head: Head) -> Read<HoaBlock> {
        let of = head.of(channel);
        let mut block = HoaBlock {
            time: head.time,
            number: head.number,
            equation: None,
            order: None,
            degree: None,
            normalization: None,
            nfc_ref_dist: None,
            screen_ref: None,
            gain: 1.0,
            importance: 10,
        };
        let small = |value: Option<i64>| value.and_then(|value| i32::try_from(value).ok());
        self.children(|reading| {
            match reading.pull.name() {
                b"equation" => block.equation = Some(reading.text_string()?),
                b"order" => block.order = small(reading.text_whole(of, "order")?),
                b"degree" => block.degree = small(reading.text_whole(of, "degree")?),
                b"normalization" => block.normalization = Some(reading.text_string()?),
                b"nfcRefDist" => block.nfc_ref_dist = reading.text_number(of, "nfcRefDist")?,
                b"screenRef" => block.screen_ref = reading.text_flag(of, "screenRef")?,
                b"gain" => block.gain = reading.text_gain(of)?.unwrap_or(1.0),
                b"importance" => block.importance = reading.importance(of)?,
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        Ok(block)
    }

    pub(super) fn binaural_block(&mut self, channel: &str, head: Head) -> Read<BinauralBlock> {
        let of = head.of(channel);
        let mut block = BinauralBlock {
            time: head.time,
            number: head.number,
            gain: 1.0,
            importance: 10,
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"gain" => block.gain = reading.text_gain(of)?.unwrap_or(1.0),
                b"importance" => block.importance = reading.importance(of)?,
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        Ok(block)
    }

    /// BS.2076-2, clause 5.4.3.2; outputChannelIDRef is the name in BS.2076-1.
    pub(super) fn matrix_block(&mut self, channel: &str, head: Head) -> Read<MatrixBlock> {
        let of = head.of(channel);
        let mut block = MatrixBlock {
            time: head.time,
            number: head.number,
            output_channel: None,
            coefficients: Vec::new(),
            gain: 1.0,
            importance: 10,
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"outputChannelFormatIDRef" | b"outputChannelIDRef" => {
                    block.output_channel = Some(reading.reference()?);
                }
                b"matrix" => reading.children(|reading| {
                    if reading.pull.name() == b"coefficient" {
                        let coefficient = reading.coefficient(of)?;
                        block.coefficients.push(coefficient);
                        return Ok(());
                    }
                    reading.pull.skip()
                })?,
                b"gain" => block.gain = reading.text_gain(of)?.unwrap_or(1.0),
                b"importance" => block.importance = reading.importance(of)?,
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        Ok(block)
    }

    fn coefficient(&mut self, of: Of) -> Read<MatrixCoefficient> {
        let unit = self.unit_of_gain(of);
        let gain = self.pull.attribute("gain").and_then(|text| {
            let gain = values::gain(&text, unit);
            if gain.is_none() {
                unreadable(
                    &mut self.findings,
                    of,
                    "gain of a coefficient",
                    &text,
                    "a number",
                );
            }
            gain
        });
        let (phase, delay_ms) = (self.number_of(of, "phase"), self.number_of(of, "delay"));
        let (gain_var, phase_var, delay_var) = (
            self.string("gainVar")?,
            self.string("phaseVar")?,
            self.string("delayVar")?,
        );
        self.keep(size_of::<MatrixCoefficient>())?;
        Ok(MatrixCoefficient {
            gain,
            gain_var,
            phase,
            phase_var,
            delay_ms,
            delay_var,
            input_channel: self.reference()?,
        })
    }
}
