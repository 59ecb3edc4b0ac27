//! The slit's blades and the tube's seams: a wedge, dust, and where stray light comes in, against what was drawn.

use rayon::prelude::*;
use slitwatch::simulate::{Fault, Source};
use slitwatch::terms::{Capture, Estimate, Point, Quantity};

use super::lab::{Bench, Seen, light, photograph};

/// The lamp photo of a bench.
fn lamp_of(bench: &Bench) -> Seen {
    let lamp = bench.lamp_shot(7, (0.2, 0.1, 0.0));
    photograph("lamp", &lamp, Capture::Calibration, None)
}

/// One photo of a light on a bench, on the scale of its lamp photo.
fn taken(bench: &Bench, lamp: &Seen, source: Source, faults: Vec<Fault>) -> Seen {
    let mut shot = bench.shot(301, light(source.clone(), 5), (0.3, 0.0, 0.1));
    shot.faults = faults;
    photograph(
        &format!("{source:?}"),
        &shot,
        Capture::Sample,
        Some(lamp.calibration()),
    )
}

fn are_honest(what: &str, seen: &[(f64, Estimate)]) {
    let off = |(truth, e): &(f64, Estimate)| (e.value - truth).abs() / e.sigma;
    assert!(seen.iter().all(|s| off(s) < 3.0), "{what}: {seen:?}");
    // Of a normal distribution two in three lie within one standard uncertainty, and 95 % within two.
    let within = |n: f64| seen.iter().filter(|s| off(s) < n).count() as f64 / seen.len() as f64;
    assert!(within(1.0) > 0.5 && within(2.0) > 0.85, "{what}: {seen:?}");
}

#[test]
fn a_wedge_is_measured_with_the_end_that_is_wider_and_an_honest_uncertainty() {
    let cases: Vec<(f64, f64, u16)> = [300.0, 450.0, 700.0]
        .into_iter()
        .flat_map(|um| [-0.3, 0.0, 0.15, 0.35].map(|wedge| (um, wedge)))
        .enumerate()
        .map(|(i, (um, wedge))| (um, wedge, [1, 3, 6, 8][i % 4]))
        .collect();
    let asked = cases.len() * 2;
    let seen: Vec<(f64, Estimate)> = cases
        .into_par_iter()
        .flat_map_iter(|(um, wedge, orientation)| {
            let mut bench = Bench::sound(0, 91);
            bench.orientation = orientation;
            bench.instrument.slit_width_um = um;
            bench.instrument.wedge = wedge;
            let lamp = lamp_of(&bench);
            [Source::Helium, Source::Neon].map(|source| {
                let photo = taken(&bench, &lamp, source, Vec::new());
                let found = photo.measurement.metrics.estimate(Quantity::SlitWedgeUm)?;
                Some((photo.truth.wedge_as_seen_um(), found))
            })
        })
        .flatten()
        .collect();
    assert!(seen.len() * 4 >= asked * 3, "{} of {asked}", seen.len());
    are_honest("wedge", &seen);
    let clear = |s: &&(f64, Estimate)| s.0.abs() > 100.0;
    assert!(
        seen.iter().filter(clear).all(|s| s.0 * s.1.value > 0.0),
        "{seen:?}"
    );
    // Sharp enough to be of use: blades that are parallel are seen to be so within two sheets of film.
    let parallel = |s: &&(f64, Estimate)| s.0 == 0.0;
    let mut sigmas: Vec<f64> = seen.iter().filter(parallel).map(|s| s.1.sigma).collect();
    sigmas.sort_by(f64::total_cmp);
    assert!(sigmas[sigmas.len() / 2] < 60.0, "{seen:?}");
}

