//! Reads values from the tree of a document. A mistake is noted, and reading goes on, so that all of them are found at once.
//!
//! A reader asks for the keys it knows; whatever is left in a table afterwards is a mistake with a suggestion. So the
//! list of known keys is the code that reads them, and there is no second list to keep in step.

use std::fmt;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;
use serde_yaml::Value;

use super::document::{self, Kind, Node};
use super::mistake::Report;

const MAPPING_REMEDY: &str = "put each key: value on a line of its own, indented";

impl Report {
    /// Parses `text`, notes its flaws, and hands the tree to `read`.
    pub fn parse<T>(&self, text: &str, read: impl FnOnce(Spot<'_>) -> Option<T>) -> Option<T> {
        self.not_too_long(text.len() as u64)?;
        read(Spot::top(self, &document::parse(text, self)?))
    }
}

/// A value with its key path, and the report to complain to.
#[derive(Clone)]
pub struct Spot<'a> {
    report: &'a Report,
    node: &'a Node,
    path: String,
}

impl<'a> Spot<'a> {
    /// The whole tree of the file reported on.
    pub fn top(report: &'a Report, tree: &'a Node) -> Spot<'a> {
        Spot {
            report,
            node: tree,
            path: String::new(),
        }
    }

    /// A part of it.
    fn part(&self, node: &'a Node, path: String) -> Spot<'a> {
        Spot {
            report: self.report,
            node,
            path,
        }
    }

    /// Notes a mistake here.
    pub fn mistake(&self, what: impl fmt::Display, remedy: impl Into<String>) {
        let what = if self.path.is_empty() {
            what.to_string()
        } else {
            format!("{}: {what}", self.path)
        };
        self.report.note(self.node.at, what, remedy);
    }

    /// A single value, and how it is written.
    fn scalar(&self) -> Option<(&'a Value, &'a str)> {
        match &self.node.kind {
            Kind::Scalar { value, text } => Some((value, text)),
            _ => None,
        }
    }

    fn found(&self) -> String {
        match &self.node.kind {
            Kind::Scalar {
                value: Value::Null, ..
            } => "nothing".to_owned(),
            Kind::Scalar { text, .. } => format!("\"{}\"", shortened(text)),
            Kind::List(_) => "a list".to_owned(),
            Kind::Map(_) => "a mapping (key: value)".to_owned(),
            Kind::Broken => "something unreadable".to_owned(),
        }
    }

    /// Notes a mistake because of which nothing can be read here.
    pub fn refused<T>(&self, what: impl fmt::Display, remedy: impl Into<String>) -> Option<T> {
        self.mistake(what, remedy);
        None
    }

    /// Refuses what is here because something else was wanted; silent where a flaw was already noted.
    fn wanted<T>(&self, wanted: &str, remedy: impl Into<String>) -> Option<T> {
        if matches!(self.node.kind, Kind::Broken) {
            return None;
        }
        let what = format!("{wanted} is wanted here, not {}", self.found());
        self.refused(what, remedy)
    }

    /// True for a mapping.
    pub fn is_table(&self) -> bool {
        matches!(self.node.kind, Kind::Map(_))
    }

    /// True for a list.
    pub fn is_list(&self) -> bool {
        matches!(self.node.kind, Kind::List(_))
    }

    /// True where this word stands, in any letter case.
    pub fn says(&self, word: &str) -> bool {
        self.written().eq_ignore_ascii_case(word)
    }

    /// True where a number is switched off: `off`, `~`, `null` or nothing.
    pub fn is_off(&self) -> bool {
        matches!(self.scalar(), Some((Value::Null, _))) || self.says("off")
    }

    /// The text as written; empty where it is not a single value.
    fn written(&self) -> &'a str {
        self.scalar().map_or("", |(_, text)| text)
    }

    /// Text with something in it; numbers and flags count as the text they are written as.
    pub fn text(&self) -> Option<String> {
        match self.scalar() {
            Some((value, text)) if !value.is_null() && !text.trim().is_empty() => {
                Some(text.to_owned())
            }
            _ => self.wanted(
                "text",
                "write it after the colon, in 'single quotes' if in doubt",
            ),
        }
    }

    /// A finite number in `range`.
    pub fn number(&self, range: RangeInclusive<f64>, unit: &str) -> Option<f64> {
        let mut accepted = format!(
            "write a number from {} to {}{}{unit}",
            range.start(),
            range.end(),
            if unit.is_empty() { "" } else { " " },
        );
        if self.written().contains(',') {
            accepted += ", with a point, not a comma, before the decimals";
        }
        match self.scalar().and_then(|(value, _)| value.as_f64()) {
            None => self.wanted("a number", accepted),
            Some(number) if range.contains(&number) => Some(number),
            Some(_) => self.refused(format!("{} is out of range", self.found()), accepted),
        }
    }

    /// A whole number in `range`.
    pub fn whole(&self, range: RangeInclusive<u64>, unit: &str) -> Option<u64> {
        let number = self.number(*range.start() as f64..=*range.end() as f64, unit)?;
        if number.fract() == 0.0 {
            return Some(number as u64);
        }
        self.refused(
            format!("{} is not a whole number", self.found()),
            format!("write {} or {}", number.floor(), number.ceil()),
        )
    }

    /// `true` or `false`.
    pub fn flag(&self) -> Option<bool> {
        let flag = self.scalar().and_then(|(value, _)| value.as_bool());
        flag.or_else(|| self.wanted("true or false", "write true or false, without quotes"))
    }

    /// One of `choices`, each the serialised form of a `T`.
    pub fn word<T: DeserializeOwned>(&self, choices: &[&str]) -> Option<T> {
        if let Some(choice) = choices.iter().find(|choice| self.says(choice)) {
            return serde_yaml::from_value(Value::from(*choice)).ok();
        }
        let otherwise = || format!("write {}", choices.join(" or "));
        self.wanted(
            &format!("one of {}", choices.join(", ")),
            meant(self.written(), choices.iter().copied(), otherwise),
        )
    }

    /// What `parse` makes of the text here. Where it makes nothing of it, `complaint` says so, of the text and the reason.
    pub fn parsed<T>(
        &self,
        parse: impl FnOnce(&str) -> Result<T, String>,
        complaint: impl FnOnce(&str, String) -> String,
        remedy: &str,
    ) -> Option<T> {
        let text = self.text()?;
        parse(&text).map_or_else(|why| self.refused(complaint(&text, why), remedy), Some)
    }

    /// Nothing where `word` stands, or else what `read` makes of what does.
    pub fn unless<T>(
        &self,
        word: &str,
        read: impl FnOnce(&Spot<'a>) -> Option<T>,
    ) -> Option<Option<T>> {
        if self.says(word) {
            return Some(None);
        }
        read(self).map(Some)
    }

    /// The path of a file or folder; where it is not absolute it starts from `folder`.
    pub fn file_path(&self, folder: &Path) -> Option<PathBuf> {
        let text = self.text()?;
        if text.contains('\0') {
            return self.refused("a path with a zero byte in it", "write an ordinary path");
        }
        Some(folder.join(text))
    }

    /// What `read` makes of the text of the file that is named here; its mistakes become mistakes of this file too.
    pub fn file<T>(
        &self,
        folder: &Path,
        read: impl FnOnce(&str, &Report) -> Option<T>,
    ) -> Option<T> {
        let report = Report::new(&self.file_path(folder)?);
        let value = report.read_file().and_then(|text| read(&text, &report));
        self.report.adopt(report);
        value
    }

    /// Complains of each of a text's `slots` that is not among the `known` ones.
    pub fn check_slots<'s>(
        &self,
        slots: impl Iterator<Item = &'s str>,
        known: &[&str],
        kind: &str,
        otherwise: impl Fn(&str) -> String,
    ) {
        for slot in slots.filter(|slot| !known.contains(slot)) {
            let remedy = match nearest(slot, known.iter().copied()) {
                Some(near) => format!("did you mean {{{near}}}?"),
                None => otherwise(slot),
            };
            self.mistake(format!("{{{slot}}} is not {kind}"), remedy);
        }
    }

    /// The items of a list.
    pub fn list(&self) -> Vec<Spot<'a>> {
        match &self.node.kind {
            Kind::List(items) => items
                .iter()
                .enumerate()
                .map(|(i, node)| self.part(node, format!("{}[{i}]", self.path)))
                .collect(),
            _ => {
                let remedy = "put each item on a line of its own that begins with a dash";
                self.wanted("a list", remedy).unwrap_or_default()
            }
        }
    }

    /// The items of a list, or the single value itself.
    pub fn one_or_many(&self) -> Vec<Spot<'a>> {
        match self.node.kind {
            Kind::List(_) => self.list(),
            _ => vec![self.clone()],
        }
    }

    /// Every entry of a mapping whose keys are free, such as the names of benches.
    pub fn entries(&self) -> Vec<(String, Spot<'a>)> {
        match &self.node.kind {
            Kind::Map(entries) => entries
                .iter()
                .map(|entry| {
                    let path = joined(&self.path, &entry.key);
                    (entry.key.clone(), self.part(&entry.node, path))
                })
                .collect(),
            _ => self.wanted("a mapping", MAPPING_REMEDY).unwrap_or_default(),
        }
    }

    /// Reads a mapping with known keys; afterwards every key that `read` did not ask for is a mistake.
    pub fn table<T>(&self, read: impl FnOnce(&mut Table<'a>) -> Option<T>) -> Option<T> {
        if !self.is_table() {
            return self.wanted("a mapping", MAPPING_REMEDY);
        }
        let mut table = Table {
            spot: self.clone(),
            asked: Vec::new(),
        };
        let value = read(&mut table);
        table.complain_of_the_rest();
        value
    }

    /// Reads a mapping with known keys into `value`, which keeps what the mapping does not state.
    pub fn on_top_of<T>(&self, mut value: T, read: impl FnOnce(&mut T, &mut Table<'a>)) -> T {
        self.table(|t| {
            read(&mut value, t);
            Some(())
        });
        value
    }
}

/// A mapping with known keys.
pub struct Table<'a> {
    spot: Spot<'a>,
    asked: Vec<&'static str>,
}

