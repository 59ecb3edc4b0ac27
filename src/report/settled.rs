//! Which photos that were to be taken again have been, and by which photo: a pure function of all records.
//!
//! A request that stays after it was done is no request any more, and one that goes before it was done is lost. So a photo
//! is settled only by what its bench certainly took in its stead: a later usable photo of the same thing.

use std::collections::{BTreeMap, HashMap};

use jiff::civil::DateTime;

use super::series::role;
use super::shown::subject;
use super::taken::as_taken;
use crate::classify::stated::Stated;
use crate::publish::record::{Record, SERIES};
use crate::terms::{Capture, Code, Severity, Verdict};

/// Photos that were taken again: the path of each, and that of the photo by which it was settled.
pub type Settled<'a> = BTreeMap<&'a str, &'a str>;

/// Two photos that no name links are one thing taken twice where the second follows within this time, minutes. Common
/// practice, no source: reading the verdict and putting the phone back takes one or two, going to another lamp more.
const AGAIN_WITHIN_MIN: i64 = 5;

/// Words that phones and people put before a number and that say nothing of what is photographed.
const EMPTY_WORDS: [&str; 19] = [
    "burst", "copy", "dsc", "dscf", "dscn", "edited", "foto", "hdr", "image", "img", "mp", "mvimg",
    "photo", "pic", "picture", "pxl", "sample", "shot", "spectrum",
];

/// A name of so many hexadecimal digits and nothing else is a number that a program has drawn.
const DRAWN_DIGITS: usize = 16;

/// Groups of a rule that say what a photo is of, beside its concentration.
const TELLING_GROUPS: [&str; 3] = [SERIES, "kelvin", "scene"];

/// True where the verdict asks for another photo.
pub fn is_to_be_taken_again(record: &Record) -> bool {
    matches!(record.verdict, Verdict::Retake | Verdict::Unreadable)
}

/// How many photos have the verdict `retake` and have not been taken again.
pub fn n_to_retake<'a>(
    records: impl IntoIterator<Item = &'a Record> + Clone,
    stated: &Stated,
) -> usize {
    let settled = settled(records.clone(), stated);
    let is_open =
        |r: &&Record| r.verdict == Verdict::Retake && !settled.contains_key(r.photo.as_str());
    records.into_iter().filter(is_open).count()
}

/// The photos that were taken again, whatever the order of `records`. What `stated` says of a photo's concentration goes
/// before its rule, as in the series.
///
/// A calibration is settled by any later usable calibration of its bench; a photo without any spectrum by any later usable
/// photo; one with a label by a later usable photo of the same capture and label (`quay-lamp-shaken` and `quay-lamp-2` are
/// of `quay-lamp`); one whose label says nothing by the bench's next photo within five minutes, if that is of the same
/// capture and has no label either. A slate is as good as a label: what one slate says of two photos links them. A slate that
/// cannot be read is settled by the bench's next one that can. Later is by capture time, then by file name. Photos without a bench are never settled.
pub fn settled<'a>(records: impl IntoIterator<Item = &'a Record>, stated: &Stated) -> Settled<'a> {
    let mut benches: BTreeMap<&str, BTreeMap<&str, &'a Record>> = BTreeMap::new();
    for r in records {
        let counts = r.verdict != Verdict::Ignored || r.is_read_slate();
        if !r.bench.is_empty() && counts {
            benches.entry(&r.bench).or_default().insert(&r.photo, r);
        }
    }
    let mut settled = Settled::new();
    for photos in benches.into_values() {
        let bench = Bench::new(as_taken(photos.into_values().collect(), |r| r), stated);
        for (i, r) in bench.photos.iter().enumerate() {
            if is_to_be_taken_again(r)
                && let Some(by) = bench.settles(i)
            {
                settled.insert(&r.photo, &bench.photos[by].photo);
            }
        }
    }
    settled
}

/// What a usable photo is found by: its capture, what its label is of, and what is stated of it.
type Thing = (Option<Capture>, String, String);

