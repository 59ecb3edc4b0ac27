//! Instruments over the sessions: what each session's photos show of a bench's slit, tilt, scale and bandpass, whether it has been
//! rebuilt since the session before, and whether it gets worse. `instruments.csv` has a row a bench and session, and
//! `instruments.html` shows them. What is said of change is said by `answers`.

mod before;
mod drawing;
mod own;
mod page;
mod table;

use std::collections::BTreeMap;

use super::builds::{Build, builds, has_own_scale};
use super::slit::bench_slit;
use crate::answers::drift;
use crate::measure::optics::instrument;
use crate::publish::record::Record;
use crate::terms::{Calibration, Capture, Code, Estimate, Quantity, Reason, Severity, Verdict};

pub use before::instruments_js;
pub use own::Own;
pub use page::instruments_html;
pub use table::instruments_csv;

/// The numbers whose change is judged; larger is worse.
pub const JUDGED: [Judged; 4] = [
    Judged {
        name: "trend.slit",
        column: "slit_width_um",
        unit: " µm",
    },
    Judged {
        name: "instruments.own_image",
        column: "slit_image_px",
        unit: " px",
    },
    Judged {
        name: "page.tilt",
        column: "tilt_deg",
        unit: "°",
    },
    Judged {
        name: "page.bandpass",
        column: "bandpass_nm",
        unit: " nm",
    },
];

/// A number whose change is judged.
pub struct Judged {
    /// As people say it.
    pub name: &'static str,
    /// Its column.
    pub column: &'static str,
    /// Its unit, with a space before it where one belongs.
    pub unit: &'static str,
}

/// One bench over the sessions.
pub struct BenchTerm<'a> {
    /// Its name.
    pub bench: &'a str,
    /// What each session that it took photos in shows, in their order.
    pub seen: Vec<Seen<'a>>,
}

/// A bench's photos of one session: its place among all sessions, its folder, their records.
type InSession<'a> = (usize, &'a str, Vec<&'a Record>);

/// What a session's photos show of a bench's instrument.
pub struct Seen<'a> {
    /// Folder of the session.
    pub session: &'a str,
    /// Its place among all sessions, from 0.
    pub place: usize,
    /// When the bench's first photo was taken, ISO 8601.
    pub from: Option<&'a str>,
    /// Photos, ignored files left out.
    pub photos: usize,
    /// The bench's last lamp photo with a scale.
    pub lamp: Option<&'a Record>,
    /// Slit width (µm), the slit's own image (px), tilt (°, without its sign) and bandpass (nm), as [`JUDGED`] has them.
    pub numbers: [Option<Estimate>; 4],
    /// The models of its lamp photos, those of its last build.
    models: Vec<&'a Calibration>,
    /// The same as its lamp photos show them, to be held against other sessions.
    pub own: Own,
    /// Which build of the instrument it is at the session's end, counted from 1.
    pub build: usize,
    /// What has changed by its end since the session before, in words.
    pub changed: Vec<String>,
    /// True where there was something before that it can be compared with.
    pub is_compared: bool,
    /// By how much each number rises a session since the instrument was built; absent for fewer than three sessions.
    pub rise: [Option<Estimate>; 4],
}

impl Seen<'_> {
    /// The numbers that get worse, beyond doubt.
    pub fn worse(&self) -> impl Iterator<Item = (&'static Judged, Estimate)> {
        let rises = JUDGED.iter().zip(self.rise);
        rises.filter_map(|(judged, rise)| {
            let rise = rise.filter(|rise| rise.value > 0.0 && drift::is_sure(*rise))?;
            Some((judged, rise))
        })
    }
}

/// Every bench of the sessions by name.
///
/// `sessions` are their folders and photos, in any order.
pub fn of_sessions<'a>(sessions: Vec<(&'a str, Vec<&'a Record>)>) -> Vec<BenchTerm<'a>> {
    let mut benches: BTreeMap<&'a str, Vec<InSession<'a>>> = BTreeMap::new();
    for (place, (folder, records)) in in_order(sessions).into_iter().enumerate() {
        let mut by_bench: BTreeMap<&'a str, Vec<&'a Record>> = BTreeMap::new();
        for record in records {
            if !record.bench.is_empty() && record.verdict != Verdict::Ignored {
                by_bench.entry(&record.bench).or_default().push(record);
            }
        }
        for (bench, records) in by_bench {
            let all = benches.entry(bench).or_default();
            all.push((place, folder, records));
        }
    }
    let benches = benches.into_iter();
    benches.map(|(bench, all)| over(bench, &all)).collect()
}

/// Sessions in the order of their first photos; those that do not say when come last, by name.
fn in_order<'a>(mut sessions: Vec<(&'a str, Vec<&'a Record>)>) -> Vec<(&'a str, Vec<&'a Record>)> {
    let first = |records: &[&'a Record]| -> Option<&'a str> {
        records.iter().filter_map(|r| r.taken.as_deref()).min()
    };
    sessions.sort_by_key(|(folder, records)| (first(records).is_none(), first(records), *folder));
    sessions
}

