//! What the binaural room promises: sets are read as they are, ears hear what a plain
//! convolution says, and no file brings the house down.

mod hostile;
mod reading;
mod rendering;
mod resampling;

use super::HeadSet;

const PLAIN: &[u8] = include_bytes!("data/plain.sofa");
const PACKED: &[u8] = include_bytes!("data/packed.sofa");

/// The directions of the invented sets, in the files' order (data/make_sets.py).
const DIRECTIONS: [(i64, i64); 12] = [
    (0, 0),
    (30, 0),
    (-30, 0),
    (90, 0),
    (-90, 0),
    (135, 0),
    (-135, 0),
    (180, 0),
    (45, 30),
    (-45, 30),
    (135, 30),
    (-135, 30),
];
const TAPS: usize = 64;

/// The left ear's response of the invented sets, by their formula (data/make_sets.py).
fn invented(azimuth: i64, elevation: i64) -> Vec<f64> {
    let tap = |k: i64| {
        let whole = (azimuth * 37 + elevation * 101 + k * 7919 + 1_000_003).rem_euclid(4001) - 2000;
        whole as f64 / 4096.0 / (1_u64 << (k / 8)) as f64
    };
    (0..TAPS as i64).map(tap).collect()
}

/// Both ears: the right one hears what the left one hears from the other side.
fn invented_ears(azimuth: i64, elevation: i64) -> [Vec<f64>; 2] {
    let other = if azimuth == 180 { 180 } else { -azimuth };
    [invented(azimuth, elevation), invented(other, elevation)]
}

fn plain() -> HeadSet {
    HeadSet::from_bytes(PLAIN.to_vec()).unwrap()
}

fn packed() -> HeadSet {
    HeadSet::from_bytes(PACKED.to_vec()).unwrap()
}

/// A measured dummy head that Debian's libmysofa1 brings, where it is installed.
fn dummy_head() -> Option<HeadSet> {
    let path = "/usr/share/libmysofa/default.sofa";
    if !std::path::Path::new(path).exists() {
        println!("skipped: no head set at {path} (Debian: libmysofa1)");
        return None;
    }
    Some(HeadSet::open(path).unwrap())
}

/// Numbers between -1 and 1 that look like noise; xorshift64 (G. Marsaglia, 2003).
fn noise(seed: u64, length: usize) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let next = |_| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    };
    (0..length).map(next).collect()
}
