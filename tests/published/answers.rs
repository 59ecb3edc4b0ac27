//! Straight lines, agreement of laboratories and colour against outside numbers: NIST StRD Norris and SiRstv, ISO 5725-2 and
//! ASTM E691 examples, a published permanganate series, CIE illuminants, McCamy's formula.

use slitwatch::answers::class::{Cell, precision};
use slitwatch::answers::colour::{chromaticity, colour_temperature};
use slitwatch::answers::limits::of_blanks;
use slitwatch::answers::series::{Standard, fit};
use slitwatch::terms::Estimate;

/// Correlated colour temperature by McCamy's polynomial (Color Res. Appl. 17 (1992) 142), K: a check, good to 2 K from
/// 2856 to 6504 K.
fn mccamy((x, y): (f64, f64)) -> f64 {
    let n = (x - 0.3320) / (y - 0.1858);
    ((-449.0 * n + 3525.0) * n - 6823.3) * n + 5520.33
}

fn standards(rows: &[(f64, f64)], sigma: f64) -> Vec<Standard> {
    rows.iter()
        .map(|r| Standard {
            concentration: r.0,
            absorbance: Estimate::new(r.1, sigma),
        })
        .collect()
}

#[test]
fn the_certified_line_of_norris_is_reached() {
    // NIST Statistical Reference Datasets, linear regression, Norris (ozone monitors): certified values.
    let file = include_str!("strd/Norris.dat");
    let rows: Vec<(f64, f64)> = file
        .lines()
        .skip(60)
        .filter_map(|line| {
            let mut cells = line.split_whitespace().map(str::parse::<f64>);
            let y = cells.next()?.ok()?;
            Some((cells.next()?.ok()?, y))
        })
        .collect();
    assert_eq!(rows.len(), 36);
    let line = fit(&standards(&rows, 1.0), 0.0).expect("36 levels");
    let close = |found: f64, certified: f64| {
        assert!(
            ((found - certified) / certified).abs() < 1e-9,
            "{found} {certified}"
        );
    };
    close(line.intercept.value, -0.262323073774029);
    close(line.slope.value, 1.00211681802045);
    close(line.intercept.sigma, 0.232818234301152);
    close(line.slope.sigma, 0.429796848199937e-3);
    close(line.scatter, 0.884796396144373);
}

#[test]
fn a_published_permanganate_series_gives_its_line_and_its_unknown() {
    // Kotz and Treichel, Chemistry and Chemical Reactivity, permanganate at 540 nm: slope 5.653, intercept -0.009 as printed;
    // the points are from memory and give both.
    let rows = [
        (0.03, 0.162),
        (0.06, 0.330),
        (0.09, 0.499),
        (0.12, 0.670),
        (0.15, 0.840),
    ];
    let line = fit(&standards(&rows, 0.002), 12.0).expect("five levels");
    assert!(
        (line.slope.value - 5.653).abs() < 0.001,
        "{}",
        line.slope.value
    );
    assert!((line.intercept.value + 0.009).abs() < 0.0005);
    let unknown = line
        .concentration(&[Estimate::new(0.539, 0.002)])
        .expect("inside the range");
    assert!((unknown.value.value - 0.0969).abs() < 5e-5);
    // Permanganate at 522 nm, 0 to 120 mg/L and an unknown of three repeats, a school's data (studylib.net, document 6635300):
    // by ordinary least squares slope 0.01273, intercept 0.03736, unknown 56.08 with a standard uncertainty of 2.70 mg/L
    // (computed with numpy).
    let rows = [
        (0.0, 0.0),
        (20.0, 0.267),
        (40.0, 0.583),
        (60.0, 0.824),
        (80.0, 1.120),
        (100.0, 1.313),
        (120.0, 1.499),
    ];
    let line = fit(&standards(&rows, 1.0), 0.0).expect("seven levels");
    assert!(
        (line.slope.value - 0.01273).abs() < 5e-6 && (line.intercept.value - 0.03736).abs() < 5e-6
    );
    let repeats = [0.763, 0.741, 0.749].map(|value| Estimate::new(value, 1.0));
    let unknown = line.concentration(&repeats).expect("inside the range");
    assert!((unknown.value.value - 56.08).abs() < 0.005);
    assert!(
        (unknown.value.sigma - 2.70).abs() < 0.01,
        "{}",
        unknown.value.sigma
    );
}

