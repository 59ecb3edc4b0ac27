//! One photo and its companions -> everything said of it: which lamp photo's scale it is measured on, its numbers, its verdict,
//! what it absorbs beside its blank, what its spectrum answers, and the record that states all this.
//!
//! Pure: decoded pictures and what is known of photos come in, values go out. Whoever can read files (`run`) decodes them, keeps
//! the spectra that several photos need, and puts the record in its place.

mod against;
mod answering;
mod beside;
mod by_hand;
mod companions;
mod comparison;
mod examined;
mod forms;
mod known;
mod measured;
mod picture;
mod tone;

pub use against::Against;
pub use companions::{Companion, Company, Scale};
pub use examined::{Examined, Origin, Outcome, record, written, written_again};
pub use forms::{Form, better_forms, stem};
pub use measured::{Measured, Shown};
pub use picture::Picture;
pub use tone::Tone;

use std::collections::BTreeMap;

use crate::answers::bracket::Curve;
use crate::classify::Purpose;
use crate::decode::{Facts, Fault};
use crate::frame::Frame;
use crate::judge::{Case, Compared, judge};
use crate::measure::looks::{self, Sought};
use crate::measure::photo::{self, measure, spectrum_only};
use crate::publish::kept::{Kept, Origins};
use crate::publish::record::Remark;
use crate::settings::Settings;
use crate::standards;
use crate::terms::{Code, Lamp, LampLine, Look, Reason, Seen, Severity, Spectrum, Verdict};

use crate::slates::{self, Sighting};

use comparison::Comparison;
use examined::calibration_record;
use known::{known_lines, refined};
use measured::{lamps_of, origins};

/// How sure it is that three corners of a square are a slate whose code cannot be read: of 500 drawn photos of other things none
/// was taken for one (common practice, no source).
const SURE_OF_UNREAD: f64 = 0.9;

/// What photos are measured and judged by: the configuration, and the published wavelengths.
pub struct Lab {
    settings: Settings,
    names: Vec<LampLine>,
    lamps: Vec<Lamp>,
}

impl Lab {
    /// A lab that works by these settings.
    pub fn new(settings: Settings) -> Lab {
        Lab {
            settings,
            names: standards::lines_for_naming(),
            lamps: standards::lamps(),
        }
    }

    /// The settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What a picture looks like, as far as rules ask for it; what was found in it on the way stays with the picture.
    pub fn look_at(&self, picture: &mut Picture) -> Seen {
        let Picture { facts, frame, .. } = &*picture;
        let (seen, view) = looks::seen(frame, facts, &self.sought());
        // Where there is a slit's image and its spectrum, nobody holds up a card.
        let may_be_slate = seen.shows_no_slit() && self.settings.searches_for_slates();
        if may_be_slate && let Some(slate) = self.slate_in(frame) {
            return slate;
        }
        picture.view = Some(view);
        seen
    }

