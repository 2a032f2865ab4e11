//! Searches the frames of a lossy codec: at the one offset where the codec's own blocks began,
//! the coefficients that it quantised to zero are zero again.
//!
//! In: a few segments of a pair of channels. Out: for each transform the offset at which the
//! coefficients fall lowest, and how far that stands out from all other offsets.
//!
//! Method: the framing search of B. Kim and Z. Rafii, "Lossy Audio Compression Identification",
//! EUSIPCO 2018, and of O. Derrien, "Detection of Genuine Lossless Audio Files: Application to the
//! MPEG-AAC Codec", J. Audio Eng. Soc. 67(3), 2019. Here the measure is the mean logarithm of the
//! squared coefficients in bands, on left, right, mid and side; what stands out is one offset
//! against the next best, in deviations over all offsets, so that the music's own ups and downs
//! over the offsets, which are smooth, do not count.

use super::hybrid::{BANDS, GRANULE, Hybrid, LINES};
use super::segments::Segment;
use super::transform::{COEFFICIENTS, LANES, Lanes, Mdct, Window, log2, minus, plus};
use super::types::CodecFamily;
use crate::vector::{Work, fast};

/// Samples are scaled to steps of 24 bits, so that a coefficient of nothing but rounding is
/// about 1 in an orthonormal transform.
const SCALE: f32 = 8_388_608.0;
/// Added to a squared coefficient: the least that can be told from nothing.
const NOTHING: f32 = 1.0;
/// Left, right, mid, side.
const SIGNALS: usize = 4;
/// Own choice: edges of the bands as shares of half the sampling rate; under the first, coders
/// quantise finely, over the last, most write nothing at all.
const BAND_EDGES: [f64; 5] = [0.12, 0.25, 0.39, 0.55, 0.72];
const BANDS_OF_MEASURE: usize = BAND_EDGES.len() - 1;
/// The bands, and all of them together.
const CURVES: usize = BANDS_OF_MEASURE + 1;
/// Blocks of a segment that are looked at.
const MDCT_BLOCKS: usize = 2;
const GRANULES: usize = 3;
/// Neighbours of the lowest offset that may share its fall.
const NEIGHBOURS: usize = 2;
/// First of the 32 bands that is looked at: one under the lowest measured line, for the alias
/// reduction.
const FIRST_BAND: usize = 2;

/// What one transform shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Framing {
    pub(super) family: CodecFamily,
    pub(super) offset: u32,
    /// dB between the lowest offset and the next best that is no neighbour.
    pub(super) fall_db: f64,
    /// The same in standard deviations over the offsets (1.4826 times the median deviation).
    pub(super) deviations: f64,
}

/// Sums of log2 of squared coefficients, `[signal][curve][offset]`.
struct Curves {
    sums: Vec<f64>,
    offsets: usize,
}

impl Curves {
    fn new(offsets: usize) -> Self {
        Self {
            sums: vec![0.0; SIGNALS * CURVES * offsets],
            offsets,
        }
    }

    fn add(&mut self, found: &[[Lanes; BANDS_OF_MEASURE]; SIGNALS], at: impl Fn(usize) -> usize) {
        for (signal, bands) in found.iter().enumerate() {
            for (band, lanes) in bands.iter().enumerate() {
                for (lane, &value) in lanes.iter().enumerate() {
                    let offset = at(lane);
                    for curve in [band, BANDS_OF_MEASURE] {
                        let index = (signal * CURVES + curve) * self.offsets + offset;
                        self.sums[index] += f64::from(value);
                    }
                }
            }
        }
    }

    /// The curve that stands out most. `lines`: how many coefficients each band's sum holds.
    fn best(&self, family: CodecFamily, lines: [usize; BANDS_OF_MEASURE]) -> Option<Framing> {
        let all = lines.iter().sum::<usize>();
        let mut sorted = Vec::with_capacity(self.offsets);
        self.sums
            .chunks(self.offsets)
            .enumerate()
            .filter_map(|(index, curve)| {
                let count = *lines.get(index % CURVES).unwrap_or(&all) as f64;
                let (lowest, &low) =
                    curve.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1))?;
                let next = curve
                    .iter()
                    .enumerate()
                    .filter(|(at, _)| {
                        let apart = at.abs_diff(lowest);
                        apart.min(self.offsets - apart) > NEIGHBOURS
                    })
                    .map(|(_, &value)| value)
                    .fold(f64::INFINITY, f64::min);
                let deviation = 1.4826 * median_deviation(curve, &mut sorted);
                let fall = (next - low) / count * 10.0 * std::f64::consts::LOG10_2;
                // A curve that is flat to the last bit is one signal's silence.
                (deviation > 0.0).then(|| Framing {
                    family,
                    offset: lowest as u32,
                    fall_db: fall,
                    deviations: (next - low) / deviation,
                })
            })
            .max_by(|a, b| strength(a).total_cmp(&strength(b)))
    }
}

