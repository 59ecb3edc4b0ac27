//! What a rehearsal comes to, in figures, and the limits that were stated for them beforehand.

use std::collections::BTreeMap;

use super::again::Again;
use super::lines::LineError;
use crate::terms::{Estimate, Interval, sorted};

/// Largest median error that is promised for lines of lamps other than the calibration lamp, nm.
const MEDIAN_LIMIT_NM: f64 = 0.3;
/// Error that 95 % of those lines are promised to stay within, nm.
const MOST_LIMIT_NM: f64 = 0.8;
/// A scale whose median error is larger is wrong, nm: it takes sodium's line for helium's.
const WRONG_SCALE_NM: f64 = 2.0;

/// A fault that was planted, and what became of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Planted {
    /// Photo.
    pub photo: String,
    /// Reason code.
    pub code: String,
    /// Size in the unit of the fault; absent where it has none.
    pub size: Option<f64>,
    /// How many times over the limit for `retake`; absent where there is none to compare it with.
    pub over_limit: Option<f64>,
    /// Severity with which it was named; absent where it was not.
    pub named: Option<String>,
    /// Whether that is enough: `retake`, or for exposure left to the phone whatever the limits say.
    pub caught: bool,
    /// What was said instead: verdict, reasons and the metrics next to the fault.
    pub said: String,
}

/// A fault of more than so many times its limit is gross; others are moderate.
const GROSS_TIMES: f64 = 2.25;

impl Planted {
    /// Far over the limit, or of a kind that has no size.
    pub fn is_gross(&self) -> bool {
        self.over_limit.is_none_or(|times| times > GROSS_TIMES)
    }
}

/// A reason given to a photo for which nothing of the kind was planted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Invented {
    /// Photo.
    pub photo: String,
    /// Reason code.
    pub code: String,
    /// What was said to be measured.
    pub measured: String,
}

/// Everything that a rehearsal comes to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Score {
    /// Photos in all.
    pub n_photos: usize,
    /// Photos without any fault.
    pub n_sound: usize,
    /// Verdicts and how often they were given.
    pub verdicts: BTreeMap<String, usize>,
    /// Isolated lines in sound photos: what `spectrum.csv` and `peaks.csv` say of each.
    pub lines: Vec<LineError>,
    /// Benches without a line to score have an entry, too.
    pub benches: Vec<String>,
    /// Errors of metrics by name, in the unit of the name (slit width: share of the true width).
    pub metrics: BTreeMap<&'static str, Vec<f64>>,
    /// Planted faults.
    pub planted: Vec<Planted>,
    /// Reasons of severity retake on sound photos.
    pub invented: Vec<Invented>,
    /// Cautions on sound photos.
    pub cautions: Vec<Invented>,
    /// Reasons of severity retake beside the planted one on spoilt photos.
    pub beside: Vec<Invented>,
    /// Sound photos that were taken for something else than they were, or for another bench's.
    pub mistaken: Vec<String>,
    /// What became of the slates; the shell fills it in, for a slate is no photo of the class.
    pub slates: Slates,
    /// Sound photos that have no spectrum on a calibrated scale.
    pub unmeasured: Vec<String>,
    /// Every photo with a calibrated scale and lines to check it by.
    pub scales: Vec<Scale>,
    /// Errors of the absorbance at the truth's points, each with the reported uncertainty.
    pub absorbance: Vec<Estimate>,
    /// Those of the errors that belong to true absorbances of 0.1 to 0.8 between 440 and 660 nm, where a class works.
    pub working_absorbance: Vec<Estimate>,
    /// What became of the photos that were taken again.
    pub again: Again,
    /// Unknowns of dilution series; the shell fills them in from the class's table.
    pub concentrations: Vec<Unknown>,
}

/// Slates that were photographed before the class's photos.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Slates {
    /// So many.
    pub n: usize,
    /// Those of them that were not read, with what became of them.
    pub unread: Vec<String>,
    /// Those that were read as what they do not say.
    pub wrong: Vec<String>,
}

/// The scale of a photo by the lines in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Photo.
    pub photo: String,
    /// The photo's verdict.
    pub verdict: String,
    /// Median error of its lines, nm. A strong line that is nowhere near its place counts as lost (`lines::LOST_NM`).
    pub median_error_nm: f64,
}

