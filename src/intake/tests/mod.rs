//! The real scanner thread on real folders. Time is short (200 ms to settle) but never the
//! proof: each test waits for a condition, with a deadline.

mod coming;
mod roots;
mod share;
mod things;
