//! Decides when a file has come to rest. A pure state machine: listings and the time go in, files to be read come out.
//!
//! A file is read once it has looked the same on three listings that span the settle time, by a clock that nobody can
//! set. What then turns out to end early, or to have a hole, is given more time, because a slow upload looks just like
//! that; when that time is over too, it is handed out once more as a last chance, so that it gets its row.
//!
//! A file that its writer has closed, or that came whole by a rename, is handed out sooner, to be accepted if it shows its own
//! end. Whether or not it does, it settles as any other besides, and is read then: what was written meanwhile within one step of the
//! disk's clock shows in its content only.

use std::collections::BTreeMap;
use std::time::Duration;

use super::listing::{Identity, Rel};

/// How long to wait.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Times {
    /// A file must not have changed for this long.
    pub settle: Duration,
    /// A file that does not look finished must not have changed for this long before it is called broken.
    pub patience: Duration,
}

/// Fewest listings on which a file must have looked the same: two could fall into one pause of a writer.
pub const LISTINGS: u32 = 3;
/// A file that was closed must have looked the same on so many…
const LISTINGS_CLOSED: u32 = 2;
/// …for this share of the settle time: upload clients set a file's times right after they have closed it.
const SHARE_CLOSED: u32 = 8;

/// One file as a listing shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sight {
    /// What changes when the file does.
    pub identity: Identity,
    /// For how long the file's own times say it has not changed; zero where they are not to be trusted (a time in the
    /// future, a network's clock, a file that came while we were looking).
    pub quiet: Duration,
    /// True where the system has told that the file was closed by its writer, or renamed to its place, and of no write since.
    pub closed: bool,
}

/// With what a file to be read is to be accepted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Chance {
    /// Only if it shows its own end.
    Early,
    /// If nothing speaks against its being whole.
    Usual,
    /// Whatever it looks like.
    Last,
}

/// A file to be read now.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// Which.
    pub path: Rel,
    /// What it looked like; if it looks otherwise after reading, it has not settled.
    pub identity: Identity,
    /// With what it is to be accepted.
    pub chance: Chance,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Stage {
    /// Still to be read.
    Waiting,
    /// Handed out, no word yet.
    BeingRead(Chance),
    /// Read, and it does not look finished.
    Suspicious,
    /// Read early and accepted: still to be read once it has settled.
    TakenEarly,
    /// Read and accepted.
    Taken,
}

#[derive(Clone, Debug)]
struct Seen {
    sight: Sight,
    since: Duration,
    listings: u32,
    stage: Stage,
    /// True once it was handed out early: once is enough.
    was_early: bool,
}

impl Seen {
    fn new(sight: Sight, now: Duration) -> Seen {
        Seen {
            sight,
            since: now,
            listings: 1,
            stage: Stage::Waiting,
            was_early: false,
        }
    }

    fn unchanged_for(&self, now: Duration) -> Duration {
        now.saturating_sub(self.since).max(self.sight.quiet)
    }

    fn has_settled(&self, now: Duration, times: &Times) -> bool {
        self.sight.quiet >= times.settle
            || self.listings >= LISTINGS && now.saturating_sub(self.since) >= times.settle
    }

    fn may_be_early(&self) -> bool {
        self.sight.closed && !self.was_early
    }

    /// With what it is to be handed out at `now`, if it is.
    fn chance(&self, now: Duration, times: &Times) -> Option<Chance> {
        let is_out_of_patience = self.unchanged_for(now) >= times.patience;
        let is_early = self.may_be_early()
            && self.listings >= LISTINGS_CLOSED
            && now.saturating_sub(self.since) >= times.settle / SHARE_CLOSED;
        match self.stage {
            Stage::Waiting if self.has_settled(now, times) => Some(match is_out_of_patience {
                true => Chance::Last,
                false => Chance::Usual,
            }),
            Stage::TakenEarly => self.has_settled(now, times).then_some(Chance::Usual),
            Stage::Waiting => is_early.then_some(Chance::Early),
            Stage::Suspicious => is_out_of_patience.then_some(Chance::Last),
            Stage::BeingRead(_) | Stage::Taken => None,
        }
    }

