//! The tone curve of a phone, from the spectra of one scene at several exposures.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::answers::Refusal;
use crate::answers::bracket::{Curve, curve, levels_of};
use crate::publish::numbers;
use crate::publish::record::Remark;
use crate::terms::Spectrum;

use super::companions::Companion;

/// A tone curve, or why there is none.
pub struct Tone {
    n_shots: usize,
    curve: Result<Curve, Refusal>,
}

impl Tone {
    /// From the shots of a bracket and their spectra; `None` where no shot has both a spectrum and an exposure.
    pub fn of(shots: &[(&Companion, Arc<Spectrum>)]) -> Option<Tone> {
        let mut levels = Vec::new();
        let mut exposures = Vec::new();
        // Shots of different lamps are different scenes: they share the curve and no place.
        let mut scenes: BTreeMap<&str, usize> = BTreeMap::new();
        for (shot, spectrum) in shots {
            let Some(exposure) = shot.facts.exposure_product() else {
                continue;
            };
            let groups = shot.decision.purpose().map(|purpose| &purpose.groups);
            let group = groups.and_then(|groups| groups.get("scene"));
            let n = scenes.len();
            let scene = *scenes.entry(group.map_or("", |s| s)).or_insert(n);
            levels.extend(levels_of(spectrum, scene, exposures.len()));
            exposures.push(exposure);
        }
        (!exposures.is_empty()).then(|| Tone {
            n_shots: exposures.len(),
            curve: curve(&levels, &exposures),
        })
    }

    /// The curve, where the bracket gives one.
    pub fn curve(&self) -> Option<&Curve> {
        self.curve.as_ref().ok()
    }

    /// For people: what the photo was corrected with.
    pub(super) fn remark(&self) -> Remark {
        Remark::ToneCurve(match &self.curve {
            Ok(found) => format!(
                " from a bracket of {} shots: light {} to {} % off sRGB's between {:.3} and {:.2} of full scale, {:.1} % left over",
                self.n_shots,
                numbers::plain(100.0 * found.apart().0, 0),
                numbers::plain(100.0 * found.apart().1, 0),
                found.reach.low,
                found.reach.high,
                100.0 * found.rms
            ),
            Err(refusal) => format!(": sRGB's is used; bracket: {refusal}"),
        })
    }
}
