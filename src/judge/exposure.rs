//! Exposures in words, and how many times a photo is too bright or too dark.

use crate::decode::Facts;

/// Exposure time as a camera shows it: `1/250 s`, `0.5 s`.
pub fn exposure_time(seconds: f64) -> String {
    if seconds >= 0.3 {
        format!("{seconds:.1} s")
    } else {
        format!("1/{:.0} s", 1.0 / seconds)
    }
}

/// The photo's exposure with its time multiplied by `factor`, as one sets it; absent where the file does not state it, or where no
/// camera can be set so.
pub(super) fn text(facts: &Facts, factor: f64) -> Option<String> {
    let time = facts.exposure_s? * factor;
    (time > 1e-5 && time < 30.0).then(|| match facts.iso {
        Some(iso) => format!("{} at ISO {iso:.0}", exposure_time(time)),
        None => exposure_time(time),
    })
}

/// The level that the brightest part of a well exposed spectrum has, share of full scale.
const WANTED_LEVEL: f64 = 0.6;

/// About how many times a photo is too dark whose brightest part has `level`, as a person would say it.
pub(super) fn times_too_dark(level: f64) -> f64 {
    let factor = (WANTED_LEVEL / level.max(1e-3)).clamp(1.0, 200.0);
    if factor < 10.0 {
        factor.round()
    } else {
        (factor / 5.0).round() * 5.0
    }
}

/// About how many times a photo is too bright, of which `share` of the lit spectrum is at the ceiling, and `line` of the
/// width at half height of a line.
///
/// How far over the ceiling a clipped place was cannot be seen. A peak of Gaussian shape that is 2, 4 or 8 times too high is
/// at the ceiling over 0.4, 0.55 or 0.65 of what it lights (down to a twentieth of the ceiling), and over 1, 1.4 or 1.7 of its
/// width at half height; between narrow lines and the feet of real ones it is less. The factor brings the peak below the
/// ceiling, not just to it.
pub(super) fn times_too_bright(share: f64, line: f64) -> f64 {
    let by_share: f64 = match share {
        s if s < 0.1 => 2.0,
        s if s < 0.35 => 3.0,
        s if s < 0.55 => 5.0,
        _ => 8.0,
    };
    let by_line: f64 = match line {
        l if l < 0.5 => 2.0,
        l if l < 0.8 => 3.0,
        _ => 5.0,
    };
    by_share.max(by_line)
}
