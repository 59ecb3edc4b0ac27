//! The other photos that a photo is made from: its scale among the lamp photos, its blank's spectrum, its phone's tone curve
//! from a bracket. Each is read again and measured on the scale in use.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::answers::Refusal;
use crate::answers::bracket::{Curve, curve, levels_of};
use crate::classify::Outcome;
use crate::decode::Facts;
use crate::measure::optics::instrument;
use crate::measure::photo::spectrum_only;
use crate::publish::numbers;
use crate::publish::record::TONE_REMARK;
use crate::terms::{Quantity, Spectrum, Subject, Unmeasured};

use super::lab::{Lab, Scale};
use super::raw;
use super::read::Gone;
use super::work::Input;

/// Rows of spectra that are kept, 80 bytes each: those of a blank and five shots for each of two hundred benches, at a step
/// of 1 nm, and 40 MB at most.
pub(super) const MOST_ROWS: usize = 500_000;
/// Tone curves that are kept: a phone has one, and one more for each new lamp photo.
pub(super) const MOST_TONES: usize = 1000;

/// A photo by its path and its bytes. The path stands for what the rules say of it: the same bytes on another bench, or
/// taken for something else, are measured otherwise.
type PhotoKey = (String, String);

/// What a blank's spectrum depends on, beside the configuration.
#[derive(Clone, PartialEq, Eq, Hash)]
pub(super) struct SpectrumKey {
    photo: PhotoKey,
    bench: String,
    scale: Option<PhotoKey>,
    tone: Option<ToneKey>,
}

impl SpectrumKey {
    fn of(photo: &Input, scale: Option<&Scale>, tone: Option<&ToneKey>) -> SpectrumKey {
        SpectrumKey {
            photo: key_of(photo),
            bench: bench_of(photo),
            scale: key_of_scale(scale),
            tone: tone.cloned(),
        }
    }
}

/// What a tone curve depends on.
#[derive(Clone, PartialEq, Eq, Hash)]
pub(super) struct ToneKey {
    bench: String,
    scale: Option<PhotoKey>,
    shots: Vec<PhotoKey>,
}

/// A tone curve, or why there is none.
pub(super) struct Tone {
    /// Shots that have a spectrum and an exposure.
    n_shots: usize,
    curve: Result<Curve, Refusal>,
}

fn key_of(photo: &Input) -> PhotoKey {
    (photo.photo.clone(), photo.hash.clone())
}

fn key_of_scale(scale: Option<&Scale>) -> Option<PhotoKey> {
    scale.map(|scale| (scale.photo.to_owned(), scale.hash.to_owned()))
}

fn bench_of(photo: &Input) -> String {
    match &photo.decision.outcome {
        Outcome::Measure(purpose) => purpose.bench.clone(),
        Outcome::Ignore { bench, .. } => bench.clone(),
    }
}

