//! The transforms that lossy codecs quantise in, for many frame offsets at a time: a windowed
//! MDCT of 2048 samples with a hop of 1024 (AAC long blocks, Vorbis long blocks).
//!
//! In: samples as `f32`. Out: sums of the logarithm of squared coefficients. Eight neighbouring
//! offsets go side by side through every operation, so that plain loops become vector code.

/// Offsets that are computed side by side.
pub(super) const LANES: usize = 8;
/// The same value at eight neighbouring offsets.
pub(super) type Lanes = [f32; LANES];

/// Coefficients of a block; also the hop from block to block.
pub(super) const COEFFICIENTS: usize = 1024;
const WINDOW: usize = 2 * COEFFICIENTS;
const POINTS: usize = COEFFICIENTS / 2;

#[inline(always)]
pub(super) fn map(a: Lanes, b: Lanes, f: impl Fn(f32, f32) -> f32) -> Lanes {
    let mut out = [0.0; LANES];
    for lane in 0..LANES {
        out[lane] = f(a[lane], b[lane]);
    }
    out
}

#[inline(always)]
pub(super) fn each(a: Lanes, f: impl Fn(f32) -> f32) -> Lanes {
    map(a, a, |a, _| f(a))
}

#[inline(always)]
pub(super) fn plus(a: Lanes, b: Lanes) -> Lanes {
    map(a, b, |a, b| a + b)
}

#[inline(always)]
pub(super) fn minus(a: Lanes, b: Lanes) -> Lanes {
    map(a, b, |a, b| a - b)
}

/// The base-2 logarithm of positive, normal values, right to 0.01: exponent and a parabola
/// through the mantissa. More would be lost in a mean over hundreds of coefficients.
#[inline(always)]
pub(super) fn log2(values: Lanes) -> Lanes {
    each(values, |value| {
        let bits = value.to_bits();
        let exponent = (bits >> 23) as i32 - 127;
        let mantissa = f32::from_bits((bits & 0x007f_ffff) | 0x3f80_0000);
        exponent as f32 + (mantissa * (2.024_66 - 0.344_845 * mantissa) - 1.674_87)
    })
}

/// The windows of the codecs, all power-complementary (Princen and Bradley).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Window {
    /// Sine: ISO/IEC 13818-7 and 14496-3 with `window_shape` 0.
    Sine,
    /// Kaiser-Bessel derived, alpha 4: the same standards with `window_shape` 1, long blocks.
    KaiserBessel,
    /// Sine of the squared sine: Vorbis I specification, clause 4.3.1.
    Power,
}

impl Window {
    pub(super) fn samples(self) -> Vec<f32> {
        use std::f64::consts::PI;
        let phase = |n: usize| (n as f64 + 0.5) * PI / WINDOW as f64;
        match self {
            Self::Sine => (0..WINDOW).map(|n| phase(n).sin() as f32).collect(),
            Self::Power => (0..WINDOW)
                .map(|n| (PI / 2.0 * phase(n).sin().powi(2)).sin() as f32)
                .collect(),
            Self::KaiserBessel => kaiser_bessel_derived(4.0),
        }
    }
}

fn kaiser_bessel_derived(alpha: f64) -> Vec<f32> {
    let half = COEFFICIENTS as f64 / 2.0;
    let kernel: Vec<f64> = (0..=COEFFICIENTS)
        .map(|n| {
            let place = (n as f64 - half) / half;
            bessel_i0(std::f64::consts::PI * alpha * (1.0 - place * place).max(0.0).sqrt())
        })
        .collect();
    let total: f64 = kernel.iter().sum();
    let mut sum = 0.0;
    let rise: Vec<f32> = kernel[..COEFFICIENTS]
        .iter()
        .map(|value| {
            sum += value;
            (sum / total).sqrt() as f32
        })
        .collect();
    rise.iter().chain(rise.iter().rev()).copied().collect()
}

/// The modified Bessel function of the first kind and order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..60 {
        term *= quarter / f64::from(k * k);
        sum += term;
    }
    sum
}

