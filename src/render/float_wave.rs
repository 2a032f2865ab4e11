//! Writes loudspeaker signals as a WAVE file of 32-bit floats; as BW64 where it grows past 4 GiB.
//!
//! In: planes of samples. Out: bytes in a seekable writer. The header is written first with room
//! for a `ds64` chunk (ITU-R BS.2088-1, clause 5: a `JUNK` chunk holds its place), and put right
//! at the end.

use std::io::{self, Seek, SeekFrom, Write};

use crate::layout::Label;

const JUNK_BYTES: u32 = 28;
/// RIFF and its form, JUNK with its head, fmt with its head, fact with its head, data's head.
const HEADER_BYTES: u64 = 12 + 36 + 48 + 12 + 8;

/// A file being written.
pub struct FloatWave<W: Write + Seek> {
    to: W,
    channels: usize,
    frames: u64,
    line: Vec<u8>,
}

impl<W: Write + Seek> FloatWave<W> {
    /// Writes the header. `labels` say where the channels play: where the speaker mask of WAVE
    /// knows all of them, in its order, the file says so, otherwise the mask is empty.
    pub fn new(mut to: W, labels: &[Label], sample_rate: u32) -> io::Result<Self> {
        let channels = labels.len();
        let count = u16::try_from(channels).map_err(io::Error::other)?;
        let block = count * 4;
        let mut head = Vec::with_capacity(HEADER_BYTES as usize);
        head.extend(b"RIFF\0\0\0\0WAVEJUNK");
        head.extend(JUNK_BYTES.to_le_bytes());
        head.extend([0; JUNK_BYTES as usize]);
        head.extend(b"fmt ");
        head.extend(40u32.to_le_bytes());
        head.extend(0xfffe_u16.to_le_bytes());
        head.extend(count.to_le_bytes());
        head.extend(sample_rate.to_le_bytes());
        head.extend((sample_rate * u32::from(block)).to_le_bytes());
        head.extend(block.to_le_bytes());
        head.extend(32u16.to_le_bytes());
        head.extend(22u16.to_le_bytes());
        head.extend(32u16.to_le_bytes());
        head.extend(mask(labels).to_le_bytes());
        // KSDATAFORMAT_SUBTYPE_IEEE_FLOAT.
        head.extend([
            3, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71,
        ]);
        head.extend(b"fact");
        head.extend(4u32.to_le_bytes());
        head.extend([0; 4]);
        head.extend(b"data\0\0\0\0");
        debug_assert_eq!(head.len() as u64, HEADER_BYTES);
        to.write_all(&head)?;
        Ok(Self {
            to,
            channels,
            frames: 0,
            line: Vec::new(),
        })
    }

    /// Appends `frames` frames of `planes[channel][frame]`.
    pub fn write(&mut self, planes: &[Vec<f64>], frames: usize) -> io::Result<()> {
        self.line.clear();
        for frame in 0..frames {
            for plane in planes {
                self.line.extend((plane[frame] as f32).to_le_bytes());
            }
        }
        self.frames += frames as u64;
        self.to.write_all(&self.line)
    }

    /// Puts the sizes right and gives the writer back.
    pub fn finish(mut self) -> io::Result<W> {
        let data = self.frames * self.channels as u64 * 4;
        let riff = HEADER_BYTES - 8 + data;
        let small = u32::try_from(riff).is_ok();
        let size = |bytes: u64| {
            u32::try_from(bytes)
                .ok()
                .filter(|_| small)
                .unwrap_or(u32::MAX)
        };
        let mut put = |at: u64, bytes: &[u8]| -> io::Result<()> {
            self.to.seek(SeekFrom::Start(at))?;
            self.to.write_all(bytes)
        };
        if !small {
            put(0, b"BW64")?;
            let mut ds64 = Vec::from(*b"ds64");
            ds64.extend(JUNK_BYTES.to_le_bytes());
            ds64.extend(riff.to_le_bytes());
            ds64.extend(data.to_le_bytes());
            ds64.extend(self.frames.to_le_bytes());
            ds64.extend([0; 4]);
            put(12, &ds64)?;
        }
        put(4, &size(riff).to_le_bytes())?;
        put(HEADER_BYTES - 12, &size(self.frames).to_le_bytes())?;
        put(HEADER_BYTES - 4, &size(data).to_le_bytes())?;
        self.to.seek(SeekFrom::End(0))?;
        self.to.flush()?;
        Ok(self.to)
    }
}

/// Bits of the speaker mask in their order, with the BS.2051 label that each stands for at a
/// given layout (WAVEFORMATEXTENSIBLE, dwChannelMask).
const MASK: &[(u32, &[&str])] = &[
    (0x1, &["M+030"]),
    (0x2, &["M-030"]),
    (0x4, &["M+000"]),
    (0x8, &["LFE1"]),
    (0x10, &["M+135", "M+110"]),
    (0x20, &["M-135", "M-110"]),
    (0x100, &["M+180"]),
    (0x200, &["M+090"]),
    (0x400, &["M-090"]),
    (0x1000, &["U+045", "U+030"]),
    (0x4000, &["U-045", "U-030"]),
    (0x8000, &["U+135", "U+110"]),
    (0x20000, &["U-135", "U-110"]),
];

/// The mask of labels that come in its order; 0 where it cannot say them.
fn mask(labels: &[Label]) -> u32 {
    let mut mask = 0;
    let mut next = 0;
    for label in labels {
        let found = MASK[next..]
            .iter()
            .position(|(_, known)| known.contains(&label.as_str()));
        let Some(found) = found else { return 0 };
        mask |= MASK[next + found].0;
        next += found + 1;
    }
    mask
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout;
    use std::io::Cursor;

    fn written(layout: &str, frames: usize) -> Vec<u8> {
        let labels = layout::by_name(layout).unwrap().labels();
        let mut file = FloatWave::new(Cursor::new(Vec::new()), &labels, 48_000).unwrap();
        let planes: Vec<Vec<f64>> = (0..labels.len())
            .map(|c| vec![0.125 * (c + 1) as f64; frames])
            .collect();
        file.write(&planes, frames).unwrap();
        file.finish().unwrap().into_inner()
    }

    /// Read back by another library (hound).
    #[test]
    fn another_reader_finds_the_same_samples() {
        let bytes = written("0+5+0", 100);
        let mut reader = hound::WavReader::new(Cursor::new(bytes)).unwrap();
        assert_eq!(reader.spec().channels, 6);
        assert_eq!(reader.spec().sample_format, hound::SampleFormat::Float);
        assert_eq!(reader.duration(), 100);
        let samples: Vec<f32> = reader.samples::<f32>().map(Result::unwrap).collect();
        assert_eq!(&samples[..6], &[0.125, 0.25, 0.375, 0.5, 0.625, 0.75]);
    }

    /// The mask of 5.1 with side loudspeakers at 110 degrees is the one that everybody writes.
    #[test]
    fn the_mask_says_what_it_can_and_nothing_wrong() {
        let of = |name: &str| mask(&layout::by_name(name).unwrap().labels());
        assert_eq!(of("0+2+0"), 0x3);
        assert_eq!(of("0+5+0"), 0x3f);
        // Sides before backs: not the mask's order.
        assert_eq!(of("4+7+0"), 0);
        assert_eq!(of("9+10+3"), 0);
    }
}
