//! The shots that are written as raw files.

use std::process::{Command, Stdio};

use slitwatch::simulate::{
    Exposure, Instrument, Light, Nuisance, Phone, Pose, Reality, Scene, Shot, Source,
};

/// A photo of the lamp that scales are made from.
pub fn lamp(seed: u64) -> Shot {
    Shot {
        seed,
        taken: jiff::civil::date(2026, 11, 12).at(19, 0, 0, 0),
        phone: Phone::all().swap_remove(0),
        instrument: Instrument {
            // What leaks in does not grow with the exposure in a drawn photo.
            leak_level: 0.0,
            ..Instrument::sound(3)
        },
        pose: Pose {
            roll_deg: 0.5,
            yaw_deg: 0.3,
            pitch_deg: -0.2,
        },
        light: Light::of(Source::TriPhosphor, seed),
        scene: Scene::Slit,
        exposure: Exposure::Metered(0.75),
        orientation: 1,
        jpeg_quality: 92,
        reality: Reality::ideal(),
        nuisance: Nuisance::ALL,
        faults: Vec::new(),
    }
}

/// A photo of another light, `times` an eighth of the full exposure.
pub fn sample(seed: u64, source: Source, times: f64) -> Shot {
    let metered = Shot {
        light: Light {
            brightness: 14.0,
            ..Light::of(source, seed)
        },
        exposure: Exposure::Metered(0.7),
        ..lamp(seed)
    };
    let (time_s, iso) = metered.exposure_settings();
    Shot {
        exposure: Exposure::Set(time_s * times / 8.0, iso),
        ..metered
    }
}

/// A Python with NumPy and tifffile; absent where there is none.
pub fn python() -> Option<String> {
    let python = std::env::var("SLITWATCH_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    Command::new(&python)
        .args(["-c", "import numpy, tifffile, imagecodecs"])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
        .then_some(python)
}
