//! Exposures in words, and how many times a photo is too bright or too dark.

use crate::decode::Facts;

/// Times from this on are written as decimals, as cameras do, s.
const DECIMAL_FROM_S: f64 = 0.3;
/// Exposure times that a camera can be set to lie between these, s (no source).
const SHORTEST_S: f64 = 1e-5;
const LONGEST_S: f64 = 30.0;

/// Exposure time as a camera shows it: `1/250 s`, `0.5 s`.
pub fn exposure_time(seconds: f64) -> String {
    if seconds >= DECIMAL_FROM_S {
        format!("{seconds:.1} s")
    } else {
        format!("1/{:.0} s", 1.0 / seconds)
    }
}

/// The photo's exposure with its time multiplied by `factor`, as one sets it; absent where the file does not state it, or where no
/// camera can be set so.
pub(super) fn text(facts: &Facts, factor: f64) -> Option<String> {
    let time = facts.exposure_s? * factor;
    (time > SHORTEST_S && time < LONGEST_S).then(|| match facts.iso {
        Some(iso) => format!("{} at ISO {iso:.0}", exposure_time(time)),
        None => exposure_time(time),
    })
}

/// The level that the brightest part of a well exposed spectrum has, share of full scale.
const WANTED_LEVEL: f64 = 0.6;

/// A photo is said to be no more than so many times too dark; from so many on in steps of so many.
const MOST_TIMES: f64 = 200.0;
const STEPS_FROM: f64 = 10.0;
const STEP: f64 = 5.0;

/// About how many times a photo is too dark whose brightest part has `level`, as a person would say it.
pub(super) fn times_too_dark(level: f64) -> f64 {
    let factor = (WANTED_LEVEL / level.max(1e-3)).clamp(1.0, MOST_TIMES);
    if factor < STEPS_FROM {
        factor.round()
    } else {
        (factor / STEP).round() * STEP
    }
}

/// Up to which share of the lit spectrum at the ceiling a photo is so many times too bright, and how many beyond the last…
const TIMES_BY_SHARE: [(f64, f64); 3] = [(0.1, 2.0), (0.35, 3.0), (0.55, 5.0)];
const TIMES_BY_MOST: f64 = 8.0;
/// …and up to which share of a line's width at half height.
const TIMES_BY_LINE: [(f64, f64); 2] = [(0.5, 2.0), (0.8, 3.0)];
const TIMES_BY_WIDEST: f64 = 5.0;

/// About how many times a photo is too bright, of which `share` of the lit spectrum is at the ceiling, and `line` of the
/// width at half height of a line.
///
/// How far over the ceiling a clipped place was cannot be seen. A peak of Gaussian shape that is 2, 4 or 8 times too high is
/// at the ceiling over 0.4, 0.55 or 0.65 of what it lights (down to a twentieth of the ceiling), and over 1, 1.4 or 1.7 of its
/// width at half height; between narrow lines and the feet of real ones it is less. The factor brings the peak below the
/// ceiling, not just to it.
pub(super) fn times_too_bright(share: f64, line: f64) -> f64 {
    let times = |steps: &[(f64, f64)], at: f64, beyond: f64| {
        let step = steps.iter().find(|(below, _)| at < *below);
        step.map_or(beyond, |(_, times)| *times)
    };
    times(&TIMES_BY_SHARE, share, TIMES_BY_MOST).max(times(&TIMES_BY_LINE, line, TIMES_BY_WIDEST))
}
