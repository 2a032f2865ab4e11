//! All meters of a file, fed with the same blocks.
//!
//! Cuts the blocks at the programme's own 10 ms steps, so that a block's borders leave no
//! trace, and runs the channels through the kernels in groups of four lanes.

use std::ops::ControlFlow;

use super::edges::EdgeMeter;
use super::full_scale::FullScaleRuns;
use super::k_weighting::{KFilter, LANES, Sums};
use super::loudness::{LoudnessMeter, step_start};
use super::true_peak::{Interpolator, Over, TruePeakMeter, filter_description};
use super::types::*;
use super::weights::loudness_weight;
use crate::layout::{self, Label};
use crate::measured::{Measured, NotMeasured};
use crate::specimen::{Block, BlockSink};
use crate::units::{DbTp, Dbfs, Frames, Hertz, Seconds};

/// What the meters must be told; the rest they read.
#[derive(Clone, Debug)]
pub struct MeterOrder {
    pub sample_rate: Hertz,
    pub channels: usize,
    /// One a channel; `None` where nobody says where they play: then there is no loudness.
    pub labels: Option<Vec<Label>>,
    /// Overs above this are listed, in dBTP.
    pub over_ceiling_dbtp: f64,
    /// Largest magnitude an integer sample can have, 1 - 2^(1 - bits); 1.0 for floats.
    pub full_scale: f64,
    /// Name and version of the renderer behind the channels; `None` for a file's own.
    pub renderer: Option<String>,
    pub depth: Depth,
}

/// How much is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    Full,
    /// Levels, edges and runs at full scale: for the tracks of an object-based file, of which
    /// loudness and true peak exist on a render only.
    Levels,
}

/// The meters of one file or render.
pub struct Meters {
    order: MeterOrder,
    weights: Option<Vec<f64>>,
    groups: Vec<Group>,
    loudness: Option<LoudnessMeter>,
    edges: EdgeMeter,
    interpolator: Interpolator,
    channels: Vec<ChannelMeters>,
    step: u64,
    step_end: u64,
    frames: u64,
}

/// Up to four channels that share a kernel call.
struct Group {
    first: usize,
    size: usize,
    /// `None` where levels are all that is wanted.
    filter: Option<KFilter>,
    sums: Sums,
}

struct ChannelMeters {
    squares: f64,
    sum: f64,
    largest: f64,
    /// `None` where levels are all that is wanted.
    true_peak: Option<TruePeakMeter>,
    runs: FullScaleRuns,
}

impl Meters {
    pub fn new(order: MeterOrder) -> Self {
        let rate = order.sample_rate.value();
        let full = order.depth == Depth::Full;
        let weights: Option<Vec<f64>> = order
            .labels
            .as_ref()
            .filter(|_| full)
            .map(|labels| labels.iter().map(loudness_weight).collect());
        let groups = (0..order.channels)
            .step_by(LANES)
            .map(|first| Group {
                first,
                size: LANES.min(order.channels - first),
                filter: full.then(|| KFilter::new(f64::from(rate))),
                sums: Sums::default(),
            })
            .collect();
        let ceiling = 10f64.powf(order.over_ceiling_dbtp / 20.0);
        let channels = (0..order.channels)
            .map(|_| ChannelMeters {
                squares: 0.0,
                sum: 0.0,
                largest: 0.0,
                true_peak: full.then(|| TruePeakMeter::new(rate, ceiling, Places::KEPT)),
                runs: FullScaleRuns::new(order.full_scale, Places::KEPT),
            })
            .collect();
        Self {
            loudness: weights
                .is_some()
                .then(|| LoudnessMeter::new(order.sample_rate)),
            edges: EdgeMeter::default(),
            interpolator: Interpolator::new(rate),
            step: 0,
            step_end: step_start(1, order.sample_rate),
            frames: 0,
            order,
            weights,
            groups,
            channels,
        }
    }

    /// Takes the next block.
    pub fn feed(&mut self, block: &Block) {
        self.feed_planes(&block.planes());
    }

    /// Takes the next samples, `[channel][frame]`, all channels equally long.
    pub fn feed_planes(&mut self, planes: &[&[f64]]) {
        assert_eq!(
            planes.len(),
            self.order.channels,
            "as many channels as were ordered"
        );
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total {
            let left_in_step = self.step_end - self.frames;
            let take = usize::try_from(left_in_step)
                .unwrap_or(usize::MAX)
                .min(total - done);
            self.stretch(planes, done, done + take);
            done += take;
            self.frames += take as u64;
            if self.frames == self.step_end {
                self.close_step();
            }
        }
        for (plane, channel) in planes.iter().zip(&mut self.channels) {
            if let Some(meter) = &mut channel.true_peak {
                meter.feed(plane, &self.interpolator);
            }
        }
    }

