//! Tests of the whole room, and what they share: chunk builders, a sink that keeps everything,
//! files in a temporary folder. The helpers make input; they assert nothing.

mod big_endian;
mod coded;
mod completeness;
mod flac;
mod hostile;
mod metadata;
mod two_readings;
mod wave;

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use super::*;
use crate::layout::Label;

/// Keeps all samples, planar.
#[derive(Default)]
pub struct Keep {
    pub planes: Vec<Vec<f64>>,
    pub block_starts: Vec<u64>,
}

impl BlockSink for Keep {
    fn take(&mut self, block: &Block) -> ControlFlow<()> {
        self.planes.resize(block.channels(), Vec::new());
        self.block_starts.push(block.first_frame());
        for (channel, plane) in self.planes.iter_mut().enumerate() {
            plane.extend_from_slice(block.channel(channel));
        }
        ControlFlow::Continue(())
    }
}

/// A file with these bytes in a folder of its own; the folder goes when the value goes.
pub struct OnDisk {
    _folder: tempfile::TempDir,
    pub path: PathBuf,
}

pub fn on_disk(name: &str, bytes: &[u8]) -> OnDisk {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    OnDisk {
        _folder: folder,
        path,
    }
}

pub fn read_file(path: &Path) -> (Format, Reading, Vec<Vec<f64>>) {
    let specimen = Specimen::open(path, None).unwrap();
    let format = specimen.format().clone();
    let mut keep = Keep::default();
    let reading = specimen.read(false, &mut keep, &mut |_| {}).unwrap();
    (format, reading, keep.planes)
}

/// Opens and reads these bytes as a file of that name.
pub fn read_bytes(name: &str, bytes: &[u8]) -> (Format, Reading, Vec<Vec<f64>>) {
    let file = on_disk(name, bytes);
    read_file(&file.path)
}

pub fn kinds(oddities: &[Oddity]) -> Vec<OddityKind> {
    oddities.iter().map(|oddity| oddity.kind).collect()
}

/// A chunk with its pad byte.
pub fn chunk(id: &[u8; 4], payload: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((payload.len() as u32).to_le_bytes());
    bytes.extend(payload);
    bytes.extend(vec![0; payload.len() % 2]);
    bytes
}

/// A RIFF file of these chunks with the right size.
pub fn riff(id: &[u8; 4], chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let mut bytes = id.to_vec();
    bytes.extend((body.len() as u32 + 4).to_le_bytes());
    bytes.extend(b"WAVE");
    bytes.extend(body);
    bytes
}

/// A plain `fmt ` payload: tag 1 is PCM, tag 3 is float.
pub fn fmt(tag: u16, channels: u16, rate: u32, bits: u16) -> Vec<u8> {
    let align = channels * bits.div_ceil(8);
    let mut bytes = Vec::new();
    bytes.extend(tag.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend((rate * u32::from(align)).to_le_bytes());
    bytes.extend(align.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes
}

/// The extensible form with a channel mask.
pub fn fmt_extensible(channels: u16, bits: u16, mask: u32) -> Vec<u8> {
    let mut bytes = fmt(0xfffe, channels, 48_000, bits);
    bytes.extend(22u16.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(mask.to_le_bytes());
    bytes.extend([
        1, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71,
    ]);
    bytes
}

/// 16-bit mono samples 1, 2, 3, ... as bytes.
pub fn ramp(frames: u16) -> Vec<u8> {
    (1..=frames).flat_map(u16::to_le_bytes).collect()
}

/// What [`ramp`] decodes to.
pub fn ramp_samples(frames: u16) -> Vec<f64> {
    (1..=frames).map(|n| f64::from(n) / 32_768.0).collect()
}

pub fn labels(names: &str) -> Vec<Label> {
    names.split(' ').map(|name| name.parse().unwrap()).collect()
}

/// The folder with reference files, where there is one beside the project.
pub fn reference(part: &str) -> Option<PathBuf> {
    let root = match std::env::var_os("WEIGHBRIDGE_REFERENCE") {
        Some(root) => PathBuf::from(root),
        None => Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/reference"),
    };
    let path = root.join(part);
    if path.exists() {
        return Some(path);
    }
    println!("skipped: no reference files at {}", path.display());
    None
}
