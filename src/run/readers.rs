//! Reads of the inbox that are under way, each on a thread of its own, so that a disk that does not answer holds up
//! nothing but the photo that it does not give. Nobody can end such a read from outside: it is given up, and its thread is
//! left to wait for as long as the disk does.

use std::collections::BTreeMap;
use std::io;
use std::time::{Duration, Instant};

use crate::arrive::settle::Candidate;

use super::bell::{Bell, Event};
use super::intake::Taken;
use super::read::Progress;

/// A read that has brought nothing for so long does not hold up the others any more.
const STUCK: Duration = Duration::from_secs(5);
/// So many given-up reads may wait for their disk, each a thread. Where there are more, the disk as a whole is gone, and
/// the next files are not tried.
const MOST_GIVEN_UP: usize = 256;

/// The reads under way.
#[derive(Default)]
pub struct Readers {
    n_started: u64,
    under_way: BTreeMap<u64, UnderWay>,
}

struct UnderWay {
    candidate: Candidate,
    progress: Progress,
    n_read: u64,
    /// Since when it has brought nothing.
    since: Instant,
    is_given_up: bool,
}

impl UnderWay {
    fn is_busy(&self, now: Instant) -> bool {
        !self.is_given_up && now.saturating_duration_since(self.since) < STUCK
    }
}

impl Readers {
    /// Starts to read one, and rings the bell with what came of it.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub fn start(
        &mut self,
        candidate: Candidate,
        bell: Bell,
        read: impl FnOnce(&Progress) -> Taken + Send + 'static,
    ) -> io::Result<()> {
        self.n_started += 1;
        let (number, progress) = (self.n_started, Progress::default());
        let (theirs, own) = (progress.clone(), candidate.clone());
        std::thread::Builder::new()
            .name("reader".to_owned())
            .spawn(move || {
                let taken = read(&theirs);
                bell.ring(Event::Read(Box::new((number, own, taken))));
            })?;
        let under_way = UnderWay {
            candidate,
            progress,
            n_read: 0,
            since: Instant::now(),
            is_given_up: false,
        };
        self.under_way.insert(number, under_way);
        Ok(())
    }

    /// A read came back. True where it was waited for, false where it had been given up.
    pub fn came_back(&mut self, number: u64) -> bool {
        let read = self.under_way.remove(&number);
        read.is_some_and(|read| !read.is_given_up)
    }

    /// Gives up the reads that have brought nothing for `patience`, and returns them.
    pub fn give_up(&mut self, now: Instant, patience: Duration) -> Vec<Candidate> {
        let mut given_up = Vec::new();
        for read in self.under_way.values_mut() {
            let n_read = read.progress.n_read();
            if n_read != read.n_read {
                (read.n_read, read.since) = (n_read, now);
            }
            if !read.is_given_up && now.saturating_duration_since(read.since) >= patience {
                read.is_given_up = true;
                given_up.push(read.candidate.clone());
            }
        }
        given_up
    }

    /// True as long as one more may be tried.
    pub fn may_try(&self) -> bool {
        let given_up = self.under_way.values().filter(|read| read.is_given_up);
        given_up.count() < MOST_GIVEN_UP
    }

    /// Number of reads that are waited for, however long.
    pub fn n_awaited(&self) -> usize {
        let awaited = self.under_way.values().filter(|read| !read.is_given_up);
        awaited.count()
    }

    /// Number of reads that bring something, and the bytes of their files.
    pub fn busy(&self, now: Instant) -> (usize, u64) {
        let busy = self.under_way.values().filter(|read| read.is_busy(now));
        busy.fold((0, 0), |(n, bytes), read| {
            (n + 1, bytes + read.candidate.identity.size)
        })
    }

    /// When one of them will be said to be stuck, or be given up, if it goes on to bring nothing.
    pub fn next_doubt(&self, now: Instant, patience: Duration) -> Option<Instant> {
        self.under_way
            .values()
            .filter(|read| !read.is_given_up)
            .map(|read| match read.is_busy(now) {
                true => read.since + STUCK.min(patience),
                false => read.since + patience,
            })
            .min()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::arrive::listing::{Identity, Rel};
    use crate::arrive::settle::Chance;
    use std::sync::mpsc;

    #[test]
    fn what_brings_nothing_is_first_not_waited_for_and_then_given_up() {
        let (bell, ears) = Bell::new();
        let mut readers = Readers::default();
        let start = Instant::now();
        let at = |s: u64| start + Duration::from_secs(s) + Duration::from_millis(900);
        let patience = Duration::from_secs(30);
        let mut start_one = |name: &str| {
            let (goes_on, may_go_on) = mpsc::channel::<()>();
            let (progress_of, progress) = mpsc::channel();
            let identity = Identity {
                size: 7,
                ..Identity::default()
            };
            let candidate = Candidate {
                path: Rel::new(name),
                identity,
                chance: Chance::Usual,
            };
            let read = move |own: &Progress| {
                progress_of.send(own.clone()).unwrap();
                let _ = may_go_on.recv();
                Taken::Gone
            };
            readers.start(candidate, bell.clone(), read).unwrap();
            (goes_on, progress.recv().unwrap())
        };
        let (_stuck, _) = start_one("heron/stuck.jpg");
        let (slow, its_progress) = start_one("heron/slow.jpg");
        assert!(readers.give_up(at(0), patience).is_empty());
        assert_eq!(readers.busy(at(0)), (2, 14));
        assert!(readers.next_doubt(at(0), patience).unwrap() < at(5));
        its_progress.add(1);
        assert!(readers.give_up(at(4), patience).is_empty());
        assert_eq!((readers.busy(at(6)), readers.n_awaited()), ((1, 7), 2));
        assert!(readers.next_doubt(at(6), patience).unwrap() <= at(9));
        its_progress.add(1);
        let given_up = readers.give_up(at(31), patience);
        assert_eq!(given_up.len(), 1);
        assert_eq!(given_up[0].path, Rel::new("heron/stuck.jpg"));
        assert!(readers.give_up(at(32), patience).is_empty(), "said once");
        assert_eq!((readers.busy(at(32)), readers.n_awaited()), ((1, 7), 1));
        drop(slow);
        let Ok(Event::Read(read)) = ears.events.recv() else {
            panic!("the slow one comes back");
        };
        assert!(readers.came_back(read.0));
        drop(_stuck);
        let Ok(Event::Read(read)) = ears.events.recv() else {
            panic!("the stuck one comes back");
        };
        assert!(!readers.came_back(read.0), "too late");
        assert_eq!(readers.next_doubt(at(40), patience), None);
    }
}
