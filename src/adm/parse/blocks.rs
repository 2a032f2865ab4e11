//! audioChannelFormat, and what the blocks of every type have in common.
//!
//! Source: ITU-R BS.2076-2, clauses 5.3 and 5.4.

use std::io::BufRead;

use super::pull::Step;
use super::reading::{Of, Read, Reading, tell, unreadable};
use super::values::shown;
use crate::adm::block::{
    BinauralBlock, BlockNumber, BlockTime, Blocks, HoaBlock, HorizontalEdge, MatrixBlock,
    ObjectBlocks, ScreenEdgeLock, SpeakerBlock, VerticalEdge,
};
use crate::adm::finding::{Class, Severity};
use crate::adm::model::{AudioChannelFormat, Frequency, TypeDefinition};
use crate::adm::time::AdmTime;

/// What every audioBlockFormat has.
#[derive(Clone, Copy)]
pub(super) struct Head {
    pub time: BlockTime,
    pub number: BlockNumber,
}

impl Head {
    pub fn of<'a>(&self, channel: &'a str) -> Of<'a> {
        Of {
            id: channel,
            block: Some((self.number, self.time.rtime)),
        }
    }
}

/// The six coordinates of a position element, in the order of [`COORDINATES`].
pub(super) const COORDINATES: [&str; 6] = ["azimuth", "elevation", "distance", "X", "Y", "Z"];
pub(super) const POLAR: u8 = 0b00_0111;
pub(super) const CARTESIAN: u8 = 0b11_1000;

/// Whether an audioBlockFormatID is one of a block of `channel`, and the number at its end.
fn block_id(id: &str, channel: &str) -> (bool, Option<BlockNumber>) {
    let Some((head, digits)) = id.rsplit_once('_') else {
        return (false, None);
    };
    let hexadecimal = digits.len() == 8 && digits.bytes().all(|byte| byte.is_ascii_hexdigit());
    let number = hexadecimal
        .then(|| u32::from_str_radix(digits, 16).ok())
        .flatten();
    let own = match (head.get(..3), head.get(3..), channel.get(3..)) {
        (Some(start), Some(head), Some(channel)) => {
            start.eq_ignore_ascii_case("AB_") && head.eq_ignore_ascii_case(channel)
        }
        _ => false,
    };
    (own && number.is_some(), number)
}

impl<R: BufRead> Reading<R> {
    pub(super) fn channel(&mut self) -> Read<()> {
        let id = self.id("audioChannelFormatID")?;
        let of = Of {
            id: &id,
            block: None,
        };
        let name = self.string("audioChannelFormatName")?.unwrap_or_default();
        let type_definition = self.type_definition(of);
        let mut frequency = Frequency::default();
        let mut blocks = match type_definition {
            TypeDefinition::DirectSpeakers => Blocks::DirectSpeakers(Vec::new()),
            TypeDefinition::Matrix => Blocks::Matrix(Vec::new()),
            TypeDefinition::Objects => Blocks::Objects(ObjectBlocks::default()),
            TypeDefinition::Hoa => Blocks::Hoa(Vec::new()),
            TypeDefinition::Binaural => Blocks::Binaural(Vec::new()),
            TypeDefinition::Unknown => Blocks::Unknown(0),
        };
        while let Step::Open = self.pull.step()? {
            match self.pull.name() {
                b"audioBlockFormat" => self.block(&id, &mut blocks)?,
                b"frequency" => self.frequency(of, &mut frequency)?,
                _ => self.pull.skip()?,
            }
        }
        self.order(of, &mut blocks);
        if let Blocks::Objects(objects) = &mut blocks {
            objects.blocks.shrink_to_fit();
            objects.traits.shrink_to_fit();
        }
        self.keep(size_of::<AudioChannelFormat>())?;
        self.model.channels.push(AudioChannelFormat {
            id,
            name,
            type_definition,
            frequency,
            blocks,
            common: false,
        });
        Ok(())
    }

