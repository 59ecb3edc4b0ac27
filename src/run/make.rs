//! One photo from its bytes to its published folder, on a worker's thread, behind a panic fence.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use crate::lab::{self, Examined};
use crate::publish::record::Record;
use crate::publish::{Shelf, Trouble};
use crate::terms::{Code, Reason, Severity};

use super::job::{Fate, Job, Stands};
use super::read::Gone;
use super::work::{Outcome, Work};

/// What came of a job.
pub enum Made {
    /// The folder stands.
    Published {
        /// As it reads on disk.
        record: Arc<Record>,
        /// False where the folder already held just that.
        changed: bool,
        /// How it was made.
        how: How,
    },
    /// What was kept of the photo's measurement cannot be used: it is to be measured.
    NotKept,
    /// A file has changed meanwhile.
    Gone(Gone),
    /// The folder could not be put in place.
    Trouble(Trouble),
    /// The worker returned something that cannot be published: a mistake in this program.
    Unsound(String),
}

/// How a photo's results were made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum How {
    /// Its picture was measured.
    Measured,
    /// What was measured before was judged again.
    Judged,
    /// There was nothing to measure.
    Said,
}

/// Does the job.
pub fn make(job: &Job, work: &dyn Work, shelf: &Shelf) -> Made {
    let how = match job.fate {
        Fate::Measure if job.stands == Stands::Nothing => How::Measured,
        Fate::Measure => How::Judged,
        Fate::Ignore(_) | Fate::Fault(..) | Fate::Retake(..) => How::Said,
    };
    let outcome = if how == How::Judged {
        let read = |name: &str| shelf.read(&format!("{}/{name}", job.folder));
        let judge = || work.judge(job, &read);
        match catch_unwind(AssertUnwindSafe(judge)) {
            Ok(Some(outcome)) => outcome,
            Ok(None) | Err(_) => return Made::NotKept,
        }
    } else {
        match outcome(job, work) {
            Ok(outcome) => outcome,
            Err(gone) => return Made::Gone(gone),
        }
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
    if record.photo != job.origin.photo || record.provenance != job.origin.provenance {
        return Made::Unsound("quality.json states another origin than was planned".to_owned());
    }
    match shelf.put_folder(&job.folder, &outcome.files, &outcome.standing) {
        Ok(changed) => Made::Published {
            record: Arc::new(record),
            changed,
            how,
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
        Fate::Measure => job.source.read(&job.origin.provenance.photo_hash)?,
        Fate::Ignore(_) | Fate::Fault(..) | Fate::Retake(..) => Vec::new(),
    };
    let attempt = |bytes: &[u8], fate: &Fate| {
        catch_unwind(AssertUnwindSafe(|| work.measure(job, bytes, fate)))
    };
    let panic = match attempt(&bytes, &job.fate) {
        Ok(outcome) => return outcome,
        Err(panic) => panic,
    };
    let what = format!(
        "this program failed on it ({}), and on no other photo because of it; take the photo again, and keep this file for a report",
        panic_text(&panic)
    );
    tracing::error!(photo = %job.origin.photo, "{what}");
    let fate = Fate::Fault(Code::Unreadable, what.clone());
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
    let log = format!("{}: {what}\n", job.origin.photo);
    let examined = Examined::unreadable(Reason {
        code: Code::Unreadable,
        severity: Severity::Retake,
        measured: String::new(),
        limit: String::new(),
        advice: what,
    });
    let record = lab::record(&job.origin, &examined);
    let quality = serde_json::to_vec_pretty(&record).unwrap_or_default();
    Outcome {
        record,
        files: vec![
            ("quality.json".to_owned(), quality),
            ("photo.log".to_owned(), log.into_bytes()),
        ],
        standing: Vec::new(),
    }
}
