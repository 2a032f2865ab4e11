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
    /// The mix has the same at the same place.
    pub inherited: bool,
    /// As sure as it says, but one of many alike or on a musical grid: it may be the style of the
    /// material. Such places are told in one sentence with their number, never less.
    pub summarised: bool,
}

impl Spot {
    /// Own choice: what a meter's tests on music and on faults put on the side of the faults.
    pub const SURE: f64 = 0.5;
}

/// How far a value has come from where it says nothing to where it says all: 0 at `none` and
/// beyond, 1 at `full` and beyond, even between; either may be the larger.
pub(super) fn ramp(value: f64, none: f64, full: f64) -> f64 {
    ((value - none) / (full - none)).clamp(0.0, 1.0)
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

    /// How many places are sure, new, and one of many alike.
    pub fn summarised(&self) -> usize {
        let alike =
            |spot: &&Spot| spot.summarised && !spot.inherited && spot.confidence >= Spot::SURE;
        self.listed.iter().filter(alike).count()
    }

    /// Marks those that another file has too. `aligned` gives the other file's frame for one of
    /// this; `near` is how far apart, in frames, two may lie and be the same.
    pub fn inherit(&mut self, other: &Spots, aligned: &dyn Fn(u64) -> Option<i64>, near: u64) {
        // By start, whatever order they were kept in.
        let mut starts: Vec<(u64, Option<usize>)> = (other.listed.iter())
            .map(|spot| (spot.start, spot.channel))
            .collect();
        starts.sort_unstable();
        for spot in &mut self.listed {
            let Some(at) = aligned(spot.start) else {
                continue;
            };
            let at = u64::try_from(at).unwrap_or(0);
            let first = starts.partition_point(|(start, _)| *start < at.saturating_sub(near));
            spot.inherited = starts[first..]
                .iter()
                .take_while(|(start, _)| *start <= at + near)
                .any(|(_, channel)| *channel == spot.channel);
        }
    }

    /// In time order, then by channel.
    pub fn sort(&mut self) {
        self.listed.sort_by_key(|spot| (spot.start, spot.channel));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spot(start: u64, channel: usize) -> Spot {
        Spot {
            start,
            end: start + 1,
            channel: Some(channel),
            size: 1.0,
            confidence: 1.0,
            inherited: false,
            summarised: false,
        }
    }

    fn spots(all: &[(u64, usize)]) -> Spots {
        let mut spots = Spots::default();
        for &(start, channel) in all {
            spots.push(spot(start, channel));
        }
        spots
    }

    #[test]
    fn what_the_other_has_at_the_aligned_place_on_the_same_channel_is_inherited() {
        let mut mine = spots(&[(100, 0), (1000, 0), (1000, 1), (5000, 1), (9000, 0)]);
        let other = spots(&[(4010, 1), (10, 0), (90, 0), (8500, 0)]);
        // The master is 1000 frames late; its end is in no mix.
        let aligned = |frame: u64| (frame < 9000).then_some(frame as i64 - 1000);
        mine.inherit(&other, &aligned, 50);
        let inherited: Vec<bool> = mine.listed.iter().map(|spot| spot.inherited).collect();
        assert_eq!(inherited, [true, true, false, true, false]);
    }
}