    fn block(&mut self, channel: &str, blocks: &mut Blocks) -> Read<()> {
        let head = self.head(channel, blocks.len());
        match blocks {
            Blocks::Objects(blocks) => self.object_block(channel, head, blocks)?,
            Blocks::DirectSpeakers(blocks) => {
                let block = self.speaker_block(channel, head)?;
                blocks.push(block);
                self.keep(size_of::<SpeakerBlock>())?;
            }
            Blocks::Matrix(blocks) => {
                let block = self.matrix_block(channel, head)?;
                blocks.push(block);
                self.keep(size_of::<MatrixBlock>())?;
            }
            Blocks::Hoa(blocks) => {
                let block = self.hoa_block(channel, head)?;
                blocks.push(block);
                self.keep(size_of::<HoaBlock>())?;
            }
            Blocks::Binaural(blocks) => {
                let block = self.binaural_block(channel, head)?;
                blocks.push(block);
                self.keep(size_of::<BinauralBlock>())?;
            }
            Blocks::Unknown(count) => {
                *count += 1;
                self.pull.skip()?;
            }
        }
        Ok(())
    }

    /// The attributes of an audioBlockFormat. lstart and lduration are the names in a serial
    /// representation (ITU-R BS.2125); a file has rtime and duration.
    fn head(&mut self, channel: &str, ordinal: usize) -> Head {
        let written = self.pull.attribute("audioBlockFormatID");
        let (named, number) = match written.as_deref().map(str::trim) {
            Some(id) => block_id(id, channel),
            None => (false, None),
        };
        if !named {
            let of = Of {
                id: channel,
                block: None,
            };
            tell(
                &mut self.findings,
                Class::AdmIdType,
                Severity::Warn,
                of,
                || {
                    let digits = channel.get(3..).unwrap_or_default();
                    format!(
                        "its block {} has the audioBlockFormatID {}; AB_{digits}_ and eight hexadecimal digits are wanted",
                        ordinal + 1,
                        written.as_deref().map_or("(none)".to_owned(), shown)
                    )
                },
            );
        }
        // A block without a number is told by its place.
        let number = number.unwrap_or_else(|| u32::try_from(ordinal + 1).unwrap_or(u32::MAX));
        let of = Of {
            id: channel,
            block: Some((number, None)),
        };
        let class = Class::AdmRtimeDuration;
        let mut rtime = self
            .time_of(of, "rtime", class)
            .or_else(|| self.time_of(of, "lstart", class));
        let duration = self
            .time_of(of, "duration", class)
            .or_else(|| self.time_of(of, "lduration", class));
        if rtime.is_none() && duration.is_some() && ordinal == 0 {
            tell(
                &mut self.findings,
                Class::AdmRtimeDuration,
                Severity::Warn,
                of,
                || {
                    "the first block has a duration and no rtime; it is taken to begin at 0"
                        .to_owned()
                },
            );
            rtime = Some(AdmTime::ZERO);
        }
        Head {
            time: BlockTime { rtime, duration },
            number,
        }
    }

    /// frequency: the cut-off of a loudspeaker channel (BS.2076-2, clause 5.3.2).
    fn frequency(&mut self, of: Of, frequency: &mut Frequency) -> Read<()> {
        let kind = self
            .pull
            .attribute("typeDefinition")
            .map(|kind| kind.into_owned());
        let value = self.text_number(of, "frequency")?;
        match kind.as_deref().map(str::trim) {
            Some("lowPass") => frequency.low_pass = value,
            Some("highPass") => frequency.high_pass = value,
            other => unreadable(
                &mut self.findings,
                of,
                "typeDefinition of frequency",
                other.unwrap_or_default(),
                "lowPass or highPass",
            ),
        }
        Ok(())
    }

