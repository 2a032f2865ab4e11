//! The lines of mains hum in the spectra of one channel: where they stand free, whether they stay.
//!
//! In: complex spectra of overlapping windows of a second. Out: figures for each mains frequency.

use realfft::num_complex::Complex;

/// Mains frequencies, in Hz.
pub(super) const MAINS_HZ: [f64; 2] = [50.0, 60.0];

/// Harmonics that are looked at, with the fundamental.
pub(super) const HARMONICS: usize = 8;

/// A line stands over its neighbours by so much, in dB. 15 dB is what the trade asks of the level
/// that is reported; a window counts from here (own choice, measured on music and on hum).
const PROMINENCE_DB: f64 = 12.0;

/// A window shows hum with so many lines in it. Own choice: a bass note has many harmonics, but
/// none of them where the mains has.
const LINES: usize = 3;

/// How far a line may be off, in Hz at the fundamental. Networks keep within 0.2 Hz in normal
/// service (EN 50160, 1 % of 50 Hz for 99.5 % of a year; from memory: 0.5 Hz); the notes nearest to
/// the mains are 49.0, 51.9, 58.3 and 61.7 Hz.
const OFF_HZ: f64 = 0.35;

/// Windows between two that do not overlap.
const APART: usize = 4;

/// Levels are counted in bins of half a dB from -150 dBFS up.
const LEVEL_BINS: usize = 320;
const BINS_PER_DB: f64 = 2.0;
const LOWEST_DBFS: f64 = -150.0;

/// What is known of one mains frequency.
pub(super) struct Comb {
    mains_hz: f64,
    bin_hz: f64,
    /// Seconds from one window to the next.
    hop_s: f64,
    pub windows: u64,
    /// Of the lines of windows that show hum.
    lines: [Line; HARMONICS],
    /// The last windows; the lines that stood free, else `None`.
    recent: [[Option<Complex<f64>>; HARMONICS]; APART],
    /// Over pairs of windows a second apart: unit phasors of the phase advance, less that of
    /// the nominal frequency.
    advance: [Complex<f64>; HARMONICS],
    pairs: [u64; HARMONICS],
}

#[derive(Clone)]
struct Line {
    windows: u64,
    /// Sum of its frequencies, read from the spectra.
    hz: f64,
    /// Levels where the line stood free, and of all windows.
    free: Vec<u32>,
    levels: Vec<u32>,
}

/// What a comb shows at the end.
#[derive(Clone, Copy, Debug)]
pub(super) struct Verdict {
    pub windows: u64,
    /// Lines that stood free in at least a third of these.
    pub harmonics: usize,
    /// Of the strongest line, RMS.
    pub level_dbfs: f64,
    /// Half the range that holds the middle three fifths of its levels.
    pub spread_db: f64,
    /// 0 to 1: how well the phase goes on from second to second.
    pub coherence: f64,
    pub pairs: u64,
    pub mains_hz: f64,
    /// Share of all windows in which the strongest line is not 6 dB under its level.
    pub presence: f64,
}

impl Comb {
    pub(super) fn new(mains_hz: f64, bin_hz: f64, hop_s: f64) -> Self {
        let line = Line {
            windows: 0,
            hz: 0.0,
            free: vec![0; LEVEL_BINS],
            levels: vec![0; LEVEL_BINS],
        };
        Self {
            mains_hz,
            bin_hz,
            hop_s,
            windows: 0,
            lines: std::array::from_fn(|_| line.clone()),
            recent: [[None; HARMONICS]; APART],
            advance: [Complex::new(0.0, 0.0); HARMONICS],
            pairs: [0; HARMONICS],
        }
    }

    /// Takes a window: its spectrum, scaled so that a bin's magnitude is a line's RMS.
    pub(super) fn window(&mut self, spectrum: &[Complex<f64>], power: &[f64]) {
        let mut free = [None; HARMONICS];
        let mut levels = [0.0; HARMONICS];
        let mut frequencies = [0.0; HARMONICS];
        for index in 0..HARMONICS {
            let number = (index + 1) as f64;
            let centre = (number * self.mains_hz / self.bin_hz).round() as usize;
            if centre + 8 > power.len() || centre < 8 {
                continue;
            }
            let peak = (centre - 1..=centre + 1).max_by(|&a, &b| power[a].total_cmp(&power[b]));
            let peak = peak.unwrap_or(centre);
            levels[index] = decibels(power[peak]);
            self.lines[index].levels[level_bin(levels[index])] += 1;
            let over = levels[index] - decibels(neighbours(power, centre));
            frequencies[index] = self.frequency(power, peak);
            let off = frequencies[index] / number - self.mains_hz;
            if over > PROMINENCE_DB && off.abs() < OFF_HZ {
                free[index] = Some(spectrum[centre]);
            }
        }
        if free.iter().flatten().count() >= LINES {
            self.count(&free, &levels, &frequencies);
        } else {
            free = [None; HARMONICS];
        }
        self.recent.rotate_left(1);
        self.recent[APART - 1] = free;
    }

