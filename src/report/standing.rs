//! How things stand: per bench, its photos in the order in which they were taken, what somebody must do now, and the
//! instrument's state. Board and bench pages show nothing else.

use std::collections::BTreeMap;

use super::settled::{Settled, is_to_be_taken_again};
use super::shown::{self, Shown, by_path};
use super::slit::{BenchSlit, bench_slit};
use super::taken::as_taken;
use crate::classify::{Expectations, TakenPhoto};
use crate::publish::record::{CalibrationRecord, Record};
use crate::terms::{Capture, Quantity, Reading, Reason, Severity, Verdict};

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
    /// Its photos that were taken again, and by which each was settled.
    pub settled: Settled<'a>,
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
    /// Sorts the photos by bench; `settled` says which of them were taken again.
    pub fn of(photos: &[Shown<'a>], settled: &Settled<'a>) -> Class<'a> {
        let mut by_bench: BTreeMap<&str, Vec<Shown<'a>>> = BTreeMap::new();
        let mut strays = Vec::new();
        for shown in by_path(photos) {
            let has_home = !shown.record.bench.is_empty() && shown.folder.contains('/');
            if has_home {
                by_bench.entry(&shown.record.bench).or_default().push(shown);
            } else {
                strays.push(shown);
            }
        }
        let benches = by_bench
            .into_iter()
            .map(|(name, photos)| BenchStanding::new(name, photos, settled))
            .collect();
        Class { benches, strays }
    }
}

