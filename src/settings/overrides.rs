//! Reads the table that `overrides:` names, in which an instructor has the last word on single photos.

use std::collections::HashMap;

use csv::StringRecord;
use serde::de::DeserializeOwned;

use crate::classify::{Overrides, Said};
use crate::terms::{Capture, Verdict};

use super::cells::Cells;
use super::mistake::{At, Report};
use super::reading::meant;

/// The columns, `photo` being the one that there must be.
const COLUMNS: [&str; 9] = [
    "photo", "capture", "bench", "label", "lamp", "verdict", "ignore", "note", "by",
];
const HEADER: &str = "begin the table with the line photo,capture,bench,label,lamp,verdict,ignore,note,by (the columns that you use, in \
                      any order), and write a line a photo, such as heron/IMG_0001.jpg,calibration";
const VERDICTS: [&str; 3] = ["good", "caution", "retake"];
/// What stands for yes and for no, as people and spreadsheets write it.
const YES: [&str; 6] = ["yes", "y", "true", "1", "x", "ja"];
const NO: [&str; 5] = ["no", "n", "false", "0", "nein"];
/// A name or a label longer than this is a sentence, and a note longer than this a letter, in characters.
const LONGEST: usize = 60;
const LONGEST_NOTE: usize = 300;

/// A row with the places of its cells.
struct Row<'a> {
    record: &'a StringRecord,
    columns: &'a [String],
    /// The text from the row's first character on.
    raw: &'a str,
    line: usize,
    delimiter: char,
    report: &'a Report,
}

impl Row<'_> {
    fn index(&self, column: &str) -> Option<usize> {
        self.columns.iter().position(|c| c == column)
    }

    /// The cell of a column; empty where there is none.
    fn cell(&self, column: &str) -> &str {
        let cell = self.index(column).and_then(|i| self.record.get(i));
        cell.unwrap_or_default()
    }

    fn full(&self, column: &str) -> Option<String> {
        Some(self.cell(column).to_owned()).filter(|cell| !cell.is_empty())
    }

    /// Notes a mistake in a column's cell.
    fn mistake(&self, column: &str, what: impl Into<String>, remedy: impl Into<String>) {
        let nth = self.index(column).unwrap_or(0);
        let at = place(self.raw, self.delimiter, nth, self.line);
        self.report.note(at, what, remedy);
    }

    /// One of `words`, or a mistake.
    fn word<'w>(&self, column: &str, words: &'w [&'w str]) -> Option<&'w str> {
        let cell = self.full(column)?;
        let found = words.iter().find(|word| cell.eq_ignore_ascii_case(word));
        if found.is_none() {
            let otherwise = || format!("write one of {}, or leave it empty", words.join(", "));
            let remedy = meant(&cell, words.iter().copied(), otherwise);
            self.mistake(column, format!("\"{cell}\" is no {column}"), remedy);
        }
        found.copied()
    }
}

/// Where cell number `nth` of the row that begins `raw` stands. Both counted as a text editor does, in characters.
fn place(raw: &str, delimiter: char, nth: usize, line: usize) -> At {
    let (mut n, mut line, mut column, mut is_quoted) = (0, line, 1, false);
    for c in raw.chars() {
        if n == nth {
            break;
        }
        column += 1;
        match c {
            '"' => is_quoted = !is_quoted,
            '\n' if is_quoted => (line, column) = (line + 1, 1),
            '\n' => break,
            c if c == delimiter && !is_quoted => n += 1,
            _ => {}
        }
    }
    At { line, column }
}