impl<'a> Table<'a> {
    /// The mapping itself.
    pub fn spot(&self) -> &Spot<'a> {
        &self.spot
    }

    /// The value of `key`, if there is one; `key` counts as known from now on.
    pub fn get(&mut self, key: &'static str) -> Option<Spot<'a>> {
        self.asked.push(key);
        let Kind::Map(entries) = &self.spot.node.kind else {
            return None;
        };
        let entry = entries.iter().find(|e| e.key == key)?;
        let path = joined(&self.spot.path, key);
        Some(self.spot.part(&entry.node, path))
    }

    /// Puts what `read` makes of the value of `key` in the place of `target`, which otherwise stays.
    pub fn set<T>(
        &mut self,
        key: &'static str,
        target: &mut T,
        read: impl FnOnce(&Spot<'a>) -> Option<T>,
    ) {
        if let Some(value) = self.get(key).and_then(|spot| read(&spot)) {
            *target = value;
        }
    }

    /// What `read` makes of the value of `key`; the default where it is missing, or a mistake.
    pub fn value<T: Default>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&Spot<'a>) -> Option<T>,
    ) -> T {
        let mut value = T::default();
        self.set(key, &mut value, read);
        value
    }

    /// Puts the number under `key` in the place of `target`, which otherwise stays.
    pub fn set_number(
        &mut self,
        key: &'static str,
        target: &mut f64,
        range: RangeInclusive<f64>,
        unit: &str,
    ) {
        self.set(key, target, |spot| spot.number(range, unit));
    }

    /// The section `key`: its defaults, with what it states in their place.
    pub fn section<T: Default>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&mut T, &mut Table<'a>),
    ) -> T {
        self.value(key, |spot| Some(spot.on_top_of(T::default(), read)))
    }

    /// The value of `key`; complains if it is missing.
    pub fn need(&mut self, key: &'static str, remedy: &str) -> Option<Spot<'a>> {
        let missing = || format!("the key \"{key}\" is missing");
        self.get(key)
            .or_else(|| self.spot.refused(missing(), remedy))
    }

    fn complain_of_the_rest(self) {
        let Kind::Map(entries) = &self.spot.node.kind else {
            return;
        };
        let is_free = |known: &&str| entries.iter().all(|e| e.key != **known);
        let free: Vec<&str> = self.asked.iter().copied().filter(is_free).collect();
        for entry in entries {
            if self.asked.contains(&entry.key.as_str()) {
                continue;
            }
            let otherwise = || format!("the keys known here are {}", self.asked.join(", "));
            let remedy = meant(&entry.key, free.iter().copied(), otherwise);
            self.spot.report.note(
                entry.key_at,
                format!("{}: unknown key", joined(&self.spot.path, &entry.key)),
                remedy,
            );
        }
    }
}

