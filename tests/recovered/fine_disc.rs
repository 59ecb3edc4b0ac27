//! A disc with grooves twice as fine, held at a slant: one order, more than 30° off, across the whole picture.

use rayon::prelude::*;
use slitwatch::classify::Capture;
use slitwatch::measure::Verdict;
use slitwatch::simulate::{Instrument, Source};

use super::lab::{Bench, Error, demand, light, line_errors, photograph, scale_errors};

#[test]
fn a_grating_of_740_nm_is_told_by_itself_and_measured_as_well() {
    let bench = Bench {
        // The wide phone: the others would crop the red.
        instrument: Instrument {
            incidence_deg: -25.0,
            ..Instrument::sound_fine(29)
        },
        ..Bench::sound(2, 0)
    };
    let lamp = photograph(
        "lamp",
        &bench.lamp_shot(11, (0.3, 0.1, -0.2)),
        Capture::Calibration,
        None,
    );
    assert!(lamp.verdict <= Verdict::Caution, "{lamp:?}");
    assert_eq!(
        lamp.calibration().optics.groove_spacing_nm,
        740.0,
        "{lamp:?}"
    );
    demand("fine disc, lamp", &scale_errors(&lamp), 0.10, 0.4);
    let shots = [
        ("helium", Source::Helium, (-0.6, 0.2, 0.0)),
        ("neon", Source::Neon, (0.8, -0.1, 0.3)),
    ];
    let errors: Vec<Error> = shots
        .into_par_iter()
        .flat_map(|(name, source, pose)| {
            let shot = bench.shot(12, light(source, 4), pose);
            let seen = photograph(name, &shot, Capture::Sample, Some(lamp.calibration()));
            assert!(seen.verdict <= Verdict::Caution, "{seen:?}");
            line_errors(&seen)
        })
        .collect();
    demand("fine disc, other lamps", &errors, 0.10, 0.4);
}
