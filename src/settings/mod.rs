//! Reads and checks the configuration. All mistakes come at once, each with line, column and remedy.
//!
//! Reads the configuration file and the files it names (texts, lamps, concentrations), and nothing else; whether the inbox
//! exists is for `run` to find out. A [`Settings`] can only be had without mistakes, so nothing behind this module meets an
//! unchecked value.

mod cells;
mod concentrations;
mod describe;
mod document;
mod expected;
mod lamps;
mod limits;
mod mistake;
mod overrides;
mod paths;
mod reading;
mod rules;
mod sections;
mod slates;
pub(crate) mod words;

pub use describe::{describe, digest};
pub use mistake::Mistake;
pub use paths::overlap;
pub use sections::{Arrival, Output, Pages, Poll, Tables, Work};
pub use slates::{Card, LookAt, Slates};

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use crate::classify::stated::Stated;
use crate::classify::{Expectations, Overrides, RuleSet};
use crate::judge::{Limits, Words};
use crate::standards;
use crate::terms::{Instrument, Lamp, Look, Pairing, Phrases, Sessions};

use mistake::Report;
use reading::{Spot, Table};

/// The shipped configuration.
const SHIPPED: &str = include_str!("../../config/lab.yaml");

/// What stands in the place of a file's name where there is none.
const BUILT_IN: &str = "the built-in settings";
/// Where photos arrive and results appear by the built-in settings, from the working folder on.
const BUILT_IN_FOLDERS: [&str; 2] = ["inbox", "results"];

/// A configuration without mistakes.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The file it came from.
    pub file: PathBuf,
    /// Files that it names: texts, lamps, concentrations, the instructor's table.
    pub names: Vec<PathBuf>,
    /// Where photos arrive; never written to.
    pub inbox: PathBuf,
    /// Where results are published.
    pub results: PathBuf,
    /// The instrument of a bench that states nothing of its own.
    pub instrument: Instrument,
    /// Benches that differ, by name in lower case, complete.
    pub benches: BTreeMap<String, Instrument>,
    /// Who works at which bench, by its name in lower case. Only hand-ins name them.
    pub people: BTreeMap<String, Vec<String>>,
    /// What becomes of which file.
    pub rules: RuleSet,
    /// What is stated of photos by their names: concentrations.
    pub stated: Stated,
    /// What the instructor's table says of single photos.
    pub overrides: Overrides,
    /// The shipped lamps and the configuration's own, names in lower case.
    pub lamps: Vec<Lamp>,
    /// The limits in force.
    pub limits: Limits,
    /// When a file has arrived.
    pub arrival: Arrival,
    /// What the computer may be used for.
    pub work: Work,
    /// What belongs to what.
    pub pairing: Pairing,
    /// What divides the inbox into sessions.
    pub sessions: Sessions,
    /// Wavelengths of the published spectra.
    pub output: Output,
    /// What the class's tables hold.
    pub tables: Tables,
    /// Title of the board, and whether cards are drawn.
    pub pages: Pages,
    /// What each bench has to photograph, and until when. Only pages depend on it.
    pub expected: Expectations,
    /// What is asked for before pages are served that are not a bench's own; absent: nothing. No result depends on it.
    pub serve_password: Option<String>,
    /// The printed cards, and for how long one holds.
    pub slates: Slates,
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
        Some(text) => load_text(&text, path),
        None => Err(report.into_mistakes()),
    }
}

/// Reads a configuration from `text`, as if it stood in `file`.
///
/// # Errors
/// As [`load`].
pub fn load_text(text: &str, file: &Path) -> Result<Settings, Vec<Mistake>> {
    let report = Report::new(file);
    let folder = file.parent().unwrap_or(Path::new(""));
    let settings = report.parse(text, |top| top.table(|t| read_settings(t, file, folder)));
    match settings {
        Some(settings) if report.is_clean() => Ok(Settings {
            names: report.names(),
            ..settings
        }),
        _ => Err(report.into_mistakes()),
    }
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

/// What counts where there is no configuration: the shipped one, with inbox and results in the working folder.
///
/// # Panics
/// As [`shipped`].
pub fn built_in() -> Settings {
    let [inbox, results] = BUILT_IN_FOLDERS.map(PathBuf::from);
    Settings {
        inbox,
        results,
        ..shipped(Path::new(BUILT_IN))
    }
}

/// The shipped configuration as a file to begin with, for these folders and this file of texts.
pub fn to_begin_with(inbox: &str, results: &str, words: &str) -> String {
    let line = |line: &str| {
        let (key, rest) = line.split_once(':').unwrap_or((line, ""));
        let remark = rest.find('#').map_or("", |at| &rest[at..]);
        let with = |value: &str| {
            let stated = format!("{key}: {value}");
            format!("{stated:<27} {remark}")
        };
        match key {
            "inbox" => with(inbox),
            "results" => with(results),
            "# words" => format!("words: {words}"),
            _ => line.to_owned(),
        }
    };
    let lines: Vec<String> = SHIPPED.lines().map(line).collect();
    lines.join("\n") + "\n"
}

/// What is read on pages, pictures, cards and sheets, in the built-in English.
///
/// # Panics
/// Never: a test reads the built-in file.
pub fn english() -> &'static Phrases {
    static ENGLISH: OnceLock<Phrases> = OnceLock::new();
    ENGLISH.get_or_init(|| words::shipped().phrases)
}

