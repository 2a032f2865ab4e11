//! The only SQL: what was seen, weighed, decided, moved and mailed. One writer thread owns the
//! connection. Knows no audio.

mod events;

pub use events::{CustodyEvent, CustodyEventKind};
