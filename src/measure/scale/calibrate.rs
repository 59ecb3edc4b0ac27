//! The scale that the lines of one lamp give: found by pattern, fitted, and tested against every other assignment of the
//! lines before it is believed.

use crate::measure::light::lineshape::LineShape;
use crate::measure::scale::lamp_picture::{
    LEAST_CLEAR_SCORE, LampPicture, Refusal, WIDEST_LINE_NM,
};
use crate::measure::scale::precise::precise;
use crate::measure::scale::recognise::{n_placed, seen_at};
use crate::terms::{Calibration, Lamp, LineUse, Optics};

/// A scale and what it rests on.
pub struct Found {
    /// The scale.
    pub calibration: Calibration,
    /// Line shape at the clearest line, where one is clear.
    pub shape: Option<LineShape>,
    /// Agreement with the lamp's pattern, −1…1.
    pub score: f64,
}

/// Why a lamp gives no scale, and how well the lines agree with its pattern, −1…1.
pub struct Refused {
    /// Why.
    pub why: Refusal,
    /// Agreement of the best candidate; −1 where there is none.
    pub agreement: f64,
}

/// Least agreement with the lamp's pattern that is believed, −1…1. Right lamps give 0.03 to 0.7, wrong ones below −0.2.
const LEAST_SCORE: f64 = 0.0;
/// Seen at a coarse bandpass, or where tables and tubes differ, the heights agree less: then it is enough that no other scale
/// comes near, by so much…
const CLEAR_MARGIN: f64 = 0.3;
/// …or that so many lines are in their places on one side…
const MANY_LINES: usize = 8;
/// …or that so many stand in both orders, and all that are fitted within this of their places, nm: a phone and a disc as they may be
/// leave wrong lines no such scale.
const MANY_IN_BOTH: usize = 3;
const IN_PLACE_NM: f64 = 0.15;
/// Fits of one line or blend differ by less than this between the orders, nm.
const SAME_NM: f64 = 0.5;
/// A scale must agree better by this than the next one that puts the lines elsewhere: right ones lead by 0.1 and more (drawn
/// photos).
const LEAST_MARGIN: f64 = 0.06;
/// So many candidates are told in the log.
const TOLD: usize = 3;
/// Two models differ where they put light elsewhere by more than this, nm…
const ELSEWHERE_NM: f64 = 1.2;
/// …at one of these wavelengths, nm.
const COMPARED_NM: [f64; 3] = [440.0, 550.0, 610.0];

/// Fits the scale of `lamp`.
///
/// # Errors
/// Where no lines stand out, they do not make the lamp's pattern, too few are clear, or two scales fit them nearly alike.
pub fn calibrate(
    picture: &LampPicture,
    lamp: &Lamp,
    log: &mut Vec<String>,
) -> Result<Found, Refused> {
    let unlike_any = |why: String| Refused {
        why: Refusal::FewLines(why),
        agreement: -1.0,
    };
    if picture.sides.is_empty() {
        return Err(unlike_any("no lines stand out".into()));
    }
    if picture.typical_fwhm_nm > WIDEST_LINE_NM {
        return Err(unlike_any(format!(
            "what stands out is {:.0} nm wide, and that is no line",
            picture.typical_fwhm_nm
        )));
    }
    let candidates = picture.candidates(lamp);
    for c in candidates.iter().take(TOLD) {
        log.push(format!(
            "lamp pattern {}: agreement {:.3} with focal length {:.0} px, yaw {:.2}°, k1 {:.4}",
            lamp.name,
            c.score,
            c.optics.focal_px,
            c.optics.yaw_rad.to_degrees(),
            c.optics.k1
        ));
    }
    let Some(best) = candidates.first() else {
        return Err(unlike_any("the lamp's pattern is nowhere in it".into()));
    };
    // The runner-up: another set of lines that the picture would fit nearly as well is a reason to say no.
    let signs: Vec<f64> = picture.sides.iter().map(|s| s.sign).collect();
    let rival = candidates
        .iter()
        .skip(1)
        .find(|c| differs(&c.optics, &best.optics, &picture.base, &signs));
    let margin = rival.map_or(1.0, |r| best.score - r.score);
    let is_clear = margin > CLEAR_MARGIN || n_placed(&best.pairs) >= MANY_LINES;
    let refused = |why: Refusal| Refused {
        why,
        agreement: best.score,
    };
    let unlike = |least: f64| {
        refused(Refusal::FewLines(format!(
            "the lines do not make the pattern of {}: agreement {:.2}, {least:.2} is needed",
            lamp.title, best.score
        )))
    };
    if best.score < LEAST_CLEAR_SCORE {
        return Err(unlike(LEAST_CLEAR_SCORE));
    }
    let (mut calibration, shape) = precise(picture, lamp, &best.optics, log).map_err(refused)?;
    if best.score < LEAST_SCORE && !is_clear && !are_in_place(&calibration.lines) {
        return Err(unlike(LEAST_SCORE));
    }
    calibration.margin = margin;
    if calibration.margin < LEAST_MARGIN {
        return Err(refused(Refusal::PoorFit(format!(
            "two scales fit nearly alike (agreement {:.2} and {:.2})",
            best.score,
            rival.map_or(0.0, |r| r.score)
        ))));
    }
    Ok(Found {
        calibration,
        shape,
        score: best.score,
    })
}

/// True where many of the lines stand in both orders, and all in their places.
fn are_in_place(lines: &[LineUse]) -> bool {
    let used = || lines.iter().filter(|l| l.used);
    let in_both = |line: &&LineUse| {
        used().any(|l| {
            l.order == -line.order && (l.wavelength_nm - line.wavelength_nm).abs() < SAME_NM
        })
    };
    used().filter(|l| l.order > 0).filter(in_both).count() >= MANY_IN_BOTH
        && used().all(|l| l.residual_nm.abs() < IN_PLACE_NM)
}

/// True where a model puts the middle of the spectrum elsewhere than another by more than a nanometre, in the orders of
/// these signs.
pub fn differs(a: &Optics, b: &Optics, base: &Optics, signs: &[f64]) -> bool {
    let binned = base.rays();
    signs.iter().any(|sign| {
        COMPARED_NM.iter().any(|nm| {
            let at = |o: &Optics| seen_at(&o.rays(), &binned, sign * nm);
            match (at(a), at(b)) {
                (Some(x), Some(y)) => (x - y).abs() > ELSEWHERE_NM,
                _ => true,
            }
        })
    })
}
