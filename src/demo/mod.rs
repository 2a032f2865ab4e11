//! The invented scenario and what it needs to run on one machine alone: music from seeds, a
//! studio's configuration, a mail receiver, and the real daemon as a child process.

pub mod adm_file;
mod check;
mod daemon;
pub mod immersive;
mod live;
pub mod music;
pub mod receiver;
mod run;
pub mod scenario;
pub mod studio;
pub mod summary;

pub use run::run;
