//! All outcomes -> the class's tables and pages. Pure: records and published spectra in, bytes out. Nothing here measures
//! or judges; whatever is shown is a function of what stands in the photos' folders.

mod agreement;
mod bench;
mod board;
mod calibration_page;
mod calibrations;
mod charts;
mod class_page;
mod colours;
mod drawings;
mod lights;
mod pages;
mod panel;
mod quality;
mod scenes;
mod series;
mod series_svg;
mod spectra;
mod standing;
mod trend;

use std::collections::BTreeMap;
use std::io::{self, Write};

use crate::classify::stated::Stated;
use crate::publish::record::Record;

pub use bench::bench_html;
pub use board::board_html;
pub use calibration_page::calibration_html;
pub use calibrations::calibration_json;
pub use quality::quality_csv;
pub use spectra::spectra_csv;

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

/// What the class's tables and pages are made from.
#[derive(Clone, Debug)]
pub struct Inputs<'a> {
    /// Name of the class, for the board.
    pub title: &'a str,
    /// Every photo in the inbox, in any order.
    pub photos: &'a [Shown<'a>],
    /// Concentrations that are stated of photos by name.
    pub stated: &'a Stated,
    /// The board's clock, as it is to be shown. The only thing in all of the output that is no function of the photos;
    /// it stands in one element of the board (`<time id="clock">`), and nowhere else.
    pub now: Option<String>,
    /// Seconds after which the pages load themselves again; 0 for never.
    pub refresh_s: u32,
}

/// Takes the class's files one by one as they are made, so that not all of them need be held at once.
pub trait Sink {
    /// A file: its path below the results, its bytes, and whether [`Inputs::now`] stands in them.
    fn put(&mut self, path: &str, bytes: &[u8], has_clock: bool);

    /// A file that `write` makes piece by piece, because it may be larger than what can be held.
    fn stream(&mut self, path: &str, write: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>);
}

/// Hands every file of the class to `out`; the board comes last: what it links to is there before it.
///
/// `spectrum_csv` fetches the bytes of a photo's `spectrum.csv`; it is asked once for each photo that has one, and once more
/// for each of a dilution series, of a bracket, of a bench that has photographed a bulb of stated temperature, for each diode
/// and each lamp that is not known, and for the spectra that are drawn over one another.
pub fn summaries(
    inputs: &Inputs<'_>,
    mut spectrum_csv: impl FnMut(&Shown<'_>) -> Option<Vec<u8>>,
    out: &mut dyn Sink,
) {
    out.put("quality.csv", &quality_csv(inputs.photos), false);
    out.stream("spectra.csv", &mut |table| {
        spectra_csv(inputs.photos, &mut spectrum_csv, table)
    });
    answers_and_pages(inputs, |shown| spectrum_csv(shown), out);
}

/// [`summaries`] without `spectra.csv` and without what needs the spectra: dilution series, brackets, colours.
pub fn tables_and_pages(inputs: &Inputs<'_>) -> Vec<(String, Vec<u8>)> {
    let mut files = InMemory::default();
    files.put("quality.csv", &quality_csv(inputs.photos), false);
    answers_and_pages(inputs, |_| None, &mut files);
    files.0
}

/// All of them at once, path and bytes, in the order of their making.
#[derive(Debug, Default)]
pub struct InMemory(pub Vec<(String, Vec<u8>)>);

impl Sink for InMemory {
    fn put(&mut self, path: &str, bytes: &[u8], _has_clock: bool) {
        self.0.push((path.to_owned(), bytes.to_vec()));
    }

    fn stream(&mut self, path: &str, write: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>) {
        let mut bytes = Vec::new();
        write(&mut bytes).expect("writing to memory does not fail");
        self.0.push((path.to_owned(), bytes));
    }
}

fn answers_and_pages<'a>(
    inputs: &Inputs<'a>,
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
    out: &mut dyn Sink,
) {
    let photos = inputs.photos;
    let mut put = |path: &str, bytes: &[u8]| out.put(path, bytes, false);
    let lights = colours::of_class(photos, &mut fetch);
    put("colours.csv", &colours::colours_csv(&lights));
    put("power.csv", &colours::power_csv(&lights));
    let all = series::of_class(photos, inputs.stated, &mut fetch);
    let brackets = scenes::of_class(photos, &mut fetch);
    let agreements = agreement::agreements(photos, &all, &mut fetch);
    put(
        "concentrations.csv",
        &series::concentrations_csv(&all, photos, inputs.stated),
    );
    put("series.csv", &series::series_csv(&all));
    put("class.csv", &agreement::class_csv(&agreements));
    put("tone.csv", &scenes::tone_csv(&brackets));
    put("brackets.csv", &scenes::brackets_csv(&brackets));
    put("joined.csv", &scenes::joined_csv(&brackets));
    put("references.csv", &panel::references_csv());
    let page = class_page::class_html(inputs, &agreements, &mut fetch);
    put("class.html", page.as_bytes());
    let class = standing::Class::of(photos);
    for bench in &class.benches {
        let folder = &bench.folder;
        put(
            &format!("{folder}/calibration.json"),
            &calibration_json(&bench.name, photos),
        );
        put(
            &format!("{folder}/calibration.html"),
            calibration_html(bench, inputs.refresh_s).as_bytes(),
        );
        let answers = panel::panel(&bench.name, &bench.photos, &all, &brackets, &lights);
        put(
            &format!("{folder}/index.html"),
            bench_html(bench, &answers, inputs.refresh_s).as_bytes(),
        );
    }
    out.put("board.html", board_html(&class, inputs).as_bytes(), true);
}

/// The photos by path: the order of every table, whatever the order of arrival.
fn by_path<'a>(photos: &[Shown<'a>]) -> Vec<Shown<'a>> {
    let sorted: BTreeMap<&str, Shown<'a>> = photos
        .iter()
        .map(|shown| (shown.record.photo.as_str(), *shown))
        .collect();
    sorted.into_values().collect()
}

/// What a photo is of, by its label: repeats of one thing have a number of one or two digits behind a separator, or `again`,
/// at the end: `pier-lamp-02` and `pier-lamp again` are repeats of `pier-lamp`. Longer numbers are names: `led-523`,
/// `IMG_0412`.
fn subject(label: &str) -> &str {
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
