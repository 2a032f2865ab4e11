//! Matrix packs: channels that are sums of other channels (ITU-R BS.2076-2, clause 5.4.3.2, and
//! BS.2127-1, clause 5.2.7).
//!
//! In: a pack of type Matrix. Out: the ways in which tracks may stand for it, and the sums of
//! tracks that it comes to. A pack whose references contradict each other is a fault here, with
//! the id of the element; whether anybody uses the pack is not known here.

use super::MAX_GAIN;
use super::allocation::{channels_within, fault};
use super::scene::{Feed, SceneError, Tap};
use crate::adm::Model;
use crate::adm::block::{Blocks, MatrixBlock, MatrixCoefficient};
use crate::adm::model::{PackRef, TypeDefinition};

/// One way in which tracks stand for a matrix pack.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Usage {
    /// The tracks carry the channels of this pack.
    pub channels_of: usize,
    /// And name this pack; `None`: the pack that holds the channel.
    pub called: Option<usize>,
}

/// What a matrix pack is for. The packs it reads and writes are no matrices, or encoding ones.
enum Form {
    Direct {
        input: usize,
        output: usize,
    },
    Encode {
        input: usize,
    },
    Decode {
        encode: usize,
        encoded: usize,
        output: usize,
    },
}

/// Terms that a sum of tracks may have: own choice, far beyond any use.
const MAX_TAPS: usize = 4096;
/// A bound for memory: own choice.
const MAX_DELAY_MS: f64 = 10_000.0;

/// The ways in which tracks stand for the matrix `pack`; none for one that only encodes, which is
/// used through its decoding one.
pub(super) fn usages(model: &Model, pack: usize) -> Result<Vec<Usage>, SceneError> {
    let own = Usage {
        channels_of: pack,
        called: None,
    };
    match Form::of(model, pack)? {
        Form::Direct { input, output } => {
            check_inputs(model, pack, input)?;
            check_outputs(model, pack, output)?;
            Ok(vec![
                Usage {
                    channels_of: input,
                    called: Some(pack),
                },
                own,
            ])
        }
        Form::Encode { input } => {
            check_inputs(model, pack, input)?;
            Ok(Vec::new())
        }
        Form::Decode {
            encode,
            encoded,
            output,
        } => {
            check_inputs(model, encode, encoded)?;
            check_inputs(model, pack, encode)?;
            check_outputs(model, pack, output)?;
            Ok(vec![
                Usage {
                    channels_of: encode,
                    called: Some(pack),
                },
                own,
                Usage {
                    channels_of: encoded,
                    called: Some(encode),
                },
            ])
        }
    }
}

/// The pack that is heard, and a feed for each of its channels, when `inputs` are the channels
/// that tracks stand for.
pub(super) fn output(
    model: &Model,
    pack: usize,
    inputs: &[(usize, Feed)],
    sample_rate: u32,
) -> Result<(usize, Vec<(usize, Feed)>), SceneError> {
    let (Form::Direct { output, .. } | Form::Decode { output, .. }) = Form::of(model, pack)? else {
        return Err(fault(
            &model.packs[pack],
            "an encoding matrix has no output",
        ));
    };
    let mut channels = Vec::new();
    for matrix in model.packs[pack]
        .channels
        .iter()
        .filter_map(|channel| channel.index())
    {
        let to = output_channel(model, matrix)?;
        channels.push((to, follow(model, inputs, matrix, sample_rate, 0)?));
    }
    Ok((output, channels))
}

