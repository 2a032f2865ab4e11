//! The XML of an axml chunk, pulled tag by tag.
//!
//! In: a [`Source`]. Out: [`Step`]s, with the open tag's local name and attributes, and the text
//! of an element. Refuses document types and every entity but the five predefined ones and
//! numeric references; depth, elements and token sizes are bounded. Only one tag and one text
//! are held. Knows nothing of the Audio Definition Model.

use std::borrow::Cow;
use std::io::{self, BufRead};
use std::ops::Range;

use quick_xml::Reader;
use quick_xml::errors::Error as XmlError;
use quick_xml::events::Event;

use super::Limits;
use super::source::{Halt, Source};
use crate::adm::finding::Class;

/// Why no further step can be made.
#[derive(Debug)]
pub(super) enum Stop {
    /// The document is at fault.
    Fault(Halt),
    /// The reader is; the same bytes may read well later.
    Io(io::Error),
}

impl Stop {
    pub fn fault<T>(class: Class, says: impl Into<String>) -> Result<T, Self> {
        Err(Self::Fault(Halt {
            class,
            says: says.into(),
        }))
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// An element begins: [`Pull::name`] and [`Pull::attribute`] speak of it.
    Open,
    /// The innermost open element ends.
    Close,
    /// The document has ended, well-formed.
    End,
}

pub(super) struct Pull<R> {
    reader: Reader<Source<R>>,
    buffer: Vec<u8>,
    /// The local name of the open tag, in `buffer`.
    name: Range<usize>,
    /// Names and values of its attributes, in `buffer`.
    attributes: Vec<(Range<usize>, Range<usize>)>,
    /// The open tag was an empty-element tag: its end comes next.
    empty: bool,
    depth: u32,
    elements: u64,
    root_seen: bool,
    collecting: bool,
    text: String,
    depth_limit: u32,
    elements_limit: u64,
    text_limit: usize,
    /// The encoding that the XML declaration names.
    pub declared_encoding: Option<String>,
}

impl<R: BufRead> Pull<R> {
    pub fn new(inner: R, limits: &Limits) -> Self {
        let token = u64::from(limits.token_bytes);
        let mut reader = Reader::from_reader(Source::new(inner, token, limits.bytes));
        reader.config_mut().check_comments = true;
        Self {
            reader,
            buffer: Vec::with_capacity(4096),
            name: 0..0,
            attributes: Vec::with_capacity(16),
            empty: false,
            depth: 0,
            elements: 0,
            root_seen: false,
            collecting: false,
            text: String::with_capacity(256),
            depth_limit: limits.depth,
            elements_limit: limits.elements,
            text_limit: limits.token_bytes as usize,
            declared_encoding: None,
        }
    }

    /// Line and byte of what is read next, for a message.
    pub fn place(&self) -> (u64, u64) {
        let source = self.reader.get_ref();
        (source.line(), source.bytes())
    }

    pub fn depth(&self) -> u32 {
        self.depth
    }

    /// Whether any element was met.
    pub fn root_seen(&self) -> bool {
        self.root_seen
    }

    /// Local name of the tag that was opened last.
    pub fn name(&self) -> &[u8] {
        &self.buffer[self.name.clone()]
    }

    /// Value of an attribute of the tag that was opened last, entities replaced.
    pub fn attribute(&self, name: &str) -> Option<Cow<'_, str>> {
        let (_, value) = self
            .attributes
            .iter()
            .find(|(key, _)| self.buffer[key.clone()] == *name.as_bytes())?;
        let raw = std::str::from_utf8(&self.buffer[value.clone()]).unwrap_or_default();
        if raw.contains('&') {
            return Some(Cow::Owned(unescape(raw).unwrap_or_default()));
        }
        Some(Cow::Borrowed(raw))
    }

