//! What ends the program, and with which exit status.

use crate::publish::Refusal;

/// What ends the program, in words that say what to do.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// Wrong usage: the same call cannot succeed.
    #[error("{0}")]
    Usage(String),
    /// The work could not be done.
    #[error("{0}")]
    Work(String),
}

impl Failure {
    /// The program's exit status.
    pub fn exit_status(&self) -> u8 {
        match self {
            Failure::Usage(_) => 2,
            Failure::Work(_) => 1,
        }
    }
}

impl From<Refusal> for Failure {
    fn from(refusal: Refusal) -> Failure {
        Failure::Work(refusal.to_string())
    }
}