    fn handed_out(&mut self, path: &Rel, chance: Chance) -> Candidate {
        self.stage = Stage::BeingRead(chance);
        self.was_early |= chance == Chance::Early;
        Candidate {
            path: path.clone(),
            identity: self.sight.identity,
            chance,
        }
    }
}

/// The state of every file in the inbox.
#[derive(Clone, Debug)]
pub struct Settler {
    times: Times,
    files: BTreeMap<Rel, Seen>,
}

impl Settler {
    /// Nothing seen yet.
    pub fn new(times: Times) -> Settler {
        Settler {
            times,
            files: BTreeMap::new(),
        }
    }

    /// Changes the times; files already taken stay taken.
    pub fn set_times(&mut self, times: Times) {
        self.times = times;
    }

    /// Takes in a listing made at `now` (time since any fixed moment, never running backwards).
    ///
    /// Returns the files to be read now, in path order; each is handed out once until its identity changes or
    /// [`Settler::suspect`] or [`Settler::again`] sends it back. Files that are no longer listed are forgotten.
    pub fn observe(
        &mut self,
        now: Duration,
        listing: impl Iterator<Item = (Rel, Sight)>,
    ) -> Vec<Candidate> {
        let mut before = std::mem::take(&mut self.files);
        for (path, sight) in listing {
            let seen = match before.remove(&path) {
                Some(mut seen) if seen.sight.identity == sight.identity => {
                    seen.listings = seen.listings.saturating_add(1);
                    seen.sight.closed |= sight.closed;
                    seen
                }
                _ => Seen::new(sight, now),
            };
            self.files.insert(path, seen);
        }
        self.due(now)
    }

    /// Takes in a look at single files that were found at `now` as the last listing had them: for them it is a listing.
    pub fn found_again(&mut self, now: Duration, paths: &[Rel]) -> Vec<Candidate> {
        for path in paths {
            if let Some(seen) = self.files.get_mut(path) {
                seen.listings = seen.listings.saturating_add(1);
            }
        }
        self.due(now)
    }

    /// The files that are still to be read, with what they looked like.
    pub fn waiting(&self) -> impl Iterator<Item = (&Rel, Identity)> {
        let waits = |seen: &Seen| !matches!(seen.stage, Stage::BeingRead(_) | Stage::Taken);
        let waiting = self.files.iter().filter(move |(_, seen)| waits(seen));
        waiting.map(|(path, seen)| (path, seen.sight.identity))
    }

    fn due(&mut self, now: Duration) -> Vec<Candidate> {
        let mut candidates = Vec::new();
        for (path, seen) in &mut self.files {
            if let Some(chance) = seen.chance(now, &self.times) {
                candidates.push(seen.handed_out(path, chance));
            }
        }
        candidates
    }

    /// Hands out every file that has not been read, whatever its state: for a sweep that must come to an end.
    pub fn all_that_wait(&mut self) -> Vec<Candidate> {
        let mut candidates = Vec::new();
        for (path, seen) in &mut self.files {
            if matches!(seen.stage, Stage::Waiting | Stage::Suspicious) {
                candidates.push(seen.handed_out(path, Chance::Last));
            }
        }
        candidates
    }

    fn being_read(&mut self, path: &Rel, identity: Identity) -> Option<&mut Seen> {
        let is_read = |seen: &&mut Seen| matches!(seen.stage, Stage::BeingRead(_));
        let seen = self.files.get_mut(path).filter(is_read);
        seen.filter(|seen| seen.sight.identity == identity)
    }

    /// The file was read whole. False where it has changed since: then the reading is void.
    pub fn take(&mut self, path: &Rel, identity: Identity) -> bool {
        let seen = self.being_read(path, identity);
        let taken = |seen: &mut Seen| {
            seen.stage = match seen.stage {
                Stage::BeingRead(Chance::Early) => Stage::TakenEarly,
                _ => Stage::Taken,
            };
        };
        seen.map(taken).is_some()
    }

    /// A file that was accepted is looked into once more, as it was read. False where it was not, or has changed since.
    pub fn reopen(&mut self, path: &Rel, identity: Identity) -> bool {
        let seen = self.files.get_mut(path);
        let Some(seen) = seen.filter(|seen| seen.sight.identity == identity) else {
            return false;
        };
        let chance = match seen.stage {
            Stage::TakenEarly => Chance::Early,
            Stage::Taken => Chance::Usual,
            _ => return false,
        };
        seen.stage = Stage::BeingRead(chance);
        true
    }

