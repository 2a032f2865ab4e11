//! The renderer: tracks in, loudspeaker signals out, block by block (ITU-R BS.2127-1).
//!
//! Inside, everything is done on chunks of [`CHUNK`] frames counted from the start of the file,
//! whatever the size of the blocks that come in: so the result does not depend on them, bit for
//! bit. Bed (loudspeaker and HOA channels) and objects are summed apart, and are handed out
//! apart: whoever wants the whole adds them. The diffuse path of objects runs through
//! decorrelators; the direct one waits for it and both are handed out in time with the input.

use std::sync::Arc;

use realfft::RealFftPlanner;

use super::convolver::Convolver;
use super::gains::{GainSource, VoiceGains};
use super::mix;
use super::scene::{Feed, Item, Kind, Scene};
use super::speakers::SpeakerLayout;
use super::voice::{Ramp, Step, Stretch, Timeline};
use super::{RenderError, decorrelators};
use crate::adm::Model;

/// Frames that are worked on at a time.
pub const CHUNK: usize = 512;

/// Frames that the delays of matrices hold back, all together: a bound for memory, own choice.
const MAX_HELD_FRAMES: u64 = 1 << 24;

/// Loudspeaker signals of some frames: `[loudspeaker][frame]`, bed and objects apart.
#[derive(Clone, Copy, Debug)]
pub struct Rendered<'a> {
    /// Number of the first frame, from the start of the file.
    pub first_frame: u64,
    pub frames: usize,
    pub bed: &'a [Vec<f64>],
    pub objects: &'a [Vec<f64>],
}

impl Rendered<'_> {
    /// Bed and objects together, one loudspeaker after another, each `frames` long.
    pub fn whole_into(&self, whole: &mut [Vec<f64>]) {
        for ((whole, bed), objects) in whole.iter_mut().zip(self.bed).zip(self.objects) {
            whole.clear();
            whole.extend(
                bed[..self.frames]
                    .iter()
                    .zip(&objects[..self.frames])
                    .map(|(b, o)| b + o),
            );
        }
    }
}

/// One voice over some frames of a chunk, with the gains that it is heard with.
#[derive(Clone, Copy, Debug)]
pub struct Heard<'a> {
    /// Index into the scene's items.
    pub item: usize,
    /// Which channel of an HOA item; 0 otherwise.
    pub part: usize,
    /// Number of the first frame.
    pub first_frame: u64,
    pub samples: &'a [f64],
    /// Per loudspeaker, direct and diffuse, at the start of the ramp (or throughout).
    pub from: &'a [f64],
    pub to: &'a [f64],
    /// `None`: `to` throughout.
    pub ramp: Option<Ramp>,
}

/// Somebody who is told of every voice before it is summed.
pub trait Listener {
    /// Called in the order of items and of time; stretches of silence are told too, with
    /// `samples` all zero, unless the track is silent for the whole chunk.
    fn hear(&mut self, heard: &Heard);
}

/// Hears nothing.
pub struct Deaf;

impl Listener for Deaf {
    fn hear(&mut self, _heard: &Heard) {}
}

/// A voice of the sum: one channel of an item.
struct Voice {
    item: usize,
    part: usize,
    bed: bool,
    feed: Feed,
    timeline: Timeline,
    gains: VoiceGains,
    /// Direct gains, then diffuse ones; of the block before and of the current one.
    from: Vec<f64>,
    to: Vec<f64>,
    /// Blocks whose gains are wanted and not yet calculated: a silent track costs none.
    from_owed: Option<usize>,
    to_owed: Option<usize>,
    done: bool,
    /// For feeds with delays: the last frames of each tap's track.
    memory: Vec<Vec<f64>>,
}

/// A rendering of one scene to one layout, in progress.
pub struct Renderer {
    layout: SpeakerLayout,
    model: Arc<Model>,
    scene: Arc<Scene>,
    gains: GainSource,
    voices: Vec<Voice>,
    /// Frames that came in and are not yet a chunk: `[track][frame]`.
    waiting: Vec<Vec<f64>>,
    waiting_frames: usize,
    tracks: usize,
    next_chunk: u64,
    /// `[loudspeaker]`: sums of the chunk.
    bed: Vec<Vec<f64>>,
    objects: Vec<Vec<f64>>,
    diffuse: Option<Diffuse>,
    feed: Vec<f64>,
    along: Vec<f64>,
    frames_in: u64,
    frames_out: u64,
}