/// By what curves are compared: both the fall and its deviations must be there.
fn strength(framing: &Framing) -> f64 {
    (framing.deviations / LEAST_DEVIATIONS).min(framing.fall_db / LEAST_FALL_DB)
}

/// Own choice, see the tests on music: a fall that no clean file came near.
pub(super) const LEAST_FALL_DB: f64 = 0.5;
/// Own choice, likewise.
pub(super) const LEAST_DEVIATIONS: f64 = 4.0;

fn median_deviation(values: &[f64], sorted: &mut Vec<f64>) -> f64 {
    let middle = |sorted: &mut Vec<f64>| {
        let half = sorted.len() / 2;
        *sorted.select_nth_unstable_by(half, f64::total_cmp).1
    };
    sorted.clear();
    sorted.extend_from_slice(values);
    let median = middle(sorted);
    for value in sorted.iter_mut() {
        *value = (*value - median).abs();
    }
    middle(sorted)
}

/// The best framing of each transform over all segments, strongest first.
pub(super) fn search(segments: &[Segment]) -> Vec<Framing> {
    if segments.is_empty() {
        return Vec::new();
    }
    let mut found: Vec<Framing> = Window::ALL
        .into_iter()
        .filter_map(|window| search_mdct(segments, window))
        .chain(search_hybrid(segments))
        .collect();
    found.sort_by(|a, b| strength(b).total_cmp(&strength(a)));
    found
}

fn edges(lines: usize) -> [usize; BANDS_OF_MEASURE + 1] {
    BAND_EDGES.map(|share| (share * lines as f64) as usize)
}

fn counts(edges: [usize; BANDS_OF_MEASURE + 1], blocks: usize) -> [usize; BANDS_OF_MEASURE] {
    std::array::from_fn(|band| (edges[band + 1] - edges[band]) / 2 * 2 * blocks)
}

/// Sums over the bands, of left, right, mid and side.
#[inline(always)]
fn measure(
    left: &[Lanes],
    right: Option<&[Lanes]>,
    edges: &[usize; BANDS_OF_MEASURE + 1],
    into: &mut [[Lanes; BANDS_OF_MEASURE]; SIGNALS],
) {
    for band in 0..BANDS_OF_MEASURE {
        let mut sums = [[0.0f32; LANES]; SIGNALS];
        let mut line = edges[band];
        while line + 1 < edges[band + 1] {
            let both = |signal: &dyn Fn(usize) -> Lanes| {
                let (a, b) = (signal(line), signal(line + 1));
                // Two at a time: the product of two still fits, and one logarithm is saved.
                let product: Lanes = std::array::from_fn(|lane| {
                    (a[lane] * a[lane] + NOTHING) * (b[lane] * b[lane] + NOTHING)
                });
                log2(product)
            };
            sums[0] = plus(sums[0], both(&|at| left[at]));
            if let Some(right) = right {
                sums[1] = plus(sums[1], both(&|at| right[at]));
                sums[2] = plus(sums[2], both(&|at| plus(left[at], right[at])));
                sums[3] = plus(sums[3], both(&|at| minus(left[at], right[at])));
            }
            line += 2;
        }
        for (signal, sum) in sums.into_iter().enumerate() {
            into[signal][band] = plus(into[signal][band], sum);
        }
    }
}

fn scaled(samples: &[f32]) -> Vec<f32> {
    samples.iter().map(|v| v * SCALE).collect()
}

fn search_mdct(segments: &[Segment], window: Window) -> Option<Framing> {
    let samples = window.samples();
    let edges = edges(COEFFICIENTS);
    let mut curves = Curves::new(COEFFICIENTS);
    let mut mdct = Mdct::new();
    for segment in segments {
        let left = scaled(&segment.left);
        let right = segment.right.as_deref().map(scaled);
        for first in (0..COEFFICIENTS).step_by(LANES) {
            let found = fast(MdctWork {
                mdct: &mut mdct,
                window: &samples,
                left: &left[first..],
                right: right.as_ref().map(|right| &right[first..]),
                edges: &edges,
            });
            let start = segment.start as usize % COEFFICIENTS;
            curves.add(&found, |lane| (start + first + lane) % COEFFICIENTS);
        }
    }
    let family = match window {
        Window::Sine | Window::KaiserBessel => CodecFamily::Aac,
        Window::Power => CodecFamily::Vorbis,
    };
    curves.best(family, counts(edges, MDCT_BLOCKS * segments.len()))
}

