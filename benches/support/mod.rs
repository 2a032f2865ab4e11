//! What the benches share: a clock of CPU time, the median, and a signal like a loud master.
#![allow(dead_code, reason = "each bench uses what it needs")]

/// Noise with a falling spectrum under a moving envelope, driven into a soft limiter: about
/// -14 LUFS with peaks near -1 dBFS, like a loud master.
pub fn music_like(seed: u64, frames: usize, rate: f64) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut white = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    let (mut low, mut middle, mut high) = (0.0, 0.0, 0.0);
    (0..frames)
        .map(|n| {
            let w = white();
            low = 0.997 * low + 0.03 * w;
            middle = 0.96 * middle + 0.1 * w;
            high = 0.5 * high + 0.1 * w;
            let beat = (n as f64 / rate * 2.0).fract();
            let envelope = 0.25 + 0.75 * (-4.0 * beat).exp();
            ((low + middle + high) * envelope * 2.2).tanh() * 0.89
        })
        .collect()
}

/// CPU seconds of this thread.
pub fn cpu(work: impl FnOnce()) -> f64 {
    let now = || {
        let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
        time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
    };
    let start = now();
    work();
    now() - start
}

pub fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}