    pub fn step(&mut self) -> Result<Step, Stop> {
        if self.empty {
            self.empty = false;
            return Ok(self.close());
        }
        // Between tags nothing is lost: spaces there are no text of ours.
        self.reader.config_mut().trim_text_start = !self.collecting;
        loop {
            self.buffer.clear();
            self.reader.get_mut().begin_token();
            match self.reader.read_event_into(&mut self.buffer) {
                Ok(Event::Start(tag)) => {
                    let (length, name) = (tag.len(), tag.name().0.len());
                    return self.open(length, name);
                }
                Ok(Event::Empty(tag)) => {
                    let (length, name) = (tag.len(), tag.name().0.len());
                    self.empty = true;
                    return self.open(length, name);
                }
                Ok(Event::End(_)) => return Ok(self.close()),
                Ok(Event::Text(text)) => {
                    if self.collecting {
                        push(&mut self.text, &text, self.text_limit)?;
                    } else if self.depth == 0 && !text.trim().is_empty() {
                        return Stop::fault(
                            Class::AxmlSyntax,
                            "text stands outside of the document's element",
                        );
                    }
                }
                Ok(Event::CData(text)) => {
                    if self.depth == 0 {
                        return Stop::fault(
                            Class::AxmlSyntax,
                            "text stands outside of the document's element",
                        );
                    }
                    if self.collecting {
                        push(&mut self.text, &text, self.text_limit)?;
                    }
                }
                Ok(Event::GeneralRef(reference)) => {
                    if self.depth == 0 {
                        return Stop::fault(
                            Class::AxmlSyntax,
                            "text stands outside of the document's element",
                        );
                    }
                    let character = character_of(&reference)?;
                    if self.collecting {
                        let mut bytes = [0; 4];
                        let character = character.encode_utf8(&mut bytes);
                        push(&mut self.text, character, self.text_limit)?;
                    }
                }
                Ok(Event::DocType(_)) => return document_type(),
                Ok(Event::Decl(declaration)) => {
                    if let Some(Ok(encoding)) = declaration.encoding() {
                        self.declared_encoding = Some(encoding.into_owned());
                    }
                }
                Ok(Event::Comment(_) | Event::PI(_)) => {}
                Ok(Event::Eof) => return self.end(),
                Err(error) => return Err(self.stop(error)),
            }
        }
    }

    /// The text of the element that was opened last, without spaces around; elements in it are
    /// skipped. Reads to its end.
    pub fn text(&mut self) -> Result<&str, Stop> {
        self.text.clear();
        self.collecting = true;
        let result = self.collect();
        self.collecting = false;
        result?;
        Ok(self.text.trim_ascii())
    }

    fn collect(&mut self) -> Result<(), Stop> {
        while let Step::Open = self.step()? {
            self.collecting = false;
            self.skip()?;
            self.collecting = true;
        }
        Ok(())
    }

    /// Reads to the end of the element that was opened last.
    pub fn skip(&mut self) -> Result<(), Stop> {
        let outside = self.depth - 1;
        while self.depth > outside {
            self.step()?;
        }
        Ok(())
    }

    fn open(&mut self, length: usize, name: usize) -> Result<Step, Stop> {
        if self.depth == 0 && self.root_seen {
            return Stop::fault(
                Class::AxmlSyntax,
                "a second element follows the document's own",
            );
        }
        self.root_seen = true;
        self.depth += 1;
        self.elements += 1;
        if self.depth > self.depth_limit {
            return Stop::fault(
                Class::AxmlTooDeep,
                format!("elements are nested deeper than {}", self.depth_limit),
            );
        }
        if self.elements > self.elements_limit {
            return Stop::fault(
                Class::AxmlTooLarge,
                format!(
                    "the document has more than {} elements",
                    self.elements_limit
                ),
            );
        }
        // The buffer holds `<`, the content, and the end of the tag.
        let tag = 1..1 + length;
        let local = self.buffer[tag.start..tag.start + name]
            .iter()
            .position(|&byte| byte == b':')
            .map_or(0, |colon| colon + 1);
        self.name = tag.start + local..tag.start + name;
        self.attributes.clear();
        if name < length {
            scan(
                &self.buffer,
                tag.start + name..tag.end,
                &mut self.attributes,
            )?;
        }
        Ok(Step::Open)
    }

    fn close(&mut self) -> Step {
        self.depth -= 1;
        if self.depth == 0 {
            self.reader.get_mut().close_root();
        }
        Step::Close
    }

    fn end(&mut self) -> Result<Step, Stop> {
        if self.depth > 0 {
            return Stop::fault(
                Class::AxmlSyntax,
                format!("the document ends inside of {} open elements", self.depth),
            );
        }
        Ok(Step::End)
    }

    fn stop(&self, error: XmlError) -> Stop {
        match error {
            XmlError::Io(error) => {
                let halt = error
                    .get_ref()
                    .and_then(|inner| inner.downcast_ref::<Halt>());
                match halt {
                    Some(_) if self.buffer.starts_with(b"<!D") => Stop::Fault(document_type_halt()),
                    Some(halt) => Stop::Fault(halt.clone()),
                    None => Stop::Io(io::Error::new(error.kind(), error)),
                }
            }
            other => Stop::Fault(Halt {
                class: Class::AxmlSyntax,
                says: other.to_string(),
            }),
        }
    }
}

fn document_type_halt() -> Halt {
    Halt {
        class: Class::AxmlEntities,
        says: "the document has a document type declaration; none is read".to_owned(),
    }
}

fn document_type<T>() -> Result<T, Stop> {
    Err(Stop::Fault(document_type_halt()))
}