fn joined(path: &str, key: &str) -> String {
    let key = shortened(key);
    if path.is_empty() {
        key
    } else {
        format!("{path}.{key}")
    }
}

/// A message stays readable when a whole page was put where a word belongs.
fn shortened(text: &str) -> String {
    const LONGEST: usize = 60;
    let text = text.replace(['\n', '\r'], " ");
    if text.chars().count() <= LONGEST {
        return text;
    }
    let head: String = text.chars().take(LONGEST).collect();
    format!("{head}…")
}

/// A remedy for a word that is not known: the candidate that was meant, or else `otherwise`.
pub fn meant<'c>(
    word: &str,
    candidates: impl Iterator<Item = &'c str>,
    otherwise: impl FnOnce() -> String,
) -> String {
    nearest(word, candidates).map_or_else(otherwise, |near| format!("did you mean \"{near}\"?"))
}

/// The candidate that `word` was most likely meant to be; absent where none is near.
///
/// Near: at most a third of the letters (or two, if that is more) must be inserted, deleted, changed or swapped, or one
/// is the beginning of the other.
fn nearest<'c>(word: &str, candidates: impl Iterator<Item = &'c str>) -> Option<&'c str> {
    let word = word.to_lowercase().replace('-', "_");
    let letters = word.chars().count();
    if !(2..=64).contains(&letters) {
        return None;
    }
    let (distance, candidate) = candidates
        .map(|c| {
            let plain = c.to_lowercase().replace('-', "_");
            let begins = letters >= 3 && (plain.starts_with(&word) || word.starts_with(&plain));
            let distance = strsim::damerau_levenshtein(&word, &plain);
            (if begins { distance.min(1) } else { distance }, c)
        })
        .min_by_key(|(distance, _)| *distance)?;
    (distance <= (letters / 3).max(2) && distance < letters).then_some(candidate)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    fn read<T>(text: &str, read: impl FnOnce(Spot<'_>) -> Option<T>) -> (Option<T>, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let value = report.parse(text, read);
        let mistakes = report
            .into_mistakes()
            .iter()
            .map(ToString::to_string)
            .collect();
        (value, mistakes)
    }

    #[test]
    fn unknown_keys_are_named_with_their_path_and_a_suggestion() {
        let (_, mistakes) = read("arrival:\n  setle_s: 2\n  colour: red\n", |top| {
            top.table(|t| {
                t.get("arrival")?.table(|t| {
                    t.get("settle_s");
                    t.get("rescan_s");
                    Some(())
                })
            })
        });
        assert_eq!(
            mistakes,
            [
                "lab.yaml:2:3: arrival.setle_s: unknown key\n    did you mean \"settle_s\"?",
                "lab.yaml:3:3: arrival.colour: unknown key\n    the keys known here are settle_s, rescan_s"
            ]
        );
    }

    #[test]
    fn a_number_is_checked_for_kind_and_range_and_the_accepted_form_is_stated() {
        for (text, expected) in [
            ("x: two", "x: a number is wanted here, not \"two\""),
            ("x: 11", "x: \"11\" is out of range"),
            ("x: .nan", "x: \".nan\" is out of range"),
            ("x: 0,5", "x: a number is wanted here, not \"0,5\""),
            ("x: [1]", "x: a number is wanted here, not a list"),
            ("x:", "x: a number is wanted here, not nothing"),
        ] {
            let (value, mistakes) = read(text, |top| {
                top.table(|t| t.get("x")?.number(0.0..=10.0, "s"))
            });
            assert_eq!(value, None, "{text}");
            assert!(mistakes[0].contains(expected), "{mistakes:?}");
            assert!(
                mistakes[0].contains("from 0 to 10 s"),
                "{mistakes:?} states what is accepted"
            );
        }
    }

    #[test]
    fn nothing_is_said_twice_about_a_value_already_refused() {
        let (_, mistakes) = read("x: &anchor 3\n", |top| {
            top.table(|t| t.get("x")?.number(0.0..=10.0, "s"))
        });
        assert_eq!(mistakes.len(), 1, "{mistakes:?}");
    }

    #[test]
    fn only_a_near_word_is_suggested() {
        let known = ["capture", "bench", "lamp"];
        assert_eq!(nearest("captur", known.into_iter()), Some("capture"));
        assert_eq!(nearest("lamp_name", known.into_iter()), Some("lamp"));
        assert_eq!(nearest("lmap", known.into_iter()), Some("lamp"));
        assert_eq!(nearest("weather", known.into_iter()), None);
        assert_eq!(nearest("x", known.into_iter()), None);
    }
}
