//! Tells the service manager whether the daemon is ready, alive or stopping. Without a service manager nothing is said.

use std::time::{Duration, Instant};

use crate::system::{Word, manager_waits, tell_manager};

/// Speaks to the service manager.
pub struct Service {
    alive_every: Option<Duration>,
    last_alive: Instant,
    is_ready: bool,
}

impl Service {
    /// Finds out whether anybody wants to know.
    pub fn new() -> Service {
        Service {
            // Twice within the limit, as sd_watchdog_enabled(3) advises.
            alive_every: manager_waits().map(|limit| limit / 2),
            last_alive: Instant::now(),
            is_ready: false,
        }
    }

    /// Says that the first listing is done and the inbox is being followed.
    pub fn ready(&mut self) {
        if !self.is_ready {
            self.is_ready = true;
            tell_manager(Word::Ready);
        }
    }

    /// Says that the daemon is still at work, as often as the service manager asks for it. To be called often.
    pub fn alive(&mut self) {
        if self
            .alive_every
            .is_some_and(|every| self.last_alive.elapsed() >= every)
        {
            self.last_alive = Instant::now();
            tell_manager(Word::Alive);
        }
    }

    /// When [`Service::alive`] is due next.
    pub fn next_alive(&self) -> Option<Instant> {
        self.alive_every.map(|every| self.last_alive + every)
    }

    /// Sets the one line of the service's status.
    pub fn status(&self, text: &str) {
        tell_manager(Word::Status(text));
    }

    /// Says that no new photos are taken from now on.
    pub fn stopping(&self) {
        tell_manager(Word::Stopping);
    }
}
