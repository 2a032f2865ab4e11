//! Convolution of blocks of [`CHUNK`] samples with filters of as many taps (overlap-save).
//!
//! In: one block of one channel at a time. Out: the same number of samples of the convolution.
//! The first output sample is that of the first input sample: no delay of its own.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::renderer::CHUNK;

/// One channel's filter and its memory.
pub(super) struct Convolver {
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
    filter: Vec<Complex<f64>>,
    /// The block before, then the block at hand.
    window: Vec<f64>,
    work: Vec<f64>,
    spectrum: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
    /// The block before was silent too, so that nothing rings on.
    quiet: bool,
}

impl Convolver {
    /// `taps` are at most [`CHUNK`].
    pub(super) fn new(planner: &mut RealFftPlanner<f64>, taps: &[f64]) -> Self {
        assert!(taps.len() <= CHUNK, "a filter is no longer than a block");
        let forward = planner.plan_fft_forward(2 * CHUNK);
        let backward = planner.plan_fft_inverse(2 * CHUNK);
        let mut work = vec![0.0; 2 * CHUNK];
        // The inverse transform is not normalised: the filter carries the factor.
        for (to, tap) in work.iter_mut().zip(taps) {
            *to = tap / (2 * CHUNK) as f64;
        }
        let mut filter = forward.make_output_vec();
        let scratch_len = forward.get_scratch_len().max(backward.get_scratch_len());
        let mut scratch = vec![Complex::default(); scratch_len];
        forward
            .process_with_scratch(&mut work, &mut filter, &mut scratch)
            .expect("the lengths are the plan's own");
        let spectrum = forward.make_output_vec();
        Self {
            forward,
            backward,
            filter,
            window: vec![0.0; 2 * CHUNK],
            work,
            spectrum,
            scratch,
            quiet: true,
        }
    }

    /// Adds the convolution of `block` ([`CHUNK`] samples) to `to`.
    pub(super) fn add(&mut self, block: &[f64], silent: bool, to: &mut [f64]) {
        self.window.copy_within(CHUNK.., 0);
        self.window[CHUNK..].copy_from_slice(block);
        let was_quiet = std::mem::replace(&mut self.quiet, silent);
        if silent && was_quiet {
            return;
        }
        self.work.copy_from_slice(&self.window);
        self.forward
            .process_with_scratch(&mut self.work, &mut self.spectrum, &mut self.scratch)
            .expect("the lengths are the plan's own");
        for (bin, filter) in self.spectrum.iter_mut().zip(&self.filter) {
            *bin *= filter;
        }
        // The first and last bin of a real signal are real; rounding must not say otherwise.
        self.spectrum[0].im = 0.0;
        self.spectrum[CHUNK].im = 0.0;
        self.backward
            .process_with_scratch(&mut self.spectrum, &mut self.work, &mut self.scratch)
            .expect("the lengths are the plan's own");
        for (to, value) in to.iter_mut().zip(&self.work[CHUNK..]) {
            *to += value;
        }
    }
}
