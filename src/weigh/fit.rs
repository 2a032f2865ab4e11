//! Whether what a caller asks of one file is there in it: an option that does not fit is the
//! caller's mistake and says nothing of the file.
//!
//! In: a path, labels, a choice. Out: the mistake, or nothing. Reads headers and metadata only; of
//! a file that cannot be read nothing is said here, since weighing it tells why.

use std::path::Path;

use super::Request;
use super::immersive;
use crate::layout::Label;
use crate::profile::Profile;
use crate::render::{Choice, SceneError, select};
use crate::specimen::Specimen;

/// What does not fit, a sentence without full stop: labels for another number of channels, a
/// programme or a complementary object that does not exist.
pub fn misfit(
    path: &Path,
    profile: &Profile,
    channels: Option<&[Label]>,
    choice: &Choice,
) -> Option<String> {
    let specimen = Specimen::open(path, None).ok()?;
    let request = Request::new(path, profile);
    let adm = immersive::metadata(&specimen, &request).ok()?;
    let format = specimen.format();
    let Some(adm) = adm else {
        let labels = channels.map(<[Label]>::len);
        if let Some(labels) = labels.filter(|&labels| labels != format.channels) {
            return Some(format!(
                "--channels names {}, the file has {}",
                counted(labels),
                counted(format.channels)
            ));
        }
        let option = match choice {
            Choice {
                programme: Some(id),
                ..
            } => format!("--programme {id}"),
            Choice { complementary, .. } => {
                format!("--complementary {}", complementary.first()?)
            }
        };
        return Some(format!(
            "{option}: the file has no audio definition metadata (axml, chna), so there is nothing to choose"
        ));
    };
    match select(&adm.model, choice, format.sample_rate.value()) {
        Err(
            error @ (SceneError::NoProgramme(..)
            | SceneError::NotComplementary(_)
            | SceneError::SeveralComplementary(..)),
        ) => Some(error.to_string()),
        _ => None,
    }
}

fn counted(channels: usize) -> String {
    match channels {
        1 => "1 channel".to_owned(),
        many => format!("{many} channels"),
    }
}
