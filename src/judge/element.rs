//! The names that people gave to elements, since nobody knows a track by its id.
//!
//! In: a finding's subject, as the metadata write it. Out: the element's name and its id.

use crate::adm::Model;
use crate::adm::model::AudioObject;
use crate::adm::time::AdmTime;
use crate::judge::facts::Facts;

/// Longer names are cut: they stand in sentences. Own choice.
const LONGEST: usize = 40;

/// An element as people may know it, by name.
pub struct Element {
    pub name: Option<String>,
    pub id: String,
}

impl Element {
    /// The element that a subject begins with; `None` for a chunk, a track number, the file.
    pub fn of(facts: &Facts, subject: &str) -> Option<Self> {
        let id = subject.split([',', ' ']).next()?;
        let (kind, digits) = id.split_once('_')?;
        if !matches!(
            kind,
            "APR" | "ACO" | "AO" | "AP" | "AC" | "AS" | "AT" | "ATU"
        ) || digits.is_empty()
        {
            return None;
        }
        let name = facts.adm.and_then(|adm| name(adm.model, kind, id));
        Some(Self {
            name: name.map(cut).filter(|name| !name.is_empty()),
            id: id.to_owned(),
        })
    }

    /// `Strings, AO_1003`
    pub fn in_words(&self) -> String {
        match &self.name {
            Some(name) => format!("{name}, {}", self.id),
            None => self.id.clone(),
        }
    }

    /// The name, or the id where there is none.
    pub fn short(&self) -> &str {
        self.name.as_ref().unwrap_or(&self.id)
    }

    /// Whether a sentence says already whom it is about.
    pub fn is_told_in(&self, says: &str) -> bool {
        says.contains(self.short())
    }
}

fn name<'a>(model: &'a Model, kind: &str, id: &str) -> Option<&'a str> {
    fn find<'a>(mut all: impl Iterator<Item = (&'a str, &'a str)>, id: &str) -> Option<&'a str> {
        all.find(|(own, _)| *own == id).map(|(_, name)| name)
    }
    match kind {
        "APR" => find(model.programmes.iter().map(|e| (&*e.id, &*e.name)), id),
        "ACO" => find(model.contents.iter().map(|e| (&*e.id, &*e.name)), id),
        "AO" => find(model.objects.iter().map(|e| (&*e.id, &*e.name)), id),
        "AP" => find(model.packs.iter().map(|e| (&*e.id, &*e.name)), id),
        "AC" => find(model.channels.iter().map(|e| (&*e.id, &*e.name)), id),
        // A track has no name: that of the object which plays it.
        "ATU" => model
            .objects
            .iter()
            .find(|object| {
                let uids = object.track_uids.iter().flatten();
                uids.into_iter().any(|uid| &*uid.id == id)
            })
            .map(|object| &*object.name),
        _ => None,
    }
}

/// Where in the file the times of an element's blocks are counted from: the start of the object
/// that plays it. `None` where several do, from different starts.
pub fn start_s(facts: &Facts, subject: &str) -> Option<f64> {
    let Some(adm) = facts.adm else {
        return Some(0.0);
    };
    let (model, id) = (adm.model, subject.split(',').next().unwrap_or_default());
    let plays = |object: &&AudioObject| {
        let uids = object.track_uids.iter().flatten();
        let mut channels = uids
            .filter_map(|uid| model.track_uid(uid))
            .filter_map(|uid| model.channel_of(uid));
        object.id == id || channels.any(|channel| model.channels[channel].id == id)
    };
    let mut starts = (model.objects.iter().filter(plays))
        .map(|object| object.start.map_or(0.0, AdmTime::seconds));
    let first = starts.next().unwrap_or(0.0);
    starts.all(|start| start == first).then_some(first)
}

fn cut(name: &str) -> String {
    let name = name.trim();
    match name.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("{}…", name[..end].trim_end()),
        None => name.to_owned(),
    }
}
