//! A line through the means of a channel: a constant, or a multiple of the level.
//!
//! In: windows. Out: what each of the two leaves unexplained.

use super::windows::Window;

/// Level under which quieter windows weigh no more: -60 dBFS. Own choice.
const QUIET: f64 = 1e-3;

/// Weighted squares that a window leaves at least, so that models can be compared which leave
/// nothing: a millionth of the weight of -60 dBFS. Own choice.
const FLOOR: f64 = 1e-6;

/// Weighted sums over windows: what a constant and a multiple of the level leave unexplained.
#[derive(Clone, Copy, Default)]
pub(super) struct Line {
    count: f64,
    weight: f64,
    levels: f64,
    mean: f64,
    means: f64,
    both: f64,
    squares: f64,
}

impl Line {
    pub fn add(&mut self, window: &Window) {
        let weight = 1.0 / (window.level * window.level + QUIET * QUIET);
        self.count += 1.0;
        self.weight += weight;
        self.levels += weight * window.level * window.level;
        self.mean += weight * window.mean;
        self.means += weight * window.mean * window.mean;
        self.both += weight * window.level * window.mean;
        self.squares += window.level * window.level;
    }

    pub fn of<'a>(windows: impl Iterator<Item = &'a Window>) -> Self {
        let mut line = Self::default();
        windows.for_each(|window| line.add(window));
        line
    }

    pub fn and(&self, other: &Self) -> Self {
        Self {
            count: self.count + other.count,
            weight: self.weight + other.weight,
            levels: self.levels + other.levels,
            mean: self.mean + other.mean,
            means: self.means + other.means,
            both: self.both + other.both,
            squares: self.squares + other.squares,
        }
    }

    pub fn count(&self) -> f64 {
        self.count
    }

    pub fn constant(&self) -> f64 {
        self.mean / self.weight.max(f64::MIN_POSITIVE)
    }

    /// Weighted squares that the constant leaves.
    pub fn beside_constant(&self) -> f64 {
        (self.means - self.mean * self.constant()).max(FLOOR * self.count)
    }

    /// Weighted squares that a multiple of the level leaves.
    pub fn beside_level(&self) -> f64 {
        let slope = self.both / self.levels.max(f64::MIN_POSITIVE);
        (self.means - slope * self.both).max(FLOOR * self.count)
    }

    /// Standard error of the constant.
    pub fn error(&self) -> f64 {
        let variance = self.beside_constant() / (self.count - 1.0).max(1.0);
        (variance / self.weight.max(f64::MIN_POSITIVE)).sqrt()
    }

    /// How far its level is from the other's, in dB.
    pub fn decibels_from(&self, other: &Self) -> f64 {
        let power = |line: &Self| line.squares / line.count.max(1.0) + QUIET * QUIET;
        (10.0 * (power(self) / power(other)).log10()).abs()
    }
}
