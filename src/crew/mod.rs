//! Who weighs: a fixed number of this machine's threads behind a short queue.
//!
//! In: jobs. Out: whatever a job does; the crew only lends threads. Knows no custody. Giving a
//! job waits while all hands are busy and the queue is full, so a full folder slows intake down
//! instead of filling memory.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

/// A piece of work for one thread.
pub type Job = Box<dyn FnOnce() + Send>;

/// The threads; dropping them waits for the jobs that were begun.
pub struct Crew {
    queue: Option<SyncSender<Job>>,
    hands: Vec<JoinHandle<()>>,
}

impl Crew {
    /// `threads`: at least 1.
    ///
    /// Errors: the system's, when it has no more threads to give.
    pub fn new(threads: usize) -> std::io::Result<Self> {
        // One waiting job a thread: enough that no hand idles, few enough that a stop is quick.
        let (queue, jobs) = sync_channel(threads.max(1));
        let jobs = Arc::new(Mutex::new(jobs));
        let mut hands = Vec::new();
        for number in 1..=threads.max(1) {
            let jobs = Arc::clone(&jobs);
            let hand = std::thread::Builder::new()
                .name(format!("scales-{number}"))
                .spawn(move || work(&jobs))?;
            hands.push(hand);
        }
        Ok(Self {
            queue: Some(queue),
            hands,
        })
    }

    /// Hands a job over; waits while the queue is full.
    pub fn give(&self, job: Job) {
        if let Some(queue) = &self.queue {
            // The receiving end lives as long as the threads, and they as long as `self`.
            let _ = queue.send(job);
        }
    }
}

fn work(jobs: &Mutex<Receiver<Job>>) {
    loop {
        let next = jobs.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok(job) = next else { return };
        // A panic is a bug of ours; it must not take the thread, and with it every later file,
        // along. The hook has logged it, and the file stays where it is.
        let _ = std::panic::catch_unwind(std::panic::AssertUnwindSafe(job));
    }
}

impl Drop for Crew {
    fn drop(&mut self) {
        self.queue = None;
        for hand in self.hands.drain(..) {
            let _ = hand.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};

    #[test]
    fn every_job_is_done_once_and_a_panic_takes_no_hand_along() {
        let done = Arc::new(AtomicUsize::new(0));
        let crew = Crew::new(2).unwrap();
        for number in 0..100 {
            let done = Arc::clone(&done);
            crew.give(Box::new(move || {
                if number % 10 == 3 {
                    std::panic::resume_unwind(Box::new("a bug"));
                }
                done.fetch_add(1, Ordering::SeqCst);
            }));
        }
        drop(crew);
        assert_eq!(done.load(Ordering::SeqCst), 90);
    }
}
