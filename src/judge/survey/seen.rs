//! What the survey has for each check.
//!
//! In: the survey. Out: places, and the words for what is true of the whole file. Decides nothing
//! but which of a meter's facts a check is about.

use super::super::catalogue::Check;
use super::super::facts::Facts;
use crate::measure::provenance::{CodecFamily, LossyReason, PaddingKind};
use crate::measure::{Place, Places, Spots, Survey};
use crate::units::{Frames, Seconds};

/// What was seen for one check.
#[derive(Default)]
pub struct Seen {
    pub places: Places,
    /// In place of how many there are and where: for what is true of the whole file.
    pub says: Option<String>,
    pub value: Option<f64>,
}

/// Common practice, no source: louder than this it is no residue of a converter.
const ULTRASONIC_TONE_DBFS: f64 = -60.0;
/// the house's notes on the trade, H8.
const SUBSONIC_DB: f64 = -20.0;

/// The places of a fault.
pub fn seen(check: &Check, survey: &Survey, facts: &Facts) -> Seen {
    let (group, name) = check.id.split_once('.').unwrap_or((check.id, ""));
    let spots = match group {
        "provenance" => return provenance(name, survey, facts),
        "defect" => defects(name, survey),
        "channels" => between(name, survey),
        _ if check.id == "peaks.inter_sample_over" => return inter_sample(facts),
        _ => ends(check.id, survey),
    };
    let places = spots
        .iter()
        .fold(Places::default(), |all, spots| joined(all, survey, spots));
    let says = match check.id {
        "defect.hum" => whole(&places, |place| {
            let level = place.value.unwrap_or_default();
            let on = place.channel.as_deref().unwrap_or("all channels");
            format!("mains hum of {level:.1} dBFS on {on}, steady throughout")
        }),
        "edges.abrupt_start" => whole(&places, |place| {
            let level = place.value.unwrap_or_default();
            format!("the file begins within sound ({level:.1} dBFS)")
        }),
        "edges.cut_tail" => whole(&places, |place| {
            let level = place.value.unwrap_or_default();
            format!("the file ends within sound ({level:.1} dBFS)")
        }),
        "edges.chopped_tail" => whole(&places, |place| {
            let level = place.value.unwrap_or_default();
            format!("the tail stops at {level:.1} dBFS, before it is gone")
        }),
        "channels.polarity" => whole(&places, |place| {
            let value = place.value.unwrap_or_default();
            format!("one channel of a pair is upside down: their correlation is {value:.2}")
        }),
        "channels.dual_mono" => whole(&places, |_| {
            "both channels of the pair are the same".to_owned()
        }),
        "channels.channel_delay" => whole(&places, |place| {
            let on = place.channel.as_deref().unwrap_or("one channel");
            let by = place.value.unwrap_or_default();
            format!("{on} is {by:.0} samples late throughout")
        }),
        "channels.level_imbalance" => whole(&places, |place| {
            let on = place.channel.as_deref().unwrap_or("one channel");
            let by = place.value.unwrap_or_default();
            format!("{on} is {by:.1} dB under its partner throughout")
        }),
        "channels.channel_order" => whole(&places, |place| {
            let on = place.channel.as_deref().unwrap_or("another channel");
            let order = survey.between.as_ref().and_then(|facts| {
                let order = facts.scalars.order.as_ref()?;
                order.fits_order.clone()
            });
            let fits = order.map_or(String::new(), |order| format!("; the order {order} fits"));
            format!("{on} holds what an LFE holds, and the LFE does not{fits}")
        }),
        "channels.lfe_full_range" => whole(&places, |place| {
            let value = place.value.unwrap_or_default();
            format!("the LFE's energy over 500 Hz is {value:.1} dB against that from 20 to 120 Hz")
        }),
        "channels.lfe_silent" => whole(&places, |_| {
            "the LFE is silent, and other channels hold low frequencies".to_owned()
        }),
        _ => None,
    };
    Seen {
        places,
        says,
        value: None,
    }
}

fn whole(places: &Places, says: impl Fn(&Place) -> String) -> Option<String> {
    let surest = places.listed.iter().max_by(|a, b| {
        let sure = |place: &Place| place.confidence.unwrap_or(1.0);
        sure(a).total_cmp(&sure(b))
    });
    surest.map(says)
}