fn cells(rows: &[&[f64]]) -> Vec<Cell> {
    rows.iter()
        .enumerate()
        .map(|(i, values)| Cell {
            bench: (i + 1).to_string(),
            values: values.to_vec(),
        })
        .collect()
}

#[test]
fn the_published_examples_of_agreement_come_out() {
    // ISO 5725-2:1994, annex B.1, sulfur in coal, level 1 (data from memory; they give the printed m 0.690, s_r 0.015,
    // s_R 0.026).
    let coal: [&[f64]; 8] = [
        &[0.71, 0.71, 0.70, 0.71],
        &[0.69, 0.67, 0.68],
        &[0.66, 0.65, 0.69],
        &[0.67, 0.65, 0.66],
        &[0.70, 0.69, 0.66, 0.71, 0.69],
        &[0.73, 0.74, 0.73],
        &[0.71, 0.71, 0.69],
        &[0.70, 0.65, 0.68],
    ];
    let found = precision(&cells(&coal)).expect("eight laboratories");
    assert!((found.mean - 0.690).abs() < 5e-4);
    assert!((found.repeatability_sd.expect("repeats") - 0.015).abs() < 5e-4);
    assert!((found.reproducibility_sd - 0.026).abs() < 5e-4);
    // ASTM E691, glucose in serum, material A (data from memory): average 41.5183, s_r = s_R = 1.0632.
    let glucose: [&[f64]; 8] = [
        &[41.03, 41.45, 41.37],
        &[41.17, 42.00, 41.15],
        &[41.01, 40.68, 42.66],
        &[39.37, 42.37, 42.63],
        &[41.88, 41.19, 41.32],
        &[43.28, 40.50, 42.28],
        &[41.08, 41.27, 39.02],
        &[43.36, 42.65, 41.72],
    ];
    let found = precision(&cells(&glucose)).expect("eight laboratories");
    assert!((found.mean - 41.5183).abs() < 5e-5);
    assert!((found.repeatability_sd.expect("repeats") - 1.0632).abs() < 5e-5);
    assert!((found.reproducibility_sd - 1.0632).abs() < 5e-5);
}

#[test]
fn the_band_of_a_line_is_scipy_s() {
    // Fluorescein, pg/mL and fluorescence (Miller and Miller, Statistics and Chemometrics for Analytical Chemistry, 5; from memory):
    // ordinary least squares, 95 % band at 0, 6 and 12 pg/mL by scipy 1.17.1 (stats.linregress, stats.t.ppf).
    let rows = [
        (0.0, 2.1),
        (2.0, 5.0),
        (4.0, 9.0),
        (6.0, 12.6),
        (8.0, 17.3),
        (10.0, 21.0),
        (12.0, 24.7),
    ];
    let line = fit(&standards(&rows, 1.0), 0.0).expect("seven levels");
    let printed = [
        (0.0, 0.759_700_015, 2.276_014_271),
        (6.0, 12.679_450_092, 13.520_549_908),
        (12.0, 23.923_985_729, 25.440_299_985),
    ];
    for (found, (c, low, high)) in line.band([0.0, 6.0, 12.0]).into_iter().zip(printed) {
        assert_eq!(found.0, c);
        assert!(
            (found.1 - low).abs() < 1e-6 && (found.2 - high).abs() < 1e-6,
            "{found:?}"
        );
    }
}

