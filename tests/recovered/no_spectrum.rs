//! Photos that show no spectrum: the room, the inside of a pocket. Whatever they are called, they are said to be none.

use rayon::prelude::*;
use slitwatch::simulate::{Exposure, Light, Phone, Scene, Source, draw};
use slitwatch::terms::Capture;
use slitwatch::terms::{Code, Verdict};

use super::lab::{Bench, look_at, photograph};
use super::scale;

#[test]
fn rooms_and_pockets_are_no_spectra() {
    let other_bench = Bench::whole(1, 72);
    let other_lamp = other_bench.lamp_shot(101, (0.7, -0.2, 0.3));
    let other_lamp = photograph("other lamp", &other_lamp, Capture::Calibration, None);
    let scale = scale::lamp().calibration();
    // The second room's lamp is as bright and as long as a slit, and as if it ran off the picture; the third one's window has
    // bars as long as its frame's; a piece of the fourth one's frame lies where its bench has the slit, and is as long.
    let scenes = [
        ("room", Scene::Room, 41, None),
        (
            "room with a lamp",
            Scene::Room,
            6_793_324_819_673_162_009,
            Some("T1 Note"),
        ),
        (
            "room with a window",
            Scene::Room,
            11_798_793_283_024_661_941,
            Some("Brindle 7S"),
        ),
        (
            "room with the slit's place",
            Scene::Room,
            3_174_221_133_952_359_145,
            Some("QN-20"),
        ),
        ("pocket", Scene::Pocket, 42, None),
    ];
    let wrong: Vec<String> = scenes
        .into_par_iter()
        .flat_map(|(name, scene, seed, model)| {
            let mut shot = scale::bench().shot(seed, Light::of(Source::Dark, 0), (0.0, 0.0, 0.0));
            shot.scene = scene;
            if let Some(phone) = Phone::all()
                .into_iter()
                .find(|p| Some(p.model.as_str()) == model)
            {
                shot.phone = phone;
            }
            let scale = if shot.phone.model == other_bench.phone.model {
                other_lamp.calibration()
            } else {
                scale
            };
            shot.exposure = Exposure::Set(1.0 / 60.0, 200.0);
            let photo = draw(&shot);
            [
                (Capture::Calibration, None),
                (Capture::Sample, None),
                (Capture::Sample, Some(scale)),
            ]
            .into_iter()
            .filter_map(|(capture, scale)| {
                let seen = look_at(name, &photo.jpeg, photo.truth.clone(), capture, scale);
                let refused = seen.verdict == Verdict::Retake
                    && seen.must_be_retaken_for(Code::NoSpectrum)
                    && seen.measurement.spectrum.is_none()
                    && seen.measurement.calibration.is_none();
                (!refused).then(|| format!("{seen:?} as {capture:?}"))
            })
            .collect::<Vec<String>>()
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