#[test]
fn dust_is_weighed_and_a_clean_slit_has_none() {
    // A lamp photo gives the scale, whatever has settled since.
    let held = [3, 17, 29, 41].map(|blades| {
        let bench = Bench::sound(1, blades);
        let lamp = lamp_of(&bench);
        (bench, lamp)
    });
    let cases: Vec<(&(Bench, Seen), usize)> = held
        .iter()
        .flat_map(|held| [0, 3, 6, 10].map(|dust| (held, dust)))
        .collect();
    let asked = cases.len() * 3;
    let seen: Vec<(f64, Estimate)> = cases
        .into_par_iter()
        .flat_map_iter(|((bench, lamp), dust)| {
            let mut bench = bench.clone();
            bench.instrument.dust = dust;
            let sources = [
                Source::Tungsten(2800.0),
                Source::WhiteLed(4000.0),
                Source::TriPhosphor,
            ];
            sources.map(|source| {
                let photo = taken(&bench, lamp, source, Vec::new());
                let found = photo.measurement.metrics.estimate(Quantity::DustShare)?;
                Some((photo.truth.dust_share, found))
            })
        })
        .flatten()
        .collect();
    assert!(seen.len() * 10 >= asked * 9, "{} of {asked}", seen.len());
    are_honest("dust", &seen);
    let clean = |s: &&(f64, Estimate)| s.0 == 0.0;
    assert!(
        seen.iter().filter(clean).all(|s| s.1.value < 0.004),
        "{seen:?}"
    );
    let much = |s: &&(f64, Estimate)| s.0 > 0.02;
    assert!(seen.iter().filter(much).count() > 8, "{seen:?}");
    assert!(
        seen.iter().filter(much).all(|s| s.1.value > 0.5 * s.0),
        "{seen:?}"
    );
}

#[test]
fn stray_light_is_placed_where_it_comes_in_or_nowhere() {
    let held = [1, 3, 6, 8].map(|orientation| {
        let mut bench = Bench::whole(1, 60);
        bench.orientation = orientation;
        let lamp = lamp_of(&bench);
        (bench, lamp)
    });
    let seen: Vec<(Seen, Estimate, Estimate)> = (60..84u64)
        .into_par_iter()
        .filter_map(|seam| {
            let (bench, lamp) = &held[seam as usize % held.len()];
            let mut bench = bench.clone();
            bench.instrument.seed = seam;
            let photo = taken(&bench, lamp, Source::Mercury, vec![Fault::Leak(0.05)]);
            let metrics = &photo.measurement.metrics;
            let place = (
                metrics.estimate(Quantity::LeakX)?,
                metrics.estimate(Quantity::LeakY)?,
            );
            Some((photo, place.0, place.1))
        })
        .collect();
    assert!(seen.len() >= 4, "{}", seen.len());
    let place = |s: &(Seen, Estimate, Estimate)| {
        let Point { x, y } = s.0.truth.leak_at;
        let (w, h) = (s.0.truth.width as f64, s.0.truth.height as f64);
        [(x / w, s.1), (y / h, s.2)]
    };
    let places: Vec<(f64, Estimate)> = seen.iter().flat_map(place).collect();
    are_honest("stray light", &places);
    // A side that is named is not the opposite one, and the advice says it.
    for s in &seen {
        let [(x, _), (y, _)] = place(s);
        let Some(side) = s.0.measurement.metrics.leak_side() else {
            continue;
        };
        let is_there = |word: &str| match word {
            "left" => x < 0.55,
            "right" => x > 0.45,
            "top" => y < 0.55,
            _ => y > 0.45,
        };
        assert!(side.split(' ').all(is_there), "{side}: {:?}", s.0);
        let leak = s.0.reasons.iter().find(|r| r.code.as_str() == "leak");
        assert!(leak.unwrap().advice.contains(&side), "{:?}", leak);
    }
}

#[test]
fn round_grooves_that_smear_the_slit_along_itself_leave_neither_wedge_nor_dust_to_see() {
    let mut bench = Bench::sound(1, 17);
    bench.instrument.slit_width_um = 450.0;
    bench.instrument.wedge = 0.35;
    bench.instrument.dust = 10;
    let lamp = bench.real_lamp(7);
    for source in [Source::Helium, Source::Tungsten(2800.0)] {
        let shot = bench.real_shot(301, light(source, 5), Vec::new(), 301);
        let scale = lamp.measurement.calibration.as_ref();
        let photo = photograph("light", &shot, Capture::Sample, scale);
        let metrics = &photo.measurement.metrics;
        for quantity in [Quantity::SlitWedgeUm, Quantity::DustShare] {
            assert_eq!(metrics.estimate(quantity), None, "{photo:?}");
        }
        let said = &photo.measurement.not_measured;
        assert!(said.iter().any(|s| s.why.contains("smear")), "{photo:?}");
    }
}