    /// The file was read and does not look finished: it is handed out again when patience is over, or, where that was early, when it
    /// has settled.
    pub fn suspect(&mut self, path: &Rel, identity: Identity) {
        if let Some(seen) = self.being_read(path, identity) {
            seen.stage = match seen.stage {
                Stage::BeingRead(Chance::Early) => Stage::Waiting,
                _ => Stage::Suspicious,
            };
        }
    }

    /// The file could not be read as it looked, or is to be read anew: it starts to settle again.
    pub fn again(&mut self, path: &Rel, identity: Identity, now: Duration) {
        if let Some(seen) = self.files.get_mut(path)
            && seen.sight.identity == identity
        {
            let sight = Sight {
                identity,
                quiet: Duration::ZERO,
                closed: false,
            };
            *seen = Seen::new(sight, now);
        }
    }

    /// When the next listing can bring something that this one did not, if nothing changes meanwhile.
    pub fn next_look(&self, now: Duration) -> Option<Duration> {
        self.files
            .values()
            .filter_map(|seen| match seen.stage {
                Stage::Waiting if seen.may_be_early() => {
                    Some(seen.since + self.times.settle / SHARE_CLOSED)
                }
                Stage::Waiting | Stage::TakenEarly if seen.listings + 1 < LISTINGS => {
                    Some(seen.since + self.times.settle / (LISTINGS - 1) * seen.listings)
                }
                Stage::Waiting | Stage::TakenEarly => Some(seen.since + self.times.settle),
                Stage::Suspicious => Some(
                    now + self.times.patience - seen.unchanged_for(now).min(self.times.patience),
                ),
                Stage::BeingRead(_) | Stage::Taken => None,
            })
            .min()
            .map(|at| at.max(now))
    }