struct MdctWork<'a> {
    mdct: &'a mut Mdct,
    window: &'a [f32],
    left: &'a [f32],
    right: Option<&'a [f32]>,
    edges: &'a [usize; BANDS_OF_MEASURE + 1],
}

impl Work for MdctWork<'_> {
    type Output = [[Lanes; BANDS_OF_MEASURE]; SIGNALS];

    #[inline(always)]
    fn work(self) -> Self::Output {
        let mut sums = [[[0.0; LANES]; BANDS_OF_MEASURE]; SIGNALS];
        let mut left = vec![[0.0; LANES]; COEFFICIENTS];
        let mut right = vec![[0.0; LANES]; COEFFICIENTS];
        for block in 0..MDCT_BLOCKS {
            let from = block * COEFFICIENTS;
            self.mdct.run(&self.left[from..], self.window, &mut left);
            if let Some(samples) = self.right {
                self.mdct.run(&samples[from..], self.window, &mut right);
            }
            let other = self.right.is_some().then_some(&right[..]);
            measure(&left, other, self.edges, &mut sums);
        }
        sums
    }
}

fn search_hybrid(segments: &[Segment]) -> Option<Framing> {
    let hybrid = Hybrid::new();
    let edges = edges(GRANULE).map(|line| line - FIRST_BAND * LINES);
    let mut curves = Curves::new(GRANULE);
    for segment in segments {
        let left = scaled(&segment.left);
        let right = segment.right.as_deref().map(scaled);
        let start = (segment.start % GRANULE as u64) as usize;
        for phase in (0..BANDS).step_by(LANES) {
            let found = fast(HybridWork {
                hybrid: &hybrid,
                left: &left[phase..],
                right: right.as_ref().map(|right| &right[phase..]),
                edges: &edges,
            });
            for (slot, found) in found.iter().enumerate() {
                let first = start + phase + slot * BANDS;
                curves.add(found, |lane| (first + lane) % GRANULE);
            }
        }
    }
    curves.best(
        CodecFamily::LayerIii,
        counts(edges, GRANULES * segments.len()),
    )
}

struct HybridWork<'a> {
    hybrid: &'a Hybrid,
    left: &'a [f32],
    right: Option<&'a [f32]>,
    edges: &'a [usize; BANDS_OF_MEASURE + 1],
}

impl Work for HybridWork<'_> {
    /// One for each slot at which a granule may begin.
    type Output = Vec<[[Lanes; BANDS_OF_MEASURE]; SIGNALS]>;

    #[inline(always)]
    fn work(self) -> Self::Output {
        const COUNT: usize = BANDS - FIRST_BAND;
        // Offsets, granules, and the half of the window that hangs over.
        const SLOTS: usize = LINES * (1 + GRANULES + 1);
        let mut left_bands = vec![[0.0; LANES]; SLOTS * COUNT];
        let mut right_bands = vec![[0.0; LANES]; SLOTS * COUNT];
        self.hybrid
            .bands(self.left, SLOTS, FIRST_BAND, &mut left_bands);
        if let Some(right) = self.right {
            self.hybrid
                .bands(right, SLOTS, FIRST_BAND, &mut right_bands);
        }
        let mut left = vec![[0.0; LANES]; COUNT * LINES];
        let mut right = vec![[0.0; LANES]; COUNT * LINES];
        (0..LINES)
            .map(|offset| {
                let mut sums = [[[0.0; LANES]; BANDS_OF_MEASURE]; SIGNALS];
                for granule in 0..GRANULES {
                    let slot = offset + granule * LINES;
                    self.hybrid
                        .granule(&left_bands, COUNT, FIRST_BAND, slot, &mut left);
                    if self.right.is_some() {
                        self.hybrid
                            .granule(&right_bands, COUNT, FIRST_BAND, slot, &mut right);
                    }
                    let other = self.right.is_some().then_some(&right[..]);
                    measure(&left, other, self.edges, &mut sums);
                }
                sums
            })
            .collect()
    }
}
