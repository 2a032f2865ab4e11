//! What is heard of an object-based master, and what it states of its own loudness.

use crate::adm::model::LoudnessMetadata;
use crate::judge::check::{Case, Check, FAULT};
use crate::judge::reading::{Reading, read_from};
use crate::measure::{Immersive, ItemFacts, ItemKind, Measurements};
use crate::measured::Measured;
use crate::profile::Severity;
use crate::specimen::Bext;

use super::found::{Found, told};
use super::immersive_figures::rendered;

/// Under this an object counts as silent: own choice, as for channels.
const SILENT_DBFS: f64 = -80.0;
/// A figure stated may differ from the one read by this much: own choice, five times what EBU
/// Tech 3341 allows a meter.
const STATED_LU: f64 = 0.5;
const STATED_DB: f64 = 0.5;

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    OBJECT_SILENT,
    OBJECT_MUTED,
    OBJECTS_STATIC,
    LOUDNESS_METADATA_DISAGREES,
    BEXT_LOUDNESS_DISAGREES,
];

pub const OBJECT_SILENT: Check = Check {
    id: "immersive.object-silent",
    title: "silent object",
    definition: "An object's track never rises over -80 dBFS.",
    cannot_see: "What the metadata were meant to say.",
    read: object_silent,
    ..FAULT
};

pub const OBJECT_MUTED: Check = Check {
    id: "immersive.object-muted",
    title: "muted object",
    definition: "An object is muted, or its gain is zero, throughout.",
    cannot_see: "What the metadata were meant to say.",
    read: object_muted,
    ..FAULT
};

pub const OBJECTS_STATIC: Check = Check {
    id: "immersive.objects-static",
    title: "objects that never move",
    definition: "Objects have many blocks and one position.",
    severity: Severity::Note,
    cannot_see: "What the metadata were meant to say.",
    read: objects_static,
    ..FAULT
};

pub const LOUDNESS_METADATA_DISAGREES: Check = Check {
    id: "immersive.loudness-metadata-disagrees",
    title: "loudness metadata that disagree",
    definition: "The loudness that the metadata state is not what the render reads: over 0.5 LU, or 0.5 dB of true peak.",
    source: "ITU-R BS.2076-3, clause 5.8.5; the tolerances are our own choice",
    cannot_see: "What the metadata were meant to say.",
    read: stated_loudness,
    ..FAULT
};

pub const BEXT_LOUDNESS_DISAGREES: Check = Check {
    id: "immersive.bext-loudness-disagrees",
    title: "bext loudness that disagrees",
    definition: "The loudness that the bext chunk states is not what the render reads: over 0.5 LU, or 0.5 dB of true peak.",
    source: "EBU Tech 3285, clause 2.3; the tolerances are our own choice",
    cannot_see: "What the metadata were meant to say.",
    read: stated_bext,
    ..FAULT
};

fn objects(immersive: &Immersive) -> impl Iterator<Item = &ItemFacts> + Clone {
    (immersive.items.iter()).filter(|item| item.kind == ItemKind::Object)
}

fn element(item: &ItemFacts) -> String {
    item.object.clone().unwrap_or_else(|| item.channel.clone())
}

fn object_silent(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let silent = |item: &&ItemFacts| {
            let peak = item.sample_peak_dbfs;
            !item.muted && peak.is_none_or(|peak| peak.value() < SILENT_DBFS)
        };
        let found = objects(immersive).filter(silent).map(|item| {
            let says = format!("the object \"{}\" is silent throughout", item.name);
            Found::new(case.check.severity, element(item), says)
        });
        told(case, found.collect())
    })
}

fn object_muted(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let muted = immersive.items.iter().filter(|item| item.muted);
        let found = muted.map(|item| {
            let says = format!("\"{}\" is muted throughout", item.name);
            Found::new(case.check.severity, element(item), says)
        });
        told(case, found.collect())
    })
}

