//! From a block of the model to the gains of one voice: the seam between the timeline and the
//! gain calculators.
//!
//! In: an item of the scene and the number of a block. Out: one direct and one diffuse gain per
//! loudspeaker. A block that says the same as the one before is not calculated again.

use std::sync::Arc;

use super::direct_speakers::{EdgeLock, PointPanner, SpeakerGainCalculator};
use super::hoa::{Component, HoaDecoders, HoaError, Normalization};
use super::object_gains::ObjectGainCalculator;
use super::point::{ObjectGains, ObjectPoint, SpeakerPoint};
use super::polar::PolarPanner;
use super::scene::{HoaGroup, Item, Kind, Scene};
use super::screen::ScreenHandler;
use super::speakers::SpeakerLayout;
use super::voice::{Glide, ObjectTime, Timing};
use super::{MAX_GAIN, RenderError};
use crate::adm::Model;
use crate::adm::block::{BlockTime, Blocks, ObjectBlock, ScreenEdgeLock};
use crate::adm::model::PositionOffset;

/// The calculators of one layout.
pub(super) struct GainSource {
    layout: SpeakerLayout,
    objects: ObjectGainCalculator,
    speakers: SpeakerGainCalculator,
    hoa: HoaDecoders,
    object_gains: ObjectGains,
    speaker_gains: Vec<f64>,
}

impl GainSource {
    pub(super) fn new(layout: &SpeakerLayout) -> Result<Self, RenderError> {
        let silent = vec![0.0; layout.len()];
        let panner: Arc<dyn PointPanner> = Arc::new(PolarPanner::new(layout)?);
        let edges = Arc::new(ScreenHandler::new(layout));
        Ok(Self {
            objects: ObjectGainCalculator::new(layout)?,
            speakers: SpeakerGainCalculator::new(layout, panner.clone(), edges),
            hoa: HoaDecoders::new(layout, panner),
            object_gains: ObjectGains {
                direct: silent.clone(),
                diffuse: silent.clone(),
            },
            speaker_gains: silent,
            layout: layout.clone(),
        })
    }
}

/// What one voice keeps of its blocks.
pub(super) enum VoiceGains {
    /// The block that was calculated last, and its gains: many blocks only repeat it.
    Object {
        channel: usize,
        last: Option<(ObjectBlock, Vec<f64>)>,
    },
    Speaker {
        channel: usize,
        pack_id: String,
    },
    /// The column of the decoder, made when it is first wanted.
    Hoa {
        part: usize,
        column: Option<Vec<f64>>,
    },
}

impl VoiceGains {
    pub(super) fn new(model: &Model, item: &Item, part: usize) -> Self {
        match &item.kind {
            Kind::Object { channel } => Self::Object {
                channel: *channel,
                last: None,
            },
            Kind::Speaker { channel, pack } => Self::Speaker {
                channel: *channel,
                pack_id: model.packs[*pack].id.clone(),
            },
            Kind::Hoa(_) => Self::Hoa { part, column: None },
        }
    }

    /// When block `index` is heard; `None` after the last.
    pub(super) fn timing(&self, model: &Model, item: &Item, index: usize) -> Option<Timing> {
        match (self, item.kind.blocks(model), &item.kind) {
            (Self::Object { .. }, Blocks::Objects(blocks), _) => {
                let block = blocks.blocks.get(index)?;
                let glide = Some(Glide::of(blocks.traits_of(block)));
                Some(Timing {
                    time: block.time,
                    glide,
                })
            }
            (Self::Speaker { .. }, Blocks::DirectSpeakers(blocks), _) => Some(Timing {
                time: blocks.get(index)?.time,
                glide: None,
            }),
            (Self::Hoa { .. }, _, Kind::Hoa(group)) if index == 0 => Some(Timing {
                time: BlockTime {
                    rtime: group.rtime,
                    duration: group.duration,
                },
                glide: None,
            }),
            _ => None,
        }
    }

