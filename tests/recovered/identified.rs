//! What a drawn lamp is taken for: every kind of the simulator's lamps, those that are known from a table alone, and lamps
//! that are in no table, on several phones.

use slitwatch::answers::identify::identify;
use slitwatch::simulate::Source;
use slitwatch::standards;
use slitwatch::terms::{Capture, Quantity};

use crate::lab::{Bench, light, photograph};

/// Lines of a shipped table that a phone can see, for a lamp that the simulator has no list of its own for.
fn of_table(name: &str) -> Source {
    let lamps = standards::lamps();
    let lamp = lamps.iter().find(|l| l.name == name).expect("a table");
    let lines = lamp.lines.iter().map(|l| (l.wavelength_nm, l.strength));
    Source::Lines(lines.collect())
}

/// Discharges that are in no table here: the strong visible lines of the neutral atoms, nm, from memory (NIST Handbook of
/// Basic Atomic Spectroscopic Data), and strengths that are invented.
fn in_no_table() -> [(&'static str, Source); 4] {
    let lines = |l: &[(f64, f64)]| Source::Lines(l.to_vec());
    [
        (
            "zinc",
            lines(&[(468.0, 0.5), (472.2, 0.8), (481.1, 1.0), (636.2, 0.7)]),
        ),
        (
            "copper",
            lines(&[
                (510.6, 0.6),
                (515.3, 0.7),
                (521.8, 1.0),
                (570.0, 0.3),
                (578.2, 0.5),
            ]),
        ),
        (
            "lithium and strontium",
            lines(&[(460.7, 0.9), (610.4, 0.5), (670.8, 1.0)]),
        ),
        (
            "magnesium and calcium",
            lines(&[
                (445.5, 0.5),
                (516.7, 0.4),
                (518.4, 0.8),
                (558.9, 0.5),
                (616.2, 0.7),
                (643.9, 0.9),
            ]),
        ),
    ]
}

#[test]
fn every_lamp_of_the_simulator_is_known_for_what_it_is() {
    let lamps = standards::lamps();
    let kinds = [
        (Source::TriPhosphor, "fluorescent"),
        (Source::Halophosphate, "halophosphate"),
        (Source::Mercury, "mercury"),
        (Source::Helium, "helium"),
        (Source::Neon, "neon"),
        (Source::Hydrogen, "hydrogen"),
        (Source::Sodium, "sodium"),
        (Source::WhiteLed(3200.0), "white-led"),
        (Source::WhiteLed(5500.0), "white-led"),
        (Source::Led(523.0, 32.0), "led"),
        (Source::Led(630.0, 18.0), "led"),
        (Source::Laser(532.0), "laser"),
        (Source::Laser(650.0), "laser"),
        (Source::Tungsten(2800.0), "filament"),
        (Source::Daylight, "daylight"),
    ];
    let by_table = ["cadmium", "argon", "krypton", "xenon"].map(|name| (of_table(name), name));
    let unlisted = in_no_table().map(|(_, source)| (source, "unknown"));
    let kinds: Vec<(Source, &str)> = kinds.into_iter().chain(by_table).chain(unlisted).collect();
    let mut wrong = Vec::new();
    for (phone, seed) in [(0, 3), (4, 5)] {
        let bench = Bench::sound(phone, seed);
        let lamp = bench.lamp_shot(seed, (0.4, -0.3, 0.2));
        let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
        for (i, (source, name)) in kinds.iter().enumerate() {
            let shot = bench.shot(
                seed * 50 + i as u64,
                light(source.clone(), seed + 20),
                (0.1, 0.2, 0.0),
            );
            let seen = photograph(name, &shot, Capture::Sample, Some(lamp.calibration()));
            let m = &seen.measurement;
            let found = identify(
                m.spectrum.as_ref().expect("lit"),
                &m.peaks,
                m.metrics.value(Quantity::BandpassNm).unwrap_or(2.0),
                &lamps,
            );
            println!(
                "phone {phone} {source:?}: {} {:.3}, next {:?}",
                found.name, found.score, found.runner_up
            );
            if found.name != *name {
                let peaks: Vec<String> = m
                    .peaks
                    .iter()
                    .map(|p| {
                        format!(
                            "{:.1}({:.1},{:.3},{:?})",
                            p.centre_nm.value, p.fwhm_nm.value, p.height.value, p.kind
                        )
                    })
                    .collect();
                wrong.push(format!(
                    "phone {phone} {source:?}: {found:?}; bandpass {:?}; {}",
                    m.metrics.value(Quantity::BandpassNm),
                    peaks.join(" ")
                ));
            }
            if let (Source::Laser(nm), Some(laser)) = (source, found.laser_nm) {
                assert!((laser.value - nm).abs() < 0.4, "{laser:?}");
            }
            if let (Source::Led(peak, fwhm), Some(led)) = (source, found.led) {
                println!("    {led:?}");
                assert!((led.peak_nm.value - peak).abs() < 4.0, "{led:?}");
                assert!(
                    (led.half_width_nm.value / fwhm - 1.0).abs() < 0.3,
                    "{led:?}"
                );
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "{} wrong\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}