/// What people read by the `text` of a words file, as if it stood in `file`.
///
/// # Errors
/// Every mistake in it.
pub fn read_words(text: &str, file: &Path) -> Result<Words, Vec<Mistake>> {
    let report = Report::new(file);
    let words = words::read(text, &report);
    match report.is_clean() {
        true => Ok(words),
        false => Err(report.into_mistakes()),
    }
}

/// The shipped texts as a file to begin with.
pub fn shipped_words() -> &'static str {
    words::SHIPPED
}

fn read_settings(t: &mut Table<'_>, file: &Path, folder: &Path) -> Option<Settings> {
    let mut folder_of = |key, remedy| {
        let spot = t.need(key, remedy)?;
        let path = spot.file_path(folder)?;
        Some((spot, path))
    };
    let inbox = folder_of(
        "inbox",
        "name the folder in which photos arrive, such as inbox: ../inbox",
    );
    let results = folder_of(
        "results",
        "name the folder for results, such as results: ../results",
    );
    // Results inside the inbox would be taken for photos, and an inbox inside the results could be written to. Asked of the paths as
    // written; a detour over a symbolic link is not seen here.
    if let (Some((_, inbox)), Some((spot, results))) = (&inbox, &results)
        && let Some(what) = overlap(inbox, results)
    {
        let remedy = "give inbox and results folders of their own, side by side";
        spot.mistake(what, remedy);
    }
    let instrument = t.section("instrument", sections::read_instrument);
    let benches = t
        .get("benches")
        .map(|spot| read_benches(&spot, &instrument));
    let (benches, people) = benches.unwrap_or_default();
    let mut lamps = standards::lamps();
    if let Some(spot) = t.get("lamps") {
        lamps::read(&spot, folder, &mut lamps);
    }
    let lamp_names: Vec<&str> = lamps.iter().map(|lamp| lamp.name.as_str()).collect();
    let camera_names = t.value("camera_names", rules::read_camera_names);
    let vocabulary = rules::Vocabulary {
        lamps: &lamp_names,
        camera_names: camera_names.clone(),
    };
    let rules = t
        .need(
            "rules",
            "without rules every photo would be a sample; copy the shipped ones from config/lab.yaml",
        )
        .map(|spot| rules::read(&spot, &vocabulary));
    let phones = t.value("phones", rules::read_phones);
    let stated = t.value("concentrations", |spot| {
        spot.file(folder, concentrations::read)
    });
    let overrides = t.value("overrides", |spot| {
        spot.file(folder, |text, report| {
            overrides::read(text, &lamp_names, report)
        })
    });
    let limits = t.section("limits", limits::read);
    let arrival = t.section("arrival", Arrival::read);
    let work = t.section("work", Work::read);
    let pairing = t.section("pairing", sections::read_pairing);
    let sessions = t.value("sessions", sections::read_sessions);
    let output = t.section("output", Output::read);
    let tables = t.section("tables", Tables::read);
    let pages = t.section("pages", Pages::read);
    let expected = expected::read(t);
    let serve_password = t.value("serve_password", sections::read_password);
    let slates = t.section("slates", Slates::read);
    let mut words = words::shipped();
    t.set("words", &mut words, |spot| {
        spot.file(folder, |text, report| Some(words::read(text, report)))
    });
    Some(Settings {
        file: file.to_owned(),
        names: Vec::new(),
        inbox: inbox?.1,
        results: results?.1,
        instrument,
        benches,
        people,
        rules: rules?
            .with_phones(phones)
            .with_slates(slates.look_at.search(camera_names)),
        stated,
        overrides,
        lamps,
        limits,
        arrival,
        work,
        pairing,
        sessions,
        output,
        tables,
        pages,
        expected,
        serve_password,
        slates,
        words,
    })
}

/// Results inside the inbox would be taken for photos, and an inbox inside the results could be written to.
///
/// Asked of the paths as written; a detour over a symbolic link is not seen here.
/// Instruments that differ from the class's, and the people at each, by bench in lower case.
fn read_benches(
    spot: &Spot<'_>,
    instrument: &Instrument,
) -> (BTreeMap<String, Instrument>, BTreeMap<String, Vec<String>>) {
    let (mut benches, mut people) = (BTreeMap::new(), BTreeMap::new());
    for (name, spot) in spot.entries() {
        let mut who = Vec::new();
        let bench = spot.on_top_of(instrument.clone(), |bench, t| {
            sections::read_instrument(bench, t);
            t.set("people", &mut who, sections::read_people);
        });
        people.insert(name.to_lowercase(), who);
        if benches.insert(name.to_lowercase(), bench).is_some() {
            spot.mistake(
                format!("there is already a bench named \"{name}\", letter case aside"),
                "keep one of the two",
            );
        }
    }
    (benches, people)
}

