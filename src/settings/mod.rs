//! The configuration: as written -> as checked. All mistakes come at once, each with line, column and remedy.
//!
//! Reads the configuration file and the files it names (texts, lamps, concentrations), and nothing else; whether the inbox
//! exists is for `run` to find out. A [`Settings`] can only be had without mistakes, so nothing behind this module meets an
//! unchecked value.

mod concentrations;
pub mod describe;
pub mod document;
mod lamps;
mod limits;
pub mod mistake;
pub mod reading;
mod rules;
pub mod sections;
pub mod words;

pub use describe::describe;
pub use mistake::Mistake;
pub use sections::{
    Arrival, BlankChoice, CalibrationChoice, Instrument, Output, Pages, Pairing, Poll, Work,
};

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

use crate::classify::RuleSet;
use crate::classify::stated::Stated;
use crate::judge::{Limits, Words};
use crate::standards;
use crate::terms;

use mistake::Report;
use reading::{Spot, Table};

/// The shipped configuration.
const SHIPPED: &str = include_str!("../../config/lab.yaml");

/// A configuration without mistakes.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The file it came from.
    pub file: PathBuf,
    /// Files that it names: texts, lamps, concentrations.
    pub names: Vec<PathBuf>,
    /// Where photos arrive; never written to.
    pub inbox: PathBuf,
    /// Where results are published.
    pub results: PathBuf,
    /// The instrument of a bench that states nothing of its own.
    pub instrument: Instrument,
    /// Benches that differ, by name in lower case, complete.
    pub benches: BTreeMap<String, Instrument>,
    /// What becomes of which file.
    pub rules: RuleSet,
    /// What is stated of photos by their names: concentrations.
    pub stated: Stated,
    /// The shipped lamps and the configuration's own, names in lower case.
    pub lamps: Vec<terms::Lamp>,
    /// From which value on a number is a reason.
    pub limits: Limits,
    /// When a file has arrived.
    pub arrival: Arrival,
    /// What the computer may be used for.
    pub work: Work,
    /// What belongs to what.
    pub pairing: Pairing,
    /// Wavelengths of the published spectra.
    pub output: Output,
    /// Title of the board, and whether cards are drawn.
    pub pages: Pages,
    /// Advice texts.
    pub words: Words,
}

/// Reads the configuration at `path`. Paths inside it start from the folder it lies in.
///
/// # Errors
/// Every mistake in it and in the files it names, file by file and from top to bottom.
pub fn load(path: &Path) -> Result<Settings, Vec<Mistake>> {
    let report = Report::new(path);
    match report.read_file() {
        Some(text) => read_text(&text, report),
        None => Err(report.into_mistakes()),
    }
}

/// Reads a configuration from `text`, as if it stood in `file`.
///
/// # Errors
/// As [`load`].
pub fn load_text(text: &str, file: &Path) -> Result<Settings, Vec<Mistake>> {
    read_text(text, Report::new(file))
}

/// The shipped configuration, as if it stood in `file`.
///
/// # Panics
/// Never: a test reads it.
pub fn shipped(file: &Path) -> Settings {
    match load_text(SHIPPED, file) {
        Ok(settings) => settings,
        Err(mistakes) => panic!("the shipped configuration: {mistakes:?}"),
    }
}

fn read_text(text: &str, report: Report) -> Result<Settings, Vec<Mistake>> {
    let file = report.file().to_owned();
    let folder = file.parent().unwrap_or(Path::new("")).to_owned();
    let settings = report.parse(text, |top| top.table(|t| read_settings(t, &file, &folder)));
    match settings {
        Some(settings) if report.is_clean() => Ok(Settings {
            names: report.names(),
            ..settings
        }),
        _ => Err(report.into_mistakes()),
    }
}

fn read_settings(t: &mut Table<'_>, file: &Path, folder: &Path) -> Option<Settings> {
    let inbox_spot = t.need(
        "inbox",
        "name the folder in which photos arrive, such as inbox: ../inbox",
    );
    let results_spot = t.need(
        "results",
        "name the folder for results, such as results: ../results",
    );
    let inbox = inbox_spot.as_ref().and_then(|s| read_path(s, folder));
    let results = results_spot.as_ref().and_then(|s| read_path(s, folder));
    if let (Some(spot), Some(inbox), Some(results)) = (&results_spot, &inbox, &results) {
        check_apart(spot, inbox, results);
    }
    let instrument = t.get("instrument").map_or_else(Instrument::default, |s| {
        Instrument::default().changed_by(&s)
    });
    let mut benches = BTreeMap::new();
    for (name, spot) in t.get("benches").map(|s| s.entries()).unwrap_or_default() {
        let bench = instrument.changed_by(&spot);
        if benches.insert(name.to_lowercase(), bench).is_some() {
            spot.mistake(
                format!("there is already a bench named \"{name}\", letter case aside"),
                "keep one of the two",
            );
        }
    }
    let lamps = match t.get("lamps") {
        Some(spot) => lamps::read(&spot, folder, standards::lamps()),
        None => standards::lamps(),
    };
    let lamp_names: Vec<String> = lamps.iter().map(|lamp| lamp.name.clone()).collect();
    let rules = t
        .need("rules", "without rules every photo would be a sample; copy the shipped ones from config/lab.yaml")
        .map(|spot| rules::read(&spot, &lamp_names));
    let stated = t
        .get("concentrations")
        .and_then(|spot| concentrations::read(&spot, folder));
    let limits = t.get("limits").and_then(|spot| limits::read(&spot));
    let arrival = t.get("arrival").map(|spot| Arrival::read(&spot));
    let work = t.get("work").map(|spot| Work::read(&spot));
    let pairing = t.get("pairing").map(|spot| Pairing::read(&spot));
    let output = t.get("output").map(|spot| Output::read(&spot));
    let pages = t.get("pages").map(|spot| Pages::read(&spot));
    let words = t.get("words").and_then(|spot| read_words(&spot, folder));
    Some(Settings {
        file: file.to_owned(),
        names: Vec::new(),
        inbox: inbox?,
        results: results?,
        instrument,
        benches,
        rules: rules?,
        stated: stated.unwrap_or_default(),
        lamps,
        limits: limits.unwrap_or_default(),
        arrival: arrival.unwrap_or_default(),
        work: work.unwrap_or_default(),
        pairing: pairing.unwrap_or_default(),
        output: output.unwrap_or_default(),
        pages: pages.unwrap_or_default(),
        words: words.unwrap_or_else(words::shipped),
    })
}

