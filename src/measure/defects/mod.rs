//! Defects: what got into the sound by accident, on the way or on the wire.

pub mod hum;
