//! Linear PCM: from interleaved bytes to planar samples, full scale = 1.0.
//!
//! In: whole frames as they stand in the file. Out: a filled [`Block`], and for floats a count
//! of the values that are no usable numbers. Knows nothing of containers. The loops are made
//! once for each way of writing and for one, two and more channels, so that nothing is decided
//! per sample.

use super::block::Block;

/// How one sample is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Coding {
    /// WAVE's 8 bits: 128 is silence.
    Unsigned8,
    Signed8,
    Int16(Order),
    Int24(Order),
    Int32(Order),
    Float32(Order),
    Float64(Order),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Order {
    Little,
    Big,
}

impl Coding {
    /// Signed integers of so many bytes (1 to 4).
    pub fn signed(bytes: usize, order: Order) -> Option<Self> {
        match bytes {
            1 => Some(Self::Signed8),
            2 => Some(Self::Int16(order)),
            3 => Some(Self::Int24(order)),
            4 => Some(Self::Int32(order)),
            _ => None,
        }
    }

    pub fn bytes(self) -> usize {
        match self {
            Self::Unsigned8 | Self::Signed8 => 1,
            Self::Int16(_) => 2,
            Self::Int24(_) => 3,
            Self::Int32(_) | Self::Float32(_) => 4,
            Self::Float64(_) => 8,
        }
    }

    /// Fills `block` from whole frames; `frames.len()` is a multiple of `channels * bytes()` and
    /// holds at most [`Block::capacity_frames`] frames. Floats may leave NaN and infinities in
    /// it: see [`Coding::is_suspect`]. Returns the number of frames.
    pub fn decode(self, frames: &[u8], channels: usize, block: &mut Block) -> usize {
        use Order::{Big, Little};
        match self {
            Self::Unsigned8 => planar::<U8>(frames, channels, block),
            Self::Signed8 => planar::<I8>(frames, channels, block),
            Self::Int16(Little) => planar::<I16Le>(frames, channels, block),
            Self::Int16(Big) => planar::<I16Be>(frames, channels, block),
            Self::Int24(Little) => planar::<I24Le>(frames, channels, block),
            Self::Int24(Big) => planar::<I24Be>(frames, channels, block),
            Self::Int32(Little) => planar::<I32Le>(frames, channels, block),
            Self::Int32(Big) => planar::<I32Be>(frames, channels, block),
            Self::Float32(Little) => planar::<F32Le>(frames, channels, block),
            Self::Float32(Big) => planar::<F32Be>(frames, channels, block),
            Self::Float64(Little) => planar::<F64Le>(frames, channels, block),
            Self::Float64(Big) => planar::<F64Be>(frames, channels, block),
        }
    }

    /// Whether any value is NaN, infinite or denormal. One look over the bytes without a branch
    /// per sample; what it finds is told apart by `float_class`.
    pub fn is_suspect(self, frames: &[u8]) -> bool {
        match self {
            Self::Float32(Order::Little) => suspect32(frames, u32::from_le_bytes),
            Self::Float32(Order::Big) => suspect32(frames, u32::from_be_bytes),
            Self::Float64(Order::Little) => suspect64(frames, u64::from_le_bytes),
            Self::Float64(Order::Big) => suspect64(frames, u64::from_be_bytes),
            _ => false,
        }
    }

    /// The class of one written float; `sample.len()` is `bytes()`.
    pub fn float_class(self, sample: &[u8]) -> std::num::FpCategory {
        match self {
            Self::Float32(order) => {
                let bits = array::<4>(sample);
                match order {
                    Order::Little => f32::from_le_bytes(bits).classify(),
                    Order::Big => f32::from_be_bytes(bits).classify(),
                }
            }
            Self::Float64(order) => {
                let bits = array::<8>(sample);
                match order {
                    Order::Little => f64::from_le_bytes(bits).classify(),
                    Order::Big => f64::from_be_bytes(bits).classify(),
                }
            }
            _ => std::num::FpCategory::Normal,
        }
    }
}

