//! What a session's lamp photos show of a bench's instrument, with what may differ from session to session by chance. What phone, lens
//! and disc do alike to all photos of a bench takes no part in it: that makes a number uncertain, and no change of it.

use crate::answers::drift;
use crate::publish::numbers;
use crate::publish::record::Record;
use crate::terms::{Estimate, Quantity};

/// By what share lamp photos of one instrument differ in the width of its slit, in that of the slit's own image and in their bandpass:
/// standard deviations of one photo (24 drawn ones of two instruments, each laid, focused and lit anew: 0.23, 0.06 and 0.14; pairs of
/// six benches that another hand drew: 0.14 and 0.11 of the first and the last).
const SLIT_SHARE: f64 = 0.25;
const IMAGE_SHARE: f64 = 0.07;
const BANDPASS_SHARE: f64 = 0.15;
/// The same of the sampling: how the phone lies on the disc (drawn: 0.002), and where its autofocus stands.
const SAMPLING_SHARE: f64 = 0.005;
/// By so much sessions differ whose photos were taken alike, such as by a lamp that stands elsewhere (common practice, no source).
const SESSION_SHARE: f64 = 0.05;
/// A phone that is laid down for another session lies turned by so much, standard deviation, degrees (common practice, no source).
const LAID_DEG: f64 = 0.5;
/// A slit counts as another one from this factor on; what widens it by less from one session to the next is wear.
const ANOTHER_SLIT: f64 = 1.3;
/// The disc sits otherwise where the sampling differs by this share from one session to the next: a phone that lies three millimetres
/// aside makes 0.012 of it, autofocus a hundredth. A disc seated anew by a degree makes 0.02.
const ANOTHER_SAMPLING_SHARE: f64 = 0.025;
/// Pictures whose middle lies elsewhere by this share are of other sizes, and their samplings cannot be compared.
const OTHER_PICTURE_SHARE: f64 = 0.05;

/// A session's numbers to be held against those of others.
#[derive(Clone, Copy, Debug, Default)]
pub struct Own {
    /// Natural logarithm of the slit's width in µm.
    slit_ln: Option<Estimate>,
    /// Natural logarithm of the width of the slit's own image in px.
    image_ln: Option<Estimate>,
    /// Tilt without its sign, degrees.
    tilt_deg: Option<Estimate>,
    /// Natural logarithm of the bandpass in nm.
    bandpass_ln: Option<Estimate>,
    /// Natural logarithm of the sampling in nm/px.
    sampling_ln: Option<Estimate>,
    /// Natural logarithm of how far the picture's middle lies from its corner, px.
    middle_ln: Option<f64>,
}

impl Own {
    /// What the usable lamp photos of a session's last build, and the middle one of its tilts, say of the instrument.
    pub(super) fn of(lamps: &[&Record], tilt: Option<Estimate>) -> Own {
        let ln = |quantity: Quantity, share: f64| {
            let values = lamps.iter().filter_map(|r| r.metrics.value(quantity));
            let values: Vec<Estimate> = values
                .filter(|v| *v > 0.0)
                .map(|v| Estimate::new(v.ln(), share))
                .collect();
            drift::middle(&values)
        };
        let of_sessions = |e: Estimate, share: f64| Estimate::new(e.value, e.sigma.hypot(share));
        let mut middles = lamps.iter().rev().filter_map(|r| {
            let optics = &r.calibration.as_ref()?.model.as_ref()?.optics;
            Some((optics.centre_px.x + optics.centre_px.y).ln())
        });
        Own {
            slit_ln: ln(Quantity::SlitWidthUm, SLIT_SHARE).map(|e| of_sessions(e, SESSION_SHARE)),
            image_ln: ln(Quantity::SlitImagePx, IMAGE_SHARE).map(|e| of_sessions(e, SESSION_SHARE)),
            tilt_deg: tilt.map(|e| of_sessions(e, LAID_DEG)),
            bandpass_ln: ln(Quantity::BandpassNm, BANDPASS_SHARE)
                .map(|e| of_sessions(e, SESSION_SHARE)),
            sampling_ln: ln(Quantity::NmPerPx, SAMPLING_SHARE),
            middle_ln: middles.next(),
        }
    }