#[test]
fn the_textbook_s_limits_follow_from_seven_repeats_and_the_slope() {
    // Harris, Quantitative Chemical Analysis, 8th ed., 5-2, detection limit (from memory): seven repeats of 5.0, 5.0, 5.2, 4.2,
    // 4.6, 6.0, 4.9 nA and a line of 0.229 nA/µM; s = 0.56 nA, detected from 7.3 µM, quantified from 24.2 µM. A scatter is the same
    // whatever its level.
    let repeats = [5.0, 5.0, 5.2, 4.2, 4.6, 6.0, 4.9];
    let found = of_blanks(&repeats, Estimate::new(0.229, 0.0)).expect("seven");
    assert!((found.scatter.value - 0.56).abs() < 0.005, "{found:?}");
    assert!((found.detection.value - 7.3).abs() < 0.05, "{found:?}");
    assert!(
        (found.quantification.value - 24.2).abs() < 0.05,
        "{found:?}"
    );
    // JCGM 100, E.4.3 and table E.1: a standard deviation of ten is known to 24 %, of thirty to 13 %.
    for (n, share) in [(10, 0.24), (30, 0.13)] {
        let repeats: Vec<f64> = (0..n).map(f64::from).collect();
        let found = of_blanks(&repeats, Estimate::new(1.0, 0.0)).expect("enough");
        let stated = found.scatter.sigma / found.scatter.value;
        assert!((stated - share).abs() < 0.005, "{n}: {stated}");
    }
}

/// A column of the illuminants' table.
fn illuminant(name: &str) -> impl Fn(f64) -> Option<f64> {
    let table = include_str!("colour/illuminants.csv");
    let mut lines = table.lines().filter(|line| !line.starts_with('#'));
    let column = lines
        .next()
        .and_then(|header| header.split(',').position(|c| c == name))
        .expect("a column");
    let rows: Vec<(f64, f64)> = lines
        .map(|line| {
            let cells: Vec<f64> = line
                .split(',')
                .map(|c| c.parse().expect("a number"))
                .collect();
            (cells[0], cells[column])
        })
        .collect();
    move |nm| rows.iter().find(|r| r.0 == nm).map(|r| r.1)
}

#[test]
fn the_published_illuminants_have_their_chromaticities_and_temperatures() {
    // CIE 015:2018: chromaticities as printed to four digits (0.0003 for the lamps with lines, whose sums depend on the steps).
    // Temperatures: Ohno's method as printed by colour-science 0.4.7, XYZ_to_CCT_Ohno2013, from sums in steps of
    // 1 nm, which moves a lamp with lines by up to 0.00015 and 0.1 %.
    for (name, xy, tolerance, kelvin, duv) in [
        ("A", (0.44758, 0.40745), 1e-4, 2855.6, 0.0),
        ("D65", (0.31272, 0.32903), 1e-4, 6502.7, 0.003205),
        ("FL2", (0.3721, 0.3751), 3e-4, 4225.2, 0.001860),
        ("FL11", (0.3805, 0.3769), 3e-4, 4000.7, 0.000153),
    ] {
        let found = chromaticity(illuminant(name)).expect("all known");
        assert!(
            (found.0 - xy.0).abs() < tolerance && (found.1 - xy.1).abs() < tolerance,
            "{name}: {found:?}"
        );
        let (t, d) = colour_temperature(found).expect("whitish");
        assert!((t / kelvin - 1.0).abs() < 1e-3, "{name}: {t}");
        assert!((d - duv).abs() < 1.5e-4, "{name}: {d}");
        assert!((mccamy(found) / t - 1.0).abs() < 0.005);
    }
    // The same from the chromaticities that colour-science itself sums: the method alone.
    for (xy, kelvin, duv) in [
        ((0.447_560_72, 0.407_431_26), 2855.638, -0.000_002),
        ((0.312_726_95, 0.329_023_22), 6502.680, 0.003_205),
        ((0.372_081_55, 0.375_283_29), 4225.165, 0.001_860),
        ((0.380_515_25, 0.377_120_96), 4000.737, 0.000_153),
    ] {
        let (t, d) = colour_temperature(xy).expect("whitish");
        assert!((t / kelvin - 1.0).abs() < 3e-4, "{xy:?}: {t}");
        assert!((d - duv).abs() < 2e-5, "{xy:?}: {d}");
    }
    // McCamy 1992 by hand: (0.3805, 0.3769) 4008.33 K; (0.44757, 0.40745) 2857.29 K.
    assert!((mccamy((0.3805, 0.3769)) - 4008.33).abs() < 0.01);
    assert!((mccamy((0.44757, 0.40745)) - 2857.29).abs() < 0.01);
}