/// Exponent all ones (NaN, infinity), or all zeros with something in the fraction (denormal).
fn suspect32(bytes: &[u8], read: impl Fn([u8; 4]) -> u32) -> bool {
    let found = bytes.chunks_exact(4).fold(0u32, |found, sample| {
        let magnitude = read(array::<4>(sample)) & 0x7fff_ffff;
        let special = u32::from(magnitude >= 0x7f80_0000);
        let denormal = u32::from(magnitude.wrapping_sub(1) < 0x007f_ffff);
        found | special | denormal
    });
    found != 0
}

fn suspect64(bytes: &[u8], read: impl Fn([u8; 8]) -> u64) -> bool {
    let found = bytes.chunks_exact(8).fold(0u64, |found, sample| {
        let magnitude = read(array::<8>(sample)) & 0x7fff_ffff_ffff_ffff;
        let special = u64::from(magnitude >= 0x7ff0_0000_0000_0000);
        let denormal = u64::from(magnitude.wrapping_sub(1) < 0x000f_ffff_ffff_ffff);
        found | special | denormal
    });
    found != 0
}

#[inline(always)]
fn array<const N: usize>(bytes: &[u8]) -> [u8; N] {
    let mut out = [0; N];
    out.copy_from_slice(&bytes[..N]);
    out
}

/// Samples that are turned at once: first all into numbers in one line, which the compiler does
/// several at a time, then each to its channel, while they lie in the first-level cache.
/// Own choice, the best of 512 to 8192 when measured.
const TILE_SAMPLES: usize = 2048;

fn planar<W: Written>(frames: &[u8], channels: usize, block: &mut Block) -> usize {
    let count = frames.len() / (channels * W::BYTES);
    // The literal is carried into the loop, so the compiler knows the stride of two.
    match channels {
        1 => W::line(frames, &mut block.channel_mut(0)[..count]),
        2 => tiled::<W>(frames, 2, block),
        ..GROUP => tiled::<W>(frames, channels, block),
        _ => grouped::<W>(frames, channels, block),
    }
    count
}

/// Channels, and frames, that are turned at once where there are many channels: a row of a
/// plane is then a whole line of the cache. Own choice, the best when measured.
const GROUP: usize = 8;

/// Squares of [`GROUP`] channels by as many frames, turned in the registers and the first-level
/// cache; what is left over at the ends goes one by one.
fn grouped<W: Written>(frames: &[u8], channels: usize, block: &mut Block) {
    let frame_bytes = channels * W::BYTES;
    let count = frames.len() / frame_bytes;
    let whole = count - count % GROUP;
    let mut square = [[0.0; GROUP]; GROUP];
    for first in (0..channels).step_by(GROUP) {
        let lanes = GROUP.min(channels - first);
        for frame in (0..whole).step_by(GROUP) {
            for (row, line) in square.iter_mut().enumerate() {
                let at = (frame + row) * frame_bytes + first * W::BYTES;
                let bytes = &frames[at..at + lanes * W::BYTES];
                for (slot, sample) in line.iter_mut().zip(bytes.chunks_exact(W::BYTES)) {
                    *slot = W::value(sample);
                }
            }
            for lane in 0..lanes {
                let room = &mut block.channel_mut(first + lane)[frame..frame + GROUP];
                for (slot, line) in room.iter_mut().zip(&square) {
                    *slot = line[lane];
                }
            }
        }
        for frame in whole..count {
            for channel in first..first + lanes {
                let at = frame * frame_bytes + channel * W::BYTES;
                block.channel_mut(channel)[frame] = W::value(&frames[at..at + W::BYTES]);
            }
        }
    }
}

#[inline(always)]
fn tiled<W: Written>(frames: &[u8], channels: usize, block: &mut Block) {
    let mut line = [0.0; TILE_SAMPLES];
    // At least 4 with the most channels that are read.
    let tile_frames = TILE_SAMPLES / channels;
    let tiles = frames.chunks(tile_frames * channels * W::BYTES);
    for (tile_index, tile) in tiles.enumerate() {
        let line = &mut line[..tile.len() / W::BYTES];
        W::line(tile, line);
        for channel in 0..channels {
            let room = &mut block.channel_mut(channel)[tile_index * tile_frames..];
            for (slot, frame) in room.iter_mut().zip(line.chunks_exact(channels)) {
                *slot = frame[channel];
            }
        }
    }
}

