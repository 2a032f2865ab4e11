//! The settling rules by table and by random histories. Time is handed in; no disk, no clock.

use std::collections::HashMap;
use std::path::Path;
use std::time::Duration;

use proptest::prelude::*;

use super::*;

const SETTLE: Duration = Duration::from_secs(10);
const PATIENCE: Duration = Duration::from_secs(100);

fn at(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

/// The n-th state of a file; `n` 0 is empty.
fn identity(n: u64) -> Identity {
    Identity {
        device: 8,
        inode: 1,
        bytes: n,
        modified_ns: 5,
        changed_ns: i128::from(n),
        links: 1,
    }
}

fn unknown(_: &Identity) -> bool {
    false
}

fn file() -> &'static Path {
    Path::new("album/mix.wav")
}

fn look(settling: &mut Settling, n: u64, seconds: u64) -> AfterLook {
    settling.look(file(), Some(identity(n)), at(seconds), unknown)
}

fn probed(settling: &mut Settling, n: u64, probe: Probe, seconds: u64) -> AfterProbe {
    settling.probed(file(), Some(identity(n)), probe, at(seconds))
}

fn handed_out(n: u64, incomplete: Option<&str>) -> AfterProbe {
    AfterProbe::HandOut {
        identity: identity(n),
        incomplete: incomplete.map(str::to_owned),
    }
}

/// A file of state 1 that was handed out at 10 s.
fn with_one_out() -> Settling {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    look(&mut settling, 1, 0);
    look(&mut settling, 1, 10);
    let out = probed(&mut settling, 1, Probe::Complete, 10);
    assert_eq!(out, handed_out(1, None));
    settling
}

#[test]
fn a_file_is_handed_out_when_it_has_not_changed_for_the_settle_time() {
    // (seconds, state of the file, what the look leads to)
    let slow_copy = [
        (0, 1, AfterLook::New),
        (4, 1, AfterLook::Rest),
        (9, 2, AfterLook::Rest),
        (10, 2, AfterLook::Rest),
        (18, 2, AfterLook::Rest),
        (19, 2, AfterLook::Probe),
    ];
    let mut settling = Settling::new(SETTLE, PATIENCE);
    for (seconds, n, expected) in slow_copy {
        assert_eq!(look(&mut settling, n, seconds), expected, "at {seconds} s");
    }
    let after = probed(&mut settling, 2, Probe::Complete, 19);
    assert_eq!(after, handed_out(2, None));
    assert_eq!(look(&mut settling, 2, 40), AfterLook::Rest, "only once");
}

#[test]
fn each_part_of_the_identity_counts_as_change() {
    let first = identity(1);
    let changes = [
        Identity { device: 9, ..first },
        Identity { inode: 2, ..first },
        Identity { bytes: 2, ..first },
        // Backwards: a client may set it months back.
        Identity {
            modified_ns: 4,
            ..first
        },
        Identity {
            changed_ns: 2,
            ..first
        },
    ];
    for changed in changes {
        let mut settling = Settling::new(SETTLE, PATIENCE);
        settling.look(file(), Some(first), at(0), unknown);
        let after = settling.look(file(), Some(changed), at(10), unknown);
        assert_eq!(after, AfterLook::Rest, "{changed:?}");
        let after = settling.look(file(), Some(changed), at(20), unknown);
        assert_eq!(after, AfterLook::Probe, "{changed:?}");
    }
}

#[test]
fn the_next_look_is_when_the_file_can_have_settled() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    look(&mut settling, 1, 3);
    assert_eq!(settling.next_due(), Some(at(13)));
    assert!(settling.due(at(12), 9).is_empty());
    assert_eq!(settling.due(at(13), 9), [file().to_path_buf()]);
}

#[test]
fn a_file_that_changed_while_it_was_probed_settles_anew() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    look(&mut settling, 1, 0);
    look(&mut settling, 1, 10);
    let after = probed(&mut settling, 2, Probe::Complete, 11);
    assert_eq!(after, AfterProbe::Rest);
    assert_eq!(look(&mut settling, 2, 20), AfterLook::Rest);
    assert_eq!(look(&mut settling, 2, 21), AfterLook::Probe);
}

