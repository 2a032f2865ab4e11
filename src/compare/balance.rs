//! Bed against objects: what mastering did to one and not to the other.
//!
//! In: the levels of the power sums of both groups, block by block. Out: a [`Balance`].
//! Knows nothing of single tracks.

use super::bands::{BlockLevels, decibels};
use super::curve::{Gain, gain, quantile};
use super::types::Balance;

/// Levels of the sums of all bed tracks and of all object tracks.
#[derive(Debug, Default)]
pub(super) struct Groups {
    pub(super) bed: Vec<BlockLevels>,
    pub(super) objects: Vec<BlockLevels>,
}

/// Bed less objects: the least difference of the bands that both have, 0 where they differ in
/// sign; of the whole, where they have none in common.
fn difference(bed: &Gain, objects: &Gain) -> Option<f64> {
    let both = (0..3).filter(|&band| bed.telling[band] && objects.telling[band]);
    let differences = both.filter_map(|band| {
        let both = bed.band_static_db[band].zip(objects.band_static_db[band]);
        both.map(|(bed, objects)| bed - objects)
    });
    let least = differences.reduce(|one, other| {
        if one * other <= 0.0 {
            0.0
        } else if one.abs() < other.abs() {
            one
        } else {
            other
        }
    });
    least.or(bed
        .static_db
        .zip(objects.static_db)
        .map(|(bed, objects)| bed - objects))
}

pub(super) fn balance(groups: &Groups, silence: f64) -> Balance {
    let valid = vec![true; groups.bed.len()];
    let bed = gain(&groups.bed, &valid, silence);
    let objects = gain(&groups.objects, &valid, silence);
    let mut spreads: [Vec<f64>; 3] = Default::default();
    let mut blocks = 0;
    for (in_bed, in_objects) in groups.bed.iter().zip(&groups.objects) {
        let mut sounds = false;
        for (band, spreads) in spreads.iter_mut().enumerate() {
            let of = |block: &BlockLevels, static_db: Option<f64>| {
                let mix = decibels(block[band]).filter(|&level| level > silence)?;
                let master = decibels(block[band + 3]).filter(|&level| level > silence)?;
                Some(master - mix - static_db?)
            };
            let pair = (
                of(in_bed, bed.band_static_db[band]),
                of(in_objects, objects.band_static_db[band]),
            );
            if let (Some(bed), Some(objects)) = pair {
                sounds = true;
                spreads.push((bed - objects).abs());
            }
        }
        blocks += u64::from(sounds);
    }
    let fullest = spreads.iter().map(Vec::len).max().unwrap_or(0);
    let mut least = |share: f64| {
        let telling = spreads.iter_mut().filter(|band| band.len() * 2 >= fullest);
        telling
            .filter_map(|band| quantile(band, share))
            .reduce(f64::min)
    };
    Balance {
        spread_median_db: least(0.5),
        spread_99_percent_db: least(0.99),
        static_gain_difference_db: difference(&bed, &objects),
        bed_static_gain_db: bed.static_db,
        objects_static_gain_db: objects.static_db,
        blocks,
    }
}
