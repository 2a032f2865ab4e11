//! From sums to the table.

use realfft::num_complex::Complex;

use super::bands::{self, power_gain};
use super::third_octaves::{BANDS, NOMINAL, Spectrum, edges};
use super::types::*;
use super::{Desk, Stages, WITH_LFE};
use crate::measure::hop::HopLoudness;
use crate::measure::k_weighting::stages;
use crate::units::{DbTp, Frames, Lu, Lufs};

/// Up to the band at 315 Hz the bass spectra tell, over it the others.
const FIRST_HIGH: usize = 13;
/// Bands this far under the loudest are not asked what mono takes from them.
const HEARD_DB: f64 = 20.0;

/// Squared gain of the K-weighting at a frequency (ITU-R BS.1770-5, Annex 1).
pub(super) fn k_power_gain(hertz: f64, rate: f64) -> f64 {
    let z = Complex::from_polar(1.0, -2.0 * std::f64::consts::PI * hertz / rate);
    stages(rate)
        .iter()
        .map(|s| {
            let above = z * (z * s.b[2] + s.b[1]) + s.b[0];
            let below = z * (z * s.a[1] + s.a[0]) + 1.0;
            above.norm_sqr() / below.norm_sqr()
        })
        .product()
}

impl Stages {
    /// Mean squares of a view in third-octave bands.
    fn bands_of(&self, view: Spectrum, gain: impl Fn(f64) -> f64) -> Vec<Option<f64>> {
        (0..BANDS)
            .map(|band| {
                let hertz = edges(band);
                let welch = match band < FIRST_HIGH {
                    true => &self.bass.welch,
                    false => &self.spectra,
                };
                if hertz[1] > 0.5 * self.spectra.rate {
                    return None;
                }
                let db = 10.0 * welch.mean_square(view, hertz, &gain).log10();
                db.is_finite().then_some(db)
            })
            .collect()
    }
}

fn change(view: Option<Lufs>, against: Option<Lufs>) -> Option<Lu> {
    view.zip(against).map(|(view, against)| view - against)
}

pub(super) fn read(mut meter: Desk) -> TranslationFacts {
    let stages = &mut meter.stages;
    stages.losses.close();
    stages.bass.finish();
    stages.spectra.finish();
    let stages = &meter.stages;
    let loudness: Vec<Option<Lufs>> = stages
        .loudness
        .iter()
        .map(HopLoudness::integrated)
        .collect();
    let mut views = Vec::new();
    let mut view = |name: &str, made_by: String, index: usize, against: Option<(&str, usize)>| {
        views.push(View {
            name: name.to_owned(),
            made_by,
            loudness_lufs: loudness[index],
            change_lu: against.and_then(|(_, other)| change(loudness[index], loudness[other])),
            against: against.map(|(name, _)| name.to_owned()),
            true_peak_dbtp: None,
            bands_db: Vec::new(),
        });
    };
    let made = format!("made of {}", meter.fold.taken_from);
    view("stereo fold", made, 0, None);
    view(
        "mono",
        "half the sum of both, in both loudspeakers".to_owned(),
        1,
        Some(("stereo fold", 0)),
    );
    for (index, (name, low, high, source)) in bands::BANDS.iter().enumerate() {
        let made = format!("mono, {low} to {high} Hz ({source})");
        view(name, made, 2 + index, Some(("mono", 1)));
    }
    if !meter.fold.lfe.is_empty() {
        let made = "stereo fold and the low-frequency channel, 10 dB up, shared by both";
        view(
            "soundbar with LFE",
            made.to_owned(),
            WITH_LFE,
            Some(("stereo fold", 0)),
        );
        let made = "stereo fold".to_owned();
        view(
            "soundbar without LFE",
            made,
            0,
            Some(("soundbar with LFE", WITH_LFE)),
        );
    }
    levels(&meter.stages, &mut views);
    peaks(&mut meter, &mut views);
    let stages = &mut meter.stages;
    let rate = meter.rate;
    let worst = stages.losses.worst;
    let worst_band = worst_band(&views[0].bands_db, &views[1].bands_db);
    let low_end = |view: Spectrum| stages.bass.welch.mean_square(view, [20.0, 120.0], |_| 1.0);
    let lost = 10.0 * (low_end(Spectrum::WithLfe) / low_end(Spectrum::Stereo)).log10();
    let (share, carried) = bass(stages, f64::from(rate.value()));
    TranslationFacts {
        mono_losses: std::mem::take(&mut stages.losses.places),
        table: Translation {
            taken_from: meter.fold.taken_from,
            mono_loss_lu: change(loudness[0], loudness[1]),
            views,
            band_centres_hz: NOMINAL.to_vec(),
            mono_worst_window_lu: worst.and_then(|(loss, _)| Lu::new(loss)),
            mono_worst_window_at_s: worst.map(|(_, start)| Frames(start).at(rate)),
            mono_lost_s: Frames(stages.losses.frames).at(rate),
            mono_worst_band_hz: worst_band.map(|(band, _)| NOMINAL[band]),
            mono_worst_band_loss_db: worst_band.map(|(_, loss)| loss),
            low_end_lost_without_lfe_db: (!meter.fold.lfe.is_empty() && lost.is_finite())
                .then_some(lost),
            bass_share: share,
            bass_carried_share: carried,
        },
    }
}

