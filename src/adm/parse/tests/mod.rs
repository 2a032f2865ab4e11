//! Tests of the reader of axml chunks.

mod hostile;
mod speed;
mod values;

use std::io::{self, Read};

use super::{Limits, Parsed, parse};

/// A reader that makes its text on the way, piece by piece, until a piece is empty.
pub(super) struct Generated<F> {
    piece: Vec<u8>,
    at: usize,
    next: F,
}

impl<F: FnMut(&mut Vec<u8>)> Generated<F> {
    pub fn new(next: F) -> io::BufReader<Self> {
        io::BufReader::with_capacity(
            1 << 16,
            Self {
                piece: Vec::new(),
                at: 0,
                next,
            },
        )
    }
}

impl<F: FnMut(&mut Vec<u8>)> Read for Generated<F> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.at == self.piece.len() {
            self.piece.clear();
            self.at = 0;
            (self.next)(&mut self.piece);
        }
        let count = out.len().min(self.piece.len() - self.at);
        out[..count].copy_from_slice(&self.piece[self.at..self.at + count]);
        self.at += count;
        Ok(count)
    }
}

/// Reads a document that stands in the test.
pub(super) fn read(text: &str) -> Parsed {
    parse(text.as_bytes(), &Limits::default(), &[]).unwrap()
}

/// Reads the inside of an audioFormatExtended.
pub(super) fn inside(text: &str) -> Parsed {
    read(&format!(
        "<ituADM><audioFormatExtended>{text}</audioFormatExtended></ituADM>"
    ))
}

/// Class names of the findings, in order.
pub(super) fn classes(parsed: &Parsed) -> Vec<&'static str> {
    parsed
        .findings
        .iter()
        .map(|finding| finding.class.name())
        .collect()
}
