//! What is called a fluorescent lamp and is none must never give a scale: a wrong scale is the worst failure there is.

use rayon::prelude::*;
use slitwatch::classify::Capture;
use slitwatch::measure::{Code, Verdict};
use slitwatch::simulate::Source;

use super::lab::{Bench, light, photograph};

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
                    || seen.must_be_retaken_for(Code::PoorFit));
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
