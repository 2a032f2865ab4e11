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

use super::celt;
use super::hybrid::{BANDS, GRANULE, Hybrid, LINES};
use super::offsets::{Course, Dips, Framing};
use super::segments::Segment;
use super::transform::{COEFFICIENTS, LANES, Lanes, Mdct, Window, log2, map, minus, plus};
use super::types::CodecFamily;
use crate::vector::{Work, fast};

/// Samples are scaled to steps of 24 bits, so that a coefficient of nothing but rounding is
/// about 1 in an orthonormal transform.
pub(super) const SCALE: f32 = 8_388_608.0;
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
const MDCT_BLOCKS: usize = 1;
const GRANULES: usize = 3;
/// First of the 32 bands that is looked at: one under the lowest measured line, for the alias
/// reduction.
const FIRST_BAND: usize = 2;

/// Sums over the bands, `[signal][band]`, at eight neighbouring offsets.
type Found = [[Lanes; BANDS_OF_MEASURE]; SIGNALS];

/// Puts them into the rows `[signal][curve]`, of which the last of a signal is all bands.
fn add(course: &mut Course, found: &Found, first: usize) {
    for (signal, bands) in found.iter().enumerate() {
        for (band, lanes) in bands.iter().enumerate() {
            for (lane, &value) in lanes.iter().enumerate() {
                for curve in [band, BANDS_OF_MEASURE] {
                    course.add(signal * CURVES + curve, first + lane, value);
                }
            }
        }
    }
}

/// The best framing of each transform over all segments, strongest first.
pub(super) fn search(segments: &[Segment], rate: u32) -> Vec<Framing> {
    if segments.is_empty() {
        return Vec::new();
    }
    let mut found: Vec<Framing> = Window::ALL
        .into_iter()
        .filter_map(|window| search_mdct(segments, window))
        .chain(search_hybrid(segments))
        .chain((rate == 48_000).then(|| celt::search(segments)).flatten())
        .collect();
    found.sort_by(|a, b| b.strength().total_cmp(&a.strength()));
    found
}

fn edges(lines: usize) -> [usize; BANDS_OF_MEASURE + 1] {
    BAND_EDGES.map(|share| (share * lines as f64) as usize)
}

/// How many coefficients the row holds after that many blocks.
fn coefficients(edges: [usize; BANDS_OF_MEASURE + 1], row: usize, blocks: usize) -> usize {
    let band = |band: usize| (edges[band + 1] - edges[band]) / 2 * 2;
    blocks
        * match row % CURVES {
            BANDS_OF_MEASURE => (0..BANDS_OF_MEASURE).map(band).sum(),
            one => band(one),
        }
}

/// Sums over the bands, of left, right, mid and side.
#[inline(always)]
fn measure(
    left: &[Lanes],
    right: Option<&[Lanes]>,
    edges: &[usize; BANDS_OF_MEASURE + 1],
    into: &mut Found,
) {
    for band in 0..BANDS_OF_MEASURE {
        let mut sums = [[0.0f32; LANES]; SIGNALS];
        let mut line = edges[band];
        while line + 1 < edges[band + 1] {
            let (l, m) = (left[line], left[line + 1]);
            sums[0] = plus(sums[0], both(l, m));
            if let Some(right) = right {
                let (r, s) = (right[line], right[line + 1]);
                sums[1] = plus(sums[1], both(r, s));
                sums[2] = plus(sums[2], both(plus(l, r), plus(m, s)));
                sums[3] = plus(sums[3], both(minus(l, r), minus(m, s)));
            }
            line += 2;
        }
        for (signal, sum) in sums.into_iter().enumerate() {
            into[signal][band] = plus(into[signal][band], sum);
        }
    }
}

/// The logarithms of two squared coefficients: their product still fits, so one logarithm does.
#[inline(always)]
pub(super) fn both(a: Lanes, b: Lanes) -> Lanes {
    log2(map(a, b, |a, b| (a * a + NOTHING) * (b * b + NOTHING)))
}

fn scaled(samples: &[f32]) -> Vec<f32> {
    samples.iter().map(|v| v * SCALE).collect()
}

fn search_mdct(segments: &[Segment], window: Window) -> Option<Framing> {
    let samples = window.samples();
    let edges = edges(COEFFICIENTS);
    let mut dips = Dips::new(SIGNALS * CURVES, COEFFICIENTS);
    let mut mdct = Mdct::new();
    for segment in segments {
        let left = scaled(&segment.left);
        let right = segment.right.as_deref().map(scaled);
        let mut course = Course::new(SIGNALS * CURVES, COEFFICIENTS + LANES);
        for first in (0..COEFFICIENTS + LANES).step_by(LANES) {
            let found = fast(MdctWork {
                mdct: &mut mdct,
                window: &samples,
                left: &left[first..],
                right: right.as_ref().map(|right| &right[first..]),
                edges: &edges,
            });
            add(&mut course, &found, first);
        }
        dips.add(&course, segment.start);
    }
    let family = match window {
        Window::Sine | Window::KaiserBessel => CodecFamily::Aac,
        Window::Power => CodecFamily::Vorbis,
    };
    dips.best(family, |row| {
        coefficients(edges, row, MDCT_BLOCKS * segments.len())
    })
}

struct MdctWork<'a> {
    mdct: &'a mut Mdct,
    window: &'a [f32],
    left: &'a [f32],
    right: Option<&'a [f32]>,
    edges: &'a [usize; BANDS_OF_MEASURE + 1],
}

impl Work for MdctWork<'_> {
    type Output = Found;

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
    let mut dips = Dips::new(SIGNALS * CURVES, GRANULE);
    for segment in segments {
        let left = scaled(&segment.left);
        let right = segment.right.as_deref().map(scaled);
        let mut course = Course::new(SIGNALS * CURVES, GRANULE + BANDS);
        for phase in (0..BANDS).step_by(LANES) {
            let found = fast(HybridWork {
                hybrid: &hybrid,
                left: &left[phase..],
                right: right.as_ref().map(|right| &right[phase..]),
                edges: &edges,
            });
            for (slot, found) in found.iter().enumerate() {
                add(&mut course, found, phase + slot * BANDS);
            }
        }
        dips.add(&course, segment.start);
    }
    dips.best(CodecFamily::LayerIii, |row| {
        coefficients(edges, row, GRANULES * segments.len())
    })
}

struct HybridWork<'a> {
    hybrid: &'a Hybrid,
    left: &'a [f32],
    right: Option<&'a [f32]>,
    edges: &'a [usize; BANDS_OF_MEASURE + 1],
}

impl Work for HybridWork<'_> {
    /// One for each slot at which a granule may begin.
    type Output = Vec<Found>;

    #[inline(always)]
    fn work(self) -> Self::Output {
        const COUNT: usize = BANDS - FIRST_BAND;
        // Offsets, granules, and the half of the window that hangs over.
        const SLOTS: usize = LINES * (1 + GRANULES + 1) + 1;
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
        // A loop, no closure: a closure would not be compiled for the processor that was found.
        let mut found = Vec::with_capacity(LINES + 1);
        for offset in 0..=LINES {
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
            found.push(sums);
        }
        found
    }
}
