//! The meters of an immersive master: what it sounds like on each layout, and its parts alone.
//!
//! In: a scene, the layouts to render to, and the tracks in blocks of any size. Out: an
//! [`Immersive`]. One pass: each chunk is rendered to every layout and measured while it is in
//! the cache; on the main layout bed, objects and each item are read alone as well.

mod bank;
mod beds;
mod content;
mod elsewhere;
mod facts;
mod items;
mod lfe;
mod likeness;
mod parts;
#[cfg(test)]
mod tests;
mod types;

use std::sync::Arc;

pub use content::{BedChannels, Content, Disguise, Duplicate, NoBeds, SilentTwin, Unheard};
pub use elsewhere::ElsewhereMeters;
pub use types::*;

use self::bank::Bank;
use self::beds::BedMeters;
use self::content::Sources;
use self::elsewhere::Elsewhere;
use self::items::ItemMeters;
use self::lfe::LfeMeter;
use self::likeness::Likeness;
use self::parts::PartMeters;
use super::{Depth, MeterOrder, Meters, loudness_weight};
use crate::adm::Model;
use crate::layout::Label;
use crate::render::binaural::{BinauralRenderer, HeadSet, VIRTUAL_LAYOUT};
use crate::render::{
    CHUNK, Deaf, Item, RENDERER, RenderError, Rendered, Renderer, Scene, SpeakerLayout, is_lfe,
};
use crate::units::Hertz;

/// What is to be rendered and measured.
pub struct ImmersiveOrder {
    pub model: Arc<Model>,
    pub scene: Arc<Scene>,
    /// The main one first; never empty.
    pub layouts: Vec<SpeakerLayout>,
    pub tracks: usize,
    pub sample_rate: Hertz,
    /// Overs above this are listed, in dBTP.
    pub over_ceiling_dbtp: f64,
    /// Whether it is asked what is left of the master elsewhere.
    pub translation: bool,
    /// Whether the channels of beds are looked at by their speaker labels: polarity, order,
    /// exchanged sides.
    pub bed_channels: bool,
    pub head: Option<Arc<HeadSet>>,
}

/// All meters of one immersive master.
pub struct ImmersiveMeters {
    order: ImmersiveOrder,
    renders: Vec<RenderMeters>,
    binaural: Option<BinauralMeters>,
    elsewhere: Option<Elsewhere>,
    bank: Bank,
    items: ItemMeters,
    parts: PartMeters,
    lfe: Vec<(usize, usize, LfeMeter)>,
    likeness: Likeness,
    beds: BedMeters,
    peaks: Vec<f64>,
    silent: Vec<bool>,
    /// Frames that are not yet a chunk.
    waiting: Vec<Vec<f64>>,
    waiting_frames: usize,
    frames: u64,
    failed: Option<RenderError>,
}

struct RenderMeters {
    renderer: Renderer,
    meters: Meters,
    whole: Vec<Vec<f64>>,
}

struct BinauralMeters {
    renderer: Renderer,
    ears: BinauralRenderer,
    meters: Meters,
    whole: Vec<Vec<f64>>,
    out: [Vec<f64>; 2],
}

