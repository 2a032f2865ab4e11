//! Names: which are left alone, which are audio, which look the same, and how any of them is
//! written for people. Looks at names only, never into a file.

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::time::Duration;

use globset::{GlobBuilder, GlobSet, GlobSetBuilder};
use unicode_normalization::UnicodeNormalization;

use crate::names::printable;

/// Beginnings of names that are nobody's delivery: hidden files and owner files of office
/// programs. (common practice, no source)
const JUNK_STARTS: [&[u8]; 2] = [b".", b"~$"];
/// Whole names that file browsers leave behind, in lower case. (common practice, no source)
const JUNK_NAMES: [&[u8]; 2] = [b"thumbs.db", b"desktop.ini"];
/// Ends of names: transfers under way, and what we write ourselves.
const JUNK_ENDS: [&[u8]; 6] = [
    b".part",
    b".partial",
    b".tmp",
    b".crdownload",
    b".sidecar.json",
    b".stopped.txt",
];

/// What a file's name says of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NameSays {
    LeaveAlone,
    /// `._x.wav`: metadata of another system's file `x.wav`, or a file that is really called so.
    AppleDouble,
    Audio,
    /// Not audio, and to be handed out nevertheless.
    Other,
}

/// What is left alone in one watch, and what is taken for audio.
#[derive(Clone, Debug)]
pub struct NameRules {
    audio_extensions: Vec<String>,
    hand_out_others: bool,
    ignore: GlobSet,
}

impl NameRules {
    pub fn new(
        audio_extensions: &[String],
        hand_out_others: bool,
        ignore: &[String],
    ) -> Result<Self, globset::Error> {
        let mut globs = GlobSetBuilder::new();
        for pattern in ignore {
            // Names come from systems that do not tell `A` from `a`.
            globs.add(GlobBuilder::new(pattern).case_insensitive(true).build()?);
        }
        Ok(Self {
            audio_extensions: audio_extensions
                .iter()
                .map(|e| e.trim_start_matches('.').to_lowercase())
                .collect(),
            hand_out_others,
            ignore: globs.build()?,
        })
    }

    pub fn of_file(&self, name: &OsStr) -> NameSays {
        if self.ignore.is_match(Path::new(name)) {
            return NameSays::LeaveAlone;
        }
        if name.as_bytes().starts_with(b"._") && self.is_audio(name) {
            return NameSays::AppleDouble;
        }
        if is_junk(name) {
            NameSays::LeaveAlone
        } else if self.is_audio(name) {
            NameSays::Audio
        } else if self.hand_out_others {
            NameSays::Other
        } else {
            NameSays::LeaveAlone
        }
    }

    /// Nobody's delivery by its name, whatever stands there.
    pub fn is_left_alone(&self, name: &OsStr) -> bool {
        is_junk(name) || self.ignore.is_match(Path::new(name))
    }

    pub fn is_audio(&self, name: &OsStr) -> bool {
        Path::new(name)
            .extension()
            .and_then(OsStr::to_str)
            .is_some_and(|extension| {
                let extension = extension.to_lowercase();
                self.audio_extensions.contains(&extension)
            })
    }
}

/// Hidden: left alone whatever it is, folder or file.
pub(super) fn is_hidden(name: &OsStr) -> bool {
    name.as_bytes().starts_with(b".")
}

fn is_junk(name: &OsStr) -> bool {
    let name = name.as_bytes().to_ascii_lowercase();
    JUNK_STARTS.iter().any(|start| name.starts_with(start))
        || JUNK_NAMES.contains(&name.as_slice())
        || JUNK_ENDS.iter().any(|end| name.ends_with(end))
}

/// The name as a system sees it that tells neither case nor the two ways to write an accent
/// apart: lower case, Unicode normalization form C (UAX #15). `None` for names that are no UTF-8.
pub(super) fn folded(name: &OsStr) -> Option<String> {
    let name = name.to_str()?;
    if name.is_ascii() {
        return Some(name.to_ascii_lowercase());
    }
    // Decomposed before lower case: a capital and its accent may come as one letter or two.
    let decomposed: String = name.nfd().collect();
    Some(decomposed.to_lowercase().nfc().collect())
}

/// A path for people, as everywhere in the house.
pub(super) fn shown(path: &Path) -> String {
    printable(path.as_os_str())
}

/// A span of time for people.
pub(super) fn spelled(time: Duration) -> String {
    if time < Duration::from_secs(1) {
        format!("{} ms", time.as_millis())
    } else if time.subsec_millis() == 0 {
        format!("{} s", time.as_secs())
    } else {
        format!("{:.1} s", time.as_secs_f64())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rules(hand_out_others: bool) -> NameRules {
        let audio = ["wav".to_owned(), "flac".to_owned()];
        NameRules::new(&audio, hand_out_others, &["*_ROUGH.*".to_owned()]).expect("good globs")
    }

    #[test]
    fn names_are_sorted_as_the_operators_page_says() {
        // The list of issue 2, item 1, and of the operator's page ("Left alone").
        let cases: &[(&[u8], NameSays)] = &[
            (b"mix.wav", NameSays::Audio),
            (b"MIX.WAV", NameSays::Audio),
            (b"m\xffx.wav", NameSays::Audio),
            (b"~mix.wav", NameSays::Audio),
            (b"._mix.wav", NameSays::AppleDouble),
            (b"._mix.txt", NameSays::LeaveAlone),
            (b".DS_Store", NameSays::LeaveAlone),
            (b".mix.wav", NameSays::LeaveAlone),
            (b"Thumbs.db", NameSays::LeaveAlone),
            (b"desktop.ini", NameSays::LeaveAlone),
            (b"mix.wav.part", NameSays::LeaveAlone),
            (b"mix.wav.PARTIAL", NameSays::LeaveAlone),
            (b"mix.tmp", NameSays::LeaveAlone),
            (b"mix.wav.crdownload", NameSays::LeaveAlone),
            (b"~$notes.doc", NameSays::LeaveAlone),
            (b"mix.wav.sidecar.json", NameSays::LeaveAlone),
            (b"mix.wav.stopped.txt", NameSays::LeaveAlone),
            (b"song_rough.wav", NameSays::LeaveAlone),
            (b"cover.jpg", NameSays::Other),
            (b"wav", NameSays::Other),
        ];
        let rules = rules(true);
        for (name, says) in cases {
            let name = OsStr::from_bytes(name);
            assert_eq!(rules.of_file(name), *says, "{name:?}");
        }
    }

    #[test]
    fn other_files_are_left_alone_unless_they_are_to_stop() {
        assert_eq!(
            rules(false).of_file(OsStr::new("cover.jpg")),
            NameSays::LeaveAlone
        );
    }

    #[test]
    fn names_that_other_systems_take_for_one_fold_to_one() {
        // UAX #15: U+00E9 is U+0065 U+0301; both cases.
        let forms = [
            "Caf\u{e9}.wav",
            "Cafe\u{301}.wav",
            "CAF\u{c9}.WAV",
            "CAFE\u{301}.wav",
        ];
        for form in forms {
            assert_eq!(
                folded(OsStr::new(form)).as_deref(),
                Some("caf\u{e9}.wav"),
                "{form:?}"
            );
        }
        assert_eq!(folded(OsStr::from_bytes(b"\xe9.wav")), None);
    }
}
