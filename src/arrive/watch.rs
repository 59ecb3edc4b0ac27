//! Hints that something happened in the inbox.
//!
//! The system's events are incomplete by design: queues overflow, new sub-folders fill before they are watched, network
//! folders say nothing. So an event only ever means "look again soon", the looking is always a full listing, and
//! a listing is due at regular intervals whether or not anything was heard.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use notify::event::{AccessKind, AccessMode, ModifyKind, RenameMode};
use notify::{Config, EventKind, RecommendedWatcher, RecursiveMode, Watcher};

use super::listing::Rel;
use crate::system::{file_numbers, network_kind};

/// Called, from any thread, when the inbox should be looked at again.
pub type Hint = Arc<dyn Fn(Heard) + Send + Sync>;

/// What a hint is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    /// Something changed.
    Change,
    /// The system had more to say than it keeps: anything may have changed.
    Lost,
}

/// True where an event can mean that a file changed.
///
/// Opening and reading are left out: our own listings and readings raise those events, and would call themselves.
/// A lost-events flag comes without paths and an error without an event: both mean that anything may have happened.
pub fn is_hint(event: &notify::Result<notify::Event>) -> bool {
    match event {
        Err(_) => true,
        Ok(event) if event.need_rescan() => true,
        Ok(event) => match event.kind {
            EventKind::Access(AccessKind::Close(AccessMode::Write)) => true,
            EventKind::Access(_) => false,
            _ => true,
        },
    }
}

/// The files that were closed by their writers, or renamed to their places, and not written since.
#[derive(Default)]
struct Closed(HashSet<PathBuf>);

impl Closed {
    fn hear(&mut self, event: &notify::Event) {
        match event.kind {
            EventKind::Access(AccessKind::Close(AccessMode::Write))
            | EventKind::Modify(ModifyKind::Name(RenameMode::To)) => {
                self.0.extend(event.paths.iter().cloned());
            }
            // Times and rights are set by whoever has closed it; of a rename within the inbox the new name is told by itself.
            EventKind::Access(_) | EventKind::Modify(ModifyKind::Metadata(_)) => {}
            EventKind::Modify(ModifyKind::Name(RenameMode::Both)) => {}
            _ => {
                for path in &event.paths {
                    self.0.remove(path);
                }
            }
        }
    }
}

/// Why there are no events, in words for the log.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Silent {
    /// A kind of file system on which other machines' changes raise no events here.
    #[error("{path} is on a {kind} file system, which does not report changes made elsewhere")]
    Network {
        /// The inbox.
        path: PathBuf,
        /// What it is called.
        kind: &'static str,
    },
    /// The system's limit on watched folders is used up.
    #[error(
        "the system allows no more folders to be watched; raise fs.inotify.max_user_watches with sysctl"
    )]
    TooManyFolders,
    /// Anything else.
    #[error("events cannot be had: {0}")]
    Failed(String),
}

/// Follows the inbox, and starts anew when the inbox is another folder than before.
pub struct Follower {
    inbox: PathBuf,
    hint: Hint,
    poll: bool,
    watched: Option<((u64, u64), Option<RecommendedWatcher>)>,
    closed: Arc<Mutex<Closed>>,
}

impl Follower {
    /// Follows nothing yet; with `poll`, never will.
    pub fn new(inbox: &Path, poll: bool, hint: Hint) -> Follower {
        Follower {
            inbox: inbox.to_owned(),
            hint,
            poll,
            watched: None,
            closed: Arc::default(),
        }
    }

    /// The files that were closed by their writers, or renamed to their places, since this was asked last, and not written since
    /// then. To be asked before a listing: what is listed is then no older.
    pub fn take_closed(&mut self) -> HashSet<Rel> {
        let mut closed = self.closed.lock().unwrap_or_else(PoisonError::into_inner);
        let below = |path: PathBuf| Some(Rel::new(path.strip_prefix(&self.inbox).ok()?));
        closed.0.drain().filter_map(below).collect()
    }

