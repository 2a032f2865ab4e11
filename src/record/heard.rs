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
        let what = match (&scene.programme, others.len()) {
            (Some(_), _) => "not rendered",
            (None, 1) => "programme",
            (None, _) => "programmes",
        };
        push(what, &others.join("; "));
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
            "{} (no layout of BS.2051: placed by its labels)",
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
    // Under 60 s a range says little; the record has it.
    let stable = loudness.filter(|heard| heard.range_stable);
    if let Some(range) = stable.and_then(|heard| heard.range_lu) {
        parts.push(format!("range {}", quantity(range.value(), "LU", 1)));
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
                says.push_str(&format!(", short-term {low} to {high} LU"));
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

#[cfg(test)]
mod tests {
    use super::super::{Story, invented};
    use super::*;

    fn told(facts: &[Fact]) -> Vec<String> {
        let lines = facts.iter();
        lines
            .map(|fact| format!("{}: {}", fact.what, fact.is))
            .collect()
    }

    #[test]
    fn the_renders_stand_on_one_list_the_main_one_first_and_the_ears_last() {
        let sidecar = invented::immersive("x.wav");
        let story = Story::of(&sidecar, &|_| None);
        assert_eq!(
            told(&story.figures),
            [
                "5.1, 0+5+0: -16.4 LUFS, true peak -0.3 dBTP, range 6.3 LU",
                "stereo, 0+2+0: -17.2 LUFS, true peak -0.3 dBTP, range 6.3 LU",
                "7.1.4, 4+7+0: -16.9 LUFS, true peak -0.3 dBTP, range 6.3 LU",
                "binaural, proxy: -17.8 LUFS, true peak -0.3 dBTP, range 6.3 LU",
                "bed alone: -20.1 LUFS in 5.1",
                "objects alone: -18.9 LUFS in 5.1",
                "difference: bed 1.2 LU under objects, short-term -4.1 to +2.0 LU",
                "in stereo: true peak 2.6 dB higher than in 5.1, at 0:42.113",
                "heard through: an invented head, BLAKE3 4b4b4b4b4b4b4b4b…, over 4+7+0; \
                 another head reads otherwise",
                "rendered by: an invented renderer 1.0",
                "tracks: highest sample -0.4 dBFS, before rendering",
            ]
        );
    }

    #[test]
    fn what_was_taken_for_what_is_said() {
        let sidecar = invented::immersive("x.wav");
        let story = Story::of(&sidecar, &|_| None);
        assert_eq!(
            told(&story.master),
            [
                "programme: Main (APR_1001)",
                "not rendered: Without voice (APR_1002)",
                "holds: 22 tracks, 10 bed channels, 12 objects",
                "bed: 7.1.2 (no layout of BS.2051: placed by its labels)",
                "LFE: track 4 by its label alone (LFE1): no frequency element; rendered as \
                 low-frequency",
                "metadata: ITU-R BS.2076-2",
                "remark: of 2 programmes the one with the lowest id is rendered",
            ]
        );
    }

    #[test]
    fn a_master_that_was_not_rendered_says_why_in_place_of_figures() {
        let mut sidecar = invented::immersive("x.wav");
        let measured = sidecar.measured.as_mut().unwrap();
        measured.renders.clear();
        (measured.parts, measured.fold, measured.lfe) = (None, None, Vec::new());
        measured.scene = Some(SceneFacts {
            not_rendered: Some("AC_00031001: block 9 ends after its audioObject".into()),
            ..SceneFacts::default()
        });
        let story = Story::of(&sidecar, &|_| None);
        assert_eq!(
            told(&story.figures),
            [
                "not rendered: AC_00031001: block 9 ends after its audioObject",
                "tracks: highest sample -0.4 dBFS, before rendering",
            ]
        );
        assert_eq!(told(&story.master), ["holds: 22 tracks"]);
    }

    #[test]
    fn one_part_alone_has_no_difference() {
        let mut sidecar = invented::immersive("x.wav");
        let parts = sidecar.measured.as_mut().unwrap().parts.as_mut().unwrap();
        (parts.bed, parts.bed_less_objects_lu) = (None, None);
        let says = told(&figures(sidecar.measured.as_ref().unwrap())).join("\n");
        assert!(
            says.contains("objects alone") && !says.contains("bed"),
            "{says}"
        );
    }
}
