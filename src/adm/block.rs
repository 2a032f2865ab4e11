//! The block formats of ITU-R BS.2076-2, clause 5.4: what one channel does for a while.
//!
//! Positions of objects come in millions, so an [`ObjectBlock`] is 56 bytes: what changes
//! from block to block stands in it, what rarely does stands once in an [`ObjectTraits`]
//! that many blocks share. Defaults are those of the standard. Knows nothing of rendering.

use super::model::ChannelRef;
use super::time::AdmTime;

/// `rtime` and `duration` of a block; both or neither after BS.2076-2, clause 5.4.1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BlockTime {
    pub rtime: Option<AdmTime>,
    pub duration: Option<AdmTime>,
}

/// The eight hexadecimal digits behind the last underscore of an audioBlockFormatID
/// (`AB_xxxxyyyy_zzzzzzzz`); the head is the channel's own.
pub type BlockNumber = u32;

/// One block of an audioChannelFormat of type Objects (BS.2076-2, clause 5.4.3.3).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ObjectBlock {
    pub time: BlockTime,
    /// Azimuth, elevation (degrees) and distance; or X, Y, Z: `ObjectTraits::cartesian` tells.
    pub position: [f64; 3],
    /// Linear.
    pub gain: f64,
    /// Index into [`ObjectBlocks::traits`].
    pub traits: u32,
    pub number: BlockNumber,
}

/// What the blocks of one channel share.
#[derive(Clone, Debug, PartialEq)]
pub struct ObjectTraits {
    pub cartesian: bool,
    /// Degrees in polar blocks, -1 to 1 based lengths in Cartesian ones.
    pub width: f64,
    pub height: f64,
    pub depth: f64,
    /// 0 to 1.
    pub diffuse: f64,
    pub channel_lock: Option<ChannelLock>,
    pub divergence: Option<Divergence>,
    pub jump_position: bool,
    pub interpolation_length: Option<AdmTime>,
    pub screen_ref: bool,
    pub screen_edge_lock: ScreenEdgeLock,
    pub zone_exclusion: Vec<Zone>,
    /// 0 to 10; default 10.
    pub importance: u8,
    pub head_locked: bool,
    pub headphone_virtualise: Option<HeadphoneVirtualise>,
}

impl Default for ObjectTraits {
    fn default() -> Self {
        Self {
            cartesian: false,
            width: 0.0,
            height: 0.0,
            depth: 0.0,
            diffuse: 0.0,
            channel_lock: None,
            divergence: None,
            jump_position: false,
            interpolation_length: None,
            screen_ref: false,
            screen_edge_lock: ScreenEdgeLock::default(),
            zone_exclusion: Vec::new(),
            importance: 10,
            head_locked: false,
            headphone_virtualise: None,
        }
    }
}

/// channelLock set to 1, with its maxDistance where there is one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelLock {
    pub max_distance: Option<f64>,
}

