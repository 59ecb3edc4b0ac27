//! How things stand: per bench, its photos in the order in which they were taken, what somebody must do now, and the
//! instrument's state. Board and bench pages show nothing else.

use std::collections::BTreeMap;

use super::Shown;
use crate::classify::Capture;
use crate::measure::{Reason, ScaleKind, Severity, Verdict};
use crate::publish::files::words;
use crate::publish::record::{CalibrationRecord, Record};

/// The class.
pub struct Class<'a> {
    /// Benches by name. Photos whose bench has no name, or no folder of its own, are in `strays`.
    pub benches: Vec<BenchStanding<'a>>,
    /// Photos that belong to no bench.
    pub strays: Vec<Shown<'a>>,
}

/// One bench.
pub struct BenchStanding<'a> {
    /// Its name.
    pub name: String,
    /// Its folder below the results.
    pub folder: String,
    /// Its photos as they were taken; ignored files left out.
    pub photos: Vec<Shown<'a>>,
    /// Files that a rule ignores.
    pub ignored: Vec<Shown<'a>>,
}

/// Whether an instrument can be measured with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Health {
    /// Nothing wrong with the instrument in the last photo that could tell.
    Sound,
    /// Usable, with a remark.
    Look,
    /// Something to mend.
    Mend,
    /// No photo could tell yet.
    Unseen,
}

impl<'a> Class<'a> {
    /// Sorts the photos by bench.
    pub fn of(photos: &[Shown<'a>]) -> Class<'a> {
        let mut by_bench: BTreeMap<&str, Vec<Shown<'a>>> = BTreeMap::new();
        let mut strays = Vec::new();
        for shown in super::by_path(photos) {
            let has_home = !shown.record.bench.is_empty() && shown.folder.contains('/');
            if has_home {
                by_bench.entry(&shown.record.bench).or_default().push(shown);
            } else {
                strays.push(shown);
            }
        }
        let benches = by_bench
            .into_iter()
            .map(|(name, photos)| BenchStanding::new(name, photos))
            .collect();
        Class { benches, strays }
    }
}

impl<'a> BenchStanding<'a> {
    /// `photos` by path.
    fn new(name: &str, photos: Vec<Shown<'a>>) -> BenchStanding<'a> {
        let folder = photos[0]
            .folder
            .split('/')
            .next()
            .unwrap_or_default()
            .to_owned();
        let (ignored, photos): (Vec<_>, Vec<_>) = photos
            .into_iter()
            .partition(|s| s.record.verdict == Verdict::Ignored);
        BenchStanding {
            name: name.to_owned(),
            folder,
            photos: as_taken(photos),
            ignored,
        }
    }

    /// The last photo taken.
    pub fn last(&self) -> Option<&Shown<'a>> {
        self.photos.last()
    }

    /// Photos to be taken again, newest first: of each thing photographed only the last photo counts, so that a good one
    /// settles all bad ones before it.
    pub fn calls(&self) -> Vec<&Shown<'a>> {
        let mut last: BTreeMap<(Option<Capture>, &str), usize> = BTreeMap::new();
        for (i, shown) in self.photos.iter().enumerate() {
            last.insert(subject(shown.record), i);
        }
        let mut calls: Vec<usize> = last
            .into_values()
            .filter(|&i| {
                matches!(
                    self.photos[i].record.verdict,
                    Verdict::Retake | Verdict::Unreadable
                )
            })
            .collect();
        calls.sort_unstable_by(|a, b| b.cmp(a));
        calls.into_iter().map(|i| &self.photos[i]).collect()
    }

    /// How many photos have this verdict.
    pub fn count(&self, verdict: Verdict) -> usize {
        self.photos
            .iter()
            .filter(|s| s.record.verdict == verdict)
            .count()
    }

    /// The scale in use: that of the last calibrated photo.
    pub fn scale(&self) -> Option<(&'a Record, &'a CalibrationRecord)> {
        self.photos.iter().rev().find_map(|s| {
            let c = s.record.calibration.as_ref()?;
            (c.kind == ScaleKind::Calibrated).then_some((s.record, c))
        })
    }

    /// The last photo on which the instrument could be measured.
    pub fn checked_on(&self) -> Option<&'a Record> {
        self.photos.iter().rev().map(|s| s.record).find(|r| {
            ["slit_width_um", "tilt_deg", "skew_deg"]
                .iter()
                .any(|name| r.metrics.contains_key(*name))
        })
    }

    /// The last value of a metric, with its uncertainty where it has one.
    pub fn metric(&self, name: &str) -> Option<(f64, Option<f64>)> {
        let sigma = format!("{name}_sigma");
        self.photos.iter().rev().find_map(|s| {
            let value = *s.record.metrics.get(name)?;
            Some((value, s.record.metrics.get(&sigma).copied()))
        })
    }

    /// The instrument's state, with the reason to look or to mend.
    pub fn health(&self) -> (Health, Option<&'a Reason>) {
        let Some(record) = self.checked_on() else {
            return (Health::Unseen, None);
        };
        let worst = record
            .reasons
            .iter()
            .filter(|r| words::is_of_the_instrument(r.code))
            .max_by_key(|r| (r.severity, std::cmp::Reverse(r.code)));
        match worst {
            None => (Health::Sound, None),
            Some(r) if r.severity == Severity::Caution => (Health::Look, Some(r)),
            Some(r) => (Health::Mend, Some(r)),
        }
    }
}

/// What a photo is of: for calibrations, blanks and darks the bench has one thing to photograph, whatever the file is
/// called; samples and brackets go by their label.
fn subject(record: &Record) -> (Option<Capture>, &str) {
    match record.capture {
        Some(Capture::Calibration | Capture::Blank | Capture::Dark) => (record.capture, ""),
        _ => (record.capture, &record.label),
    }
}

/// Photos (by path) in the order in which they were taken. A photo that does not say when is taken to follow its
/// neighbour by path, since phones number their files.
fn as_taken(photos: Vec<Shown<'_>>) -> Vec<Shown<'_>> {
    let mut since = "";
    let mut keyed: Vec<(&str, Shown<'_>)> = Vec::with_capacity(photos.len());
    for shown in photos {
        if let Some(taken) = shown.record.taken.as_deref() {
            since = taken;
        }
        keyed.push((since, shown));
    }
    // Stable: equal times keep the order of their paths.
    keyed.sort_by_key(|(taken, _)| *taken);
    keyed.into_iter().map(|(_, shown)| shown).collect()
}