/// The decorrelated path and the wait that the direct path has for it.
struct Diffuse {
    sums: Vec<Vec<f64>>,
    active: Vec<bool>,
    convolvers: Vec<Convolver>,
    /// The last [`decorrelators::DELAY`] frames of each direct sum.
    late_bed: Vec<Vec<f64>>,
    late_objects: Vec<Vec<f64>>,
}

impl Renderer {
    /// A renderer of `scene` for `tracks` tracks at `sample_rate` Hz.
    pub fn new(
        model: Arc<Model>,
        scene: Arc<Scene>,
        layout: SpeakerLayout,
        tracks: usize,
        sample_rate: u32,
    ) -> Result<Self, RenderError> {
        let gains = GainSource::new(&layout)?;
        let count = layout.len();
        let held = scene
            .items
            .iter()
            .flat_map(|item| item.feeds.iter().flatten());
        let held = held.fold(0_u64, |sum, tap| sum.saturating_add(tap.delay_frames));
        if held > MAX_HELD_FRAMES {
            return Err(RenderError::Delays {
                frames: held,
                most: MAX_HELD_FRAMES,
            });
        }
        let mut voices = Vec::new();
        for (index, item) in scene.items.iter().enumerate() {
            for (part, feed) in item.feeds.iter().enumerate() {
                if let Some(tap) = feed.iter().find(|tap| tap.track >= tracks) {
                    return Err(RenderError::NoTrack {
                        track: tap.track + 1,
                        tracks,
                    });
                }
                let memory = match feed.iter().any(|tap| tap.delay_frames > 0) {
                    true => feed
                        .iter()
                        .map(|tap| vec![0.0; usize::try_from(tap.delay_frames).unwrap_or(0)])
                        .collect(),
                    false => Vec::new(),
                };
                voices.push(Voice {
                    item: index,
                    part,
                    bed: item.is_bed(),
                    feed: feed.clone(),
                    timeline: Timeline::new(item.object_time(), sample_rate),
                    gains: VoiceGains::new(&model, item, part),
                    from: vec![0.0; 2 * count],
                    to: vec![0.0; 2 * count],
                    from_owed: None,
                    to_owed: None,
                    done: feed.is_empty(),
                    memory,
                });
            }
        }
        let diffuse = scene
            .items
            .iter()
            .any(|item| item.has_diffuse(&model))
            .then(|| {
                let mut planner = RealFftPlanner::new();
                Diffuse {
                    sums: vec![vec![0.0; CHUNK]; count],
                    active: vec![false; count],
                    convolvers: decorrelators::filters(&layout)
                        .iter()
                        .map(|taps| Convolver::new(&mut planner, taps))
                        .collect(),
                    late_bed: vec![vec![0.0; decorrelators::DELAY]; count],
                    late_objects: vec![vec![0.0; decorrelators::DELAY]; count],
                }
            });
        Ok(Self {
            model,
            scene,
            gains,
            voices,
            waiting: vec![vec![0.0; CHUNK]; tracks],
            waiting_frames: 0,
            tracks,
            next_chunk: 0,
            bed: vec![vec![0.0; CHUNK]; count],
            objects: vec![vec![0.0; CHUNK]; count],
            diffuse,
            feed: vec![0.0; CHUNK],
            along: vec![0.0; CHUNK],
            frames_in: 0,
            frames_out: 0,
            layout,
        })
    }

    pub fn layout(&self) -> &SpeakerLayout {
        &self.layout
    }

