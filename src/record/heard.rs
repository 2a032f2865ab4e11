//! What every face tells of an object-based master: each render on one list, its parts alone,
//! what the metadata hold, and by what it was rendered.
//!
//! In: the measured part of a sidecar. Out: facts in the order in which they are told, one line
//! each. Knows nothing of colours, columns or mail.

use super::sidecar::*;
use super::story::{Fact, quantity};
use crate::layout;
use crate::measure::{Loudness, Peaks};

/// Every render, the main one first and the ears last, then the parts of the main one.
pub(super) fn figures(measured: &Measured) -> Vec<Fact> {
    let main = measured.measured_on.as_ref().map(|on| on.layout.as_str());
    let mut renders: Vec<(&String, &Render)> = measured.renders.iter().collect();
    renders.sort_by_key(|(layout, render)| {
        let others = Some(layout.as_str()) != main;
        (render.head.is_some(), others)
    });
    let mut all: Vec<Fact> = renders
        .iter()
        .map(|(layout, render)| {
            let what = match &render.head {
                Some(_) => "binaural, proxy".to_owned(),
                None => both_names(layout),
            };
            Fact::new(what, sound(render.loudness.as_ref(), &render.peaks))
        })
        .collect();
    all.extend(parts(measured));
    let ears = renders.iter().find_map(|(_, render)| render.head.as_ref());
    all.extend(ears.map(|head| {
        let set = &head.set;
        let digest = set.digest_blake3.get(..16).unwrap_or(&set.digest_blake3);
        let says = format!(
            "{}, BLAKE3 {digest}…, over {}; another head reads otherwise",
            set.name, head.virtual_layout
        );
        Fact::new("heard through", says)
    }));
    let by = renders.iter().find_map(|(_, render)| {
        let on = render.measured_on.as_ref()?;
        on.renderer.as_ref().filter(|_| render.head.is_none())
    });
    all.extend(by.map(|renderer| Fact::new("rendered by", renderer)));
    if let Some(why) = (measured.scene.as_ref()).and_then(|scene| scene.not_rendered.as_ref()) {
        all.push(Fact::new("not rendered", why));
    }
    if let Some(peak) = measured.peaks.sample_peak_dbfs {
        let peak = quantity(peak.value(), "dBFS", 1);
        all.push(Fact::new(
            "tracks",
            format!("highest sample {peak}, before rendering"),
        ));
    }
    all
}

/// What was found in the metadata, and what was taken for what.
pub(super) fn master(measured: &Measured, tracks: Option<usize>) -> Vec<Fact> {
    let Some(scene) = &measured.scene else {
        return Vec::new();
    };
    let mut all = Vec::new();
    let mut push = |what: &str, is: &str| all.push(Fact::new(what, is));
    let rendered = scene.not_rendered.is_none();
    match &scene.programme {
        Some(chosen) => push("programme", &named(chosen)),
        None if rendered => push("programme", "none: all objects are rendered"),
        None => {}
    }
    if !scene.other_programmes.is_empty() {
        let others: Vec<String> = scene.other_programmes.iter().map(named).collect();
        push("also in the file", &others.join("; "));
    }
    let counts: Vec<String> = [
        (tracks.unwrap_or(0), "track", "tracks"),
        (scene.bed_channels, "bed channel", "bed channels"),
        (scene.objects, "object", "objects"),
        (scene.hoa_groups, "HOA group", "HOA groups"),
    ]
    .iter()
    .filter(|(count, ..)| *count > 0)
    .map(|(count, one, many)| format!("{count} {}", if *count == 1 { one } else { many }))
    .collect();
    if !counts.is_empty() {
        push("holds", &counts.join(", "));
    }
    match &scene.bed_layout {
        Some(bed) => push("bed", &bed_in_words(bed)),
        None if rendered => push("bed", "none"),
        None => {}
    }
    for lfe in measured.lfe.iter().filter(|lfe| !lfe.declared) {
        let label = lfe.label.as_deref().unwrap_or("LFE");
        let says = format!(
            "track {} by its label alone ({label}): no frequency element; rendered as \
             low-frequency",
            lfe.track
        );
        push("LFE", &says);
    }
    if let Some(version) = &scene.version {
        push("metadata", &version.replace("ITU-R_", "ITU-R "));
    }
    for remark in &scene.remarks {
        push("remark", remark);
    }
    all
}

