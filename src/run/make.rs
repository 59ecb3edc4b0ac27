//! One photo from its bytes to its published folder, on a worker's thread, behind a panic fence.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use crate::arrive::listing::Rel;
use crate::classify::Decision;
use crate::decode::Facts;
use crate::lab::{self, Companion, Company, Examined, Origin};
use crate::publish::record::{Provenance, Record};
use crate::publish::{Shelf, Trouble};
use crate::terms::{Code, Reason, Severity};

use super::read::{Gone, Source};
use super::work::{Fate, Outcome, Task, Work};

/// Everything a worker needs to make one photo's folder.
pub struct Job {
    pub(super) source: Source,
    pub(super) photo: String,
    pub(super) bench: String,
    pub(super) folder: String,
    pub(super) facts: Arc<Facts>,
    pub(super) decision: Arc<Decision>,
    pub(super) fate: Fate,
    pub(super) company: Company,
    /// Where the companions can be read again, by their paths as shown.
    pub(super) sources: BTreeMap<String, Source>,
    pub(super) provenance: Provenance,
    /// Bytes that it takes while it is in hand.
    pub(super) cost: u64,
}

impl Job {
    pub(super) fn path(&self) -> &Rel {
        &self.source.path
    }

    /// The photo, and what is known of it.
    pub(super) fn origin(&self) -> Origin<'_> {
        Origin {
            photo: &self.photo,
            facts: &self.facts,
            decision: &self.decision,
            provenance: &self.provenance,
        }
    }

    /// Reads a companion's file again.
    pub(super) fn read(&self, companion: &Companion) -> Result<Vec<u8>, Gone> {
        match self.sources.get(&companion.photo) {
            Some(source) => source.read(&companion.hash),
            None => Err(Gone(Rel::new(&companion.photo))),
        }
    }
}

/// What came of a job.
pub enum Made {
    /// The folder stands.
    Published {
        /// As it reads on disk.
        record: Arc<Record>,
        /// False where the folder already held just that.
        changed: bool,
    },
    /// A file has changed meanwhile.
    Gone(Gone),
    /// The folder could not be put in place.
    Trouble(Trouble),
    /// The worker returned something that cannot be published: a mistake in this program.
    Unsound(String),
}

/// Does the job.
pub fn make(job: &Job, work: &dyn Work, shelf: &Shelf) -> Made {
    let outcome = match outcome(job, work) {
        Ok(outcome) => outcome,
        Err(gone) => return Made::Gone(gone),
    };
    let quality = outcome
        .files
        .iter()
        .find(|(name, _)| name == "quality.json");
    let Some((_, quality)) = quality else {
        return Made::Unsound("there is no quality.json".to_owned());
    };
    // What a restart would read is what is used now, so that both always show the same.
    let record: Record = match serde_json::from_slice(quality) {
        Ok(record) => record,
        Err(error) => return Made::Unsound(format!("quality.json cannot be read back: {error}")),
    };
    if record.photo != job.photo || record.provenance != job.provenance {
        return Made::Unsound("quality.json states another origin than was planned".to_owned());
    }
    match shelf.put_folder(&job.folder, &outcome.files) {
        Ok(changed) => Made::Published {
            record: Arc::new(record),
            changed,
        },
        Err(trouble) => Made::Trouble(trouble),
    }
}

/// What is to be published about the job's photo.
///
/// # Errors
/// Where a file has changed meanwhile.
pub fn outcome(job: &Job, work: &dyn Work) -> Result<Outcome, Gone> {
    let bytes = match job.fate {
        Fate::Measure => job.source.read(&job.provenance.photo_hash)?,
        Fate::Ignore { .. } | Fate::Fault { .. } => Vec::new(),
    };
    let read = |companion: &Companion| job.read(companion);
    let attempt = |bytes: &[u8], fate: &Fate| {
        let task = Task {
            origin: job.origin(),
            bytes,
            fate,
            company: &job.company,
            read: &read,
        };
        catch_unwind(AssertUnwindSafe(|| work.measure(&task)))
    };
    let panic = match attempt(&bytes, &job.fate) {
        Ok(outcome) => return outcome,
        Err(panic) => panic,
    };
    let what = format!(
        "this program failed on it ({}), and on no other photo because of it; take the photo again, and keep this file for a report",
        panic_text(&panic)
    );
    tracing::error!(photo = %job.photo, "{what}");
    let code = Code::Unreadable;
    let fate = Fate::Fault {
        code,
        what: what.clone(),
    };
    attempt(&[], &fate).unwrap_or_else(|_| Ok(bare(job, what)))
}

fn panic_text(panic: &Box<dyn std::any::Any + Send>) -> String {
    let text = panic
        .downcast_ref::<&str>()
        .map(|text| (*text).to_owned())
        .or_else(|| panic.downcast_ref::<String>().cloned());
    text.unwrap_or_else(|| "no words".to_owned())
}

/// A record without the worker's help, for a photo on which even saying so failed.
fn bare(job: &Job, what: String) -> Outcome {
    let log = format!("{}: {what}\n", job.photo);
    let examined = Examined::unreadable(Reason {
        code: Code::Unreadable,
        severity: Severity::Retake,
        measured: String::new(),
        limit: String::new(),
        advice: what,
    });
    let record = lab::record(&job.origin(), &examined);
    let quality = serde_json::to_vec_pretty(&record).unwrap_or_default();
    Outcome {
        record,
        files: vec![
            ("quality.json".to_owned(), quality),
            ("photo.log".to_owned(), log.into_bytes()),
        ],
    }
}