fn over<'a>(bench: &'a str, all: &[InSession<'a>]) -> BenchTerm<'a> {
    let every: Vec<&Record> = all
        .iter()
        .flat_map(|(.., records)| records)
        .copied()
        .collect();
    let builds = builds(&every);
    let mut seen: Vec<Seen<'a>> = Vec::new();
    let mut build = 1;
    for (place, session, records) in all {
        let mut now = one(*place, session, records, &builds);
        if let Some(before) = seen.iter().rev().find(|s| s.own.is_known()) {
            now.is_compared = now.own.is_known();
            now.changed = optics_jump(&before.models, &now.models);
            // What the optics' jumps say is not said twice.
            let is_other_disc = !now.changed.is_empty();
            let more = now.own.rebuilt_since(&before.own, is_other_disc);
            now.changed.extend(more);
        }
        build += usize::from(!now.changed.is_empty());
        now.build = build;
        seen.push(now);
        rise_of_last(&mut seen);
    }
    BenchTerm { bench, seen }
}

/// What has jumped from a session's lamp photos to a later one's, in words: from each of them to each, for a single one that says so is
/// wrong rather than the instrument another.
fn optics_jump(before: &[&Calibration], after: &[&Calibration]) -> Vec<String> {
    let pairs = before
        .iter()
        .flat_map(|b| after.iter().map(move |a| (*b, *a)));
    let mut jumps: Vec<Vec<String>> = pairs.map(|(b, a)| instrument::jumps(b, a)).collect();
    match jumps.iter().any(Vec::is_empty) {
        true => Vec::new(),
        false => jumps.pop().unwrap_or_default(),
    }
}

/// What one session shows by itself.
fn one<'a>(
    place: usize,
    session: &'a str,
    records: &[&'a Record],
    builds: &BTreeMap<&str, Build>,
) -> Seen<'a> {
    let mut lamps: Vec<&'a Record> = records
        .iter()
        .copied()
        .filter(|r| r.capture == Some(Capture::Calibration) && has_own_scale(r) && tells(r))
        .collect();
    lamps.sort_by_key(|r| (r.taken.as_deref(), r.photo.as_str()));
    let lamp = lamps.iter().copied().rfind(|r| r.is_usable());
    let build = |r: &Record| builds.get(r.photo.as_str()).map(|build| build.number);
    let last = lamps.iter().filter_map(|r| build(r)).max();
    lamps.retain(|r| build(r) == last);
    // What was mended counts no more.
    if lamps.iter().any(|r| r.is_usable()) {
        lamps.retain(|r| r.is_usable());
    }
    let tilts: Vec<Estimate> = records
        .iter()
        .filter(|r| r.is_usable())
        .filter_map(|r| r.metrics.estimate(Quantity::TiltDeg))
        .collect();
    let tilt = drift::middle(&tilts).map(|e| Estimate::new(e.value.abs(), e.sigma));
    let own = Own::of(&lamps, tilt);
    Seen {
        session,
        place,
        from: records.iter().filter_map(|r| r.taken.as_deref()).min(),
        photos: records.len(),
        lamp,
        numbers: [
            bench_slit(records).map(|slit| slit.width()),
            own.image_px(),
            tilt,
            lamp.and_then(|r| r.metrics.estimate(Quantity::BandpassNm)),
        ],
        models: lamps
            .iter()
            .filter_map(|r| r.calibration.as_ref()?.model.as_ref())
            .collect(),
        own,
        build: 1,
        changed: Vec::new(),
        is_compared: false,
        rise: [None; 4],
    }
}

/// True for a photo that shows the instrument: it is usable, or to be taken again for nothing but a slit that is too wide.
fn tells(record: &Record) -> bool {
    let is_severe = |r: &&Reason| r.severity == Severity::Retake;
    let mut severe = record.reasons.iter().filter(is_severe);
    record.is_usable()
        || record.verdict == Verdict::Retake && severe.all(|r| r.code == Code::SlitWide)
}