    /// What looks are for.
    pub fn sought(&self) -> Sought<'_> {
        let lamps = self.settings.lamps_looked_for();
        let is_asked = |name: &str| lamps.iter().any(|lamp| lamp.name == name);
        // A tube of the old kind is no fluorescent lamp by its pattern, and may be meant all the same.
        let old_kind = self.lamps.iter().filter(|lamp| {
            lamp.name == standards::HALOPHOSPHATE
                && is_asked(standards::FLUORESCENT)
                && !is_asked(standards::HALOPHOSPHATE)
        });
        let fluorescent = || Look::Lamp(standards::FLUORESCENT.to_owned());
        Sought {
            doubtful: old_kind.map(|lamp| (lamp, fluorescent())).collect(),
            groove_spacings_nm: self.settings.groove_spacings_nm(),
            lamps,
        }
    }

    /// The slate in a picture, where there is one.
    fn slate_in(&self, frame: &Frame) -> Option<Seen> {
        let sighting = slates::look(frame);
        let (sure, why) = match &sighting {
            Sighting::None => return None,
            Sighting::Read(slate) => (1.0, format!("its code says: {slate}")),
            Sighting::Unread(why) => (SURE_OF_UNREAD, why.clone()),
        };
        Some(Seen {
            look: Some(Look::Slate),
            sure,
            or: None,
            why,
            slate: sighting.kept().filter(|_| self.settings.reads_slates()),
        })
    }

    /// Measures and judges a photo. `decoded` is what its file gave: the picture, or why there is none.
    pub fn examine(
        &self,
        origin: &Origin,
        decoded: Result<Picture, Fault>,
        against: &Against,
    ) -> Examined {
        let Some(purpose) = origin.decision.purpose() else {
            return self.concluded(Examined::ignored(""), origin, (None, against));
        };
        let (measured, frame) = self.measured(purpose, decoded, against);
        let comparison = self.compared(purpose, &measured, against);
        let from = self.origins(origin, against);
        let kept = from.and_then(|from| Kept::new(from, &(&measured, &comparison)));
        Examined {
            frame,
            kept,
            ..self.judged(origin, (measured, comparison), against)
        }
    }

    /// Hashes of all that a photo's measurement depends on; absent where it is not measured.
    pub fn origins(&self, origin: &Origin, against: &Against) -> Option<Origins> {
        origins(origin, against, &self.settings)
    }

    /// Judges a photo by what was `kept` of its measurement, where it has these [`Lab::origins`] now. Where it was compared with another
    /// blank it is compared anew, and `against` must have that one's spectrum. Nothing where another measurement is needed.
    pub fn judged_by(
        &self,
        origin: &Origin,
        from: Origins,
        kept: Kept,
        against: &Against,
    ) -> Option<Examined> {
        let purpose = origin.decision.purpose()?;
        if from.measured != kept.from.measured {
            return None;
        }
        let (measured, compared): (Measured, Comparison) = kept.value()?;
        let (compared, kept) = match from == kept.from {
            true => (compared, kept),
            false => {
                let compared = self.compared(purpose, &measured, against);
                let kept = Kept::new(from, &(&measured, &compared))?;
                (compared, kept)
            }
        };
        Some(Examined {
            kept: Some(kept),
            ..self.judged(origin, (measured, compared), against)
        })
    }

    /// What the picture shows before any limit, and the picture itself as it was measured.
    fn measured(
        &self,
        purpose: &Purpose,
        decoded: Result<Picture, Fault>,
        against: &Against,
    ) -> (Measured, Option<Frame>) {
        let tone = against.tone.as_ref().map(|tone| tone.remark());
        let picture = match decoded {
            Ok(picture) => picture,
            Err(fault) => {
                let measured = Measured {
                    tone,
                    shown: Err(fault),
                };
                return (measured, None);
            }
        };
        let curve = against.curve();
        let Picture { facts, frame, view } = picture;
        let frame = retoned(frame, curve);
        // In other light it is another picture.
        let view = view.filter(|_| curve.is_none());
        let inputs = self.inputs(&facts, purpose, against.scale);
        let mut m = measure(&frame, view, &inputs);
        if let Some(how) = &against.cut {
            photo::refuse_cut(&mut m, how);
        }
        let measured = Measured {
            tone,
            shown: Ok((m, facts)),
        };
        (measured, Some(frame))
    }

    /// What is compared with its blank.
    fn compared(&self, purpose: &Purpose, measured: &Measured, against: &Against) -> Comparison {
        match &measured.shown {
            Err(_) => Comparison::default(),
            Ok((m, facts)) => Comparison::of(m, (purpose, facts), against, &self.lamps),
        }
    }

    /// Holds what was measured against the limits: on the lamp photo's scale, and where other photos of the bench say more of that,
    /// on the scale that they make of it.
    fn judged(
        &self,
        origin: &Origin,
        (measured, compared): (Measured, Comparison),
        against: &Against,
    ) -> Examined {
        let concluded =
            |examined: Examined| self.concluded(examined, origin, (measured.tone.clone(), against));
        let (purpose, shown) = match (origin.decision.purpose(), measured.shown) {
            (None, _) => return concluded(Examined::ignored("")),
            (Some(_), Err(fault)) => return concluded(self.broken(&fault, &origin.facts)),
            (Some(purpose), Ok(shown)) => (purpose, Shown::new(shown, compared)),
        };
        let on_refined = refined(&shown.measurement, against).map(|(refined, words)| {
            let mut shown = shown.clone();
            refined.apply(&mut shown.measurement, shown.absorbance.as_mut());
            photo::name_lines(&mut shown.measurement, &self.names);
            let absorbance = shown.absorbance.as_deref();
            shown.answers =
                answering::answers(purpose, &shown.measurement, absorbance, &self.lamps);
            shown.remarks.push(words);
            shown
        });
        let judged = |shown: Shown| concluded(self.weighed(origin, purpose, shown, against));
        let mut examined = judged(shown);
        // As the lamp photo's scale has them, so that no photo's say hangs on another's.
        if examined.is_usable_sample(purpose) {
            let (m, answers) = (&examined.measurement, &examined.answers);
            examined.known_lines = known_lines(m, answers, &self.lamps);
        }
        match on_refined {
            Some(shown) => Examined {
                known_lines: examined.known_lines.clone(),
                refined_by: known::of_others(against),
                as_read: Some(Box::new(examined)),
                ..judged(shown)
            },
            None => examined,
        }
    }

    fn weighed(
        &self,
        origin: &Origin,
        purpose: &Purpose,
        shown: Shown,
        against: &Against,
    ) -> Examined {
        let m = shown.measurement;
        let beside = against.blank.zip(shown.beside_its_blank);
        let case = Case {
            capture: purpose.capture,
            facts: &origin.facts,
            limits: &self.settings.limits,
            words: &self.settings.words,
            blank: beside.map(|(blank, sure)| Compared {
                name: &blank.photo,
                exposure: blank.facts.exposure_product(),
                sure,
            }),
        };
        let (verdict, reasons) = judge(&m, &case);
        Examined {
            answers: shown.answers,
            calibration: calibration_record(&origin.photo, &m, against.scale),
            measurement: m,
            verdict,
            reasons,
            absorbance: shown.absorbance,
            remarks: shown.remarks.into_iter().map(Remark::from).collect(),
            ..Examined::default()
        }
    }

    /// Adds what is said of the photo's company, and what a person says of the photo.
    fn concluded(
        &self,
        mut examined: Examined,
        origin: &Origin,
        (of_tone, against): (Option<Remark>, &Against),
    ) -> Examined {
        let of_company = against.remarks.iter().cloned().map(Remark::from);
        examined.remarks.splice(0..0, of_company.chain(of_tone));
        examined
            .measurement
            .not_measured
            .extend(against.spoilt.map(Companion::why_spoilt));
        if let Some(said) = &origin.decision.basis.person {
            by_hand::decide(&mut examined, said, &self.settings.words);
        }
        examined
    }

    /// The spectrum alone, of a photo that is another one's blank or a shot of its bracket; absent where it has none on the
    /// scale of a lamp photo.
    pub fn spectrum(
        &self,
        purpose: &Purpose,
        (facts, frame): (Facts, Frame),
        scale: Option<Scale>,
        curve: Option<&Curve>,
    ) -> Option<Spectrum> {
        let frame = retoned(frame, curve);
        spectrum_only(&frame, &self.inputs(&facts, purpose, scale))
    }

    fn inputs<'a>(
        &'a self,
        facts: &'a Facts,
        purpose: &Purpose,
        scale: Option<Scale<'a>>,
    ) -> photo::Inputs<'a> {
        photo::Inputs {
            bench: self.settings.bench(&purpose.bench),
            facts,
            capture: purpose.capture,
            lamps: lamps_of(purpose, &self.settings),
            others: &self.lamps,
            names: &self.names,
            calibration: scale.map(|s| s.calibration),
            range_nm: (self.settings.output.from_nm, self.settings.output.to_nm).into(),
            step_nm: self.settings.output.step_nm,
        }
    }

    fn broken(&self, fault: &Fault, facts: &Facts) -> Examined {
        let megapixels = facts.width as f64 * facts.height as f64 / 1e6;
        let (code, slots) = match fault {
            Fault::Truncated(_) => (Code::Truncated, BTreeMap::new()),
            Fault::Unreadable(what) => return self.faulty(Code::Unreadable, what),
            // The pixels have not decided where there are few enough.
            Fault::TooLarge(what) if megapixels <= self.settings.work.max_megapixels => {
                return self.faulty(Code::TooLarge, what);
            }
            Fault::TooLarge(_) => {
                let limit = self.settings.work.max_megapixels.to_string();
                let size = ("megapixels", format!("{megapixels:.0}"));
                let slots = [size, ("limit_megapixels", limit)];
                (Code::TooLarge, slots.into())
            }
        };
        self.without_picture(code, fault.to_string(), &slots)
    }

    /// What is said of a photo that nobody could look at, because of `what`.
    pub fn faulty(&self, code: Code, what: &str) -> Examined {
        let slots = BTreeMap::from([("found", what.to_owned())]);
        self.without_picture(code, what.to_owned(), &slots)
    }

    /// What is said of a photo that is to be taken again whatever it shows, because of `what`.
    pub fn to_be_retaken(&self, code: Code, what: &str) -> Examined {
        Examined {
            verdict: Verdict::Retake,
            ..self.faulty(code, what)
        }
    }

    fn without_picture(
        &self,
        code: Code,
        measured: String,
        slots: &BTreeMap<&'static str, String>,
    ) -> Examined {
        Examined::unreadable(Reason {
            code,
            severity: Severity::Retake,
            measured,
            limit: String::new(),
            advice: self.settings.words.advice(code, Severity::Retake, slots),
        })
    }
}

fn retoned(frame: Frame, curve: Option<&Curve>) -> Frame {
    match curve {
        Some(curve) => frame.retoned(|level| curve.light(level)),
        None => frame,
    }
}
