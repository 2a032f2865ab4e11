//! The blocks of Objects channels: millions of them in a long programme, so nothing is allocated
//! for a block but its place in the list.
//!
//! Source: ITU-R BS.2076-2, clause 5.4.3.3.

use std::io::BufRead;

use super::blocks::{COORDINATES, Head};
use super::pull::Step;
use super::reading::{Of, Read, Reading, tell};
use super::values::{self, shown};
use crate::adm::block::{
    ChannelLock, Divergence, HeadphoneVirtualise, ObjectBlock, ObjectBlocks, ObjectTraits, Zone,
};
use crate::adm::finding::{Class, Severity};
use crate::adm::time::AdmTime;

impl<R: BufRead> Reading<R> {
    pub(super) fn object_block(
        &mut self,
        channel: &str,
        head: Head,
        blocks: &mut ObjectBlocks,
    ) -> Read<()> {
        let of = head.of(channel);
        let mut traits = ObjectTraits::default();
        let mut coordinates = [0.0, 0.0, 1.0, 0.0, 0.0, 0.0];
        let mut seen = 0_u8;
        let mut cartesian = false;
        let mut gain = 1.0;
        while let Step::Open = self.pull.step()? {
            match self.pull.name() {
                b"position" => {
                    let Some(axis) = self.coordinate(of) else {
                        self.pull.skip()?;
                        continue;
                    };
                    self.edge_lock(of, axis, &mut traits.screen_edge_lock);
                    if seen & (1 << axis) != 0 {
                        tell(
                            &mut self.findings,
                            Class::AdmCoordinateMismatch,
                            Severity::Fail,
                            of,
                            || {
                                format!(
                                    "the position has {} twice; the last one is taken",
                                    COORDINATES[axis]
                                )
                            },
                        );
                    }
                    seen |= 1 << axis;
                    if let Some(value) = self.text_number(of, COORDINATES[axis])? {
                        coordinates[axis] = value;
                    }
                }
                b"cartesian" => cartesian = self.text_flag(of, "cartesian")?.unwrap_or(false),
                b"gain" => gain = self.text_gain(of)?.unwrap_or(1.0),
                b"width" => traits.width = self.text_number(of, "width")?.unwrap_or(0.0),
                b"height" => traits.height = self.text_number(of, "height")?.unwrap_or(0.0),
                b"depth" => traits.depth = self.text_number(of, "depth")?.unwrap_or(0.0),
                b"diffuse" => traits.diffuse = self.text_number(of, "diffuse")?.unwrap_or(0.0),
                b"jumpPosition" => self.jump_position(of, &mut traits)?,
                b"channelLock" => {
                    let max_distance = self.number_of(of, "maxDistance");
                    let locked = self.text_flag(of, "channelLock")?.unwrap_or(false);
                    traits.channel_lock = locked.then_some(ChannelLock { max_distance });
                }
                b"objectDivergence" => {
                    let azimuth_range = self.number_of(of, "azimuthRange");
                    let position_range = self.number_of(of, "positionRange");
                    traits.divergence =
                        self.text_number(of, "objectDivergence")?
                            .map(|value| Divergence {
                                value,
                                azimuth_range,
                                position_range,
                            });
                }
                b"screenRef" => {
                    traits.screen_ref = self.text_flag(of, "screenRef")?.unwrap_or(false)
                }
                b"zoneExclusion" => self.zones(of, &mut traits.zone_exclusion)?,
                b"importance" => traits.importance = self.importance(of)?,
                b"headLocked" => {
                    traits.head_locked = self.text_flag(of, "headLocked")?.unwrap_or(false)
                }
                b"headphoneVirtualise" => {
                    let bypass = self
                        .pull
                        .attribute("bypass")
                        .is_some_and(|text| values::flag(&text) == Some(true));
                    let ratio = self.number_of(of, "DRR");
                    traits.headphone_virtualise = Some(HeadphoneVirtualise {
                        bypass,
                        // BS.2076-2, clause 5.4.1: 130 dB by default, from memory.
                        direct_to_reverberant_ratio_db: ratio.unwrap_or(130.0),
                    });
                    self.pull.skip()?;
                }
                _ => self.pull.skip()?,
            }
        }
        traits.cartesian = self.coordinate_kind(of, seen, cartesian);
        if traits.cartesian != cartesian {
            let found = traits.cartesian;
            tell(
                &mut self.findings,
                Class::AdmCoordinateMismatch,
                Severity::Fail,
                of,
                || {
                    format!(
                        "cartesian is {} and the position is {}; the position's coordinates are taken",
                        u8::from(cartesian),
                        if found {
                            "in X, Y, Z"
                        } else {
                            "in azimuth, elevation, distance"
                        }
                    )
                },
            );
        }
        let [azimuth, elevation, distance, x, y, z] = coordinates;
        let position = if traits.cartesian {
            [x, y, z]
        } else {
            [azimuth, elevation, distance]
        };
        let kinds = blocks.traits.len();
        blocks.push(
            ObjectBlock {
                time: head.time,
                position,
                gain,
                traits: 0,
                number: head.number,
            },
            traits,
        );
        let added = blocks.traits[kinds..]
            .iter()
            .map(|traits| {
                size_of::<ObjectTraits>() + traits.zone_exclusion.len() * size_of::<Zone>()
            })
            .sum::<usize>();
        self.keep(size_of::<ObjectBlock>() + added)
    }