    /// Blocks in order of time, as a renderer wants them. Where one of several has no time
    /// there is no order to be had; `check` tells that.
    fn order(&mut self, of: Of, blocks: &mut Blocks) {
        fn key(time: BlockTime) -> (Option<AdmTime>, Option<AdmTime>) {
            (time.rtime, time.duration)
        }
        let mut before = AdmTime::ZERO;
        let mut broken = None;
        for (time, number) in blocks.times() {
            let Some(rtime) = time.rtime else {
                return;
            };
            if rtime < before && broken.is_none() {
                broken = Some((rtime, number));
            }
            before = rtime;
        }
        let Some((rtime, number)) = broken else {
            return;
        };
        let of = Of {
            id: of.id,
            block: Some((number, Some(rtime))),
        };
        tell(
            &mut self.findings,
            Class::AdmBlockOrder,
            Severity::Warn,
            of,
            || {
                format!(
                    "the block at {rtime} stands behind a later one; the blocks are taken in order of time"
                )
            },
        );
        match blocks {
            Blocks::DirectSpeakers(blocks) => blocks.sort_by_key(|block| key(block.time)),
            Blocks::Matrix(blocks) => blocks.sort_by_key(|block| key(block.time)),
            Blocks::Objects(blocks) => blocks.blocks.sort_by_key(|block| key(block.time)),
            Blocks::Hoa(blocks) => blocks.sort_by_key(|block| key(block.time)),
            Blocks::Binaural(blocks) => blocks.sort_by_key(|block| key(block.time)),
            Blocks::Unknown(_) => {}
        }
    }

    /// 0 to 10; what is beyond is taken as the nearer end.
    pub(super) fn importance(&mut self, of: Of) -> Read<u8> {
        let Some(value) = self.text_whole(of, "importance")? else {
            return Ok(10);
        };
        if !(0..=10).contains(&value) {
            tell(
                &mut self.findings,
                Class::AdmValueRange,
                Severity::Warn,
                of,
                || format!("importance is {value}; 0 to 10 is wanted"),
            );
        }
        Ok(value.clamp(0, 10) as u8)
    }

    /// screenEdgeLock of a position element whose coordinate is `axis`.
    pub(super) fn edge_lock(&mut self, of: Of, axis: usize, lock: &mut ScreenEdgeLock) {
        let Some(edge) = self.pull.attribute("screenEdgeLock") else {
            return;
        };
        match (COORDINATES[axis], edge.trim()) {
            ("azimuth" | "X", "left") => lock.horizontal = Some(HorizontalEdge::Left),
            ("azimuth" | "X", "right") => lock.horizontal = Some(HorizontalEdge::Right),
            ("elevation" | "Z", "top") => lock.vertical = Some(VerticalEdge::Top),
            ("elevation" | "Z", "bottom") => lock.vertical = Some(VerticalEdge::Bottom),
            (coordinate, other) => {
                let what = format!("screenEdgeLock of {coordinate}");
                unreadable(
                    &mut self.findings,
                    of,
                    &what,
                    other,
                    "left or right, or top or bottom",
                );
            }
        }
    }

    /// Which of [`COORDINATES`] the open position element is.
    pub(super) fn coordinate(&mut self, of: Of) -> Option<usize> {
        let coordinate = self.pull.attribute("coordinate");
        let axis = COORDINATES
            .iter()
            .position(|known| Some(*known) == coordinate.as_deref());
        if axis.is_none() {
            let found = coordinate.map_or("none".to_owned(), |text| shown(&text));
            tell(
                &mut self.findings,
                Class::AdmCoordinateMismatch,
                Severity::Fail,
                of,
                || {
                    format!(
                        "a position has the coordinate {found}; azimuth, elevation, distance, X, Y or Z is wanted"
                    )
                },
            );
        }
        axis
    }

    /// Holds the coordinates that were found (bits in the order of [`COORDINATES`]) to what a
    /// position may have. True for Cartesian ones; `otherwise` where they do not say.
    pub(super) fn coordinate_kind(&mut self, of: Of, seen: u8, otherwise: bool) -> bool {
        let complete = matches!(seen, 0b00_0011 | 0b00_0111 | 0b01_1000 | 0b11_1000);
        if !complete {
            tell(
                &mut self.findings,
                Class::AdmCoordinateMismatch,
                Severity::Fail,
                of,
                || {
                    let found: Vec<&str> = (0..6)
                        .filter(|bit| seen & (1 << bit) != 0)
                        .map(|bit| COORDINATES[bit])
                        .collect();
                    let found = if found.is_empty() {
                        "none".to_owned()
                    } else {
                        found.join(", ")
                    };
                    format!(
                        "the position has the coordinates {found}; azimuth, elevation and distance or X, Y and Z are wanted"
                    )
                },
            );
            return otherwise;
        }
        seen & CARTESIAN != 0
    }
}
