//! From what was measured to what is wrong: every finding with its confidence.

use super::balance::Balance;
use super::delay::Lag;
use super::order::{self, Candidate, between};
use super::types::*;
use super::{Desk, PairMeter};
use crate::measure::{Spot, Spots};
use crate::units::{Dbfs, Frames, Hertz, Lu};

/// Linear -80 dBFS: a channel that never passes it is silent.
const SILENT: f64 = 1e-4;

pub(super) fn facts(mut meter: Desk) -> ChannelFacts {
    let mut facts = ChannelFacts {
        coverage: meter.coverage,
        ..ChannelFacts::default()
    };
    let label = |index: usize| match &meter.labels {
        Some(labels) => labels[index].to_string(),
        None => format!("ch {}", index + 1),
    };
    let names: Vec<String> = (0..meter.channels.len()).map(label).collect();
    contents(&meter, &names, &mut facts);
    let mut pairs = std::mem::take(&mut meter.pairs);
    for pair in &mut pairs {
        let lag = pair.delay.finish(&mut meter.back);
        pair.windows.close();
        let read = Reading::of(pair, lag);
        read.tell(&mut facts, meter.frames);
        facts.scalars.pairs.push(read.facts(&names, meter.rate));
    }
    orders(&meter, &mut facts);
    if let Some((indices, sides)) = &meter.sides {
        facts.scalars.surround_balance_correlation = sides.correlation();
        facts.scalars.surround_coherence = sides.coherence();
        let balance = sides.correlation().unwrap_or(0.0);
        // A surround that follows the other side for effect does so too: never sure without a
        // reference, and the more of the two says so, the surer.
        let by_balance = 0.45 * between(-0.1, -0.5, balance);
        let [own, other] = sides.coherence().unwrap_or_default();
        // Own choice: in common with the other side what is clearly more than chance, and more
        // than twice what is in common with the own side.
        let by_coherence = 0.45 * between(0.05, 0.15, other - own) * between(0.7, 0.4, own / other);
        let confidence = (by_balance + by_coherence).min(0.7);
        let size = match by_coherence > by_balance {
            true => other - own,
            false => balance,
        };
        for index in &indices[2..] {
            whole(
                &mut facts.surround_swapped,
                meter.frames,
                Some(*index),
                size,
                confidence,
            );
        }
    }
    if facts
        .channel_order
        .listed
        .iter()
        .any(|spot| spot.confidence >= Spot::SURE)
    {
        // The labels are wrong, so the pairs were none: what they say is a remark.
        for spots in [
            &mut facts.polarity,
            &mut facts.anti_phase,
            &mut facts.dual_mono,
            &mut facts.channel_delay,
            &mut facts.level_imbalance,
            &mut facts.surround_swapped,
        ] {
            let listed = spots.listed.iter_mut();
            listed.for_each(|spot| spot.confidence = spot.confidence.min(0.3));
        }
        for finding in &mut facts.pair_findings {
            finding.confidence = finding.confidence.min(0.3);
        }
    }
    facts
}

/// A finding about the whole file, where there is any confidence in it.
fn whole(spots: &mut Spots, frames: u64, channel: Option<usize>, size: f64, confidence: f64) {
    if confidence > 0.0 {
        spots.push(Spot {
            start: 0,
            end: frames,
            channel,
            size,
            confidence,
            inherited: false,
            summarised: false,
        });
    }
}