    /// Takes `tracks[track][frame]` (all equally long) and hands out what is ready, in chunks.
    pub fn process(
        &mut self,
        tracks: &[&[f64]],
        listener: &mut dyn Listener,
        sink: &mut dyn FnMut(Rendered),
    ) -> Result<(), RenderError> {
        assert_eq!(
            tracks.len(),
            self.tracks,
            "as many tracks as the renderer was made for"
        );
        let frames = tracks.first().map_or(0, |track| track.len());
        self.frames_in += frames as u64;
        let mut at = 0;
        while at < frames {
            if self.waiting_frames == 0 && frames - at >= CHUNK {
                // A whole chunk is read where it lies.
                let chunk = |track: usize| &tracks[track][at..at + CHUNK];
                self.chunk(&chunk, listener)?;
                at += CHUNK;
                self.hand_out(sink, u64::MAX);
                continue;
            }
            let take = (CHUNK - self.waiting_frames).min(frames - at);
            for (waiting, track) in self.waiting.iter_mut().zip(tracks) {
                waiting[self.waiting_frames..self.waiting_frames + take]
                    .copy_from_slice(&track[at..at + take]);
            }
            self.waiting_frames += take;
            at += take;
            if self.waiting_frames == CHUNK {
                self.waiting_chunk(listener)?;
                self.hand_out(sink, u64::MAX);
            }
        }
        Ok(())
    }

    /// Hands out the rest: as many frames in all as came in.
    pub fn finish(
        &mut self,
        listener: &mut dyn Listener,
        sink: &mut dyn FnMut(Rendered),
    ) -> Result<(), RenderError> {
        while self.frames_out < self.frames_in {
            for waiting in &mut self.waiting {
                waiting[self.waiting_frames..].fill(0.0);
            }
            self.waiting_chunk(listener)?;
            self.hand_out(sink, self.frames_in);
        }
        Ok(())
    }

    fn waiting_chunk(&mut self, listener: &mut dyn Listener) -> Result<(), RenderError> {
        let waiting = std::mem::take(&mut self.waiting);
        let result = self.chunk(&|track: usize| waiting[track].as_slice(), listener);
        self.waiting = waiting;
        self.waiting_frames = 0;
        result
    }

