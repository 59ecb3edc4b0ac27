//! What the class's tables and pages are made from: the photos as published, their order, and what each is of.

use std::collections::BTreeMap;

use crate::classify::Expectations;
use crate::classify::stated::Stated;
use crate::publish::record::Record;
use crate::terms::{Phrases, ScaleKind};

/// One photo as published.
#[derive(Clone, Copy, Debug)]
pub struct Shown<'a> {
    /// Its `quality.json`.
    pub record: &'a Record,
    /// Its folder below the results, with `/`: `heron/lamp-01.jpg`. The first part is its bench's folder.
    pub folder: &'a str,
    /// True where `spectrum.csv` stands in it.
    pub has_spectrum: bool,
}

impl Shown<'_> {
    /// True where its spectrum stands in the tables of spectra: it has a scale made from a lamp's lines, and it is usable or
    /// `all` are asked for.
    pub fn is_published(&self, all: bool) -> bool {
        let scale = self.record.calibration.as_ref();
        let is_provisional = scale.is_some_and(|c| c.kind == ScaleKind::Provisional);
        self.has_spectrum && !is_provisional && (all || self.record.is_usable())
    }
}

/// What the class's tables and pages are made from.
#[derive(Clone, Debug)]
pub struct Inputs<'a> {
    /// Name of the class, for the board.
    pub title: &'a str,
    /// Name of the session; empty where the inbox is one class.
    pub session: &'a str,
    /// True where the table of spectra is to have those too that are not usable.
    pub all_spectra: bool,
    /// Every photo in the inbox, in any order.
    pub photos: &'a [Shown<'a>],
    /// Concentrations that are stated of photos by name.
    pub stated: &'a Stated,
    /// What each bench has to photograph, and until when.
    pub expected: &'a Expectations,
    /// What is read on the pages.
    pub phrases: &'a Phrases,
    /// The board's clock, as it is to be shown. The only thing in all of the output that is no function of the photos;
    /// it stands in one element of the board (`<time id="clock">`), and nowhere else.
    pub now: Option<String>,
    /// Seconds after which the pages load themselves again; 0 for never.
    pub refresh_s: u32,
}

/// The photos by path: the order of every table, whatever the order of arrival.
pub fn by_path<'a>(photos: &[Shown<'a>]) -> Vec<Shown<'a>> {
    let sorted: BTreeMap<&str, Shown<'a>> = photos
        .iter()
        .map(|shown| (shown.record.photo.as_str(), *shown))
        .collect();
    sorted.into_values().collect()
}

/// What a photo is of, by its label: repeats of one thing have a number of one or two digits behind a separator, or `again`,
/// at the end: `pier-lamp-02` and `pier-lamp again` are repeats of `pier-lamp`. Longer numbers are names: `led-523`,
/// `IMG_0412`.
pub fn subject(label: &str) -> &str {
    let is_separator = |c: char| matches!(c, '-' | '_' | ' ' | '(');
    let mut rest = label;
    loop {
        let open = rest.trim_end_matches(')');
        let stem = open.trim_end_matches(|c: char| c.is_ascii_digit());
        let digits = open.len() - stem.len();
        let shorter = if (1..=2).contains(&digits) {
            stem
        } else {
            open.strip_suffix("again").unwrap_or(open)
        };
        let trimmed = shorter.trim_end_matches(is_separator);
        if trimmed.is_empty() || trimmed.len() == shorter.len() || shorter.len() == open.len() {
            return rest;
        }
        rest = trimmed;
    }
}

#[cfg(test)]
mod tests {
    use super::subject;

    #[test]
    fn repeats_are_told_from_names_with_numbers() {
        for (label, thing) in [
            ("pier-lamp-02", "pier-lamp"),
            ("pier-lamp", "pier-lamp"),
            ("pier lamp (3)", "pier lamp"),
            ("dye-0.5mg-again", "dye-0.5mg"),
            ("dye-unknown-again-2", "dye-unknown"),
            ("led-523", "led-523"),
            ("IMG_0412", "IMG_0412"),
            ("IMG_20261112_201023", "IMG_20261112_201023"),
            ("lamp3", "lamp3"),
            ("-2", "-2"),
            ("07", "07"),
            ("", ""),
        ] {
            assert_eq!(subject(label), thing, "{label}");
        }
    }
}