fn contents(meter: &Desk, names: &[String], facts: &mut ChannelFacts) {
    let sounds = meter
        .channels
        .iter()
        .any(|channel| channel.largest >= SILENT);
    // A low-frequency channel of noise is one that is silent: told there.
    let lfe = |index: usize| {
        let labels = meter.labels.as_ref();
        labels.is_some_and(|labels| labels[index].is_lfe())
    };
    for (index, channel) in meter.channels.iter().enumerate() {
        let rms = channel.rms(meter.frames);
        let only_noise = channel.only_noise(meter.frames, &meter.spectra);
        if channel.largest < SILENT {
            facts.scalars.silent_channels.push(names[index].clone());
        }
        if let Some(rms) = rms.filter(|_| only_noise && sounds && !lfe(index)) {
            whole(
                &mut facts.only_noise,
                meter.frames,
                Some(index),
                rms.value(),
                0.8,
            );
        }
        facts.scalars.channels.push(ChannelContent {
            label: names[index].clone(),
            sample_peak_dbfs: Dbfs::from_linear(channel.largest),
            rms_dbfs: rms,
            high_less_low_db: channel.high_less_low_db(meter.frames, &meter.spectra),
            flatness_db: channel.flatness_db(&meter.spectra),
            only_noise,
        });
    }
}

fn orders(meter: &Desk, facts: &mut ChannelFacts) {
    let Some(labels) = &meter.labels else { return };
    let candidates: Vec<Candidate> = meter
        .channels
        .iter()
        .map(|channel| Candidate {
            high_less_low_db: channel.high_less_low_db(meter.frames, &meter.spectra),
            colour: channel.colour(&meter.spectra),
        })
        .collect();
    let found = order::look(&candidates, labels);
    let reads = |index: usize| candidates[index].high_less_low_db;
    let silent = |index: usize| {
        let channel = &meter.channels[index];
        channel.largest < SILENT || channel.only_noise(meter.frames, &meter.spectra)
    };
    if let &[looks] = &found.looks[..] {
        let size = reads(looks).unwrap_or(0.0);
        whole(
            &mut facts.channel_order,
            meter.frames,
            Some(looks),
            size,
            found.confidence,
        );
    }
    for &index in &found.labelled {
        match reads(index) {
            // In a wrong order the channel under the label is no LFE at all.
            Some(db) if db > order::LOW_PASSED_DB && found.confidence < Spot::SURE => {
                let confidence =
                    0.5 + 0.45 * between(order::LOW_PASSED_DB, order::FULL_RANGE_DB, db);
                whole(
                    &mut facts.lfe_full_range,
                    meter.frames,
                    Some(index),
                    db,
                    confidence,
                );
            }
            None if silent(index) => lfe_silent(meter, index, facts),
            _ => {}
        }
    }
    if !found.labelled.is_empty() || !found.looks.is_empty() {
        let from_one = |indices: &[usize]| indices.iter().map(|index| index + 1).collect();
        facts.scalars.order = Some(OrderFacts {
            labelled_lfe: from_one(&found.labelled),
            looks_like_lfe: from_one(&found.looks),
            fits_order: found.fits.map(str::to_owned),
        });
    }
}

/// A silent LFE beside others that have bass: often meant so, hence never more than advice.
fn lfe_silent(meter: &Desk, index: usize, facts: &mut ChannelFacts) {
    let others: f64 = meter
        .channels
        .iter()
        .map(|channel| channel.band(20.0..120.0, &meter.spectra))
        .sum();
    let blocks = (meter.frames as f64 / meter.block as f64).max(1.0);
    let mean_square = others * meter.spectra.to_mean_square() / blocks;
    if mean_square > 0.0 {
        let level = 10.0 * mean_square.log10();
        let confidence = 0.55 * between(-70.0, -45.0, level);
        whole(
            &mut facts.lfe_silent,
            meter.frames,
            Some(index),
            level,
            confidence,
        );
    }
}

/// One pair with its coefficients read.
struct Reading<'a> {
    meter: &'a PairMeter,
    lag: Option<Lag>,
    balance: Balance,
    all: Option<f64>,
    bands: [Option<f64>; 3],
    identical: bool,
    residual_db: Option<f64>,
}

impl<'a> Reading<'a> {
    fn of(meter: &'a PairMeter, lag: Option<Lag>) -> Self {
        let all = meter.all.coefficient();
        Self {
            lag,
            balance: meter.balance.finish(),
            bands: meter.bands.map(|band| band.coefficient()),
            identical: all.is_some() && meter.apart == 0.0,
            // 1 - r^2 in 64-bit floats bottoms out at about -150 dB.
            residual_db: all.map(|r| 10.0 * (1.0 - r * r).max(1e-15).log10()),
            all,
            meter,
        }
    }

