//! One instrument, a lamp photo and photos of other lamps: do their lines come out where they are?

use std::sync::OnceLock;

use rayon::prelude::*;
use slitwatch::simulate::Source;
use slitwatch::terms::Capture;
use slitwatch::terms::Verdict;

use super::lab::{Bench, Error, Seen, demand, light, line_errors, photograph, scale_errors};

/// The bench that other modules measure with, too.
pub fn bench() -> Bench {
    Bench::whole(0, 71)
}

/// Its lamp photo, drawn and measured once.
pub fn lamp() -> &'static Seen {
    static LAMP: OnceLock<Seen> = OnceLock::new();
    LAMP.get_or_init(|| {
        let shot = bench().lamp_shot(101, (0.7, -0.2, 0.3));
        photograph("lamp", &shot, Capture::Calibration, None)
    })
}

#[test]
fn a_lamp_photo_gives_the_scale_of_its_instrument() {
    let seen = lamp();
    assert!(seen.verdict <= Verdict::Caution, "{seen:?}");
    demand("lamp photo", &scale_errors(seen), 0.10, 0.4);
}

#[test]
fn lines_of_other_lamps_come_out_where_they_are() {
    let scale = lamp().calibration();
    let shots = [
        ("helium", Source::Helium, (-0.4, 0.2, -0.1)),
        ("mercury", Source::Mercury, (0.9, -0.3, 0.2)),
        ("neon", Source::Neon, (0.1, 0.1, -0.3)),
        ("laser", Source::Laser(632.8158), (-0.8, 0.0, 0.0)),
    ];
    let errors: Vec<Error> = shots
        .into_par_iter()
        .flat_map(|(name, source, pose)| {
            let shot = bench().shot(name.len() as u64, light(source, 7), pose);
            let seen = photograph(name, &shot, Capture::Sample, Some(scale));
            assert!(seen.verdict <= Verdict::Caution, "{seen:?}");
            line_errors(&seen)
        })
        .collect();
    assert!(errors.len() >= 14, "{}", errors.len());
    demand("other lamps", &errors, 0.10, 0.4);
}
