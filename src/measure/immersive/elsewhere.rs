//! What is left of an object-based master elsewhere, taken from its renders.
//!
//! In: the layouts that are rendered to, and what was rendered, in any order of layouts. Out:
//! [`TranslationFacts`]. Stereo is the render to 0+2+0, as it is heard; as it has no
//! low-frequency channel, that is taken from the render to 0+5+0. Where nobody orders the first,
//! the second is folded by ITU-R BS.775.

use std::sync::Arc;

use super::ImmersiveOrder;
use crate::adm::Model;
use crate::layout::{self, Label};
use crate::measure::translation::{Fold, TranslationFacts, TranslationMeter};
use crate::render::{CHUNK, Deaf, RENDERER, RenderError, Rendered, Renderer, Scene, SpeakerLayout};
use crate::units::Hertz;

const STEREO: &str = "0+2+0";
const SURROUND: &str = "0+5+0";

/// The translation meter and what it is fed with.
pub(super) struct Elsewhere {
    meter: TranslationMeter,
    /// Layout and loudspeaker of each plane, as indices.
    taps: Vec<(usize, usize)>,
    /// What one render has handed out and another one not yet, `[plane][frame]`.
    waiting: Vec<Vec<f64>>,
}

impl Elsewhere {
    /// `None` where neither of the two layouts is rendered to.
    pub(super) fn new(layouts: &[SpeakerLayout], rate: Hertz) -> Option<Self> {
        let of = |name: &str| layouts.iter().position(|layout| layout.name == name);
        let low_frequency = |layout: usize| Some((layout, layouts[layout].index_of("LFE1")?));
        let said = |name: &str| format!("the {} render ({name})", layout::spoken(name));
        let (taps, words) = match (of(STEREO), of(SURROUND)) {
            (Some(stereo), surround) => {
                let lfe = surround.and_then(low_frequency);
                let mut taps = vec![(stereo, 0), (stereo, 1)];
                taps.extend(lfe);
                let words = match lfe {
                    Some(_) => format!("{} and the LFE of {}", said(STEREO), said(SURROUND)),
                    None => said(STEREO),
                };
                (taps, format!("{words}, {RENDERER}"))
            }
            (None, Some(surround)) => (
                (0..layouts[surround].len())
                    .map(|speaker| (surround, speaker))
                    .collect(),
                format!("{}, {RENDERER}, by ITU-R BS.775", said(SURROUND)),
            ),
            (None, None) => return None,
        };
        let labels: Vec<Label> = taps
            .iter()
            .map(|&(layout, speaker): &(usize, usize)| {
                layouts[layout].speakers[speaker].label.clone()
            })
            .collect();
        Some(Self {
            meter: TranslationMeter::new(rate, Fold::of_render(&labels, words)?),
            waiting: vec![Vec::with_capacity(CHUNK); taps.len()],
            taps,
        })
    }

    /// The layouts of those that are rendered to that this is taken from.
    fn layouts(&self) -> Vec<usize> {
        let mut layouts: Vec<usize> = self.taps.iter().map(|&(layout, _)| layout).collect();
        layouts.dedup();
        layouts
    }

    /// Takes what layout number `layout` plays next, all its loudspeakers.
    pub(super) fn hear(&mut self, layout: usize, whole: &[Vec<f64>]) {
        for (waiting, &(of, speaker)) in self.waiting.iter_mut().zip(&self.taps) {
            if of == layout {
                waiting.extend_from_slice(&whole[speaker]);
            }
        }
        let ready = self.waiting.iter().map(Vec::len).min().unwrap_or(0);
        if ready > 0 {
            let planes: Vec<&[f64]> = self.waiting.iter().map(|plane| &plane[..ready]).collect();
            self.meter.feed(&planes);
            self.waiting.iter_mut().for_each(|plane| {
                plane.drain(..ready);
            });
        }
    }

    pub(super) fn finish(self) -> TranslationFacts {
        self.meter.finish()
    }
}

/// Renders a master for this alone: a mix, of which nothing else is measured.
pub struct ElsewhereMeters {
    /// Number of the layout, renderer, what it plays.
    renders: Vec<(usize, Renderer, Vec<Vec<f64>>)>,
    elsewhere: Elsewhere,
    failed: bool,
}

impl ElsewhereMeters {
    /// `layouts`: those that the master is rendered to. `None` where there is nothing to take it
    /// from, or the metadata cannot be rendered.
    pub fn new(
        model: &Arc<Model>,
        scene: &Arc<Scene>,
        layouts: &[SpeakerLayout],
        tracks: usize,
        rate: Hertz,
    ) -> Option<Self> {
        let elsewhere = Elsewhere::new(layouts, rate)?;
        let renders = elsewhere.layouts().into_iter().map(|index| {
            let layout = &layouts[index];
            let (model, scene) = (model.clone(), scene.clone());
            let renderer = Renderer::new(model, scene, layout.clone(), tracks, rate.value())?;
            let whole = vec![Vec::with_capacity(CHUNK); layout.len()];
            Ok((index, renderer, whole))
        });
        let renders: Result<_, RenderError> = renders.collect();
        Some(Self {
            renders: renders.ok()?,
            elsewhere,
            failed: false,
        })
    }