    fn facts(&self, names: &[String], rate: Hertz) -> PairFacts {
        let windows = &self.meter.windows;
        let lu = |db: Option<f64>| db.and_then(Lu::new);
        let common = self.balance.common;
        PairFacts {
            left: names[self.meter.pair.left].clone(),
            right: names[self.meter.pair.right].clone(),
            correlation: self.all,
            correlation_low: self.bands[0],
            correlation_mid: self.bands[1],
            correlation_high: self.bands[2],
            correlation_min: windows.lowest.map(|(lowest, _)| lowest),
            correlation_min_at_s: windows.lowest.map(|(_, start)| Frames(start).at(rate)),
            below_minus_half: (windows.counted > 0)
                .then(|| windows.below_half as f64 / windows.counted as f64),
            identical: self.identical,
            residual_db: self.residual_db,
            lag_samples: self.lag.map(|lag| lag.samples),
            lag_peak: self.lag.map(|lag| lag.peak),
            peak_at_zero: self.lag.map(|lag| lag.at_zero),
            lag_share: self.lag.map(|lag| lag.share),
            balance_lu: lu(self.balance.loudness_db),
            balance_p10_lu: lu(self.balance.p10_db),
            balance_p90_lu: lu(self.balance.p90_db),
            common_balance_db: common.map(|common| common.db),
            common_share: common.map(|common| common.share),
            common_share_at_zero: common.map(|common| common.share_at_zero),
        }
    }

    fn tell(&self, facts: &mut ChannelFacts, frames: u64) {
        let pair = self.meter.pair;
        let right = Some(pair.right);
        let mut found = |fault, size, confidence: f64| {
            if confidence > 0.0 {
                facts.pair_findings.push(PairFinding {
                    fault,
                    left: pair.left,
                    right: pair.right,
                    size,
                    confidence,
                });
            }
        };
        if let (Some(all), Some(residual)) = (self.all, self.residual_db) {
            if all > 0.0 {
                found(PairFault::DualMono, residual, self.same(residual));
            }
            found(PairFault::Polarity, all, self.opposite(all));
        }
        if let Some(lag) = &self.lag {
            found(
                PairFault::Delay,
                lag.samples as f64,
                delayed(lag, pair.front),
            );
        }
        let imbalance = self.imbalance().filter(|_| pair.mirrored);
        if let Some((db, confidence)) = imbalance {
            found(PairFault::LevelImbalance, db, confidence);
        }
        if let (Some(all), Some(residual)) = (self.all, self.residual_db) {
            let same = self.same(residual);
            // An inverted copy is a matter of polarity first; a scaled one is the same signal.
            if all > 0.0 {
                whole(&mut facts.dual_mono, frames, right, residual, same);
            }
            let opposite = self.opposite(all);
            // Both are named: a pair alone does not tell which one is upside down.
            for channel in [self.meter.pair.left, self.meter.pair.right] {
                whole(&mut facts.polarity, frames, Some(channel), all, opposite);
            }
            if opposite < Spot::SURE {
                self.passages(facts);
            }
        }
        if let Some(lag) = self.lag {
            let late = match lag.samples > 0 {
                true => self.meter.pair.right,
                false => self.meter.pair.left,
            };
            let samples = lag.samples.unsigned_abs() as f64;
            whole(
                &mut facts.channel_delay,
                frames,
                Some(late),
                samples,
                delayed(&lag, self.meter.pair.front),
            );
        }
        if let Some((db, confidence)) = imbalance {
            let quieter = match db > 0.0 {
                true => self.meter.pair.right,
                false => self.meter.pair.left,
            };
            let spots = &mut facts.level_imbalance;
            whole(spots, frames, Some(quieter), db.abs(), confidence);
        }
    }

    /// How sure it is that both are one signal.
    fn same(&self, residual_db: f64) -> f64 {
        if self.identical {
            0.95
        } else {
            same(residual_db)
        }
    }