    fn jump_position(&mut self, of: Of, traits: &mut ObjectTraits) -> Read<()> {
        traits.interpolation_length = self.pull.attribute("interpolationLength").and_then(|text| {
            let length = values::seconds(&text);
            match length {
                None => tell(&mut self.findings, Class::AdmInterpolationLength, Severity::Fail, of, || {
                    format!("interpolationLength is {}; seconds are wanted, so it is treated as absent", shown(&text))
                }),
                Some((time, true)) => {
                    tell(&mut self.findings, Class::AdmInterpolationLength, Severity::Note, of, || {
                        format!(
                            "interpolationLength {} is finer than is kept; it is read as {} s",
                            shown(&text),
                            AdmTime::seconds(time)
                        )
                    });
                }
                Some((_, false)) => {}
            }
            length.map(|(time, _)| time)
        });
        traits.jump_position = self.text_flag(of, "jumpPosition")?.unwrap_or(false);
        Ok(())
    }

    /// zoneExclusion: zone elements with bounds in attributes, polar or Cartesian.
    fn zones(&mut self, of: Of, zones: &mut Vec<Zone>) -> Read<()> {
        self.children(|reading| {
            if reading.pull.name() != b"zone" {
                return reading.pull.skip();
            }
            let names = ["minX", "minY", "minZ", "maxX", "maxY", "maxZ"];
            let cartesian = names.map(|name| reading.number_of(of, name));
            let names = ["minAzimuth", "maxAzimuth", "minElevation", "maxElevation"];
            let polar = names.map(|name| reading.number_of(of, name));
            match (cartesian, polar) {
                (
                    [Some(min_x), Some(min_y), Some(min_z), Some(max_x), Some(max_y), Some(max_z)],
                    [None, None, None, None],
                ) => zones.push(Zone::Cartesian {
                    min: [min_x, min_y, min_z],
                    max: [max_x, max_y, max_z],
                }),
                (
                    [None, None, None, None, None, None],
                    [Some(min_azimuth), Some(max_azimuth), Some(min_elevation), Some(max_elevation)],
                ) => zones.push(Zone::Polar {
                    min_azimuth,
                    max_azimuth,
                    min_elevation,
                    max_elevation,
                }),
                _ => tell(&mut reading.findings, Class::AdmValueRange, Severity::Fail, of, || {
                    "a zone has neither its four polar nor its six Cartesian bounds; it is left out".to_owned()
                }),
            }
            reading.pull.skip()
        })
    }
}
