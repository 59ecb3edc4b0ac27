//! Colours of drawn lamps, by the response from a drawn bulb, against the colours of the light that was drawn.

use slitwatch::answers::colour::{chromaticity, colour_temperature};
use slitwatch::answers::response::colour;
use slitwatch::simulate::{Light, Source};
use slitwatch::terms::Capture;
use slitwatch::terms::{Calibration, Spectrum};

use crate::lab::{Bench, light, photograph};

fn spectrum(bench: &Bench, seed: u64, light: &Light, scale: &Calibration) -> Spectrum {
    let shot = bench.shot(seed, light.clone(), (0.2, -0.1, 0.1));
    let seen = photograph("lamp", &shot, Capture::Sample, Some(scale));
    seen.measurement.spectrum.expect("lit")
}

#[test]
fn colours_of_lamps_come_out_through_the_response_of_each_phone() {
    for (phone, seed) in [(0, 31), (3, 32)] {
        let bench = Bench::sound(phone, seed);
        let lamp = bench.lamp_shot(seed, (0.4, -0.3, 0.2));
        let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
        let scale = lamp.calibration();
        let bulb = spectrum(&bench, 41, &light(Source::Tungsten(2800.0), 1), scale);
        for (i, source) in [
            Source::WhiteLed(4200.0),
            Source::WhiteLed(5500.0),
            Source::Tungsten(2500.0),
            Source::Daylight,
        ]
        .into_iter()
        .enumerate()
        {
            let shone = light(source.clone(), 77);
            let emission = shone.emission();
            let truth = chromaticity(|nm| Some(emission.smooth_at(nm))).expect("it shines");
            let (truth_kelvin, truth_duv) = colour_temperature(truth).expect("whitish");
            let seen = spectrum(&bench, 50 + i as u64, &shone, scale);
            let found = colour(&bulb, 2800.0, &seen).expect("lit from 415 to 680 nm");
            let (kelvin, duv) = found.temperature.clone().expect("whitish");
            println!(
                "phone {phone} {source:?}: x {:.4} ({:+.4} ± {:.4}) y {:.4} ({:+.4} ± {:.4}), {:.0} K ± {:.0} ({:+.0}), duv {:+.4} ± {:.4}",
                found.x.value,
                found.x.value - truth.0,
                found.x.sigma,
                found.y.value,
                found.y.value - truth.1,
                found.y.sigma,
                kelvin.value,
                kelvin.sigma,
                kelvin.value - truth_kelvin,
                duv.value,
                duv.sigma
            );
            assert!(
                (found.x.value - truth.0).abs() < 0.012 && (found.y.value - truth.1).abs() < 0.012
            );
            assert!((kelvin.value / truth_kelvin - 1.0).abs() < 0.05);
            // The stated uncertainties hold it, the bulb's own temperature being right here.
            for (e, truth) in [(found.x, truth.0), (found.y, truth.1), (duv, truth_duv)] {
                assert!(
                    (e.value - truth).abs() < 2.0 * e.sigma,
                    "{e:?}, truth {truth}"
                );
            }
        }
    }
}
