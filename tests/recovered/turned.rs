//! The lamp taken one way up, the sample another: upside down, and on either side.

use rayon::prelude::*;
use slitwatch::simulate::Source;
use slitwatch::terms::Capture;
use slitwatch::terms::Verdict;

use super::lab::{Bench, Error, demand, light, line_errors, photograph};
use super::scale;

#[test]
fn a_sample_may_be_held_another_way_up_than_its_lamp() {
    let scale = scale::lamp().calibration();
    let errors: Vec<Error> = [3, 6, 8]
        .into_par_iter()
        .flat_map(|orientation| {
            let bench = Bench {
                orientation,
                ..scale::bench()
            };
            let shot = bench.shot(
                u64::from(orientation),
                light(Source::Helium, 9),
                (0.4, 0.1, -0.2),
            );
            let what = format!("helium held as {orientation}");
            let seen = photograph(&what, &shot, Capture::Sample, Some(scale));
            assert!(seen.verdict <= Verdict::Caution, "{seen:?}");
            line_errors(&seen)
        })
        .collect();
    demand("turned", &errors, 0.10, 0.4);
}

#[test]
fn a_phone_laid_down_a_little_askew_is_not_taken_for_one_that_was_turned_over() {
    // Light from straight ahead: the slit looks alike from both ways up, and the orders' balance must tell.
    let mut bench = Bench::sound(0, 73);
    bench.instrument.incidence_deg = 0.2;
    bench.instrument.efficiency = [0.0, 0.0036, 0.4, 0.031, 0.003];
    let lamp = photograph(
        "lamp",
        &bench.lamp_shot(7, (0.8, -0.35, 0.2)),
        Capture::Calibration,
        None,
    );
    let errors: Vec<Error> = [(1, 0.4), (3, -0.5), (1, -1.1)]
        .into_iter()
        .flat_map(|(orientation, yaw_deg)| {
            let held = Bench {
                orientation,
                ..bench.clone()
            };
            let shot = held.shot(9, light(Source::Mercury, 9), (-0.4, yaw_deg, -0.4));
            let what = format!("mercury held as {orientation}, turned by {yaw_deg}°");
            let seen = photograph(&what, &shot, Capture::Sample, Some(lamp.calibration()));
            assert!(seen.verdict <= Verdict::Caution, "{seen:?}");
            line_errors(&seen)
        })
        .collect();
    demand("askew", &errors, 0.10, 0.4);
}
