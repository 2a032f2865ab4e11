//! Correlation of a pair: exact over the file, in 3 s windows, and by band.
//!
//! In: per block the sums of products, in time and in bands. Out: the coefficients, the lowest
//! window, and the passages of opposite sign.
//!
//! The coefficient is that of a goniometer's meter: sum of products over the root of the products
//! of the sums of squares, nothing taken off (common practice, no source).

use std::collections::VecDeque;

use realfft::num_complex::Complex;

use crate::vector::Work;

/// A window both of whose channels are over this counts: -60 dBFS, common practice, no source.
const SOUNDING: f64 = 1e-6;
/// Front pair: windows under -0.5 for longer than 3 s (common practice, no source: what a
/// correlation meter shows as trouble).
const FRONT_LIMIT: (f64, f64) = (-0.5, 3.0);
/// Other pairs: under -0.9 for longer than 10 s. Own choice: decorrelated reverbs lie near 0.
const OTHER_LIMIT: (f64, f64) = (-0.9, 10.0);

/// Sums of squares and products of two channels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Products {
    pub left: f64,
    pub right: f64,
    pub cross: f64,
}

impl Products {
    pub(super) fn add(&mut self, other: Self) {
        self.left += other.left;
        self.right += other.right;
        self.cross += other.cross;
    }

    pub(super) fn coefficient(&self) -> Option<f64> {
        let scale = (self.left * self.right).sqrt();
        (scale > 0.0).then(|| (self.cross / scale).clamp(-1.0, 1.0))
    }
}

/// Running sums side by side.
const WIDE: usize = 8;

/// Sum of squares and largest magnitude of one channel.
pub(super) struct Alone<'a>(pub &'a [f64]);

impl Work for Alone<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn work(self) -> (f64, f64) {
        let mut squares = [0.0; WIDE];
        let mut tops = [0.0f64; WIDE];
        let (rows, rest) = self.0.as_chunks::<WIDE>();
        for row in rows {
            for i in 0..WIDE {
                squares[i] += row[i] * row[i];
                tops[i] = larger(row[i].abs(), tops[i]);
            }
        }
        for (i, value) in rest.iter().enumerate() {
            squares[i] += value * value;
            tops[i] = larger(value.abs(), tops[i]);
        }
        let top = tops.iter().fold(0.0, |top, &v| larger(v, top));
        (squares.iter().sum(), top)
    }
}

/// Sum of products of samples, and the largest difference of the two.
pub(super) struct Times<'a>(pub &'a [f64], pub &'a [f64]);

impl Work for Times<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn work(self) -> (f64, f64) {
        let mut sums = [0.0; WIDE];
        let mut apart = [0.0f64; WIDE];
        let (left, left_rest) = self.0.as_chunks::<WIDE>();
        let (right, right_rest) = self.1.as_chunks::<WIDE>();
        for (l, r) in left.iter().zip(right) {
            for i in 0..WIDE {
                sums[i] += l[i] * r[i];
                apart[i] = larger((l[i] - r[i]).abs(), apart[i]);
            }
        }
        for (i, (l, r)) in left_rest.iter().zip(right_rest).enumerate() {
            sums[i] += l * r;
            apart[i] = larger((l - r).abs(), apart[i]);
        }
        let apart = apart.iter().fold(0.0, |top, &v| larger(v, top));
        (sums.iter().sum(), apart)
    }
}

#[inline(always)]
fn larger(value: f64, top: f64) -> f64 {
    if value > top { value } else { top }
}

/// Products of spectral lines: the real part of the cross-spectrum is what correlates.
pub(super) struct Lines<'a>(pub &'a [Complex<f32>], pub &'a [Complex<f32>]);

