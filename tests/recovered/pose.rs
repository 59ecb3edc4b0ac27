//! Tilt (the phone against the grating) and skew (the slit against the grooves) are different mistakes with different
//! remedies: each comes out by itself, with its sign.

use rayon::prelude::*;
use slitwatch::simulate::Source;
use slitwatch::terms::{Capture, Quantity};

use super::lab::{Bench, Seen, light, photograph};
use super::scale;

/// Both angles of a photo against the truth, degrees.
fn check(seen: &Seen) -> Option<String> {
    let metrics = &seen.measurement.metrics;
    let (Some(tilt), Some(skew)) = (
        metrics.estimate(Quantity::TiltDeg),
        metrics.estimate(Quantity::SkewDeg),
    ) else {
        return Some(format!("not measured: {seen:?}"));
    };
    // The truth counts the slit's turn against the grooves anticlockwise, the metric clockwise.
    let (tilt_off, skew_off) = (
        tilt.value - seen.truth.tilt_deg,
        skew.value + seen.truth.skew_deg,
    );
    let text = format!(
        "{}: tilt {:.2} ± {:.2}°, true {:.2}°; skew {:.2} ± {:.2}°, true {:.2}°",
        seen.what,
        tilt.value,
        tilt.sigma,
        seen.truth.tilt_deg,
        skew.value,
        skew.sigma,
        -seen.truth.skew_deg
    );
    println!("{text}");
    (tilt_off.abs() > 0.15 || skew_off.abs() > 0.15).then_some(text)
}

#[test]
fn tilt_and_skew_are_told_apart_to_a_sixth_of_a_degree() {
    let lamps = [
        ("tilted", 3.0, 0.5, Source::TriPhosphor),
        ("skewed", -0.5, -3.5, Source::TriPhosphor),
        ("both, seen in one order", -4.0, 2.0, Source::TriPhosphor),
    ];
    let wrong: Vec<String> = lamps
        .into_par_iter()
        .filter_map(|(what, roll_deg, skew_deg, source)| {
            let mut bench = Bench::sound(1, 67);
            bench.instrument.skew_deg = skew_deg;
            if what.ends_with("one order") {
                bench.instrument.efficiency = [0.0, 0.0, 0.4, 0.05, 0.0];
            }
            let shot = bench.shot(51, light(source, 6), (roll_deg, 0.2, 0.3));
            check(&photograph(what, &shot, Capture::Calibration, None))
        })
        .chain(rayon::iter::once(scale::lamp()).filter_map(check))
        .collect();
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}
