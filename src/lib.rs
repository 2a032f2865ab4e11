//! The rooms of the house, in the order in which a room may use another: each one
//! stands only on rooms listed above it (`tests/house.rs` holds every `use crate::`
//! against this list). DEVELOPERS.md tells what each room owns.
#![deny(unsafe_code)]

pub mod layout;
pub mod measured;
pub mod names;
pub mod units;
mod vector;

pub mod config;
pub mod profile;

pub mod intake;
pub mod specimen;

pub mod adm;

pub mod render;

pub mod compare;

pub mod measure;

pub mod judge;

pub mod weigh;

pub mod ledger;

pub mod custody;

pub mod record;

pub mod release;

pub mod notice;

pub mod crew;

pub mod service;

pub mod run;

pub mod cli;
pub mod demo;
