//! `instruments.csv`: a row for each bench and session.

use super::BenchTerm;
use crate::publish::files::table::{Row, Table};
use crate::report::dictionary::INSTRUMENTS;
use crate::terms::Quantity;

/// The table: benches by name, each session by session.
pub fn instruments_csv(term: &[BenchTerm<'_>]) -> Vec<u8> {
    let mut table = Table::new(INSTRUMENTS.columns);
    for bench in term {
        for seen in &bench.seen {
            let of_lamp = |quantity: Quantity| seen.lamp.and_then(|r| r.metrics.value(quantity));
            let [slit, image, tilt, bandpass] = seen.numbers;
            let rebuilt = match (seen.changed.is_empty(), seen.is_compared) {
                (false, _) => "yes",
                (true, true) => "no",
                (true, false) => "",
            };
            let worse: Vec<&str> = seen.worse().map(|(judged, _)| judged.column).collect();
            let row = Row::default()
                .text(bench.bench)
                .text(seen.session)
                .text(seen.from.unwrap_or_default())
                .cell(seen.photos)
                .text(seen.lamp.map_or("", |r| r.photo.as_str()))
                .estimate(slit)
                .estimate(image)
                .estimate(tilt)
                .rounded(of_lamp(Quantity::WavelengthSigmaNm), 3)
                .rounded(of_lamp(Quantity::NmPerPx), 6)
                .estimate(bandpass)
                .cell(seen.build)
                .cell(rebuilt)
                .text(seen.changed.join("; "));
            let row = seen.rise.iter().fold(row, |row, rise| row.estimate(*rise));
            table.push(row.cell(worse.join("; ")));
        }
    }
    table.finish()
}