    fn stretch(&mut self, planes: &[&[f64]], from: usize, to: usize) {
        let mut lanes: [&[f64]; LANES] = [&[]; LANES];
        let mut silent = true;
        for group in &mut self.groups {
            for (lane, slot) in lanes[..group.size].iter_mut().enumerate() {
                *slot = &planes[group.first + lane][from..to];
            }
            match &mut group.filter {
                Some(filter) => filter.run(&lanes[..group.size], &mut group.sums),
                None => group.sums.levels(&lanes[..group.size]),
            }
            silent &= group.sums.largest == [0.0; LANES];
            for (lane, samples) in lanes[..group.size].iter().enumerate() {
                let runs = &mut self.channels[group.first + lane].runs;
                runs.feed(samples, group.sums.largest[lane]);
            }
        }
        if !silent {
            let samples = planes.iter().map(|plane| &plane[from..to]);
            self.edges.sound_in(self.frames, samples);
        }
    }

    /// Ends a 10 ms step: hands its sums on and starts the next.
    fn close_step(&mut self) {
        let energy = self.take_step();
        if let Some(meter) = &mut self.loudness {
            meter.step(energy);
        }
        self.step += 1;
        self.step_end = step_start(self.step + 1, self.order.sample_rate);
    }

    /// Empties the step's sums into the channels; returns the weighted energy.
    fn take_step(&mut self) -> f64 {
        let start = step_start(self.step, self.order.sample_rate);
        let frames = self.frames - start;
        let mut energy = 0.0;
        let mut loudest = 0.0f64;
        for group in &mut self.groups {
            let sums = std::mem::take(&mut group.sums);
            if let Some(filter) = &mut group.filter {
                filter.settle();
            }
            for lane in 0..group.size {
                let channel = &mut self.channels[group.first + lane];
                channel.squares += sums.squares[lane];
                channel.sum += sums.sum[lane];
                channel.largest = channel.largest.max(sums.largest[lane]);
                loudest = loudest.max(sums.squares[lane]);
                if let Some(weights) = &self.weights {
                    energy += weights[group.first + lane] * sums.weighted_squares[lane];
                }
            }
        }
        if frames > 0 {
            self.edges.step(start, self.frames, loudest / frames as f64);
        }
        energy
    }

    /// Ends the programme and reads the meters.
    pub fn finish(mut self) -> Measurements {
        if self.frames > step_start(self.step, self.order.sample_rate) {
            self.take_step();
        }
        for channel in &mut self.channels {
            if let Some(meter) = &mut channel.true_peak {
                meter.finish(&self.interpolator);
                // The wave goes through its samples: no filter may read less than the largest.
                meter.peak = meter.peak.max(channel.largest);
            }
            channel.runs.finish();
        }
        let frames = Frames(self.frames);
        let loudness = self.loudness.as_ref().map(|meter| meter.finish(frames));
        let peaks = self.peaks(loudness.as_ref());
        let not_measured = self.no_loudness();
        let overs = self.places(|channel| {
            let meter = channel.true_peak.as_ref();
            let overs = meter.map_or(&[][..], |meter| &meter.overs);
            let kept = overs.iter().map(|over| Kept::from_over(*over)).collect();
            (kept, meter.map_or(0, |meter| meter.overs_total))
        });
        let full_scale_runs = self.places(|channel| {
            let kept = channel.runs.listed.iter().map(|&(start, length)| Kept {
                start: start as f64,
                end: (start + length) as f64,
                value: Some(length as f64),
            });
            (kept.collect(), channel.runs.total)
        });
        let channels = (0..self.order.channels)
            .map(|index| self.channel(index))
            .collect();
        Measurements {
            sample_rate: self.order.sample_rate,
            frames,
            measured_on: self.measured_on(),
            loudness: Measured::of(loudness, || not_measured),
            peaks,
            channels,
            edges: self.edges.finish(frames, self.order.sample_rate),
            overs,
            full_scale_runs,
            immersive: None,
            survey: None,
        }
    }

