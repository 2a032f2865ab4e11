//! The command line: arguments, what each command prints, exit statuses.
//!
//! In: what was typed. Out: text or JSON on standard output, remarks and progress on standard
//! error, an [`Exit`]. The faces are pure functions from plain data to text; `rooms` alone calls
//! the rooms that do the work. Knows no samples, no SQL, no mail.

mod args;
mod exit;
mod explain;
mod face;
mod find;
mod journal;
mod pool;
mod progress;
mod text;
mod verify;

pub use exit::Exit;