/// A bench's photos as they were taken, and where in that order the usable ones stand.
struct Bench<'a, 's> {
    photos: Vec<&'a Record>,
    stated: &'s Stated,
    usable: Vec<usize>,
    calibrations: Vec<usize>,
    slates: Vec<usize>,
    by_thing: HashMap<Thing, Vec<usize>>,
}

impl<'a, 's> Bench<'a, 's> {
    fn new(photos: Vec<&'a Record>, stated: &'s Stated) -> Bench<'a, 's> {
        let mut bench = Bench {
            photos,
            stated,
            usable: Vec::new(),
            calibrations: Vec::new(),
            slates: Vec::new(),
            by_thing: HashMap::new(),
        };
        for (i, r) in bench.photos.iter().enumerate() {
            if r.is_read_slate() {
                bench.slates.push(i);
            }
            if !r.is_usable() {
                continue;
            }
            bench.usable.push(i);
            if r.capture == Some(Capture::Calibration) {
                bench.calibrations.push(i);
            }
            if let Some(of) = label_of(r) {
                let thing = (r.capture, of, what_is_stated(r, stated));
                bench.by_thing.entry(thing).or_default().push(i);
            }
        }
        bench
    }

    /// The first photo by which the `i`-th is settled.
    fn settles(&self, i: usize) -> Option<usize> {
        let r = self.photos[i];
        let later = |at: &[usize]| at.get(at.partition_point(|&j| j <= i)).copied();
        if r.reasons.iter().any(|r| r.code == Code::SlateUnread) {
            return later(&self.slates);
        }
        let is_calibration = r.capture == Some(Capture::Calibration);
        let has_no_spectrum = r
            .reasons
            .iter()
            .any(|r| r.code == Code::NoSpectrum && r.severity == Severity::Retake);
        let by_capture = is_calibration.then(|| later(&self.calibrations));
        let by_any = has_no_spectrum.then(|| later(&self.usable));
        let by_label = label_of(r).map(|of| {
            let stated = what_is_stated(r, self.stated);
            let things = continued(&of).map(|of| (r.capture, of.to_owned(), stated.clone()));
            let found = things.filter_map(|thing| later(self.by_thing.get(&thing)?));
            found.min()
        });
        let by_time = (!says_something(&r.label)).then(|| self.next(i));
        let all = [by_capture, by_any, by_label, by_time];
        all.into_iter().flatten().flatten().min()
    }

    /// The bench's next photo, if it is one of the same thing as far as that can be known where no label says so. Failed
    /// attempts between are further attempts at it.
    fn next(&self, i: usize) -> Option<usize> {
        let r = self.photos[i];
        let first = taken(r)?;
        for (j, next) in self.photos.iter().enumerate().skip(i + 1) {
            let wait = taken(next)?.duration_since(first);
            if next.is_read_slate() {
                continue;
            }
            let is_alike = next.capture == r.capture && !says_something(&next.label);
            if wait.as_secs() > 60 * AGAIN_WITHIN_MIN || !is_alike {
                return None;
            }
            if next.is_usable() {
                return Some(j);
            }
            if !is_to_be_taken_again(next) {
                return None;
            }
        }
        None
    }
}

/// What a photo's label is of; where it says nothing, what a slate says that the photo is.
fn label_of(record: &Record) -> Option<String> {
    if says_something(&record.label) {
        return Some(subject(&record.label).to_lowercase());
    }
    let slate = &record.provenance.slate;
    slate.contains_key("capture").then(|| {
        let said = slate
            .iter()
            .filter(|(column, _)| !["by", "note"].contains(&column.as_str()));
        let said: Vec<String> = said
            .map(|(column, cell)| format!("{column} {cell}"))
            .collect();
        // A label's parts are joined by these signs: nothing continues what a slate says.
        said.join("\n").replace(['-', '_', ' ', '('], "\n")
    })
}

fn taken(record: &Record) -> Option<DateTime> {
    record.taken.as_deref()?.parse().ok()
}

