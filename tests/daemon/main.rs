//! The real binary on real folders, with a real mail receiver: one file for each promise.
//!
//! One test binary for all, since the tests mostly wait and can wait together.

#[path = "../support/mod.rs"]
mod support;

mod custody;
mod junk;
mod mail;
mod memory;
mod mistakes;
mod mixes;
mod restart;
mod service;
mod settling;
mod systemd;
mod trial;
