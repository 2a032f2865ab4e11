//! On what sound a figure is read: the file's own channels, or a render.

use crate::judge::check::Case;
use crate::judge::reading::Reading;
use crate::measure::Measurements;
use crate::measured::NotMeasured;

/// Reads the figure on the render that the limit names, or on the file's own channels. These serve
/// for a render too where they are that layout already.
pub fn on_asked_render(case: &Case, read: impl FnOnce(&Measurements) -> Reading) -> Reading {
    let asked = case.limit.and_then(|limit| limit.render.as_deref());
    let Some(measured) = case.facts.measurements else {
        let unread = Reading::not_measured(NotMeasured::Unread);
        return match asked {
            Some(render) => unread.on(render),
            None => unread,
        };
    };
    let Some(render) = asked else {
        return read(measured);
    };
    if let Some(immersive) = &measured.immersive {
        let of_layout = immersive.renders.iter().find(|made| {
            made.measured_on
                .as_ref()
                .is_some_and(|on| on.layout == render)
        });
        let ears = immersive.binaural.as_ref().filter(|_| render == "binaural");
        if let Some(made) = of_layout.or(ears.map(|ears| &ears.measured)) {
            return read(made).on(render);
        }
    }
    let own = measured
        .measured_on
        .as_ref()
        .is_some_and(|on| on.renderer.is_none() && on.layout == render);
    if own {
        return read(measured);
    }
    Reading::not_measured(no_render(case, render)).on(render)
}

fn no_render(case: &Case, render: &str) -> NotMeasured {
    match case.facts.adm.map(|adm| adm.not_rendered) {
        Some(Some(why)) => NotMeasured::NotRendered { why: why.into() },
        Some(None) if render == "binaural" => NotMeasured::NoHead,
        Some(None) => NotMeasured::NoRender {
            layout: render.into(),
        },
        None => NotMeasured::NoAdm,
    }
}

/// The layout behind a figure; the renderer stands beside it in the record.
pub fn layout_of(measured: &Measurements) -> String {
    let on = measured.measured_on.as_ref();
    on.map_or_else(|| "file".into(), |on| on.layout.clone())
}
