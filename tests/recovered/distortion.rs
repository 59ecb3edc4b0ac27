//! Lenses that bend the picture by two hundredths outwards or inwards: ignored, that is 1 to 2 nm.

use rayon::prelude::*;
use slitwatch::simulate::Source;
use slitwatch::terms::Capture;
use slitwatch::terms::Verdict;

use super::lab::{Bench, demand, light, line_errors, photograph, scale_errors};

#[test]
fn a_bent_picture_gives_straight_wavelengths() {
    [0.02, -0.02].into_par_iter().for_each(|k1| {
        let mut bench = Bench::sound(0, 47);
        bench.phone.k1 = k1;
        let what = format!("lamp, k1 {k1}");
        let lamp = photograph(
            &what,
            &bench.lamp_shot(21, (-0.6, 0.2, 0.1)),
            Capture::Calibration,
            None,
        );
        assert!(lamp.verdict <= Verdict::Caution, "{lamp:?}");
        demand(&what, &scale_errors(&lamp), 0.10, 0.4);
        let what = format!("helium, k1 {k1}");
        let shot = bench.shot(22, light(Source::Helium, 3), (0.3, -0.2, 0.2));
        let helium = photograph(&what, &shot, Capture::Sample, Some(lamp.calibration()));
        demand(&what, &line_errors(&helium), 0.10, 0.4);
    });
}
