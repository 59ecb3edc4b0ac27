//! What is called a fluorescent lamp and is none must never give a scale: a wrong scale is the worst failure there is.

use rayon::prelude::*;
use slitwatch::simulate::{Source, draw};
use slitwatch::terms::Capture;
use slitwatch::terms::{Code, Verdict};

use super::lab::{Bench, demand, light, look_at_lamp, photograph, scale_errors};

#[test]
fn no_other_lamp_passes_for_a_fluorescent_one() {
    let lamps = [
        ("white diode", Source::WhiteLed(4000.0)),
        ("bulb", Source::Tungsten(2800.0)),
        ("sodium", Source::Sodium),
        ("laser", Source::Laser(532.0)),
        ("neon", Source::Neon),
    ];
    let wrong: Vec<String> = lamps
        .into_par_iter()
        .filter_map(|(name, source)| {
            let shot = Bench::sound(1, 59).shot(31, light(source, 5), (0.4, 0.2, 0.1));
            let seen = photograph(name, &shot, Capture::Calibration, None);
            let refused = seen.measurement.calibration.is_none()
                && seen.verdict == Verdict::Retake
                && (seen.must_be_retaken_for(Code::FewLines)
                    || seen.must_be_retaken_for(Code::PoorFit))
                // Without a scale the slit's own image must not be read as a wide slit's.
                && !seen.must_be_retaken_for(Code::SlitWide);
            (!refused).then(|| format!("{seen:?}"))
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn what_is_photographed_instead_is_named_and_what_has_no_lines_is_not() {
    let lamps = [
        ("helium", Source::Helium, Some("helium tube")),
        ("hydrogen", Source::Hydrogen, Some("hydrogen tube")),
        ("sodium", Source::Sodium, Some("sodium lamp")),
        ("bulb", Source::Tungsten(2800.0), None),
        ("white diode", Source::WhiteLed(4000.0), None),
        ("laser", Source::Laser(532.0), None),
    ];
    let named: Vec<(&str, Option<String>, Option<&str>)> = lamps
        .into_par_iter()
        .map(|(name, source, expected)| {
            let shot = Bench::sound(2, 61).shot(33, light(source, 6), (0.3, 0.1, 0.2));
            let seen = photograph(name, &shot, Capture::Calibration, None);
            // Bands are no lines: they are not fitted as if they were, which takes minutes.
            let says = |words: &str| {
                let mut findings = seen.measurement.findings.iter();
                findings.any(|f| f.measured.contains(words))
            };
            let has_bands = ["bulb", "white diode"].contains(&name);
            assert_eq!(says("is no line"), has_bands, "{seen:?}");
            let mut findings = seen.measurement.findings.iter();
            let instead = findings.find_map(|f| f.slots.get("instead").cloned());
            (name, instead, expected)
        })
        .collect();
    assert!(
        named
            .iter()
            .all(|(_, found, expected)| found.as_deref() == *expected),
        "{named:?}"
    );
}

#[test]
fn a_lamp_that_no_rule_names_is_found_out_and_its_scale_is_right() {
    let lamps = [
        ("fluorescent", Source::TriPhosphor),
        ("helium", Source::Helium),
        ("neon", Source::Neon),
        ("mercury", Source::Mercury),
    ];
    lamps.into_par_iter().for_each(|(name, source)| {
        let shot = Bench::sound(0, 67).shot(35, light(source, 7), (0.2, 0.2, 0.1));
        let photo = draw(&shot);
        let seen = look_at_lamp(
            name,
            &photo.jpeg,
            photo.truth,
            Capture::Calibration,
            "auto",
            None,
        );
        let calibration = seen.calibration();
        let told = calibration.found_out.as_ref().expect("no lamp was named");
        println!("{name}: {} {told:?}", calibration.lamp);
        // Clear mercury and mercury behind a coating have the same lines, and the same scale: of these it is not sure.
        assert!(calibration.lamp == name || (name == "mercury" && told.sure < 0.8));
        assert!(name == "mercury" || told.sure > 0.9);
        let errors = scale_errors(&seen);
        demand(name, &errors, 0.15, 0.6);
    });
}
