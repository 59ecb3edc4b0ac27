//! The slit's width, from lines that it and the blur widen together: against the width that was drawn.

use rayon::prelude::*;
use slitwatch::simulate::{Instrument, Source};
use slitwatch::terms::{Capture, Quantity};
use slitwatch::terms::{Estimate, Subject};

use super::lab::{Bench, light, photograph};

#[test]
fn a_slit_in_focus_is_measured_within_a_quarter_and_within_three_of_its_uncertainties_or_not_at_all()
 {
    // A slit of less than three times the blur, here 250 to 350 µm, is left open and not guessed.
    let cases: Vec<(f64, Source, bool)> = [130.0, 200.0, 280.0, 360.0, 500.0, 700.0, 900.0]
        .into_iter()
        .flat_map(|um| {
            [false, true].into_iter().flat_map(move |fine| {
                [Source::Helium, Source::Neon, Source::Mercury].map(|source| (um, source, fine))
            })
        })
        .collect();
    let seen: Vec<(f64, f64, f64)> = cases
        .into_par_iter()
        .enumerate()
        .filter_map(|(i, (um, source, fine))| {
            // The wide phone for the fine disc, whose red the others would crop.
            let mut bench = Bench::sound(if fine { 2 } else { 0 }, 91);
            if fine {
                bench.instrument = Instrument::sound_fine(29);
                bench.instrument.incidence_deg = -25.0;
            }
            bench.instrument.slit_width_um = um;
            let scale = photograph(
                "lamp",
                &bench.lamp_shot(7, (0.2, 0.1, 0.0)),
                Capture::Calibration,
                None,
            );
            let shot = bench.shot(300 + i as u64, light(source, 5), (0.3, 0.0, 0.1));
            let photo = photograph("light", &shot, Capture::Sample, Some(scale.calibration()));
            let metrics = &photo.measurement.metrics;
            let Some(width) = metrics.estimate(Quantity::SlitWidthUm) else {
                // What is left open has a bound, and one that is of use: no slit three times as wide fits it.
                let at_most = metrics.value(Quantity::SlitWidthAtMostUm).expect("a bound");
                assert!(
                    (um..3.0 * um + 150.0).contains(&at_most),
                    "{um} µm, at most {at_most}: {photo:?}"
                );
                return None;
            };
            Some((um, width.value, width.sigma))
        })
        .collect();
    let wide = seen.iter().filter(|(um, ..)| *um >= 500.0).count();
    assert!(
        wide >= 7,
        "of 18 slits of 500 µm and more {wide} were measured only: {seen:?}"
    );
    let mut errors: Vec<f64> = seen.iter().map(|(um, v, _)| (v / um - 1.0).abs()).collect();
    errors.sort_by(f64::total_cmp);
    let median = errors[errors.len() / 2];
    assert!(median < 0.12 && errors[errors.len() - 1] < 0.25, "{seen:?}");
    assert!(
        seen.iter()
            .all(|(um, v, sigma)| (v - um).abs() < 3.0 * sigma),
        "{seen:?}"
    );
}

#[test]
fn over_exposure_hides_no_wide_slit_and_what_is_left_open_has_a_limit() {
    // A lamp through a fine disc has blue lines only, whose sharpness a camera smooths away as colour. One of the slits has
    // an end that dust has made soft: its image says less.
    const DUSTY: u64 = 29;
    let cases: Vec<(u64, f64)> = [DUSTY, 31]
        .into_iter()
        .flat_map(|blades| [150.0, 250.0, 850.0, 920.0, 1050.0].map(|um| (blades, um)))
        .collect();
    let seen: Vec<(u64, f64, Option<Estimate>, Option<f64>)> = cases
        .into_par_iter()
        .map(|(blades, um)| {
            let mut bench = Bench::sound(2, 91);
            bench.instrument = Instrument::sound_fine(blades);
            bench.instrument.incidence_deg = -25.0;
            bench.instrument.slit_width_um = um;
            let shot = bench.lamp_shot(7, (0.2, 0.1, 0.0));
            let photo = photograph("lamp", &shot, Capture::Calibration, None);
            let m = &photo.measurement;
            let at_most = m.not_measured.iter().find_map(|said| {
                let about_slit = said.what == Subject::SlitWidth;
                let limit = about_slit.then_some(&said.why)?.split("at most ").nth(1)?;
                limit.split(' ').next()?.parse().ok()
            });
            (
                blades,
                um,
                m.metrics.estimate(Quantity::SlitWidthUm),
                at_most,
            )
        })
        .collect();
    for (blades, um, width, at_most) in &seen {
        match width {
            Some(w) => assert!((w.value - um).abs() < 3.0 * w.sigma, "{seen:?}"),
            None => assert!(*blades == DUSTY || *um < 800.0, "{seen:?}"),
        }
        assert!(at_most.is_none_or(|limit| limit >= *um), "{seen:?}");
    }
    assert!(
        seen.iter().any(|(.., at_most)| at_most.is_some()),
        "{seen:?}"
    );
}
