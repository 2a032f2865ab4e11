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
use crate::specimen::{LabelSource, Specimen};

/// What does not fit, a sentence without full stop: labels for another number of channels or
/// against what the file says, renders of a file that has no objects, a programme or a
/// complementary object that does not exist.
pub fn misfit(
    path: &Path,
    profile: &Profile,
    channels: Option<&[Label]>,
    (renders, choice): (&[String], &Choice),
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
        if let (Some(asked), Some(own)) = (channels, &format.labels)
            && matches!(
                format.labels_from,
                Some(LabelSource::File | LabelSource::Chna)
            )
            && asked != own.as_slice()
        {
            let own: Vec<&str> = own.iter().map(Label::as_str).collect();
            return Some(format!(
                "--channels: the file itself says where its channels play, {}",
                own.join(",")
            ));
        }
        let option = match choice {
            Choice {
                programme: Some(id),
                ..
            } => format!("--programme {id}"),
            Choice {
                importance: Some(least),
                ..
            } => format!("--importance {least}"),
            Choice { complementary, .. } => match (complementary.first(), renders.first()) {
                (Some(id), _) => format!("--complementary {id}"),
                (None, Some(layout)) => {
                    return Some(format!(
                        "--render {layout}: the file has no audio definition metadata (axml, chna), so there is nothing to render"
                    ));
                }
                (None, None) => return None,
            },
        };
        return Some(format!(
            "{option}: the file has no audio definition metadata (axml, chna), so there is nothing to choose"
        ));
    };
    if channels.is_some() {
        return Some(
            "--channels: the file's own metadata (axml, chna) say where its tracks play".to_owned(),
        );
    }
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
