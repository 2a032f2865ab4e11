//! Standard output and standard error: how wide, in colour or not, and what a broken pipe means.

use std::io::{self, IsTerminal, Write};

use rustix::termios;

use super::text::Paint;

/// Width where nobody says one: every face is made to be read at 80.
const USUAL_COLUMNS: usize = 80;

/// Standard output.
pub struct Output {
    columns: usize,
    paint: Paint,
}

impl Output {
    pub fn new() -> Self {
        let stdout = io::stdout();
        let terminal = stdout.is_terminal();
        let set = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
        let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
        Self {
            columns: if terminal {
                width_of(&stdout)
            } else {
                USUAL_COLUMNS
            },
            // NO_COLOR: no-color.org, "when present and not an empty string".
            paint: if terminal && !set("NO_COLOR") && !dumb {
                Paint::Colour
            } else {
                Paint::Plain
            },
        }
    }

    pub fn columns(&self) -> usize {
        self.columns
    }

    pub fn columns_of_stderr(&self) -> usize {
        width_of(&io::stderr())
    }

    pub fn paint(&self) -> Paint {
        self.paint
    }

    /// Writes and flushes, so that a reader sees each file when it is done.
    pub fn print(&mut self, text: &str) -> io::Result<()> {
        let mut stdout = io::stdout().lock();
        stdout.write_all(text.as_bytes())?;
        stdout.flush()
    }
}

impl Default for Output {
    fn default() -> Self {
        Self::new()
    }
}

/// Lines longer than 120 are hard to follow, shorter than 40 break every row: own choice.
fn width_of(stream: &impl std::os::fd::AsFd) -> usize {
    match termios::tcgetwinsize(stream) {
        Ok(size) if size.ws_col > 0 => usize::from(size.ws_col).clamp(40, 120),
        _ => USUAL_COLUMNS,
    }
}

/// A remark on standard error. One that nobody can read is no reason to stop.
pub fn remark(says: &str) {
    let _ = writeln!(io::stderr().lock(), "weighbridge: {says}");
}

/// An error whose own text is the whole message, sources included.
pub fn said(error: impl std::error::Error) -> anyhow::Error {
    anyhow::Error::msg(error.to_string())
}

/// Whether this is the end of a pipe whose reader had enough (`| head`).
pub fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .downcast_ref::<io::Error>()
        .is_some_and(|error| error.kind() == io::ErrorKind::BrokenPipe)
}
