//! Photos that show no spectrum: the room, the inside of a pocket. Whatever they are called, they are said to be none.

use rayon::prelude::*;
use slitwatch::classify::Capture;
use slitwatch::measure::{Code, Verdict};
use slitwatch::simulate::{Exposure, Light, Phone, Scene, Source, draw};

use super::lab::look_at;
use super::scale;

#[test]
fn rooms_and_pockets_are_no_spectra() {
    let scale = scale::lamp().calibration();
    // The second room's lamp is as bright and as long as a slit, and as if it ran off the picture; the third one's window has
    // bars as long as its frame's.
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