impl ImmersiveMeters {
    /// Errors where the metadata cannot be rendered.
    pub fn new(order: ImmersiveOrder) -> Result<Self, RenderError> {
        let rate = order.sample_rate;
        let renderer = |layout: &SpeakerLayout| {
            Renderer::new(
                order.model.clone(),
                order.scene.clone(),
                layout.clone(),
                order.tracks,
                rate.value(),
            )
        };
        let meters = |labels: Vec<Label>, renderer: String| {
            Meters::new(MeterOrder {
                sample_rate: rate,
                channels: labels.len(),
                labels: Some(labels),
                over_ceiling_dbtp: order.over_ceiling_dbtp,
                full_scale: 1.0,
                renderer: Some(renderer),
                depth: Depth::Full,
            })
        };
        let renders = order
            .layouts
            .iter()
            .map(|layout| {
                Ok(RenderMeters {
                    renderer: renderer(layout)?,
                    meters: meters(labels_of(layout), RENDERER.to_owned()),
                    whole: vec![Vec::with_capacity(CHUNK); layout.len()],
                })
            })
            .collect::<Result<Vec<_>, RenderError>>()?;
        let binaural = match &order.head {
            Some(head) => {
                let layout = SpeakerLayout::named(VIRTUAL_LAYOUT).expect("a layout of BS.2051");
                let ears = ["M+030", "M-030"].map(|ear| ear.parse().expect("a label"));
                Some(BinauralMeters {
                    renderer: renderer(&layout)?,
                    ears: BinauralRenderer::new(head, &layout, rate)?,
                    meters: meters(ears.to_vec(), format!("{RENDERER}, {}", head.facts().name)),
                    whole: vec![Vec::with_capacity(CHUNK); layout.len()],
                    out: [Vec::new(), Vec::new()],
                })
            }
            None => None,
        };
        let weights: Vec<f64> = labels_of(&order.layouts[0])
            .iter()
            .map(loudness_weight)
            .collect();
        let scene = &order.scene;
        let lfe = scene
            .items
            .iter()
            .enumerate()
            .filter(|(_, item)| is_lfe(&order.model, item))
            .filter_map(|(index, item)| {
                let track = item.feeds.first()?.first()?.track;
                Some((index, track, LfeMeter::new(f64::from(rate.value()))))
            })
            .collect();
        Ok(Self {
            renders,
            binaural,
            elsewhere: elsewhere::ordered(&order),
            bank: Bank::new(order.tracks, CHUNK, f64::from(rate.value())),
            items: ItemMeters::new(scene, weights.clone(), rate),
            parts: PartMeters::new(
                &weights,
                rate,
                scene.items.iter().any(Item::is_bed),
                scene.items.iter().any(|item| !item.is_bed()),
            ),
            lfe,
            likeness: Likeness::new(order.tracks),
            beds: BedMeters::new(&order),
            peaks: vec![0.0; order.tracks],
            silent: vec![true; order.tracks],
            waiting: vec![vec![0.0; CHUNK]; order.tracks],
            waiting_frames: 0,
            frames: 0,
            failed: None,
            order,
        })
    }

    /// Takes `tracks[track][frame]`. After a rendering error nothing more is done:
    /// [`ImmersiveMeters::finish`] tells it.
    pub fn feed(&mut self, tracks: &[&[f64]]) {
        let frames = tracks.first().map_or(0, |track| track.len());
        let mut done = 0;
        while done < frames && self.failed.is_none() {
            if self.waiting_frames == 0 && frames - done >= CHUNK {
                let chunk: Vec<&[f64]> = tracks
                    .iter()
                    .map(|track| &track[done..done + CHUNK])
                    .collect();
                self.try_chunk(&chunk);
                done += CHUNK;
                continue;
            }
            let take = (CHUNK - self.waiting_frames).min(frames - done);
            for (waiting, track) in self.waiting.iter_mut().zip(tracks) {
                waiting[self.waiting_frames..self.waiting_frames + take]
                    .copy_from_slice(&track[done..done + take]);
            }
            self.waiting_frames += take;
            done += take;
            if self.waiting_frames == CHUNK {
                self.waiting_chunk();
            }
        }
    }

    fn waiting_chunk(&mut self) {
        let waiting = std::mem::take(&mut self.waiting);
        let chunk: Vec<&[f64]> = waiting
            .iter()
            .map(|track| &track[..self.waiting_frames])
            .collect();
        self.try_chunk(&chunk);
        self.waiting = waiting;
        self.waiting_frames = 0;
    }

    fn try_chunk(&mut self, tracks: &[&[f64]]) {
        if let Err(error) = self.chunk(tracks) {
            self.failed = Some(error);
        }
    }

    /// At most [`CHUNK`] frames; fewer only at the end.
    fn chunk(&mut self, tracks: &[&[f64]]) -> Result<(), RenderError> {
        let first = self.frames;
        self.frames += tracks.first().map_or(0, |track| track.len()) as u64;
        for ((track, silent), peak) in tracks.iter().zip(&mut self.silent).zip(&mut self.peaks) {
            let largest = super::dispatch::fast(super::dispatch::Largest(track));
            *silent = largest == 0.0;
            *peak = peak.max(largest);
        }
        self.likeness.chunk(tracks, &self.silent);
        self.beds.feed(tracks);
        self.bank.run(tracks, &self.silent);
        for (_, track, meter) in &mut self.lfe {
            meter.feed(tracks[*track]);
        }
        let mut main = Some((&mut self.parts, &mut self.items));
        let elsewhere = &mut self.elsewhere;
        for (index, render) in self.renders.iter_mut().enumerate() {
            let RenderMeters {
                renderer,
                meters,
                whole,
            } = render;
            match main.take() {
                Some((parts, items)) => {
                    let mut listener = items.listener(&self.bank, first);
                    renderer.process(tracks, &mut listener, &mut |rendered| {
                        parts.feed(rendered.bed, rendered.objects, rendered.frames);
                        read(meters, whole, &rendered);
                        tell(elsewhere, index, whole);
                    })?;
                    items.close(self.frames);
                }
                None => renderer.process(tracks, &mut Deaf, &mut |rendered| {
                    read(meters, whole, &rendered);
                    tell(elsewhere, index, whole);
                })?,
            }
        }
        if let Some(BinauralMeters {
            renderer,
            ears,
            meters,
            whole,
            out,
        }) = &mut self.binaural
        {
            renderer.process(tracks, &mut Deaf, &mut |rendered| {
                hear(ears, meters, whole, out, &rendered);
            })?;
        }
        Ok(())
    }

