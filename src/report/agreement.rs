//! `class.csv`: how well the benches agree, quantity by quantity. The arithmetic is that of `answers`.

use std::collections::BTreeMap;

use super::dictionary;
use super::series::Series;
use super::shown::{Shown, by_path, subject};
use super::whose::Whose;
use crate::answers::class::{Cell, Precision, is_narrow, precision};
use crate::publish::files::table::{Row, Table};
use crate::publish::files::tables::read_spectrum;
use crate::publish::record::Record;
use crate::terms::{Capture, Quantity};

/// Two benches whose strongest peaks are farther apart than this have not measured the same line: phones answer
/// differently to green and red, and the next strong line of any lamp here is farther off. No usable scale is wrong by as
/// much, nm.
const SAME_LINE_NM: f64 = 5.0;

/// A quantity that benches can be compared by: its name and its unit.
type Measurand = (String, String);
/// Each bench's results.
type Results<'a> = BTreeMap<&'a str, Vec<f64>>;

/// The wavelength of a lamp photo's strongest peak, nm, where benches can be compared by it: that of a line or a diode, not
/// of a glow, whose highest point is the phone's.
fn line_nm<'a>(
    shown: &Shown<'a>,
    fetch: &mut impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Option<f64> {
    let r = shown.record;
    let nm = *r.answers.numbers.get("strongest_peak_nm")?;
    let is_line = match r.answers.lamp.as_ref().map(|l| l.name.as_str()) {
        Some("filament" | "daylight") => false,
        // What these shine with is only told by their spectra; all others are lamps of lines.
        None | Some("led" | "white-led" | "unknown") => {
            let spectrum = read_spectrum(&fetch(shown)?).ok()?;
            let light: Vec<(f64, f64)> = spectrum
                .rows
                .iter()
                .map(|row| (row.wavelength_nm, row.signal))
                .collect();
            is_narrow(&light, nm)
        }
        Some(_) => true,
    };
    is_line.then_some(nm)
}

/// What a calibration's lamp is called among the quantities: its kind, for whatever the files are called it is one thing.
fn calibration_lamp(record: &Record) -> String {
    match record.lamp.as_str() {
        "" => "the calibration lamp".to_owned(),
        kind => format!("the calibration lamp ({kind})"),
    }
}

/// What benches can be compared by, and each bench's results.
fn quantities<'a>(
    photos: &[Shown<'a>],
    all: &[Series<'a>],
    fetch: &mut impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> BTreeMap<Measurand, Results<'a>> {
    let mut by: BTreeMap<Measurand, Results<'a>> = BTreeMap::new();
    for s in all {
        let mut note = |what: String, unit: String, value: f64| {
            let results = by.entry((what, unit)).or_default();
            results.entry(s.bench).or_default().push(value);
        };
        let name = if s.name.is_empty() {
            "the series"
        } else {
            s.name
        };
        if let Ok(line) = &s.line {
            let unit = match s.unit {
                "" => "per unit of concentration".to_owned(),
                unit => format!("per {unit}"),
            };
            note(format!("slope of {name}"), unit, line.slope.value);
        }
        for m in &s.members {
            if let Some(Ok(found)) = &m.found {
                let unit = match s.unit {
                    "" => "as stated",
                    unit => unit,
                };
                let stem = m.record.file_name();
                let stem = stem.rsplit_once('.').map_or(stem, |(stem, _)| stem);
                let what = format!("concentration of {}", subject(stem));
                note(what, unit.to_owned(), found.value.value);
            }
        }
    }
    let mut peaks: BTreeMap<String, Vec<(f64, &'a str)>> = BTreeMap::new();
    for shown in by_path(photos) {
        let r = shown.record;
        let lamp = match r.capture.filter(|_| r.is_usable()) {
            Some(Capture::Sample) => subject(&r.label).to_owned(),
            Some(Capture::Calibration) if r.is_calibrated() => {
                let lamp = calibration_lamp(r);
                if let Some(nm) = r.metrics.value(Quantity::BandpassNm) {
                    let what = (format!("bandpass by {lamp}"), "nm".to_owned());
                    let results = by.entry(what).or_default();
                    results.entry(&r.bench).or_default().push(nm);
                }
                format!("{lamp}, each on the scale of its own lines")
            }
            _ => continue,
        };
        if let Some(nm) = line_nm(&shown, fetch) {
            peaks.entry(lamp).or_default().push((nm, &r.bench));
        }
    }
    for (subject, mut peaks) in peaks {
        peaks.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(b.1)));
        let lines: Vec<&[(f64, &str)]> = peaks.chunk_by(|a, b| b.0 - a.0 <= SAME_LINE_NM).collect();
        for line in &lines {
            let what = match lines.len() {
                1 => format!("strongest peak of {subject}"),
                _ => format!("strongest peak of {subject} near {:.0} nm", line[0].0),
            };
            let results = by.entry((what, "nm".to_owned())).or_default();
            for (nm, bench) in *line {
                results.entry(bench).or_default().push(*nm);
            }
        }
    }
    by
}

/// How well the benches agree in one quantity.
pub struct Agreement {
    /// Its name.
    pub quantity: String,
    /// Its unit, in words where none is stated.
    pub unit: String,
    /// The statistics.
    pub precision: Precision,
}

/// Every quantity that two benches or more have measured, by name.
///
/// The strongest peaks of one lamp on several benches are one quantity where they can be one line, else as many as there are
/// lines; what glows has none. A lamp photo that calibrates is compared by its bandpass too, and its strongest peak for itself: a scale
/// fits the lines that it is made from better than any other. `fetch` gives a photo's `spectrum.csv`; it is asked for those that may be either.
pub fn agreements<'a>(
    photos: &[Shown<'a>],
    all: &[Series<'a>],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<Agreement> {
    quantities(photos, all, &mut fetch)
        .into_iter()
        .filter_map(|((quantity, unit), results)| {
            let cells: Vec<Cell> = results
                .into_iter()
                .map(|(bench, values)| Cell {
                    bench: bench.to_owned(),
                    values,
                })
                .collect();
            Some(Agreement {
                quantity,
                unit,
                precision: precision(&cells).ok()?,
            })
        })
        .collect()
}

/// `class.csv`: for each quantity a row per bench and the class's figures in each.
pub fn class_csv(all: &[Agreement], whose: &Whose<'_>) -> Vec<u8> {
    let mut table = Table::new(dictionary::CLASS.columns);
    for agreement in all {
        let found = &agreement.precision;
        for bench in &found.benches {
            let row = Row::default()
                .text(&agreement.quantity)
                .text(&agreement.unit)
                .text(&bench.bench)
                .cell(bench.n)
                .rounded(bench.mean, 6)
                .rounded(bench.sd, 3)
                .rounded(bench.h, 3)
                .rounded(bench.k, 3)
                .cell(bench.word)
                .cell(bench.by)
                .rounded(found.mean, 6)
                .rounded(found.repeatability_sd, 3)
                .rounded(found.between_sd, 3)
                .rounded(found.reproducibility_sd, 3)
                .rounded(found.cochran.map(|c| c.0), 3)
                .rounded(found.cochran.map(|c| c.1), 3);
            table.push(whose.of_session(row));
        }
    }
    table.finish()
}
