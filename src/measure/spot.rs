//! Where a meter of faults saw something, in frames and channel numbers: no labels, no opinion.

/// One place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// The first frame.
    pub start: u64,
    /// The frame after the last; equal to `start` for a place between two frames.
    pub end: u64,
    /// Index in the file; `None` for all channels together.
    pub channel: Option<usize>,
    /// In the unit that the meter says.
    pub size: f64,
    /// 0 to 1, how sure the meter is that this is a fault and no music. From [`Spot::SURE`] on it
    /// is worth a person's time; under it, a remark in the record.
    pub confidence: f64,
}

impl Spot {
    /// Own choice: what a meter's tests on music and on faults put on the side of the faults.
    pub const SURE: f64 = 0.5;
}

/// Places of one kind: all are counted, the first [`Spots::KEPT`] are kept, in time order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Spots {
    pub total: u64,
    pub listed: Vec<Spot>,
}

impl Spots {
    /// Own choice: enough for any person and any sidecar, little for memory.
    pub const KEPT: usize = 10_000;

    pub fn push(&mut self, spot: Spot) {
        self.total += 1;
        if self.listed.len() < Self::KEPT {
            self.listed.push(spot);
        }
    }

    /// In time order, then by channel.
    pub fn sort(&mut self) {
        self.listed.sort_by_key(|spot| (spot.start, spot.channel));
    }
}