    /// Number of files that have not been taken.
    pub fn n_pending(&self) -> usize {
        let taken = |seen: &&Seen| matches!(seen.stage, Stage::Taken | Stage::TakenEarly);
        self.files.values().filter(|seen| !taken(seen)).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Plays a scenario and returns what was handed out when.
    ///
    /// A line is `time: name=version…`, the version standing for everything that changes with the content; `name?`
    /// marks a file whose content ends early (it is suspected when handed out without last chance), `name=7~30` one
    /// whose own times say that it has been quiet for 30 s, `name=7#` one of which was told that it was closed. What is handed out
    /// early has a `'` behind its name, a last chance a `!`.
    fn play(scenario: &str) -> String {
        let times = Times {
            settle: Duration::from_secs(2),
            patience: Duration::from_secs(60),
        };
        let mut settler = Settler::new(times);
        let mut out = Vec::new();
        for line in scenario.lines().map(str::trim).filter(|l| !l.is_empty()) {
            let (time, files) = line.split_once(':').unwrap();
            let now = Duration::from_secs_f64(time.trim().parse().unwrap());
            let listing = files.split_whitespace().map(|file| {
                let (name, version) = file.split_once('=').unwrap();
                let closed = version.ends_with('#');
                let version = version.trim_end_matches('#');
                let (version, quiet) = version.split_once('~').unwrap_or((version, "0"));
                let sight = Sight {
                    identity: Identity {
                        ctime_ns: version.parse().unwrap(),
                        ..Identity::default()
                    },
                    quiet: Duration::from_secs(quiet.parse().unwrap()),
                    closed,
                };
                (Rel::new(name), sight)
            });
            for candidate in settler.observe(now, listing) {
                let name = candidate.path.shown();
                let chance = match candidate.chance {
                    Chance::Early => "'",
                    Chance::Usual => "",
                    Chance::Last => "!",
                };
                out.push(format!("{}:{name}{chance}", time.trim()));
                if name.ends_with('?') && candidate.chance != Chance::Last {
                    settler.suspect(&candidate.path, candidate.identity);
                } else {
                    assert!(settler.take(&candidate.path, candidate.identity));
                }
            }
        }
        out.join(" ")
    }

    #[test]
    fn a_look_at_a_file_alone_is_a_listing_of_it_and_of_no_other() {
        let mut settler = Settler::new(Times {
            settle: Duration::from_secs(2),
            patience: Duration::from_secs(60),
        });
        let sight = Sight {
            identity: Identity::default(),
            quiet: Duration::ZERO,
            closed: false,
        };
        let (a, b) = (Rel::new("a"), Rel::new("b"));
        let listing = [(a.clone(), sight), (b.clone(), sight)];
        assert_eq!(settler.observe(Duration::ZERO, listing.into_iter()), []);
        assert_eq!(settler.waiting().count(), 2);
        let only_a = std::slice::from_ref(&a);
        assert_eq!(settler.found_again(Duration::from_secs(1), only_a), []);
        let settled = settler.found_again(Duration::from_secs(2), only_a);
        assert_eq!(settled.iter().map(|c| &c.path).collect::<Vec<_>>(), [&a]);
        assert_eq!(settler.waiting().map(|w| w.0).collect::<Vec<_>>(), [&b]);
    }

    #[test]
    fn files_are_handed_out_when_they_have_come_to_rest() {
        let cases = [
            (
                "one file at rest",
                "0: a=1 \n 1: a=1 \n 2: a=1 \n 3: a=1",
                "2:a",
            ),
            (
                "two listings are not enough",
                "0: a=1 \n 9: a=1 \n 9.1: a=1",
                "9.1:a",
            ),
            (
                "three listings at once are not enough",
                "0: a=1 \n 0.1: a=1 \n 0.2: a=1 \n 1.9: a=1 \n 2: a=1",
                "2:a",
            ),
            (
                "a change starts it again",
                "0: a=1 \n 1: a=1 \n 1.9: a=2 \n 2.5: a=2 \n 3.8: a=2 \n 3.9: a=2",
                "3.9:a",
            ),
            (
                "a drip that pauses for less than the settle time",
                "0: a=1 \n 1: a=1 \n 1.5: a=2 \n 3: a=2 \n 3.4: a=3 \n 4: a=3 \n 5.4: a=3",
                "5.4:a",
            ),
            (
                "each file by itself",
                "0: a=1 \n 1: a=1 b=1 \n 2: a=1 b=1 \n 3: a=1 b=1",
                "2:a 3:b",
            ),
            (
                "gone and back counts anew",
                "0: a=1 \n 1: a=1 \n 2: \n 3: a=1 \n 4: a=1 \n 5: a=1",
                "5:a",
            ),
            (
                "replaced after it was taken",
                "0: a=1 \n 1: a=1 \n 2: a=1 \n 3: a=2 \n 4: a=2 \n 5: a=2",
                "2:a 5:a",
            ),
            ("old files are taken at once", "0: a=1~5 b=1~1", "0:a"),
            (
                "an unfinished file waits a minute",
                "0: a?=1 \n 1: a?=1 \n 2: a?=1 \n 59.9: a?=1 \n 60: a?=1 \n 61: a?=1",
                "2:a? 60:a?!",
            ),
            (
                "an unfinished file that grows is looked at again",
                "0: a?=1 \n 1: a?=1 \n 2: a?=1 \n 50: a?=2 \n 51: a?=2 \n 52: a?=2 \n 110: a?=2",
                "2:a? 52:a? 110:a?!",
            ),
            (
                "a file that was closed is looked into early",
                "0: a=1# \n 0.1: a=1 \n 0.3: a=1 \n 1.9: a=1 \n 2: a=1 \n 3: a=1",
                "0.3:a' 2:a",
            ),
            (
                "a file is closed after it was seen",
                "0: a=1 \n 0.1: a=1 \n 0.3: a=1# \n 2: a=1",
                "0.3:a' 2:a",
            ),
            (
                "one look at a closed file is not enough",
                "0: a=1 \n 3: b=1# \n 3.1: b=1 \n 4: b=1",
                "4:b'",
            ),
            (
                "written on after it was taken early",
                "0: a=1# \n 0.3: a=1 \n 1: a=2# \n 1.3: a=2 \n 2: a=2 \n 3: a=2",
                "0.3:a' 1.3:a' 3:a",
            ),
            (
                "written on after it was closed",
                "0: a=1# \n 0.2: a=2 \n 0.6: a=2 \n 2.2: a=2 \n 2.3: a=2",
                "2.2:a",
            ),
            (
                "closed between the parts of an upload",
                "0: a?=1# \n 0.3: a?=1 \n 1: a?=2# \n 1.3: a?=2 \n 2: a?=2 \n 3: a?=2 \n 61: a?=2",
                "0.3:a?' 1.3:a?' 3:a? 61:a?!",
            ),
            (
                "closed, and without its own end",
                "0: a?=1# \n 0.5: a?=1# \n 1: a?=1 \n 2: a?=1",
                "0.5:a?' 2:a?",
            ),
            (
                "an unfinished file older than a minute",
                "0: a?=1~61",
                "0:a?!",
            ),
            (
                "an unfinished file older than the settle time",
                "0: a?=1~10 \n 59: a?=1~10 \n 60: a?=1~10",
                "0:a? 60:a?!",
            ),
        ];
        for (name, scenario, expected) in cases {
            assert_eq!(play(scenario), expected, "{name}");
        }
    }

    fn sight(version: i64) -> Sight {
        Sight {
            identity: Identity {
                ctime_ns: version,
                ..Identity::default()
            },
            quiet: Duration::ZERO,
            closed: false,
        }
    }

    /// Follows `next_look` and nothing else, and returns when the file is handed out.
    #[test]
    fn looking_when_advised_takes_no_longer_than_the_settle_time() {
        let times = Times {
            settle: Duration::from_secs(2),
            patience: Duration::from_secs(60),
        };
        let mut settler = Settler::new(times);
        let mut now = Duration::ZERO;
        let mut n_looks = 0;
        while settler
            .observe(now, [(Rel::new("a"), sight(1))].into_iter())
            .is_empty()
        {
            n_looks += 1;
            now = settler.next_look(now).expect("something is pending");
        }
        assert_eq!((now, n_looks + 1), (Duration::from_secs(2), 3));

        settler.suspect(&Rel::new("a"), sight(1).identity);
        assert_eq!(settler.next_look(now), Some(Duration::from_secs(60)));

        let closed = Sight {
            closed: true,
            ..sight(1)
        };
        let (b, soon) = (Rel::new("b"), now + Duration::from_millis(250));
        settler.observe(now, [(b.clone(), closed)].into_iter());
        assert_eq!(settler.next_look(now), Some(soon));
        let early = settler.found_again(soon, std::slice::from_ref(&b));
        assert_eq!(early[0].chance, Chance::Early);
        // What was taken early and is looked into once more is still to be read when it has settled.
        assert!(settler.take(&b, sight(1).identity));
        assert_eq!(settler.n_pending(), 0);
        assert!(settler.reopen(&b, sight(1).identity) && settler.take(&b, sight(1).identity));
        let third = now + Duration::from_secs(1);
        assert_eq!(settler.found_again(third, std::slice::from_ref(&b)), []);
        let settled = now + Duration::from_secs(2);
        assert_eq!(settler.next_look(third), Some(settled));
        assert_eq!(settler.found_again(settled, &[b])[0].chance, Chance::Usual);
    }

    #[test]
    fn a_reading_is_void_when_the_file_changed_meanwhile() {
        let times = Times {
            settle: Duration::ZERO,
            patience: Duration::ZERO,
        };
        let mut settler = Settler::new(times);
        let a = Rel::new("a");
        let handed_out = settler.observe(Duration::ZERO, [(a.clone(), sight(1))].into_iter());
        assert_eq!(handed_out.len(), 1);
        settler.observe(Duration::ZERO, [(a.clone(), sight(2))].into_iter());
        assert!(!settler.take(&a, sight(1).identity));
        assert_eq!(settler.n_pending(), 1);
        // One that was accepted can be looked into once more, as it was.
        assert!(
            !settler.reopen(&a, sight(2).identity),
            "it has not been read"
        );
        assert!(settler.take(&a, sight(2).identity));
        assert!(!settler.reopen(&a, sight(1).identity), "another content");
        assert!(settler.reopen(&a, sight(2).identity) && settler.take(&a, sight(2).identity));
    }
}