    /// True where there is something that tells a build from another.
    pub(super) fn is_known(&self) -> bool {
        self.slit_ln.is_some() || self.sampling_ln.is_some()
    }

    /// What has been rebuilt since an earlier session, in words; of slit and disc only the slit where the disc is known to sit otherwise.
    pub(super) fn rebuilt_since(&self, before: &Own, is_other_disc: bool) -> Vec<String> {
        let is_same_size = match (before.middle_ln, self.middle_ln) {
            (Some(a), Some(b)) => (a - b).abs() < OTHER_PICTURE_SHARE,
            _ => true,
        };
        let slit = Compared {
            what: "the slit",
            unit: "µm",
            least_ln: ANOTHER_SLIT.ln(),
        };
        let image = Compared {
            what: "the slit's image",
            unit: "px",
            ..slit
        };
        let sampling = Compared {
            what: "the sampling",
            unit: "nm/px, so that disc, slit or phone sit otherwise",
            least_ln: ANOTHER_SAMPLING_SHARE,
        };
        let mut said = vec![slit.changed(before.slit_ln, self.slit_ln)];
        if is_same_size {
            said.push(image.changed(before.image_ln, self.image_ln));
        }
        if is_same_size && !is_other_disc {
            said.push(sampling.changed(before.sampling_ln, self.sampling_ln));
        }
        said.into_iter().flatten().collect()
    }

    /// Width of the slit's own image, px.
    pub(super) fn image_px(&self) -> Option<Estimate> {
        self.image_ln.map(in_unit)
    }
}

/// A number that tells a build from another.
#[derive(Clone, Copy)]
struct Compared {
    what: &'static str,
    /// Its unit, and what follows.
    unit: &'static str,
    /// A change by less, of its natural logarithm, makes no other build.
    least_ln: f64,
}

impl Compared {
    /// The change from one session's logarithm to another's, in words; absent where it is none that makes another build.
    fn changed(&self, before: Option<Estimate>, after: Option<Estimate>) -> Option<String> {
        let (before, after) = before.zip(after)?;
        let is_another =
            drift::is_another(before, after) && (after.value - before.value).abs() > self.least_ln;
        let of = |e: Estimate| numbers::plus_minus(in_unit(e));
        is_another.then(|| {
            format!(
                "{} from {} to {} {}",
                self.what,
                of(before),
                of(after),
                self.unit
            )
        })
    }
}

/// A number in its unit, from its logarithm.
fn in_unit(ln: Estimate) -> Estimate {
    let value = ln.value.exp();
    Estimate::new(value, value * ln.sigma)
}

/// By how much slit (µm), its image (px), tilt (°) and bandpass (nm) rise a session, from the sessions of one build with their places; all but
/// the tilt by a share of what they are at the last.
pub(super) fn rises(sessions: &[(f64, &Own)]) -> [Option<Estimate>; 4] {
    let rise = |of: &dyn Fn(&Own) -> Option<Estimate>| {
        let values: Vec<(f64, Estimate)> = sessions
            .iter()
            .filter_map(|(place, own)| Some((*place, of(own)?)))
            .collect();
        Some((drift::per_step(&values)?, values.last()?.1))
    };
    let by_share = |of: &dyn Fn(&Own) -> Option<Estimate>| {
        let (share, last) = rise(of)?;
        Some(share.scaled(last.value.exp()))
    };
    [
        by_share(&|own| own.slit_ln),
        by_share(&|own| own.image_ln),
        rise(&|own| own.tilt_deg).map(|(rise, _)| rise),
        by_share(&|own| own.bandpass_ln),
    ]
}
