//! All outcomes -> the class's tables and pages. Pure: records and published spectra in, bytes out. Nothing here measures
//! or judges; whatever is shown is a function of what stands in the photos' folders.

mod agreement;
mod bench;
mod board;
mod builds;
mod calibration_page;
mod calibrations;
mod charts;
mod class_page;
mod closing;
mod colours;
mod dictionary;
mod drawings;
mod hand_in;
mod lab_sheet;
mod lights;
mod package;
mod pages;
mod panel;
mod quality;
mod scenes;
mod series;
mod series_svg;
mod sessions;
mod settled;
mod shown;
mod slit;
mod spectra;
mod standing;
mod taken;
mod term;
mod trend;
mod whose;
mod wide;
mod workbook;

use std::io::{self, Write};

use crate::publish::files::schema::{Column, Schema};
use crate::publish::names;
use dictionary::{QUALITY, SPECTRA, SPECTRA_WIDE};
use package::Package;
use whose::Whose;

pub use bench::bench_html;
pub use board::board_html;
pub use calibration_page::calibration_html;
pub use calibrations::calibration_json;
pub use closing::{BenchClosing, Closing, ToDo, advice, closing};
pub use hand_in::{HandIn, hand_in_html};
pub use lab_sheet::{LabSheet, LabSheets, MOST_STEPS, Step, lab_sheets_html, page_address};
pub use quality::quality_csv;
pub use sessions::{Late, Session, spanning};
pub use settled::{Settled, n_to_retake};
pub use shown::{Inputs, Shown};
pub use spectra::spectra_csv;
pub use workbook::{ClassTables, workbook};

/// What has board and bench pages say whether the program still looks, how much time is left, fold, and fit on a wall.
const WATCHED: &str = concat!(
    include_str!("pages/watched.js"),
    include_str!("pages/folds.js"),
    include_str!("pages/before.js"),
    include_str!("pages/ends.js"),
    include_str!("pages/codes.js"),
    include_str!("pages/wall.js")
);

/// Takes the class's files one by one as they are made, so that not all of them need be held at once.
pub trait Sink {
    /// A file: its path below the results, its bytes, and whether [`Inputs::now`] stands in them.
    fn put(&mut self, path: &str, bytes: &[u8], has_clock: bool);

    /// A file that `write` makes piece by piece, because it may be larger than what can be held.
    fn stream(&mut self, path: &str, write: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>);
}

/// Every table that is written, with its columns; of those whose columns depend on the photos, what each can have.
pub fn tables() -> Vec<(&'static Schema, Vec<Column>)> {
    let columns = |schema: &Schema| match schema.file {
        file if file == QUALITY.file => quality::every_column().collect(),
        file if file == SPECTRA.file => spectra::columns().cloned().collect(),
        _ => schema.columns.to_vec(),
    };
    let tables = dictionary::TABLES.iter();
    tables.map(|schema| (*schema, columns(schema))).collect()
}

/// Hands every file of the class to `out`; the board comes last: what it links to is there before it.
///
/// `fetch` gives the bytes of a photo's `spectrum.csv`; it is asked twice for each photo that has one, and once more
/// for each of a dilution series and each blank of it, of a bracket and each blank of its bench, of a bench that has photographed a bulb of stated temperature, for each diode
/// and each lamp that is not known, and for the spectra that are drawn over one another.
pub fn summaries<'a>(
    inputs: &Inputs<'a>,
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
    out: &mut dyn Sink,
) {
    let photos = inputs.photos;
    let settled = settled::settled(photos.iter().map(|shown| shown.record), inputs.stated);
    let whose = Whose::new(photos, inputs.session);
    let mut package = Package::new(inputs.title).with_photo_tables();
    let quality = quality_csv(photos, &settled, inputs.session);
    out.put(QUALITY.file, &quality, false);
    package.add("", &QUALITY, &quality::columns(photos));
    out.stream(SPECTRA.file, &mut |table| {
        spectra_csv(
            photos,
            &mut fetch,
            (inputs.all_spectra, inputs.session),
            table,
        )
    });
    package.add("", &SPECTRA, spectra::columns());
    let found = panel::Found::of(photos, inputs.stated, &mut fetch);
    let panel::Found {
        lights,
        series: all,
        brackets,
    } = &found;
    let agreements = agreement::agreements(photos, all, &mut fetch);
    let concentrations = series::concentrations_csv(all, inputs, &whose);
    for (schema, csv) in [
        (&dictionary::COLOURS, colours::colours_csv(lights, &whose)),
        (&dictionary::POWER, colours::power_csv(lights, &whose)),
        (&dictionary::CONCENTRATIONS, concentrations),
        (&dictionary::SERIES, series::series_csv(all, &whose)),
        (
            &dictionary::CLASS,
            agreement::class_csv(&agreements, &whose),
        ),
        (&dictionary::TONE, scenes::tone_csv(brackets, &whose)),
        (
            &dictionary::BRACKETS,
            scenes::brackets_csv(brackets, &whose),
        ),
        (&dictionary::JOINED, scenes::joined_csv(brackets, &whose)),
        (&dictionary::REFERENCES, panel::references_csv()),
    ] {
        out.put(schema.file, &csv, false);
        package.add("", schema, schema.columns);
    }
    out.put(names::WATCHED, WATCHED.as_bytes(), false);
    let page = class_page::class_html(inputs, &agreements, &mut fetch);
    out.put("class.html", page.as_bytes(), false);
    let class = standing::Class::of(photos, &settled);
    for bench in &class.benches {
        let folder = format!("{}/", bench.folder);
        let mut put = |name: &str, bytes: &[u8]| out.put(&format!("{folder}{name}"), bytes, false);
        put("calibration.json", &calibration_json(&bench.name, photos));
        let page = calibration_html(bench, inputs.refresh_s, inputs.phrases);
        put("calibration.html", page.as_bytes());
        let wide = wide::spectra_wide_csv(&bench.photos, &mut fetch);
        if let Some(wide) = &wide {
            put(SPECTRA_WIDE.file, &wide.csv);
            package.add(&folder, &SPECTRA_WIDE, &wide.columns);
        }
        let answers = panel::panel(&bench.name, &bench.photos, &found, (true, inputs.phrases));
        let page = bench_html(bench, &answers, wide.is_some(), inputs);
        put("index.html", page.as_bytes());
    }
    out.put(package::FILE, &package.json(), false);
    out.put(names::BOARD, board_html(&class, inputs).as_bytes(), true);
}
