//! A block of samples on its way from the decoder to the meters.

use std::ops::ControlFlow;

/// Up to [`Block::capacity_frames`] frames, planar: `[channel][frame]`, all channels equally
/// long, full scale = 1.0. Integer PCM of `b` bits is the integer over 2^(b-1), so each bit can
/// be got back exactly. Every sample is finite: NaN and infinity were counted by the reader and
/// replaced by 0 here.
pub struct Block {
    samples: Vec<f64>,
    channels: usize,
    frames: usize,
    first_frame: u64,
    capacity: usize,
}

impl Block {
    /// Of a block of few channels.
    pub const CAPACITY_FRAMES: usize = 4096;

    pub fn new(channels: usize) -> Self {
        let capacity = Self::capacity_frames(channels);
        Self {
            samples: vec![0.0; channels * capacity],
            channels,
            capacity,
            frames: 0,
            first_frame: 0,
        }
    }

    /// Frames that a block of so many channels holds at most: fewer where there are many, so
    /// that all of it stays in the cache while decoder, renderer and meters go over it.
    pub fn capacity_frames(channels: usize) -> usize {
        match channels {
            0..=16 => Self::CAPACITY_FRAMES,
            17..=32 => 2048,
            33..=64 => 1024,
            _ => 512,
        }
    }

    pub fn channels(&self) -> usize {
        self.channels
    }

    pub fn frames(&self) -> usize {
        self.frames
    }

    /// How many frames came before this block.
    pub fn first_frame(&self) -> u64 {
        self.first_frame
    }

    /// The samples of one channel, `frames()` long.
    pub fn channel(&self, channel: usize) -> &[f64] {
        let start = channel * self.capacity;
        &self.samples[start..start + self.frames]
    }

    /// All channels, each `frames()` long.
    pub fn planes(&self) -> Vec<&[f64]> {
        (0..self.channels)
            .map(|channel| self.channel(channel))
            .collect()
    }

    /// The whole room of one channel, for the reader to fill before [`Block::set`].
    pub fn channel_mut(&mut self, channel: usize) -> &mut [f64] {
        let start = channel * self.capacity;
        &mut self.samples[start..start + self.capacity]
    }

    /// Declares that `frames` frames (at most the capacity) are filled and where they lie.
    pub fn set(&mut self, first_frame: u64, frames: usize) {
        assert!(frames <= self.capacity);
        self.first_frame = first_frame;
        self.frames = frames;
    }
}

/// Takes the blocks of one file in order. Any cut into blocks must give the same result.
pub trait BlockSink {
    /// `Break` ends the reading early (the daemon is stopping).
    fn take(&mut self, block: &Block) -> ControlFlow<()>;
}