/// Reads the table. `lamps` are the names of the lamps that there are.
///
/// Comma, semicolon or tab between the cells, as spreadsheets save them; a mark of the byte order, quotes and line ends of
/// any kind.
pub(super) fn read(text: &str, lamps: &[&str], report: &Report) -> Option<Overrides> {
    let mut table = Cells::begin(text, &[';', '\t']);
    check_header(&table, report)?;
    let (text, delimiter, columns) = (table.text, table.delimiter, table.columns.clone());
    let mut overrides = Overrides::default();
    let mut lines: HashMap<String, usize> = HashMap::new();
    for record in table.rows(report, HEADER) {
        let begin = record.position().map_or(0, |at| at.byte() as usize);
        // The reader counts line breaks that it has passed over to the row before.
        let skipped = text[begin.min(text.len())..].len();
        let raw = text[begin.min(text.len())..].trim_start_matches(['\r', '\n']);
        let begin = begin + (skipped - raw.len());
        let row = Row {
            record: &record,
            columns: &columns,
            raw,
            line: 1 + text[..begin].matches('\n').count(),
            delimiter,
            report,
        };
        let Some((photo, said)) = read_row(&row, lamps) else {
            continue;
        };
        if overrides.add(&photo, said) {
            lines.insert(photo, row.line);
        } else {
            let before = lines.get(&photo);
            let before = before.map_or(String::new(), |line| format!(" in line {line}"));
            let what = format!("{photo} has been named before{before}");
            row.mistake("photo", what, "keep one of the two lines");
        }
    }
    Some(overrides)
}

fn check_header(table: &Cells, report: &Report) -> Option<()> {
    let columns = &table.columns;
    if !columns.iter().any(|column| column == "photo") {
        let what = "the first line does not name the column photo";
        report.note(At::START, what, HEADER);
        return None;
    }
    for (i, column) in columns.iter().enumerate() {
        let at = place(table.text, table.delimiter, i, 1);
        if columns[..i].contains(column) && !column.is_empty() {
            let what = format!("there are two columns named {column}");
            report.note(at, what, "keep one of the two");
        }
        if !column.is_empty() && !COLUMNS.contains(&column.as_str()) {
            let otherwise = || format!("the columns are {}", COLUMNS.join(", "));
            let remedy = meant(column, COLUMNS.into_iter(), otherwise);
            report.note(
                at,
                format!("\"{column}\" is no column of this table"),
                remedy,
            );
        }
    }
    Some(())
}

/// What a row says of which photo; absent where a mistake in it leaves nothing to be said.
fn read_row(row: &Row<'_>, lamps: &[&str]) -> Option<(String, Said)> {
    let photo = row.cell("photo");
    if photo.is_empty() {
        let remedy = "name the photo by its path below the inbox, such as heron/IMG_0001.jpg";
        row.mistake("photo", "a line without a photo", remedy);
        return None;
    }
    let captured = row.word("capture", &Capture::WORDS);
    let capture = captured.and_then(meant_by::<Capture>);
    let verdict = row.word("verdict", &VERDICTS).and_then(meant_by::<Verdict>);
    let lamp = row.full("lamp").map(|lamp| lamp.to_lowercase());
    if let Some(lamp) = &lamp {
        check_lamp(row, lamp, capture, lamps);
    }
    let said = Said {
        capture,
        verdict,
        lamp,
        bench: row.full("bench"),
        label: row.full("label"),
        ignore: read_ignore(row),
        note: row.cell("note").to_owned(),
        by: row.cell("by").to_owned(),
        ..Said::default()
    };
    for (column, longest) in [
        ("bench", LONGEST),
        ("label", LONGEST),
        ("by", LONGEST),
        ("note", LONGEST_NOTE),
    ] {
        let cell = row.cell(column);
        if cell.chars().count() > longest || cell.chars().any(char::is_control) {
            let what =
                format!("the {column} is longer than {longest} characters, or of several lines");
            row.mistake(column, what, "it stands on pages and in tables: shorten it");
        }
    }
    let of_photo = COLUMNS.iter().filter(|c| !matches!(**c, "photo" | "by"));
    let says_something = of_photo
        .into_iter()
        .any(|column| !row.cell(column).is_empty());
    if !says_something {
        let remedy = "fill in one of capture, bench, label, lamp, verdict, ignore and note, or take the line out";
        row.mistake("photo", format!("nothing is said of {photo}"), remedy);
    }
    Some((photo.replace('\\', "/"), said))
}

fn meant_by<T: DeserializeOwned>(word: &str) -> Option<T> {
    serde_yaml::from_str(word).ok()
}

fn read_ignore(row: &Row<'_>) -> bool {
    let Some(cell) = row.full("ignore") else {
        return false;
    };
    let is_one_of = |words: &[&str]| words.iter().any(|word| cell.eq_ignore_ascii_case(word));
    if !is_one_of(&YES) && !is_one_of(&NO) {
        let what = format!("\"{cell}\" is neither yes nor no");
        row.mistake(
            "ignore",
            what,
            "write yes, or leave it empty; a reason goes into the column note",
        );
    }
    is_one_of(&YES)
}