/// Band levels of every view, in the views' order.
fn levels(stages: &Stages, views: &mut [View]) {
    for (index, view) in views.iter_mut().enumerate() {
        view.bands_db = match index {
            0 | 6 => stages.bands_of(Spectrum::Stereo, |_| 1.0),
            1 => stages.bands_of(Spectrum::Mono, |_| 1.0),
            5 => stages.bands_of(Spectrum::WithLfe, |_| 1.0),
            band => stages.bands_of(Spectrum::Mono, |hertz| power_gain(band - 2, hertz)),
        };
    }
}

fn peaks(meter: &mut Desk, views: &mut [View]) {
    let own = meter.fold.peaks;
    let stages = &mut meter.stages;
    let top = |meters: &mut [super::PeakMeter]| {
        let peaks = meters.iter_mut().map(super::PeakMeter::finish);
        DbTp::from_linear(peaks.fold(0.0, f64::max))
    };
    let fold = top(&mut stages.fold_peaks).filter(|_| own);
    views[0].true_peak_dbtp = fold;
    views[1].true_peak_dbtp = top(std::slice::from_mut(&mut stages.mono_peak));
    for (view, peak) in views[2..].iter_mut().zip(stages.bands.finish()) {
        view.true_peak_dbtp = DbTp::from_linear(peak);
    }
    if let [_, _, _, _, _, with, without] = views {
        with.true_peak_dbtp = top(&mut stages.lfe_peaks);
        without.true_peak_dbtp = fold;
    }
}

fn worst_band(stereo: &[Option<f64>], mono: &[Option<f64>]) -> Option<(usize, f64)> {
    let loudest = stereo.iter().flatten().copied().reduce(f64::max)?;
    stereo
        .iter()
        .zip(mono)
        .enumerate()
        .filter_map(|(band, (stereo, mono))| {
            let level = stereo.filter(|&level| level > loudest - HEARD_DB)?;
            // A band of which nothing is left lost 100 dB.
            Some((band, mono.map_or(100.0, |mono| (level - mono).min(100.0))))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))
}

/// Share of the K-weighted energy from 30 to 100 Hz, and how much of it is carried over 100 Hz.
fn bass(stages: &Stages, rate: f64) -> (Option<f64>, Option<f64>) {
    let weight = |hertz: f64| k_power_gain(hertz, rate);
    let low = |hertz| {
        stages
            .bass
            .welch
            .mean_square(Spectrum::Stereo, hertz, weight)
    };
    let all = low([15.0, 350.0])
        + stages
            .spectra
            .mean_square(Spectrum::Stereo, [350.0, 0.5 * stages.spectra.rate], weight);
    let share = low([30.0, 100.0]) / all;
    let carried = stages.bass.carried / stages.bass.bass;
    let known = |value: f64| value.is_finite().then_some(value);
    (known(share), known(carried))
}