fn named(programme: &Named) -> String {
    match programme.name.as_str() {
        "" => programme.id.clone(),
        name => format!("{name} ({})", programme.id),
    }
}

/// `5.1, 0+5+0`: the trade's name, and that of BS.2051 where it is another.
fn both_names(layout: &str) -> String {
    match layout::spoken(layout) {
        same if same == layout => same.to_owned(),
        spoken => format!("{spoken}, {layout}"),
    }
}

fn bed_in_words(bed: &str) -> String {
    match layout::by_name(bed) {
        Some(known) if layout::RENDERABLE.contains(&known.name) => both_names(known.name),
        Some(known) => format!(
            "{}, no layout of BS.2051: its channels were placed by their labels",
            known.name
        ),
        None => format!("no usual layout: {bed}"),
    }
}

fn sound(loudness: Option<&Loudness>, peaks: &Peaks) -> String {
    let mut parts = vec![match loudness.and_then(|heard| heard.integrated_lufs) {
        Some(integrated) => quantity(integrated.value(), "LUFS", 1),
        None => "no loudness (silent, or too short)".to_owned(),
    }];
    parts.push(match peaks.true_peak_dbtp {
        Some(peak) => format!("true peak {}", quantity(peak.value(), "dBTP", 1)),
        None => "no true peak (silent)".to_owned(),
    });
    if let Some(range) = loudness.and_then(|heard| heard.range_lu) {
        let stable = loudness.is_some_and(|heard| heard.range_stable);
        let doubt = if stable { "" } else { ", unstable under 60 s" };
        parts.push(format!("range {}{doubt}", quantity(range.value(), "LU", 1)));
    }
    parts.join(", ")
}

/// Bed and objects alone, their difference, and what two loudspeakers make of it.
fn parts(measured: &Measured) -> Vec<Fact> {
    let mut all = Vec::new();
    if let Some(parts) = &measured.parts {
        let on = layout::spoken(&parts.layout);
        for (what, part) in [("bed alone", &parts.bed), ("objects alone", &parts.objects)] {
            let integrated = part.as_ref().map(|heard| heard.integrated_lufs);
            match integrated {
                Some(Some(value)) => {
                    let value = quantity(value.value(), "LUFS", 1);
                    all.push(Fact::new(what, format!("{value} in {on}")));
                }
                Some(None) => all.push(Fact::new(what, "no loudness (silent, or too short)")),
                None => {}
            }
        }
        if let Some(difference) = parts.bed_less_objects_lu {
            let by = difference.value();
            let way = if by < 0.0 { "under" } else { "over" };
            let mut says = format!("bed {} {way} objects", quantity(by.abs(), "LU", 1));
            if let Some([low, _, high]) = parts.short_term_difference_lu {
                let [low, high] = [low, high].map(|end| signed(end.value()));
                says.push_str(&format!(
                    "; over time {low} to {high} LU (bed less objects)"
                ));
            }
            all.push(Fact::new("difference", says));
        }
    }
    if let Some(fold) = &measured.fold
        && let Some(lost) = fold.headroom_lost_db
    {
        let [from, to] = [&fold.from, &fold.to].map(|name| layout::spoken(name));
        let way = if lost < 0.0 { "lower" } else { "higher" };
        let lost = quantity(lost.abs(), "dB", 1);
        let mut says = format!("true peak {lost} {way} than in {from}");
        if let Some(at) = fold.at_s {
            says.push_str(&format!(", at {at}"));
        }
        all.push(Fact::new(format!("in {to}"), says));
    }
    all
}

/// With its sign, since a difference has two ways: `+1.5`, `-3.0`, `0.0`.
fn signed(value: f64) -> String {
    let text = quantity(value, "LU", 1);
    let number = text.trim_end_matches(" LU");
    match number {
        "0.0" => number.to_owned(),
        less if less.starts_with('-') => less.to_owned(),
        more => format!("+{more}"),
    }
}
