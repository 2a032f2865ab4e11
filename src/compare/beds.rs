//! The channels of beds and scenes, which do not move: what the two models say of each.
//!
//! In: paired channels that are loudspeakers or scene components on both sides. Out: the
//! [`BedChange`]s of those that differ. Knows nothing of samples.

use super::movement::Models;
use super::pairing::Pair;
use super::path::{finite, speaker_position};
use super::side::Limits;
use super::spot::{Spot, angle_deg};
use super::types::{BedChange, Changed, PartKind};
use crate::adm::block::{Blocks, SpeakerBlock};

pub(super) fn bed_changes(models: &Models, limits: &Limits) -> Vec<BedChange> {
    let changes = models.pairs.iter().filter_map(|pair| {
        let both = [pair.mix.kind, pair.master.kind];
        if both.contains(&PartKind::Object) {
            return None;
        }
        compare(models, pair, limits)
    });
    changes.collect()
}

fn compare(models: &Models, pair: &Pair, limits: &Limits) -> Option<BedChange> {
    let mix = models.mix.channels.get(pair.mix.channel?)?;
    let master = models.master.channels.get(pair.master.channel?)?;
    let mix_object = models.mix.objects.get(pair.mix.object?);
    let master_object = models.master.objects.get(pair.master.object?);
    let mut change = BedChange {
        part: pair.mix.part.clone(),
        labels: None,
        position: None,
        largest_angle_deg: 0.0,
        gain: None,
        low_pass_hz: Changed::of(
            mix.frequency.low_pass.map(finite),
            master.frequency.low_pass.map(finite),
        ),
        mute: Changed::of(
            mix_object.is_some_and(|object| object.mute),
            master_object.is_some_and(|object| object.mute),
        ),
        other: mix.blocks.len() != master.blocks.len() || pair.mix.kind != pair.master.kind,
    };
    let gains = (
        mix_object.map_or(1.0, |object| finite(object.gain)),
        master_object.map_or(1.0, |object| finite(object.gain)),
    );
    match (&mix.blocks, &master.blocks) {
        (Blocks::DirectSpeakers(mix), Blocks::DirectSpeakers(master)) => {
            for (mix, master) in mix.iter().zip(master) {
                speakers(&mut change, (mix, master), gains, limits);
            }
        }
        (Blocks::Hoa(mix), Blocks::Hoa(master)) => {
            for (mix, master) in mix.iter().zip(master) {
                let place = |block: &crate::adm::block::HoaBlock| {
                    (block.order, block.degree, block.equation.clone())
                };
                change.other |= place(mix) != place(master)
                    || mix.normalization != master.normalization
                    || mix.screen_ref != master.screen_ref;
                let (one, other) = (finite(mix.gain) * gains.0, finite(master.gain) * gains.1);
                gain(&mut change, one, other, limits);
            }
        }
        (Blocks::Matrix(mix), Blocks::Matrix(master)) => {
            let coefficients = mix.iter().zip(master);
            change.other |= coefficients
                .into_iter()
                .any(|(mix, master)| mix.coefficients != master.coefficients);
        }
        _ => {}
    }
    let differs = change.labels.is_some()
        || change.position.is_some()
        || change.gain.is_some()
        || change.low_pass_hz.is_some()
        || change.mute.is_some()
        || change.other;
    differs.then_some(change)
}

/// The first block that differs is told, the largest angle of all.
fn speakers(
    change: &mut BedChange,
    (mix, master): (&SpeakerBlock, &SpeakerBlock),
    gains: (f64, f64),
    limits: &Limits,
) {
    if change.labels.is_none() {
        change.labels = Changed::of(mix.labels.clone(), master.labels.clone());
    }
    let (in_mix, mix_cartesian) = speaker_position(&mix.position);
    let (in_master, master_cartesian) = speaker_position(&master.position);
    let angle = angle_deg(
        Spot::new(in_mix, mix_cartesian),
        Spot::new(in_master, master_cartesian),
    );
    change.largest_angle_deg = change.largest_angle_deg.max(angle);
    // The third number of a polar position is its distance.
    let distance =
        mix_cartesian == master_cartesian && (in_mix[2] - in_master[2]).abs() > limits.value;
    if change.position.is_none() && (angle > limits.angle_deg || distance) {
        change.position = Some(Changed {
            mix: in_mix,
            master: in_master,
        });
    }
    change.other |= mix.screen_edge_lock != master.screen_edge_lock;
    let (one, other) = (finite(mix.gain) * gains.0, finite(master.gain) * gains.1);
    gain(change, one, other, limits);
}

fn gain(change: &mut BedChange, mix: f64, master: f64, limits: &Limits) {
    if change.gain.is_none() && (mix - master).abs() > limits.value {
        change.gain = Some(Changed { mix, master });
    }
}
