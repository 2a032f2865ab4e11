//! The bytes of an axml chunk on their way into the XML reader: bounded, and UTF-8 throughout.
//!
//! In: any reader. Out: a `BufRead` that ends with a [`Halt`] at the first byte that must not be
//! read on: what is no UTF-8, a control character, a token or a document beyond its bound.
//! Counts bytes and lines, so that a fault has a place. Holds one piece of the text at a time.
//! Knows nothing of elements.

use std::fmt;
use std::io::{self, BufRead, Read};

use crate::adm::finding::Class;

/// How much is read at once.
const PIECE: usize = 128 * 1024;

/// Why reading stopped for good: a fault of the document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Halt {
    pub class: Class,
    pub says: String,
}

impl fmt::Display for Halt {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&self.says)
    }
}

impl std::error::Error for Halt {}

pub(super) struct Source<R> {
    inner: R,
    piece: Vec<u8>,
    /// `piece[at..good]` is checked and not yet consumed, `piece[good..filled]` not yet checked.
    at: usize,
    good: usize,
    filled: usize,
    /// Bytes and lines before the piece.
    bytes_before: u64,
    lines_before: u64,
    /// Bytes consumed since the token began.
    token: u64,
    token_limit: u64,
    bytes_limit: u64,
    /// What stands behind the good bytes, if they are not followed by more.
    wall: Option<Wall>,
    /// The document's element is closed: only padding may follow.
    root_closed: bool,
    started: bool,
    ended: bool,
}

#[derive(Clone, Copy)]
enum Wall {
    NotUtf8(u8),
    Control(u8),
}

impl<R: BufRead> Source<R> {
    pub fn new(inner: R, token_limit: u64, bytes_limit: u64) -> Self {
        Self {
            inner,
            piece: vec![0; PIECE],
            at: 0,
            good: 0,
            filled: 0,
            bytes_before: 0,
            lines_before: 0,
            token: 0,
            token_limit,
            bytes_limit,
            wall: None,
            root_closed: false,
            started: false,
            ended: false,
        }
    }

    /// A new token begins: its bound is counted from here.
    pub fn begin_token(&mut self) {
        self.token = 0;
    }

    pub fn close_root(&mut self) {
        self.root_closed = true;
    }

    /// Bytes consumed.
    pub fn bytes(&self) -> u64 {
        self.bytes_before + self.at as u64
    }

    /// The line of the next byte, from 1.
    pub fn line(&self) -> u64 {
        self.lines_before + lines(&self.piece[..self.at]) + 1
    }

