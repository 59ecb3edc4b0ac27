//! Tells from the wall clock, which people can set, for how long a file has been left alone. The wall clock is relied
//! on only as long as it advances with the monotonic clock, which nobody can set: after a jump nothing is concluded
//! about the time before.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::arrive::listing::Identity;

/// Difference between the two clocks from which on the wall clock counts as set. They are read one after the other, and
/// the system may keep a thread waiting in between. It is half the shortest time that anything is concluded from.
const TOLERANCE: Duration = Duration::from_secs(1);

/// The wall clock, compared with the monotonic one.
pub struct WallClock {
    anchor: (Instant, i64),
    was_set: bool,
}

/// What the clocks say at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glance {
    wall_ns: i64,
    /// Time since the wall clock was last set; absent where it was not set since the start.
    at_most: Option<Duration>,
}

impl WallClock {
    /// Starts to compare the clocks now.
    pub fn new() -> WallClock {
        WallClock {
            anchor: (Instant::now(), wall_ns()),
            was_set: false,
        }
    }

    /// Reads both clocks.
    pub fn look(&mut self) -> Glance {
        self.compare(Instant::now(), wall_ns())
    }

    fn compare(&mut self, now: Instant, wall_ns: i64) -> Glance {
        let gone = now.saturating_duration_since(self.anchor.0);
        let gone_ns = i64::try_from(gone.as_nanos()).unwrap_or(i64::MAX);
        let departure = wall_ns.abs_diff(self.anchor.1.saturating_add(gone_ns));
        if u128::from(departure) > TOLERANCE.as_nanos() {
            self.anchor = (now, wall_ns);
            self.was_set = true;
        }
        let since = now.saturating_duration_since(self.anchor.0);
        Glance {
            wall_ns,
            at_most: self.was_set.then_some(since),
        }
    }
}

impl Glance {
    /// How long a file has not changed, by its own times; zero where they lie in the future.
    pub fn quiet(&self, identity: &Identity) -> Duration {
        let last = identity.mtime_ns.max(identity.ctime_ns);
        // A folder that gets a row has no times.
        let ns = self.wall_ns.saturating_sub(last);
        let by_its_times = Duration::from_nanos(u64::try_from(ns).unwrap_or(0));
        self.at_most
            .map_or(by_its_times, |most| by_its_times.min(most))
    }
}

/// The wall clock, ms since 1970, for people to read; nothing is concluded from it.
pub fn now_ms() -> u64 {
    u64::try_from(wall_ns() / 1_000_000).unwrap_or(0)
}

/// The wall clock, nanoseconds since 1970.
fn wall_ns() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    since.map_or(0, |since| {
        i64::try_from(since.as_nanos()).unwrap_or(i64::MAX)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000_000;

    #[test]
    fn a_jump_makes_no_file_look_older_than_the_time_since() {
        let start = Instant::now();
        let mut clock = WallClock {
            anchor: (start, 1000 * S),
            was_set: false,
        };
        // Of a file last changed at `last_s`, at `now_s` by the steady clock and `wall_s` by the other.
        let mut quiet_s = |now_s: u64, wall_s: i64, last_s: i64| {
            let file = Identity {
                ctime_ns: last_s * S,
                mtime_ns: (last_s - 1) * S,
                ..Identity::default()
            };
            let glance = clock.compare(start + Duration::from_secs(now_s), wall_s * S);
            glance.quiet(&file).as_secs()
        };
        // As long as both go alike, the file's own times count, also those from before the start.
        assert_eq!(quiet_s(0, 1000, 400), 600);
        assert_eq!(quiet_s(10, 1010, 1008), 2);
        assert_eq!(quiet_s(10, 1010, 5000), 0, "a time to come");
        // Set forward by an hour: what was written two seconds ago does not look an hour old.
        assert_eq!(quiet_s(12, 4612, 1010), 0);
        assert_eq!(quiet_s(15, 4615, 1010), 3);
        assert_eq!(quiet_s(16, 4616, 4614), 2);
        // Set back: what was written then lies in the future, and what is older counts from the jump on.
        assert_eq!(quiet_s(20, 1000, 4614), 0);
        assert_eq!(quiet_s(27, 1007, 400), 7);
    }

    #[test]
    fn the_system_s_own_small_corrections_are_no_jump() {
        let start = Instant::now();
        let mut clock = WallClock {
            anchor: (start, 1000 * S),
            was_set: false,
        };
        let glance = clock.compare(start + Duration::from_secs(100), 1100 * S + S / 2);
        assert_eq!(glance.at_most, None);
    }
}
