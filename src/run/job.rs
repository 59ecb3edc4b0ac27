//! One photo's work: what it is, what is to happen with it, and what it is made from.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use crate::arrive::listing::Rel;
use crate::lab::{Companion, Company, Origin, Picture};
use crate::terms::Code;

use super::read::{Gone, Source};

/// What is to happen with an entry of the inbox.
#[derive(Clone, Debug, PartialEq)]
pub enum Fate {
    /// Measure it.
    Measure,
    /// Only say that a rule leaves it alone, in its words.
    Ignore(String),
    /// Only say what is wrong, as there are no bytes to look at: the reason's code, and for people what it is and what to do.
    Fault(Code, String),
    /// Only say that it is to be taken again, in the same words: its picture shows no spectrum to be measured.
    Retake(Code, String),
}

/// What stands of a photo's measurement that was kept beside its results.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stands {
    /// Nothing: its picture is to be measured.
    #[default]
    Nothing,
    /// What its picture shows. It is to be compared with another blank than it was, whose picture may have to be decoded.
    Picture,
    /// All of it.
    All,
}

/// Everything a worker needs to make one photo's folder.
pub struct Job {
    /// The photo, and what is known of it.
    pub origin: Origin,
    /// The other photos to make it from.
    pub company: Company,
    pub(super) source: Source,
    pub(super) bench: String,
    pub(super) folder: String,
    pub(super) fate: Fate,
    /// Where the companions can be read again, by their paths as shown.
    pub(super) sources: BTreeMap<String, Source>,
    /// Bytes that it takes while it is in hand.
    pub(super) cost: u64,
    /// What stands of its measurement: where something does, it is judged again, and its file is not read.
    pub(super) stands: Stands,
    /// Its picture, where it was decoded to be looked at and is still kept.
    pub(super) picture: Mutex<Option<Picture>>,
}

impl Job {
    /// The job of a photo that lies nowhere in particular: it has no companions, and no place where it could be published.
    pub(super) fn alone(origin: Origin) -> Job {
        Job {
            origin,
            company: Company::default(),
            source: Source::default(),
            bench: String::new(),
            folder: String::new(),
            fate: Fate::Measure,
            sources: BTreeMap::new(),
            cost: 0,
            stands: Stands::Nothing,
            picture: Mutex::default(),
        }
    }

    /// Bytes that it takes while it is in hand: what is judged again beside the same blank decodes nothing.
    pub(super) fn cost_in_hand(&self) -> u64 {
        match self.stands {
            Stands::All => 0,
            Stands::Picture | Stands::Nothing => self.cost,
        }
    }

    /// Hands over the photo's picture, where it has been decoded before.
    pub fn take_picture(&self) -> Option<Picture> {
        let mut picture = self.picture.lock().unwrap_or_else(PoisonError::into_inner);
        picture.take()
    }

    pub(super) fn path(&self) -> &Rel {
        &self.source.path
    }

    /// Reads a companion's file again.
    ///
    /// # Errors
    /// Where the file is no longer there with the same content, or the disk does not answer.
    pub fn read(&self, companion: &Companion) -> Result<Vec<u8>, Gone> {
        match self.sources.get(&companion.photo) {
            Some(source) => source.read(&companion.hash),
            None => Err(Gone(Rel::new(&companion.photo))),
        }
    }
}
