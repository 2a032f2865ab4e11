//! Whatever the bytes, a set is refused or has values; it never panics.

use proptest::prelude::*;

use super::super::{BinauralRenderer, HeadSet};
use super::{PACKED, PLAIN};
use crate::render::speakers::SpeakerLayout;
use crate::units::Hertz;

/// Reads a set, and listens through it when it can be read. Whether it could.
fn listened(bytes: Vec<u8>) -> bool {
    let Ok(set) = HeadSet::from_bytes(bytes) else {
        return false;
    };
    let layout = SpeakerLayout::named("0+2+0").unwrap();
    if let Ok(mut renderer) = BinauralRenderer::new(&set, &layout, Hertz::new(48_000).unwrap()) {
        let mut ears = [Vec::new(), Vec::new()];
        renderer.process(&[&[1.0], &[0.5]], &mut ears);
        renderer.finish(&mut ears);
        assert_eq!(ears.map(|ear| ear.len()), [1, 1]);
    }
    true
}

#[test]
fn a_set_that_breaks_off_is_refused_wherever_it_does() {
    for whole in [PLAIN, PACKED] {
        assert!(listened(whole.to_vec()));
        for end in (0..whole.len()).step_by(13) {
            // A missing tail may hold nothing that is read; then the values are all there.
            let read = listened(whole[..end].to_vec());
            assert!(!read || end > whole.len() / 2, "{end} of {}", whole.len());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn bytes_that_were_changed_bring_nothing_down(
        packed in any::<bool>(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 1..9_usize), 1..5),
        cut in prop::option::weighted(0.1, any::<prop::sample::Index>()),
    ) {
        let mut bytes = if packed { PACKED.to_vec() } else { PLAIN.to_vec() };
        for (index, value, run) in changes {
            let at = index.index(bytes.len());
            let end = (at + run).min(bytes.len());
            bytes[at..end].fill(value);
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        listened(bytes);
    }

    #[test]
    fn bytes_of_no_meaning_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
        prop_assert!(!listened(bytes));
    }
}