fn objects_static(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let all = objects(immersive).count();
        let still: Vec<&ItemFacts> = objects(immersive)
            .filter(|item| item.blocks > 2 && item.positions == 1)
            .collect();
        let severity = match all > 1 && still.len() == all {
            true => Severity::Advise,
            false => Severity::Note,
        };
        let found = still.iter().map(|item| {
            let says = format!(
                "the object \"{}\" has {} blocks and stays in one place",
                item.name, item.blocks
            );
            Found::new(severity, element(item), says)
        });
        told(case, found.collect())
    })
}

/// The render that stated figures are held against: the main one.
fn main_render<'a>(case: &Case<'a>) -> Measured<&'a Measurements> {
    rendered(case).and_then(|immersive| {
        Measured::of(immersive.renders.first(), || {
            crate::measured::NotMeasured::NoRender {
                layout: immersive.parts.layout.clone(),
            }
        })
    })
}

struct Stated {
    integrated: Option<f64>,
    true_peak: Option<f64>,
}

/// What a statement gets wrong, in words.
fn wrong(stated: &Stated, read: &Measurements) -> Option<String> {
    let on = read
        .measured_on
        .as_ref()
        .map_or("the render", |on| on.layout.as_str());
    let integrated = read.loudness.get().and_then(|l| l.integrated_lufs);
    let integrated = integrated.map(|l| l.value());
    let peak = read.peaks.true_peak_dbtp.map(|peak| peak.value());
    let apart = |stated: Option<f64>, read: Option<f64>, by: f64| {
        stated
            .zip(read)
            .filter(|(stated, read)| (stated - read).abs() > by)
    };
    let mut parts = Vec::new();
    if let Some((said, read)) = apart(stated.integrated, integrated, STATED_LU) {
        parts.push(format!(
            "an integrated loudness of {said:.1} LUFS where {on} reads {read:.1}"
        ));
    }
    if let Some((said, read)) = apart(stated.true_peak, peak, STATED_DB) {
        parts.push(format!(
            "a true peak of {said:.1} dBTP where {on} reads {read:.1}"
        ));
    }
    (!parts.is_empty()).then(|| parts.join(", and "))
}

fn stated_loudness(case: &Case) -> Reading {
    read_from(main_render(case), |read| {
        let programme = case.facts.adm.and_then(|adm| {
            let programme = adm.scene?.programme?;
            Some(&adm.model.programmes[programme])
        });
        let layout = read
            .measured_on
            .as_ref()
            .map_or("", |on| on.layout.as_str());
        // A statement that names another layout is about another sound.
        let about_this = |loudness: &&LoudnessMetadata| {
            loudness.renderers.is_empty() || loudness.renderers.iter().any(|r| r.contains(layout))
        };
        let found = programme.into_iter().flat_map(|programme| {
            (programme.loudness.iter())
                .filter(about_this)
                .filter_map(|loudness| {
                    let stated = Stated {
                        integrated: loudness.integrated_lufs,
                        true_peak: loudness.max_true_peak_dbtp,
                    };
                    let says = format!("the metadata state {}", wrong(&stated, read)?);
                    Some(Found::new(Severity::Advise, programme.id.clone(), says))
                })
        });
        in_words(told(case, found.collect()))
    })
}

fn stated_bext(case: &Case) -> Reading {
    read_from(main_render(case), |read| {
        let stated = |bext: &Bext| Stated {
            integrated: bext.loudness_lufs,
            true_peak: bext.max_true_peak_dbtp,
        };
        let found = (case.facts.metadata.bext.as_ref())
            .and_then(|bext| wrong(&stated(bext), read))
            .map(|says| {
                let says = format!("the bext chunk states {says}");
                Found::new(Severity::Advise, "bext", says)
            });
        in_words(told(case, found.into_iter().collect()))
    })
}

/// Not the element but the figures tell what is wrong.
fn in_words(reading: Reading) -> Reading {
    match reading {
        Reading::Fault(fault) => Reading::Fault(crate::judge::reading::Fault {
            detail: Some(fault.says.clone()),
            ..fault
        }),
        other => other,
    }
}