/// One way of writing a sample.
trait Written {
    const BYTES: usize;
    /// Full scale = 1.0; an integer of `b` bits comes as the integer over 2^(b-1), exactly.
    fn value(bytes: &[u8]) -> f64;
    /// As many samples as `out` is long, one after the other.
    #[inline(always)]
    fn line(bytes: &[u8], out: &mut [f64]) {
        for (slot, sample) in out.iter_mut().zip(bytes.chunks_exact(Self::BYTES)) {
            *slot = Self::value(sample);
        }
    }
}

macro_rules! written {
    ($name:ident, $bytes:literal, |$b:ident| $value:expr) => {
        struct $name;
        impl Written for $name {
            const BYTES: usize = $bytes;
            #[inline(always)]
            fn value(bytes: &[u8]) -> f64 {
                let $b = array::<$bytes>(bytes);
                $value
            }
        }
    };
}

const OVER_2_7: f64 = 1.0 / 128.0;
const OVER_2_15: f64 = 1.0 / 32_768.0;
const OVER_2_31: f64 = 1.0 / 2_147_483_648.0;

written!(U8, 1, |b| (f64::from(b[0]) - 128.0) * OVER_2_7);
written!(I8, 1, |b| f64::from(i8::from_le_bytes(b)) * OVER_2_7);
written!(I16Le, 2, |b| f64::from(i16::from_le_bytes(b)) * OVER_2_15);
written!(I16Be, 2, |b| f64::from(i16::from_be_bytes(b)) * OVER_2_15);

/// 24 bits in the upper part of 32: the sign comes for free, and 2^-31 undoes the shift.
struct I24Le;

impl Written for I24Le {
    const BYTES: usize = 3;

    #[inline(always)]
    fn value(bytes: &[u8]) -> f64 {
        let b = array::<3>(bytes);
        f64::from(i32::from_le_bytes([0, b[0], b[1], b[2]])) * OVER_2_31
    }

    /// The usual one, so it is worth the trouble: three words hold four samples.
    #[inline(always)]
    fn line(bytes: &[u8], out: &mut [f64]) {
        const GROUPS: usize = 64;
        let mut integers = [0i32; 4 * GROUPS];
        let pieces = out.chunks_mut(4 * GROUPS).zip(bytes.chunks(12 * GROUPS));
        for (out, bytes) in pieces {
            let groups = bytes.chunks_exact(12);
            let rest = groups.remainder();
            let whole = 4 * groups.len();
            for (four, group) in integers.chunks_exact_mut(4).zip(groups) {
                let words = [0, 4, 8].map(|at| u32::from_le_bytes(array::<4>(&group[at..])));
                four[0] = (words[0] << 8) as i32;
                four[1] = ((words[0] >> 24) << 8 | words[1] << 16) as i32;
                four[2] = ((words[1] >> 16) << 8 | words[2] << 24) as i32;
                four[3] = (words[2] & !0xff) as i32;
            }
            for (slot, integer) in out[..whole].iter_mut().zip(&integers) {
                *slot = f64::from(*integer) * OVER_2_31;
            }
            for (slot, sample) in out[whole..].iter_mut().zip(rest.chunks_exact(3)) {
                *slot = Self::value(sample);
            }
        }
    }
}

written!(I24Be, 3, |b| f64::from(i32::from_be_bytes([
    b[0], b[1], b[2], 0
])) * OVER_2_31);
written!(I32Le, 4, |b| f64::from(i32::from_le_bytes(b)) * OVER_2_31);
written!(I32Be, 4, |b| f64::from(i32::from_be_bytes(b)) * OVER_2_31);
written!(F32Le, 4, |b| f64::from(f32::from_le_bytes(b)));
written!(F32Be, 4, |b| f64::from(f32::from_be_bytes(b)));
written!(F64Le, 8, |b| f64::from_le_bytes(b));
written!(F64Be, 8, |b| f64::from_be_bytes(b));