#[test]
fn an_incomplete_file_is_waited_for_and_told_once() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    let incomplete = || Probe::Incomplete("half is missing".to_owned());
    look(&mut settling, 1, 0);
    look(&mut settling, 1, 10);
    let after = probed(&mut settling, 1, incomplete(), 10);
    let why = "half is missing".to_owned();
    let identity = identity(1);
    assert_eq!(after, AfterProbe::StillArriving { identity, why });
    assert_eq!(look(&mut settling, 1, 20), AfterLook::Probe);
    let after = probed(&mut settling, 1, incomplete(), 20);
    assert_eq!(after, AfterProbe::Rest);
    // The header is patched: another identity, and now complete.
    assert_eq!(look(&mut settling, 2, 25), AfterLook::Rest);
    assert_eq!(look(&mut settling, 2, 35), AfterLook::Probe);
    let after = probed(&mut settling, 2, Probe::Complete, 35);
    assert_eq!(after, handed_out(2, None));
}

#[test]
fn a_file_that_never_becomes_complete_is_handed_out_with_the_reason() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    look(&mut settling, 1, 0);
    let mut now = Duration::ZERO;
    let after = loop {
        let due = settling.next_due().expect("it is still waited for");
        assert!(due > now, "looks do not spin");
        now = due;
        let after = settling.look(file(), Some(identity(1)), now, unknown);
        assert_eq!(after, AfterLook::Probe);
        let probe = Probe::Incomplete("half is missing".to_owned());
        let after = settling.probed(file(), Some(identity(1)), probe, now);
        if matches!(after, AfterProbe::HandOut { .. }) {
            break after;
        }
    };
    assert_eq!(now, PATIENCE);
    assert_eq!(after, handed_out(1, Some("half is missing")));
}

#[test]
fn patience_counts_from_the_last_change() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    look(&mut settling, 1, 0);
    look(&mut settling, 2, 95);
    look(&mut settling, 2, 105);
    let after = probed(&mut settling, 2, Probe::Incomplete("no".to_owned()), 105);
    assert!(
        matches!(after, AfterProbe::StillArriving { .. }),
        "{after:?}"
    );
}

#[test]
fn an_empty_file_is_incomplete_whatever_the_probe_says() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    look(&mut settling, 0, 0);
    look(&mut settling, 0, 10);
    let after = probed(&mut settling, 0, Probe::Unknown, 10);
    assert!(
        matches!(after, AfterProbe::StillArriving { .. }),
        "{after:?}"
    );
    look(&mut settling, 0, 100);
    let after = probed(&mut settling, 0, Probe::Unknown, 100);
    assert_eq!(after, handed_out(0, Some("the file is empty")));
}

#[test]
fn a_file_that_was_dealt_with_in_an_earlier_run_is_not_handed_out() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    let after = settling.look(file(), Some(identity(1)), at(0), |_| true);
    assert_eq!(after, AfterLook::Rest);
    assert_eq!(settling.next_due(), None);
    let ask = |_: &Identity| -> bool { panic!("asked again for the same identity") };
    let after = settling.look(file(), Some(identity(1)), at(60), ask);
    assert_eq!(after, AfterLook::Rest);
}

#[test]
fn a_file_that_vanishes_while_it_settles_is_gone_and_forgotten() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    look(&mut settling, 1, 0);
    let after = settling.look(file(), None, at(5), unknown);
    assert_eq!(after, AfterLook::Gone);
    assert_eq!(settling.next_due(), None);
    assert!(!settling.holds_files());
    let again = settling.look(file(), None, at(6), unknown);
    assert_eq!(again, AfterLook::Rest);
}

