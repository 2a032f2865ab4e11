//! Which kind of file the first bytes are, and whether the name's extension agrees.
//!
//! In: an open file. Out: a [`Kind`], or the sentence on why it is none of ours.

use std::ffi::OsStr;
use std::path::Path;

use super::error::{OpenError, ReadError};
use super::facts::{Container, Oddity, OddityKind};
use super::riff;
use super::source::Source;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Riff,
    /// AIFF or AIFF-C.
    Form,
    Caf,
    Flac,
    Mp3,
    Adts,
    Mp4,
    Ogg,
}

/// Looked at for the kind.
const HEAD_BYTES: usize = 64;

/// Signatures of kinds that hold sound and that we do not read.
const UNREAD: &[(usize, &[u8], &str)] = &[
    (0, b"RIFX", "a big-endian WAVE file"),
    (0, b"riff\x2e\x91\xcf\x11", "a Wave64 file"),
    (0, b"wvpk", "a WavPack file"),
    (
        0,
        b"MAC ",
        "a file in a lossless coding that we have no decoder for",
    ),
    (0, b"DSD ", "a one-bit (DSD) file"),
    (0, b"FRM8", "a one-bit (DSDIFF) file"),
    (0, b"TTA1", "a TTA file"),
    (0, b".snd", "an AU file"),
    (0, b"\x1a\x45\xdf\xa3", "a Matroska or WebM file"),
    (0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "an ASF file"),
    (0, b"\x0b\x77", "an AC-3 stream"),
    (8, b"AVI ", "a film (AVI)"),
];

/// Tells the kind by content alone.
pub(super) fn kind(source: &Source) -> Result<Kind, OpenError> {
    let head = source.bytes(0, HEAD_BYTES)?;
    if head.is_empty() {
        return Err(OpenError::NotAudio {
            found: "the file is empty".to_owned(),
        });
    }
    for (at, signature, name) in UNREAD {
        if head
            .get(*at..)
            .is_some_and(|from| from.starts_with(signature))
        {
            return Err(OpenError::unsupported(*name));
        }
    }
    if let Some(kind) = by_signature(&head) {
        return Ok(kind);
    }
    let at = content_start(source)?;
    let behind = source.bytes(at, HEAD_BYTES)?;
    if let Some(kind) = by_signature(&behind) {
        return Ok(kind);
    }
    if let Some(kind) = by_frames(source, at, at > 0)? {
        return Ok(kind);
    }
    Err(OpenError::NotAudio {
        found: format!("it begins with {}", shown(&head[..head.len().min(8)])),
    })
}

fn by_signature(head: &[u8]) -> Option<Kind> {
    let form = head.get(8..12);
    if riff::is_riff(head) {
        Some(Kind::Riff)
    } else if head.starts_with(b"FORM") && matches!(form, Some(b"AIFF" | b"AIFC")) {
        Some(Kind::Form)
    } else if head.starts_with(b"caff") {
        Some(Kind::Caf)
    } else if head.starts_with(b"fLaC") {
        Some(Kind::Flac)
    } else if head.starts_with(b"OggS") {
        Some(Kind::Ogg)
    } else if matches!(
        head.get(4..8),
        Some(b"ftyp" | b"moov" | b"mdat" | b"wide" | b"free" | b"skip")
    ) {
        Some(Kind::Mp4)
    } else {
        None
    }
}

/// Where the content begins behind ID3v2 tags; 0 without one. Some programs put a second tag
/// before the first.
pub(super) fn content_start(source: &Source) -> Result<u64, ReadError> {
    const MAX_TAGS: usize = 8;
    let mut at = 0;
    for _ in 0..MAX_TAGS {
        match source.array::<10>(at)?.as_ref().and_then(id3_bytes) {
            Some(bytes) => at += bytes,
            None => break,
        }
    }
    Ok(at)
}

/// Length of the ID3v2 tag with this head (ID3 2.4.0 structure, clauses 3.1 and 3.4).
fn id3_bytes(head: &[u8; 10]) -> Option<u64> {
    if !head.starts_with(b"ID3") {
        return None;
    }
    let size = head[6..]
        .iter()
        .fold(0u64, |size, byte| size << 7 | u64::from(byte & 0x7f));
    let footer = if head[5] & 0x10 != 0 { 10 } else { 0 };
    Some(10 + size + footer)
}

/// MPEG audio and ADTS have no signature, only frames: two in a row must fit, or one where a tag
/// or an extension already promises sound.
fn by_frames(source: &Source, at: u64, promised: bool) -> Result<Option<Kind>, ReadError> {
    let Some(head) = source.array::<8>(at)? else {
        return Ok(None);
    };
    let Some((kind, bytes)) = frame(&head) else {
        return Ok(None);
    };
    let second = source.array::<8>(at + bytes)?;
    let follows = second.and_then(|head| frame(&head));
    Ok((promised || follows.is_some_and(|(next, _)| next == kind)).then_some(kind))
}

