//! Bursts of noise as a decoder makes them that has lost its place: white, level, all channels.
//!
//! In: planes of samples. Out: [`BurstFacts`]. Whiteness is the spectral flatness by linear
//! prediction, what remains of the energy after the best predictor (J. D. Markel, A. H. Gray,
//! "Linear Prediction of Speech", 1976, chapter 6, from memory). All limits are own choices:
//! there is no published corpus of such bursts.

use super::discontinuities::decibels;
use super::prediction::error_filter;
use crate::measure::spot::ramp;
use crate::measure::{Spot, Spots};
use crate::units::Hertz;
use crate::vector::{Work, fast};

/// Samples that are judged together, counted from the first one.
const HOP: usize = 256;
/// Order of the predictor that tests the whiteness.
const ORDER: usize = 12;
/// A hop may be noise when neighbouring samples correlate less than that.
const UNCORRELATED: f64 = 0.25;
/// Shortest and longest burst, seconds.
const SHORTEST_S: f64 = 0.02;
const LONGEST_S: f64 = 0.5;
/// Hops before and after that are the context; next to the burst one may be half noise.
const CONTEXT: usize = 32;
/// From that many in one file on they may be a sound of the piece; they stay as sure as they are.
const MANY: u64 = 4;
const REMARK: f64 = 0.25;

/// What the meter of noise bursts found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BurstFacts {
    /// All channels together, to `HOP` samples. `size`: root mean square, in dBFS.
    pub bursts: Spots,
}

/// Finds noise bursts.
pub struct BurstMeter {
    rate: f64,
    /// Per channel: the hop that is being filled, and the last sample before it.
    hops: Vec<Vec<f64>>,
    last: Vec<f64>,
    taken: u64,
    /// Mean square of the first difference in the last hops, loudest channel.
    context: Vec<f64>,
    run: Option<Run>,
    /// A run that has ended, while the context after it is gathered.
    ended: Option<Run>,
    places: Vec<Spot>,
    total: u64,
}

/// Neighbouring hops that may be noise.
#[derive(Clone)]
struct Run {
    start: u64,
    end: u64,
    /// Per channel: the sums of the products at each distance.
    sums: Vec<[f64; ORDER + 1]>,
    differences: f64,
    /// Of the whole hops; the first and the last may be half noise.
    loudest: f64,
    faintest: f64,
    newest: f64,
    peak: f64,
    before: f64,
    after: Vec<f64>,
}

