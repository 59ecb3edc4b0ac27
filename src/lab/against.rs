//! Which companions of a photo serve: the scale among the lamp photos, the shots of a bracket that show the phone's tone curve,
//! the blank and the dark.

use std::sync::Arc;

use crate::answers::bracket::Curve;
use crate::decode::Facts;
use crate::measure::optics::instrument;
use crate::terms::{Capture, Spectrum, Verdict};

use super::companions::{Companion, Company, Scale};
use super::tone::Tone;

/// Two pictures are shaped alike where short × long side of one and long × short side of the other differ by no more than
/// one part in so many: copies are rounded to whole pixels.
const SHAPED_ALIKE: usize = 50;

/// What a photo is measured, corrected and compared by.
#[derive(Default)]
pub struct Against<'a> {
    /// The scale.
    pub scale: Option<Scale<'a>>,
    /// How the picture was cut down before it was sent, if it was.
    pub cut: Option<String>,
    /// Shots of a bracket taken with this phone, of known exposure: they show its tone curve.
    pub shots: Vec<&'a Companion>,
    /// The blank, of several the one nearest in time.
    pub blank: Option<&'a Companion>,
    /// Its repeats: photos of the same light at the same exposure.
    pub repeats: Vec<&'a Companion>,
    /// A blank that does not serve, because it is to be taken again.
    pub spoilt: Option<&'a Companion>,
    /// The dark.
    pub dark: Option<&'a Companion>,
    /// Other photos of the bench, of tubes that are known for what they are and measured on the same scale.
    pub witnesses: Vec<&'a Companion>,
    /// The tone curve that `shots` show, once their spectra are known.
    pub tone: Option<Arc<Tone>>,
    /// The blank's spectrum on this scale and through this tone curve, once it is known and where it has one.
    pub blank_spectrum: Option<Arc<Spectrum>>,
    /// The same of its repeats that have one, by their paths.
    pub repeat_spectra: Vec<(&'a Companion, Arc<Spectrum>)>,
    /// For people: what does not serve, and why.
    pub remarks: Vec<String>,
}

impl<'a> Against<'a> {
    /// Chooses among the companions of a photo of these facts, taken for `capture`.
    pub fn choose(company: &'a Company, facts: &Facts, capture: Capture) -> Against<'a> {
        let mut remarks = Vec::new();
        let scale = match capture {
            Capture::Calibration | Capture::Dark => None,
            _ => choose_scale(&company.calibrations, facts, &mut remarks),
        };
        let is_light = matches!(capture, Capture::Blank | Capture::Sample);
        let cut = match scale {
            None if is_light => cut_down(&company.calibrations, facts),
            _ => None,
        };
        let serves = |shot: &&Companion| {
            is_light
                && shot.facts.exposure_product().is_some()
                && another_instrument(&shot.facts, facts).is_none()
        };
        let (spoilt, blanks): (Vec<&Companion>, Vec<&Companion>) = company
            .blanks
            .iter()
            .filter(|_| capture == Capture::Sample)
            .partition(|blank| blank.record.verdict == Verdict::Retake);
        // The first by path where no times are known.
        let blank = blanks
            .iter()
            .copied()
            .min_by_key(|blank| away_ms(&blank.facts, facts));
        let is_another = |other: &&Companion| blank.is_some_and(|blank| blank.photo != other.photo);
        Against {
            scale,
            cut,
            shots: company.brackets.iter().filter(serves).collect(),
            blank,
            repeats: blanks.iter().copied().filter(is_another).collect(),
            spoilt: spoilt.first().copied(),
            dark: company.darks.first().filter(|_| blank.is_some()),
            witnesses: company
                .witnesses
                .iter()
                .filter(|_| scale.is_some())
                .collect(),
            remarks,
            ..Against::default()
        }
    }

    /// The phone's own tone curve. Without one sRGB's holds.
    pub fn curve(&self) -> Option<&Curve> {
        self.tone.as_ref()?.curve()
    }
}

/// How far apart two photos were taken, ms; as far as can be where either does not say when.
fn away_ms(a: &Facts, b: &Facts) -> i128 {
    match (a.taken, b.taken) {
        (Some(a), Some(b)) => a.duration_since(b).abs().as_millis(),
        _ => i128::MAX,
    }
}

/// The scale to use among the lamp photos that pairing allows: of several the surest, of those that show the same build of
/// the instrument as the one nearest in time. A lamp photo taken with another phone, or at another picture size, is another
/// instrument.
fn choose_scale<'a>(
    lamps: &'a [Companion],
    facts: &Facts,
    remarks: &mut Vec<String>,
) -> Option<Scale<'a>> {
    let mut candidates = Vec::new();
    for lamp in lamps {
        let calibration = lamp.record.calibration.as_ref();
        let Some(model) = calibration.and_then(|c| c.model.as_ref()) else {
            continue;
        };
        match another_instrument(&lamp.facts, facts) {
            Some(why) => remarks.push(format!("{} is not used for the scale: {why}", lamp.photo)),
            None => candidates.push((lamp, model)),
        }
    }
    let (_, nearest) = *candidates
        .iter()
        .min_by_key(|(lamp, _)| away_ms(&lamp.facts, facts))?;
    candidates.retain(|(lamp, model)| {
        let jumps = instrument::jumps(nearest, model);
        if !jumps.is_empty() {
            remarks.push(format!(
                "{} is not used for the scale: it shows another build of the instrument, {} apart from the lamp photo nearest in time",
                lamp.photo,
                jumps.join(", ")
            ));
        }
        jumps.is_empty()
    });
    let sigma_nm = |lamp: &Companion| lamp.record.scale_sigma_nm().unwrap_or(f64::MAX);
    let (lamp, calibration) = candidates
        .into_iter()
        .min_by(|(a, _), (b, _)| sigma_nm(a).total_cmp(&sigma_nm(b)))?;
    Some(Scale {
        photo: &lamp.photo,
        hash: &lamp.hash,
        calibration,
    })
}

