//! Edges of filters in a lamp's own light against scipy's: `edges.csv` is drawn and solved by `edges.py`, with Planck's law from
//! scipy's constants, another response than any here, an exponential absorption edge and a logistic one.

use slitwatch::answers::edges::{Kind, of_continuum};
use slitwatch::answers::response::{KELVIN_SIGMA, response};
use slitwatch::terms::{Spectrum, SpectrumRow};

use crate::table;

#[derive(serde::Deserialize)]
struct Row {
    wavelength_nm: f64,
    bulb: f64,
    long_pass: f64,
    short_pass: f64,
}

fn seen(rows: &[Row], light: impl Fn(&Row) -> f64) -> Spectrum {
    let rows = rows.iter().map(|row| {
        let signal = light(row);
        let noise = 2e-4 + 0.005 * signal;
        SpectrumRow {
            wavelength_nm: row.wavelength_nm,
            signal,
            signal_sigma: noise,
            rgb: [signal; 3],
            rgb_sigma: [noise; 3],
            clipped: 0.0,
        }
    });
    Spectrum {
        step_nm: 1.0,
        rows: rows.collect(),
    }
}

#[test]
fn a_long_and_a_short_pass_filter_have_the_edges_that_scipy_finds() {
    let rows: Vec<Row> = table::rows(include_str!("edges.csv"));
    let bulb = seen(&rows, |row| row.bulb);
    let response = response(&bulb, 2800.0, KELVIN_SIGMA).expect("a bulb");
    let edge = |light: fn(&Row) -> f64| {
        let light = seen(&rows, light);
        let wavelengths = light.rows.iter().map(|row| row.wavelength_nm);
        let power: Vec<_> = wavelengths.zip(response.power(&light)).collect();
        of_continuum(&power, 0.2)
    };
    // Half height as printed in the file's second line.
    for (light, kind, half_nm) in [
        (
            (|row| row.long_pass) as fn(&Row) -> f64,
            Kind::CutOn,
            569.999,
        ),
        (|row| row.short_pass, Kind::CutOff, 605.056),
    ] {
        let found = edge(light).expect("an edge");
        println!("{found:?}, scipy {half_nm}");
        assert_eq!(found.kind, kind);
        let off = (found.nm.value - half_nm).abs();
        assert!(off < 0.7 && off < 2.0 * found.nm.sigma, "{found:?}");
        assert!((0.2..2.0).contains(&found.nm.sigma), "{found:?}");
    }
    // The bulb itself has none.
    assert_eq!(edge(|row| row.bulb).unwrap_err().code, "no-edge");
}