/// The MDCT of eight offsets: X\[k\] = sum of w x cos(pi/N (n + 1/2 + N/2)(k + 1/2)), scaled to be
/// orthonormal, with N = 1024 coefficients; a DCT-IV by a complex transform of 512 points.
pub(super) struct Mdct {
    /// exp(-i pi (8n + 1) / 8N), before and after the complex transform.
    twist: Vec<(f32, f32)>,
    /// exp(-2 pi i n / 512).
    roots: Vec<(f32, f32)>,
    /// Where the complex transform leaves point k.
    place: Vec<u16>,
    folded: Vec<Lanes>,
    real: Vec<Lanes>,
    imaginary: Vec<Lanes>,
}

impl Mdct {
    pub(super) fn new() -> Self {
        use std::f64::consts::PI;
        let root = |angle: f64| (angle.cos() as f32, angle.sin() as f32);
        let mut place = vec![0; POINTS];
        fill_places(&mut place, 0, POINTS, 0, 1);
        Self {
            twist: (0..POINTS)
                .map(|n| root(-PI * (8 * n + 1) as f64 / (8 * COEFFICIENTS) as f64))
                .collect(),
            roots: (0..POINTS)
                .map(|n| root(-2.0 * PI * n as f64 / POINTS as f64))
                .collect(),
            place,
            folded: vec![[0.0; LANES]; COEFFICIENTS],
            real: vec![[0.0; LANES]; POINTS],
            imaginary: vec![[0.0; LANES]; POINTS],
        }
    }

    /// Coefficients of the blocks that start at the first eight of `samples`, which are 2048 + 7
    /// or more, into `out`.
    #[inline(always)]
    pub(super) fn run(&mut self, samples: &[f32], window: &[f32], out: &mut [Lanes]) {
        self.fold(samples, window);
        let scale = (2.0 / COEFFICIENTS as f32).sqrt();
        // Plain slices: a vector's own pointer would be read again after every store.
        let (folded, twist) = (&self.folded[..COEFFICIENTS], &self.twist[..POINTS]);
        let (real, imaginary) = (&mut self.real[..POINTS], &mut self.imaginary[..POINTS]);
        for n in 0..POINTS {
            let (even, odd) = (folded[2 * n], folded[COEFFICIENTS - 1 - 2 * n]);
            let (re, im) = turned(even, odd, twist[n]);
            real[n] = each(re, |v| v * scale);
            imaginary[n] = each(im, |v| v * scale);
        }
        self.transform();
        let (real, imaginary) = (&self.real[..POINTS], &self.imaginary[..POINTS]);
        let twist = &self.twist[..POINTS];
        let (place, out) = (&self.place[..POINTS], &mut out[..COEFFICIENTS]);
        for k in 0..POINTS {
            let from = usize::from(place[k]);
            let (re, im) = turned(real[from], imaginary[from], twist[k]);
            out[2 * k] = re;
            out[COEFFICIENTS - 1 - 2 * k] = each(im, |v| -v);
        }
    }

    /// The time-domain aliasing that makes 2048 windowed samples 1024: with quarters a b c d,
    /// (-c reversed - d, a - b reversed).
    #[inline(always)]
    fn fold(&mut self, samples: &[f32], window: &[f32]) {
        let half = COEFFICIENTS / 2;
        let samples = &samples[..WINDOW + LANES - 1];
        let (window, folded) = (&window[..WINDOW], &mut self.folded[..COEFFICIENTS]);
        for n in 0..half {
            let c = windowed(samples, window, 3 * half - 1 - n);
            let d = windowed(samples, window, 3 * half + n);
            folded[n] = map(c, d, |c, d| -c - d);
            let a = windowed(samples, window, n);
            let b = windowed(samples, window, COEFFICIENTS - 1 - n);
            folded[half + n] = minus(a, b);
        }
    }

