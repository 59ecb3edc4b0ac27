//! All outcomes -> the class's tables and pages. Pure: records and published spectra in, bytes out. Nothing here measures
//! or judges; whatever is shown is a function of what stands in the photos' folders.

mod bench;
mod board;
mod calibration_page;
mod calibrations;
mod charts;
mod colours;
mod pages;
mod quality;
mod series;
mod series_svg;
mod spectra;
mod standing;
mod trend;

use std::collections::BTreeMap;
use std::io::{self, Write};

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
/// for each of a dilution series or of a bench that has photographed a bulb of stated temperature.
pub fn summaries(
    inputs: &Inputs<'_>,
    mut spectrum_csv: impl FnMut(&Shown<'_>) -> Option<Vec<u8>>,
    out: &mut dyn Sink,
) {
    out.put("quality.csv", &quality_csv(inputs.photos), false);
    out.stream("spectra.csv", &mut |table| {
        spectra_csv(inputs.photos, &mut spectrum_csv, table)
    });
    let [colours, power] = colours::colours_and_power(inputs.photos, |shown| spectrum_csv(shown));
    out.put("colours.csv", &colours, false);
    out.put("power.csv", &power, false);
    let all = series::of_class(inputs.photos, |shown| spectrum_csv(shown));
    series_and_pages(inputs, &all, out);
}

/// [`summaries`] without what needs the spectra: `spectra.csv`, colours, and the numbers of dilution series.
pub fn tables_and_pages(inputs: &Inputs<'_>) -> Vec<(String, Vec<u8>)> {
    let mut files = InMemory::default();
    files.put("quality.csv", &quality_csv(inputs.photos), false);
    series_and_pages(inputs, &[], &mut files);
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

fn series_and_pages(inputs: &Inputs<'_>, all: &[series::Series<'_>], out: &mut dyn Sink) {
    let mut put = |path: &str, bytes: Vec<u8>| out.put(path, &bytes, false);
    put("concentrations.csv", series::concentrations_csv(all));
    put("series.csv", series::series_csv(all));
    put("class.csv", series::class_csv(inputs.photos, all));
    put("references.csv", series::references_csv());
    let class = standing::Class::of(inputs.photos);
    for bench in &class.benches {
        let folder = &bench.folder;
        put(
            &format!("{folder}/calibration.json"),
            calibration_json(&bench.name, inputs.photos),
        );
        put(
            &format!("{folder}/calibration.html"),
            calibration_html(bench, inputs.refresh_s).into_bytes(),
        );
        let panel = series::panel(&bench.name, &bench.photos, all);
        put(
            &format!("{folder}/index.html"),
            bench_html(bench, &panel, inputs.refresh_s).into_bytes(),
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