/// An unknown's concentration, and what was said of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Unknown {
    /// Photo.
    pub photo: String,
    /// True concentration.
    pub truth: f64,
    /// Value, and its 95 % interval; absent where it was refused.
    pub found: Option<(Estimate, Interval)>,
}

/// The smallest value that at least this share (0…1) of the values does not exceed; absent without values.
pub fn quantile(values: &[f64], share: f64) -> Option<f64> {
    let sorted = sorted(values.iter().copied());
    let rank = (share * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.clamp(1, sorted.len().max(1)) - 1).copied()
}

/// A limit that is stated beforehand, and whether it held.
#[derive(Clone, Debug, PartialEq)]
pub struct Promise {
    /// What is promised, in words.
    pub what: &'static str,
    /// The figure that was reached, in words.
    pub measured: String,
    /// Whether the limit held.
    pub kept: bool,
}

impl Score {
    /// The stated limits with their figures.
    pub fn promises(&self) -> Vec<Promise> {
        let others = self.lines.iter().filter(|l| l.is_of_other_lamp);
        let errors: Vec<f64> = others
            .filter_map(|l| l.in_spectrum_nm.map(f64::abs))
            .collect();
        let lost = self
            .lines
            .iter()
            .filter(|l| l.is_strong && l.in_spectrum_nm.is_none())
            .count();
        let nm = |v: Option<f64>| {
            v.map_or_else(|| "no line to measure".to_owned(), |v| format!("{v:.3} nm"))
        };
        let within = |v: Option<f64>, limit: f64| v.is_some_and(|v| v <= limit);
        let (median, most) = (quantile(&errors, 0.5), quantile(&errors, 0.95));
        let is_wrong = |s: &&Scale| s.verdict == "good" && s.median_error_nm.abs() > WRONG_SCALE_NM;
        let wrong = self.scales.iter().filter(is_wrong).count();
        let missed = |is_gross: bool| {
            let all = self.planted.iter().filter(|p| p.is_gross() == is_gross);
            (all.clone().filter(|p| !p.caught).count(), all.count())
        };
        let (gross, moderate) = (missed(true), missed(false));
        let promise = |what, measured, kept| Promise {
            what,
            measured,
            kept,
        };
        let (n_slates, slates) = (self.slates.n, &self.slates);
        let n_good = self.scales.iter().filter(|s| s.verdict == "good").count();
        vec![
            promise(
                "every sound photo is measured",
                format!("{} of {} are not", self.unmeasured.len(), self.n_sound),
                self.unmeasured.is_empty(),
            ),
            promise(
                "no strong isolated line is lost",
                format!("{lost} lost"),
                lost == 0,
            ),
            promise(
                "lines of other lamps: median within 0.3 nm",
                nm(median),
                within(median, MEDIAN_LIMIT_NM),
            ),
            promise(
                "lines of other lamps: 95 % within 0.8 nm",
                nm(most),
                within(most, MOST_LIMIT_NM),
            ),
            promise(
                "no scale wrong by more than 2 nm is handed out as good",
                format!("{wrong} of {n_good}"),
                wrong == 0,
            ),
            promise(
                "every gross fault is caught",
                format!("{} of {} missed", gross.0, gross.1),
                gross.0 == 0,
            ),
            promise(
                "95 % of the moderate faults are caught",
                format!("{} of {} missed", moderate.0, moderate.1),
                20 * moderate.0 <= moderate.1,
            ),
            promise(
                "no sound photo is called retake",
                format!("{} reasons invented", self.invented.len()),
                self.invented.is_empty(),
            ),
            promise(
                "every photo taken again is settled, and no other",
                format!(
                    "{} of {} still asked for, {} wrong",
                    self.again.still_asked.len(),
                    self.again.n_taken_again,
                    self.again.wrong.len()
                ),
                self.again.still_asked.is_empty() && self.again.wrong.is_empty(),
            ),
            promise(
                "every sound photo is taken for what it is",
                format!("{} of {} are not", self.mistaken.len(), self.n_sound),
                self.mistaken.is_empty(),
            ),
            promise(
                "98 % of the slates are read, and none wrongly",
                format!(
                    "{} of {n_slates} unread, {} wrong",
                    slates.unread.len(),
                    slates.wrong.len()
                ),
                slates.wrong.is_empty() && 50 * slates.unread.len() <= n_slates,
            ),
        ]
    }

    /// Whether every stated limit held.
    pub fn all_kept(&self) -> bool {
        self.promises().iter().all(|p| p.kept)
    }
}