    /// Sums one chunk of all voices.
    fn chunk<'t>(
        &mut self,
        track: &dyn Fn(usize) -> &'t [f64],
        listener: &mut dyn Listener,
    ) -> Result<(), RenderError> {
        let first = self.next_chunk * CHUNK as u64;
        let end = first + CHUNK as u64;
        self.next_chunk += 1;
        for sum in self.bed.iter_mut().chain(&mut self.objects) {
            sum.fill(0.0);
        }
        if let Some(diffuse) = &mut self.diffuse {
            for (sum, active) in diffuse.sums.iter_mut().zip(&mut diffuse.active) {
                if std::mem::take(active) {
                    sum.fill(0.0);
                }
            }
        }
        let count = self.layout.len();
        for voice in &mut self.voices {
            if voice.done {
                continue;
            }
            let samples = match voice.feed.as_slice() {
                [tap] if tap.gain == 1.0 && tap.delay_frames == 0 => track(tap.track),
                _ => {
                    self.feed.fill(0.0);
                    for (index, tap) in voice.feed.iter().enumerate() {
                        let samples = track(tap.track);
                        match voice.memory.get_mut(index) {
                            Some(memory) if !memory.is_empty() => {
                                delayed(samples, memory, tap.gain, &mut self.feed);
                            }
                            _ => mix::add(samples, tap.gain, &mut self.feed),
                        }
                    }
                    self.feed.as_slice()
                }
            };
            let silent = mix::silent(samples);
            let item = &self.scene.items[voice.item];
            while let Some(stretch) = next_stretch(voice, &self.model, item, first, end)? {
                let (from, to) = (stretch.from.max(first), stretch.to.min(end));
                if from < to && !silent {
                    let range = (from - first) as usize..(to - first) as usize;
                    let samples = &samples[range.clone()];
                    voice.settle_gains(&self.model, &self.scene, &mut self.gains, stretch)?;
                    listener.hear(&Heard {
                        item: voice.item,
                        part: voice.part,
                        first_frame: from,
                        samples,
                        from: &voice.from,
                        to: &voice.to,
                        ramp: stretch.ramp,
                    });
                    let along = match stretch.ramp {
                        Some(ramp) => {
                            let along = &mut self.along[..samples.len()];
                            mix::along(samples, ramp.offset(from), ramp.slope(), along);
                            Some(&*along)
                        }
                        None => None,
                    };
                    let sums = if voice.bed {
                        &mut self.bed
                    } else {
                        &mut self.objects
                    };
                    for (speaker, sum) in sums.iter_mut().enumerate() {
                        let gains = (voice.from[speaker], voice.to[speaker]);
                        add(samples, along, gains, &mut sum[range.clone()]);
                    }
                    if let Some(diffuse) = &mut self.diffuse {
                        for speaker in 0..count {
                            let gains = (voice.from[count + speaker], voice.to[count + speaker]);
                            diffuse.active[speaker] |= add(
                                samples,
                                along,
                                gains,
                                &mut diffuse.sums[speaker][range.clone()],
                            );
                        }
                    }
                }
                if stretch.to > end {
                    break;
                }
                voice.timeline.pass();
                if stretch.to == end {
                    break;
                }
            }
        }
        Ok(())
    }

    /// Hands out the frames of the chunk that was just summed, in time with the input, and none
    /// at or after `limit`.
    fn hand_out(&mut self, sink: &mut dyn FnMut(Rendered), limit: u64) {
        let limit = usize::try_from(limit - self.frames_out).unwrap_or(usize::MAX);
        let Some(diffuse) = &mut self.diffuse else {
            let frames = CHUNK.min(limit);
            sink(Rendered {
                first_frame: self.frames_out,
                frames,
                bed: &self.bed,
                objects: &self.objects,
            });
            self.frames_out += frames as u64;
            return;
        };
        let skip = if self.next_chunk == 1 {
            decorrelators::DELAY
        } else {
            0
        };
        for (sums, late) in [
            (&mut self.bed, &mut diffuse.late_bed),
            (&mut self.objects, &mut diffuse.late_objects),
        ] {
            for (sum, late) in sums.iter_mut().zip(late) {
                delay(sum, late);
            }
        }
        for (speaker, convolver) in diffuse.convolvers.iter_mut().enumerate() {
            let silent = !diffuse.active[speaker];
            convolver.add(&diffuse.sums[speaker], silent, &mut self.objects[speaker]);
        }
        let frames = (CHUNK - skip).min(limit);
        if skip > 0 {
            for sum in self.bed.iter_mut().chain(&mut self.objects) {
                sum.copy_within(skip.., 0);
            }
        }
        sink(Rendered {
            first_frame: self.frames_out,
            frames,
            bed: &self.bed,
            objects: &self.objects,
        });
        self.frames_out += frames as u64;
    }
}

impl Voice {
    /// Calculates the gains that `stretch` needs.
    fn settle_gains(
        &mut self,
        model: &Model,
        scene: &Scene,
        source: &mut GainSource,
        stretch: Stretch,
    ) -> Result<(), RenderError> {
        let item = &scene.items[self.item];
        if stretch.ramp.is_some()
            && let Some(index) = self.from_owed.take()
        {
            self.gains
                .gains(model, scene, item, index, source, &mut self.from)?;
        }
        if let Some(index) = self.to_owed.take() {
            self.gains
                .gains(model, scene, item, index, source, &mut self.to)?;
        }
        Ok(())
    }
}

/// The stretch of `voice` that reaches into `first..end`, going on to further blocks as needed.
fn next_stretch(
    voice: &mut Voice,
    model: &Model,
    item: &Item,
    first: u64,
    end: u64,
) -> Result<Option<Stretch>, RenderError> {
    loop {
        match voice.timeline.current() {
            Some(stretch) if stretch.to <= first => voice.timeline.pass(),
            Some(stretch) if stretch.from >= end => return Ok(None),
            Some(stretch) => return Ok(Some(stretch)),
            None => {
                let source = &voice.gains;
                let step = voice
                    .timeline
                    .advance(|index| source.timing(model, item, index))
                    .map_err(|error| error.in_channel(model, item, voice.part))?;
                match step {
                    Step::Done => {
                        voice.done = true;
                        return Ok(None);
                    }
                    Step::Block { index } => {
                        std::mem::swap(&mut voice.from, &mut voice.to);
                        voice.from_owed = voice.to_owed;
                        voice.to_owed = Some(index);
                    }
                }
            }
        }
    }
}

