//! Absorbance of dye and neutral solutions on drawn photos of several phones, against the truth of the simulator: with sRGB's
//! curve, and with the phone's own from a bracket.

use slitwatch::answers::absorb::{KNOWN_TONE, Link, UNKNOWN_TONE, absorbance};
use slitwatch::answers::blanks::{Blank, mean_blank};
use slitwatch::answers::bracket::{curve, levels_of};
use slitwatch::answers::series::{STATED_FREEDOM, Standard, fit};
use slitwatch::simulate::light::Dye;
use slitwatch::simulate::{Exposure, Light, Shot, Source, draw};
use slitwatch::terms::{Capture, Estimate, Spectrum};

use crate::lab::{Bench, light, photograph, spectrum};

/// Errors of the absorbance at the truth's points: true value, error, stated uncertainty.
fn errors(shot: &Shot, sample: &Spectrum, blank: &Spectrum, link: &Link) -> Vec<(f64, f64, f64)> {
    let rows = absorbance(sample, blank, link);
    let solution = shot.light.solution.as_ref().expect("a solution");
    let mut found = Vec::new();
    for nm in (88..=132).map(|i| 5.0 * f64::from(i)) {
        let a = solution.absorbance(nm);
        if !(0.1..=0.8).contains(&a) {
            continue;
        }
        // The truth is tabulated where rows lie; a mean over a bandpass is what the instrument can tell.
        let near: Vec<Estimate> = sample
            .rows
            .iter()
            .zip(&rows)
            .filter(|(r, _)| (r.wavelength_nm - nm).abs() < 1.0)
            .filter_map(|(_, a)| a.absorbance)
            .collect();
        if near.len() < 5 {
            continue;
        }
        let n = near.len() as f64;
        let mean = near.iter().map(|e| e.value).sum::<f64>() / n;
        found.push((a, mean - a, near.iter().map(|e| e.sigma).sum::<f64>() / n));
    }
    found
}

struct Tally {
    median: f64,
    worst: f64,
    within_1: f64,
    within_2: f64,
}

