//! The iXML chunk: its leaf elements by path.
//!
//! In: the payload. Out: an [`Ixml`], and a sentence where the XML is not well-formed. DTDs are
//! refused by the parser, so no entity can grow; element and depth limits bound the work.

use std::collections::BTreeMap;

use super::super::facts::Ixml;
use super::super::text;
use super::{MAX_ENTRIES, MAX_TEXT_BYTES};

/// Own choice: iXML has five levels at most (from memory).
const MAX_DEPTH: usize = 12;

/// Own choice: a hundred tracks have about a thousand elements.
const MAX_NODES: u32 = 100_000;

pub(super) fn read(payload: &[u8]) -> (Ixml, Option<String>) {
    let mut ixml = Ixml {
        bytes: payload.len() as u64,
        ..Ixml::default()
    };
    // Writers fill the chunk up with NULs or blanks.
    let end = payload.iter().rposition(|byte| *byte != 0);
    let payload = &payload[..end.map_or(0, |last| last + 1)];
    let payload = payload.strip_prefix(b"\xef\xbb\xbf").unwrap_or(payload);
    let Ok(xml) = std::str::from_utf8(payload) else {
        return (ixml, Some("the iXML chunk is not UTF-8".to_owned()));
    };
    let options = roxmltree::ParsingOptions {
        nodes_limit: MAX_NODES,
        ..roxmltree::ParsingOptions::default()
    };
    match roxmltree::Document::parse_with_options(xml.trim(), options) {
        Ok(document) => {
            ixml.well_formed = true;
            ixml.fields = fields(&document);
            (ixml, None)
        }
        Err(error) => {
            let says = format!("the iXML chunk is not well-formed XML: {error}");
            (ixml, Some(says))
        }
    }
}

/// Leaf elements with text, by path below the root; the second of the same path gets ` (2)`.
fn fields(document: &roxmltree::Document<'_>) -> BTreeMap<String, String> {
    let mut fields = BTreeMap::new();
    let mut times: BTreeMap<String, usize> = BTreeMap::new();
    for node in document.descendants().filter(roxmltree::Node::is_element) {
        if fields.len() == MAX_ENTRIES {
            break;
        }
        let value = node.text().map(str::trim).unwrap_or_default();
        if value.is_empty() || node.children().any(|child| child.is_element()) {
            continue;
        }
        let mut names: Vec<&str> = node
            .ancestors()
            .take(MAX_DEPTH + 1)
            .filter(roxmltree::Node::is_element)
            .map(|element| element.tag_name().name())
            .collect();
        if names.len() > MAX_DEPTH {
            continue;
        }
        names.reverse();
        let path = text::cut(names[1.min(names.len() - 1)..].join("/"), MAX_TEXT_BYTES);
        let time = times.entry(path.clone()).or_insert(0);
        *time += 1;
        let key = match *time {
            1 => path,
            time => format!("{path} ({time})"),
        };
        fields.insert(key, text::cut(text::clean(value), MAX_TEXT_BYTES));
    }
    fields
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn leaves_are_kept_by_path_and_repeated_ones_are_counted() {
        let xml = b"<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<BWFXML><PROJECT>Harbour Lights</PROJECT>\
            <TRACK_LIST><TRACK><NAME>L</NAME></TRACK><TRACK><NAME>R</NAME></TRACK></TRACK_LIST>\
            <NOTE/></BWFXML>\0\0\0";
        let (ixml, says) = read(xml);
        assert_eq!(says, None);
        assert!(ixml.well_formed);
        let fields: Vec<(&str, &str)> = ixml
            .fields
            .iter()
            .map(|(path, value)| (path.as_str(), value.as_str()))
            .collect();
        assert_eq!(
            fields,
            [
                ("PROJECT", "Harbour Lights"),
                ("TRACK_LIST/TRACK/NAME", "L"),
                ("TRACK_LIST/TRACK/NAME (2)", "R"),
            ]
        );
    }

    #[test]
    fn broken_xml_an_entity_bomb_and_a_deep_one_do_no_harm() {
        let (broken, says) = read(b"<BWFXML><PROJECT>x</BWFXML>");
        assert!(!broken.well_formed && broken.fields.is_empty());
        assert!(says.unwrap().contains("well-formed"));
        let bomb = b"<!DOCTYPE a [<!ENTITY b \"bbbb\">]><a>&b;</a>";
        assert!(!read(bomb).0.well_formed);
        let deep = format!("{}x{}", "<a>".repeat(50_000), "</a>".repeat(50_000));
        assert!(read(deep.as_bytes()).0.fields.is_empty());
        assert!(!read(b"").0.well_formed);
        assert!(!read(b"\xff\xfe<\0a\0").0.well_formed);
    }
}
