//! How alike all tracks of a master are, at the cost of a few additions a sample.
//!
//! In: chunks of tracks. Out: the correlation of any two over the whole file, and which are equal
//! bit for bit. Memory depends on the number of tracks alone.
//!
//! Each 128 samples of a track become one number, their sum with signs drawn at random: what
//! two such numbers have in common is on average what the samples have in common (random
//! projections: Johnson and Lindenstrauss 1984, from memory). A correlation of 0.99 over n of
//! them is known to 0.02 / sqrt(n). All tracks get the same signs, and other signs at each place,
//! so that no tone can stand still against them. Copies that are late are not found.

use crate::vector::{Work, fast};

/// Samples behind one number. Own choice: 8128 pairs of 128 tracks then cost as much as the
/// projections themselves.
const BLOCK: usize = 128;
/// Signs that are drawn; a block takes 128 of them from a place of its own.
const SIGNS: usize = 4096;
/// Numbers behind a figure, at least: 0.35 s at 48 kHz, for a correlation known to 0.002 near
/// 0.99. Own choice.
pub(super) const LEAST: u64 = 128;

pub(super) struct Likeness {
    signs: Vec<f64>,
    block: u64,
    tracks: Vec<Fingerprint>,
    /// Sums of products of tracks a < b, one row after the other.
    products: Vec<f64>,
    projected: Vec<f64>,
}

#[derive(Clone, Default)]
struct Fingerprint {
    squares: f64,
    sounding_blocks: u64,
    /// Of the projected numbers: samples that differ anywhere give another number there, but for
    /// differences under the precision of a sum of 128 doubles.
    hash: u64,
}

impl Likeness {
    pub(super) fn new(tracks: usize) -> Self {
        Self {
            signs: signs(),
            block: 0,
            tracks: vec![Fingerprint::default(); tracks],
            products: vec![0.0; tracks * tracks.saturating_sub(1) / 2],
            projected: vec![0.0; tracks],
        }
    }

    /// Takes a chunk whose silent tracks are known. Chunks of a file have one length, a multiple
    /// of 128; only the last may be shorter.
    pub(super) fn chunk(&mut self, tracks: &[&[f64]], silent: &[bool]) {
        let frames = tracks.first().map_or(0, |track| track.len());
        for from in (0..frames).step_by(BLOCK) {
            let to = (from + BLOCK).min(frames);
            // 1031 is prime, so that 3968 blocks go by before the same signs come again.
            let at = (self.block.wrapping_mul(1031) % (SIGNS - BLOCK) as u64) as usize;
            let signs = &self.signs[at..at + to - from];
            for (track, samples) in tracks.iter().enumerate() {
                let fingerprint = &mut self.tracks[track];
                let projected = match silent[track] {
                    true => 0.0,
                    false => fast(Dot(&samples[from..to], signs)),
                };
                self.projected[track] = projected;
                fingerprint.squares += projected * projected;
                fingerprint.sounding_blocks += u64::from(!silent[track]);
                fingerprint.hash = mixed(fingerprint.hash, projected.to_bits());
            }
            let count = tracks.len();
            for one in (0..count).filter(|&one| !silent[one]) {
                let row = Self::row(one, count);
                fast(Add {
                    sums: &mut self.products[row..row + count - one - 1],
                    values: &self.projected[one + 1..],
                    factor: self.projected[one],
                });
            }
            self.block += 1;
        }
    }

    /// Where the products of `track` with those behind it begin.
    fn row(track: usize, tracks: usize) -> usize {
        track * (2 * tracks - track - 1) / 2
    }

    fn product(&self, one: usize, other: usize) -> f64 {
        if one == other {
            return self.tracks[one].squares;
        }
        let (one, other) = (one.min(other), one.max(other));
        self.products[Self::row(one, self.tracks.len()) + other - one - 1]
    }

    /// Whether enough of the track sounds to say what it is like.
    pub(super) fn tells(&self, track: usize) -> bool {
        self.tracks[track].sounding_blocks >= LEAST
    }

    /// Over the whole file, -1 to 1; `None` where too little of one of them sounds.
    pub(super) fn correlation(&self, one: usize, other: usize) -> Option<f64> {
        self.correlation_with_sum(one, &[other])
    }

    /// The same of a track with the sum of others.
    pub(super) fn correlation_with_sum(&self, one: usize, others: &[usize]) -> Option<f64> {
        let told = others.iter().chain([&one]).all(|&track| self.tells(track));
        let cross: f64 = others.iter().map(|&other| self.product(one, other)).sum();
        let mut power = 0.0;
        for &a in others {
            power += others.iter().map(|&b| self.product(a, b)).sum::<f64>();
        }
        let scale = (self.product(one, one) * power).sqrt();
        (told && scale > 0.0).then(|| (cross / scale).clamp(-1.0, 1.0))
    }

    /// Level of `one` less that of `other`, dB; of tracks that correlate.
    pub(super) fn level_difference_db(&self, one: usize, other: usize) -> f64 {
        10.0 * (self.product(one, one) / self.product(other, other)).log10()
    }

    /// Whether every sample is the same, as far as doubles tell.
    pub(super) fn identical(&self, one: usize, other: usize) -> bool {
        self.tracks[one].hash == self.tracks[other].hash
    }
}