#[test]
fn a_change_while_it_is_out_becomes_one_new_arrival_after_the_answer() {
    let mut settling = with_one_out();
    for n in 2..6 {
        assert_eq!(look(&mut settling, n, 10 + n), AfterLook::Rest);
    }
    assert_eq!(settling.next_due(), None, "one path is never out twice");
    let after = settling.done(file(), at(30), unknown);
    assert_eq!(after, AfterLook::New);
    assert_eq!(look(&mut settling, 5, 40), AfterLook::Probe);
}

#[test]
fn a_file_that_custody_moved_away_is_not_told_gone() {
    let mut settling = with_one_out();
    let after = settling.look(file(), None, at(20), unknown);
    assert_eq!(after, AfterLook::Rest);
    let after = settling.done(file(), at(21), unknown);
    assert_eq!(after, AfterLook::Rest);
    assert!(!settling.holds_files());
    // A new file of that name is a new file.
    assert_eq!(look(&mut settling, 1, 30), AfterLook::New);
}

#[test]
fn a_file_that_is_given_back_settles_anew_and_is_handed_out_again() {
    let mut settling = with_one_out();
    settling.given_back(file(), at(20));
    assert_eq!(look(&mut settling, 1, 29), AfterLook::Rest);
    let ask = |_: &Identity| -> bool { panic!("whoever gives it back wants it again") };
    let after = settling.look(file(), Some(identity(1)), at(30), ask);
    assert_eq!(after, AfterLook::Probe);
}

#[test]
fn the_files_below_a_folder_are_found_whatever_their_neighbours_are_called() {
    let mut settling = Settling::new(SETTLE, PATIENCE);
    for path in ["a", "a b/x", "a/x", "a/y/z", "a-/x", "b/x"] {
        settling.look(Path::new(path), Some(identity(1)), at(0), unknown);
    }
    let below = settling.below(Path::new("a"));
    assert_eq!(below, ["a", "a/x", "a/y/z"].map(std::path::PathBuf::from));
}

/// What may happen between two looks.
#[derive(Clone, Debug)]
enum Step {
    Pass(u64),
    Change,
    Remove,
    Finish(bool),
    Look,
    /// A look; if it leads to a probe, the file changes while it is probed.
    LookWhileItChanges,
    Done,
    GiveBack,
}

fn steps() -> impl Strategy<Value = Vec<(usize, Step)>> {
    let step = prop_oneof![
        4 => (1u64..8).prop_map(Step::Pass),
        2 => Just(Step::Change),
        1 => Just(Step::Remove),
        1 => any::<bool>().prop_map(Step::Finish),
        5 => Just(Step::Look),
        1 => Just(Step::LookWhileItChanges),
        1 => Just(Step::Done),
        1 => Just(Step::GiveBack),
    ];
    prop::collection::vec((0usize..3, step), 0..200)
}

/// One file of the model: how it is, and what was seen of it.
#[derive(Default)]
struct Model {
    now: Option<Identity>,
    complete: bool,
    /// When the identity that was last seen was first seen.
    seen: Option<(Identity, Duration)>,
    out: Option<Identity>,
    /// Arrivals by the change time, which no two states share; taken back by `given_back`.
    arrivals: HashMap<i128, u32>,
}

struct World {
    settling: Settling,
    files: [Model; 3],
    clock: Duration,
    states: u64,
}

impl World {
    fn path(n: usize) -> std::path::PathBuf {
        std::path::PathBuf::from(format!("{n}.wav"))
    }

    fn see(model: &mut Model, now: Duration) {
        match (model.now, model.seen) {
            (None, _) => model.seen = None,
            (Some(identity), Some((seen, _))) if seen == identity => {}
            (Some(identity), _) => model.seen = Some((identity, now)),
        }
    }

    fn change(&mut self, n: usize) {
        self.states += 1;
        self.files[n].now = Some(identity(self.states));
    }

    fn look(&mut self, n: usize) -> Result<(), TestCaseError> {
        self.look_and(n, false)
    }

