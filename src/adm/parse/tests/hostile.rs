//! Documents that mean harm, or broke on the way: always a finding, never a panic, and little
//! memory.

use std::io;

use proptest::prelude::*;

use super::{Generated, Limits, classes, inside, parse, read};

#[test]
fn a_document_type_is_refused_before_it_can_grow() {
    // Every entity ten times the one before: ten to the ninth in the end.
    let mut laughs =
        String::from("<?xml version=\"1.0\"?>\n<!DOCTYPE lolz [\n<!ENTITY lol \"lol\">\n");
    for level in 1..10 {
        let before = if level == 1 {
            "&lol;".to_owned()
        } else {
            format!("&lol{};", level - 1)
        };
        laughs.push_str(&format!("<!ENTITY lol{level} \"{}\">\n", before.repeat(10)));
    }
    laughs.push_str("]>\n<audioFormatExtended><profile>&lol9;</profile></audioFormatExtended>");
    let parsed = read(&laughs);
    assert_eq!(classes(&parsed), ["axml-entities"]);
    assert!(!parsed.usable);
    assert!(parsed.model.profiles.is_empty());

    let outside = "<!DOCTYPE a SYSTEM \"file:///etc/passwd\"><audioFormatExtended/>";
    assert_eq!(classes(&read(outside)), ["axml-entities"]);
}

#[test]
fn a_document_type_without_end_is_still_named_so() {
    let mut begun = false;
    let endless = Generated::new(move |out: &mut Vec<u8>| {
        if begun {
            out.extend([b'x'; 4096]);
        } else {
            out.extend(b"<!DOCTYPE a [ <!-- ");
            begun = true;
        }
    });
    let parsed = parse(endless, &Limits::default(), &[]).unwrap();
    assert_eq!(classes(&parsed), ["axml-entities"]);
}

/// XML 1.0, clauses 4.1 and 4.6.
#[test]
fn only_the_five_entities_and_characters_by_number_are_known() {
    let profile = |text: &str| inside(&format!("<profile>{text}</profile>"));
    assert_eq!(
        profile("&lt;a&gt; &amp; &quot;b&apos; &#65;&#x42; c")
            .model
            .profiles,
        ["<a> & \"b' AB c"]
    );
    assert_eq!(
        inside("<profile profileName=\"&lt;&#x263a;&gt;\"/>")
            .model
            .profiles,
        ["<☺>"]
    );
    for wrong in [
        "&nbsp;",
        "&#0;",
        "&#xD800;",
        "&#x110000;",
        "&#;",
        "&#x;",
        "&#+65;",
        "&;",
        "&#99999999999;",
    ] {
        assert_eq!(classes(&profile(wrong)), ["axml-entities"], "{wrong}");
        let attribute = inside(&format!("<profile profileName=\"{wrong}\"/>"));
        assert_eq!(classes(&attribute), ["axml-entities"], "{wrong}");
    }
    assert_eq!(classes(&inside("<other a='&x;'/>")), ["axml-entities"]);
    assert_eq!(classes(&inside("<other>&x;</other>")), ["axml-entities"]);
    assert_eq!(classes(&profile("a & b")), ["axml-syntax"]);
    assert_eq!(
        classes(&inside("<profile profileName='a & b'/>")),
        ["axml-syntax"]
    );
}

#[test]
fn a_million_elements_inside_of_each_other_stop_at_the_bound() {
    let mut left = 1_000_000;
    let deep = Generated::new(move |out: &mut Vec<u8>| {
        if left > 0 {
            out.extend(b"<a>".repeat(1000));
            left -= 1000;
        }
    });
    let parsed = parse(deep, &Limits::default(), &[]).unwrap();
    assert_eq!(classes(&parsed), ["axml-too-deep"]);
    assert!(
        parsed.findings[0].says.contains("64"),
        "{:?}",
        parsed.findings
    );
    // The bound itself is allowed.
    let most = format!("{}{}", "<a>".repeat(64), "</a>".repeat(64));
    assert_eq!(classes(&read(&most)), ["axml-missing"]);
}

/// How far a reader was read.
struct Counted<R>(R, std::rc::Rc<std::cell::Cell<u64>>);

impl<R: io::Read> io::Read for Counted<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let count = self.0.read(out)?;
        self.1.set(self.1.get() + count as u64);
        Ok(count)
    }
}

#[test]
fn a_gigabyte_in_one_place_is_not_read_to_its_end() {
    let starts: [&[u8]; 5] = [
        b"<audioFormatExtended version=\"",
        b"<audioFormatExtended><profile>",
        b"<a><!-- ",
        b"<a><![CDATA[",
        b"<",
    ];
    for start in starts {
        let mut piece = start.to_vec();
        let mut left = 1_u64 << 30;
        let endless = Generated::new(move |out: &mut Vec<u8>| {
            out.append(&mut piece);
            if left > 0 {
                out.extend([b'x'; 4096]);
                left -= 4096;
            }
        });
        let read = std::rc::Rc::new(std::cell::Cell::new(0));
        let counted = io::BufReader::new(Counted(endless, read.clone()));
        let parsed = parse(counted, &Limits::default(), &[]).unwrap();
        assert_eq!(
            classes(&parsed),
            ["axml-too-large"],
            "{}",
            String::from_utf8_lossy(start)
        );
        assert!(read.get() < 3 << 20, "{}", read.get());
    }
}

