//! `render`: what an immersive master sounds like on a layout, written as a file.
//!
//! In: a master, a layout, a name that no file has yet. Out: the file, and one line that says
//! what it is. No file is begun for a master that cannot be rendered, and none is removed.

use std::fs::OpenOptions;
use std::io::{BufWriter, ErrorKind};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, bail};

use super::args;
use super::exit::Exit;
use super::output::{Output, said};
use super::progress::{Board, Meter};
use crate::judge;
use crate::record::printable;
use crate::render::RENDERER;
use crate::render::binaural::HeadSet;
use crate::weigh::{Rerender, RerenderError, rerender};

/// Over this a render can hurt where it is played at the level of the rest. Own choice.
const LOUD: f64 = 1.0;

pub fn run(asked: &args::Render, out: &mut Output) -> anyhow::Result<Exit> {
    let profiles = judge::load_profiles(None).map_err(said)?;
    let profile = super::rules::named(&profiles, "any-audio")?;
    let head = head(asked.head.clone(), asked.layout == "binaural")?;
    let bytes = std::fs::metadata(&asked.master).map_or(0, |metadata| metadata.len());
    let meter = Meter::of(bytes);
    meter.begin();
    let mut board = Board::on_stderr(out.columns_of_stderr());
    let name = shown(&asked.master);
    let done = rerender(
        &Rerender {
            master: &asked.master,
            layout: &asked.layout,
            choice: &asked.choice.choice(),
            head: head.clone(),
        },
        profile,
        || {
            let file = OpenOptions::new()
                .write(true)
                .create_new(true)
                .open(&asked.out)?;
            Ok(BufWriter::with_capacity(1 << 20, file))
        },
        &mut |done, total| {
            meter.advance(done, total);
            if board.is_shown() {
                board.draw("rendering", &[(name.as_str(), meter.look())]);
            }
        },
    );
    board.clear();
    let done = match done {
        Ok(done) => done,
        Err(RerenderError::Make(error)) if error.kind() == ErrorKind::AlreadyExists => bail!(
            "{} is there already: nothing is written over a file; give another name",
            shown(&asked.out)
        ),
        Err(error @ (RerenderError::Make(_) | RerenderError::Write(_))) => {
            return Err(error).with_context(|| shown(&asked.out));
        }
        Err(error) => return Err(error).with_context(|| name.clone()),
    };
    let seconds = done.frames as f64 / f64::from(done.sample_rate_hz);
    let whose = head
        .filter(|_| asked.layout == "binaural")
        .map_or(String::new(), |head| {
            format!(
                ", heard through {} (BLAKE3 {})",
                head.facts().name,
                head.facts().digest_blake3
            )
        });
    out.print(&format!(
        "{}: {} channels, {:.3} s, {} Hz, 32-bit float; {} rendered to {} by {RENDERER}{whose}\n",
        shown(&asked.out),
        done.channels,
        seconds,
        done.sample_rate_hz,
        name,
        asked.layout,
    ))?;
    for remark in &done.remarks {
        out.print(&format!("{remark}\n"))?;
    }
    if done.largest > LOUD {
        out.print(&format!(
            "It goes {:.1} dB over full scale: turn the level down before you listen, and follow your house's rules on hearing.\n",
            20.0 * done.largest.log10()
        ))?;
    }
    Ok(Exit::Fine)
}

/// The set of head-related responses, where one is named; an error where one is wanted and
/// none is named, or the file cannot be read.
pub fn head(path: Option<PathBuf>, wanted: bool) -> anyhow::Result<Option<Arc<HeadSet>>> {
    match path {
        Some(path) => {
            let head = HeadSet::open(&path).with_context(|| shown(&path))?;
            Ok(Some(Arc::new(head)))
        }
        None if wanted => bail!(
            "a binaural render needs a set of head-related responses (AES69): --head FILE.sofa"
        ),
        None => Ok(None),
    }
}

fn shown(path: &Path) -> String {
    printable(path.as_os_str())
}