/// The longer and the shorter side of a picture, px, however it was held.
fn sides(facts: &Facts) -> (usize, usize) {
    let (a, b) = (facts.width, facts.height);
    (a.max(b), a.min(b))
}

/// How a photo was cut down from what its bench's lamp photos are, if it was: whoever cuts a picture cuts its spectrum, and
/// nobody knows any more where the lens's axis was. A copy that is smaller, and whole, is another matter.
fn cut_down(lamps: &[Companion], photo: &Facts) -> Option<String> {
    let (long, short) = sides(photo);
    lamps.iter().find_map(|lamp| {
        let (whole_long, whole_short) = sides(&lamp.facts);
        let alike = lamp.facts.model.is_some() && lamp.facts.model == photo.model;
        let smaller = long > 0 && long <= whole_long && short <= whole_short;
        let is_copy = (short * whole_long).abs_diff(long * whole_short)
            <= whole_short * whole_long / SHAPED_ALIKE;
        (alike && smaller && !is_copy).then(|| {
            format!("the picture was cut to {long} × {short} pixels, the lamp photo has {whole_long} × {whole_short}")
        })
    })
}

/// Why a lamp photo cannot speak for a photo, if it cannot.
fn another_instrument(lamp: &Facts, photo: &Facts) -> Option<String> {
    if let (Some(a), Some(b)) = (&lamp.model, &photo.model)
        && a != b
    {
        return Some(format!("it was taken with a {a}, this photo with a {b}"));
    }
    let ((a, b), (c, d)) = (sides(lamp), sides(photo));
    (lamp.width > 0 && photo.width > 0 && (a, b) != (c, d)).then(|| {
        format!("it has {a} × {b} pixels, this photo {c} × {d}: set the phone to one picture size")
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::{Decision, Outcome};

    #[test]
    fn a_picture_is_cut_where_its_sides_are_others_and_a_smaller_copy_is_not() {
        let sized = |width, height| Facts {
            model: Some("Tern 3".to_owned()),
            width,
            height,
            ..Facts::default()
        };
        let lamps = [Companion {
            photo: "lamp-01.jpg".to_owned(),
            hash: String::new(),
            facts: Arc::new(sized(4032, 3024)),
            decision: Arc::new(Decision {
                rule: String::new(),
                outcome: Outcome::Ignore {
                    bench: "heron".to_owned(),
                    why: String::new(),
                },
                passed_over: Vec::new(),
                basis: Default::default(),
            }),
            record: Arc::default(),
        }];
        let cut = |facts: &Facts| cut_down(&lamps, facts).is_some();
        assert!(cut(&sized(4032, 2268)) && cut(&sized(2444, 3024)));
        // Held upright, halved, larger, of another phone.
        assert!(!cut(&sized(3024, 4032)) && !cut(&sized(2016, 1512)) && !cut(&sized(8064, 6048)));
        let other = Facts {
            model: Some("Skua".to_owned()),
            ..sized(4032, 2268)
        };
        assert!(!cut(&other));
    }
}
