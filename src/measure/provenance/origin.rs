//! From signs to scores: which signs speak for a lossy codec, which for an older sample rate.
//!
//! In: framings and the channels' spectra. Out: [`LossyOrigin`] and [`Upsampled`] of the file.

use super::offsets::Framing;
use super::types::{ChannelProvenance, LossyOrigin, LossyReason, Upsampled};

/// Own choice: where codecs put their low-pass; under it instruments end, over it converters do.
const CUT_OFFS_HZ: std::ops::RangeInclusive<f64> = 15_000.0..=20_600.0;
/// Own choice: what a cut-off says alone. Resamplers, old recordings and band-limited instruments
/// have steep ends too; a study shows that detectors which lean on the cut-off fail on settings
/// that they have not seen (arXiv 2407.21545).
const CUT_OFF_SCORE: f64 = 0.3;
/// Own choice: how much weaker a framing may be to be named as a reason at all.
const WORTH_NAMING: f64 = 1.0;

/// Own choice, measured: coefficients that fall by less than this do so at one offset in some clean
/// music too (exact loops, edits, trackers: up to 2.9 dB in five hours; what was coded and has no
/// low-pass: 8.5 dB and more). Then a second sign is needed.
const FALL_ALONE_DB: f64 = 3.0;
const ONE_WEAK_SIGN: f64 = 0.45;

/// The score of a lossy codec in the file's past.
pub(super) fn lossy(framings: &[Framing], channels: &[ChannelProvenance]) -> LossyOrigin {
    let mut score: f64 = 0.0;
    let mut reasons = Vec::new();
    // The strongest only: a codec's frame shows in its kin's transforms too.
    if let Some(best) = framings
        .first()
        .filter(|best| best.strength() >= WORTH_NAMING)
    {
        score = score_of(best.strength());
        reasons.push(LossyReason::Framing {
            family: best.family,
            offset: best.offset,
            fall_db: best.fall_db,
            deviations: best.deviations,
        });
    }
    let edges = channels.iter().filter_map(|channel| {
        let bandwidth = &channel.bandwidth;
        bandwidth.edge_hz.zip(bandwidth.step_db)
    });
    // The lowest edge of all channels: a low-frequency channel has none up there.
    let cut_off = edges
        .filter(|(edge, _)| CUT_OFFS_HZ.contains(edge))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((edge_hz, step_db)) = cut_off {
        score = score.max(CUT_OFF_SCORE);
        reasons.push(LossyReason::CutOff { edge_hz, step_db });
    }
    let in_one_segment = framings.first().is_some_and(|best| best.in_one_segment);
    if let [LossyReason::Framing { fall_db, .. }] = reasons.as_slice()
        && (*fall_db < FALL_ALONE_DB || in_one_segment)
    {
        score = score.min(ONE_WEAK_SIGN);
    }
    LossyOrigin { score, reasons }
}

/// 0.6 for a framing that is just strong enough, 0.9 at twice that, towards 1.
fn score_of(strength: f64) -> f64 {
    let over = strength - 1.0;
    if over < 1.0 {
        0.6 + 0.3 * over
    } else {
        1.0 - 0.1 / over.min(10.0)
    }
}

/// The older rate that all channels with one agree on; `None` where a codec explains the edge.
pub(super) fn upsampled(lossy: &LossyOrigin, channels: &[ChannelProvenance]) -> Option<Upsampled> {
    let mut found = channels
        .iter()
        .filter_map(|channel| channel.upsampled.as_ref());
    // Samples that were kept leave no doubt, whatever the spectrum says.
    let kept = |of: &&Upsampled| of.kept_bits.is_some();
    if let Some(sure) = found.clone().find(kept) {
        return Some(sure.clone());
    }
    let first = found.next()?;
    if found.any(|other| other.original_rate_hz != first.original_rate_hz) {
        return None;
    }
    // A channel whose spectrum reaches over the old half rate was never upsampled, and then
    // neither was the file: it is the channels' own end.
    let over = channels.iter().any(|channel| {
        // An image reaches over the old half rate itself.
        first.image_likeness.is_none()
            && channel.upsampled.is_none()
            && channel
                .bandwidth
                .edge_hz
                .is_some_and(|edge| edge > f64::from(first.original_rate_hz) / 2.0 * 1.06)
    });
    // Codecs end at 16 kHz, the half of 32 kHz, and at other old half rates.
    let codec = lossy
        .reasons
        .iter()
        .any(|reason| matches!(reason, LossyReason::Framing { .. }));
    (!over && !codec).then(|| first.clone())
}
