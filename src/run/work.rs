//! The interface between the shell and the work on photos: what the shell asks for, and what it hands over.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use crate::classify::stated::Stated;
use crate::classify::{Decision, Evidence};
use crate::decode::Facts;
use crate::lab::Picture;
use crate::publish::record::Record;
use crate::publish::{Held, names};
use crate::report::{self, Closing, Late, Session, Sink};
use crate::settings;
use crate::terms::{Pairing, Phrases, Seen, Sessions};

use super::job::{Fate, Job, Stands};
use super::news::Screen;
use super::read::Gone;

pub use crate::lab::Outcome;

/// What the shell needs to know of the settings.
#[derive(Clone, Debug)]
pub struct Orders {
    /// Folder that is read.
    pub inbox: PathBuf,
    /// Folder that is written.
    pub results: PathBuf,
    /// What the class is called.
    pub title: String,
    /// A file must not have changed for this long.
    pub settle: Duration,
    /// A file that does not look finished must not have changed for this long before it is called broken.
    pub patience: Duration,
    /// Time between two listings when nothing is heard.
    pub rescan: Duration,
    /// True to list at intervals only, without the system's events.
    pub poll: bool,
    /// Photos measured at once, ≥ 1.
    pub workers: usize,
    /// Bytes that all photos in hand may take together; one that takes more is measured alone.
    pub memory_bytes: u64,
    /// Bytes that pictures may take together which were looked at and are still to be measured.
    pub picture_bytes: u64,
    /// A larger file is not read as a photo.
    pub max_file_bytes: u64,
    /// A read that brings nothing for this long is given up: the photo is said not to be readable until the disk answers.
    pub give_up: Duration,
    /// How lamp photos, blanks and darks are chosen.
    pub pairing: Pairing,
    /// What divides the inbox into sessions.
    pub sessions: Sessions,
    /// For how long a slate holds, minutes; absent: until the next one or the session's end.
    pub slates_valid_min: Option<f64>,
    /// What of the results is to be made.
    pub part: Part,
    /// Changes when the settings' meaning for results does.
    pub configuration_hash: String,
    /// Changes when that of what photos look like may.
    pub looks_hash: String,
    /// What is read on the page that is served before a bench's own is there.
    pub phrases: Phrases,
    /// Of this program.
    pub version: String,
    /// Who follows it at a terminal.
    pub screen: Option<Arc<dyn Screen>>,
    /// Where the pages are served, if they are.
    pub address: Option<String>,
    /// What is asked for where they are, before anything is shown that is not a bench's own.
    pub serve_password: Option<String>,
}

/// What of the results is to be made; everything else stays as it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Part {
    /// All of it.
    All,
    /// One session.
    Session(String),
    /// Only what spans sessions.
    Index,
}

impl Part {
    /// True where a session in this folder belongs to it; the class without sessions has none.
    pub fn has(&self, folder: &str) -> bool {
        match self {
            Part::All => true,
            Part::Session(session) => names::session_folder(session) == folder,
            Part::Index => false,
        }
    }

    /// What of the results it holds against others.
    pub(super) fn held(&self) -> Held {
        match self {
            Part::All => Held::All,
            Part::Session(session) => Held::Session(names::session_folder(session)),
            Part::Index => Held::Index,
        }
    }

    /// True where a path below the results belongs to it.
    pub fn has_path(&self, path: &str) -> bool {
        *self == Part::All || path.split_once('/').is_some_and(|(top, _)| self.has(top))
    }
}

impl Orders {
    /// The defaults for an inbox and a results folder: 2 s to settle, 60 s of patience, a listing every 5 s, a worker
    /// per core, 1 GiB for photos in hand, files up to 512 MiB, 30 s for a disk that does not answer.
    pub fn new(inbox: impl Into<PathBuf>, results: impl Into<PathBuf>) -> Orders {
        Orders {
            inbox: inbox.into(),
            results: results.into(),
            title: String::new(),
            settle: Duration::from_secs(2),
            patience: Duration::from_secs(60),
            rescan: Duration::from_secs(5),
            poll: false,
            workers: std::thread::available_parallelism().map_or(1, usize::from),
            memory_bytes: 1 << 30,
            picture_bytes: 0,
            max_file_bytes: 512 << 20,
            give_up: Duration::from_secs(30),
            pairing: Pairing {
                within_h: None,
                ..Pairing::default()
            },
            sessions: Sessions::default(),
            slates_valid_min: None,
            part: Part::All,
            configuration_hash: String::new(),
            looks_hash: String::new(),
            phrases: settings::english().clone(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            screen: None,
            address: None,
            serve_password: None,
        }
    }
}

/// Orders, and who does the work by them.
#[derive(Clone)]
pub struct Setup {
    /// For the shell.
    pub orders: Orders,
    /// For everything else.
    pub work: Arc<dyn Work>,
}

/// What the shell does with a photo's bytes. All methods are functions of their arguments and the configuration.
pub trait Work: Send + Sync {
    /// The facts in the file's header; absent where it has none.
    fn facts(&self, bytes: &[u8]) -> Facts;