#[cfg(test)]
mod tests {
    use super::*;

    fn decoded(coding: Coding, bytes: &[u8], channels: usize) -> Vec<Vec<f64>> {
        let mut block = Block::new(channels);
        let frames = coding.decode(bytes, channels, &mut block);
        block.set(0, frames);
        (0..channels).map(|c| block.channel(c).to_vec()).collect()
    }

    #[test]
    fn an_integer_of_b_bits_is_the_integer_over_two_to_the_b_minus_one() {
        use Order::{Big, Little};
        let one = |coding, bytes: &[u8]| decoded(coding, bytes, 1)[0][0];
        assert_eq!(one(Coding::Unsigned8, &[0]), -1.0);
        assert_eq!(one(Coding::Unsigned8, &[255]), 127.0 / 128.0);
        assert_eq!(one(Coding::Signed8, &[0x80]), -1.0);
        assert_eq!(one(Coding::Int16(Little), &[0, 0x80]), -1.0);
        assert_eq!(one(Coding::Int16(Big), &[0x7f, 0xff]), 32767.0 / 32768.0);
        let least = 1.0 / 8_388_608.0;
        assert_eq!(one(Coding::Int24(Little), &[0xff, 0xff, 0xff]), -least);
        assert_eq!(one(Coding::Int24(Big), &[0, 0, 1]), least);
        assert_eq!(one(Coding::Int24(Little), &[0, 0, 0x80]), -1.0);
        let finest = 1.0 / 2_147_483_648.0;
        assert_eq!(one(Coding::Int32(Little), &[1, 0, 0, 0]), finest);
        assert_eq!(one(Coding::Int32(Big), &[0xff; 4]), -finest);
        assert_eq!(one(Coding::Float32(Little), &1.5f32.to_le_bytes()), 1.5);
        assert_eq!(one(Coding::Float64(Big), &0.1f64.to_be_bytes()), 0.1);
    }

    #[test]
    fn each_channel_gets_its_own_samples_over_all_tiles() {
        for channels in [1usize, 2, 3, 12, 22, 128] {
            let frames = Block::capacity_frames(channels);
            let number = |frame: usize, channel: usize| (frame * channels + channel) as i32;
            let bytes: Vec<u8> = (0..frames)
                .flat_map(|f| (0..channels).map(move |c| number(f, c)))
                .flat_map(|n| n.to_le_bytes()[..3].to_vec())
                .collect();
            let planes = decoded(Coding::Int24(Order::Little), &bytes, channels);
            for (channel, plane) in planes.iter().enumerate() {
                assert_eq!(plane.len(), frames);
                for (frame, value) in plane.iter().enumerate() {
                    assert_eq!(*value, f64::from(number(frame, channel)) / 8_388_608.0);
                }
            }
        }
    }

    #[test]
    fn floats_that_are_no_usable_numbers_are_noticed() {
        let le = Coding::Float32(Order::Little);
        let clean: Vec<u8> = [0.0f32, -0.0, 1.0, -1.0, f32::MIN_POSITIVE, f32::MAX]
            .iter()
            .flat_map(|v| v.to_le_bytes())
            .collect();
        assert!(!le.is_suspect(&clean));
        for odd in [f32::NAN, f32::NEG_INFINITY, f32::MIN_POSITIVE / 2.0, -1e-45] {
            let mut bytes = clean.clone();
            bytes.extend(odd.to_le_bytes());
            assert!(le.is_suspect(&bytes), "{odd}");
        }
        let be = Coding::Float64(Order::Big);
        assert!(!be.is_suspect(&1.0f64.to_be_bytes()));
        assert!(be.is_suspect(&f64::NAN.to_be_bytes()));
        assert!(be.is_suspect(&5e-324f64.to_be_bytes()));
        assert!(!Coding::Int16(Order::Little).is_suspect(&[0xff; 8]));
    }
}