impl Settings {
    /// Who works at a bench, as far as that is stated. Letter case of `name` does not matter.
    pub fn people_at(&self, name: &str) -> &[String] {
        let people = self.people.get(&name.to_lowercase());
        people.map_or(&[], Vec::as_slice)
    }

    /// What is known of a bench's instrument. Letter case of `name` does not matter.
    pub fn bench(&self, name: &str) -> &Instrument {
        self.benches
            .get(&name.to_lowercase())
            .unwrap_or(&self.instrument)
    }

    /// The lamps a calibration may be of: the one named (or given as an element's symbol), or all of them for `auto`
    /// and for names that are not known.
    pub fn lamps_for(&self, name: &str) -> Vec<&Lamp> {
        let name = name.to_lowercase();
        let named = |wanted: &str| self.lamps.iter().find(|lamp| lamp.name == wanted);
        match named(&name).or_else(|| named(standards::lamp_of_symbol(&name)?)) {
            // Benches rarely know which of the two kinds of fluorescent lamp hangs over them.
            Some(lamp) if lamp.name == standards::FLUORESCENT => std::iter::once(lamp)
                .chain(named(standards::HALOPHOSPHATE))
                .collect(),
            Some(lamp) => vec![lamp],
            None => self.lamps.iter().collect(),
        }
    }

    /// Lamps that rules ask for by their looks.
    pub fn lamps_looked_for(&self) -> Vec<&Lamp> {
        let rules = self.rules.rules().iter();
        let asked: Vec<&Look> = rules.flat_map(|rule| &rule.when.looks).collect();
        let is_asked = |lamp: &&Lamp| asked.contains(&&Look::Lamp(lamp.name.clone()));
        self.lamps.iter().filter(is_asked).collect()
    }

    /// True where a rule asks what photos look like, or slates are looked for.
    pub fn asks_for_looks(&self) -> bool {
        let mut rules = self.rules.rules().iter();
        self.reads_slates() || rules.any(|rule| !rule.when.looks.is_empty())
    }

    /// True where slates say what photos are.
    pub fn reads_slates(&self) -> bool {
        self.slates.look_at != LookAt::None
    }

    /// True where a photo that is looked at is searched for a slate: slates are read, or a rule asks for them.
    pub fn searches_for_slates(&self) -> bool {
        let mut rules = self.rules.rules().iter();
        self.reads_slates() || rules.any(|rule| rule.when.looks.contains(&Look::Slate))
    }

    /// Hash of all that it depends on what a photo looks like, hexadecimal.
    pub fn looks_hash(&self) -> String {
        let names = self.lamps_looked_for();
        let slates = (self.rules.slates().words(), self.searches_for_slates());
        let of = (
            names,
            self.groove_spacings_nm(),
            self.work.max_pixels(),
            slates,
        );
        blake3::hash(format!("{of:?}").as_bytes())
            .to_hex()
            .to_string()
    }

    /// Distances between grooves, nm, of all discs that a bench of the room may have, each once: those that are tried where
    /// nothing is stated first.
    pub fn groove_spacings_nm(&self) -> Vec<f64> {
        let mut all = self.instrument.groove_spacings_nm.clone();
        for bench in self.benches.values() {
            for nm in &bench.groove_spacings_nm {
                if !all.contains(nm) {
                    all.push(*nm);
                }
            }
        }
        all
    }

    /// Hash of everything here that results of all photos depend on, hexadecimal.
    ///
    /// Two configurations with equal hashes give equal results of photos of which they decide the same. What the rules decide of a
    /// photo, which slate governs it and whose phone took it stands in the photo's own record ([`crate::classify::Decision`]): an edited
    /// rule costs the photos whose outcome it changes. Comments, paths, the order of keys, the pages, times
    /// of arrival and the use of the computer do not count, but for the pixel limit; nor do the stated concentrations, which
    /// only the class's tables are made from, and the instructor's table, whose rows stand in each photo's own record.
    pub fn configuration_hash(&self) -> String {
        // The derived Debug texts name every field and print numbers so that they read back as the same numbers.
        let meaning = format!(
            "{:?}",
            (
                (&self.instrument, &self.benches, &self.lamps),
                (&self.limits, &self.pairing, &self.output, &self.words),
                self.work.max_pixels(),
            )
        );
        blake3::hash(meaning.as_bytes()).to_hex().to_string()
    }
}

#[cfg(test)]
mod tests;