fn joined(mut all: Places, survey: &Survey, spots: &Spots) -> Places {
    let more = survey.places(spots);
    all.total += more.total;
    all.listed.extend(more.listed);
    all.listed
        .sort_by(|a, b| a.start_s.0.total_cmp(&b.start_s.0));
    all
}

fn defects(name: &str, survey: &Survey) -> Vec<Spots> {
    if let Some(found) = &survey.clicks {
        match name {
            "click" => return vec![found.discontinuities.clicks.clicks.clone()],
            "splice" => return vec![found.discontinuities.splices.splices.clone()],
            "burst" => return vec![found.bursts.bursts.clone()],
            _ => {}
        }
    }
    let Some(found) = &survey.defects else {
        return Vec::new();
    };
    match name {
        "periodic" => vec![found.periodic.spots.clone()],
        "hum" => vec![found.hum.hums.clone()],
        "dropout" => vec![
            found.gaps.all_channels.clone(),
            found.gaps.one_channel.clone(),
        ],
        "repeat" => vec![found.repeats.repeats.clone()],
        "dc_offset" => vec![found.dc.steps.clone()],
        "zero_tail" => vec![found.zeros.tail_spots()],
        "zero_hole" => vec![found.zeros.hole_spots()],
        _ => Vec::new(),
    }
}

fn ends(id: &str, survey: &Survey) -> Vec<Spots> {
    if id == "peaks.float_over_0dbfs" {
        return vec![survey.over_unity.places.clone()];
    }
    let Some(found) = &survey.ends else {
        return Vec::new();
    };
    match id {
        "edges.abrupt_start" => vec![found.ends.abrupt_start.clone()],
        "edges.cut_tail" => vec![found.ends.cut_tail.clone()],
        "edges.chopped_tail" => vec![found.ends.chopped_tail.clone()],
        "peaks.clipped" => vec![found.clipping.passages.clone()],
        "edges.digital_silence" => vec![found.silences.gaps.clone()],
        _ => Vec::new(),
    }
}

/// From here on a peak between samples is told: EBU R 128's tolerance for meters, 0.3 dB, on full
/// scale.
const OVER_DBTP: f64 = 0.3;

/// Overs of samples that are below full scale: the true-peak meter's places.
fn inter_sample(facts: &Facts) -> Seen {
    let Some(measured) = facts.measurements else {
        return Seen::default();
    };
    let mut places = Places::default();
    for place in &measured.overs.listed {
        let over = place.value.unwrap_or_default();
        if over > 0.0 {
            places.push(Place {
                confidence: Some(if over > OVER_DBTP { 0.9 } else { 0.4 }),
                ..place.clone()
            });
        }
    }
    Seen {
        places,
        ..Seen::default()
    }
}

fn between(name: &str, survey: &Survey) -> Vec<Spots> {
    let Some(facts) = &survey.between else {
        return Vec::new();
    };
    vec![match name {
        "polarity" => facts.polarity.clone(),
        "dual_mono" => facts.dual_mono.clone(),
        "channel_delay" => facts.channel_delay.clone(),
        "level_imbalance" => facts.level_imbalance.clone(),
        "channel_order" => facts.channel_order.clone(),
        "lfe_full_range" => facts.lfe_full_range.clone(),
        "lfe_silent" => facts.lfe_silent.clone(),
        _ => return Vec::new(),
    }]
}

