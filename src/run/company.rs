//! The other photos that a photo is made from: its scale among the lamp photos, its blank's spectrum, its phone's tone curve
//! from a bracket. Each is read again and measured on the scale in use.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::answers::bracket::{Curve, curve, levels_of};
use crate::classify::{self, Outcome};
use crate::decode::Facts;
use crate::measure::{ScaleKind, Spectrum};

use super::lab::{Lab, Scale};
use super::raw;
use super::read::Gone;
use super::work::Input;

/// So many blanks and shots of brackets are kept; a class has a few.
const MAX_BLANKS: usize = 64;

/// The other photos that pairing chose for one.
#[derive(Clone, Copy, Default)]
pub(super) struct Company<'a> {
    pub calibrations: &'a [Input],
    pub blanks: &'a [Input],
    pub darks: &'a [Input],
    pub brackets: &'a [Input],
}

impl Lab {
    /// The blank's spectrum on the sample's scale.
    pub(super) fn blank_spectrum(
        &self,
        blank: &Input,
        scale: Option<&Scale>,
        curve: Option<&(String, Curve)>,
    ) -> Result<Arc<Option<Spectrum>>, Gone> {
        let key = (
            blank.hash.clone(),
            scale.map_or_else(String::new, |s| s.hash.to_owned()),
            curve.map_or_else(String::new, |(name, _)| name.clone()),
        );
        if let Some(known) = self.blanks.lock().ok().and_then(|b| b.get(&key).cloned()) {
            return Ok(known);
        }
        let bytes = blank.bytes()?;
        let spectrum = match (
            &blank.decision.outcome,
            raw::decode(&bytes, self.settings.work.max_pixels()),
        ) {
            (classify::Outcome::Measure(purpose), Ok((facts, frame))) => {
                let frame = match curve {
                    Some((_, curve)) => frame.retoned(|level| curve.light(level)),
                    None => frame,
                };
                let m = self.measure_frame(&frame, &facts, purpose, scale);
                (m.scale_kind == Some(ScaleKind::Calibrated))
                    .then_some(m.spectrum)
                    .flatten()
            }
            _ => None,
        };
        let spectrum = Arc::new(spectrum);
        if let Ok(mut blanks) = self.blanks.lock() {
            if blanks.len() >= MAX_BLANKS {
                blanks.clear();
            }
            blanks.insert(key, spectrum.clone());
        }
        Ok(spectrum)
    }

    /// Spectrum of one shot of a bracket on a scale, and its exposure.
    pub(super) fn bracket_shot(
        &self,
        shot: &Input,
        scale: Option<&Scale>,
    ) -> Result<Option<(Spectrum, f64)>, Gone> {
        let Some(exposure) = shot.facts.exposure_product() else {
            return Ok(None);
        };
        let spectrum = self.blank_spectrum(shot, scale, None)?;
        Ok(spectrum.as_ref().clone().map(|s| (s, exposure)))
    }

    /// The scale to use among the lamp photos that pairing allows: of several the surest. A lamp photo taken with
    /// another phone, or at another picture size, is another instrument.
    pub fn choose_scale<'a>(
        &self,
        inputs: &'a [Input],
        facts: &Facts,
        remarks: &mut Vec<String>,
    ) -> Option<Scale<'a>> {
        let mut best: Option<(f64, Scale<'a>)> = None;
        for input in inputs {
            let Some(model) = input
                .record
                .calibration
                .as_ref()
                .and_then(|c| c.model.as_ref())
            else {
                continue;
            };
            if let Some(why) = another_instrument(&input.facts, facts) {
                remarks.push(format!("{} is not used for the scale: {why}", input.photo));
                continue;
            }
            let sigma = input
                .record
                .metrics
                .get("wavelength_sigma_nm")
                .copied()
                .unwrap_or(f64::MAX);
            if best.as_ref().is_none_or(|(s, _)| sigma < *s) {
                let scale = Scale {
                    photo: &input.photo,
                    hash: &input.hash,
                    calibration: model,
                    record: &input.record,
                };
                best = Some((sigma, scale));
            }
        }
        best.map(|(_, scale)| scale)
    }

    /// The phone's tone curve from the shots of a bracket, with a name for what it was made from.
    ///
    /// Without a bracket, and with one that gives no curve (which is said), sRGB's holds.
    pub(super) fn tone_curve(
        &self,
        brackets: &[Input],
        facts: &Facts,
        scale: Option<&Scale>,
        remarks: &mut Vec<String>,
    ) -> Result<Option<(String, Curve)>, Gone> {
        let mut levels = Vec::new();
        let mut exposures = Vec::new();
        let mut name = scale.map_or_else(String::new, |s| s.hash.to_owned());
        // Shots of different lamps are different scenes: they share the curve and no place.
        let mut scenes: BTreeMap<&str, usize> = BTreeMap::new();
        for shot in brackets {
            if another_instrument(&shot.facts, facts).is_some() {
                continue;
            }
            let Some((spectrum, exposure)) = self.bracket_shot(shot, scale)? else {
                continue;
            };
            let group = match &shot.decision.outcome {
                Outcome::Measure(p) => p.groups.get("scene").map_or("", |s| s),
                Outcome::Ignore { .. } => "",
            };
            let n = scenes.len();
            let scene = *scenes.entry(group).or_insert(n);
            levels.extend(levels_of(&spectrum, scene, exposures.len()));
            exposures.push(exposure);
            name += &shot.hash;
        }
        if exposures.is_empty() {
            return Ok(None);
        }
        match curve(&levels, &exposures) {
            Ok(found) => {
                remarks.push(format!(
                    "tone curve from a bracket of {} shots: up to {:.0} % from sRGB between {:.3} and {:.2} of full scale, {:.1} % left over",
                    exposures.len(),
                    100.0 * (found.departure - 1.0),
                    found.reach.0,
                    found.reach.1,
                    100.0 * found.rms
                ));
                Ok(Some((name, found)))
            }
            Err(refusal) => {
                remarks.push(format!("tone curve: sRGB's is used; bracket: {refusal}"));
                Ok(None)
            }
        }
    }
}

/// Why a lamp photo cannot speak for a photo, if it cannot.
fn another_instrument(lamp: &Facts, photo: &Facts) -> Option<String> {
    let size = |f: &Facts| (f.width.max(f.height), f.width.min(f.height));
    if let (Some(a), Some(b)) = (&lamp.model, &photo.model)
        && a != b
    {
        return Some(format!("it was taken with a {a}, this photo with a {b}"));
    }
    if lamp.width > 0 && photo.width > 0 && size(lamp) != size(photo) {
        let ((a, b), (c, d)) = (size(lamp), size(photo));
        return Some(format!(
            "it has {a} × {b} pixels, this photo {c} × {d}: set the phone to one picture size"
        ));
    }
    None
}