fn check_lamp(row: &Row<'_>, lamp: &str, capture: Option<Capture>, lamps: &[&str]) {
    let known = || std::iter::once("auto").chain(lamps.iter().copied());
    if !known().any(|known| known.eq_ignore_ascii_case(lamp)) {
        let otherwise = || format!("write one of {}", known().collect::<Vec<_>>().join(", "));
        let remedy = meant(lamp, known(), otherwise);
        row.mistake("lamp", format!("there is no lamp named \"{lamp}\""), remedy);
    }
    if capture.is_some_and(|capture| capture != Capture::Calibration) {
        let remedy = "take the lamp out, or write calibration as the capture";
        row.mistake("lamp", "only a calibration has a lamp", remedy);
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    fn table(text: &str) -> (Option<Overrides>, Vec<String>) {
        let report = Report::new(Path::new("overrides.csv"));
        let overrides = read(text, &["fluorescent", "helium"], &report);
        let mistakes = report.into_mistakes();
        (
            overrides,
            mistakes.iter().map(ToString::to_string).collect(),
        )
    }

    #[test]
    fn tables_as_spreadsheets_save_them_are_read() {
        for text in [
            "photo,capture,lamp,by,note\r\nheron/IMG_1.jpg,calibration,Helium,Ada,\"the tube, by the door\"\r\n",
            "\u{feff}Photo;Capture;Lamp;By;Note\r\n\r\nheron\\IMG_1.jpg;Calibration;helium;Ada;\"the tube, by the door\"\r\n;;;;\r\n",
            "note\tby\tlamp\tcapture\tphoto\nthe tube, by the door\t Ada \thelium\tcalibration\theron/IMG_1.jpg",
        ] {
            let (overrides, mistakes) = table(text);
            assert_eq!(mistakes, [""; 0], "{text}");
            let overrides = overrides.unwrap();
            assert_eq!(overrides.len(), 1);
            let said = overrides.of("heron/IMG_1.jpg").unwrap();
            assert_eq!(said.capture, Some(Capture::Calibration));
            assert_eq!(said.lamp.as_deref(), Some("helium"));
            assert_eq!((&*said.note, &*said.by), ("the tube, by the door", "Ada"));
        }
    }

    #[test]
    fn every_mistake_is_named_with_its_line_and_column() {
        let (_, mistakes) = table(
            "photo,capture,lamp,verdict,ignore,note\n\
             a/1.jpg,calibratoin,,,,\n\
             a/2.jpg,sample,helium,,,\n\
             a/3.jpg,,,waiting,,\"two\n\nlines\"\n\
             a/4.jpg,,,,perhaps,ä\n\
             ,blank,,,,\n\
             a/2.jpg,blank,,,,\n\
             a/5.jpg,,,,,\n\
             ä/6.jpg,calibration,neonn,,,\n",
        );
        let places: Vec<String> = mistakes
            .iter()
            .map(|m| m.lines().next().unwrap().to_owned())
            .collect();
        for expected in [
            ":2:9: \"calibratoin\" is no capture",
            ":3:16: only a calibration has a lamp",
            ":4:11: \"waiting\" is no verdict",
            ":4:20: the note is longer",
            ":7:12: \"perhaps\" is neither yes nor no",
            ":8:1: a line without a photo",
            ":9:1: a/2.jpg has been named before in line 3",
            ":10:1: nothing is said of a/5.jpg",
            ":11:21: there is no lamp named \"neonn\"",
        ] {
            let expected = format!("overrides.csv{expected}");
            assert!(
                places.iter().any(|p| p.starts_with(&expected)),
                "{expected} in {places:#?}"
            );
        }
        assert!(mistakes[0].contains("did you mean \"calibration\"?"));
        let (overrides, mistakes) = table("file,capture\na.jpg,dark\n");
        assert!(overrides.is_none() && mistakes[0].contains("overrides.csv:1:1"));
        let (_, mistakes) = table("photo,captur\na.jpg,dark\n");
        assert!(
            mistakes[0].contains("overrides.csv:1:7: \"captur\" is no column"),
            "{mistakes:?}"
        );
        assert!(mistakes[0].contains("did you mean \"capture\"?"));
    }
}
