//! From a file's `axml` and `chna` to meters of what it sounds like.
//!
//! In: an opened file, the profile, the request. Out: the model with its findings, the scene, and
//! the meters, or the reason why there are none. A file whose metadata are wrong is no error
//! here: it is measured as far as it goes, and judged.

use std::io::{BufReader, Read};
use std::sync::Arc;

use super::Request;
use crate::adm::check::{AudioFacts, check};
use crate::adm::parse::{Limits, parse};
use crate::adm::{Chna, Finding, Model};
use crate::judge::{self, AdmRead};
use crate::measure::{ImmersiveMeters, ImmersiveOrder};
use crate::render::{Scene, SpeakerLayout, select};
use crate::specimen::{Format, Specimen};

/// `numTracks`, `numUIDs` and 65535 rows of 40 bytes: the most that the counts can say.
const MAX_CHNA_BYTES: u64 = 4 + 65_535 * 40;

/// The metadata of an object-based file, read.
#[derive(Clone, Debug)]
pub struct AdmWeighed {
    pub model: Arc<Model>,
    pub findings: Vec<Finding>,
    pub scene: Option<Arc<Scene>>,
    /// Why there are no renders: a sentence without full stop.
    pub not_rendered: Option<String>,
}

impl AdmWeighed {
    pub(super) fn read(&self) -> AdmRead<'_> {
        AdmRead {
            model: &self.model,
            findings: &self.findings,
            scene: self.scene.as_deref(),
            not_rendered: self.not_rendered.as_deref(),
        }
    }
}

/// Reads the metadata; `None` for a file that has neither chunk.
///
/// # Errors
/// When reading fails: the share was away, not the file wrong.
pub(super) fn metadata(
    specimen: &Specimen,
    request: &Request,
) -> std::io::Result<Option<AdmWeighed>> {
    let axml = specimen.chunk("axml");
    let chna = match specimen.chunk("chna") {
        Some(chunk) => {
            let mut bytes = Vec::new();
            chunk.take(MAX_CHNA_BYTES).read_to_end(&mut bytes)?;
            Some(Chna::parse(&bytes))
        }
        None => None,
    };
    if axml.is_none() && chna.is_none() {
        return Ok(None);
    }
    let rows = chna.as_ref().map_or(&[][..], |chna| &chna.rows);
    let parsed = match axml {
        Some(axml) => parse(
            BufReader::with_capacity(1 << 16, axml),
            &Limits::default(),
            rows,
        )?,
        None => parse(std::io::empty(), &Limits::default(), rows)?,
    };
    let mut findings = parsed.findings;
    let format = specimen.format();
    // Of a model that was read half the rest would be said to be missing.
    let nothing = Model::default();
    let model = if parsed.usable {
        &parsed.model
    } else {
        &nothing
    };
    findings.extend(check(model, chna.as_ref(), &audio_facts(format)));
    let model = Arc::new(parsed.model);
    let scene = match parsed.usable {
        true => select(&model, request.choice, format.sample_rate.value())
            .map(Arc::new)
            .map_err(|error| error.to_string()),
        false => Err("the metadata cannot be read".to_owned()),
    };
    let (scene, not_rendered) = match scene {
        Ok(scene) => (Some(scene), None),
        Err(why) => (None, Some(why)),
    };
    Ok(Some(AdmWeighed {
        model,
        findings,
        scene,
        not_rendered,
    }))
}

fn audio_facts(format: &Format) -> AudioFacts {
    AudioFacts {
        tracks: u16::try_from(format.channels).unwrap_or(u16::MAX),
        sample_rate: format.sample_rate.value(),
        frames: format.frames.map_or(0, |frames| frames.0),
        bit_depth: format.bit_depth.unwrap_or(0),
    }
}

/// What is rendered to, the main one first.
pub(super) fn layouts(request: &Request) -> Vec<SpeakerLayout> {
    let mut names = request.profile.layouts();
    for extra in request.renders {
        if extra != "binaural" && !names.contains(extra) {
            names.push(extra.clone());
        }
    }
    let layouts = names.iter().filter_map(|name| SpeakerLayout::named(name));
    layouts.collect()
}

/// The meters of the renders; where they cannot be made the reason is kept.
pub(super) fn meters(
    adm: &mut AdmWeighed,
    format: &Format,
    request: &Request,
) -> Option<ImmersiveMeters> {
    let scene = adm.scene.clone()?;
    let layouts = layouts(request);
    if layouts.is_empty() {
        return None;
    }
    let made = ImmersiveMeters::new(ImmersiveOrder {
        model: adm.model.clone(),
        scene,
        layouts,
        tracks: format.channels,
        sample_rate: format.sample_rate,
        over_ceiling_dbtp: judge::over_ceiling_dbtp(request.profile),
        translation: judge::wants(request.profile).translation,
        // Labels that chna gives the file itself are looked at with its channels.
        bed_channels: judge::wants(request.profile).channels && format.labels.is_none(),
        head: request.head.clone(),
    });
    match made {
        Ok(meters) => Some(meters),
        Err(error) => {
            adm.not_rendered = Some(error.to_string());
            None
        }
    }
}
