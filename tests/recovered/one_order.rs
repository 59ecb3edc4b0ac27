//! Grooves that throw all light to one side: no second order of lines to check the slit's image against.

use slitwatch::simulate::Source;
use slitwatch::terms::Capture;
use slitwatch::terms::Verdict;

use super::lab::{Bench, demand, light, line_errors, photograph, scale_errors};

#[test]
fn one_order_is_enough_for_a_scale() {
    let mut bench = Bench::sound(3, 83);
    bench.instrument.efficiency = [0.0, 0.05, 0.4, 0.0, 0.0];
    let lamp = photograph(
        "lamp",
        &bench.lamp_shot(5, (0.5, 0.3, 0.0)),
        Capture::Calibration,
        None,
    );
    assert!(lamp.verdict <= Verdict::Caution, "{lamp:?}");
    assert!(
        lamp.calibration()
            .lines
            .iter()
            .all(|line| line.order == lamp.calibration().lines[0].order)
    );
    let shot = bench.shot(6, light(Source::Helium, 2), (-0.5, 0.1, 0.2));
    let helium = photograph("helium", &shot, Capture::Sample, Some(lamp.calibration()));
    demand("one order, lamp", &scale_errors(&lamp), 0.10, 0.4);
    demand("one order, helium", &line_errors(&helium), 0.10, 0.4);
}
