//! Exposures of one drawn lamp, joined: the ratios that their light gives against those that were drawn, through the phone's
//! own tone curve; and what it gains.

use slitwatch::answers::absorb::KNOWN_TONE;
use slitwatch::answers::absorb::{Link, UNKNOWN_TONE, absorbance};
use slitwatch::answers::bracket::{curve, levels_of};
use slitwatch::answers::join::{Shot, join};
use slitwatch::simulate::light::Dye;
use slitwatch::simulate::{Exposure, Fault, Source};
use slitwatch::terms::Capture;
use slitwatch::terms::Spectrum;

use crate::lab::{Bench, light, photograph};

#[test]
fn two_exposures_of_a_lamp_give_its_weak_and_its_strong_lines_in_one_spectrum() {
    for (phone, seed) in [(0, 51), (4, 52)] {
        let bench = Bench::whole(phone, seed);
        let lamp = bench.lamp_shot(seed, (0.3, -0.2, 0.1));
        let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
        let scale = lamp.calibration();
        let seen = |n: u64, source: Source, exposure, faults: Vec<Fault>| -> (Spectrum, f64) {
            let pose = (0.1 * n as f64, -0.1, 0.1);
            let mut shot = bench.shot(100 * seed + n, light(source, seed), pose);
            shot.exposure = exposure;
            shot.faults = faults;
            let seen = photograph("shot", &shot, Capture::Bracket, Some(scale));
            let exposure = seen.truth.exposure_s * seen.truth.iso;
            (seen.measurement.spectrum.expect("lit"), exposure)
        };
        let bracket: Vec<(Spectrum, f64)> = [0.15, 0.3, 0.6]
            .into_iter()
            .enumerate()
            .map(|(i, level)| {
                let exposure = Exposure::Metered(level);
                seen(i as u64, Source::WhiteLed(4200.0), exposure, Vec::new())
            })
            .collect();
        let exposures: Vec<f64> = bracket.iter().map(|b| b.1).collect();
        let levels: Vec<_> = bracket
            .iter()
            .enumerate()
            .flat_map(|(i, b)| levels_of(&b.0, 0, i))
            .collect();
        let curve = curve(&levels, &exposures).expect("a bracket");
        let neon = Source::Neon;
        let short = seen(10, neon.clone(), Exposure::Metered(0.6), Vec::new());
        let long = seen(11, neon, Exposure::Metered(0.6), vec![Fault::Clipped(8.0)]);
        let toned = [curve.retoned(&short.0), curve.retoned(&long.0)];
        let shots = [
            Shot {
                spectrum: &toned[0],
                exposure: short.1,
            },
            Shot {
                spectrum: &toned[1],
                exposure: long.1,
            },
        ];
        let joined = join(&shots, KNOWN_TONE).expect("one scene");
        let ratio = joined.ratios[0];
        let off = ratio.ratio.value / ratio.written - 1.0;
        let strong = joined.rows.iter().filter_map(|r| r.signal.map(|s| s.value));
        let top = strong.fold(0.0, f64::max);
        let lost = |s: &Spectrum| s.rows.iter().filter(|r| r.clipped > 0.02).count();
        println!(
            "phone {phone}: ratio {:.3} ± {:.3}, drawn {:.3} ({:+.1} %), highest {top:.2}; clipped {} and {} rows",
            ratio.ratio.value,
            ratio.ratio.sigma,
            ratio.written,
            100.0 * off,
            lost(&toned[0]),
            lost(&toned[1])
        );
        let doubt = ratio.ratio.sigma / ratio.ratio.value;
        assert!(
            ratio.is_measured && off.abs() < 2.0 * doubt && doubt < 0.06,
            "{ratio:?}"
        );
        let highest = |s: &Spectrum| {
            let known = s.rows.iter().filter(|r| r.clipped <= 0.02);
            known.map(|r| r.signal).fold(0.0, f64::max)
        };
        assert!(lost(&toned[1]) > 20, "the long one is blown out");
        assert!(top > 2.0 * highest(&toned[1]), "beyond its range: {top}");
        let known = joined.rows.iter().filter(|r| r.signal.is_some()).count();
        assert_eq!((known, lost(&toned[0])), (joined.rows.len(), 0));
    }
}

/// A strong solution beside its blank, from two exposures joined, against the absorbance that was drawn.
#[test]
fn joined_exposures_of_a_strong_solution_have_its_absorbance() {
    let (mut off_joined, mut off_short, mut within) = (Vec::new(), Vec::new(), 0);
    for (phone, seed) in [(0, 61), (4, 62)] {
        let bench = Bench::whole(phone, seed);
        let lamp = bench.lamp_shot(seed, (0.3, -0.2, 0.1));
        let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
        let scale = lamp.calibration();
        let led = light(Source::WhiteLed(4200.0), seed);
        let blank = bench.shot(100 * seed, led.clone(), (0.1, -0.1, 0.1));
        let (time_s, iso) = blank.exposure_settings();
        let dyed = led.through(Dye::Red, 9.0);
        let seen = |n: u64, times: f64| -> (Spectrum, f64) {
            let mut shot = bench.shot(100 * seed + n, dyed.clone(), (0.1 * n as f64, -0.1, 0.1));
            shot.exposure = Exposure::Set(times * time_s, iso);
            let seen = photograph("solution", &shot, Capture::Bracket, Some(scale));
            let exposure = seen.truth.exposure_s * seen.truth.iso;
            (seen.measurement.spectrum.expect("lit"), exposure)
        };
        let blank = photograph("blank", &blank, Capture::Blank, Some(scale));
        let blank_exposure = blank.truth.exposure_s * blank.truth.iso;
        let blank = blank.measurement.spectrum.expect("lit");
        let (short, long) = (seen(1, 1.0), seen(2, 4.0));
        let shots = [&short, &long].map(|(spectrum, exposure)| Shot {
            spectrum,
            exposure: *exposure,
        });
        let joined = join(&shots, UNKNOWN_TONE).expect("one scene").spectrum();
        let solution = dyed.solution.as_ref().expect("a solution");
        for (spectrum, exposure, off) in [
            (&joined, long.1, &mut off_joined),
            (&short.0, short.1, &mut off_short),
        ] {
            let rows = absorbance(spectrum, &blank, &Link::of(blank_exposure / exposure));
            for (row, found) in spectrum.rows.iter().zip(&rows) {
                let nm = row.wavelength_nm;
                if (495.0..540.0).contains(&nm) {
                    let found = found.absorbance.expect("lit");
                    let error = found.value - solution.absorbance(nm);
                    off.push(error.abs());
                    within += usize::from(
                        std::ptr::eq(spectrum, &joined) && error.abs() < 2.0 * found.sigma,
                    );
                }
            }
        }
    }
    let share = within as f64 / off_joined.len() as f64;
    for off in [&mut off_joined, &mut off_short] {
        off.sort_by(f64::total_cmp);
    }
    let median = |off: &[f64]| off[off.len() / 2];
    println!(
        "absorbances of 0.5 to 1: off by {:.4} joined, {:.4} from the short exposure alone, in the median; {:.0} % within two sigma",
        median(&off_joined),
        median(&off_short),
        100.0 * share
    );
    assert!(share > 0.9 && median(&off_joined) < 0.08);
}