/// objectDivergence: 0 to 1, and how far the two diverged positions lie apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Divergence {
    pub value: f64,
    /// Degrees; polar. Absent: 45 without a version or with BS.2076-1, 0 with BS.2076-2.
    pub azimuth_range: Option<f64>,
    /// Cartesian. Absent: 0.
    pub position_range: Option<f64>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ScreenEdgeLock {
    pub horizontal: Option<HorizontalEdge>,
    pub vertical: Option<VerticalEdge>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HorizontalEdge {
    Left,
    Right,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum VerticalEdge {
    Top,
    Bottom,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Zone {
    Polar {
        min_azimuth: f64,
        max_azimuth: f64,
        min_elevation: f64,
        max_elevation: f64,
    },
    /// X, Y, Z.
    Cartesian { min: [f64; 3], max: [f64; 3] },
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeadphoneVirtualise {
    pub bypass: bool,
    pub direct_to_reverberant_ratio_db: f64,
}

/// The blocks of an Objects channel, in order of time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ObjectBlocks {
    pub blocks: Vec<ObjectBlock>,
    pub traits: Vec<ObjectTraits>,
}

impl ObjectBlocks {
    pub fn traits_of(&self, block: &ObjectBlock) -> &ObjectTraits {
        &self.traits[block.traits as usize]
    }

    /// How many traits are compared with those of a new block.
    const LOOK_BACK: usize = 8;

    /// Adds a block whose traits are `traits`; traits like those of one of the last few are
    /// kept once, however many blocks have them.
    pub fn push(&mut self, mut block: ObjectBlock, traits: ObjectTraits) {
        // Blocks of one channel nearly always have the traits of the block before, or of one
        // shortly before. Looking further back would take forever where all differ.
        let old = self.traits.len().saturating_sub(Self::LOOK_BACK);
        let known = self.traits[old..].iter().rposition(|kept| *kept == traits);
        let index = known.map_or(self.traits.len(), |index| old + index);
        if known.is_none() {
            self.traits.push(traits);
        }
        block.traits = u32::try_from(index).expect("a channel's blocks fit in memory");
        self.blocks.push(block);
    }
}

/// One coordinate of a loudspeaker with its bounds (BS.2076-2, clause 5.4.3.1).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bounded {
    pub value: f64,
    pub min: Option<f64>,
    pub max: Option<f64>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SpeakerPosition {
    /// Degrees; distance 1 by default.
    Polar {
        azimuth: Bounded,
        elevation: Bounded,
        distance: Bounded,
    },
    Cartesian {
        x: Bounded,
        y: Bounded,
        z: Bounded,
    },
}

/// One block of a DirectSpeakers channel.
#[derive(Clone, Debug, PartialEq)]
pub struct SpeakerBlock {
    pub time: BlockTime,
    pub number: BlockNumber,
    /// speakerLabel elements as the file has them, URNs included.
    pub labels: Vec<String>,
    pub position: SpeakerPosition,
    pub screen_edge_lock: ScreenEdgeLock,
    pub gain: f64,
    pub importance: u8,
}

/// The one block of an HOA channel.
#[derive(Clone, Debug, PartialEq)]
pub struct HoaBlock {
    pub time: BlockTime,
    pub number: BlockNumber,
    pub equation: Option<String>,
    pub order: Option<i32>,
    pub degree: Option<i32>,
    /// As written (`SN3D`, `N3D`, `FuMa`); a pack may say it instead.
    pub normalization: Option<String>,
    pub nfc_ref_dist: Option<f64>,
    pub screen_ref: Option<bool>,
    pub gain: f64,
    pub importance: u8,
}

/// The block of a Matrix channel: how it is mixed from other channels.
#[derive(Clone, Debug, PartialEq)]
pub struct MatrixBlock {
    pub time: BlockTime,
    pub number: BlockNumber,
    pub output_channel: Option<ChannelRef>,
    pub coefficients: Vec<MatrixCoefficient>,
    pub gain: f64,
    pub importance: u8,
}

#[derive(Clone, Debug, PartialEq)]
pub struct MatrixCoefficient {
    pub input_channel: ChannelRef,
    /// Linear; default 1.
    pub gain: Option<f64>,
    pub gain_var: Option<String>,
    /// Degrees.
    pub phase: Option<f64>,
    pub phase_var: Option<String>,
    pub delay_ms: Option<f64>,
    pub delay_var: Option<String>,
}

/// A block of a Binaural channel: it has times and a gain only.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BinauralBlock {
    pub time: BlockTime,
    pub number: BlockNumber,
    pub gain: f64,
    pub importance: u8,
}

/// The blocks of one audioChannelFormat, by its type.
#[derive(Clone, Debug, PartialEq)]
pub enum Blocks {
    DirectSpeakers(Vec<SpeakerBlock>),
    Matrix(Vec<MatrixBlock>),
    Objects(ObjectBlocks),
    Hoa(Vec<HoaBlock>),
    Binaural(Vec<BinauralBlock>),
    /// A type that no standard names: how many blocks there were.
    Unknown(u64),
}

impl Blocks {
    pub fn len(&self) -> usize {
        match self {
            Self::DirectSpeakers(blocks) => blocks.len(),
            Self::Matrix(blocks) => blocks.len(),
            Self::Objects(blocks) => blocks.blocks.len(),
            Self::Hoa(blocks) => blocks.len(),
            Self::Binaural(blocks) => blocks.len(),
            Self::Unknown(count) => usize::try_from(*count).unwrap_or(usize::MAX),
        }
    }

    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Time and number of every block in order, whatever the type.
    pub fn times(&self) -> Box<dyn Iterator<Item = (BlockTime, BlockNumber)> + '_> {
        match self {
            Self::DirectSpeakers(blocks) => Box::new(blocks.iter().map(|b| (b.time, b.number))),
            Self::Matrix(blocks) => Box::new(blocks.iter().map(|b| (b.time, b.number))),
            Self::Objects(blocks) => Box::new(blocks.blocks.iter().map(|b| (b.time, b.number))),
            Self::Hoa(blocks) => Box::new(blocks.iter().map(|b| (b.time, b.number))),
            Self::Binaural(blocks) => Box::new(blocks.iter().map(|b| (b.time, b.number))),
            Self::Unknown(_) => Box::new(std::iter::empty()),
        }
    }
}