/// The label itself and those that it continues: `quay-lamp-shaken`, `quay-lamp`, `quay`.
fn continued(label: &str) -> impl Iterator<Item = &str> {
    let parts = label.match_indices(['-', '_', ' ', '(']);
    let shorter = parts.map(|(at, _)| label[..at].trim_end_matches(['-', '_', ' ', '(']));
    shorter.chain([label]).filter(|label| !label.is_empty())
}

/// True for a label of one's own: not what a camera writes by itself, such as `IMG_0412`, `20261112_195521` and `DSC01234`,
/// nor a mere `sample-3`.
fn says_something(label: &str) -> bool {
    let label = label.to_lowercase();
    let is_separator = |c: &char| matches!(c, '-' | '_');
    let bare: Vec<char> = label.chars().filter(|c| !is_separator(c)).collect();
    let is_drawn = bare.len() >= DRAWN_DIGITS && bare.iter().all(char::is_ascii_hexdigit);
    let mut words = label.split(|c: char| !c.is_alphabetic());
    !is_drawn && words.any(|word| !word.is_empty() && !EMPTY_WORDS.contains(&word))
}

/// What a rule or the table of concentrations says that a photo is of. Two solutions of one series are two things, however
/// alike their labels.
fn what_is_stated(record: &Record, stated: &Stated) -> String {
    let groups = TELLING_GROUPS.map(|name| record.groups.get(name));
    format!("{:?} {groups:?}", role(record, stated))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::stated::Row;
    use crate::terms::Reason;

    /// A class, a photo a line: `bench/name capture hh:mm verdict`, `-` for no time. `none` is a retake without a spectrum.
    fn class(lines: &str) -> Vec<Record> {
        let lines = lines.lines().map(str::trim).filter(|l| !l.is_empty());
        lines
            .map(|line| {
                let words: Vec<&str> = line.split(' ').collect();
                let (bench, name) = words[0].split_once('/').unwrap();
                let reason = |code| Reason {
                    code,
                    severity: Severity::Retake,
                    measured: String::new(),
                    limit: String::new(),
                    advice: String::new(),
                };
                let (verdict, reasons) = match words[3] {
                    "good" => (Verdict::Good, vec![]),
                    "caution" => (Verdict::Caution, vec![]),
                    "waiting" => (Verdict::Waiting, vec![]),
                    "broken" => (Verdict::Unreadable, vec![reason(Code::Truncated)]),
                    "none" => (Verdict::Retake, vec![reason(Code::NoSpectrum)]),
                    "ignored" => (Verdict::Ignored, vec![]),
                    _ => (Verdict::Retake, vec![reason(Code::Moved)]),
                };
                Record {
                    photo: format!("{}.jpg", words[0]),
                    bench: bench.to_owned(),
                    label: name.to_owned(),
                    capture: Some(match words[1] {
                        "lamp" => Capture::Calibration,
                        "blank" => Capture::Blank,
                        _ => Capture::Sample,
                    }),
                    taken: (words[2] != "-").then(|| format!("2026-11-12T{}:00", words[2])),
                    verdict,
                    reasons,
                    ..Record::default()
                }
            })
            .collect()
    }

    /// Pairs as `photo<-settled by`, by path.
    fn pairs(records: &[Record]) -> String {
        let short = |path: &str| path.trim_end_matches(".jpg").to_owned();
        let pairs = settled(records, &Stated::default());
        let pairs = pairs
            .iter()
            .map(|(photo, by)| format!("{}<-{}", short(photo), short(by)));
        pairs.collect::<Vec<_>>().join(" ")
    }

    fn of(lines: &str) -> String {
        pairs(&class(lines))
    }

    #[test]
    fn a_sample_is_settled_by_its_own_label_and_by_the_one_it_continues() {
        let lines = "
            a/quay-lamp-shaken sample 19:00 retake
            a/quay-lamp sample 19:03 caution
            a/quay-lamp-2 sample 19:05 good
            a/Crane sample 19:06 broken
            a/crane-02 sample 19:30 good
            a/kiosk sample 19:31 retake
            a/kiosk-far sample 19:32 good
            a/mole sample 19:33 retake
            a/pier sample 19:34 good";
        assert_eq!(
            of(lines),
            "a/Crane<-a/crane-02 a/quay-lamp-shaken<-a/quay-lamp"
        );
    }

    #[test]
    fn what_was_taken_before_or_elsewhere_or_for_another_purpose_settles_nothing() {
        let lines = "
            a/quay sample 18:59 good
            a/quay-2 sample 19:00 retake
            b/quay-3 sample 19:01 good
            a/quay-4 blank 19:02 good
            a/quay-5 sample 19:03 waiting
            a/quay-6 sample 19:04 retake
            a/quay-7 sample 19:05 ignored";
        assert_eq!(of(lines), "");
    }

    #[test]
    fn any_later_lamp_photo_settles_a_lamp_photo_and_any_photo_one_without_a_spectrum() {
        let lines = "
            a/lamp-soft lamp 18:40 retake
            a/lamp-bulb lamp 18:50 none
            a/pocket sample 18:55 none
            a/quay sample 19:00 good
            a/lamp-9 lamp 19:20 good
            a/window sample 19:30 none";
        assert_eq!(
            of(lines),
            "a/lamp-bulb<-a/quay a/lamp-soft<-a/lamp-9 a/pocket<-a/quay"
        );
    }

    #[test]
    fn without_labels_the_next_photo_within_five_minutes_settles() {
        let lines = "
            a/IMG_0001 sample 19:00 retake
            a/IMG_0002 sample 19:02 retake
            a/IMG_0003 sample 19:05 good
            a/IMG_0004 sample 19:10 retake
            a/IMG_0005 sample 19:16 good
            a/IMG_0006 sample 19:20 retake
            a/IMG_0007 lamp 19:21 good
            a/IMG_0008 sample 19:22 good
            a/IMG_0009 sample 19:30 retake
            a/quay sample 19:31 good
            a/IMG_0010 sample 19:32 good
            a/IMG_0011 sample 19:40 retake
            a/IMG_0012 sample 19:41 waiting
            a/IMG_0013 sample 19:42 good
            a/IMG_0014 sample - retake
            a/IMG_0015 sample - good
            b/quay sample 19:00 retake
            b/IMG_0001 sample 19:01 good";
        assert_eq!(of(lines), "a/IMG_0001<-a/IMG_0003 a/IMG_0002<-a/IMG_0003");
    }

    #[test]
    fn later_is_by_time_and_at_one_time_by_the_files_numbers() {
        let lines = "
            a/quay-10 sample 19:00 good
            a/quay-9 sample 19:00 retake
            a/quay-11 sample 19:00 retake
            b/quay-1 sample 19:05 retake
            b/quay-2 sample 19:00 good
            c/quay-1 sample - retake
            c/quay-2 sample - good";
        assert_eq!(of(lines), "a/quay-9<-a/quay-10 c/quay-1<-c/quay-2");
    }

    #[test]
    fn two_solutions_are_two_things_however_alike_their_labels() {
        let mut records = class("a/dye-2 sample 19:00 retake\na/dye-4 sample 19:03 good");
        assert_eq!(
            pairs(&records),
            "a/dye-2<-a/dye-4",
            "repeats, for all that is known"
        );
        for (r, concentration) in records.iter_mut().zip(["2", "4"]) {
            let group = ("concentration".to_owned(), concentration.to_owned());
            r.groups = BTreeMap::from([group]);
        }
        assert_eq!(pairs(&records), "");
        records.iter_mut().for_each(|r| r.groups.clear());
        let mut stated = Stated::default();
        for (file, concentration) in [("dye-2.jpg", 2.0), ("dye-4.jpg", 4.0)] {
            let row = Row {
                concentration: Some(concentration),
                ..Row::default()
            };
            stated.add(file, row);
        }
        assert_eq!(settled(&records, &stated), Settled::new());
        assert_eq!(n_to_retake(&records, &stated), 1);
        assert_eq!(n_to_retake(&records, &Stated::default()), 0);
    }

    #[test]
    fn photos_without_a_bench_settle_nobody() {
        assert_eq!(
            of("/quay-1 sample 19:00 retake\n/quay-2 sample 19:01 good"),
            ""
        );
    }

    #[test]
    fn what_a_camera_writes_is_no_label_of_ones_own() {
        for label in [
            "IMG_0412",
            "IMG_20261112_195521",
            "20261112_195521",
            "DSC01234",
            "PXL_20261112_195521123.MP",
            "IMG_0412(1)",
            "sample-3",
            "5B1A77C2-0E4F-4E7E-9B1D-6A0C2F9D11AB",
            "",
        ] {
            assert!(!says_something(label), "{label}");
        }
        for label in [
            "quay-lamp",
            "led-523",
            "neon",
            "dye-2mg",
            "фонарь",
            "facade",
        ] {
            assert!(says_something(label), "{label}");
        }
    }

    proptest::proptest! {
        #[test]
        fn the_order_of_the_photos_changes_nothing_and_only_later_usable_ones_settle(
            photos in proptest::collection::vec((0..2_u8, 0..3_u8, 0..3_u8, proptest::option::of(0..20_u8), 0..4_u8), 1..16),
            turn in 0..16_usize,
        ) {
            let lines: Vec<String> = photos
                .iter()
                .enumerate()
                .map(|(i, (bench, name, capture, minute, verdict))| {
                    let bench = ["a", "b"][usize::from(*bench)];
                    let name = ["IMG_", "quay-lamp-", "quay-lamp-soft-"][usize::from(*name)];
                    let capture = ["lamp", "blank", "sample"][usize::from(*capture)];
                    let time = minute.map_or("-".to_owned(), |m| format!("19:{m:02}"));
                    let verdict = ["good", "retake", "none", "broken"][usize::from(*verdict)];
                    format!("{bench}/{name}{i} {capture} {time} {verdict}")
                })
                .collect();
            let records = class(&lines.join("\n"));
            let found = settled(&records, &Stated::default());
            let mut turned = records.clone();
            turned.rotate_left(turn % records.len());
            turned.reverse();
            proptest::prop_assert_eq!(&found, &settled(&turned, &Stated::default()));
            let record = |path: &str| records.iter().find(|r| r.photo == path).unwrap();
            for (photo, by) in &found {
                let (bad, good) = (record(photo), record(by));
                proptest::prop_assert!(is_to_be_taken_again(bad) && good.is_usable());
                proptest::prop_assert_eq!(&bad.bench, &good.bench);
                if let (Some(early), Some(late)) = (&bad.taken, &good.taken) {
                    proptest::prop_assert!(early <= late);
                }
            }
        }
    }

    #[test]
    fn one_slate_links_two_photos_and_an_unread_one_is_settled_by_the_next_that_is_read() {
        let mut records = class(
            "a/IMG_1 sample 19:00 none
            a/IMG_2 blank 19:01 ignored
            a/IMG_3 blank 19:02 retake
            a/IMG_4 blank 19:20 good
            a/IMG_5 blank 19:30 good",
        );
        records[0].reasons[0].code = Code::SlateUnread;
        let settled_by = |records: &[Record]| -> String {
            let settled = settled(records, &Stated::default()).into_iter();
            let pairs: Vec<String> = settled
                .map(|(photo, by)| format!("{photo}<-{by}"))
                .collect();
            pairs.join(" ")
        };
        assert_eq!(settled_by(&records), "", "no slate is read");
        records[1].looks = Some(crate::terms::Seen {
            slate: Some(crate::terms::SlateSeen::Read("SLITWATCH1:BLANK".to_owned())),
            ..crate::terms::Seen::nothing("")
        });
        let blank = |by: &str| {
            let cells = [
                ("capture", "blank"),
                ("by", by),
                ("note", "next: the blank"),
            ];
            cells.map(|(column, cell)| (column.to_owned(), cell.to_owned()))
        };
        records[2].provenance.slate = blank("a/IMG_2").into();
        records[4].provenance.slate = blank("a/IMG_9").into();
        assert_eq!(
            settled_by(&records),
            "a/IMG_1.jpg<-a/IMG_2.jpg a/IMG_3.jpg<-a/IMG_5.jpg"
        );
    }
}
