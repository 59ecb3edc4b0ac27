//! Instruments over the sessions: what each session's photos show of a bench's slit, tilt, scale and bandpass, whether it has been
//! rebuilt since the session before, and whether it gets worse. `instruments.csv` has a row a bench and session, and
//! `instruments.html` shows them. What is said of change is said by `answers`.

mod drawing;
mod page;
mod table;

use std::collections::BTreeMap;

use super::builds::{builds, has_own_scale};
use super::slit::bench_slit;
use crate::answers::drift;
use crate::publish::numbers;
use crate::publish::record::Record;
use crate::terms::{Capture, Estimate, Quantity, Verdict};

pub use page::instruments_html;
pub use table::instruments_csv;

/// The numbers whose change is judged; larger is worse.
pub const JUDGED: [Judged; 3] = [
    Judged {
        name: "slit width",
        column: "slit_width_um",
        unit: " µm",
    },
    Judged {
        name: "tilt",
        column: "tilt_deg",
        unit: "°",
    },
    Judged {
        name: "bandpass",
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
    /// Slit width (µm), tilt (°, without its sign) and bandpass (nm), as [`JUDGED`] has them.
    pub numbers: [Option<Estimate>; 3],
    /// Which build of the instrument it is at the session's end, counted from 1.
    pub build: usize,
    /// What has changed since the session before, or within this one, in words.
    pub changed: Vec<String>,
    /// True where there was something before that it can be compared with.
    pub is_compared: bool,
    /// By how much each number rises a session since the instrument was built; absent for fewer than three sessions.
    pub rise: [Option<Estimate>; 3],
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

/// Every bench of the sessions by name. Sessions are in the order of their first photos; those that do not say when come last, by
/// name.
///
/// `sessions` are their folders and photos, in any order.
pub fn of_sessions<'a>(sessions: Vec<(&'a str, Vec<&'a Record>)>) -> Vec<BenchTerm<'a>> {
    let first = |records: &[&'a Record]| -> Option<&'a str> {
        records.iter().filter_map(|r| r.taken.as_deref()).min()
    };
    let mut in_order = sessions;
    in_order.sort_by_key(|(folder, records)| (first(records).is_none(), first(records), *folder));
    let mut benches: BTreeMap<&'a str, Vec<InSession<'a>>> = BTreeMap::new();
    for (place, (folder, records)) in in_order.into_iter().enumerate() {
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

fn over<'a>(bench: &'a str, all: &[InSession<'a>]) -> BenchTerm<'a> {
    let every: Vec<&Record> = all
        .iter()
        .flat_map(|(.., records)| records)
        .copied()
        .collect();
    let builds = builds(&every);
    let mut seen: Vec<Seen<'a>> = Vec::new();
    // The optics' build and the slit's: either makes another instrument.
    let (mut optics, mut n_slits) = (1, 0);
    for (place, session, records) in all {
        let mut now = one(*place, session, records);
        let lamps = records.iter().filter_map(|r| builds.get(r.photo.as_str()));
        let mut lamps: Vec<_> = lamps.collect();
        lamps.sort_by_key(|build| build.number);
        let has_scale_before = seen.iter().any(|before| before.lamp.is_some());
        now.is_compared = has_scale_before && !lamps.is_empty();
        for build in lamps {
            if build.number > optics {
                now.changed.extend(build.jumps.iter().cloned());
            }
            optics = optics.max(build.number);
        }
        let last_slit = seen.iter().rev().find_map(|before| before.numbers[0]);
        if let (Some(before), Some(after)) = (last_slit, now.numbers[0]) {
            now.is_compared = true;
            if drift::is_another(before, after) {
                n_slits += 1;
                now.changed.push(format!(
                    "the slit from {} to {} µm",
                    numbers::plus_minus(before),
                    numbers::plus_minus(after)
                ));
            }
        }
        now.build = optics + n_slits;
        seen.push(now);
        rise_of_last(&mut seen);
    }
    BenchTerm { bench, seen }
}

/// What one session shows by itself.
fn one<'a>(place: usize, session: &'a str, records: &[&'a Record]) -> Seen<'a> {
    let lamps = records
        .iter()
        .copied()
        .filter(|r| r.capture == Some(Capture::Calibration) && has_own_scale(r) && r.is_usable());
    let lamp = lamps.max_by_key(|r| (r.taken.as_deref(), r.photo.as_str()));
    let tilts: Vec<Estimate> = records
        .iter()
        .filter(|r| r.is_usable())
        .filter_map(|r| r.metrics.estimate(Quantity::TiltDeg))
        .collect();
    let tilt = drift::middle(&tilts);
    Seen {
        session,
        place,
        from: records.iter().filter_map(|r| r.taken.as_deref()).min(),
        photos: records.len(),
        lamp,
        numbers: [
            bench_slit(records).map(|slit| slit.width()),
            tilt.map(|e| Estimate::new(e.value.abs(), e.sigma)),
            lamp.and_then(|r| r.metrics.estimate(Quantity::BandpassNm)),
        ],
        build: 1,
        changed: Vec::new(),
        is_compared: false,
        rise: [None; 3],
    }
}

/// Fills in the rise of each number since the last build of the instrument.
fn rise_of_last(seen: &mut [Seen<'_>]) {
    let Some((last, before)) = seen.split_last_mut() else {
        return;
    };
    for k in 0..JUDGED.len() {
        let same = before.iter().filter(|s| s.build == last.build);
        let earlier = same.filter_map(|s| Some((s.place as f64, s.numbers[k]?)));
        let own = last.numbers[k].map(|number| (last.place as f64, number));
        let values: Vec<(f64, Estimate)> = earlier.chain(own).collect();
        last.rise[k] = drift::per_step(&values);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(session: usize, photo: &str, slit: (f64, f64), tilt: f64) -> Record {
        let mut record = Record {
            photo: format!("s{session}/heron/{photo}"),
            bench: "heron".to_owned(),
            taken: Some(format!("2026-11-{:02}T18:00:00", session + 1)),
            verdict: Verdict::Good,
            ..Record::default()
        };
        record
            .metrics
            .note(Quantity::SlitWidthUm, Estimate::new(slit.0, slit.1));
        record
            .metrics
            .note(Quantity::TiltDeg, Estimate::new(tilt, 0.1));
        record
    }

    /// A bench's sessions with these slits, µm, each known to a twentieth from many photos.
    fn term(slits: &[f64]) -> Vec<Record> {
        let photos = |s: usize| {
            (0..40)
                .map(move |p| format!("{p:02}.jpg"))
                .map(move |p| (s, p))
        };
        let all = (0..slits.len()).flat_map(photos);
        all.map(|(s, p)| record(s, &p, (slits[s], 0.05 * slits[s]), -1.0))
            .collect()
    }

    fn said(records: &[Record]) -> Vec<(usize, bool, usize)> {
        let folders: Vec<String> = (0..20).map(|s| format!("s{s}")).collect();
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

    #[test]
    fn a_slit_that_stays_is_neither_rebuilt_nor_worse_and_one_that_opens_is_said_to() {
        let steady = said(&term(&[200.0, 210.0, 195.0, 205.0, 200.0]));
        assert_eq!(steady[0], (1, false, 0));
        assert!(steady[1..].iter().all(|s| *s == (1, true, 0)), "{steady:?}");
        let opens: Vec<f64> = (0..15).map(|s| 150.0 + 20.0 * f64::from(s)).collect();
        let opens = said(&term(&opens));
        assert_eq!(opens[14], (1, true, 1), "{opens:?}");
        assert_eq!(opens[1].2 + opens[2].2, 0, "not before it can be known");
    }

    #[test]
    fn another_slit_is_another_build_and_what_was_before_counts_no_longer() {
        let rebuilt = said(&term(&[100.0, 100.0, 100.0, 800.0, 800.0, 800.0]));
        let builds: Vec<usize> = rebuilt.iter().map(|s| s.0).collect();
        assert_eq!(builds, [1, 1, 1, 2, 2, 2]);
        assert!(rebuilt.iter().all(|s| s.2 == 0), "{rebuilt:?}");
    }
}