impl Form {
    fn of(model: &Model, index: usize) -> Result<Self, SceneError> {
        let pack = &model.packs[index];
        let wrong = |says: &str| Err(fault(pack, says));
        if !pack.packs.is_empty() {
            return wrong("a matrix pack holds no other packs");
        }
        let input = named(model, index, pack.input_pack.as_ref())?;
        let output = named(model, index, pack.output_pack.as_ref())?;
        let encodes = encode_packs(model, index)?;
        match (input, output) {
            (Some(_), _) if !encodes.is_empty() => {
                wrong("a matrix pack has an inputPackFormat or an encodePackFormat, not both")
            }
            (Some(input), Some(output)) => Ok(Self::Direct { input, output }),
            (Some(input), None) => Ok(Self::Encode { input }),
            (None, Some(output)) => {
                let [encode] = encodes[..] else {
                    return wrong("a decoding matrix has exactly one encoding one");
                };
                let encoder = &model.packs[encode];
                let encoded = named(model, encode, encoder.input_pack.as_ref())?;
                let is_encoder = encoder.type_definition == TypeDefinition::Matrix
                    && encoder.output_pack.is_none();
                match encoded {
                    Some(encoded) if is_encoder => Ok(Self::Decode {
                        encode,
                        encoded,
                        output,
                    }),
                    _ => wrong("the encodePackFormat is no matrix that encodes"),
                }
            }
            (None, None) => wrong("a matrix pack has an inputPackFormat or an outputPackFormat"),
        }
    }
}

/// The pack that an input or output reference of pack `by` names.
fn named(model: &Model, by: usize, to: Option<&PackRef>) -> Result<Option<usize>, SceneError> {
    let Some(to) = to else { return Ok(None) };
    let wrong = |says: &str| Err(fault(&model.packs[by], says));
    match to.index() {
        None => wrong("the inputPackFormat or outputPackFormat is not in the file"),
        Some(index) if model.packs[index].type_definition == TypeDefinition::Matrix => {
            wrong("the inputPackFormat or outputPackFormat is a matrix itself")
        }
        Some(index) => Ok(Some(index)),
    }
}

/// The encoding packs that belong to pack `index`: either of the two may name the other.
fn encode_packs(model: &Model, index: usize) -> Result<Vec<usize>, SceneError> {
    let mut encodes = Vec::new();
    for reference in &model.packs[index].encode_packs {
        let Some(encode) = reference.index() else {
            return Err(fault(
                &model.packs[index],
                "the encodePackFormat is not in the file",
            ));
        };
        encodes.push(encode);
    }
    for (other, pack) in model.packs.iter().enumerate() {
        if pack
            .decode_packs
            .iter()
            .any(|decode| decode.index() == Some(index))
        {
            encodes.push(other);
        }
    }
    encodes.sort_unstable();
    encodes.dedup();
    Ok(encodes)
}

/// Every coefficient of `pack` reads a channel of `from`, and is one that can be rendered.
fn check_inputs(model: &Model, pack: usize, from: usize) -> Result<(), SceneError> {
    let known = channels_within(model, from)?;
    for channel in model.packs[pack]
        .channels
        .iter()
        .filter_map(|channel| channel.index())
    {
        for coefficient in &block(model, channel)?.coefficients {
            supported(model, channel, coefficient)?;
            let input = coefficient.input_channel.index();
            if input.is_none_or(|input| !known.contains(&input)) {
                let says = format!(
                    "the matrix reads channel {}, which pack {} does not hold",
                    coefficient.input_channel.id, model.packs[from].id
                );
                return Err(SceneError::Element {
                    element: model.channels[channel].id.clone(),
                    says,
                });
            }
        }
    }
    Ok(())
}

fn supported(
    model: &Model,
    channel: usize,
    coefficient: &MatrixCoefficient,
) -> Result<(), SceneError> {
    let variable = coefficient.phase.is_some()
        || coefficient.phase_var.is_some()
        || coefficient.gain_var.is_some()
        || coefficient.delay_var.is_some();
    if variable {
        let says =
            "a matrix coefficient has a phase or a variable, which BS.2127-1 does not render";
        return Err(element(model, channel, says));
    }
    if !(0.0..=MAX_DELAY_MS).contains(&coefficient.delay_ms.unwrap_or(0.0)) {
        let says = "a matrix coefficient's delay is negative or over ten seconds";
        return Err(element(model, channel, says));
    }
    Ok(())
}

