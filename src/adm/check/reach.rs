//! What a renderer would come to: objects of the programmes, their tracks, their channels.
//!
//! In: a resolved model, loops and all. Out: marks and lists by index. Judges nothing.

use std::collections::HashMap;

use crate::adm::Model;
use crate::adm::model::{AudioPackFormat, Reference};

pub(super) struct Reach {
    /// Objects in some programme, or all when there is no programme.
    pub objects: Vec<bool>,
    /// Track UIDs of those objects.
    pub uids: Vec<bool>,
}

impl Reach {
    pub fn of(model: &Model) -> Self {
        let mut objects = vec![false; model.objects.len()];
        let mut pending: Vec<usize> = if model.programmes.is_empty() {
            (0..model.objects.len()).collect()
        } else {
            model
                .programmes
                .iter()
                .flat_map(|programme| &programme.contents)
                .filter_map(Reference::index)
                .flat_map(|content| &model.contents[content].objects)
                .filter_map(Reference::index)
                .collect()
        };
        while let Some(object) = pending.pop() {
            if std::mem::replace(&mut objects[object], true) {
                continue;
            }
            let object = &model.objects[object];
            pending.extend(
                object
                    .objects
                    .iter()
                    .chain(&object.complementary)
                    .filter_map(Reference::index),
            );
        }
        let mut uids = vec![false; model.track_uids.len()];
        for (object, _) in model
            .objects
            .iter()
            .zip(&objects)
            .filter(|(_, used)| **used)
        {
            for uid in object
                .track_uids
                .iter()
                .flatten()
                .filter_map(Reference::index)
            {
                uids[uid] = true;
            }
        }
        // Without objects a renderer plays every track that chna lists.
        if model.objects.is_empty() {
            uids.fill(true);
        }
        Self { objects, uids }
    }
}

/// The channels of packs, looked for once however many objects refer to a pack.
pub(super) struct PackChannels<'a> {
    model: &'a Model,
    known: HashMap<usize, Vec<usize>>,
}

impl<'a> PackChannels<'a> {
    pub fn of(model: &'a Model) -> Self {
        Self {
            model,
            known: HashMap::new(),
        }
    }

    /// The channels of a pack and of the packs in it, each once, in order of their index.
    pub fn get(&mut self, pack: usize) -> &[usize] {
        self.known.entry(pack).or_insert_with(|| {
            let mut channels = Vec::new();
            for pack in packs_in(self.model, pack) {
                let pack: &AudioPackFormat = &self.model.packs[pack];
                channels.extend(pack.channels.iter().filter_map(Reference::index));
            }
            channels.sort_unstable();
            channels.dedup();
            channels
        })
    }
}

/// More packs than this inside of one are not followed: HOA of order 10 nests ten.
const PACKS_IN: usize = 64;

/// The pack itself and the packs in it, each once.
pub(super) fn packs_in(model: &Model, pack: usize) -> Vec<usize> {
    let mut found = vec![pack];
    let mut at = 0;
    while let Some(&pack) = found.get(at) {
        at += 1;
        for inner in model.packs[pack].packs.iter().filter_map(Reference::index) {
            if found.len() == PACKS_IN {
                return found;
            }
            if !found.contains(&inner) {
                found.push(inner);
            }
        }
    }
    found
}
