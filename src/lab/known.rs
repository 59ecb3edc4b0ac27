//! Lines of tubes that are known for what they are: what a photo's own say of its bench's scale, and what other photos' say of a
//! photo's.

use crate::answers::shift::placed;
use crate::measure::portrait::CLEARLY;
use crate::measure::scale::refine::Refined;
use crate::publish::record::Answers;
use crate::terms::{
    Estimate, KnownLine, Lamp, LampLine, Measurement, Peak, PeakKind, Quantity, ScaleKind, sorted,
};

use super::against::Against;

/// A tube is known for what it is from this score on, 0…1.
const SURE: f64 = 0.8;
/// A table with a row wider than this, nm, is of a lamp with bands, in which lines lean on one another.
const NARROW_NM: f64 = 2.0;
/// A line is by itself where no other of the tube lies within so many bandpasses…
const PARTED: f64 = 1.5;
/// …that has more than this share of its strength.
const FAINT_SHARE: f64 = 0.1;
/// So many lines tell a scale that is off from a phone that lay elsewhere.
const LEAST_LINES: usize = 2;
/// Of so many lines this share at least are one line each (drawn photos of neon, which has more lines beside each other than any other
/// tube; what blends leave of a line is narrower than it, so not the narrowest of all), known to this share.
const MANY_LINES: usize = 8;
const SOME_ALONE: f64 = 0.3;
const SOME_ALONE_SHARE: f64 = 0.2;
/// Wavelengths at which people are told how far the scale was moved, nm.
const TOLD_NM: [f64; 3] = [450.0, 550.0, 650.0];
/// Less than this is not worth telling, nm.
const TOLD_FROM_NM: f64 = 0.005;

/// What a photo's own lines say of the scale that it was measured on; nothing where it is no tube's, or not surely.
pub(super) fn known_lines(m: &Measurement, answers: &Answers, lamps: &[Lamp]) -> Vec<KnownLine> {
    let sign = m.order.map(f64::from);
    let Some(sign) = sign.filter(|_| m.scale_kind == Some(ScaleKind::Calibrated)) else {
        return Vec::new();
    };
    let line = |(line, peak): (&LampLine, &Peak)| KnownLine {
        path_nm: sign * line.wavelength_nm,
        off_nm: sign * (peak.centre_nm.value - line.wavelength_nm),
        sigma_nm: peak.own_sigma_nm.hypot(line.sigma_nm),
    };
    let alone = lines_alone(m, answers, lamps);
    let lines: Vec<KnownLine> = alone.into_iter().map(line).collect();
    if lines.len() < LEAST_LINES {
        return Vec::new();
    }
    lines
}

/// The lines of a tube that is surely known which stand by themselves, with the peaks that they are.
fn lines_alone<'a>(
    m: &'a Measurement,
    answers: &Answers,
    lamps: &'a [Lamp],
) -> Vec<(&'a LampLine, &'a Peak)> {
    let sure = answers.lamp.as_ref().filter(|lamp| lamp.score >= SURE);
    let bandpass_nm = m.metrics.value(Quantity::BandpassNm);
    let (Some(answer), Some(bandpass_nm)) = (sure, bandpass_nm) else {
        return Vec::new();
    };
    let is_it = |lamp: &&Lamp| lamp.name == answer.name;
    let all_narrow = |lamp: &&Lamp| lamp.lines.iter().all(|line| line.width_nm < NARROW_NM);
    let Some(tube) = lamps.iter().find(is_it).filter(all_narrow) else {
        return Vec::new();
    };
    let is_alone = |line: &LampLine| {
        let is_beside = |other: &&LampLine| {
            let apart_nm = (other.wavelength_nm - line.wavelength_nm).abs();
            let strong = other.strength > FAINT_SHARE * line.strength;
            apart_nm > 0.0 && apart_nm < PARTED * bandpass_nm && strong
        };
        !tube.lines.iter().any(|other| is_beside(&other))
    };
    placed(tube, &m.peaks, bandpass_nm)
        .into_iter()
        .filter(|(line, peak)| is_alone(line) && is_sound(peak))
        .collect()
}

/// How wide lines are seen, px, where that is clearly more than slit and blur explain: what explains them wrongly is the explanation.
/// Of a tube that is surely known the narrowest line counts that stands by itself. Of other lights nobody knows which do; where
/// there are many lines, some do.
pub(super) fn line_width_px(
    m: &Measurement,
    answers: &Answers,
    lamps: &[Lamp],
) -> Option<Estimate> {
    let alone = lines_alone(m, answers, lamps);
    let seen_nm = match alone.len() < LEAST_LINES {
        true => lower_width_nm(&m.peaks)?,
        false => {
            let widths = alone.iter().map(|(_, peak)| peak.fwhm_nm);
            widths.min_by(|a, b| a.value.total_cmp(&b.value))?
        }
    };
    let seen_px = seen_nm.scaled(1.0 / m.metrics.value(Quantity::NmPerPx)?);
    let explained = m.metrics.estimate(Quantity::LineWidthPx)?;
    let least_px = explained.value + CLEARLY * explained.sigma;
    (seen_px.value > least_px).then_some(seen_px)
}