    fn read_more(&mut self) -> io::Result<usize> {
        loop {
            match self.inner.read(&mut self.piece[self.filled..]) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                result => return result,
            }
        }
    }

    /// What is seldom to be done before bytes are handed out.
    #[cold]
    fn prepare(&mut self) -> io::Result<()> {
        if self.token > self.token_limit {
            return halt(
                Class::AxmlTooLarge,
                format!(
                    "one tag, text or comment is longer than {} bytes",
                    self.token_limit
                ),
            );
        }
        self.refill()
    }

    /// Makes some good bytes, unless the document ends.
    fn refill(&mut self) -> io::Result<()> {
        while self.at == self.good && !self.ended {
            if let Some(wall) = self.wall {
                return self.meet(wall);
            }
            self.bytes_before += self.at as u64;
            self.lines_before += lines(&self.piece[..self.at]);
            self.piece.copy_within(self.good..self.filled, 0);
            self.filled -= self.good;
            (self.at, self.good) = (0, 0);
            let read = self.read_more()?;
            self.filled += read;
            if read == 0 {
                self.ended = true;
                if self.filled > 0 {
                    return self.meet(Wall::NotUtf8(self.piece[0]));
                }
            }
            if self.bytes_before + self.filled as u64 > self.bytes_limit {
                return halt(
                    Class::AxmlTooLarge,
                    format!("the document is larger than {} bytes", self.bytes_limit),
                );
            }
            if !self.started && self.filled > 0 {
                self.started = true;
                self.refuse_utf16()?;
            }
            self.check();
        }
        Ok(())
    }

    /// Every encoding but UTF-8 that XML 1.0, Appendix F, tells apart by its first bytes.
    fn refuse_utf16(&self) -> io::Result<()> {
        let head = &self.piece[..self.filled];
        let known = [
            &[0xfe, 0xff][..],
            &[0xff, 0xfe],
            &[0, b'<'],
            &[b'<', 0],
            &[0, 0, 0, b'<'],
        ];
        if known.iter().any(|start| head.starts_with(start)) {
            return halt(
                Class::AxmlEncoding,
                "the document is UTF-16 or UTF-32; UTF-8 is wanted".to_owned(),
            );
        }
        Ok(())
    }

    /// Moves `good` over what may be read, and puts up a wall where that is not everything.
    fn check(&mut self) {
        let fresh = &self.piece[self.good..self.filled];
        let mut sound = fresh.len();
        if let Err(error) = std::str::from_utf8(fresh) {
            sound = error.valid_up_to();
            if error.error_len().is_some() {
                self.wall = Some(Wall::NotUtf8(fresh[sound]));
            }
        }
        // Char of XML 1.0, clause 2.2. The first look is over all bytes at once: nearly
        // always there is none.
        let forbidden = |byte: u8| byte < 0x20 && !matches!(byte, b'\t' | b'\n' | b'\r');
        if fresh[..sound]
            .iter()
            .fold(false, |any, &b| any | forbidden(b))
            && let Some(found) = fresh[..sound].iter().position(|&byte| forbidden(byte))
        {
            self.wall = Some(Wall::Control(fresh[found]));
            sound = found;
        }
        self.good += sound;
    }

    fn meet(&mut self, wall: Wall) -> io::Result<()> {
        match wall {
            Wall::Control(0) if self.root_closed => self.read_padding(),
            Wall::Control(byte) => halt(
                Class::AxmlSyntax,
                format!("byte 0x{byte:02X} may not stand in XML"),
            ),
            Wall::NotUtf8(byte) => halt(
                Class::AxmlEncoding,
                format!("byte 0x{byte:02X} is not UTF-8"),
            ),
        }
    }

    /// Zeros and spaces to the end: chunks are sometimes written larger than their text.
    fn read_padding(&mut self) -> io::Result<()> {
        loop {
            let rest = &self.piece[self.at..self.filled];
            if let Some(other) = rest.iter().find(|&&b| b != 0 && !b.is_ascii_whitespace()) {
                return halt(
                    Class::AxmlSyntax,
                    format!("byte 0x{other:02X} stands behind the end of the document"),
                );
            }
            self.bytes_before += self.filled as u64;
            self.lines_before += lines(&self.piece[..self.filled]);
            (self.at, self.good, self.filled) = (0, 0, 0);
            self.filled = self.read_more()?;
            if self.filled == 0 {
                self.ended = true;
                return Ok(());
            }
            if self.bytes_before + self.filled as u64 > self.bytes_limit {
                return halt(
                    Class::AxmlTooLarge,
                    format!("the document is larger than {} bytes", self.bytes_limit),
                );
            }
        }
    }
}

impl<R: BufRead> Read for Source<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let available = self.fill_buf()?;
        let count = available.len().min(out.len());
        out[..count].copy_from_slice(&available[..count]);
        self.consume(count);
        Ok(count)
    }
}

impl<R: BufRead> BufRead for Source<R> {
    #[inline]
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.at == self.good || self.token > self.token_limit {
            self.prepare()?;
        }
        Ok(&self.piece[self.at..self.good])
    }

    #[inline]
    fn consume(&mut self, amount: usize) {
        self.at += amount;
        self.token += amount as u64;
    }
}

fn halt<T>(class: Class, says: String) -> io::Result<T> {
    Err(io::Error::other(Halt { class, says }))
}

fn lines(bytes: &[u8]) -> u64 {
    // In stretches that a byte can count: sixteen are then compared and counted at once.
    let count =
        |stretch: &[u8]| -> u8 { stretch.iter().map(|&byte| u8::from(byte == b'\n')).sum() };
    bytes
        .chunks(255)
        .map(|stretch| u64::from(count(stretch)))
        .sum()
}