    /// How sure it is that one of the two is inverted.
    ///
    /// Whatever is done at the sides, the bass of recordings and mixes is nearly mono, and what
    /// is in the middle gives the whitened correlation a positive peak. Inverted, both turn over.
    fn opposite(&self, all: f64) -> f64 {
        let Some(lag) = self.lag else { return 0.0 };
        let peak = -lag.at_zero.min(lag.peak);
        let band = |index: usize| self.bands[index].unwrap_or(0.0);
        // A file without bass has noise there; then everything must be opposite, and nearly mono.
        let rest = all.max(band(1)).max(band(2));
        let sure = between(-0.75, -0.95, band(0)).max(between(-0.8, -0.95, rest));
        // Bass that is only half opposite may be wide on purpose: a remark.
        let perhaps = between(-0.2, -0.6, band(0));
        (0.95 * sure).max(0.45 * perhaps) * between(0.05, 0.2, peak)
    }

    fn passages(&self, facts: &mut ChannelFacts) {
        let windows = &self.meter.windows;
        facts.anti_phase.total += windows.passages_total - windows.passages.len() as u64;
        for passage in &windows.passages {
            let low = passage.low.coefficient().unwrap_or(0.0);
            facts.anti_phase.push(Spot {
                start: passage.start,
                end: passage.end,
                channel: None,
                size: passage.worst,
                // Wide sound is anti-phase in the middle and top, a fault in the bass too.
                confidence: 0.1 + 0.5 * between(-0.5, -0.9, low),
                inherited: false,
                summarised: false,
            });
        }
    }

    /// The gain that one channel seems to have too much, left less right in dB, and how sure
    /// that is.
    fn imbalance(&self) -> Option<(f64, f64)> {
        let balance = &self.balance;
        let (loudness, common) = (balance.loudness_db?, balance.common?);
        let (p10, p90) = (balance.p10_db?, balance.p90_db?);
        // How far the side that is louder leads at the least.
        let lead = |sign: f64| (p10 * sign).min(p90 * sign);
        // The middle is somewhere else, there is none at 0 dB, and everything leans that way.
        let size = common.db.abs();
        let peak = between(0.06, 0.12, common.share);
        let alone = between(0.7, 0.4, common.share_at_zero / common.share);
        let agrees = between(2.0, 1.0, (loudness - common.db).abs());
        let steady = between(-0.6, -0.1, lead(common.db.signum()) / size.max(0.1));
        let middle = 0.8 * between(1.0, 2.0, size) * peak * alone * agrees * steady;
        // No mix leans to one side by so much all the time.
        let always = 0.7 * between(4.5, 8.0, lead(loudness.signum()));
        Some(match middle >= always {
            true => (common.db, middle),
            false => (loudness, always),
        })
    }
}

/// How sure it is that two channels are one signal, by what differs.
fn same(residual_db: f64) -> f64 {
    // Rounding, dither and codecs set two copies apart, and two tracks of a mono tape: a remark.
    0.45 * between(-50.0, -70.0, residual_db)
}

/// How sure it is that one channel is late as a whole.
fn delayed(lag: &Lag, front: bool) -> f64 {
    if lag.samples == 0 {
        return 0.0;
    }
    let peak = lag.peak.abs();
    // One sample or two are also what crooked heads and wide microphones do.
    let (weak, enough) = match lag.samples.abs() {
        1 | 2 => (0.3, 0.5),
        _ => (0.15, 0.3),
    };
    let strong = between(weak, enough, peak);
    // Nothing is left in the middle but the peak's own flank.
    let left = (lag.at_zero / lag.peak - lag.flank).abs();
    let moved = between(0.4, 0.2, left);
    let whole_samples = between(0.45, 0.3, lag.fraction);
    let alone = between(0.6, 0.4, lag.strongest_other / peak);
    // Surrounds and heights are made unlike by delay on purpose: a remark.
    let most = if front { 0.95 } else { 0.4 };
    most * strong * moved * whole_samples * alone * between(0.7, 0.9, lag.share)
}
