//! The level of a whole file every 10 ms, and where a stretch of one file's curve lies in the
//! other's: a place to look at closely, found cheaply and from far away.
//!
//! In: planar blocks. Out: the power of all channels together, and lags that are worth a look.
//! Any cut into blocks gives the same values. Knows nothing of tracks.

/// Values a second.
pub(in crate::compare) const RATE: u32 = 100;
/// Values on either side that are taken off as the local mean: half a second in all.
const LOCAL: usize = 25;
/// Below -90 dBFS all is silence: 90 dB over nothing is no event.
const FLOOR_DB: f32 = -90.0;
/// An event counts as so many decibels at most. Own choice.
const MOST_DB: f32 = 12.0;
/// Correlation from which a lag is worth a look. Own choice: what it lets through is looked at
/// sample by sample.
const WORTH: f32 = 0.5;
/// Sums side by side, so that the loop has no chain.
const LANES: usize = 8;
/// Lags that are handed on at most.
const CANDIDATES: usize = 5;

#[derive(Debug)]
pub(in crate::compare) struct Envelope {
    /// Frames of a step.
    pub(in crate::compare) hop: usize,
    /// In dB over full scale.
    pub(in crate::compare) levels: Vec<f32>,
    /// Of each track, by the place in the step: no cut into blocks changes the order of a sum.
    sums: Vec<[f64; LANES]>,
    filled: usize,
}

impl Envelope {
    pub(in crate::compare) fn new(sample_rate: u32, tracks: usize) -> Self {
        Self {
            hop: (sample_rate / RATE).max(1) as usize,
            levels: Vec::new(),
            sums: vec![[0.0; LANES]; tracks],
            filled: 0,
        }
    }

    /// Takes `[track][frame]`.
    pub(in crate::compare) fn feed(&mut self, block: &[&[f64]]) {
        let frames = block.iter().map(|track| track.len()).max().unwrap_or(0);
        let mut at = 0;
        while at < frames {
            let take = (self.hop - self.filled).min(frames - at);
            for (track, sums) in block.iter().zip(&mut self.sums) {
                let end = (at + take).min(track.len());
                if let Some(piece) = track.get(at..end) {
                    add(sums, self.filled % LANES, piece);
                }
            }
            self.filled += take;
            at += take;
            if self.filled == self.hop {
                let sum: f64 = self.sums.iter().flatten().sum();
                let mean_square = sum / self.hop as f64;
                let level = 10.0 * (mean_square.max(1e-12).log10() as f32);
                self.levels.push(level.max(FLOOR_DB));
                self.sums.fill([0.0; LANES]);
                self.filled = 0;
            }
        }
    }

    /// With one step for every `steps` of this curve, by straight lines between levels.
    pub(super) fn stretched(&self, steps: f64) -> Self {
        let at = |index: usize| {
            let place = index as f64 * steps;
            let (low, high) = (
                self.levels.get(place as usize)?,
                self.levels.get(place as usize + 1)?,
            );
            Some(low + (high - low) * place.fract() as f32)
        };
        Self {
            hop: self.hop,
            levels: (0..).map_while(at).collect(),
            sums: Vec::new(),
            filled: 0,
        }
    }

    /// The curve from `from` on without its local mean. Before the start and behind the end the
    /// level stays as it is there, so that an end is no event, and no event outweighs the music.
    pub(in crate::compare) fn course(&self, from: i64, count: usize) -> Vec<f32> {
        let Some(last) = self.levels.len().checked_sub(1) else {
            return vec![0.0; count];
        };
        let level = |index: i64| self.levels[index.clamp(0, last as i64) as usize];
        let width = (2 * LOCAL + 1) as f32;
        let mut sum: f32 = (-(LOCAL as i64)..=LOCAL as i64)
            .map(|near| level(from + near))
            .sum();
        (0..count as i64)
            .map(|index| {
                let here = level(from + index) - sum / width;
                sum += level(from + index + LOCAL as i64 + 1) - level(from + index - LOCAL as i64);
                here.clamp(-MOST_DB, MOST_DB)
            })
            .collect()
    }
}

/// Adds the squares of samples, the first of which belongs to the lane `first`.
fn add(sums: &mut [f64; LANES], first: usize, samples: &[f64]) {
    let square = |sample: f64| {
        let square = sample * sample;
        // What is no number, or no level, is silence.
        if square <= 1e8 { square } else { 0.0 }
    };
    let head = ((LANES - first) % LANES).min(samples.len());
    let (head, rest) = samples.split_at(head);
    for (lane, &sample) in head.iter().enumerate() {
        sums[first + lane] += square(sample);
    }
    let chunks = rest.chunks_exact(LANES);
    let tail = chunks.remainder();
    for chunk in chunks {
        for (sum, &sample) in sums.iter_mut().zip(chunk) {
            *sum += square(sample);
        }
    }
    for (sum, &sample) in sums.iter_mut().zip(tail) {
        *sum += square(sample);
    }
}

/// Lags, in steps, at which `short` is most like `long`, best first.
///
/// `long` is `short.len() + lags - 1` values or more. The normalised correlation of both.
pub(in crate::compare) fn candidates(short: &[f32], long: &[f32]) -> Vec<usize> {
    let correlation = correlation(short, long);
    let mut found: Vec<usize> = (0..correlation.len())
        .filter(|&lag| {
            let here = correlation[lag];
            let before = lag.checked_sub(1).map_or(-1.0, |lag| correlation[lag]);
            let after = correlation.get(lag + 1).copied().unwrap_or(-1.0);
            here > WORTH && here >= before && here > after
        })
        .collect();
    found.sort_by(|&one, &other| correlation[other].total_cmp(&correlation[one]));
    found.truncate(CANDIDATES);
    found
}

/// For every lag at which `short` lies wholly in `long`.
fn correlation(short: &[f32], long: &[f32]) -> Vec<f32> {
    let energy: f32 = short.iter().map(|value| value * value).sum();
    // A curve that does not move by a decibel has no events to be found by.
    if energy < short.len() as f32 {
        return Vec::new();
    }
    long.windows(short.len())
        .map(|window| {
            let (cross, other) = products(short, window);
            if other < 0.25 * energy.min(short.len() as f32) {
                return 0.0;
            }
            cross / (energy * other).sqrt()
        })
        .collect()
}

/// The sum of the products, and that of the second one's squares.
pub(super) fn products(one: &[f32], other: &[f32]) -> (f32, f32) {
    let mut cross = [0.0_f32; 8];
    let mut square = [0.0_f32; 8];
    let chunks = one.chunks_exact(8).zip(other.chunks_exact(8));
    for (one, other) in chunks {
        for lane in 0..8 {
            cross[lane] += one[lane] * other[lane];
            square[lane] += other[lane] * other[lane];
        }
    }
    let rest = one.len() / 8 * 8;
    let mut sums = (cross.iter().sum::<f32>(), square.iter().sum::<f32>());
    for (one, other) in one[rest..].iter().zip(&other[rest..]) {
        sums.0 += one * other;
        sums.1 += other * other;
    }
    sums
}