/// Adds with fixed or sloped gains; says whether there was anything to add.
fn add(samples: &[f64], along: Option<&[f64]>, gains: (f64, f64), to: &mut [f64]) -> bool {
    match along {
        Some(along) if gains.0 != gains.1 => {
            mix::add_sloped(samples, along, gains.0, gains.1, to);
            true
        }
        _ if gains.1 != 0.0 => {
            mix::add(samples, gains.1, to);
            true
        }
        _ => false,
    }
}

/// Delays `block` by as many frames as `late` holds; what falls out at the end is kept there.
fn delay(block: &mut [f64], late: &mut [f64]) {
    let length = late.len();
    let keep = block.len() - length;
    let mut tail = [0.0; decorrelators::DELAY];
    tail[..length].copy_from_slice(&block[keep..]);
    block.copy_within(..keep, length);
    block[..length].copy_from_slice(late);
    late.copy_from_slice(&tail[..length]);
}

/// Adds `gain` times `samples`, late by as many frames as `memory` holds.
fn delayed(samples: &[f64], memory: &mut Vec<f64>, gain: f64, to: &mut [f64]) {
    let length = memory.len();
    memory.extend_from_slice(samples);
    mix::add(&memory[..samples.len()], gain, to);
    memory.drain(..samples.len());
    debug_assert_eq!(memory.len(), length);
}

impl Item {
    /// The blocks of an object may be diffuse.
    fn has_diffuse(&self, model: &Model) -> bool {
        match (&self.kind, self.kind.blocks(model)) {
            (Kind::Object { .. }, crate::adm::block::Blocks::Objects(blocks)) => {
                blocks.traits.iter().any(|traits| traits.diffuse != 0.0)
            }
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::adm::parse::{Limits, parse};
    use crate::render::{Choice, select};

    impl Renderer {
        /// Samples and gains that there is room for.
        fn room(&self) -> usize {
            let rows = |rows: &[Vec<f64>]| rows.iter().map(Vec::capacity).sum::<usize>();
            let voices = self
                .voices
                .iter()
                .map(|voice| rows(&voice.memory) + voice.from.capacity() + voice.to.capacity());
            let diffuse = self.diffuse.as_ref().map_or(0, |diffuse| {
                rows(&diffuse.sums) + rows(&diffuse.late_bed) + rows(&diffuse.late_objects)
            });
            voices.sum::<usize>()
                + rows(&self.waiting)
                + rows(&self.bed)
                + rows(&self.objects)
                + diffuse
                + self.feed.capacity()
                + self.along.capacity()
        }
    }

    /// Half a minute of noise, then of silence, in blocks of uneven size.
    #[test]
    fn memory_does_not_grow_with_the_audio() {
        let xml = include_str!("whole_renders/data/reference.xml");
        let rows = crate::render::whole_renders::rows_of(xml);
        let model = Arc::new(
            parse(xml.as_bytes(), &Limits::default(), &rows)
                .unwrap()
                .model,
        );
        // Filters; delays.
        for programme in ["APR_1005", "APR_100a"] {
            let choice = Choice {
                programme: Some(programme.to_owned()),
                ..Choice::default()
            };
            let scene = Arc::new(select(&model, &choice, 48_000).unwrap());
            let layout = SpeakerLayout::named("0+5+0").unwrap();
            let mut renderer = Renderer::new(Arc::clone(&model), scene, layout, 9, 48_000).unwrap();
            let noise = crate::render::whole_renders::noise(1, 10_007);
            let silence = vec![0.0; 10_007];
            let mut room = 0;
            for round in 0..280 {
                let samples = if round < 140 { &noise } else { &silence };
                let tracks = [samples.as_slice(); 9];
                renderer.process(&tracks, &mut Deaf, &mut |_| {}).unwrap();
                match round {
                    0 => room = renderer.room(),
                    _ => assert_eq!(renderer.room(), room, "round {round}"),
                }
            }
        }
    }
}
