//! The survey before the judge.
