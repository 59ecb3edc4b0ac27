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
mod drawings;
mod lights;
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
mod trend;

use std::io::{self, Write};

use crate::publish::names;

pub use bench::bench_html;
pub use board::board_html;
pub use calibration_page::calibration_html;
pub use calibrations::calibration_json;
pub use closing::{BenchClosing, Closing, ToDo, advice, closing};
pub use quality::quality_csv;
pub use sessions::{Late, Session, spanning};
pub use settled::{Settled, n_to_retake};
pub use shown::{Inputs, Shown};
pub use spectra::spectra_csv;

/// What has board and bench pages say whether the program still looks.
const WATCHED: &str = include_str!("pages/watched.js");

/// Takes the class's files one by one as they are made, so that not all of them need be held at once.
pub trait Sink {
    /// A file: its path below the results, its bytes, and whether [`Inputs::now`] stands in them.
    fn put(&mut self, path: &str, bytes: &[u8], has_clock: bool);

    /// A file that `write` makes piece by piece, because it may be larger than what can be held.
    fn stream(&mut self, path: &str, write: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>);
}

/// Hands every file of the class to `out`; the board comes last: what it links to is there before it.
///
/// `fetch` gives the bytes of a photo's `spectrum.csv`; it is asked once for each photo that has one, and once more
/// for each of a dilution series, of a bracket, of a bench that has photographed a bulb of stated temperature, for each diode
/// and each lamp that is not known, and for the spectra that are drawn over one another.
pub fn summaries<'a>(
    inputs: &Inputs<'a>,
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
    out: &mut dyn Sink,
) {
    let photos = inputs.photos;
    let settled = settled::settled(photos.iter().map(|shown| shown.record), inputs.stated);
    out.put("quality.csv", &quality_csv(photos, &settled), false);
    out.stream("spectra.csv", &mut |table| {
        spectra_csv(photos, &mut fetch, table)
    });
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
    put(names::WATCHED, WATCHED.as_bytes());
    let page = class_page::class_html(inputs, &agreements, &mut fetch);
    put("class.html", page.as_bytes());
    let class = standing::Class::of(photos, &settled);
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