fn provenance(name: &str, survey: &Survey, facts: &Facts) -> Seen {
    let Some(found) = &survey.provenance else {
        return Seen::default();
    };
    let summary = &found.summary;
    let file = |channel: Option<usize>, value: f64, sure: f64| Place {
        end_s: facts
            .measurements
            .map_or(Seconds(0.0), |m| m.frames.at(m.sample_rate)),
        start_frame: Frames(0),
        channel: channel.and_then(|channel| survey.channels.get(channel).cloned()),
        value: Some(value),
        confidence: Some(sure),
        ..Place::default()
    };
    let channels = summary.channels.iter().enumerate();
    let mut seen = Seen::default();
    match name {
        "bit_depth" => {
            let mut words: Vec<String> = Vec::new();
            for (channel, of) in channels {
                let bits = &of.bits;
                let Some(header) = bits.header_bits else {
                    continue;
                };
                let (used, sure, how) = match (&bits.hidden, bits.used_bits) {
                    (_, Some(used)) if used < header => (f64::from(used), 1.0, ""),
                    (Some(hidden), _) => {
                        let how = match hidden.kind {
                            PaddingKind::Dithered => ", and dither beneath",
                            PaddingKind::Gained => ", with a gain behind",
                        };
                        (hidden.effective_bits, hidden.confidence, how)
                    }
                    _ => continue,
                };
                seen.places.push(file(Some(channel), used, sure));
                words.push(format!("{used:.0} of {header} bits are used{how}"));
                seen.value = Some(seen.value.map_or(used, |least: f64| least.min(used)));
            }
            words.dedup();
            seen.says = words.into_iter().next();
        }
        "upsampled" => {
            if let Some(of) = &summary.upsampled {
                let rate = f64::from(of.original_rate_hz);
                seen.places.push(file(None, rate, of.confidence));
                seen.value = Some(rate);
                seen.says = Some(match of.kept_bits {
                    Some(bits) => format!(
                        "it was {rate:.0} Hz: its samples of {bits:.0} bits still stand among those that were put between"
                    ),
                    None => format!(
                        "it was {rate:.0} Hz: a step of {:.0} dB at {:.0} Hz, and nothing above",
                        of.step_db,
                        rate / 2.0
                    ),
                });
            }
        }
        "lossy_origin" => {
            let score = summary.lossy.score;
            seen.value = Some(score);
            let reasons: Vec<String> = summary.lossy.reasons.iter().map(reason).collect();
            if !reasons.is_empty() {
                seen.places.push(file(None, score, score));
                seen.says = Some(format!(
                    "signs of a lossy codec, score {score:.2}: {}; it is no proof",
                    reasons.join("; ")
                ));
            }
        }
        "undithered" => {
            let places = survey.places(&found.undithered);
            seen.says = whole(&places, |place| {
                let under = -place.value.unwrap_or_default();
                let on = place.channel.as_deref().unwrap_or("all channels");
                format!(
                    "16 bits without dither: at {} on {on}, in a quiet passage, the noise is {under:.1} dB under that of dither",
                    place.start_s
                )
            });
            seen.places = places;
        }
        "ultrasonic" => {
            for (channel, of) in channels {
                let levels = &of.levels;
                // Noise up there is in the figures only: cymbals make it too.
                let tone = levels.ultrasonic_tone_dbfs.unwrap_or(f64::NEG_INFINITY);
                if tone > ULTRASONIC_TONE_DBFS {
                    let hz = levels.ultrasonic_tone_hz.unwrap_or_default();
                    seen.places.push(file(Some(channel), tone, 0.8));
                    seen.says = Some(format!("a tone at {hz:.0} Hz of {tone:.1} dBFS"));
                }
            }
        }
        "subsonic" => {
            for (channel, of) in channels {
                let level = of.levels.subsonic_db.unwrap_or(f64::NEG_INFINITY);
                if level > SUBSONIC_DB {
                    seen.places.push(file(Some(channel), level, 0.6));
                    let says = format!("energy under 20 Hz is {level:.1} dB of the whole");
                    seen.says.get_or_insert(says);
                }
            }
        }
        _ => {}
    }
    seen
}

fn reason(reason: &LossyReason) -> String {
    match reason {
        LossyReason::Framing {
            family,
            offset,
            fall_db,
            ..
        } => {
            let family = match family {
                CodecFamily::LayerIii => "MPEG layer III",
                CodecFamily::Aac => "AAC",
                CodecFamily::Vorbis => "Vorbis",
                CodecFamily::Opus => "Opus",
            };
            format!(
                "the frames of {family} at offset {offset}, where coefficients fall by {fall_db:.1} dB"
            )
        }
        LossyReason::CutOff { edge_hz, step_db } => {
            format!(
                "a low-pass of {step_db:.0} dB at {:.1} kHz",
                edge_hz / 1000.0
            )
        }
    }
}

/// A figure and its places.
pub fn number(check: &Check, survey: &Survey) -> Option<(f64, Places)> {
    let facts = survey.translation.as_ref()?;
    let table = &facts.table;
    let value = match check.id {
        "translation.mono_loss" => table.mono_loss_lu?.value(),
        "translation.mono_window" => {
            let value = table.mono_worst_window_lu?.value();
            return Some((value, survey.places(&facts.mono_losses)));
        }
        "translation.mono_band" => table.mono_worst_band_loss_db?,
        "translation.low_end" => table.low_end_lost_without_lfe_db?,
        _ => return None,
    };
    Some((value, Places::default()))
}
