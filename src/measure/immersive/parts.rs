//! Bed against objects: the loudness of each alone on a render, and which buries which, when.

use super::types::{BURIED_LU, Parts};
use crate::measure::hop::HopLoudness;
use crate::measure::k_weighting::{KFilter, LANES, Sums};
use crate::measure::loudness::{LoudnessMeter, step_start};
use crate::measure::{Loudness, Place, Places};
use crate::units::{Frames, Hertz, Lu, Seconds};

/// A part under this is taken as not sounding: own choice, 10 LU over the absolute gate.
const SOUNDING_LUFS: f64 = -60.0;

/// The loudness of one part's loudspeaker signals.
struct PartMeter {
    weights: Vec<f64>,
    filters: Vec<KFilter>,
    sums: Vec<Sums>,
    rate: Hertz,
    loudness: LoudnessMeter,
    hop: HopLoudness,
    hop_energy: f64,
    frames: u64,
    step: u64,
}

impl PartMeter {
    fn new(weights: &[f64], rate: Hertz) -> Self {
        let groups = weights.len().div_ceil(LANES);
        Self {
            weights: weights.to_vec(),
            filters: vec![KFilter::new(f64::from(rate.value())); groups],
            sums: vec![Sums::default(); groups],
            rate,
            loudness: LoudnessMeter::new(rate),
            hop: HopLoudness::new(rate),
            hop_energy: 0.0,
            frames: 0,
            step: 0,
        }
    }

    /// Takes `frames` frames of all loudspeakers; `at_hop` is called at the end of every 100 ms.
    fn feed(&mut self, planes: &[Vec<f64>], frames: usize, at_hop: &mut dyn FnMut(&HopLoudness)) {
        let mut done = 0;
        while done < frames {
            let end = step_start(self.step + 1, self.rate);
            let left = usize::try_from(end - self.frames).unwrap_or(usize::MAX);
            let take = left.min(frames - done);
            for (group, (filter, sums)) in self.filters.iter_mut().zip(&mut self.sums).enumerate() {
                let first = group * LANES;
                let size = LANES.min(self.weights.len() - first);
                let mut lanes: [&[f64]; LANES] = [&[]; LANES];
                for (lane, slot) in lanes[..size].iter_mut().enumerate() {
                    *slot = &planes[first + lane][done..done + take];
                }
                filter.run(&lanes[..size], sums);
            }
            done += take;
            self.frames += take as u64;
            if self.frames == end {
                self.close_step(at_hop);
            }
        }
    }

    fn close_step(&mut self, at_hop: &mut dyn FnMut(&HopLoudness)) {
        let mut energy = 0.0;
        for (group, (sums, filter)) in self.sums.iter_mut().zip(&mut self.filters).enumerate() {
            let sums = std::mem::take(sums);
            filter.settle();
            for (lane, square) in sums.weighted_squares.iter().enumerate() {
                if let Some(weight) = self.weights.get(group * LANES + lane) {
                    energy += weight * square;
                }
            }
        }
        self.loudness.step(energy);
        self.step += 1;
        self.hop_energy += energy;
        if self.step.is_multiple_of(10) {
            self.hop.step(std::mem::take(&mut self.hop_energy));
            at_hop(&self.hop);
        }
    }

    fn finish(&self) -> Loudness {
        self.loudness.finish(Frames(self.frames))
    }
}

/// Both parts, and their difference over time.
pub(super) struct PartMeters {
    bed: Option<PartMeter>,
    objects: Option<PartMeter>,
    differences: Differences,
    objects_buried: Burials,
    bed_buried: Burials,
    rate: Hertz,
}

impl PartMeters {
    /// `bed` and `objects`: whether the scene has any.
    pub(super) fn new(weights: &[f64], rate: Hertz, bed: bool, objects: bool) -> Self {
        Self {
            bed: bed.then(|| PartMeter::new(weights, rate)),
            objects: objects.then(|| PartMeter::new(weights, rate)),
            differences: Differences::new(),
            objects_buried: Burials::default(),
            bed_buried: Burials::default(),
            rate,
        }
    }

