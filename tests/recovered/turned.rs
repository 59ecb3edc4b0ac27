//! The lamp taken one way up, the sample another: upside down, and on either side.

use rayon::prelude::*;
use slitwatch::classify::Capture;
use slitwatch::measure::Verdict;
use slitwatch::simulate::Source;

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