/// 1 or -1, from a generator with a fixed seed (splitmix64: Steele, Lea and Flood 2014).
fn signs() -> Vec<f64> {
    let mut state = 0u64;
    (0..SIGNS)
        .map(|_| {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            match mixed(0, state) >> 63 {
                0 => 1.0,
                _ => -1.0,
            }
        })
        .collect()
}

/// The mixing function of splitmix64 over both.
fn mixed(hash: u64, value: u64) -> u64 {
    let mut z = hash.rotate_left(23) ^ value;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)).wrapping_add(0x9e37_79b9_7f4a_7c15)
}

struct Dot<'a>(&'a [f64], &'a [f64]);

impl Work for Dot<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let mut lanes = [0.0; 8];
        let (left, left_rest) = self.0.as_chunks::<8>();
        let (right, right_rest) = self.1.as_chunks::<8>();
        for (l, r) in left.iter().zip(right) {
            for i in 0..8 {
                lanes[i] += l[i] * r[i];
            }
        }
        let rest: f64 = left_rest.iter().zip(right_rest).map(|(l, r)| l * r).sum();
        lanes.iter().sum::<f64>() + rest
    }
}

/// Adds a multiple of the values.
struct Add<'a> {
    sums: &'a mut [f64],
    values: &'a [f64],
    factor: f64,
}

impl Work for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn work(self) {
        for (sum, value) in self.sums.iter_mut().zip(self.values) {
            *sum += self.factor * value;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(seed: u64, frames: usize) -> Vec<f64> {
        let mut state = seed;
        (0..frames)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                (state >> 33) as f64 / (1u64 << 30) as f64 - 1.0
            })
            .collect()
    }

    fn fed(tracks: &[Vec<f64>]) -> Likeness {
        let mut likeness = Likeness::new(tracks.len());
        for from in (0..tracks[0].len()).step_by(512) {
            let to = (from + 512).min(tracks[0].len());
            let chunk: Vec<&[f64]> = tracks.iter().map(|track| &track[from..to]).collect();
            let silent: Vec<bool> = chunk.iter().map(|c| c.iter().all(|v| *v == 0.0)).collect();
            likeness.chunk(&chunk, &silent);
        }
        likeness
    }

    /// cos of the mixing angle is the correlation of a mixture with one of two independent parts.
    #[test]
    fn the_projected_correlation_is_that_of_the_samples() {
        let (one, other) = (noise(1, 480_000), noise(2, 480_000));
        for share in [0.0f64, 0.5, 0.9, 0.99] {
            let rest = (1.0 - share * share).sqrt();
            let mixed: Vec<f64> = one
                .iter()
                .zip(&other)
                .map(|(a, b)| share * a + rest * b)
                .collect();
            let tracks = [one.clone(), mixed];
            let exact = {
                let dot =
                    |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).map(|(a, b)| a * b).sum() };
                dot(&tracks[0], &tracks[1])
                    / (dot(&tracks[0], &tracks[0]) * dot(&tracks[1], &tracks[1])).sqrt()
            };
            let read = fed(&tracks).correlation(0, 1).unwrap();
            // Four standard deviations of (1 - r^2) / sqrt(3750).
            let tolerance = 4.0 * (1.0 - share * share) / 3750f64.sqrt() + 1e-3;
            assert!(
                (read - exact).abs() < tolerance,
                "{share}: {read}, not {exact}"
            );
        }
    }

    /// Tones whose period divides the block stand still against fixed signs.
    #[test]
    fn tones_of_one_pitch_a_quarter_apart_are_not_alike() {
        let tone = |phase: f64| -> Vec<f64> {
            (0..480_000)
                .map(|n| (2.0 * std::f64::consts::PI * f64::from(n) / 128.0 + phase).sin())
                .collect()
        };
        let read = fed(&[tone(0.0), tone(0.5 * std::f64::consts::PI)]);
        assert!(read.correlation(0, 1).unwrap().abs() < 0.1);
    }

    #[test]
    fn only_equal_samples_are_identical() {
        let one = noise(3, 48_000);
        let mut other = one.clone();
        other[47_999] += 1e-9;
        let scaled: Vec<f64> = one.iter().map(|v| -0.5 * v).collect();
        let read = fed(&[one.clone(), one, other, scaled]);
        assert!(read.identical(0, 1) && !read.identical(0, 2));
        assert!((read.correlation(0, 3).unwrap() + 1.0).abs() < 1e-9);
        assert!((read.level_difference_db(0, 3) - 20.0 * 2f64.log10()).abs() < 1e-6);
    }

    #[test]
    fn the_same_sound_at_another_time_is_no_copy() {
        let sound = noise(4, 24_576);
        let early: Vec<f64> = sound.iter().copied().chain(vec![0.0; 24_576]).collect();
        let late: Vec<f64> = vec![0.0; 24_576].into_iter().chain(sound).collect();
        let read = fed(&[early, late]);
        assert!(!read.identical(0, 1));
        assert_eq!(read.correlation(0, 1), Some(0.0));
    }

    #[test]
    fn a_track_that_hardly_sounds_is_like_nothing() {
        let read = fed(&[noise(5, 1000), noise(5, 1000)]);
        assert_eq!(read.correlation(0, 1), None);
    }
}