/// The width that [`SOME_ALONE`] of many lines keep below, nm; absent where they are few.
fn lower_width_nm(peaks: &[Peak]) -> Option<Estimate> {
    let lines = peaks.iter().filter(|p| is_sound(p));
    let widths_nm = sorted(lines.map(|p| p.fwhm_nm.value));
    let at = (SOME_ALONE * widths_nm.len() as f64) as usize;
    let width_nm = *widths_nm.get(at)?;
    let is_many = widths_nm.len() >= MANY_LINES;
    is_many.then(|| Estimate::new(width_nm, SOME_ALONE_SHARE * width_nm))
}

fn is_sound(peak: &Peak) -> bool {
    peak.kind == PeakKind::Line && !peak.clipped
}

/// The known lines of other photos of the bench.
pub(super) fn of_others(against: &Against) -> Vec<KnownLine> {
    let photos = against.witnesses.iter();
    photos
        .flat_map(|photo| photo.record.known_lines.clone())
        .collect()
}

/// What the known lines of other photos say of the scale, and in words how far they move it; nothing where they say nothing.
pub(super) fn refined(m: &Measurement, against: &Against) -> Option<(Refined, String)> {
    let sign = f64::from(
        m.order
            .filter(|_| m.scale_kind == Some(ScaleKind::Calibrated))?,
    );
    let lines = against
        .witnesses
        .iter()
        .map(|photo| &photo.record.known_lines);
    let lines: Vec<&[KnownLine]> = lines.map(Vec::as_slice).collect();
    let refined = Refined::new(against.scale?.calibration, &lines)?;
    let moved = TOLD_NM.map(|nm| -sign * refined.off_nm(sign * nm));
    let told: Vec<String> = TOLD_NM
        .iter()
        .zip(moved)
        .filter(|(_, moved)| moved.abs() > TOLD_FROM_NM)
        .map(|(nm, moved)| format!("{moved:+.2} nm at {nm:.0} nm"))
        .collect();
    let n: usize = lines.iter().map(|lines| lines.len()).sum();
    let photos: Vec<&str> = against.witnesses.iter().map(|w| w.photo.as_str()).collect();
    let by = match told.is_empty() {
        true => "borne out".to_owned(),
        false => format!("moved by {}", told.join(", ")),
    };
    let words = format!(
        "the lamp photo's scale was {by}, by {n} known lines of {}",
        photos.join(", ")
    );
    Some((refined, words))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::publish::record::LampAnswer;
    use crate::standards;

    /// A photo at 0.4 nm per pixel whose lines are explained as 6.8 ± 0.8 px wide, with lines of these widths, nm.
    fn measured(lines: &[(f64, f64)]) -> Measurement {
        let mut m = Measurement::default();
        m.metrics.set(Quantity::NmPerPx, 0.4);
        m.metrics.set(Quantity::BandpassNm, 5.6);
        m.metrics
            .note(Quantity::LineWidthPx, Estimate::new(6.8, 0.8));
        let line = |&(nm, fwhm_nm): &(f64, f64)| Peak {
            centre_nm: Estimate::new(nm, 0.05),
            own_sigma_nm: 0.05,
            instrument_sigma_nm: 0.05,
            fwhm_nm: Estimate::new(fwhm_nm, 0.05 * fwhm_nm),
            height: Estimate::new(0.2, 0.001),
            area: Estimate::new(1.0, 0.01),
            kind: PeakKind::Line,
            clipped: false,
            name: String::new(),
        };
        m.peaks = lines.iter().map(line).collect();
        m
    }

    fn known_as(name: &str) -> Answers {
        Answers {
            lamp: Some(LampAnswer {
                name: name.to_owned(),
                score: 0.95,
                runner_up: "unknown".to_owned(),
                runner_up_score: 0.05,
            }),
            ..Answers::default()
        }
    }

    #[test]
    fn lines_that_stand_alone_are_as_wide_as_they_are_seen_and_of_many_some_do() {
        let lamps = standards::lamps();
        let width_px = |lines: &[(f64, f64)], answers: &Answers| {
            line_width_px(&measured(lines), answers, &lamps).map(|px| px.value)
        };
        // Mercury's yellow pair is one line here, and says nothing (NIST ASD 5, nm in air; from memory).
        let mercury = |fwhm_nm| {
            let lines = [(435.83, fwhm_nm), (546.07, fwhm_nm), (578.1, 1.0)];
            width_px(&lines, &known_as("mercury"))
        };
        assert!((mercury(5.6).expect("wide") - 14.0).abs() < 1e-9);
        assert_eq!(mercury(2.6), None, "as it is explained");
        let few = [(435.83, 5.6), (546.07, 5.6)];
        assert_eq!(
            width_px(&few, &Answers::default()),
            None,
            "unknown, and few"
        );
        // Blends leave narrow remains of single lines.
        let many = |fwhm_nm: f64| -> Vec<(f64, f64)> {
            let width = |i: usize| if i < 2 { 1.0 } else { fwhm_nm };
            (0..10)
                .map(|i| (500.0 + 15.0 * i as f64, width(i)))
                .collect()
        };
        let seen = width_px(&many(4.8), &Answers::default());
        assert!((seen.expect("wide") - 12.0).abs() < 1e-9);
        assert_eq!(width_px(&many(3.0), &Answers::default()), None);
    }
}