    pub(super) fn feed(&mut self, bed: &[Vec<f64>], objects: &[Vec<f64>], frames: usize) {
        // A chunk is shorter than a hop, so at most one border lies in it.
        let mut bed_now = None;
        let mut objects_now = None;
        let mut passed = false;
        let value = |hop: &HopLoudness| hop.short_term_now().map(|lufs| lufs.value());
        if let Some(meter) = &mut self.bed {
            meter.feed(bed, frames, &mut |hop| {
                (passed, bed_now) = (true, value(hop))
            });
        }
        if let Some(meter) = &mut self.objects {
            meter.feed(objects, frames, &mut |hop| objects_now = value(hop));
        }
        if passed && self.objects.is_some() {
            let frame = self.bed.as_ref().map_or(0, |meter| meter.frames);
            self.compare(frame, bed_now, objects_now);
        }
    }

    /// `frame`: where the 3 s end that the figures are of.
    fn compare(&mut self, frame: u64, bed: Option<f64>, objects: Option<f64>) {
        let sounding = |level: Option<f64>| level.filter(|&level| level > SOUNDING_LUFS);
        let (bed, objects) = (sounding(bed), sounding(objects));
        let difference = bed.zip(objects).map(|(bed, objects)| bed - objects);
        if let Some(difference) = difference {
            self.differences.add(difference);
        }
        let end = Frames(frame).at(self.rate).0;
        let window = (end - 3.0).max(0.0)..end;
        self.objects_buried
            .look(difference.filter(|&d| d > BURIED_LU), &window, self.rate);
        self.bed_buried.look(
            difference.map(|d| -d).filter(|&d| d > BURIED_LU),
            &window,
            self.rate,
        );
    }

    pub(super) fn finish(mut self, layout: &str, renderer: &str) -> Parts {
        let bed = self.bed.as_ref().map(PartMeter::finish);
        let objects = self.objects.as_ref().map(PartMeter::finish);
        let integrated = |part: &Option<Loudness>| part.as_ref().and_then(|p| p.integrated_lufs);
        Parts {
            layout: layout.to_owned(),
            renderer: renderer.to_owned(),
            bed_less_objects_lu: integrated(&bed)
                .zip(integrated(&objects))
                .map(|(b, o)| b - o),
            short_term_difference_lu: self.differences.percentiles(),
            objects_buried: self.objects_buried.finish(),
            bed_buried: self.bed_buried.finish(),
            bed,
            objects,
        }
    }
}

/// Differences in bins of 0.1 LU from -100 to 100.
struct Differences {
    counts: Vec<u32>,
}

impl Differences {
    fn new() -> Self {
        Self {
            counts: vec![0; 2000],
        }
    }

    fn add(&mut self, difference: f64) {
        let bin = ((difference + 100.0) * 10.0).clamp(0.0, 1999.0) as usize;
        self.counts[bin] = self.counts[bin].saturating_add(1);
    }

    fn percentiles(&self) -> Option<[Lu; 3]> {
        let total: u64 = self.counts.iter().map(|&count| u64::from(count)).sum();
        let at = |fraction: f64| {
            let rank = ((total as f64 * fraction).ceil() as u64).max(1);
            let mut seen = 0;
            let bin = self.counts.iter().position(|&count| {
                seen += u64::from(count);
                seen >= rank
            })?;
            Lu::new(bin as f64 / 10.0 - 100.0 + 0.05)
        };
        Some([at(0.05)?, at(0.5)?, at(0.95)?])
    }
}

/// Windows that follow each other are one place.
#[derive(Default)]
struct Burials {
    open: Option<(f64, f64, f64)>,
    places: Places,
    rate: Option<Hertz>,
}

impl Burials {
    fn look(&mut self, by: Option<f64>, window: &std::ops::Range<f64>, rate: Hertz) {
        self.rate = Some(rate);
        match (by, &mut self.open) {
            (Some(by), Some((_, end, worst))) => {
                *end = window.end;
                *worst = worst.max(by);
            }
            (Some(by), open @ None) => *open = Some((window.start, window.end, by)),
            (None, Some((_, end, _))) if window.start <= *end => {}
            (None, _) => self.close(),
        }
    }

    fn close(&mut self) {
        if let (Some((start, end, worst)), Some(rate)) = (self.open.take(), self.rate) {
            self.places.push(Place {
                start_s: Seconds(start),
                end_s: Seconds(end),
                start_frame: Frames((start * f64::from(rate.value())).round() as u64),
                channel: None,
                value: Some(worst),
                ..Place::default()
            });
        }
    }

    fn finish(&mut self) -> Places {
        self.close();
        std::mem::take(&mut self.places)
    }
}
