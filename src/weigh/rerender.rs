//! What an immersive master sounds like on a layout, as samples for a file.
//!
//! In: a master's path, a layout, a choice. Out: a WAVE file of 32-bit floats in a writer that
//! the caller opened, and what was rendered. The master is only read.

use std::io::{self, Seek, Write};
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;

use super::Request;
use super::immersive;
use crate::profile::Profile;
use crate::render::binaural::{BinauralRenderer, HeadSet, VIRTUAL_LAYOUT};
use crate::render::float_wave::FloatWave;
use crate::render::{Choice, Deaf, RenderError, Rendered, Renderer, SpeakerLayout};
use crate::specimen::{Block, BlockSink, OpenError, ReadError, Specimen};

/// What to render, and whose ears hear it.
pub struct Rerender<'a> {
    pub master: &'a Path,
    /// A layout of BS.2051, or `binaural`.
    pub layout: &'a str,
    pub choice: &'a Choice,
    pub head: Option<Arc<HeadSet>>,
}

/// What was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Rerendered {
    pub frames: u64,
    pub channels: usize,
    pub sample_rate_hz: u32,
    pub largest: f64,
    /// What was taken as one thing where it could have been another.
    pub remarks: Vec<String>,
}

/// Why there is no render.
#[derive(Debug, thiserror::Error)]
pub enum RerenderError {
    #[error(transparent)]
    Open(#[from] OpenError),
    #[error(transparent)]
    Read(#[from] ReadError),
    #[error("reading the metadata failed")]
    Metadata(#[source] io::Error),
    #[error("it has no audio definition metadata (axml, chna): there is nothing to render")]
    NoMetadata,
    #[error("it cannot be rendered: {0}")]
    Scene(String),
    #[error("it cannot be rendered: {0}")]
    Render(#[from] RenderError),
    #[error("no layout {0:?}")]
    Layout(String),
    #[error(
        "a binaural render needs a set of head-related responses: --head FILE.sofa, or head in the configuration"
    )]
    NoHead,
    #[error("the file cannot be made")]
    Make(#[source] io::Error),
    #[error("writing failed; the file that was begun is not whole")]
    Write(#[source] io::Error),
}

/// Renders a master into what `make` gives, which is called when all that can be known before
/// is known: no file is begun for a master that cannot be rendered.
pub fn rerender<W: Write + Seek>(
    asked: &Rerender,
    profile: &Profile,
    make: impl FnOnce() -> io::Result<W>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Rerendered, RerenderError> {
    let specimen = Specimen::open(asked.master, None)?;
    let request = Request {
        choice: asked.choice,
        ..Request::new(asked.master, profile)
    };
    let read = immersive::metadata(&specimen, &request)
        .map_err(RerenderError::Metadata)?
        .ok_or(RerenderError::NoMetadata)?;
    let scene = match (read.scene, read.not_rendered) {
        (Some(scene), _) => scene,
        (None, why) => return Err(RerenderError::Scene(why.unwrap_or_default())),
    };
    let binaural = asked.layout == "binaural";
    let name = if binaural {
        VIRTUAL_LAYOUT
    } else {
        asked.layout
    };
    let layout =
        SpeakerLayout::named(name).ok_or_else(|| RerenderError::Layout(name.to_owned()))?;
    let rate = specimen.format().sample_rate.value();
    let (tracks, total) = (specimen.format().channels, specimen.identity().bytes);
    let ears = match (&asked.head, binaural) {
        (Some(head), true) => Some(
            BinauralRenderer::new(head, &layout, specimen.format().sample_rate)
                .map_err(RenderError::from)?,
        ),
        (None, true) => return Err(RerenderError::NoHead),
        _ => None,
    };
    let labels = match binaural {
        true => ["M+030", "M-030"]
            .map(|ear| ear.parse().expect("a label"))
            .to_vec(),
        false => layout
            .speakers
            .iter()
            .map(|speaker| speaker.label.clone())
            .collect::<Vec<_>>(),
    };
    let channels = labels.len();
    let renderer = Renderer::new(read.model, scene.clone(), layout.clone(), tracks, rate)?;
    let to = make().map_err(RerenderError::Make)?;
    let mut desk = Desk {
        renderer,
        out: Out {
            whole: vec![Vec::new(); layout.len()],
            ears,
            heard: [Vec::new(), Vec::new()],
            file: FloatWave::new(to, &labels, rate).map_err(RerenderError::Write)?,
            frames: 0,
            largest: 0.0,
            failed: None,
        },
        failed: None,
    };
    specimen.read(false, &mut desk, &mut |done| progress(done, total))?;
    let Desk {
        mut renderer,
        mut out,
        failed,
    } = desk;
    if let Some(error) = failed {
        return Err(error.into());
    }
    renderer.finish(&mut Deaf, &mut |rendered| out.take(&rendered))?;
    out.end();
    if let Some(error) = out.failed {
        return Err(RerenderError::Write(error));
    }
    out.file.finish().map_err(RerenderError::Write)?;
    Ok(Rerendered {
        frames: out.frames,
        channels,
        sample_rate_hz: rate,
        largest: out.largest,
        remarks: scene.remarks.clone(),
    })
}

struct Desk<W: Write + Seek> {
    renderer: Renderer,
    out: Out<W>,
    failed: Option<RenderError>,
}

struct Out<W: Write + Seek> {
    whole: Vec<Vec<f64>>,
    ears: Option<BinauralRenderer>,
    heard: [Vec<f64>; 2],
    file: FloatWave<W>,
    frames: u64,
    largest: f64,
    failed: Option<io::Error>,
}

impl<W: Write + Seek> Out<W> {
    fn take(&mut self, rendered: &Rendered) {
        rendered.whole_into(&mut self.whole);
        if let Some(ears) = &mut self.ears {
            let planes: Vec<&[f64]> = self.whole.iter().map(Vec::as_slice).collect();
            self.heard.iter_mut().for_each(Vec::clear);
            ears.process(&planes, &mut self.heard);
            self.write_heard();
        } else {
            let frames = rendered.frames;
            let whole = std::mem::take(&mut self.whole);
            self.write(&whole, frames);
            self.whole = whole;
        }
    }

    fn end(&mut self) {
        if let Some(ears) = &mut self.ears {
            self.heard.iter_mut().for_each(Vec::clear);
            ears.finish(&mut self.heard);
            self.write_heard();
        }
    }

    fn write_heard(&mut self) {
        let heard = std::mem::take(&mut self.heard);
        let frames = heard[0].len();
        self.write(&heard, frames);
        self.heard = heard;
    }

    fn write(&mut self, planes: &[Vec<f64>], frames: usize) {
        for plane in planes {
            self.largest = plane[..frames]
                .iter()
                .fold(self.largest, |top, x| top.max(x.abs()));
        }
        self.frames += frames as u64;
        if self.failed.is_none()
            && let Err(error) = self.file.write(planes, frames)
        {
            self.failed = Some(error);
        }
    }
}

impl<W: Write + Seek> BlockSink for Desk<W> {
    fn take(&mut self, block: &Block) -> ControlFlow<()> {
        let Self {
            renderer,
            out,
            failed,
        } = self;
        let done = renderer.process(&block.planes(), &mut Deaf, &mut |rendered| {
            out.take(&rendered)
        });
        match done {
            Ok(()) if out.failed.is_none() => ControlFlow::Continue(()),
            Ok(()) => ControlFlow::Break(()),
            Err(error) => {
                *failed = Some(error);
                ControlFlow::Break(())
            }
        }
    }
}