    /// What the rules say about the photo at `photo` (path below the inbox, as shown).
    fn decide(&self, photo: &str, facts: &Facts) -> Decision;

    /// The same with all that is known of the photo: what it looks like, once somebody has looked.
    fn decide_on(&self, evidence: &Evidence<'_>) -> Decision {
        self.decide(evidence.path, evidence.facts)
    }

    /// What the photo of these bytes looks like: asked for where a decision says so. It must depend on nothing but the bytes and
    /// the configuration. With it the picture, for the photo's job ([`Job::take_picture`]) where that comes soon enough.
    fn look(&self, bytes: &[u8]) -> (Seen, Option<Picture>) {
        let _ = bytes;
        (Seen::nothing("nobody looks"), None)
    }

    /// Makes everything that is published about one photo. Called also for files that are ignored or cannot be read; `fate`
    /// says what to do, which need not be the job's own, and `bytes` is the whole file, empty unless it is to be measured.
    ///
    /// The outcome must depend on nothing but the photo, what its provenance names and the configuration; so a
    /// blank is evaluated with the calibration of the photo it serves, and not with its own.
    ///
    /// # Errors
    /// Where an input has changed meanwhile ([`Job::read`] said so); the photo is then planned anew.
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone>;

    /// What of the photo's measurement stands, so that it need only be judged again. `head` is the beginning of what was kept of it
    /// ([`crate::publish::kept`]).
    fn stands(&self, job: &Job, head: &[u8]) -> Stands {
        let _ = (job, head);
        Stands::Nothing
    }

    /// Makes everything that is published about a photo whose measurement stands, just as [`Work::measure`] would; `read` gives what
    /// is published of it by the file's name. Absent where it has to be measured after all.
    fn judge(&self, job: &Job, read: &dyn Fn(&str) -> Option<Vec<u8>>) -> Option<Outcome> {
        let _ = (job, read);
        None
    }

    /// How many pictures were decoded so far.
    fn n_decoded(&self) -> usize {
        0
    }

    /// Makes the files that show the class as a whole, and hands each to `out` as it is made. Their paths are such as
    /// [`crate::publish::names::is_summary`] allows.
    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink);

    /// Makes the files that span the sessions. `late` are photos that came for a closed one.
    fn spanning(&self, sessions: &[Session<'_>], late: &[Late], out: &mut dyn Sink) {
        let _ = (sessions, late, out);
    }

    /// How many of all photos of a class are still to be retaken: those that were taken again do not count.
    fn n_to_retake(&self, records: &[Arc<Record>]) -> usize {
        report::n_to_retake(records.iter().map(Arc::as_ref), &Stated::default())
    }

    /// How the benches of a class stand: its photos by their folders.
    fn closing(&self, photos: &[(String, Arc<Record>)]) -> Closing {
        let phrases = settings::english();
        report::closing(photos.iter().map(shown), &Stated::default(), phrases)
    }
}

/// A photo as tables and pages have it.
pub fn shown((folder, record): &(String, Arc<Record>)) -> report::Shown<'_> {
    report::Shown {
        record,
        folder,
        // A scale is what `spectrum.csv` depends on.
        has_spectrum: record.calibration.is_some(),
    }
}

/// The class at one moment.
pub struct Class<'a> {
    /// Name of the session; empty where the inbox is one class.
    pub session: &'a str,
    /// Every photo's folder below the results, or below the session's folder in them, and its record, in the order of the
    /// photos' paths.
    pub photos: &'a [(String, Arc<Record>)],
    /// Local date and time, for the board: `2026-11-25 10:15:30`.
    pub clock: &'a str,
    /// Reads a published file by its path, likewise.
    pub read: &'a dyn Fn(&str) -> Option<Vec<u8>>,
}
