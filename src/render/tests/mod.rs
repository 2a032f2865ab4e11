//! The panners against the outside: values of the reference renderer of BS.2127 (ear 2.1.0),
//! and properties that hold for every position.

mod blocks;
mod convert;
mod polar;
mod properties;
mod speakers_and_scenes;