impl BurstMeter {
    pub fn new(rate: Hertz, channels: usize) -> Self {
        Self {
            rate: f64::from(rate.value()),
            hops: vec![Vec::with_capacity(HOP); channels],
            last: vec![0.0; channels],
            taken: 0,
            context: Vec::new(),
            run: None,
            ended: None,
            places: Vec::new(),
            total: 0,
        }
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed(&mut self, planes: &[&[f64]]) {
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total {
            let held = self.hops.first().map_or(0, Vec::len);
            let take = (HOP - held).min(total - done);
            if take == HOP {
                // A whole hop is looked at where it is.
                let taken: Vec<&[f64]> = planes.iter().map(|p| &p[done..done + HOP]).collect();
                self.close_hop(&taken);
            } else {
                for (hop, plane) in self.hops.iter_mut().zip(planes) {
                    hop.extend_from_slice(&plane[done..done + take]);
                }
                if held + take == HOP {
                    let mut hops = std::mem::take(&mut self.hops);
                    let filled: Vec<&[f64]> = hops.iter().map(|hop| &hop[..]).collect();
                    self.close_hop(&filled);
                    hops.iter_mut().for_each(Vec::clear);
                    self.hops = hops;
                }
            }
            done += take;
        }
    }

    /// Ends the programme.
    pub fn finish(mut self) -> BurstFacts {
        if let Some(run) = self.run.take() {
            self.close_run(run);
        }
        if let Some(run) = self.ended.take() {
            self.judge(&run);
        }
        let mut bursts = Spots::default();
        for mut spot in self.places {
            spot.summarised = self.total >= MANY;
            bursts.push(spot);
        }
        bursts.total = self.total;
        BurstFacts { bursts }
    }

    fn close_hop(&mut self, hops: &[&[f64]]) {
        let (mut noise, mut sounding, mut difference) = (true, false, 0.0f64);
        for (samples, last) in hops.iter().zip(&mut self.last) {
            let before = std::mem::replace(last, samples[HOP - 1]);
            let (energy, product) = fast(Energies { before, samples });
            if energy > 0.0 {
                sounding = true;
                noise &= product.abs() < UNCORRELATED * energy;
                difference = difference.max(2.0 * (energy - product).max(0.0) / HOP as f64);
            }
        }
        self.taken += HOP as u64;
        if noise && sounding {
            self.extend(difference, hops);
        } else if let Some(run) = self.run.take() {
            self.close_run(run);
        }
        if let Some(run) = &mut self.ended {
            run.after.push(difference);
            if run.after.len() >= CONTEXT
                && let Some(run) = self.ended.take()
            {
                self.judge(&run);
            }
        }
        if self.run.is_none() {
            if self.context.len() == CONTEXT {
                self.context.remove(0);
            }
            self.context.push(difference);
        }
    }

    fn extend(&mut self, difference: f64, hops: &[&[f64]]) {
        let start = self.taken - HOP as u64;
        let channels = hops.len();
        // The hop before may be half noise: it is no context.
        let settled = &self.context[..self.context.len().saturating_sub(1)];
        let before = settled.iter().sum::<f64>() / settled.len().max(1) as f64;
        let run = self.run.get_or_insert_with(|| Run {
            start,
            end: start,
            sums: vec![[0.0; ORDER + 1]; channels],
            differences: 0.0,
            loudest: 0.0,
            faintest: f64::MAX,
            newest: 0.0,
            peak: 0.0,
            before,
            after: Vec::new(),
        });
        run.end = self.taken;
        run.differences += difference;
        if run.end - run.start > 2 * HOP as u64 {
            run.loudest = run.loudest.max(run.newest);
            run.faintest = run.faintest.min(run.newest);
        }
        run.newest = difference;
        // A run that is too long already is none: its sums are not asked for.
        if (run.end - run.start) as f64 > 2.0 * LONGEST_S * self.rate {
            return;
        }
        for (samples, sums) in hops.iter().zip(&mut run.sums) {
            for (distance, sum) in sums.iter_mut().enumerate() {
                let later = &samples[distance..];
                *sum += samples.iter().zip(later).map(|(a, b)| a * b).sum::<f64>();
            }
            run.peak = samples.iter().fold(run.peak, |top, v| top.max(v.abs()));
        }
    }

    /// A run has ended: noise that goes on too long, or ends too soon, is music.
    fn close_run(&mut self, run: Run) {
        let seconds = (run.end - run.start) as f64 / self.rate;
        if (SHORTEST_S * 0.6..=LONGEST_S * 1.1).contains(&seconds) && self.ended.is_none() {
            self.ended = Some(run);
        }
    }

    fn judge(&mut self, run: &Run) {
        let frames = (run.end - run.start) as f64;
        let mut flatness = 1.0f64;
        let mut mean_square = 0.0f64;
        for sums in run.sums.iter().filter(|sums| sums[0] > 0.0) {
            let mut filter = [0.0; ORDER + 1];
            error_filter(sums, &mut filter);
            let left: f64 = sums
                .iter()
                .zip(&filter)
                .map(|(sum, weight)| sum * weight)
                .sum();
            flatness = flatness.min(left / sums[0]);
            mean_square = mean_square.max(sums[0] / frames);
        }
        let settled = run.after.get(1..).unwrap_or_default();
        let after = settled.iter().sum::<f64>() / settled.len().max(1) as f64;
        let here = run.differences / (frames / HOP as f64);
        let contrast = decibels(here / run.before.max(after).max(1e-12));
        let crest = decibels(run.peak * run.peak / mean_square.max(1e-30));
        let steady = decibels(run.loudest / run.faintest.max(1e-30));
        let confidence = ramp(flatness, 0.8, 0.96)
            .min(ramp(decibels(mean_square), -18.0, -6.0))
            .min(ramp(contrast, 14.0, 26.0))
            .min(ramp(crest, 16.0, 12.0))
            .min(ramp(steady, 6.0, 2.0));
        if confidence >= REMARK {
            self.total += 1;
            if self.places.len() < Spots::KEPT {
                self.places.push(Spot {
                    start: run.start,
                    end: run.end,
                    channel: None,
                    size: decibels(mean_square),
                    confidence,
                    inherited: false,
                    summarised: false,
                });
            }
        }
    }
}

/// Energy of a hop, and the sum of products with the sample before.
struct Energies<'a> {
    before: f64,
    samples: &'a [f64],
}

impl Work for Energies<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn work(self) -> (f64, f64) {
        let (mut energy, mut product) = ([0.0f64; 8], [0.0f64; 8]);
        let Some(first) = self.samples.first_chunk::<8>() else {
            return (0.0, 0.0);
        };
        let mut past = [self.before; 8];
        past[1..].copy_from_slice(&first[..7]);
        for lane in 0..8 {
            energy[lane] += first[lane] * first[lane];
            product[lane] += first[lane] * past[lane];
        }
        let now = self.samples[8..].as_chunks::<8>().0;
        for (now, past) in now.iter().zip(self.samples[7..].as_chunks::<8>().0) {
            for lane in 0..8 {
                energy[lane] += now[lane] * now[lane];
                product[lane] += now[lane] * past[lane];
            }
        }
        (energy.iter().sum(), product.iter().sum())
    }
}