    /// Decimation in frequency in place: four stages of radix 4, one of radix 2.
    #[inline(always)]
    fn transform(&mut self) {
        let (real, imaginary) = (&mut self.real[..POINTS], &mut self.imaginary[..POINTS]);
        let roots = &self.roots[..POINTS];
        let mut size = POINTS;
        while size >= 4 {
            let quarter = size / 4;
            let stride = POINTS / size;
            for block in (0..POINTS).step_by(size) {
                for n in 0..quarter {
                    let (a, b) = (block + n, block + n + quarter);
                    let (c, d) = (b + quarter, b + 2 * quarter);
                    let (ar, br, cr, dr) = (real[a], real[b], real[c], real[d]);
                    let (ai, bi, ci, di) = (imaginary[a], imaginary[b], imaginary[c], imaginary[d]);
                    let (acr, aci) = (plus(ar, cr), plus(ai, ci));
                    let (bdr, bdi) = (plus(br, dr), plus(bi, di));
                    let (mcr, mci) = (minus(ar, cr), minus(ai, ci));
                    let (mdr, mdi) = (minus(br, dr), minus(bi, di));
                    let step = n * stride;
                    (real[a], imaginary[a]) = (plus(acr, bdr), plus(aci, bdi));
                    (real[b], imaginary[b]) = turned(plus(mcr, mdi), minus(mci, mdr), roots[step]);
                    (real[c], imaginary[c]) =
                        turned(minus(acr, bdr), minus(aci, bdi), roots[2 * step]);
                    (real[d], imaginary[d]) =
                        turned(minus(mcr, mdi), plus(mci, mdr), roots[3 * step]);
                }
            }
            size = quarter;
        }
        for at in (0..POINTS).step_by(2) {
            for part in [&mut *real, &mut *imaginary] {
                let (a, b) = (part[at], part[at + 1]);
                part[at] = plus(a, b);
                part[at + 1] = minus(a, b);
            }
        }
    }
}

/// Where each output of the transform lies: radix 4 down to blocks of two, then radix 2.
fn fill_places(place: &mut [u16], start: usize, size: usize, first: usize, step: usize) {
    if size == 1 {
        place[first] = start as u16;
        return;
    }
    let radix = if size >= 4 { 4 } else { 2 };
    for part in 0..radix {
        let sub = size / radix;
        fill_places(
            place,
            start + part * sub,
            sub,
            first + part * step,
            step * radix,
        );
    }
}

#[inline(always)]
fn windowed(samples: &[f32], window: &[f32], at: usize) -> Lanes {
    let mut out = [0.0; LANES];
    out.copy_from_slice(&samples[at..at + LANES]);
    let gain = window[at];
    each(out, |v| v * gain)
}

/// (re + i im) times a complex factor.
#[inline(always)]
fn turned(re: Lanes, im: Lanes, by: (f32, f32)) -> (Lanes, Lanes) {
    (
        map(re, im, |re, im| re * by.0 - im * by.1),
        map(re, im, |re, im| re * by.1 + im * by.0),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(len: usize) -> Vec<f32> {
        let mut state = 12345u32;
        (0..len)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / 8_388_608.0 - 1.0
            })
            .collect()
    }

    #[test]
    fn the_fast_transform_is_the_formula() {
        use std::f64::consts::PI;
        let samples = noise(WINDOW + LANES);
        let window = Window::KaiserBessel.samples();
        let mut out = vec![[0.0; LANES]; COEFFICIENTS];
        Mdct::new().run(&samples, &window, &mut out);
        let size = COEFFICIENTS as f64;
        for (lane, k) in [(0, 0), (0, 1), (3, 500), (7, 1023), (5, 318), (2, 2)] {
            let sum: f64 = (0..WINDOW)
                .map(|n| {
                    let angle = PI / size * (n as f64 + 0.5 + size / 2.0) * (k as f64 + 0.5);
                    f64::from(samples[lane + n] * window[n]) * angle.cos()
                })
                .sum();
            let wanted = sum * (2.0 / size).sqrt();
            assert!(
                (f64::from(out[k][lane]) - wanted).abs() < 1e-4,
                "{lane} {k}: {} for {wanted}",
                out[k][lane]
            );
        }
    }

    #[test]
    fn the_windows_are_power_complementary() {
        for window in [Window::Sine, Window::KaiserBessel, Window::Power] {
            let samples = window.samples();
            for n in 0..COEFFICIENTS {
                let sum = samples[n].powi(2) + samples[n + COEFFICIENTS].powi(2);
                assert!((sum - 1.0).abs() < 1e-5, "{window:?} {n} {sum}");
            }
        }
    }

    #[test]
    fn the_logarithm_is_right_to_a_hundredth() {
        for value in [1.0f32, 1.3, 1.5, 1.75, 1.99, 1e-9, 3e14, 0.1] {
            assert!((log2([value; LANES])[0] - value.log2()).abs() < 0.012);
        }
    }
}