fn push(text: &mut String, more: &str, limit: usize) -> Result<(), Stop> {
    if text.len() + more.len() > limit {
        return Stop::fault(
            Class::AxmlTooLarge,
            format!("the text of one element is longer than {limit} bytes"),
        );
    }
    text.push_str(more);
    Ok(())
}

/// Finds the attributes in `buffer[range]` and holds them to XML 1.0, clause 3.1: quoted,
/// apart from each other, none twice, no `<` and no unknown entity in a value.
fn scan(
    buffer: &[u8],
    range: Range<usize>,
    found: &mut Vec<(Range<usize>, Range<usize>)>,
) -> Result<(), Stop> {
    let wrong = |says: &str| Stop::fault(Class::AxmlSyntax, says);
    let space = |byte: u8| matches!(byte, b' ' | b'\t' | b'\n' | b'\r');
    let mut at = range.start;
    let over_space = |mut at: usize| {
        while at < range.end && space(buffer[at]) {
            at += 1;
        }
        at
    };
    loop {
        let apart = at;
        at = over_space(at);
        if at == range.end {
            return Ok(());
        }
        if at == apart {
            return wrong("no space stands between two attributes");
        }
        let name = at;
        while at < range.end && buffer[at] != b'=' && !space(buffer[at]) {
            if matches!(buffer[at], b'"' | b'\'' | b'<' | b'>') {
                return wrong("a quote or bracket stands in an attribute's name");
            }
            at += 1;
        }
        let name = name..at;
        at = over_space(at);
        if at == range.end || buffer[at] != b'=' || name.is_empty() {
            return wrong("an attribute has no value");
        }
        at = over_space(at + 1);
        let quote = match buffer.get(at) {
            Some(&quote @ (b'"' | b'\'')) if at < range.end => quote,
            _ => return wrong("an attribute's value is not quoted"),
        };
        let value = at + 1;
        at = value;
        let mut references = false;
        loop {
            if at == range.end {
                return wrong("an attribute's value has no end");
            }
            match buffer[at] {
                byte if byte == quote => break,
                b'<' => return wrong("a < stands in an attribute's value"),
                b'&' => references = true,
                _ => {}
            }
            at += 1;
        }
        let value = value..at;
        at += 1;
        if references {
            unescape(std::str::from_utf8(&buffer[value.clone()]).unwrap_or_default())?;
        }
        let twice = found
            .iter()
            .any(|(known, _)| buffer[known.clone()] == buffer[name.clone()]);
        if twice {
            return wrong("an element has the same attribute twice");
        }
        if found.len() == ATTRIBUTES {
            return Stop::fault(
                Class::AxmlTooLarge,
                format!("an element has more than {ATTRIBUTES} attributes"),
            );
        }
        found.push((name, value));
    }
}

/// No element of BS.2076 has as many attributes; comparing each with each stays cheap.
const ATTRIBUTES: usize = 256;

/// Replaces references in an attribute's value.
fn unescape(raw: &str) -> Result<String, Stop> {
    let mut out = String::with_capacity(raw.len());
    let mut rest = raw;
    while let Some(start) = rest.find('&') {
        out.push_str(&rest[..start]);
        let Some(end) = rest[start..].find(';') else {
            return Stop::fault(Class::AxmlSyntax, "an & stands alone; &amp; is wanted");
        };
        out.push(character_of(&rest[start + 1..start + end])?);
        rest = &rest[start + end + 1..];
    }
    out.push_str(rest);
    Ok(out)
}

/// The character of a reference, without `&` and `;`: the five predefined entities and numbers
/// (XML 1.0, clauses 4.1 and 4.6).
fn character_of(reference: &str) -> Result<char, Stop> {
    let number = |digits: &str, radix| {
        // from_str_radix would take a sign.
        digits
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric())
            .then(|| u32::from_str_radix(digits, radix).ok())
            .flatten()
            .and_then(char::from_u32)
            .filter(|&c| c >= ' ' || matches!(c, '\t' | '\n' | '\r'))
    };
    let known = match reference {
        "lt" => Some('<'),
        "gt" => Some('>'),
        "amp" => Some('&'),
        "quot" => Some('"'),
        "apos" => Some('\''),
        _ => match reference.strip_prefix('#') {
            Some(digits) => match digits.strip_prefix('x') {
                Some(digits) => number(digits, 16),
                None => number(digits, 10),
            },
            None => None,
        },
    };
    match known {
        Some(character) => Ok(character),
        None => {
            let shown: String = reference.chars().take(40).collect();
            Stop::fault(
                Class::AxmlEntities,
                format!(
                    "the entity &{shown}; is none of the five that XML knows, nor a character's number"
                ),
            )
        }
    }
}