fn tally(what: &str, errors: &[(f64, f64, f64)]) -> Tally {
    assert!(errors.len() > 20, "{what}: {} points", errors.len());
    let mut sizes: Vec<f64> = errors.iter().map(|e| e.1.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let share = |k: f64| {
        errors.iter().filter(|e| e.1.abs() <= k * e.2).count() as f64 / errors.len() as f64
    };
    let t = Tally {
        median: sizes[sizes.len() / 2],
        worst: sizes[sizes.len() - 1],
        within_1: share(1.0),
        within_2: share(2.0),
    };
    println!(
        "{what}: {} points, error {:.4} in the median, {:.4} at worst; {:.0} % within one sigma, {:.0} % within two",
        errors.len(),
        t.median,
        t.worst,
        100.0 * t.within_1,
        100.0 * t.within_2
    );
    t
}

#[test]
fn dye_and_neutral_absorbances_of_several_phones_are_as_good_as_they_say() {
    let (mut with, mut without) = (Vec::new(), Vec::new());
    let mut linked = Vec::new();
    for (phone, seed) in [(0, 7), (1, 8), (4, 9)] {
        let bench = Bench::sound(phone, seed);
        let lamp = bench.lamp_shot(seed, (0.4, -0.3, 0.2));
        let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
        let scale = lamp.calibration();
        let led = light(Source::WhiteLed(4200.0), seed);
        let of = |n: u64, light: &Light, factor: f64| {
            let turn = 0.25 * ((n % 5) as f64 - 2.0);
            let mut shot = bench.shot(
                100 * seed + n,
                light.clone(),
                (turn, -0.6 * turn, 0.3 * turn),
            );
            let (time_s, iso) = shot.exposure_settings();
            if factor != 1.0 {
                shot.exposure = Exposure::Set(time_s * factor, iso);
            }
            let (time_s, iso) = shot.exposure_settings();
            (shot, time_s * iso)
        };
        let (mut levels, mut exposures) = (Vec::new(), Vec::new());
        for (i, factor) in [1.2, 0.6, 0.3, 0.15].into_iter().enumerate() {
            let (shot, exposure) = of(50 + i as u64, &led, factor);
            let level = spectrum(&draw(&shot).jpeg, scale, None);
            levels.extend(levels_of(&level, 0, i));
            exposures.push(exposure);
        }
        let tone = curve(&levels, &exposures).expect("a bracket of four");
        println!(
            "phone {phone}: {:.3} from sRGB, {:.4} left over",
            tone.departure, tone.rms
        );
        let (blank_shot, blank_exposure) = of(1, &led, 1.0);
        let photo = draw(&blank_shot).jpeg;
        let blank = spectrum(&photo, scale, Some(&tone));
        let plain_blank = spectrum(&photo, scale, None);
        let known = Link {
            tone_share: KNOWN_TONE,
            ..Link::of(1.0)
        };
        let mut standards = Vec::new();
        for (i, (dye, c)) in [
            (Dye::Red, 1.5),
            (Dye::Red, 3.0),
            (Dye::Red, 4.5),
            (Dye::Red, 7.0),
            (Dye::Neutral, 3.0),
            (Dye::Neutral, 7.0),
        ]
        .into_iter()
        .enumerate()
        {
            let (shot, _) = of(10 + i as u64, &led.through(dye.clone(), c), 1.0);
            let photo = draw(&shot).jpeg;
            let sample = spectrum(&photo, scale, Some(&tone));
            with.extend(errors(&shot, &sample, &blank, &known));
            let plain = spectrum(&photo, scale, None);
            assert_eq!(Link::of(1.0).tone_share, UNKNOWN_TONE);
            without.extend(errors(&shot, &plain, &plain_blank, &Link::of(1.0)));
            if dye == Dye::Red {
                let rows = absorbance(&sample, &blank, &known);
                let rows: Vec<_> = sample
                    .rows
                    .iter()
                    .zip(&rows)
                    .map(|(r, a)| (r.wavelength_nm, a.absorbance))
                    .collect();
                let absorbance = slitwatch::answers::bands::at(&rows, 520.0).expect("the band");
                standards.push(Standard {
                    concentration: c,
                    absorbance,
                });
            }
            if i == 2 || i == 4 {
                let (half, exposure) = of(10 + i as u64, &led.through(dye, c), 0.5);
                let link = Link {
                    exposure_ratio: blank_exposure / exposure,
                    ..known
                };
                let half = spectrum(&draw(&half).jpeg, scale, Some(&tone));
                linked.extend(errors(&shot, &half, &blank, &link));
            }
        }
        let unknown = standards.remove(1);
        let line = fit(&standards, STATED_FREEDOM).expect("three levels");
        let found = line.concentration(&[unknown.absorbance]).expect("inside");
        println!("phone {phone}: 3 mg/L found as {found:?}");
        assert!(found.low < 3.0 && 3.0 < found.high, "{found:?}");
        assert!((found.value.value - 3.0).abs() < 0.2, "{found:?}");
    }
    let t = tally("with the phone's own curve", &with);
    assert!(t.median < 0.01 && t.worst < 0.04);
    assert!((0.55..0.95).contains(&t.within_1) && t.within_2 > 0.88);
    let t = tally("half the exposure", &linked);
    assert!(t.median < 0.01 && t.worst < 0.04);
    // Without a bracket a phone's own curve is in the error, and in the uncertainty.
    let t = tally("read as sRGB", &without);
    assert!(t.within_1 > 0.5 && t.within_2 > 0.85);
}

/// The reference's noise and what holding the phone anew moves fall with the number of blanks. Truth is the simulator's.
#[test]
fn the_mean_of_four_blanks_makes_a_better_reference_than_one() {
    let (mut one, mut four) = (Vec::new(), Vec::new());
    let mut stated = [0.0, 0.0];
    for (phone, seed) in [(0, 21), (1, 22), (4, 23)] {
        let bench = Bench::sound(phone, seed);
        let lamp = bench.lamp_shot(seed, (0.4, -0.3, 0.2));
        let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
        let scale = lamp.calibration();
        let led = light(Source::WhiteLed(4200.0), seed);
        let of = |n: u64, light: &Light| {
            let turn = 0.25 * ((n % 5) as f64 - 2.0);
            let pose = (turn, -0.6 * turn, 0.3 * turn);
            bench.shot(100 * seed + n, light.clone(), pose)
        };
        let blanks: Vec<Spectrum> = (0..4)
            .map(|n| spectrum(&draw(&of(n, &led)).jpeg, scale, None))
            .collect();
        let blank = |spectrum| Blank {
            spectrum,
            exposure: 1.0,
        };
        let mean = mean_blank(&blanks.iter().map(blank).collect::<Vec<_>>());
        assert_eq!(
            mean.used,
            [0, 1, 2, 3],
            "phone {phone}: {:?}",
            mean.left_out
        );
        stated[0] += mean.level_sigma;
        stated[1] += mean_blank(&[blank(&blanks[0])]).level_sigma;
        for n in 10..14 {
            let shot = of(n, &led.through(Dye::Neutral, 3.0));
            let sample = spectrum(&draw(&shot).jpeg, scale, None);
            for blank in &blanks {
                one.extend(errors(&shot, &sample, blank, &Link::of(1.0)));
            }
            four.extend(errors(&shot, &sample, &mean.spectrum, &Link::of(1.0)));
        }
    }
    let spread = |errors: &[(f64, f64, f64)]| {
        let n = errors.len() as f64;
        let mean = errors.iter().map(|e| e.1).sum::<f64>() / n;
        (errors.iter().map(|e| (e.1 - mean).powi(2)).sum::<f64>() / n).sqrt()
    };
    println!(
        "spread of the errors: {:.4} with one blank, {:.4} with four; level known to {:.4} and {:.4}",
        spread(&one),
        spread(&four),
        stated[1] / 3.0,
        stated[0] / 3.0
    );
    assert!(spread(&four) < spread(&one));
    assert!((0.4..0.75).contains(&(stated[0] / stated[1])));
}
