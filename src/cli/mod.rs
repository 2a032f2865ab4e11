//! The command line: arguments, what each command prints, exit statuses.
//!
//! In: what was typed. Out: text or JSON on standard output, remarks and progress on standard
//! error, an [`Exit`]. `face`, `journal`, `explain`, `verify`, `progress` are pure functions from
//! plain data to text; `commands`, `weigh` and `look` call the rooms that do the work. Knows no
//! samples, no SQL, no mail.

mod args;
mod commands;
mod exit;
mod explain;
mod face;
mod find;
mod jobs;
mod journal;
mod look;
mod output;
mod pool;
mod progress;
mod render;
mod rules;
mod selfcheck;
mod text;
mod trial;
mod verify;
mod weigh;

pub use args::Args;
pub use commands::execute;
pub use exit::Exit;
