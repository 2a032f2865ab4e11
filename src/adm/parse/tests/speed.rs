//! The stress case: 118 objects, a block every 30 ms.

use std::io::Write;
use std::sync::LazyLock;
use std::time::Instant;

use super::{Generated, Limits, parse};
use crate::adm::block::{Blocks, ObjectBlock};

/// The document of `objects` channels with `blocks` blocks each, in the trade's manner: Cartesian,
/// jumpPosition with an interpolation length, indented.
fn document(objects: u32, blocks: u32) -> impl FnMut(&mut Vec<u8>) {
    let (mut object, mut block) = (0, 0);
    let mut begun = false;
    move |out| {
        if !begun {
            begun = true;
            out.extend(b"<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<ebuCoreMain xmlns=\"urn:ebu:metadata-schema:ebuCore_2016\">\n\t<coreMetadata>\n\t\t<format>\n\t\t\t<audioFormatExtended>\n");
        }
        if object == objects {
            if begun && block == 0 {
                block = 1;
                out.extend(b"\t\t\t</audioFormatExtended>\n\t\t</format>\n\t</coreMetadata>\n</ebuCoreMain>\n");
            }
            return;
        }
        let id = 0x0003_1001 + object;
        if block == 0 {
            writeln!(out, "\t\t\t\t<audioChannelFormat audioChannelFormatID=\"AC_{id:08x}\" audioChannelFormatName=\"Object {object}\" typeLabel=\"0003\" typeDefinition=\"Objects\">").unwrap();
        }
        for _ in 0..64 {
            if block == blocks {
                break;
            }
            let ms = block * 30;
            let (minutes, seconds, rest) = (ms / 60_000, ms / 1000 % 60, ms % 1000 * 100);
            let x = f64::from(block.wrapping_mul(7919) % 20_001) / 10_000.0 - 1.0;
            let y = f64::from(block.wrapping_mul(104_729) % 20_001) / 10_000.0 - 1.0;
            writeln!(
                out,
                "\t\t\t\t\t<audioBlockFormat audioBlockFormatID=\"AB_{id:08x}_{:08x}\" rtime=\"00:{minutes:02}:{seconds:02}.{rest:05}\" duration=\"00:00:00.03000\">\n\
                 \t\t\t\t\t\t<cartesian>1</cartesian>\n\
                 \t\t\t\t\t\t<position coordinate=\"X\">{x:.10}</position>\n\
                 \t\t\t\t\t\t<position coordinate=\"Y\">{y:.10}</position>\n\
                 \t\t\t\t\t\t<position coordinate=\"Z\">0.2500000000</position>\n\
                 \t\t\t\t\t\t<jumpPosition interpolationLength=\"0.005208\">1</jumpPosition>\n\
                 \t\t\t\t\t</audioBlockFormat>",
                block + 1
            )
            .unwrap();
            block += 1;
        }
        if block == blocks {
            block = 0;
            object += 1;
            out.extend(b"\t\t\t\t</audioChannelFormat>\n");
        }
    }
}

/// Seconds that this thread has computed, so that a busy machine does not count; where the
/// kernel does not tell, seconds that went by.
fn computed() -> f64 {
    static START: LazyLock<Instant> = LazyLock::new(Instant::now);
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanoseconds = told.and_then(|text| text.split(' ').next()?.parse::<f64>().ok());
    nanoseconds.map_or_else(|| START.elapsed().as_secs_f64(), |ns| ns / 1e9)
}

fn read(objects: u32, blocks: u32) -> (u64, f64, usize) {
    let mut bytes = 0_u64;
    let mut next = document(objects, blocks);
    let start = computed();
    let mut buffer = Vec::new();
    loop {
        buffer.clear();
        next(&mut buffer);
        if buffer.is_empty() {
            break;
        }
        bytes += buffer.len() as u64;
    }
    let making = computed() - start;
    let start = computed();
    let parsed = parse(
        Generated::new(document(objects, blocks)),
        &Limits::default(),
        &[],
    )
    .unwrap();
    let taken = computed() - start - making;
    assert!(
        parsed.usable && parsed.findings.is_empty(),
        "{:?}",
        parsed.findings
    );
    let kept: usize = parsed
        .model
        .channels
        .iter()
        .map(|channel| match &channel.blocks {
            Blocks::Objects(all) => {
                assert_eq!(all.blocks.len(), blocks as usize);
                assert_eq!(all.traits.len(), 1);
                all.blocks.capacity() * size_of::<ObjectBlock>()
            }
            other => panic!("{other:?}"),
        })
        .sum();
    assert_eq!(parsed.model.channels.len(), objects as usize);
    (bytes, taken, kept)
}

#[test]
fn many_blocks_are_kept_in_few_bytes_each() {
    let (_, _, kept) = read(4, 2000);
    assert_eq!(kept, 4 * 2000 * 56);
}

/// Run by hand: `cargo test --release stress -- --ignored --nocapture`.
#[test]
#[ignore = "takes seconds; prints the speed"]
fn stress_case() {
    let (bytes, seconds, kept) = read(118, 20_000);
    println!(
        "{:.0} MB in {seconds:.2} s: {:.0} MB/s; {:.1} bytes kept a block",
        bytes as f64 / 1e6,
        bytes as f64 / 1e6 / seconds,
        kept as f64 / (118.0 * 20_000.0)
    );
}
