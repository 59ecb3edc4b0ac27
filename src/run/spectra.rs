//! Spectra of blanks and brackets, and the phones' tone curves: every sample of a series asks for the same ones. Each photo is
//! read again, decoded and measured once for each scale in use, whoever asks.

use std::sync::Arc;

use crate::answers::bracket::Curve;
use crate::decode::{Facts, Fault};
use crate::frame::Frame;
use crate::lab::{Against, Companion, Lab, Scale, Tone};
use crate::terms::Spectrum;

use super::job::Job;
use super::read::Gone;
use super::shared::Shared;

/// Rows of spectra that are kept, 80 bytes each: those of a blank and five shots for each of two hundred benches, at a step
/// of 1 nm, and 40 MB at most.
const MOST_ROWS: usize = 500_000;
/// Tone curves that are kept: a phone has one, and one more for each new lamp photo.
const MOST_TONES: usize = 1000;

/// What a photo's bytes give: facts and picture, or why there are none.
type Decoded = Result<(Facts, Frame), Fault>;

/// A photo by its path and its bytes. The path stands for what the rules say of it: the same bytes on another bench, or
/// taken for something else, are measured otherwise.
type PhotoKey = (String, String);

/// What a tone curve depends on beside the configuration, and together with a photo, what that photo's spectrum depends on.
#[derive(Clone, PartialEq, Eq, Hash)]
struct Key {
    bench: String,
    scale: Option<PhotoKey>,
    /// Shots of the bracket that gives the tone curve; none where sRGB's holds.
    shots: Vec<PhotoKey>,
    photo: Option<PhotoKey>,
}

impl Key {
    fn of_tone(shots: &[&Companion], scale: Option<Scale>) -> Key {
        let bench = shots.first().map(|shot| shot.decision.bench());
        Key {
            bench: bench.unwrap_or_default().to_owned(),
            scale: scale.map(|scale| (scale.photo.to_owned(), scale.hash.to_owned())),
            shots: shots.iter().map(|shot| key_of(shot)).collect(),
            photo: None,
        }
    }

    fn of_spectrum(photo: &Companion, scale: Option<Scale>, shots: &[&Companion]) -> Key {
        Key {
            bench: photo.decision.bench().to_owned(),
            photo: Some(key_of(photo)),
            ..Key::of_tone(shots, scale)
        }
    }
}

fn key_of(photo: &Companion) -> PhotoKey {
    (photo.photo.clone(), photo.hash.clone())
}

/// The spectra and the tone curves that several photos need.
pub struct Spectra {
    spectra: Shared<Key, Option<Arc<Spectrum>>>,
    tones: Shared<Key, Option<Arc<Tone>>>,
}

impl Default for Spectra {
    fn default() -> Spectra {
        Spectra {
            spectra: Shared::new(MOST_ROWS, |s| s.as_ref().map_or(1, |s| s.rows.len())),
            tones: Shared::new(MOST_TONES, |_| 1),
        }
    }
}

impl Spectra {
    /// Adds to what was chosen for a photo what its companions' pictures give: tone curve and blanks' spectra.
    ///
    /// # Errors
    /// Where a companion has changed meanwhile.
    pub fn fill_in(
        &self,
        lab: &Lab,
        decode: impl Fn(&[u8]) -> Decoded,
        job: &Job,
        against: &mut Against,
    ) -> Result<(), Gone> {
        let scale = against.scale;
        let spectrum = |photo: &Companion, shots: &[&Companion], curve: Option<&Curve>| {
            let key = Key::of_spectrum(photo, scale, shots);
            self.spectra.get_or_make(&key, || {
                let bytes = job.read(photo)?;
                let Some(purpose) = photo.decision.purpose() else {
                    return Ok(None);
                };
                let decoded = decode(&bytes).ok();
                let found = decoded.and_then(|d| lab.spectrum(purpose, d, scale, curve));
                Ok(found.map(Arc::new))
            })
        };
        if !against.shots.is_empty() {
            let key = Key::of_tone(&against.shots, scale);
            let tone = self.tones.get_or_make(&key, || {
                let mut shots = Vec::new();
                for shot in &against.shots {
                    let found = spectrum(shot, &[], None)?;
                    shots.extend(found.map(|found| (*shot, found)));
                }
                Ok(Tone::of(&shots).map(Arc::new))
            })?;
            against.tone = tone;
        }
        if let Some(blank) = against.blank {
            let curve = against.curve();
            let shots = curve.map_or(&[][..], |_| &against.shots);
            let of_blank = spectrum(blank, shots, curve)?;
            let mut repeats = Vec::new();
            for repeat in &against.repeats {
                let found = spectrum(repeat, shots, curve)?;
                repeats.extend(found.map(|found| (*repeat, found)));
            }
            (against.blank_spectrum, against.repeat_spectra) = (of_blank, repeats);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::{Decision, Outcome};

    /// A blank; all have the same bytes.
    fn blank(photo: &str, bench: &str) -> Companion {
        let decision = Decision {
            rule: String::new(),
            outcome: Outcome::Ignore {
                bench: bench.to_owned(),
                why: String::new(),
            },
            passed_over: Vec::new(),
            basis: Default::default(),
        };
        Companion {
            photo: photo.to_owned(),
            hash: "ab".repeat(32),
            facts: Arc::default(),
            decision: Arc::new(decision),
            record: Arc::default(),
        }
    }

    #[test]
    fn the_same_bytes_on_another_bench_or_under_another_tone_are_another_spectrum() {
        let heron = blank("heron/b.jpg", "heron");
        let keys = [
            Key::of_spectrum(&heron, None, &[]),
            Key::of_spectrum(&blank("dunlin/b.jpg", "dunlin"), None, &[]),
            Key::of_spectrum(&blank("heron/b.jpg", "dunlin"), None, &[]),
            Key::of_spectrum(&heron, None, &[&heron]),
            Key::of_spectrum(&heron, None, &[&heron, &heron]),
        ];
        for (i, a) in keys.iter().enumerate() {
            for (k, b) in keys.iter().enumerate() {
                assert_eq!(a == b, i == k, "{i} and {k}");
            }
        }
    }
}
