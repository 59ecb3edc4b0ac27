//! A sample beside its blank: whether the two can be compared, and what the sample absorbs.

use std::borrow::Cow;

use crate::answers::absorb::{
    HELD_ANEW, KNOWN_TONE, Likeness, Link, UNKNOWN_TONE, absorbance, gaps, likeness,
};
use crate::answers::blanks::{Blank, mean_blank};
use crate::decode::Facts;
use crate::terms::{
    AbsorbanceRow, Measurement, Quantity, ScaleKind, Spectrum, Subject, Unmeasured,
};

use super::against::Against;

/// Share of a dark's level that may be left after the background is taken off: the light that leaks in is not quite even
/// (common practice, no source).
const DARK_DOUBT: f64 = 0.1;
/// A dark below this level, linear share of full scale, is not worth a remark: it is less than a step of an 8-bit photo.
const LEAST_DARK: f64 = 1e-4;

/// A sample and the blank that it is compared with.
pub(super) struct Beside<'a> {
    reference: Option<Reference<'a>>,
    /// The dark's name and its median level, linear share of full scale.
    dark: Option<(&'a str, f64)>,
    /// Whether this surely is the blank's light.
    sure: bool,
    link: Link,
}

/// What a sample's light is held against: the blank, or the mean of it and its repeats.
struct Reference<'a> {
    spectrum: Cow<'a, Spectrum>,
    /// What holding the phone anew for it and for the sample moves, a share of the light.
    held: f64,
    /// For people; empty for one blank.
    remarks: Vec<String>,
}

impl<'a> Reference<'a> {
    /// Absent where the blank has no spectrum on the sample's scale.
    fn of(against: &'a Against) -> Option<Reference<'a>> {
        let (first, spectrum) = (against.blank?, against.blank_spectrum.as_deref()?);
        let further = against.repeat_spectra.iter();
        let further: Vec<_> = further.map(|(photo, s)| (*photo, s.as_ref())).collect();
        let all: Vec<_> = std::iter::once((first, spectrum)).chain(further).collect();
        if all.len() == 1 {
            return Some(Reference {
                spectrum: Cow::Borrowed(spectrum),
                held: HELD_ANEW,
                remarks: Vec::new(),
            });
        }
        let blanks = all.iter().map(|(photo, spectrum)| Blank {
            spectrum,
            exposure: photo.facts.exposure_product().unwrap_or(1.0),
        });
        let mean = mean_blank(&blanks.collect::<Vec<_>>());
        let name = |i: &usize| all[*i].0.photo.as_str();
        let used: Vec<&str> = mean.used.iter().map(name).collect();
        let mut remarks = Vec::new();
        if let [_, _, ..] = used.as_slice() {
            let names = used.join(", ");
            remarks.push(format!(
                "compared with the mean of {} blanks: {names}",
                used.len()
            ));
        }
        remarks.extend(mean.left_out.iter().map(|(i, off)| {
            format!(
                "the blank {} is not averaged with the others: its light is {:.0} % off theirs",
                name(i),
                100.0 * off
            )
        }));
        Some(Reference {
            spectrum: Cow::Owned(mean.spectrum),
            // Half of the variance of two photos is the sample's own.
            held: (HELD_ANEW / 2f64.sqrt()).hypot(mean.level_sigma),
            remarks,
        })
    }
}

impl<'a> Beside<'a> {
    /// The photo beside its blank; `None` where it has none. A photo that `is_solution` by what people say of it is one also where
    /// its spectrum alone leaves that open.
    ///
    /// # Errors
    /// In words, where the photo does not show the blank's light through a sample: a bench photographs other lamps after its
    /// blank, and the blank is not theirs.
    pub fn of(
        m: &Measurement,
        facts: &Facts,
        against: &'a Against,
        is_solution: bool,
    ) -> Result<Option<Beside<'a>>, String> {
        let Some(blank) = against.blank else {
            return Ok(None);
        };
        let exposure_ratio = match (blank.facts.exposure_product(), facts.exposure_product()) {
            (Some(blank), Some(own)) => blank / own,
            _ => 1.0,
        };
        let reference = Reference::of(against);
        let likeness = match (&m.spectrum, &reference) {
            (Some(sample), Some(reference)) => {
                likeness(sample, &m.peaks, &reference.spectrum, exposure_ratio)
            }
            (None, _) => Likeness::Another,
            (_, None) => Likeness::Same,
        };
        if likeness == Likeness::Another {
            let name = &blank.photo;
            return Err(format!(
                "the blank {name} is not compared with: this is not its light through a sample"
            ));
        }
        let dark = against.dark.and_then(|dark| {
            let level = dark.record.metrics.value(Quantity::BackgroundMedian)?;
            Some((dark.photo.as_str(), level))
        });
        // The sensor's own samples have no tone curve.
        let has_known_tone = against.curve().is_some() || facts.format == "dng";
        let link = Link {
            exposure_ratio,
            stray_sigma: dark.map_or(0.0, |(_, level)| DARK_DOUBT * level),
            tone_share: if has_known_tone {
                KNOWN_TONE
            } else {
                UNKNOWN_TONE
            },
            held: reference.as_ref().map_or(HELD_ANEW, |r| r.held),
        };
        Ok(Some(Beside {
            reference,
            dark,
            sure: is_solution || likeness == Likeness::Same,
            link,
        }))
    }

    /// Whether the blank surely shows the light that went through the sample.
    pub fn is_sure(&self) -> bool {
        self.sure
    }

    /// Transmittance and absorbance, an entry per row of the sample's spectrum, where both spectra are on a lamp photo's scale.
    /// What is missing and why goes into `not_measured`, what it rests on into `remarks`.
    pub fn absorbance(
        &self,
        m: &Measurement,
        not_measured: &mut Vec<Unmeasured>,
        remarks: &mut Vec<String>,
    ) -> Option<Vec<AbsorbanceRow>> {
        let Some(reference) = &self.reference else {
            let why = "has no spectrum on this scale";
            not_measured.push(Unmeasured::new(Subject::Blank, why));
            return None;
        };
        let is_calibrated = m.scale_kind == Some(ScaleKind::Calibrated);
        let sample = m.spectrum.as_ref().filter(|_| is_calibrated)?;
        let blank: &Spectrum = &reference.spectrum;
        remarks.extend(reference.remarks.iter().cloned());
        for (why, from, to, nm) in gaps(sample, blank, &self.link) {
            let words = format!(
                "{} on {nm:.0} nm between {from:.0} and {to:.0} nm",
                why.words()
            );
            not_measured.push(Unmeasured::new(Subject::Absorbance, words));
        }
        if let Some((dark, level)) = self.dark.filter(|(_, level)| *level > LEAST_DARK) {
            remarks.push(format!(
                "the dark {dark} holds {:.2} % of full scale; it falls beyond the slit's ends too and is taken off with the background, a tenth of it is counted as doubt",
                100.0 * level
            ));
        }
        if self.link.tone_share == UNKNOWN_TONE {
            remarks.push(format!(
                "no bracket shows this phone's tone curve: sRGB's is used, and {:.0} % of each absorbance is counted as doubt",
                100.0 * UNKNOWN_TONE
            ));
        }
        Some(absorbance(sample, blank, &self.link))
    }
}
