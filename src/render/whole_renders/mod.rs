//! Whole renders: a document and tracks in, loudspeaker signals out, held against the reference
//! renderer of BS.2127 (ear 2.1.0), against formulas, and against what must hold for any master.

mod choices;
mod master;
mod matrices_and_scenes;
mod properties;
mod reference;
mod timing;

use std::sync::Arc;

use super::{Choice, Deaf, Renderer, SpeakerLayout, select};
use crate::adm::Model;
use crate::adm::chna::ChnaRow;
use crate::adm::parse::{Limits, parse};

/// The rows of chna for a document whose UIDs end in the number of their track.
pub(super) fn rows_of(xml: &str) -> Vec<ChnaRow> {
    xml.split("<audioTrackUID UID=\"")
        .skip(1)
        .map(|rest| ChnaRow {
            track_index: u16::from_str_radix(&rest[8..12], 16).unwrap(),
            uid: rest[..12].to_owned(),
            ..ChnaRow::default()
        })
        .collect()
}

fn model_of(xml: &str) -> Arc<Model> {
    let rows = rows_of(xml);
    Arc::new(
        parse(xml.as_bytes(), &Limits::default(), &rows)
            .unwrap()
            .model,
    )
}

/// What is to be heard of a model, and how.
struct Play<'a> {
    model: &'a Arc<Model>,
    choice: Choice,
    layout: &'a str,
    sample_rate: u32,
    /// Lengths of the blocks that go in, again and again.
    cuts: &'a [usize],
}

impl<'a> Play<'a> {
    fn new(model: &'a Arc<Model>, layout: &'a str) -> Self {
        Self {
            model,
            choice: Choice::default(),
            layout,
            sample_rate: 48000,
            cuts: &[4096],
        }
    }

    /// Bed and objects together, `[loudspeaker][frame]`; why not, in words.
    fn hear(&self, tracks: &[Vec<f64>]) -> Result<Vec<Vec<f64>>, String> {
        let words = |error: &dyn std::error::Error| error.to_string();
        let scene =
            select(self.model, &self.choice, self.sample_rate).map_err(|error| words(&error))?;
        let layout = SpeakerLayout::named(self.layout).unwrap();
        let mut heard = vec![Vec::new(); layout.len()];
        let (model, scene) = (Arc::clone(self.model), Arc::new(scene));
        let mut renderer = Renderer::new(model, scene, layout, tracks.len(), self.sample_rate)
            .map_err(|error| words(&error))?;
        let mut sink = |rendered: super::Rendered| {
            for ((heard, bed), objects) in heard.iter_mut().zip(rendered.bed).zip(rendered.objects)
            {
                let frames = bed.iter().zip(objects).take(rendered.frames);
                heard.extend(frames.map(|(bed, object)| bed + object));
            }
        };
        let frames = tracks.first().map_or(0, Vec::len);
        let mut at = 0;
        for cut in self.cuts.iter().cycle() {
            if at >= frames {
                break;
            }
            let to = (at + cut).min(frames);
            let block: Vec<&[f64]> = tracks.iter().map(|track| &track[at..to]).collect();
            renderer
                .process(&block, &mut Deaf, &mut sink)
                .map_err(|error| words(&error))?;
            at = to;
        }
        renderer
            .finish(&mut Deaf, &mut sink)
            .map_err(|error| words(&error))?;
        Ok(heard)
    }
}

/// A linear congruential noise between -1/2 and 1/2, the same as in data/make_reference.py.
pub(super) fn noise(track: usize, frames: usize) -> Vec<f64> {
    let mut x = u32::try_from(track).unwrap();
    let next = || {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(x >> 8) / f64::from(1 << 24) - 0.5
    };
    std::iter::repeat_with(next).take(frames).collect()
}

/// Tracks that hold their own number, from 1, all the time.
fn numbers(tracks: usize, frames: usize) -> Vec<Vec<f64>> {
    (1..=tracks)
        .map(|track| vec![track as f64; frames])
        .collect()
}

/// What every loudspeaker plays at one frame.
fn at(heard: &[Vec<f64>], frame: usize) -> Vec<f64> {
    heard.iter().map(|speaker| speaker[frame]).collect()
}

#[track_caller]
fn assert_near(heard: &[f64], expected: &[f64]) {
    assert_eq!(heard.len(), expected.len());
    // Sums of a few products: the last digits of a double.
    let near = heard
        .iter()
        .zip(expected)
        .all(|(a, b)| (a - b).abs() < 1e-12);
    assert!(near, "{heard:?} is not {expected:?}");
}
