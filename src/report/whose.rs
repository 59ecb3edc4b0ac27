//! Whose a row is: the columns with which every table of photos ends.

use std::collections::BTreeMap;

use super::shown::Shown;
use crate::publish::files::table::Row;
use crate::publish::record::Record;

/// The photos of a class by path, and its session.
pub struct Whose<'a> {
    records: BTreeMap<&'a str, &'a Record>,
    /// Name of the session; empty where the inbox is one class.
    session: &'a str,
}

impl<'a> Whose<'a> {
    /// Gathers capture, verdict and session of photos that are all of one session.
    pub fn new(photos: &[Shown<'a>], session: &'a str) -> Whose<'a> {
        let records = photos.iter().map(|s| (s.record.photo.as_str(), s.record));
        Whose {
            records: records.collect(),
            session,
        }
    }

    /// Appends capture, verdict and session of a photo; the first two are empty where there is none of this path.
    pub fn of_photo(&self, row: Row, photo: &str) -> Row {
        let record = self.records.get(photo);
        let capture = record.and_then(|r| r.capture);
        let row = row
            .maybe(capture.map(|c| c.as_str()))
            .maybe(record.map(|r| r.verdict.as_str()));
        self.of_session(row)
    }

    /// Appends the session.
    pub fn of_session(&self, row: Row) -> Row {
        row.text(self.session)
    }
}