    /// Takes `tracks[track][frame]`. After a rendering error nothing more is done.
    pub fn feed(&mut self, tracks: &[&[f64]]) {
        let frames = tracks.first().map_or(0, |track| track.len());
        // Chunk by chunk, so that no render runs ahead of another.
        for at in (0..frames).step_by(CHUNK) {
            let end = (at + CHUNK).min(frames);
            let chunk: Vec<&[f64]> = tracks.iter().map(|track| &track[at..end]).collect();
            self.pass(|renderer, sink| renderer.process(&chunk, &mut Deaf, sink));
        }
    }

    /// Ends the mix; `None` where it could not be rendered to its end.
    pub fn finish(mut self) -> Option<TranslationFacts> {
        self.pass(|renderer, sink| renderer.finish(&mut Deaf, sink));
        (!self.failed).then(|| self.elsewhere.finish())
    }

    fn pass(
        &mut self,
        step: impl Fn(&mut Renderer, &mut dyn FnMut(Rendered)) -> Result<(), RenderError>,
    ) {
        let Self {
            renders, elsewhere, ..
        } = self;
        for (index, renderer, whole) in renders {
            if self.failed {
                return;
            }
            let made = step(renderer, &mut |rendered| {
                rendered.whole_into(whole);
                elsewhere.hear(*index, whole);
            });
            self.failed = made.is_err();
        }
    }
}

/// Of an order that asks for it.
pub(super) fn ordered(order: &ImmersiveOrder) -> Option<Elsewhere> {
    (order.translation)
        .then(|| Elsewhere::new(&order.layouts, order.sample_rate))
        .flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn layouts(names: &[&str]) -> Vec<SpeakerLayout> {
        let named = |name: &&str| SpeakerLayout::named(name).unwrap();
        names.iter().map(named).collect()
    }

    fn heard(names: &[&str], steps: &[(usize, usize)]) -> TranslationFacts {
        let layouts = layouts(names);
        let mut elsewhere = Elsewhere::new(&layouts, Hertz::new(48_000).unwrap()).unwrap();
        let mut at = vec![0usize; layouts.len()];
        for &(layout, frames) in steps {
            let plane = |speaker: usize| -> Vec<f64> {
                let frame = |n: usize| (n as f64 * 0.02 * (speaker + 1) as f64).sin() * 0.1;
                (at[layout]..at[layout] + frames).map(frame).collect()
            };
            let whole: Vec<Vec<f64>> = (0..layouts[layout].len()).map(plane).collect();
            elsewhere.hear(layout, &whole);
            at[layout] += frames;
        }
        elsewhere.finish()
    }

    // What one render hands out late is waited for: the planes are always of the same moment.
    #[test]
    fn renders_that_hand_out_at_other_times_give_the_same_table() {
        let together: Vec<(usize, usize)> = (0..80).flat_map(|_| [(0, 512), (1, 512)]).collect();
        let one_late = [(0, 20_000), (1, 1), (1, 40_959), (0, 20_960)];
        let both = ["0+5+0", "0+2+0"];
        assert_eq!(heard(&both, &together), heard(&both, &one_late));
    }

    #[test]
    fn stereo_is_the_stereo_render_and_the_lfe_that_of_the_surround_render() {
        let of = |names: &[&str]| Elsewhere::new(&layouts(names), Hertz::new(48_000).unwrap());
        let taps = |names: &[&str]| of(names).unwrap().taps;
        assert_eq!(taps(&["0+5+0", "0+2+0"]), [(1, 0), (1, 1), (0, 3)]);
        assert_eq!(taps(&["0+2+0"]), [(0, 0), (0, 1)]);
        assert_eq!(taps(&["4+7+0", "0+5+0"]).len(), 6);
        assert!(of(&["4+7+0"]).is_none());
        let words = |names: &[&str], steps: &[(usize, usize)]| heard(names, steps).table.taken_from;
        assert_eq!(
            words(&["0+5+0", "0+2+0"], &[]),
            format!("the stereo render (0+2+0) and the LFE of the 5.1 render (0+5+0), {RENDERER}")
        );
        assert_eq!(
            words(&["0+5+0"], &[]),
            format!("the 5.1 render (0+5+0), {RENDERER}, by ITU-R BS.775")
        );
    }
}