impl Work for Lines<'_> {
    type Output = Products;

    #[inline(always)]
    fn work(self) -> Products {
        let mut sums = [[0.0f32; WIDE]; 3];
        let (left, left_rest) = self.0.as_chunks::<WIDE>();
        let (right, right_rest) = self.1.as_chunks::<WIDE>();
        for (left, right) in left.iter().zip(right) {
            for i in 0..WIDE {
                let (l, r) = (left[i], right[i]);
                sums[0][i] += l.re * l.re + l.im * l.im;
                sums[1][i] += r.re * r.re + r.im * r.im;
                sums[2][i] += l.re * r.re + l.im * r.im;
            }
        }
        for (i, (l, r)) in left_rest.iter().zip(right_rest).enumerate() {
            sums[0][i] += l.re * l.re + l.im * l.im;
            sums[1][i] += r.re * r.re + r.im * r.im;
            sums[2][i] += l.re * r.re + l.im * r.im;
        }
        let [left, right, cross] = sums.map(|sum| sum.iter().map(|&v| f64::from(v)).sum());
        Products { left, right, cross }
    }
}

/// A passage whose two sides are of opposite sign.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Passage {
    pub start: u64,
    pub end: u64,
    pub worst: f64,
    /// Low and full band over the passage's windows.
    pub low: Products,
}

/// Windows of 3 s in steps of a block.
pub(super) struct Windows {
    block: u64,
    per_window: usize,
    limit: f64,
    lasting: u64,
    held: VecDeque<(Products, Products)>,
    blocks: u64,
    pub counted: u64,
    pub below_half: u64,
    /// Lowest coefficient and the first frame of its window.
    pub lowest: Option<(f64, u64)>,
    open: Option<Passage>,
    pub passages: Vec<Passage>,
    pub passages_total: u64,
}

impl Windows {
    pub(super) fn new(rate: f64, block: usize, front: bool) -> Self {
        let (limit, lasting_s) = if front { FRONT_LIMIT } else { OTHER_LIMIT };
        Self {
            block: block as u64,
            per_window: per_window(rate, block),
            limit,
            lasting: (lasting_s * rate) as u64,
            held: VecDeque::new(),
            blocks: 0,
            counted: 0,
            below_half: 0,
            lowest: None,
            open: None,
            passages: Vec::new(),
            passages_total: 0,
        }
    }

    /// Takes a whole block: all of it, and its low band.
    pub(super) fn block(&mut self, all: Products, low: Products) {
        self.held.push_back((all, low));
        self.blocks += 1;
        if self.held.len() > self.per_window {
            self.held.pop_front();
        }
        if self.held.len() < self.per_window {
            return;
        }
        let mut window = Products::default();
        self.held.iter().for_each(|(all, _)| window.add(*all));
        let frames = (self.per_window as u64 * self.block) as f64;
        let sounding = window.left.min(window.right) > SOUNDING * frames;
        let coefficient = window.coefficient().filter(|_| sounding);
        let start = (self.blocks - self.per_window as u64) * self.block;
        let Some(coefficient) = coefficient else {
            return self.close();
        };
        self.counted += 1;
        self.below_half += u64::from(coefficient < -0.5);
        if self.lowest.is_none_or(|(lowest, _)| coefficient < lowest) {
            self.lowest = Some((coefficient, start));
        }
        if coefficient >= self.limit {
            return self.close();
        }
        let end = self.blocks * self.block;
        match &mut self.open {
            Some(passage) => {
                passage.end = end;
                passage.worst = passage.worst.min(coefficient);
                passage.low.add(low);
            }
            None => {
                let mut lows = Products::default();
                self.held.iter().for_each(|(_, low)| lows.add(*low));
                self.open = Some(Passage {
                    start,
                    end,
                    worst: coefficient,
                    low: lows,
                });
            }
        }
    }

    /// Ends a passage. It lasted from its first window's start to its last one's.
    pub(super) fn close(&mut self) {
        let Some(passage) = self.open.take() else {
            return;
        };
        let window = self.per_window as u64 * self.block;
        if passage.end - passage.start > window + self.lasting {
            self.passages_total += 1;
            if self.passages.len() < crate::measure::Spots::KEPT {
                self.passages.push(passage);
            }
        }
    }
}

/// Blocks of a 3 s window.
pub(super) fn per_window(rate: f64, block: usize) -> usize {
    ((3.0 * rate / block as f64).round() as usize).max(1)
}