/// The channels of `pack` and those of `to` go together one by one.
fn check_outputs(model: &Model, pack: usize, to: usize) -> Result<(), SceneError> {
    let mut open = channels_within(model, to)?;
    for channel in model.packs[pack]
        .channels
        .iter()
        .filter_map(|channel| channel.index())
    {
        let output = output_channel(model, channel)?;
        let Some(place) = open.iter().position(|&other| other == output) else {
            let says = format!(
                "the outputChannelFormat {} is used twice, or pack {} does not hold it",
                model.channels[output].id, model.packs[to].id
            );
            return Err(SceneError::Element {
                element: model.channels[channel].id.clone(),
                says,
            });
        };
        open.remove(place);
    }
    match open.first() {
        Some(&missing) => {
            let says = format!(
                "no channel of the matrix goes to channel {} of pack {}",
                model.channels[missing].id, model.packs[to].id
            );
            Err(fault(&model.packs[pack], &says))
        }
        None => Ok(()),
    }
}

fn output_channel(model: &Model, channel: usize) -> Result<usize, SceneError> {
    let output = block(model, channel)?.output_channel.as_ref();
    output.and_then(|output| output.index()).ok_or_else(|| {
        element(
            model,
            channel,
            "a direct or decoding matrix channel names its outputChannelFormat",
        )
    })
}

fn block(model: &Model, channel: usize) -> Result<&MatrixBlock, SceneError> {
    match &model.channels[channel].blocks {
        Blocks::Matrix(blocks) => match blocks.as_slice() {
            [block] if block.time.rtime.is_none() && block.time.duration.is_none() => Ok(block),
            _ => Err(element(
                model,
                channel,
                "a matrix channel has one block, without times",
            )),
        },
        _ => Err(element(
            model,
            channel,
            "the channel is not of type Matrix, as its pack is",
        )),
    }
}

fn element(model: &Model, channel: usize, says: &str) -> SceneError {
    SceneError::Element {
        element: model.channels[channel].id.clone(),
        says: says.to_owned(),
    }
}

/// The sum of tracks behind a channel: a track's own, or what a matrix makes of others.
fn follow(
    model: &Model,
    inputs: &[(usize, Feed)],
    channel: usize,
    sample_rate: u32,
    depth: usize,
) -> Result<Feed, SceneError> {
    if let Some((_, feed)) = inputs.iter().find(|(input, _)| *input == channel) {
        return Ok(feed.clone());
    }
    // Decoding reads encoding, and that reads channels that tracks stand for.
    if depth > 2 {
        return Err(element(model, channel, "the matrix feeds itself"));
    }
    let block = block(model, channel)?;
    let mut sum = Feed::new();
    for coefficient in &block.coefficients {
        supported(model, channel, coefficient)?;
        let delay_frames = delay_frames(coefficient.delay_ms.unwrap_or(0.0), sample_rate);
        let Some(input) = coefficient.input_channel.index() else {
            return Err(element(
                model,
                channel,
                "a coefficient's channel is not in the file",
            ));
        };
        for tap in follow(model, inputs, input, sample_rate, depth + 1)? {
            let gain = tap.gain * coefficient.gain.unwrap_or(1.0) * block.gain;
            if gain.is_nan() || gain.abs() > MAX_GAIN {
                return Err(element(
                    model,
                    channel,
                    "the matrix amplifies by over 120 dB",
                ));
            }
            sum.push(Tap {
                gain,
                delay_frames: tap.delay_frames + delay_frames,
                ..tap
            });
        }
        if sum.len() > MAX_TAPS {
            return Err(element(
                model,
                channel,
                "the matrix is a sum of too many tracks",
            ));
        }
    }
    Ok(sum)
}

/// Whole frames; halves go down, and each coefficient is rounded by itself (BS.2127-1, clause 6.6).
fn delay_frames(delay_ms: f64, sample_rate: u32) -> u64 {
    (f64::from(sample_rate) * delay_ms / 1000.0 - 0.5)
        .ceil()
        .max(0.0) as u64
}