/// What a photo is compared with and corrected by.
#[derive(Clone, Copy, Default)]
pub struct Against<'a> {
    /// The blank's name, its exposure (time × ISO) and its spectrum.
    pub blank: Option<(&'a str, Option<f64>, Option<&'a Spectrum>)>,
    /// Width of the slit's image in the blank, px.
    pub blank_slit_px: Option<f64>,
    /// The dark's name and its median level, linear share of full scale.
    pub dark: Option<(&'a str, f64)>,
    /// The phone's own tone curve.
    pub curve: Option<&'a Curve>,
    /// How the picture was cut down before it was sent.
    pub cut: Option<&'a str>,
}

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
        curve: Option<&(ToneKey, Curve)>,
    ) -> Result<Arc<Option<Spectrum>>, Gone> {
        let key = SpectrumKey::of(blank, scale, curve.map(|(key, _)| key));
        self.spectra.get_or_make(&key, || {
            let bytes = blank.bytes()?;
            let Outcome::Measure(purpose) = &blank.decision.outcome else {
                return Ok(Arc::new(None));
            };
            let Ok((facts, frame)) = raw::decode(&bytes, self.settings.work.max_pixels()) else {
                return Ok(Arc::new(None));
            };
            let frame = match curve {
                Some((_, curve)) => frame.retoned(|level| curve.light(level)),
                None => frame,
            };
            let spectrum = self.with_inputs(&facts, purpose, scale, |inputs| {
                spectrum_only(&frame, inputs)
            });
            Ok(Arc::new(spectrum))
        })
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

    /// The scale to use among the lamp photos that pairing allows: of several the surest, of those that show the same build
    /// of the instrument as the one nearest in time. A lamp photo taken with another phone, or at another picture size, is
    /// another instrument.
    pub fn choose_scale<'a>(
        &self,
        inputs: &'a [Input],
        facts: &Facts,
        remarks: &mut Vec<String>,
    ) -> Option<Scale<'a>> {
        let mut candidates = Vec::new();
        for input in inputs {
            let calibration = input.record.calibration.as_ref();
            let Some(model) = calibration.and_then(|c| c.model.as_ref()) else {
                continue;
            };
            match another_instrument(&input.facts, facts) {
                Some(why) => {
                    remarks.push(format!("{} is not used for the scale: {why}", input.photo));
                }
                None => candidates.push((input, model)),
            }
        }
        let nearest = candidates.iter().copied().min_by_key(|(input, _)| {
            match (input.facts.taken, facts.taken) {
                (Some(lamp), Some(shot)) => lamp.duration_since(shot).abs().as_millis(),
                _ => i128::MAX,
            }
        });
        let mut best: Option<(f64, Scale<'a>)> = None;
        for (input, model) in candidates {
            let jumps = nearest.map_or_else(Vec::new, |(_, m)| instrument::jumps(m, model));
            if !jumps.is_empty() {
                remarks.push(format!(
                    "{} is not used for the scale: it shows another build of the instrument, {} apart from the lamp photo nearest in time",
                    input.photo,
                    jumps.join(", ")
                ));
                continue;
            }
            let sigma = input
                .record
                .metrics
                .value(Quantity::WavelengthSigmaNm)
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

    /// The phone's tone curve from the shots of a bracket, with what it was made from.
    ///
    /// Without a bracket, and with one that gives no curve (which is said), sRGB's holds.
    pub(super) fn tone_curve(
        &self,
        brackets: &[Input],
        facts: &Facts,
        scale: Option<&Scale>,
        remarks: &mut Vec<String>,
    ) -> Result<Option<(ToneKey, Curve)>, Gone> {
        let shots: Vec<&Input> = brackets
            .iter()
            .filter(|shot| another_instrument(&shot.facts, facts).is_none())
            .collect();
        let Some(first) = shots.first() else {
            return Ok(None);
        };
        let key = ToneKey {
            bench: bench_of(first),
            scale: key_of_scale(scale),
            shots: shots.iter().map(|shot| key_of(shot)).collect(),
        };
        let tone = self.tones.get_or_make(&key, || self.tone(&shots, scale))?;
        if tone.n_shots == 0 {
            return Ok(None);
        }
        match &tone.curve {
            Ok(found) => {
                remarks.push(format!(
                    "{TONE_REMARK} from a bracket of {} shots: light {} to {} % off sRGB's between {:.3} and {:.2} of full scale, {:.1} % left over",
                    tone.n_shots,
                    numbers::plain(100.0 * found.apart().0, 0),
                    numbers::plain(100.0 * found.apart().1, 0),
                    found.reach.low,
                    found.reach.high,
                    100.0 * found.rms
                ));
                Ok(Some((key, found.clone())))
            }
            Err(refusal) => {
                remarks.push(format!("{TONE_REMARK}: sRGB's is used; bracket: {refusal}"));
                Ok(None)
            }
        }
    }

    fn tone(&self, shots: &[&Input], scale: Option<&Scale>) -> Result<Arc<Tone>, Gone> {
        let mut levels = Vec::new();
        let mut exposures = Vec::new();
        // Shots of different lamps are different scenes: they share the curve and no place.
        let mut scenes: BTreeMap<&str, usize> = BTreeMap::new();
        for shot in shots {
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
        }
        Ok(Arc::new(Tone {
            n_shots: exposures.len(),
            curve: curve(&levels, &exposures),
        }))
    }
}

/// How a photo was cut down from what its bench's lamp photos are, if it was: whoever cuts a picture cuts its spectrum, and
/// nobody knows any more where the lens's axis was. A copy that is smaller, and whole, is another matter.
pub(super) fn cut_down(lamps: &[Input], photo: &Facts) -> Option<String> {
    let sides = |f: &Facts| (f.width.max(f.height), f.width.min(f.height));
    let (long, short) = sides(photo);
    lamps.iter().find_map(|lamp| {
        let (whole_long, whole_short) = sides(&lamp.facts);
        let alike = lamp.facts.model.is_some() && lamp.facts.model == photo.model;
        let smaller = long > 0 && long <= whole_long && short <= whole_short;
        let is_copy =
            (short * whole_long).abs_diff(long * whole_short) <= whole_short * whole_long / 50;
        (alike && smaller && !is_copy).then(|| {
            format!("the picture was cut to {long} × {short} pixels, the lamp photo has {whole_long} × {whole_short}")
        })
    })
}

/// Why a blank that is to be taken again gives no absorbance.
pub(super) fn spoilt_blank(blank: &Input) -> Unmeasured {
    let worst = blank.record.reasons.first();
    let why = worst.map_or_else(String::new, |r| {
        let measured = if r.measured.is_empty() {
            String::new()
        } else {
            format!(", {}", r.measured)
        };
        format!(" ({}{measured})", r.code.as_str())
    });
    let photo = &blank.photo;
    let why = format!("{photo} is to be taken again{why}, and no other blank of the bench serves");
    Unmeasured::new(Subject::Blank, why)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::arrive::listing::Rel;
    use crate::classify::{Decision, Purpose};
    use crate::run::read::Source;
    use crate::terms::Capture;
    use std::time::Duration;

    #[test]
    fn a_picture_is_cut_where_its_sides_are_others_and_a_smaller_copy_is_not() {
        let sized = |width, height| Facts {
            model: Some("Tern 3".to_owned()),
            width,
            height,
            ..Facts::default()
        };
        let lamp = Input {
            facts: Arc::new(sized(4032, 3024)),
            ..blank("lamp-01.jpg", "heron")
        };
        let lamps = [lamp];
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

    /// A blank; all have the same bytes.
    fn blank(photo: &str, bench: &str) -> Input {
        let purpose = Purpose {
            capture: Capture::Blank,
            bench: bench.to_owned(),
            lamp: String::new(),
            label: String::new(),
            groups: BTreeMap::new(),
        };
        let decision = Decision {
            rule: String::new(),
            outcome: Outcome::Measure(purpose),
            passed_over: Vec::new(),
        };
        Input {
            photo: photo.to_owned(),
            record: Arc::new(crate::run::show::foreign()),
            facts: Arc::default(),
            decision: Arc::new(decision),
            hash: "ab".repeat(32),
            source: Source {
                inbox: "in".into(),
                path: Rel::new(photo),
                size: 7,
                patience: Duration::ZERO,
            },
        }
    }

    #[test]
    fn the_same_bytes_on_another_bench_or_under_another_tone_are_another_spectrum() {
        let (heron, dunlin) = (
            blank("heron/b.jpg", "heron"),
            blank("dunlin/b.jpg", "dunlin"),
        );
        let tone = |shots: &[&Input]| ToneKey {
            bench: bench_of(shots[0]),
            scale: None,
            shots: shots.iter().map(|shot| key_of(shot)).collect(),
        };
        let tones = [tone(&[&heron]), tone(&[&heron, &heron])];
        let keys = [
            SpectrumKey::of(&heron, None, None),
            SpectrumKey::of(&dunlin, None, None),
            SpectrumKey::of(&blank("heron/b.jpg", "dunlin"), None, None),
            SpectrumKey::of(&heron, None, Some(&tones[0])),
            SpectrumKey::of(&heron, None, Some(&tones[1])),
        ];
        for (i, a) in keys.iter().enumerate() {
            for (k, b) in keys.iter().enumerate() {
                assert_eq!(a == b, i == k, "{i} and {k}");
            }
        }
    }
}
