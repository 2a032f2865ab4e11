//! The listening caution: what playing a file could do to ears and loudspeakers.
//!
//! In: facts. Out: the sentence that opens every face, or nothing. It hints at what these
//! measurements can tell and defers to local rules; a file without it is not thereby safe.

use super::facts::Facts;
use crate::measure::{LoudKind, Measurements};
use crate::specimen::OddityKind;

/// Own choice: float samples this far over full scale are no headroom but a mistake of gain.
const OVER_FULL_SCALE_DB: f64 = 6.0;
/// Own choice, after the crest of a sine (3.01 dB): music has more over a whole file.
const CREST_DB: f64 = 4.0;
const LOUD_TONE_DBFS: f64 = -6.0;
/// A tone this short is a click. Own choice.
const TONE_AT_LEAST_S: f64 = 1.0;
/// Own choice: a tenth of full scale as direct current warms a voice coil.
const DC_OFFSET: f64 = 0.1;

/// A blast in a soft programme, for which the room is turned up. Own choice: a tenth of all music
/// rises by 20 LU in 400 ms; none of 411 pieces rose so to this loudness and so far over its own.
const BLAST_LUFS: f64 = -14.0;
const BLAST_OVER_PROGRAMME_LU: f64 = 10.0;
/// What nobody hears heats tweeters all the same. Own choice of the levels.
const OVER_16_KHZ_DBFS: f64 = -40.0;
/// Spread over the whole band: 66 minutes of loud music reached -32.9, drums of white noise -26.
const ULTRASONIC_DBFS: f64 = -25.0;
/// In one tone, which no instrument makes there: a sine of -37 dBFS, whose root mean square is 3 dB
/// less.
const ULTRASONIC_TONE_DBFS: f64 = -40.0;

/// The sentence, where there is reason for one.
pub fn caution(facts: &Facts) -> Option<String> {
    let mut reasons: Vec<String> = Vec::new();
    let not_finite = |kind| matches!(kind, OddityKind::FloatNan | OddityKind::FloatInf);
    if facts.oddities.iter().any(|oddity| not_finite(oddity.kind)) {
        reasons.push("samples that are no finite number".into());
    }
    if let Some(measured) = facts.measurements {
        // Of an object-based master the tracks may be low and their sum high.
        let renders = measured.immersive.iter().flat_map(|of| &of.renders);
        let peak = [&measured.peaks]
            .into_iter()
            .chain(renders.map(|render| &render.peaks))
            .filter_map(|peaks| Some(peaks.sample_peak_dbfs?.value()))
            .max_by(f64::total_cmp)
            .filter(|peak| *peak > OVER_FULL_SCALE_DB);
        if let Some(peak) = peak {
            reasons.push(format!("peaks {peak:.1} dB over full scale"));
        }
        let length = measured.frames.at(measured.sample_rate).0;
        let tone = measured.channels.iter().find(|channel| {
            let (Some(peak), Some(rms)) = (channel.sample_peak_dbfs, channel.rms_dbfs) else {
                return false;
            };
            length >= TONE_AT_LEAST_S
                && peak.value() > LOUD_TONE_DBFS
                && peak.value() - rms.value() < CREST_DB
        });
        if let Some(channel) = tone {
            reasons.push(format!(
                "{} is as steady and loud as a test tone or a stuck decoder",
                channel.label
            ));
        }
        let passage = measured.survey.as_ref().and_then(|survey| {
            let loud = survey.loud.filter(|_| tone.is_none())?;
            Some((loud, survey.channels.get(loud.channel)?))
        });
        if let Some((loud, channel)) = passage {
            let what = match loud.kind {
                LoudKind::Tone => "a steady tone near full scale",
                LoudKind::Noise => "noise near full scale",
            };
            reasons.push(format!("{what} from {} on, on {channel}", loud.start_s));
        }
        reasons.extend(blast(measured));
        reasons.extend(unheard(measured));
        let dc = measured
            .channels
            .iter()
            .filter(|channel| channel.dc_offset.abs() > DC_OFFSET)
            // Backwards, so that of equals the first is told.
            .rev()
            .max_by(|a, b| a.dc_offset.abs().total_cmp(&b.dc_offset.abs()));
        if let Some(channel) = dc {
            let per_cent = channel.dc_offset.abs() * 100.0;
            let offset = match per_cent <= 100.0 {
                true => format!("of {per_cent:.0} %"),
                false => "beyond full scale".to_owned(),
            };
            reasons.push(format!("a DC offset {offset} on {}", channel.label));
        }
    }
    (!reasons.is_empty()).then(|| {
        format!(
            "playing this file could hurt ears or loudspeakers ({}): listen at low level first; follow your local hearing-protection rules",
            reasons.join("; ")
        )
    })
}

/// A rise out of the soft to what is loud for this programme, on the file or on a render.
fn blast(measured: &Measurements) -> Option<String> {
    let renders = measured.immersive.iter().flat_map(|of| &of.renders);
    [measured.loudness.get()]
        .into_iter()
        .chain(renders.map(|render| render.loudness.get()))
        .flatten()
        .find_map(|loudness| {
            let blast = loudness.sudden_max_lufs?.value();
            let over = blast - loudness.integrated_lufs?.value();
            let at = loudness.sudden_max_at_s?;
            (blast > BLAST_LUFS && over > BLAST_OVER_PROGRAMME_LU).then(|| {
                format!("a sudden rise to {blast:.1} LUFS at {at}, {over:.0} LU over the programme")
            })
        })
}

/// Much energy where ears tell little of it, for a second in sum.
fn unheard(measured: &Measurements) -> Option<String> {
    let survey = measured.survey.as_ref()?;
    (survey.high_bands.iter().zip(&survey.channels)).find_map(|(bands, name)| {
        let spread = bands.ultrasonic_dbfs.over(ULTRASONIC_DBFS);
        let tone = || bands.ultrasonic_tone_dbfs.over(ULTRASONIC_TONE_DBFS);
        if let Some(level) = spread.or_else(tone) {
            return Some(format!(
                "{level:.0} dBFS over 20 kHz on {name}, which loudspeakers get and nobody hears"
            ));
        }
        let mostly_high = bands.mostly_over_16_khz_dbfs.over(OVER_16_KHZ_DBFS);
        mostly_high.map(|_| format!("more energy over 16 kHz than below on {name}"))
    })
}