/// Fills in the rise of each number since the last build of the instrument.
fn rise_of_last(seen: &mut [Seen<'_>]) {
    let Some(last) = seen.last() else {
        return;
    };
    let same = seen.iter().filter(|s| s.build == last.build);
    let same: Vec<(f64, &Own)> = same.map(|s| (s.place as f64, &s.own)).collect();
    let rise = own::rises(&same);
    if let Some(last) = seen.last_mut() {
        last.rise = rise;
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_pcg::Pcg64Mcg;

    use super::*;
    use crate::publish::record::CalibrationRecord;
    use crate::terms::ScaleKind;

    /// A lamp photo with this slit, µm, its image, px, and bandpass, nm.
    fn lamp(session: usize, k: usize, [slit_um, image_px, bandpass_nm]: [f64; 3]) -> Record {
        let photo = format!("s{session:02}/heron/lamp-{k}.jpg");
        let mut record = Record {
            bench: "heron".to_owned(),
            capture: Some(Capture::Calibration),
            taken: Some(format!("2026-11-{:02}T18:{k:02}:00", session + 1)),
            verdict: Verdict::Good,
            calibration: Some(CalibrationRecord {
                photo: Some(photo.clone()),
                kind: ScaleKind::Calibrated,
                lines: Vec::new(),
                rms_nm: None,
                model: None,
            }),
            photo,
            ..Record::default()
        };
        let mut note = |quantity, value: f64, sigma| {
            let estimate = Estimate::new(value, sigma);
            record.metrics.note(quantity, estimate);
        };
        // What one photo alone says of them: mostly what all photos of a bench share.
        note(Quantity::SlitWidthUm, slit_um, 0.5 * slit_um);
        note(Quantity::BandpassNm, bandpass_nm, 0.05 * bandpass_nm);
        note(Quantity::TiltDeg, -1.0, 0.1);
        record.metrics.set(Quantity::SlitImagePx, Some(image_px));
        record.metrics.set(Quantity::NmPerPx, Some(0.56));
        record
    }

    /// A bench's sessions with these slits, µm, two lamp photos each, which scatter as drawn ones do.
    fn term(slits: &[f64], random: &mut Pcg64Mcg) -> Vec<Record> {
        let mut all = Vec::new();
        for (s, slit_um) in slits.iter().enumerate() {
            for k in 0..2 {
                let mut by = |share: f64| {
                    let normal = Normal::new(0.0, share).unwrap();
                    f64::exp(normal.sample(&mut *random))
                };
                // Lens and focus hide more than half of what a slit does.
                let share = slit_um / 200.0;
                all.push(lamp(
                    s,
                    k,
                    [
                        200.0 * share.powf(0.4) * by(0.22),
                        6.0 * share.powf(0.3) * by(0.06),
                        2.3 * share.powf(0.3) * by(0.13),
                    ],
                ));
            }
        }
        all
    }

    fn said(records: &[Record]) -> Vec<(usize, bool, usize)> {
        let folders: Vec<String> = (0..20).map(|s| format!("s{s:02}")).collect();
        let of = |folder: &String| {
            let within = format!("{folder}/");
            let own = records.iter().filter(|r| r.photo.starts_with(&within));
            own.collect::<Vec<&Record>>()
        };
        let sessions = folders.iter().map(|folder| (folder.as_str(), of(folder)));
        let term = of_sessions(sessions.filter(|(_, own)| !own.is_empty()).collect());
        assert_eq!(term.len(), 1);
        let seen = term[0].seen.iter();
        seen.map(|s| (s.build, s.is_compared, s.worse().count()))
            .collect()
    }

    /// Of so many terms of these slits: in how many something is called rebuilt, and in how many something worse at the end.
    fn counted(slits: &[f64], n: usize) -> (usize, usize) {
        let mut random = Pcg64Mcg::seed_from_u64(23);
        let terms = (0..n).map(|_| said(&term(slits, &mut random)));
        let terms: Vec<_> = terms.collect();
        let last = slits.len() - 1;
        let rebuilt = terms.iter().filter(|t| t[last].0 > 1).count();
        (rebuilt, terms.iter().filter(|t| t[last].2 > 0).count())
    }

    #[test]
    fn what_stays_is_hardly_ever_said_to_change_and_what_opens_or_is_another_is() {
        let (rebuilt, worse) = counted(&[200.0; 15], 400);
        assert!(rebuilt <= 16 && worse <= 4, "of 400: {rebuilt}, {worse}");
        let opens: Vec<f64> = (0..15).map(|s| 160.0 + 30.0 * f64::from(s)).collect();
        let (_, worse) = counted(&opens, 100);
        assert!(worse >= 95, "of 100: {worse}");
        let another = [150.0, 150.0, 150.0, 1200.0, 1200.0, 1200.0];
        let (rebuilt, worse) = counted(&another, 100);
        assert!(rebuilt >= 95 && worse <= 2, "of 100: {rebuilt}, {worse}");
    }

    #[test]
    fn the_first_session_is_compared_with_nothing_and_a_drift_is_known_from_the_third_on() {
        let mut random = Pcg64Mcg::seed_from_u64(5);
        let steady = said(&term(&[200.0; 5], &mut random));
        assert_eq!(steady[0], (1, false, 0));
        assert!(steady[1..].iter().all(|s| *s == (1, true, 0)), "{steady:?}");
        let opens: Vec<f64> = (0..15).map(|s| 150.0 + 30.0 * f64::from(s)).collect();
        let opens = said(&term(&opens, &mut random));
        assert_eq!(opens[0].2 + opens[1].2, 0, "not before it can be known");
        assert!(opens[14].2 > 0, "{opens:?}");
    }

    #[test]
    fn a_disc_that_sits_otherwise_is_another_build() {
        let mut random = Pcg64Mcg::seed_from_u64(7);
        let mut records = term(&[200.0; 6], &mut random);
        for record in records.iter_mut().skip(6) {
            record.metrics.set(Quantity::NmPerPx, Some(0.54));
        }
        let builds: Vec<usize> = said(&records).iter().map(|s| s.0).collect();
        assert_eq!(builds, [1, 1, 1, 2, 2, 2]);
    }
}