    fn measured_on(&self) -> Option<MeasuredOn> {
        let labels = self.order.labels.clone()?;
        let layout = match layout::name_of(&labels) {
            Some(name) => name.to_owned(),
            None => labels
                .iter()
                .map(Label::as_str)
                .collect::<Vec<_>>()
                .join(","),
        };
        let weights = self.weights.clone()?;
        Some(MeasuredOn {
            layout,
            labels,
            weights,
            renderer: self.order.renderer.clone(),
        })
    }

    fn no_loudness(&self) -> NotMeasured {
        match self.order.depth {
            Depth::Levels => NotMeasured::NotRendered {
                why: "the tracks of an object-based file are not what is heard".into(),
            },
            Depth::Full => NotMeasured::NoLabels {
                channels: self.order.channels,
            },
        }
    }

    fn peaks(&self, loudness: Option<&Loudness>) -> Peaks {
        let rate = self.order.sample_rate;
        let top = self
            .channels
            .iter()
            .filter_map(|c| c.true_peak.as_ref())
            .reduce(|a, b| if b.peak > a.peak { b } else { a });
        let true_peak = top.and_then(|meter| DbTp::from_linear(meter.peak));
        let search = self
            .channels
            .iter()
            .filter_map(|c| c.true_peak.as_ref())
            .map(|meter| meter.search_peak)
            .fold(0.0, f64::max);
        let margin = true_peak.zip(DbTp::from_linear(search));
        let sample = self.channels.iter().map(|c| c.largest).fold(0.0, f64::max);
        Peaks {
            true_peak_dbtp: true_peak,
            true_peak_at_s: top
                .filter(|_| true_peak.is_some())
                .map(|meter| Seconds(meter.peak_at / f64::from(rate.value()))),
            true_peak_margin_db: margin
                .map(|(long, short)| (long.value() - short.value()).max(0.0)),
            true_peak_filter: filter_description(rate.value()),
            sample_peak_dbfs: Dbfs::from_linear(sample),
            peak_to_loudness_lu: true_peak
                .zip(loudness.and_then(|l| l.integrated_lufs))
                .map(|(peak, integrated)| peak.above(integrated)),
        }
    }

    fn label(&self, index: usize) -> String {
        match &self.order.labels {
            Some(labels) => labels[index].to_string(),
            None => format!("ch {}", index + 1),
        }
    }

    fn channel(&self, index: usize) -> ChannelMeasurements {
        let channel = &self.channels[index];
        let frames = self.frames.max(1) as f64;
        ChannelMeasurements {
            label: self.label(index),
            true_peak_dbtp: (channel.true_peak.as_ref()).and_then(|m| DbTp::from_linear(m.peak)),
            sample_peak_dbfs: Dbfs::from_linear(channel.largest),
            rms_dbfs: Dbfs::from_linear((channel.squares / frames).sqrt()),
            dc_offset: channel.sum / frames,
            full_scale_runs: channel.runs.total,
            longest_full_scale_run: channel.runs.longest,
            overs: channel
                .true_peak
                .as_ref()
                .map_or(0, |meter| meter.overs_total),
        }
    }

    /// Joins what the channels kept into one list in time order.
    fn places(&self, of: impl Fn(&ChannelMeters) -> (Vec<Kept>, u64)) -> Places {
        let rate = f64::from(self.order.sample_rate.value());
        let mut total = 0;
        let mut listed = Vec::new();
        for (index, channel) in self.channels.iter().enumerate() {
            let (kept, count) = of(channel);
            total += count;
            listed.extend(kept.into_iter().map(|kept| Place {
                start_s: Seconds(kept.start / rate),
                end_s: Seconds(kept.end / rate),
                start_frame: Frames(kept.start as u64),
                channel: Some(self.label(index)),
                value: kept.value,
                ..Place::default()
            }));
        }
        listed.sort_by(|a, b| a.start_s.0.total_cmp(&b.start_s.0));
        listed.truncate(Places::KEPT);
        Places { total, listed }
    }
}

struct Kept {
    start: f64,
    end: f64,
    value: Option<f64>,
}

impl Kept {
    fn from_over(over: Over) -> Self {
        let value = DbTp::from_linear(over.peak).map(DbTp::value);
        Self {
            start: over.start.max(0.0),
            end: over.end.max(0.0),
            value,
        }
    }
}

impl BlockSink for Meters {
    fn take(&mut self, block: &Block) -> ControlFlow<()> {
        self.feed(block);
        ControlFlow::Continue(())
    }
}