impl<'a> BenchStanding<'a> {
    /// `photos` by path.
    fn new(name: &str, photos: Vec<Shown<'a>>, settled: &Settled<'a>) -> BenchStanding<'a> {
        let folder = photos[0]
            .folder
            .split('/')
            .next()
            .unwrap_or_default()
            .to_owned();
        let (ignored, photos): (Vec<_>, Vec<_>) = photos
            .into_iter()
            .partition(|s| s.record.verdict == Verdict::Ignored);
        let own = |s: &Shown<'a>| {
            let (photo, by) = settled.get_key_value(s.record.photo.as_str())?;
            Some((*photo, *by))
        };
        BenchStanding {
            name: name.to_owned(),
            folder,
            settled: photos.iter().filter_map(own).collect(),
            photos: as_taken(photos, |shown| shown.record),
            ignored,
        }
    }

    /// The last photo taken.
    pub fn last(&self) -> Option<&Shown<'a>> {
        self.photos.last()
    }

    /// Photos still to be taken again, newest first: what was taken again is asked for no more, and of each thing
    /// photographed only the last photo is.
    pub fn calls(&self) -> Vec<&Shown<'a>> {
        let mut last: BTreeMap<(Option<Capture>, &str), usize> = BTreeMap::new();
        for (i, shown) in self.photos.iter().enumerate() {
            if is_to_be_taken_again(shown.record) && self.again(shown).is_none() {
                last.insert(subject(shown.record), i);
            }
        }
        let mut calls: Vec<usize> = last.into_values().collect();
        calls.sort_unstable_by(|a, b| b.cmp(a));
        calls.into_iter().map(|i| &self.photos[i]).collect()
    }

    /// The photo by which this one was taken again; absent where it was not, or need not be.
    pub fn again(&self, shown: &Shown<'_>) -> Option<&'a str> {
        self.settled.get(shown.record.photo.as_str()).copied()
    }

    /// How many photos have this verdict.
    pub fn count(&self, verdict: Verdict) -> usize {
        self.records().filter(|r| r.verdict == verdict).count()
    }

    /// Records of its photos, as they were taken.
    pub fn records(&self) -> impl DoubleEndedIterator<Item = &'a Record> + ExactSizeIterator {
        self.photos.iter().map(|s| s.record)
    }

    /// The scale in use: that of the last calibrated photo.
    pub fn scale(&self) -> Option<(&'a Record, &'a CalibrationRecord)> {
        let record = self.records().rev().find(|r| r.is_calibrated())?;
        Some((record, record.calibration.as_ref()?))
    }

    /// The slit, from all photos of the last build.
    pub fn slit(&self) -> Option<BenchSlit> {
        bench_slit(&self.records().collect::<Vec<_>>())
    }

    /// The last photo on which the instrument could be measured.
    pub fn checked_on(&self) -> Option<&'a Record> {
        self.records().rev().find(|r| {
            [Quantity::SlitWidthUm, Quantity::TiltDeg, Quantity::SkewDeg]
                .into_iter()
                .any(|quantity| r.metrics.has(quantity))
        })
    }

    /// The last photo that shows a metric. What a photo showed that had to be taken again counts no longer once there is a
    /// usable one.
    pub fn last_with(&self, quantity: Quantity) -> Option<&'a Record> {
        let last_usable = self.photos.iter().rposition(|s| s.record.is_usable());
        let counts =
            |i: usize, r: &Record| r.is_usable() || last_usable.is_none_or(|last| i > last);
        let mut newest_first = self.records().enumerate().rev();
        newest_first
            .find(|(i, r)| r.metrics.has(quantity) && counts(*i, r))
            .map(|(_, record)| record)
    }

    /// The last value of a metric, with its uncertainty where it has one: that of [`BenchStanding::last_with`].
    pub fn metric(&self, quantity: Quantity) -> Option<Reading> {
        self.last_with(quantity)?.metrics.reading(quantity)
    }

    /// What it has still to photograph: no photo that need not be taken again is of it.
    pub fn missing(&self, expected: &Expectations) -> Vec<String> {
        let need_not =
            |v: Verdict| matches!(v, Verdict::Good | Verdict::Caution | Verdict::Waiting);
        let taken: Vec<TakenPhoto<'_>> = self
            .records()
            .filter(|r| need_not(r.verdict))
            .map(|r| TakenPhoto {
                capture: r.capture,
                label: &r.label,
                subject: shown::subject(&r.label),
            })
            .collect();
        expected.missing(&self.name, &taken)
    }

    /// The instrument's bandpass: that of the lamp photo behind the scale in use, whose sharp lines show it. What a later photo
    /// blurs is that photo's own, and light without lines does not show it. Without a scale, that of the last photo that does.
    pub fn bandpass(&self) -> Option<Reading> {
        let lamp = self.scale().and_then(|(_, c)| c.photo.as_deref());
        let of_lamp = lamp.and_then(|photo| self.records().rev().find(|r| r.photo == photo));
        of_lamp
            .and_then(|r| r.metrics.reading(Quantity::BandpassNm))
            .or_else(|| self.metric(Quantity::BandpassNm))
    }

    /// The instrument's state, with the reason to look or to mend.
    pub fn health(&self) -> (Health, Option<&'a Reason>) {
        let Some(record) = self.checked_on() else {
            return (Health::Unseen, None);
        };
        let worst = record
            .reasons
            .iter()
            .filter(|r| r.code.is_of_the_instrument())
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

#[cfg(test)]
mod tests {
    use super::super::settled::settled;
    use super::*;
    use crate::classify::stated::Stated;
    use crate::terms::Code;

    fn photo(path: &str, capture: Capture, verdict: Verdict, taken: Option<&str>) -> Record {
        let (bench, file) = path.split_once('/').unwrap_or(("", path));
        Record {
            photo: path.to_owned(),
            bench: bench.to_owned(),
            capture: Some(capture),
            label: file.trim_end_matches(".jpg").to_owned(),
            taken: taken.map(str::to_owned),
            verdict,
            ..Record::default()
        }
    }

    fn shown(records: &[Record]) -> Vec<Shown<'_>> {
        records
            .iter()
            .map(|record| Shown {
                record,
                folder: &record.photo,
                has_spectrum: false,
            })
            .collect()
    }

    fn class(records: &[Record]) -> Class<'_> {
        Class::of(&shown(records), &settled(records, &Stated::default()))
    }

    fn calls(records: &[Record]) -> Vec<String> {
        let class = class(records);
        let calls = class.benches[0].calls();
        calls.iter().map(|s| s.record.photo.clone()).collect()
    }

    #[test]
    fn a_good_lamp_photo_settles_the_bad_ones_before_it_whatever_their_names() {
        use Capture::Calibration;
        let bad = |name| photo(name, Calibration, Verdict::Retake, None);
        let good = photo("dunlin/lamp-3.jpg", Calibration, Verdict::Caution, None);
        let first = [bad("dunlin/lamp-1.jpg"), bad("dunlin/lamp-2.jpg")];
        assert_eq!(calls(&first), ["dunlin/lamp-2.jpg"], "only the last counts");
        let settled = [bad("dunlin/lamp-1.jpg"), good.clone()];
        assert!(calls(&settled).is_empty());
        let again = [good, bad("dunlin/lamp-4.jpg")];
        assert_eq!(calls(&again), ["dunlin/lamp-4.jpg"]);
    }

    #[test]
    fn samples_are_settled_by_their_own_label_only() {
        let sample = |name, verdict| photo(name, Capture::Sample, verdict, None);
        let mut again = sample("dunlin/crane-b.jpg", Verdict::Good);
        let bad = sample("dunlin/crane.jpg", Verdict::Unreadable);
        assert_eq!(calls(&[bad.clone(), again.clone()]), ["dunlin/crane.jpg"]);
        again.label = "crane".to_owned();
        assert!(calls(&[bad, again]).is_empty());
    }

    #[test]
    fn photos_stand_as_taken_and_those_without_a_time_beside_their_neighbours() {
        let sample = |name, taken| photo(name, Capture::Sample, Verdict::Good, taken);
        let records = [
            sample("heron/img-1.jpg", Some("2026-03-12T18:30:00")),
            sample("heron/img-2.jpg", None),
            sample("heron/img-3.jpg", Some("2026-03-12T18:10:00")),
            sample("heron/img-4.jpg", None),
        ];
        let class = class(&records);
        let order: Vec<&str> = class.benches[0]
            .photos
            .iter()
            .map(|s| s.record.photo.as_str())
            .collect();
        assert_eq!(
            order,
            [
                "heron/img-3.jpg",
                "heron/img-4.jpg",
                "heron/img-1.jpg",
                "heron/img-2.jpg"
            ]
        );
    }

    #[test]
    fn an_instrument_is_as_the_last_photo_that_tells_shows_it() {
        let reason = |code, severity| Reason {
            code,
            severity,
            measured: String::new(),
            limit: String::new(),
            advice: String::new(),
        };
        let mut old = photo("knot/a.jpg", Capture::Calibration, Verdict::Retake, None);
        old.metrics.set(Quantity::TiltDeg, 7.0);
        old.reasons = vec![
            reason(Code::Clipped, Severity::Retake),
            reason(Code::Tilted, Severity::Retake),
        ];
        let health = |records: &[Record]| {
            let class = class(records);
            let (health, reason) = class.benches[0].health();
            (health, reason.map(|r| r.code))
        };
        assert_eq!(health(&[old.clone()]), (Health::Mend, Some(Code::Tilted)));
        let blind = photo("knot/b.jpg", Capture::Sample, Verdict::Unreadable, None);
        assert_eq!(health(&[old.clone(), blind.clone()]).0, Health::Mend);
        let mut mended = photo("knot/c.jpg", Capture::Sample, Verdict::Retake, None);
        mended.metrics.set(Quantity::TiltDeg, 0.3);
        mended.reasons = vec![reason(Code::Clipped, Severity::Retake)];
        assert_eq!(health(&[old, blind.clone(), mended]), (Health::Sound, None));
        assert_eq!(health(&[blind]), (Health::Unseen, None));
    }

    #[test]
    fn the_bandpass_is_that_of_the_lamp_photo_in_use_and_not_of_a_later_photo() {
        use crate::publish::record::CalibrationRecord;
        use crate::terms::ScaleKind;
        let seen = |name: &str, capture, bandpass_nm| {
            let mut r = photo(name, capture, Verdict::Good, None);
            r.metrics.set(Quantity::BandpassNm, bandpass_nm);
            r
        };
        let mut lamp = seen("knot/lamp.jpg", Capture::Calibration, 1.2);
        let mut sample = seen("knot/sample.jpg", Capture::Sample, 2.9);
        let bandpass = |records: &[Record]| {
            let class = class(records);
            class.benches[0].bandpass().map(|b| b.value)
        };
        assert_eq!(bandpass(&[lamp.clone(), sample.clone()]), Some(2.9));
        for r in [&mut lamp, &mut sample] {
            r.calibration = Some(CalibrationRecord {
                photo: Some("knot/lamp.jpg".to_owned()),
                kind: ScaleKind::Calibrated,
                rms_nm: None,
                model: None,
                lines: Vec::new(),
            });
        }
        assert_eq!(bandpass(&[lamp, sample]), Some(1.2));
    }

    #[test]
    fn what_was_mended_is_not_shown_as_the_instrument_s_state() {
        let mut wide = photo("knot/a.jpg", Capture::Calibration, Verdict::Retake, None);
        wide.metrics.set(Quantity::SlitWidthUm, 944.0);
        let slit = |records: &[Record]| {
            let class = class(records);
            class.benches[0]
                .metric(Quantity::SlitWidthUm)
                .map(|m| m.value)
        };
        assert_eq!(slit(&[wide.clone()]), Some(944.0));
        let mut mended = photo("knot/b.jpg", Capture::Calibration, Verdict::Good, None);
        assert_eq!(slit(&[wide.clone(), mended.clone()]), None, "nobody knows");
        mended.metrics.set(Quantity::SlitWidthUm, 208.0);
        let blind = photo("knot/c.jpg", Capture::Sample, Verdict::Good, None);
        assert_eq!(slit(&[wide, mended, blind]), Some(208.0));
    }

    #[test]
    fn photos_without_a_bench_are_strays_and_ignored_files_stand_apart() {
        let records = [
            photo("loose.jpg", Capture::Sample, Verdict::Good, None),
            photo("knot/notes.txt", Capture::Sample, Verdict::Ignored, None),
            photo("knot/a.jpg", Capture::Sample, Verdict::Good, None),
        ];
        let class = class(&records);
        assert_eq!(class.strays.len(), 1);
        assert_eq!(class.benches.len(), 1);
        assert_eq!(class.benches[0].photos.len(), 1);
        assert_eq!(class.benches[0].ignored.len(), 1);
    }
}
