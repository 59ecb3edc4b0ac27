//! A disc with grooves twice as fine, held at a slant: one order, more than 30° off, across the whole picture.

use rayon::prelude::*;
use slitwatch::simulate::{Instrument, Source};
use slitwatch::terms::{Capture, Quantity};
use slitwatch::terms::{Code, Verdict};

use super::lab::{Bench, Error, demand, light, line_errors, photograph, scale_errors};

#[test]
fn a_slanted_slit_and_a_lens_off_its_axis_turn_neither_the_scale_nor_the_angles() {
    let mut bench = Bench {
        instrument: Instrument {
            incidence_deg: -25.2,
            elevation_deg: 0.7,
            skew_deg: 1.2,
            ..Instrument::sound_fine(31)
        },
        ..Bench::sound(2, 0)
    };
    bench.phone.centre_offset_px = (-8.0, 14.0);
    let lamp = photograph(
        "lamp",
        &bench.lamp_shot(13, (-0.9, 0.3, 0.1)),
        Capture::Calibration,
        None,
    );
    assert!(lamp.verdict <= Verdict::Caution, "{lamp:?}");
    // Narrow enough to part the yellow pair, which was followed along the slit as one line once.
    demand("slanted, lamp", &scale_errors(&lamp), 0.05, 0.2);
    let metrics = &lamp.measurement.metrics;
    let (tilt, skew) = (
        metrics.estimate(Quantity::TiltDeg).unwrap(),
        metrics.estimate(Quantity::SkewDeg).unwrap(),
    );
    // The truth counts the slit's turn anticlockwise; the metric clockwise, as the disc would be turned.
    let turned_deg = -lamp.truth.skew_deg;
    assert!(
        (tilt.value - lamp.truth.tilt_deg).abs() < 3.0 * tilt.sigma && tilt.sigma < 0.4,
        "tilt {tilt:?}, true {}: {lamp:?}",
        lamp.truth.tilt_deg
    );
    assert!(
        (skew.value - turned_deg).abs() < 3.0 * skew.sigma && skew.sigma < 1.0,
        "skew {skew:?}, true {turned_deg}: {lamp:?}"
    );
}

#[test]
fn a_fine_disc_that_is_ten_degrees_askew_is_said_to_be_by_the_angle_to_turn_it_by() {
    for skew_deg in [10.4, -4.7] {
        let mut bench = Bench {
            instrument: Instrument {
                incidence_deg: -26.0,
                ..Instrument::sound_fine(33)
            },
            ..Bench::sound(2, 0)
        };
        bench.instrument.skew_deg = skew_deg;
        let shot = bench.lamp_shot(17, (-0.5, 0.2, 0.1));
        let lamp = photograph("askew", &shot, Capture::Calibration, None);
        assert!(lamp.must_be_retaken_for(Code::Skewed), "{lamp:?}");
        let skew = lamp
            .measurement
            .metrics
            .estimate(Quantity::SkewDeg)
            .unwrap();
        assert!(
            (skew.value + skew_deg).abs() < 2.0 * skew.sigma && skew.sigma < 0.6,
            "skew {skew:?}, true {}: {lamp:?}",
            -skew_deg
        );
    }
}

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