    /// Ends the programme and reads the meters.
    pub fn finish(mut self) -> Result<Immersive, RenderError> {
        if self.waiting_frames > 0 && self.failed.is_none() {
            self.waiting_chunk();
        }
        if let Some(error) = self.failed {
            return Err(error);
        }
        let Self {
            order,
            renders,
            binaural,
            mut elsewhere,
            items,
            mut parts,
            lfe,
            likeness,
            beds,
            peaks,
            ..
        } = self;
        let mut measured = Vec::new();
        for (index, render) in renders.into_iter().enumerate() {
            let RenderMeters {
                mut renderer,
                mut meters,
                mut whole,
            } = render;
            let parts = (index == 0).then_some(&mut parts);
            let mut parts = parts;
            renderer.finish(&mut Deaf, &mut |rendered| {
                if let Some(parts) = &mut parts {
                    parts.feed(rendered.bed, rendered.objects, rendered.frames);
                }
                read(&mut meters, &mut whole, &rendered);
                tell(&mut elsewhere, index, &whole);
            })?;
            measured.push(meters.finish());
        }
        let binaural = match binaural {
            Some(BinauralMeters {
                mut renderer,
                mut ears,
                mut meters,
                mut whole,
                mut out,
            }) => {
                renderer.finish(&mut Deaf, &mut |rendered| {
                    hear(&mut ears, &mut meters, &mut whole, &mut out, &rendered);
                })?;
                ears.finish(&mut out);
                meters.feed_planes(&[&out[0], &out[1]]);
                order.head.as_ref().map(|head| Binaural {
                    head: head.facts().clone(),
                    virtual_layout: VIRTUAL_LAYOUT.to_owned(),
                    measured: meters.finish(),
                })
            }
            None => None,
        };
        let item_facts: Vec<ItemFacts> = order
            .scene
            .items
            .iter()
            .zip(items.finish())
            .map(|(item, loudness)| facts::item(&order.model, item, &loudness, &peaks))
            .collect();
        let content = Sources {
            model: &order.model,
            scene_items: &order.scene.items,
            items: &item_facts,
            likeness: &likeness,
        }
        .content();
        let (beds, no_beds) = beds.finish();
        Ok(Immersive {
            content: Content {
                beds,
                no_beds,
                ..content
            },
            fold: facts::fold(&measured),
            parts: parts.finish(order.layouts[0].name, RENDERER),
            renders: measured,
            binaural,
            translation: elsewhere.map(Elsewhere::finish),
            items: item_facts,
            lfe: lfe
                .into_iter()
                .map(|(item, track, meter)| {
                    facts::lfe(&order.model, &order.scene.items[item], track, &meter)
                })
                .collect(),
            remarks: order.scene.remarks.clone(),
        })
    }
}

fn labels_of(layout: &SpeakerLayout) -> Vec<Label> {
    layout
        .speakers
        .iter()
        .map(|speaker| speaker.label.clone())
        .collect()
}

fn read(meters: &mut Meters, whole: &mut [Vec<f64>], rendered: &Rendered) {
    rendered.whole_into(whole);
    let planes: Vec<&[f64]> = whole.iter().map(Vec::as_slice).collect();
    meters.feed_planes(&planes);
}

fn tell(elsewhere: &mut Option<Elsewhere>, layout: usize, whole: &[Vec<f64>]) {
    if let Some(elsewhere) = elsewhere {
        elsewhere.hear(layout, whole);
    }
}

fn hear(
    ears: &mut BinauralRenderer,
    meters: &mut Meters,
    whole: &mut [Vec<f64>],
    out: &mut [Vec<f64>; 2],
    rendered: &Rendered,
) {
    rendered.whole_into(whole);
    let planes: Vec<&[f64]> = whole.iter().map(Vec::as_slice).collect();
    out.iter_mut().for_each(Vec::clear);
    ears.process(&planes, out);
    meters.feed_planes(&[&out[0], &out[1]]);
}
