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
/// How many: up to the one over the highest measured line, likewise.
const LOOKED_AT: usize = 22;

/// Sums over the bands, `[signal][band]`, at eight neighbouring offsets.
type Found = [[Lanes; BANDS_OF_MEASURE]; SIGNALS];

/// Puts those of steady signals into the rows `[signal][curve]`, of which the last of a signal is
/// all bands.
fn add(course: &mut Course, found: &Found, first: usize, steady: [bool; SIGNALS]) {
    let steady = |(signal, _): &(usize, _)| steady[*signal];
    for (signal, bands) in found.iter().enumerate().filter(steady) {
        for (band, lanes) in bands.iter().enumerate() {
            for (lane, &value) in lanes.iter().enumerate() {
                for curve in [band, BANDS_OF_MEASURE] {
                    course.add(signal * CURVES + curve, first + lane, value);
                }
            }
        }
    }
}

/// Own choice, measured: a framing this strong in two segments and more together is no chance
/// (clean music stays under 0.7), and the rest need not be looked at.
const SURE: f64 = 3.0;
/// Own choice, measured: the Kaiser-Bessel window lies between the two others, so that their
/// frames show in it at a third of their strength and more; where it shows less than this, they
/// are not searched.
const HINT: f64 = 0.65;

/// The best framing of each transform, strongest first.
pub(super) fn search(segments: &[Segment], rate: u32) -> Vec<Framing> {
    let mut middle = Search::mdct(Window::KaiserBessel);
    let mut others: Vec<Search> = [Search::Hybrid(Box::new(HybridSearch::new()))]
        .into_iter()
        .chain((rate == 48_000).then(|| Search::Celt(celt::Search::new())))
        .collect();
    let mut taken = 0;
    for segment in spread(segments) {
        taken += 1;
        middle.take(segment);
        let mut sure = middle.dips().is_sure(SURE);
        for search in &mut others {
            search.take(segment);
            sure |= search.dips().is_sure(SURE);
        }
        if sure {
            break;
        }
    }
    let hint = middle.dips().strongest_alone();
    let together = middle.dips().together().map_or(0.0, |all| all.strength());
    if hint.max(together) >= HINT {
        for window in [Window::Sine, Window::Power] {
            let mut search = Search::mdct(window);
            spread(segments)
                .take(taken)
                .for_each(|segment| search.take(segment));
            others.push(search);
        }
    }
    others.push(middle);
    let mut found: Vec<Framing> = (others.iter())
        .filter_map(|search| search.dips().best())
        .collect();
    found.sort_by(|a, b| b.strength().total_cmp(&a.strength()));
    found
}

/// Every second segment and then the others, so that the first few are from all over the file.
fn spread(segments: &[Segment]) -> impl Iterator<Item = &Segment> {
    let second = segments.iter().skip(1).step_by(2);
    segments.iter().step_by(2).chain(second)
}

/// The search in one transform.
enum Search {
    Mdct(MdctSearch),
    Hybrid(Box<HybridSearch>),
    Celt(celt::Search),
}

impl Search {
    fn mdct(window: Window) -> Self {
        Self::Mdct(MdctSearch::new(window))
    }

    fn take(&mut self, segment: &Segment) {
        match self {
            Self::Mdct(search) => search.take(segment),
            Self::Hybrid(search) => search.take(segment),
            Self::Celt(search) => search.take(segment),
        }
    }

    fn dips(&self) -> &Dips {
        match self {
            Self::Mdct(search) => &search.dips,
            Self::Hybrid(search) => &search.dips,
            Self::Celt(search) => &search.dips,
        }
    }
}

fn edges(lines: usize) -> [usize; BANDS_OF_MEASURE + 1] {
    BAND_EDGES.map(|share| (share * lines as f64) as usize)
}

/// How many coefficients each row holds after that many blocks.
fn coefficients(edges: [usize; BANDS_OF_MEASURE + 1], blocks: usize) -> Vec<usize> {
    let band = |band: usize| (edges[band + 1] - edges[band]) / 2 * 2;
    (0..SIGNALS * CURVES)
        .map(|row| {
            blocks
                * match row % CURVES {
                    BANDS_OF_MEASURE => (0..BANDS_OF_MEASURE).map(band).sum(),
                    one => band(one),
                }
        })
        .collect()
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

struct MdctSearch {
    window: Vec<f32>,
    edges: [usize; BANDS_OF_MEASURE + 1],
    mdct: Mdct,
    dips: Dips,
}

impl MdctSearch {
    fn new(window: Window) -> Self {
        let edges = edges(COEFFICIENTS);
        let family = match window {
            Window::Sine | Window::KaiserBessel => CodecFamily::Aac,
            Window::Power => CodecFamily::Vorbis,
        };
        Self {
            window: window.samples(),
            edges,
            mdct: Mdct::new(),
            dips: Dips::new(family, COEFFICIENTS, coefficients(edges, MDCT_BLOCKS)),
        }
    }

    fn take(&mut self, segment: &Segment) {
        let steady = segment.steady();
        let left = scaled(&segment.left);
        let right = segment.right.as_deref().map(scaled);
        let mut course = Course::new(SIGNALS * CURVES, COEFFICIENTS + LANES);
        for first in (0..COEFFICIENTS + LANES).step_by(LANES) {
            let found = fast(MdctWork {
                mdct: &mut self.mdct,
                window: &self.window,
                left: &left[first..],
                right: right.as_ref().map(|right| &right[first..]),
                edges: &self.edges,
            });
            add(&mut course, &found, first, steady);
        }
        self.dips.add(&course, segment.start);
    }
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

struct HybridSearch {
    hybrid: Hybrid,
    edges: [usize; BANDS_OF_MEASURE + 1],
    dips: Dips,
}

impl HybridSearch {
    fn new() -> Self {
        let edges = edges(GRANULE).map(|line| line - FIRST_BAND * LINES);
        Self {
            hybrid: Hybrid::new(),
            edges,
            dips: Dips::new(
                CodecFamily::LayerIii,
                GRANULE,
                coefficients(edges, GRANULES),
            ),
        }
    }

    fn take(&mut self, segment: &Segment) {
        let steady = segment.steady();
        let left = scaled(&segment.left);
        let right = segment.right.as_deref().map(scaled);
        let mut course = Course::new(SIGNALS * CURVES, GRANULE + BANDS);
        for phase in (0..BANDS).step_by(LANES) {
            let found = fast(HybridWork {
                hybrid: &self.hybrid,
                left: &left[phase..],
                right: right.as_ref().map(|right| &right[phase..]),
                edges: &self.edges,
            });
            for (slot, found) in found.iter().enumerate() {
                add(&mut course, found, phase + slot * BANDS, steady);
            }
        }
        self.dips.add(&course, segment.start);
    }
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
        const COUNT: usize = LOOKED_AT;
        // Offsets, granules, and the half of the window that hangs over.
        const SLOTS: usize = LINES * (1 + GRANULES + 1) + 1;
        let mut left_bands = vec![[0.0; LANES]; SLOTS * COUNT];
        let mut right_bands = vec![[0.0; LANES]; SLOTS * COUNT];
        self.hybrid
            .bands(self.left, SLOTS, FIRST_BAND, COUNT, &mut left_bands);
        if let Some(right) = self.right {
            self.hybrid
                .bands(right, SLOTS, FIRST_BAND, COUNT, &mut right_bands);
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