    /// Fills `out` with the direct gains of block `index`, then the diffuse ones.
    pub(super) fn gains(
        &mut self,
        model: &Model,
        scene: &Scene,
        item: &Item,
        index: usize,
        source: &mut GainSource,
        out: &mut [f64],
    ) -> Result<(), RenderError> {
        let count = source.layout.len();
        let audible = |importance: u8| {
            scene
                .importance
                .is_none_or(|threshold| i64::from(importance) >= threshold)
        };
        match (self, item.kind.blocks(model), &item.kind) {
            (Self::Object { channel, last }, Blocks::Objects(blocks), _) => {
                let block = &blocks.blocks[index];
                let traits = blocks.traits_of(block);
                let known = last.as_ref().filter(|(last, _)| {
                    last.position == block.position
                        && last.gain == block.gain
                        && last.traits == block.traits
                });
                if let Some((_, gains)) = known {
                    out.copy_from_slice(gains);
                } else {
                    let gain = match audible(traits.importance) {
                        true => product(block.gain, item.gain, index)
                            .map_err(|error| error.in_channel(model, item, 0))?,
                        false => 0.0,
                    };
                    let point = ObjectPoint {
                        position: item.moved(block.position, traits.cartesian).ok_or_else(
                            || RenderError::Offset {
                                channel: model.channels[*channel].id.clone(),
                            },
                        )?,
                        gain,
                        traits,
                        reference_screen: &scene.reference_screen,
                        absolute_distance: item.absolute_distance,
                        revision: model.revision(),
                    };
                    source.objects.gains(&point, &mut source.object_gains);
                    out[..count].copy_from_slice(&source.object_gains.direct);
                    out[count..].copy_from_slice(&source.object_gains.diffuse);
                    match last {
                        Some((last, gains)) => {
                            *last = *block;
                            gains.copy_from_slice(out);
                        }
                        None => *last = Some((*block, out.to_vec())),
                    }
                }
                Ok(())
            }
            (Self::Speaker { channel, pack_id }, Blocks::DirectSpeakers(blocks), _) => {
                let block = &blocks[index];
                let point = SpeakerPoint {
                    block,
                    gain: match audible(block.importance) {
                        true => product(block.gain, item.gain, index)
                            .map_err(|error| error.in_channel(model, item, 0))?,
                        false => 0.0,
                    },
                    pack_id: Some(pack_id),
                    frequency: model.channels[*channel].frequency,
                    reference_screen: &scene.reference_screen,
                };
                source.speakers.gains(&point, &mut source.speaker_gains);
                out[..count].copy_from_slice(&source.speaker_gains);
                out[count..].fill(0.0);
                Ok(())
            }
            (Self::Hoa { part, column }, _, Kind::Hoa(group)) => {
                let column = match column {
                    Some(column) => column,
                    None => {
                        let gain = product(group.gains[*part], item.gain, index);
                        let made = gain.and_then(|gain| Ok(decode(group, *part, gain, source)?));
                        column.insert(made.map_err(|error| error.in_channel(model, item, *part))?)
                    }
                };
                out[..count].copy_from_slice(column);
                out[count..].fill(0.0);
                Ok(())
            }
            _ => unreachable!("the scene gives every voice blocks of its own type"),
        }
    }
}

/// The gain that a block has with its object's.
fn product(of_block: f64, of_object: f64, block: usize) -> Result<f64, RenderError> {
    let gain = of_block * of_object;
    match gain.abs() <= MAX_GAIN {
        true => Ok(gain),
        false => Err(RenderError::Gain { block }),
    }
}

/// One column of the decoder: the gains of channel `part`, one per loudspeaker of the layout.
fn decode(
    group: &HoaGroup,
    part: usize,
    gain: f64,
    source: &mut GainSource,
) -> Result<Vec<f64>, HoaError> {
    let components: Vec<Component> = group
        .components
        .iter()
        .map(|&(order, degree)| Component { order, degree })
        .collect();
    let normalization: Normalization = group.normalization.parse()?;
    let matrix = source.hoa.decoder(&components, normalization)?;
    let mut column = vec![0.0; source.layout.len()];
    for (row, output) in source.layout.full_range().into_iter().enumerate() {
        column[output] = matrix.row(row)[part] * gain;
    }
    Ok(column)
}

impl PointPanner for PolarPanner {
    fn pan(&self, direction: [f64; 3], out: &mut [f64]) {
        self.gains(direction, out);
    }
}

impl EdgeLock for ScreenHandler {
    fn lock(&self, position: [f64; 3], lock: ScreenEdgeLock, cartesian: bool) -> [f64; 3] {
        ScreenHandler::lock(self, position, lock, cartesian)
    }
}

impl Kind {
    /// The blocks of the item's (first) channel.
    pub(super) fn blocks<'a>(&self, model: &'a Model) -> &'a Blocks {
        let channel = match self {
            Self::Object { channel } | Self::Speaker { channel, .. } => *channel,
            Self::Hoa(group) => group.channels[0],
        };
        &model.channels[channel].blocks
    }
}

impl Item {
    pub(super) fn object_time(&self) -> ObjectTime {
        ObjectTime {
            start: self.start,
            duration: self.duration,
        }
    }

    /// `position` with the object's offset; `None` when one is polar and the other Cartesian
    /// (BS.2127-1, clause 7.3). Coordinates are added, and the sum is taken for the place it
    /// names: an elevation over 90 degrees lies behind, a distance under 0 on the other side.
    fn moved(&self, position: [f64; 3], cartesian: bool) -> Option<[f64; 3]> {
        match (self.position_offset, cartesian) {
            (None, _) => Some(position),
            (
                Some(PositionOffset::Polar {
                    azimuth,
                    elevation,
                    distance,
                }),
                false,
            ) => Some(on_the_sphere(
                position[0] + azimuth,
                position[1] + elevation,
                position[2] + distance,
            )),
            (Some(PositionOffset::Cartesian { x, y, z }), true) => {
                Some([position[0] + x, position[1] + y, position[2] + z])
            }
            _ => None,
        }
    }
}

/// The same place with an azimuth from -180 to 180, an elevation from -90 to 90 and a distance
/// of at least 0.
fn on_the_sphere(azimuth: f64, elevation: f64, distance: f64) -> [f64; 3] {
    let turned = |angle: f64| angle - 360.0 * ((angle + 180.0) / 360.0).floor();
    let (mut azimuth, mut elevation) = (azimuth, turned(elevation));
    if elevation.abs() > 90.0 {
        elevation = 180.0_f64.copysign(elevation) - elevation;
        azimuth += 180.0;
    }
    if distance < 0.0 {
        elevation = -elevation;
        azimuth += 180.0;
    }
    [turned(azimuth), elevation, distance.abs()]
}