#[test]
fn many_small_things_stop_at_a_bound_too() {
    let limits = Limits {
        elements: 10_000,
        model_bytes: 100_000,
        bytes: 10_000_000,
        ..Limits::default()
    };
    let endless = |start: &'static str, text: &'static str| {
        let mut begun = false;
        Generated::new(move |out: &mut Vec<u8>| {
            if !begun {
                out.extend(start.as_bytes());
                begun = true;
            }
            out.extend(text.as_bytes());
        })
    };
    let channel = "<audioFormatExtended><audioChannelFormat audioChannelFormatID=\"AC_00031001\" typeLabel=\"0003\">";
    for (start, text) in [
        ("<a>", "<b/>"),
        (channel, "<audioBlockFormat/>"),
        (
            "<audioFormatExtended>",
            "<audioObject audioObjectID=\"AO_1001\" audioObjectName=\"a long name that is kept\"/>",
        ),
        ("<a>", "  \n"),
        ("<a><b>", "text and no end <!-- --> "),
    ] {
        let parsed = parse(endless(start, text), &limits, &[]).unwrap();
        let classes = classes(&parsed);
        assert_eq!(
            classes.last(),
            Some(&"axml-too-large"),
            "{start}{text}: {classes:?}"
        );
        assert!(!parsed.usable);
    }
    let attributes: String = (0..1000).map(|number| format!(" a{number}=''")).collect();
    assert_eq!(
        classes(&read(&format!("<a{attributes}/>"))),
        ["axml-too-large"]
    );
}

/// XML 1.0, clause 4.3.3.
#[test]
fn what_is_not_utf8_is_told_with_its_line() {
    let latin = b"<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<a>\n<b name=\"M\xe4ster\"/></a>";
    let parsed = parse(&latin[..], &Limits::default(), &[]).unwrap();
    assert_eq!(classes(&parsed), ["axml-encoding"]);
    assert!(
        parsed.findings[0].says.contains("0xE4") && parsed.findings[0].says.contains("line 3"),
        "{:?}",
        parsed.findings
    );

    // Cut inside of a character; UTF-16 in both orders, with and without a mark.
    let wide = |order: fn(u16) -> [u8; 2], mark: &str| -> Vec<u8> {
        format!("{mark}<a/>")
            .encode_utf16()
            .flat_map(order)
            .collect()
    };
    let documents = [
        b"<a>\xc3".to_vec(),
        wide(u16::to_be_bytes, "\u{feff}"),
        wide(u16::to_le_bytes, "\u{feff}"),
        wide(u16::to_be_bytes, ""),
        wide(u16::to_le_bytes, ""),
    ];
    for document in documents {
        let parsed = parse(&document[..], &Limits::default(), &[]).unwrap();
        assert_eq!(classes(&parsed), ["axml-encoding"], "{document:?}");
    }
    let declared = "<?xml version=\"1.0\" encoding=\"ISO-8859-1\"?><audioFormatExtended/>";
    let parsed = read(declared);
    assert_eq!(classes(&parsed), ["axml-encoding"]);
    assert!(parsed.usable);
}

#[test]
fn a_byte_order_mark_and_padding_are_no_fault() {
    let document = "\u{feff}<?xml version=\"1.0\" encoding=\"utf-8\"?><x:audioFormatExtended xmlns:x='urn:any'/>";
    for padding in ["", "\n", "   ", "\0", "\0\0\0\0\0\0\0", "\n\0 \0"] {
        let parsed = read(&format!("{document}{padding}"));
        assert_eq!(classes(&parsed), [""; 0], "{padding:?}");
        assert!(parsed.usable);
    }
    // A piece and more of it.
    let parsed = read(&format!("{document}{}", "\0".repeat(300_000)));
    assert!(parsed.usable && parsed.findings.is_empty());
    for wrong in ["\0x", "x", "<b/>", "&amp;", "\u{1}"] {
        assert_eq!(
            classes(&read(&format!("{document}{wrong}"))),
            ["axml-syntax"],
            "{wrong:?}"
        );
    }
    assert_eq!(classes(&read("<a>\0</a>")), ["axml-syntax"]);
}