    /// Of a line with its peak in that bin: the parabola through the logarithms.
    fn frequency(&self, power: &[f64], peak: usize) -> f64 {
        let [before, at, after] = [peak - 1, peak, peak + 1].map(|bin| power[bin].max(1e-30).ln());
        let bend = before - 2.0 * at + after;
        let shift = if bend < 0.0 {
            (before - after) / 2.0 / bend
        } else {
            0.0
        };
        (peak as f64 + shift.clamp(-1.0, 1.0)) * self.bin_hz
    }

    fn count(
        &mut self,
        free: &[Option<Complex<f64>>; HARMONICS],
        levels: &[f64; HARMONICS],
        frequencies: &[f64; HARMONICS],
    ) {
        self.windows += 1;
        let lag_s = self.hop_s * APART as f64;
        for index in 0..HARMONICS {
            let Some(now) = free[index] else { continue };
            let line = &mut self.lines[index];
            line.windows += 1;
            line.hz += frequencies[index];
            line.free[level_bin(levels[index])] += 1;
            if let Some(before) = self.recent[0][index] {
                let nominal = (index + 1) as f64 * self.mains_hz * lag_s;
                let turn = Complex::from_polar(1.0, -2.0 * std::f64::consts::PI * nominal.fract());
                let advance = now * before.conj() * turn;
                self.advance[index] += advance / advance.norm().max(f64::MIN_POSITIVE);
                self.pairs[index] += 1;
            }
        }
    }

    /// `None` where no window shows hum.
    pub(super) fn verdict(&self) -> Option<Verdict> {
        let harmonics = self
            .lines
            .iter()
            .filter(|line| 3 * line.windows >= self.windows);
        let (index, line) = self
            .lines
            .iter()
            .enumerate()
            .filter(|(_, line)| line.windows > 0 && 2 * line.windows >= self.windows)
            .max_by(|a, b| a.1.level(0.5).total_cmp(&b.1.level(0.5)))?;
        let level = line.level(0.5);
        let pairs: u64 = self.pairs.iter().sum();
        let resultant: f64 = self.advance.iter().map(|sum| sum.norm()).sum();
        let lag_s = self.hop_s * APART as f64;
        let turn = self.advance[index].arg() / (2.0 * std::f64::consts::PI);
        // The phase says it a hundred times as well as the spectrum, where there are pairs.
        let measured = if self.pairs[index] > 0 {
            (index + 1) as f64 * self.mains_hz + turn / lag_s
        } else {
            line.hz / line.windows as f64
        };
        let all: u32 = line.levels.iter().sum();
        let over: u32 = line.levels[level_bin(level - 6.0)..].iter().sum();
        Some(Verdict {
            windows: self.windows,
            harmonics: harmonics.count(),
            level_dbfs: level,
            spread_db: (line.level(0.8) - line.level(0.2)) / 2.0,
            coherence: resultant / pairs.max(1) as f64,
            pairs,
            mains_hz: measured / (index + 1) as f64,
            presence: f64::from(over) / f64::from(all.max(1)),
        })
    }
}

impl Line {
    /// The level that a share of the windows in which the line stood free is not over.
    fn level(&self, share: f64) -> f64 {
        let wanted = share * self.windows as f64;
        let mut seen = 0.0;
        let bin = self.free.iter().position(|&count| {
            seen += f64::from(count);
            seen > 0.0 && seen >= wanted
        });
        LOWEST_DBFS + (bin.unwrap_or(0) as f64 + 0.5) / BINS_PER_DB
    }
}

fn level_bin(level_dbfs: f64) -> usize {
    let place = (level_dbfs - LOWEST_DBFS) * BINS_PER_DB;
    place.clamp(0.0, (LEVEL_BINS - 1) as f64) as usize
}

/// The median power 3 to 7 bins away on both sides.
fn neighbours(power: &[f64], centre: usize) -> f64 {
    let mut around = [0.0; 10];
    around[..5].copy_from_slice(&power[centre - 7..centre - 2]);
    around[5..].copy_from_slice(&power[centre + 3..centre + 8]);
    around.sort_by(f64::total_cmp);
    (around[4] + around[5]) / 2.0
}

fn decibels(power: f64) -> f64 {
    10.0 * power.max(1e-30).log10()
}
