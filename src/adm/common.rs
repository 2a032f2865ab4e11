//! The common definitions of ITU-R BS.2094: packs and channels that files refer to without
//! holding them.
//!
//! Out: a model with all of them, read once. Packs and loudspeakers are in
//! `common_definitions.xml`; the HOA channels, and each channel's stream and track format,
//! are made here from their numbers. `resolve` takes what a file uses. Licence and origin of the
//! table stand in its head.

use std::sync::OnceLock;

use super::Model;
use super::block::{BlockTime, Blocks, HoaBlock};
use super::model::{
    AudioChannelFormat, AudioStreamFormat, AudioTrackFormat, Frequency, Reference, TypeDefinition,
};
use super::parse::{self, Limits};

const TABLE: &str = include_str!("common_definitions.xml");

/// Highest order of the HOA channels.
const ORDER: i32 = 10;

/// Letters of the Furse-Malham set in the order of the channel numbers (ITU-R BS.2094): that
/// of ACN up to order 3.
const FUMA: &[u8; 16] = b"WYZXVTRSUQOMKLNP";

pub(super) fn definitions() -> &'static Model {
    static MODEL: OnceLock<Model> = OnceLock::new();
    MODEL.get_or_init(|| {
        let mut model = parse::unresolved(TABLE.as_bytes(), &Limits::default());
        for (first, normalization) in [(0x0001, "SN3D"), (0x0101, "N3D")] {
            for acn in 0..(ORDER + 1) * (ORDER + 1) {
                let name = format!("{normalization}_ACN_{acn}");
                model
                    .channels
                    .push(hoa(first + acn, acn, &name, normalization));
            }
        }
        for (acn, letter) in (0..).zip(FUMA) {
            let name = format!("FuMa_{}", char::from(*letter));
            model.channels.push(hoa(0x0201 + acn, acn, &name, "FuMa"));
        }
        for channel in &model.channels {
            let digits = &channel.id[3..];
            let (stream, track) = (format!("AS_{digits}"), format!("AT_{digits}_01"));
            let name = format!("PCM_{}", channel.name);
            model.streams.push(AudioStreamFormat {
                id: stream.clone(),
                name: name.clone(),
                format: Some("PCM".to_owned()),
                channel: Some(Reference::new(&channel.id)),
                pack: None,
                tracks: vec![Reference::new(&track)],
                common: true,
            });
            model.track_formats.push(AudioTrackFormat {
                id: track,
                name,
                format: Some("PCM".to_owned()),
                stream: Some(Reference::new(&stream)),
                common: true,
            });
        }
        model.packs.iter_mut().for_each(|pack| pack.common = true);
        model
            .channels
            .iter_mut()
            .for_each(|channel| channel.common = true);
        model
    })
}

/// The HOA channel of an ACN: `acn = order * (order + 1) + degree` (ITU-R BS.2076-2, clause
/// 11).
fn hoa(number: i32, acn: i32, name: &str, normalization: &str) -> AudioChannelFormat {
    let order = acn.isqrt();
    AudioChannelFormat {
        id: format!("AC_0004{number:04x}"),
        name: name.to_owned(),
        type_definition: TypeDefinition::Hoa,
        frequency: Frequency::default(),
        blocks: Blocks::Hoa(vec![HoaBlock {
            time: BlockTime::default(),
            number: 1,
            equation: None,
            order: Some(order),
            degree: Some(acn - order * (order + 1)),
            normalization: Some(normalization.to_owned()),
            nfc_ref_dist: None,
            screen_ref: None,
            gain: 1.0,
            importance: 10,
        }]),
        common: true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every element of the outside table, field by field: what is shortened must not be lost.
    #[test]
    fn the_short_table_says_all_that_the_long_one_says() {
        let Some(path) = crate::adm::reference("immersive/data/tables/common_definitions_2094.xml")
        else {
            return;
        };
        let file = std::io::BufReader::new(std::fs::File::open(path).unwrap());
        let mut long = parse::unresolved(file, &Limits::default());
        let ours = definitions();
        long.packs.iter_mut().for_each(|pack| pack.common = true);
        long.channels
            .iter_mut()
            .for_each(|channel| channel.common = true);
        long.streams
            .iter_mut()
            .for_each(|stream| stream.common = true);
        long.track_formats
            .iter_mut()
            .for_each(|track| track.common = true);
        fn sorted<T: Clone>(list: &[T], id: impl Fn(&T) -> &str) -> Vec<T> {
            let mut list = list.to_vec();
            list.sort_by(|a, b| id(a).cmp(id(b)));
            list
        }
        assert_eq!(ours.packs, long.packs);
        assert_eq!(
            sorted(&ours.channels, |channel| &channel.id),
            sorted(&long.channels, |channel| &channel.id)
        );
        assert_eq!(
            sorted(&ours.streams, |stream| &stream.id),
            sorted(&long.streams, |stream| &stream.id)
        );
        assert_eq!(
            sorted(&ours.track_formats, |track| &track.id),
            sorted(&long.track_formats, |track| &track.id)
        );
    }

    /// ITU-R BS.2076-2, clause 11: degrees run from -order to order.
    #[test]
    fn orders_and_degrees_follow_from_the_channel_number() {
        let of = |id: &str| {
            let channels = &definitions().channels;
            let channel = channels.iter().find(|channel| channel.id == id).unwrap();
            match &channel.blocks {
                Blocks::Hoa(blocks) => (blocks[0].order, blocks[0].degree),
                _ => panic!("{id} is no HOA channel"),
            }
        };
        assert_eq!(of("AC_00040001"), (Some(0), Some(0)));
        assert_eq!(of("AC_00040002"), (Some(1), Some(-1)));
        assert_eq!(of("AC_00040079"), (Some(10), Some(10)));
        assert_eq!(of("AC_00040103"), (Some(1), Some(0)));
        assert_eq!(of("AC_00040210"), (Some(3), Some(3)));
    }
}
