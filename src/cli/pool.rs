//! Several files at once, results in the order given.
//!
//! In: how many jobs, how many threads, the work. Out: each result as soon as all before it are
//! there. Knows not what the work is.

use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::thread;
use std::time::Duration;

/// Between two looks at the meters; own choice: quick enough to seem alive.
const TICK: Duration = Duration::from_millis(100);

/// Set when nobody wants further results; work in progress may end early.
#[derive(Default)]
pub struct Stop(AtomicBool);

impl Stop {
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// As many threads as this machine has cores, at least one.
pub fn cores() -> usize {
    thread::available_parallelism().map_or(1, usize::from)
}

/// Runs `work(0)` to `work(jobs - 1)` on up to `threads` threads. On the caller's thread,
/// `result` is given each outcome in order, and `tick` is called about ten times a second.
/// When `result` breaks, no further job is begun and no further result is given.
pub fn in_order<R: Send>(
    jobs: usize,
    threads: usize,
    work: impl Fn(usize, &Stop) -> R + Sync,
    mut tick: impl FnMut(),
    mut result: impl FnMut(usize, R) -> ControlFlow<()>,
) {
    let (stop, next) = (Stop::default(), AtomicUsize::new(0));
    let threads = threads.clamp(1, jobs.max(1));
    // A full channel makes a thread wait until the caller has taken what is there.
    let (send, receive) = mpsc::sync_channel::<(usize, R)>(threads);
    thread::scope(|scope| {
        for _ in 0..threads {
            let (send, stop, next, work) = (send.clone(), &stop, &next, &work);
            scope.spawn(move || {
                while !stop.is_set() {
                    let job = next.fetch_add(1, Ordering::Relaxed);
                    if job >= jobs || send.send((job, work(job, stop))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(send);

        let mut waiting: Vec<Option<R>> = (0..jobs).map(|_| None).collect();
        let mut given = 0;
        loop {
            match receive.recv_timeout(TICK) {
                Ok((job, outcome)) => waiting[job] = Some(outcome),
                Err(RecvTimeoutError::Timeout) => tick(),
                Err(RecvTimeoutError::Disconnected) => break,
            }
            while let Some(outcome) = waiting.get_mut(given).and_then(Option::take) {
                if !stop.is_set() && result(given, outcome).is_break() {
                    stop.0.store(true, Ordering::Relaxed);
                }
                given += 1;
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::{Condvar, Mutex};

    #[test]
    fn results_come_in_the_order_given_however_long_each_takes() {
        // Job 0 ends only after all others have ended, on the other thread.
        let (ended, all) = (Mutex::new(0), Condvar::new());
        let work = |job: usize, _: &Stop| {
            let mut count = ended.lock().unwrap();
            if job == 0 {
                while *count < 3 {
                    count = all.wait(count).unwrap();
                }
            } else {
                *count += 1;
                all.notify_all();
            }
            job * 10
        };
        let mut seen = Vec::new();
        in_order(
            4,
            2,
            work,
            || {},
            |job, result| {
                seen.push((job, result));
                ControlFlow::Continue(())
            },
        );
        assert_eq!(seen, [(0, 0), (1, 10), (2, 20), (3, 30)]);
    }

    #[test]
    fn nothing_is_begun_after_the_reader_has_gone() {
        let begun = AtomicUsize::new(0);
        let work = |_: usize, _: &Stop| begun.fetch_add(1, Ordering::Relaxed);
        let mut given = 0;
        in_order(
            10_000,
            1,
            work,
            || {},
            |_, _| {
                given += 1;
                ControlFlow::Break(())
            },
        );
        assert_eq!(given, 1);
        // The one that was given, and what fits into the queue and the thread's hands.
        assert!(begun.load(Ordering::Relaxed) <= 10, "{begun:?}");
    }

    #[test]
    fn no_jobs_give_no_results() {
        in_order(
            0,
            4,
            |job, _: &Stop| job,
            || {},
            |_, _| panic!("a result from nowhere"),
        );
    }
}