fn read_path(spot: &Spot<'_>, folder: &Path) -> Option<PathBuf> {
    let text = spot.text()?;
    if text.contains('\0') {
        spot.mistake("a path with a zero byte in it", "write an ordinary path");
        return None;
    }
    Some(folder.join(text))
}

fn read_words(spot: &Spot<'_>, folder: &Path) -> Option<Words> {
    let report = Report::new(&read_path(spot, folder)?);
    let words = report.read_file().map(|text| words::read(&text, &report));
    spot.report().adopt(report);
    words
}

/// Results inside the inbox would be taken for photos, and an inbox inside the results could be written to.
///
/// Asked of the paths as written; a detour over a symbolic link is not seen here.
fn check_apart(spot: &Spot<'_>, inbox: &Path, results: &Path) {
    if let Some(what) = overlap(inbox, results) {
        spot.mistake(
            what,
            "give inbox and results folders of their own, side by side",
        );
    }
}

/// How inbox and results lie in each other, in words; absent where they lie apart.
pub fn overlap(inbox: &Path, results: &Path) -> Option<&'static str> {
    let (inbox, results) = (plain(inbox), plain(results));
    if inbox == results {
        Some("inbox and results are the same folder")
    } else if results.starts_with(&inbox) {
        Some("results lie inside the inbox")
    } else if inbox.starts_with(&results) {
        Some("the inbox lies inside the results")
    } else {
        None
    }
}

/// `path` made absolute, with `.` and `..` worked out from the text alone.
fn plain(path: &Path) -> PathBuf {
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let mut plain = PathBuf::new();
    for component in absolute.components() {
        match component {
            Component::CurDir => {}
            Component::ParentDir => {
                plain.pop();
            }
            other => plain.push(other),
        }
    }
    plain
}

impl Settings {
    /// What is known of a bench's instrument, for the measurement. Letter case of `name` does not matter.
    pub fn bench(&self, name: &str) -> terms::Bench {
        let instrument = self
            .benches
            .get(&name.to_lowercase())
            .unwrap_or(&self.instrument);
        terms::Bench {
            groove_spacings_nm: instrument.groove_spacings_nm.clone(),
            slit_distance_mm: instrument.slit_distance_mm,
        }
    }

    /// The lamps a calibration may be of: the one named (or given as an element's symbol), or all of them for `auto`
    /// and for names that are not known.
    pub fn lamps_for(&self, name: &str) -> Vec<&terms::Lamp> {
        let name = name.to_lowercase();
        let named = |wanted: &str| self.lamps.iter().find(|lamp| lamp.name == wanted);
        match named(&name).or_else(|| named(standards::lamp_of_symbol(&name)?)) {
            // Benches rarely know which of the two kinds of fluorescent lamp hangs over them.
            Some(lamp) if lamp.name == "fluorescent" => std::iter::once(lamp)
                .chain(named("halophosphate"))
                .collect(),
            Some(lamp) => vec![lamp],
            None => self.lamps.iter().collect(),
        }
    }

    /// Hash of everything here that results depend on, hexadecimal.
    ///
    /// Two configurations with equal hashes give equal results of photos: comments, paths, the order of keys, the pages, times
    /// of arrival and the use of the computer do not count, but for the pixel limit; nor do the stated concentrations, which
    /// only the class's tables are made from.
    pub fn configuration_hash(&self) -> String {
        let rules: Vec<Vec<String>> = self
            .rules
            .rules()
            .iter()
            .map(describe::rule_parts)
            .collect();
        // The derived Debug texts name every field and print numbers so that they read back as the same numbers.
        let meaning = format!(
            "{:?}",
            (
                (&self.instrument, &self.benches, &rules, &self.lamps),
                (&self.limits, &self.pairing, &self.output, &self.words),
                self.work.max_pixels(),
            )
        );
        blake3::hash(meaning.as_bytes()).to_hex().to_string()
    }
}

#[cfg(test)]
mod tests;