    /// Call at each listing: watches the inbox if it is not watched, or is no longer the folder that was.
    ///
    /// # Errors
    /// Once for each new folder that cannot be watched, with the reason; the regular listings then do alone.
    pub fn keep_up(&mut self) -> Result<(), Silent> {
        if self.poll {
            return Ok(());
        }
        let Ok(metadata) = std::fs::metadata(&self.inbox) else {
            self.watched = None;
            return Ok(());
        };
        let root = file_numbers(&metadata);
        let root = (root.device, root.number);
        if self.watched.as_ref().is_some_and(|(was, _)| *was == root) {
            return Ok(());
        }
        // The old watcher goes first, so that its watches are free for the new one.
        self.watched = None;
        match self.start() {
            Ok(watcher) => {
                self.watched = Some((root, Some(watcher)));
                (self.hint)(Heard::Change);
                Ok(())
            }
            Err(silent) => {
                self.watched = Some((root, None));
                Err(silent)
            }
        }
    }

    fn start(&self) -> Result<RecommendedWatcher, Silent> {
        if let Some(kind) = network_kind(&self.inbox) {
            let path = self.inbox.clone();
            return Err(Silent::Network { path, kind });
        }
        let (hint, closed) = (self.hint.clone(), self.closed.clone());
        let handler = move |event: notify::Result<notify::Event>| {
            if let Ok(event) = &event {
                let mut closed = closed.lock().unwrap_or_else(PoisonError::into_inner);
                closed.hear(event);
            }
            if is_hint(&event) {
                let is_lost = event.as_ref().is_ok_and(notify::Event::need_rescan);
                hint(if is_lost { Heard::Lost } else { Heard::Change });
            }
        };
        let config = Config::default().with_follow_symlinks(false);
        let start = || {
            let mut watcher = RecommendedWatcher::new(handler, config)?;
            watcher.watch(&self.inbox, RecursiveMode::Recursive)?;
            Ok(watcher)
        };
        start().map_err(|error: notify::Error| match error.kind {
            notify::ErrorKind::MaxFilesWatch => Silent::TooManyFolders,
            _ => Silent::Failed(error.to_string()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use notify::Event;
    use notify::event::{CreateKind, Flag, RemoveKind};
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::{Duration, Instant};

    #[test]
    fn our_own_reading_is_no_hint_and_lost_events_are() {
        let event = |kind| Ok(Event::new(kind));
        let open = EventKind::Access(AccessKind::Open(AccessMode::Any));
        let read = EventKind::Access(AccessKind::Close(AccessMode::Read));
        let written = EventKind::Access(AccessKind::Close(AccessMode::Write));
        assert!(!is_hint(&event(open)));
        assert!(!is_hint(&event(read)));
        assert!(is_hint(&event(written)));
        assert!(is_hint(&event(EventKind::Create(CreateKind::File))));
        assert!(is_hint(&event(EventKind::Remove(RemoveKind::Any))));
        assert!(is_hint(&Ok(
            Event::new(EventKind::Other).set_flag(Flag::Rescan)
        )));
        assert!(is_hint(&Err(notify::Error::generic("lost"))));
    }

    fn wait_for(n_hints: &AtomicUsize, more_than: usize) -> bool {
        let deadline = Instant::now() + Duration::from_secs(5);
        while Instant::now() < deadline {
            if n_hints.load(Ordering::SeqCst) > more_than {
                return true;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        false
    }

    #[test]
    fn a_new_file_is_heard_also_after_the_inbox_was_made_anew() {
        let parent = tempfile::tempdir().unwrap();
        let inbox = parent.path().join("inbox");
        std::fs::create_dir(&inbox).unwrap();
        let n_hints = Arc::new(AtomicUsize::new(0));
        let counter = n_hints.clone();
        let hint: Hint = Arc::new(move |_| {
            counter.fetch_add(1, Ordering::SeqCst);
        });
        let mut follower = Follower::new(&inbox, false, hint);
        follower.keep_up().unwrap();
        let before = n_hints.load(Ordering::SeqCst);
        std::fs::write(inbox.join("a.jpg"), b"x").unwrap();
        assert!(wait_for(&n_hints, before), "first inbox");

        std::fs::rename(&inbox, parent.path().join("away")).unwrap();
        std::fs::create_dir(&inbox).unwrap();
        follower.keep_up().unwrap();
        std::thread::sleep(Duration::from_millis(50));
        let before = n_hints.load(Ordering::SeqCst);
        std::fs::write(inbox.join("b.jpg"), b"x").unwrap();
        assert!(wait_for(&n_hints, before), "second inbox");
    }

    #[test]
    fn what_was_closed_or_renamed_in_is_told_once_and_what_is_written_on_is_not() {
        use std::io::Write;
        let parent = tempfile::tempdir().unwrap();
        let inbox = parent.path().join("inbox");
        std::fs::create_dir_all(inbox.join("heron")).unwrap();
        let mut follower = Follower::new(&inbox, false, Arc::new(|_| {}));
        follower.keep_up().unwrap();
        let outside = parent.path().join("part");
        std::fs::write(&outside, b"x").unwrap();
        std::fs::rename(&outside, inbox.join("heron/renamed.jpg")).unwrap();
        std::fs::write(inbox.join("heron/closed.jpg"), b"x").unwrap();
        let mut open = std::fs::File::create(inbox.join("heron/open.jpg")).unwrap();
        open.write_all(b"x").unwrap();
        std::fs::write(inbox.join("heron/again.jpg"), b"x").unwrap();
        let mut again = std::fs::OpenOptions::new();
        let mut again = again.append(true).open(inbox.join("heron/again.jpg"));
        again.as_mut().unwrap().write_all(b"y").unwrap();
        // Both times, as upload clients set them (utimensat(2)); one alone looks like a write.
        let long_ago = std::time::SystemTime::UNIX_EPOCH;
        let times = std::fs::FileTimes::new().set_modified(long_ago);
        let times = times.set_accessed(long_ago);
        let closed = std::fs::File::open(inbox.join("heron/closed.jpg")).unwrap();
        closed.set_times(times).unwrap();
        std::thread::sleep(Duration::from_millis(500));
        let expected = ["heron/closed.jpg", "heron/renamed.jpg"].map(Rel::new);
        assert_eq!(follower.take_closed(), HashSet::from(expected));
        drop((open, again));
        std::thread::sleep(Duration::from_millis(200));
        let expected = ["heron/open.jpg", "heron/again.jpg"].map(Rel::new);
        assert_eq!(follower.take_closed(), HashSet::from(expected));
    }

    #[test]
    fn listing_and_reading_raise_no_hints() {
        let inbox = tempfile::tempdir().unwrap();
        std::fs::create_dir(inbox.path().join("heron")).unwrap();
        std::fs::write(inbox.path().join("heron/a.jpg"), b"x").unwrap();
        let n_hints = Arc::new(AtomicUsize::new(0));
        let counter = n_hints.clone();
        let hint: Hint = Arc::new(move |_| {
            counter.fetch_add(1, Ordering::SeqCst);
        });
        let mut follower = Follower::new(inbox.path(), false, hint);
        follower.keep_up().unwrap();
        std::thread::sleep(Duration::from_millis(50));
        let before = n_hints.load(Ordering::SeqCst);
        super::super::listing::list(inbox.path()).unwrap();
        std::fs::read(inbox.path().join("heron/a.jpg")).unwrap();
        std::thread::sleep(Duration::from_millis(100));
        assert_eq!(n_hints.load(Ordering::SeqCst), before);
        // The same follower does hear a change: it is not deaf.
        std::fs::write(inbox.path().join("heron/b.jpg"), b"x").unwrap();
        assert!(wait_for(&n_hints, before));
    }
}