    fn look_and(&mut self, n: usize, change: bool) -> Result<(), TestCaseError> {
        let (path, now) = (Self::path(n), self.clock);
        let model = &mut self.files[n];
        Self::see(model, now);
        if self.settling.look(&path, model.now, now, unknown) != AfterLook::Probe {
            return Ok(());
        }
        if change {
            self.change(n);
        }
        let model = &mut self.files[n];
        Self::see(model, now);
        let probe = if model.complete {
            Probe::Complete
        } else {
            Probe::Incomplete("not yet".to_owned())
        };
        let after = self.settling.probed(&path, model.now, probe, now);
        let AfterProbe::HandOut {
            identity,
            incomplete,
        } = after
        else {
            return Ok(());
        };
        prop_assert_eq!(
            Some(identity),
            model.now,
            "what is handed out is what is there"
        );
        prop_assert!(model.out.is_none(), "a path is never out twice");
        let (_, since) = model.seen.expect("it was looked at");
        let wanted = if incomplete.is_some() {
            PATIENCE
        } else {
            SETTLE
        };
        prop_assert!(now - since >= wanted, "out after {:?}", now - since);
        prop_assert_eq!(incomplete.is_none(), model.complete);
        model.out = Some(identity);
        let times = model.arrivals.entry(identity.changed_ns).or_default();
        *times += 1;
        prop_assert_eq!(*times, 1, "each state arrives once");
        Ok(())
    }

    fn done(&mut self, n: usize) -> Result<(), TestCaseError> {
        self.look(n)?;
        let model = &mut self.files[n];
        if model.out.take().is_some() {
            self.settling.done(&Self::path(n), self.clock, unknown);
            // A state that is not the one that was out is seen for the first time now.
            if let Some((identity, since)) = &mut model.seen
                && !model.arrivals.contains_key(&identity.changed_ns)
            {
                *since = self.clock;
            }
        }
        Ok(())
    }

    fn given_back(&mut self, n: usize) -> Result<(), TestCaseError> {
        self.look(n)?;
        let model = &mut self.files[n];
        if let Some(identity) = model.out.take() {
            self.settling.given_back(&Self::path(n), self.clock);
            model.arrivals.remove(&identity.changed_ns);
            if let Some((_, since)) = &mut model.seen {
                *since = self.clock;
            }
        }
        Ok(())
    }

    fn step(&mut self, n: usize, step: Step) -> Result<(), TestCaseError> {
        match step {
            Step::Pass(seconds) => self.clock += at(seconds),
            Step::Change => self.change(n),
            Step::Remove => self.files[n].now = None,
            Step::Finish(complete) => self.files[n].complete = complete,
            Step::Look => self.look(n)?,
            Step::LookWhileItChanges => self.look_and(n, true)?,
            Step::Done => self.done(n)?,
            Step::GiveBack => self.given_back(n)?,
        }
        Ok(())
    }
}

proptest! {
    #[test]
    fn whatever_happens_each_final_state_arrives_once_and_not_before_its_time(steps in steps()) {
        let mut world = World {
            settling: Settling::new(SETTLE, PATIENCE),
            files: Default::default(),
            clock: Duration::ZERO,
            states: 0,
        };
        for (n, step) in steps {
            world.step(n, step)?;
        }
        // Then nothing changes any more, each arrival is answered, and looks come when due.
        for n in 0..3 {
            world.done(n)?;
            world.look(n)?;
        }
        let end = world.clock + PATIENCE + SETTLE;
        while let Some(due) = world.settling.next_due().filter(|due| *due <= end) {
            world.clock = world.clock.max(due);
            for path in world.settling.due(world.clock, 9) {
                let n = (0..3).find(|n| World::path(*n) == path).expect("one of three");
                world.look(n)?;
            }
        }
        for model in &world.files {
            if let Some(identity) = model.now {
                let times = model.arrivals.get(&identity.changed_ns).copied();
                prop_assert_eq!(times, Some(1), "never lost: {:?}", identity);
            }
        }
        prop_assert_eq!(world.settling.next_due(), None, "nothing is waited for any more");
    }
}
