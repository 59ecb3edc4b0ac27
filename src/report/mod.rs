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

/// Every file of the class: path below the results, and bytes.
///
/// `spectrum_csv` fetches the bytes of a photo's `spectrum.csv`; it is asked once for each photo that has one, and once more
/// for each of a dilution series, of a bracket, of a bench that has photographed a bulb of stated temperature, and for the
/// spectra that are drawn over one another. For large classes prefer [`tables_and_pages`] and [`spectra_csv`], which writes
/// as it reads.
pub fn summaries(
    inputs: &Inputs<'_>,
    mut spectrum_csv: impl FnMut(&Shown<'_>) -> Option<Vec<u8>>,
) -> Vec<(String, Vec<u8>)> {
    let mut files = with_answers(inputs, |shown| spectrum_csv(shown));
    let mut bytes = Vec::new();
    spectra_csv(inputs.photos, spectrum_csv, &mut bytes).expect("writing to memory does not fail");
    files.insert(1, ("spectra.csv".to_owned(), bytes));
    files
}

/// [`summaries`] without `spectra.csv` and without what needs the spectra: dilution series, brackets, colours. The board comes
/// last: what it links to is written before it.
pub fn tables_and_pages(inputs: &Inputs<'_>) -> Vec<(String, Vec<u8>)> {
    with_answers(inputs, |_| None)
}

fn with_answers<'a>(
    inputs: &Inputs<'a>,
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<(String, Vec<u8>)> {
    let photos = inputs.photos;
    let all = series::of_class(photos, inputs.stated, &mut fetch);
    let brackets = scenes::of_class(photos, &mut fetch);
    let agreements = agreement::agreements(photos, &all);
    let [colours, power] = colours::colours_and_power(photos, &mut fetch);
    let page = class_page::class_html(inputs, &agreements, &mut fetch);
    let concentrations = series::concentrations_csv(&all, photos, inputs.stated);
    let mut files: Vec<(String, Vec<u8>)> = [
        ("quality.csv", quality_csv(photos)),
        ("colours.csv", colours),
        ("power.csv", power),
        ("concentrations.csv", concentrations),
        ("series.csv", series::series_csv(&all)),
        ("class.csv", agreement::class_csv(&agreements)),
        ("tone.csv", scenes::tone_csv(&brackets)),
        ("brackets.csv", scenes::brackets_csv(&brackets)),
        ("joined.csv", scenes::joined_csv(&brackets)),
        ("references.csv", panel::references_csv()),
        ("class.html", page.into_bytes()),
    ]
    .map(|(name, bytes)| (name.to_owned(), bytes))
    .into();
    let class = standing::Class::of(photos);
    for bench in &class.benches {
        let folder = &bench.folder;
        files.push((
            format!("{folder}/calibration.json"),
            calibration_json(&bench.name, photos),
        ));
        files.push((
            format!("{folder}/calibration.html"),
            calibration_html(bench, inputs.refresh_s).into_bytes(),
        ));
        let answers = panel::panel(&bench.name, &bench.photos, &all, &brackets);
        files.push((
            format!("{folder}/index.html"),
            bench_html(bench, &answers, inputs.refresh_s).into_bytes(),
        ));
    }
    files.push((
        "board.html".to_owned(),
        board_html(&class, inputs).into_bytes(),
    ));
    files
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