/// XML 1.0, clauses 2.1, 3 and 3.1.
#[test]
fn a_document_that_is_not_well_formed_is_told_so() {
    for wrong in [
        "x",
        "<a>",
        "<a></b>",
        "<a/><b/>",
        "</a>",
        "<a",
        "<a b>",
        "<a b=c/>",
        "<a b='c'd='e'/>",
        "<a b='c' b='d'/>",
        "<a b='<'/>",
        "<a 'b'/>",
        "<a b='c/>",
        "<a><!-- -- --></a>",
        "<a><![CDATA[</a>",
        "<a>\u{7}</a>",
        "<!ELEMENT a>",
    ] {
        assert_eq!(classes(&read(wrong)), ["axml-syntax"], "{wrong}");
    }
    let lines = read("<audioFormatExtended>\n\n<a>\n</b></audioFormatExtended>");
    assert!(
        lines.findings[0].says.contains("line 4"),
        "{:?}",
        lines.findings
    );
}

/// A reader that fails is no fault of the document.
#[test]
fn a_share_that_goes_away_is_an_error_and_no_finding() {
    struct Gone;
    impl io::Read for Gone {
        fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
            Err(io::Error::from(io::ErrorKind::TimedOut))
        }
    }
    let reader = io::BufReader::new(io::Read::chain(&b"<audioFormatExtended><a>"[..], Gone));
    let error = parse(reader, &Limits::default(), &[]).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::TimedOut);
}

const SMALL: &str = "\u{feff}<?xml version=\"1.0\" encoding=\"UTF-8\"?><!-- ä --><audioFormatExtended version='ITU-R_BS.2076-2'><audioObject audioObjectID=\"AO_1001\"><gain gainUnit=\"dB\">-6</gain><audioTrackUIDRef>ATU_00000001</audioTrackUIDRef></audioObject><audioChannelFormat audioChannelFormatID=\"AC_00031001\" typeDefinition=\"Objects\"><audioBlockFormat audioBlockFormatID=\"AB_00031001_00000001\" rtime=\"00:00:00.00000\" duration=\"00:00:01.5S48000\"><position coordinate=\"azimuth\">1&#48;</position><jumpPosition interpolationLength=\"0.1\">1</jumpPosition></audioBlockFormat></audioChannelFormat><![CDATA[ x ]]></audioFormatExtended>";

#[test]
fn a_document_cut_at_any_byte_is_a_finding_and_no_panic() {
    let whole = parse(SMALL.as_bytes(), &Limits::default(), &[]).unwrap();
    assert!(whole.usable);
    for end in 0..SMALL.len() {
        let parsed = parse(&SMALL.as_bytes()[..end], &Limits::default(), &[]).unwrap();
        assert!(!parsed.usable, "{end}");
        assert_eq!(
            parsed
                .findings
                .iter()
                .filter(|f| f.class.name().starts_with("axml-"))
                .count(),
            1,
            "{end}"
        );
    }
}

/// Reads one byte at a time, so that every token is cut everywhere.
struct Slow<'a>(&'a [u8]);

impl io::Read for Slow<'_> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let count = self.0.len().min(out.len()).min(1);
        out[..count].copy_from_slice(&self.0[..count]);
        self.0 = &self.0[count..];
        Ok(count)
    }
}

#[test]
fn how_the_bytes_come_makes_no_difference() {
    let whole = parse(SMALL.as_bytes(), &Limits::default(), &[]).unwrap();
    let slow = io::BufReader::with_capacity(1, Slow(SMALL.as_bytes()));
    assert_eq!(parse(slow, &Limits::default(), &[]).unwrap(), whole);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn any_bytes_are_read_without_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let parsed = parse(&bytes[..], &Limits::default(), &[]).unwrap();
        prop_assert!(!parsed.usable);
    }

    /// Bytes of a good document changed here and there.
    #[test]
    fn a_damaged_document_is_read_without_panic(
        changes in proptest::collection::vec((0..SMALL.len(), any::<u8>()), 1..6),
    ) {
        let mut bytes = SMALL.as_bytes().to_vec();
        for (place, byte) in changes {
            bytes[place] = byte;
        }
        let parsed = parse(&bytes[..], &Limits::default(), &[]).unwrap();
        prop_assert!(parsed.usable || !parsed.findings.is_empty());
    }

    /// Pieces of markup in any order.
    #[test]
    fn any_markup_is_read_without_panic(
        pieces in proptest::collection::vec(
            proptest::sample::select(vec![
                "<audioFormatExtended>", "</audioFormatExtended>", "<audioObject audioObjectID='AO_1'>",
                "</audioObject>", "<audioChannelFormat audioChannelFormatID='AC_00031001' typeLabel='0003'>",
                "<audioBlockFormat audioBlockFormatID='é' rtime='x'>", "</audioBlockFormat>", "<position/>",
                "<position coordinate='X'>9e999</position>", "<zone minX='1'/>", "<gain>", "</gain>", "&amp;",
                "&#1;", "-1", "<![CDATA[", "]]>", "<!--", "-->", "<?x ?>", "\0", "<matrix>", "</matrix>",
                "<coefficient gain='1'>AC_</coefficient>", "<audioPackFormat audioPackFormatID='é€'/>",
            ]),
            0..40,
        ),
    ) {
        let text = pieces.concat();
        let _ = parse(text.as_bytes(), &Limits::default(), &[]).unwrap();
    }
}