/// Kind and length of the frame whose header this is.
///
/// Source: ISO/IEC 11172-3, clause 2.4.2.3 with ISO/IEC 13818-3 for the lower rates (layer III);
/// ISO/IEC 13818-7, clause 6.2 (ADTS).
fn frame(head: &[u8; 8]) -> Option<(Kind, u64)> {
    if head[0] != 0xff || head[1] & 0xe0 != 0xe0 {
        return None;
    }
    if head[1] & 0xf6 == 0xf0 {
        let bytes =
            u64::from(head[3] & 3) << 11 | u64::from(head[4]) << 3 | u64::from(head[5] >> 5);
        let rate = head[2] >> 2 & 15;
        return (bytes >= 7 && rate < 13).then_some((Kind::Adts, bytes));
    }
    const KBITS_1: [u64; 15] = [
        0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320,
    ];
    const KBITS_2: [u64; 15] = [0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160];
    let version = head[1] >> 3 & 3;
    let layer = head[1] >> 1 & 3;
    let index = usize::from(head[2] >> 4);
    let rate = usize::from(head[2] >> 2 & 3);
    if version == 1 || layer != 1 || index == 0 || index == 15 || rate == 3 {
        return None;
    }
    let padding = u64::from(head[2] >> 1 & 1);
    let hertz = [44_100, 48_000, 32_000][rate];
    let bytes = match version {
        3 => 144_000 * KBITS_1[index] / hertz,
        2 => 72_000 * KBITS_2[index] / (hertz / 2),
        _ => 72_000 * KBITS_2[index] / (hertz / 4),
    };
    Some((Kind::Mp3, bytes + padding))
}

fn shown(bytes: &[u8]) -> String {
    let is_text = |byte: &u8| byte.is_ascii_graphic() || *byte == b' ';
    if !bytes.is_empty() && bytes.iter().all(is_text) {
        return format!("{:?}", String::from_utf8_lossy(bytes));
    }
    let hex: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    hex.join(" ")
}

/// Extensions by container; those of one line are as good as each other.
const EXTENSIONS: &[(&[&str], &[Container])] = &[
    (
        &["wav", "wave", "bwf", "rf64", "bw64"],
        &[Container::Wave, Container::Rf64, Container::Bw64],
    ),
    (
        &["aif", "aiff", "aifc"],
        &[Container::Aiff, Container::Aifc],
    ),
    (&["caf"], &[Container::Caf]),
    (&["flac"], &[Container::Flac]),
    (&["mp3"], &[Container::Mp3]),
    (&["m4a", "mp4", "m4b", "mov"], &[Container::Mp4]),
    (&["aac"], &[Container::Adts]),
    (&["ogg", "oga", "opus"], &[Container::Ogg]),
];

/// Whether the name promises sound of a kind that we know.
pub(super) fn is_audio_name(path: &Path) -> bool {
    extension(path).is_some_and(|name| EXTENSIONS.iter().any(|(names, _)| names.contains(&&*name)))
}

/// The oddity of a name that promises another kind of sound. Names without an extension of this
/// table promise nothing.
pub(super) fn extension_differs(path: &Path, container: Container) -> Option<Oddity> {
    let name = extension(path)?;
    let (_, containers) = EXTENSIONS
        .iter()
        .find(|(names, _)| names.contains(&&*name))?;
    (!containers.contains(&container)).then(|| {
        Oddity::new(
            OddityKind::ExtensionDiffers,
            format!("the name ends in .{name}, the content is {container:?}"),
        )
    })
}

fn extension(path: &Path) -> Option<String> {
    path.extension()
        .and_then(OsStr::to_str)
        .map(str::to_ascii_lowercase)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kind_of(bytes: &[u8]) -> Result<Kind, OpenError> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x");
        std::fs::write(&path, bytes).unwrap();
        kind(&Source::open(&path).unwrap())
    }

    #[test]
    fn a_text_that_calls_itself_audio_is_quoted_and_other_bytes_are_numbers() {
        assert_eq!(shown(b"Side A e"), "\"Side A e\"");
        assert_eq!(shown(b"\x1b[2J"), "1B 5B 32 4A");
        assert_eq!(shown(b""), "");
    }

    #[test]
    fn content_tells_the_kind() {
        assert_eq!(kind_of(b"RF64\0\0\0\0WAVE").unwrap(), Kind::Riff);
        assert_eq!(kind_of(b"FORM\0\0\0\0AIFC").unwrap(), Kind::Form);
        assert_eq!(kind_of(b"\0\0\0\x20ftypM4A ").unwrap(), Kind::Mp4);
        let behind_id3 = b"ID3\x04\0\0\0\0\0\x02xxfLaC";
        assert_eq!(kind_of(behind_id3).unwrap(), Kind::Flac);
    }

    #[test]
    fn two_frames_in_a_row_are_asked_of_what_has_no_signature() {
        // Layer III, 128 kbit/s, 44.1 kHz: 417 bytes a frame (ISO/IEC 11172-3, 2.4.3.1).
        let mut two = vec![0u8; 900];
        two[..4].copy_from_slice(&[0xff, 0xfb, 0x90, 0x00]);
        assert!(matches!(kind_of(&two), Err(OpenError::NotAudio { .. })));
        two[417..421].copy_from_slice(&[0xff, 0xfb, 0x90, 0x00]);
        assert_eq!(kind_of(&two).unwrap(), Kind::Mp3);
    }

    #[test]
    fn other_files_are_named_for_what_they_are() {
        let says = |bytes: &[u8]| kind_of(bytes).unwrap_err().to_string();
        assert!(says(b"").contains("empty"));
        assert!(says(b"%PDF-1.7").contains("\"%PDF-1.7\""));
        assert!(says(b"wvpk....").contains("WavPack"));
    }

    #[test]
    fn only_a_known_extension_of_another_kind_is_an_oddity() {
        let differs = |name: &str, container| extension_differs(Path::new(name), container);
        assert!(differs("a.WAV", Container::Bw64).is_none());
        assert!(differs("a.rf64", Container::Wave).is_none());
        assert!(differs("mix v1.2", Container::Wave).is_none());
        let oddity = differs("a.wav", Container::Flac).unwrap();
        assert_eq!(oddity.kind, OddityKind::ExtensionDiffers);
        assert!(oddity.says.contains(".wav"));
    }
}
