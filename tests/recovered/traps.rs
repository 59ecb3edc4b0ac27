//! Photos that must not make a scale, or not that scale: another lamp, a diode, daylight, a room, half of the
//! spectrum, a photo of the bench beside. None may be called good on a scale that is wrong.

use std::collections::BTreeMap;

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use rayon::prelude::*;
use slitwatch::simulate::{Fault, Instrument, Scene, Source};
use slitwatch::terms::Capture;
use slitwatch::terms::{Calibration, Verdict};

use super::lab::{Bench, Seen, light, line_errors, photograph, scale_errors};

/// So many are set: each kind three times. `SLITWATCH_TRAPS=48` sets each before each lamp, 200 take minutes.
const TRAPS: usize = 24;
/// A scale that is off by so much is wrong, nm: half the distance from one of mercury's yellow lines to the other.
const WRONG_NM: f64 = 1.0;

/// Whether a trap is no spectrum, but the room or a pocket.
fn shows_a_room(i: usize) -> bool {
    i % 8 == 4
}

/// A bench of its own for each number: phones, discs, slits and distances from slit to disc of all kinds.
fn bench(i: usize) -> Bench {
    let mut chance = Pcg64Mcg::seed_from_u64(7000 + i as u64);
    let mut within = |low: f64, high: f64| low + (high - low) * chance.random::<f64>();
    let fine = i % 5 == 4;
    let (phone, seed) = (if fine { 2 } else { i % 6 }, 7000 + i as u64);
    let mut bench = if shows_a_room(i) {
        Bench::whole(phone, seed)
    } else {
        Bench::sound(phone, seed)
    };
    if fine {
        bench.instrument = Instrument::sound_fine(7000 + i as u64);
        bench.instrument.incidence_deg = -25.0;
    }
    bench.instrument.slit_width_um = within(120.0, 300.0);
    bench.instrument.skew_deg = within(-1.2, 1.2);
    bench.instrument.incidence_deg += within(-2.0, 2.0);
    bench
}

/// By how much a photo's scale is off at worst, nm; absent where it has none or nothing shows it.
fn off_nm(seen: &Seen) -> Option<f64> {
    let errors = if seen.measurement.calibration.is_some() {
        scale_errors(seen)
    } else {
        seen.measurement.spectrum.as_ref()?;
        line_errors(seen)
    };
    let worst = errors.iter().map(|e| e.error_nm.abs());
    Some(worst.fold(0.0, f64::max))
}

/// One trap: its kind, what became of it, and by how much its scale is off where it is called good.
fn trap(i: usize) -> (&'static str, Verdict, Option<f64>, String) {
    let own = bench(i);
    let seed = 31_000 + i as u64;
    let mut chance = Pcg64Mcg::seed_from_u64(seed);
    let mut within = |low: f64, high: f64| low + (high - low) * chance.random::<f64>();
    let pose = (within(-3.0, 3.0), within(-1.0, 1.0), within(-0.5, 0.5));
    let other = match i / 8 % 6 {
        0 => Source::Helium,
        1 => Source::Neon,
        2 => Source::Hydrogen,
        3 => Source::Sodium,
        4 => Source::Mercury,
        _ => Source::Laser(within(520.0, 660.0)),
    };
    let diode = if (i / 8).is_multiple_of(2) {
        Source::WhiteLed(within(2700.0, 6500.0))
    } else {
        Source::Led(within(450.0, 640.0), within(16.0, 40.0))
    };
    let shot = |source: Source| own.shot(seed, light(source, seed), pose);
    let called_a_lamp = |shot| photograph("trap", &shot, Capture::Calibration, None);
    let (kind, seen) = match i % 8 {
        0 | 1 => ("another lamp", called_a_lamp(shot(other))),
        2 => ("diode", called_a_lamp(shot(diode))),
        3 => {
            let day = if (i / 8).is_multiple_of(2) {
                Source::Daylight
            } else {
                Source::Tungsten(within(2300.0, 3000.0))
            };
            ("daylight or bulb", called_a_lamp(shot(day)))
        }
        _ if shows_a_room(i) => {
            let mut room = shot(Source::TriPhosphor);
            room.scene = if (i / 8).is_multiple_of(2) {
                Scene::Room
            } else {
                Scene::Pocket
            };
            ("no spectrum", called_a_lamp(room))
        }
        5 => {
            let mut half = own.lamp_shot(seed, pose);
            half.faults.push(Fault::Cropped(within(480.0, 560.0)));
            ("half of the spectrum", called_a_lamp(half))
        }
        _ => {
            // A sample of this bench on the scale of another, whose light meets its disc at an angle that differs by more than
            // a phone turns between two photos. Twins within that and with the same phone no photo tells apart.
            let mut beside = bench(i + 1000);
            let apart = within(2.5, 5.0);
            beside.instrument.incidence_deg =
                own.instrument.incidence_deg + if i % 4 < 2 { apart } else { -apart };
            let lamp = beside.lamp_shot(seed + 1, (0.3, 0.2, 0.1));
            let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
            let scale: Option<&Calibration> = lamp.measurement.calibration.as_ref();
            let shot = shot(if i.is_multiple_of(2) {
                Source::Helium
            } else {
                Source::Mercury
            });
            let seen = photograph("trap", &shot, Capture::Sample, scale);
            ("the bench beside", seen)
        }
    };
    let off = (seen.verdict == Verdict::Good)
        .then(|| off_nm(&seen))
        .flatten();
    let said = seen.reasons.iter().map(|r| r.measured.as_str());
    (kind, seen.verdict, off, said.collect::<Vec<_>>().join("; "))
}

#[test]
fn no_photo_that_cannot_make_a_scale_is_called_good_on_a_wrong_one() {
    let asked = std::env::var("SLITWATCH_TRAPS").ok();
    let traps = asked.map_or(TRAPS, |n| n.parse().expect("a number of traps"));
    let seen: Vec<_> = (0..traps).into_par_iter().map(trap).collect();
    let mut table: BTreeMap<(&str, String), usize> = BTreeMap::new();
    for (kind, verdict, ..) in &seen {
        *table.entry((kind, format!("{verdict:?}"))).or_default() += 1;
    }
    for ((kind, verdict), n) in &table {
        println!("{kind:22} {verdict:10} {n}");
    }
    let wrong: Vec<String> = seen
        .iter()
        .enumerate()
        .filter(|(_, (.., off, _))| off.is_some_and(|nm| nm > WRONG_NM))
        .map(|(i, trap)| format!("{i}: {trap:?}"))
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    // Refused they are, not passed over: most of all, and some of every kind.
    for (kind, ..) in table.keys() {
        assert!(
            table.contains_key(&(*kind, "Retake".to_owned())),
            "no {kind} is refused"
        );
    }
    let refused = seen.iter().filter(|s| s.1 == Verdict::Retake).count();
    assert!(refused * 2 > traps, "{refused} of {traps} are refused");
}
