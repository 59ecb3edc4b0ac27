//! The advice given with each reason: texts as data, with named slots.
//!
//! The texts live in `config/words.en.yaml`, which is built in; a configuration can name another file that replaces
//! some or all of them. Which slots a reason may use is fixed here, because the judge fills them.

use std::collections::BTreeMap;
use std::path::Path;

use crate::terms::{Code, Severity};

use super::mistake::Report;
use super::reading::{Spot, nearest};

/// The texts that are built in.
const SHIPPED: &str = include_str!("../../config/words.en.yaml");

/// Slots that any reason may use: the measured value and the limit, each with its unit.
pub const COMMON_SLOTS: &[(&str, &str)] = &[
    ("measured", "the measured value with its unit"),
    ("limit", "the limit it passed, with its unit"),
];

/// The slots that a reason may use besides [`COMMON_SLOTS`], each with what it holds.
///
/// Numbers come as short decimal text without a unit, rounded as a person would say them.
pub fn slots(code: Code) -> &'static [(&'static str, &'static str)] {
    const EXPOSURE: (&str, &str) = (
        "exposure_text",
        "an exposure to set, such as 1/250 s at ISO 100",
    );
    match code {
        Code::Clipped => &[
            ("factor", "how many times too bright, such as 2.5"),
            EXPOSURE,
        ],
        Code::Dim => &[
            ("factor", "how many times longer to expose, such as 4"),
            EXPOSURE,
        ],
        Code::Tilted => &[
            ("amount_deg", "degrees to turn, such as 6"),
            (
                "direction",
                "clockwise or anticlockwise, as the phone is held",
            ),
        ],
        Code::Skewed => &[
            ("amount_deg", "degrees to turn, such as 3"),
            (
                "direction",
                "clockwise or anticlockwise, as seen from the phone",
            ),
        ],
        Code::SlitWide => &[
            ("width_um", "width of the slit in µm, such as 650"),
            (
                "if_still_um",
                "width of the slit in µm, if nothing has moved, such as 650",
            ),
            ("wanted_um", "width to aim for in µm, such as 200"),
        ],
        Code::Defocused => &[("blur_px", "blur in pixels, such as 5")],
        Code::Moved => &[
            ("length_px", "length of the smear in pixels, such as 8"),
            EXPOSURE,
        ],
        Code::Leak => &[
            ("level_percent", "stray light in per cent of full scale"),
            ("side", "left, right, top or bottom, where it is strongest"),
        ],
        Code::Cropped => &[
            (
                "cut",
                "that the picture was cut down after it was taken, and to what",
            ),
            ("side", "which end is cut off: red or violet, or both"),
            (
                "amount_percent",
                "share of the band outside the picture, per cent",
            ),
        ],
        Code::NoSpectrum => &[(
            "found",
            "what was found instead, such as: the picture is black",
        )],
        Code::FewLines => &[
            (
                "instead",
                "the lamp that it looks like, where it is another than the announced one",
            ),
            ("found", "number of lines found"),
            ("needed", "number of lines needed"),
            ("missing", "names of the lines missed"),
        ],
        Code::PoorFit => &[
            ("rms_nm", "root mean square of the residuals in nm"),
            (
                "hidden_nm",
                "how well the scale would be known without the slit's image, nm",
            ),
            (
                "turned_deg",
                "how far the slit's image lies from where the lamp photo had it, degrees",
            ),
            (
                "focal_percent",
                "how far the focal length is off what the file states, per cent",
            ),
            ("longer", "longer or shorter"),
        ],
        Code::ExposureDiffers => &[
            ("factor", "ratio of the exposures, such as 2"),
            ("blank", "name of the blank's photo"),
        ],
        Code::ExposureAuto => &[(
            "what",
            "exposure, white balance, or exposure and white balance",
        )],
        Code::Truncated => &[],
        Code::Unreadable => &[("found", "what the file is or where it is broken")],
        Code::TooLarge => &[
            ("megapixels", "size of the picture in megapixels"),
            ("limit_megapixels", "the limit in megapixels"),
        ],
    }
}

/// One way to say it: literal text and slots in turn.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Variant {
    pieces: Vec<Piece>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Piece {
    Text(String),
    Slot(String),
}

impl Variant {
    /// `{name}` is a slot, `{{` and `}}` are braces.
    fn parse(text: &str) -> Result<Variant, String> {
        let mut pieces = Vec::new();
        let mut literal = String::new();
        let mut rest = text.trim().chars().peekable();
        while let Some(c) = rest.next() {
            match c {
                '{' if rest.next_if_eq(&'{').is_some() => literal.push('{'),
                '}' if rest.next_if_eq(&'}').is_some() => literal.push('}'),
                '}' => return Err("a } without its {".to_owned()),
                '{' => {
                    let mut name = String::new();
                    loop {
                        match rest.next() {
                            Some('}') => break,
                            Some('{') | None => return Err(format!("{{{name} has no closing }}")),
                            Some(c) => name.push(c),
                        }
                    }
                    pieces.push(Piece::Text(std::mem::take(&mut literal)));
                    pieces.push(Piece::Slot(name));
                }
                c => literal.push(c),
            }
        }
        pieces.push(Piece::Text(literal));
        Ok(Variant { pieces })
    }

    fn slots(&self) -> impl Iterator<Item = &str> {
        self.pieces.iter().filter_map(|p| match p {
            Piece::Slot(name) => Some(name.as_str()),
            Piece::Text(_) => None,
        })
    }

    /// Absent where a slot is not known.
    fn fill(&self, slots: &BTreeMap<&str, String>) -> Option<String> {
        self.pieces
            .iter()
            .map(|piece| match piece {
                Piece::Text(text) => Some(text.as_str()),
                Piece::Slot(name) => slots.get(name.as_str()).map(String::as_str),
            })
            .collect()
    }
}

/// Every advice text, by reason and severity.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Words {
    variants: BTreeMap<(Code, Severity), Vec<Variant>>,
}

impl Words {
    /// The built-in English texts.
    ///
    /// # Panics
    /// Never: a test reads the built-in file.
    pub fn shipped() -> Words {
        let report = Report::new(Path::new("config/words.en.yaml"));
        let words = Words {
            variants: BTreeMap::new(),
        };
        let read = words.overlaid(SHIPPED, &report);
        assert!(report.is_clean(), "{:?}", report.into_mistakes());
        read
    }

    /// The built-in texts with those of `text` in their place; mistakes go to `report`.
    pub fn read(text: &str, report: &Report) -> Words {
        Words::shipped().overlaid(text, report)
    }

    fn overlaid(mut self, text: &str, report: &Report) -> Words {
        report.parse(text, |top| {
            for (key, spot) in top.entries() {
                let Some(code) = Code::ALL.into_iter().find(|c| c.as_str() == key) else {
                    let known = Code::ALL.iter().map(|c| c.as_str());
                    spot.mistake(
                        "there is no reason of this name",
                        match nearest(&key, known.clone()) {
                            Some(near) => format!("did you mean \"{near}\"?"),
                            None => {
                                format!("the reasons are {}", known.collect::<Vec<_>>().join(", "))
                            }
                        },
                    );
                    continue;
                };
                self.read_reason(code, &spot);
            }
            Some(())
        });
        self
    }

    fn read_reason(&mut self, code: Code, spot: &Spot<'_>) {
        let mut keep = |severity, spot: &Spot<'_>| {
            if let Some(variants) = read_variants(code, spot) {
                self.variants.insert((code, severity), variants);
            }
        };
        if spot.is_table() {
            spot.table(|t| {
                for (key, severity) in
                    [("caution", Severity::Caution), ("retake", Severity::Retake)]
                {
                    if let Some(spot) = t.get(key) {
                        keep(severity, &spot);
                    }
                }
                Some(())
            });
        } else if let Some(variants) = read_variants(code, spot) {
            for severity in [Severity::Caution, Severity::Retake] {
                self.variants.insert((code, severity), variants.clone());
            }
        }
    }

    /// What a student can do about a reason: the variant with the most slots of which every one is known; of equals,
    /// the first written.
    pub fn advice(&self, code: Code, severity: Severity, slots: &BTreeMap<&str, String>) -> String {
        let mut best: Option<(usize, String)> = None;
        for variant in self.variants.get(&(code, severity)).into_iter().flatten() {
            let richness = variant.slots().count();
            if best.as_ref().is_none_or(|(most, _)| richness > *most)
                && let Some(text) = variant.fill(slots)
            {
                best = Some((richness, text));
            }
        }
        // Loading has made sure of a variant without slots for every reason.
        best.map(|(_, text)| text).unwrap_or_default()
    }
}

fn read_variants(code: Code, spot: &Spot<'_>) -> Option<Vec<Variant>> {
    let mut variants = Vec::new();
    for spot in spot.one_or_many() {
        let Some(text) = spot.text() else { continue };
        let variant = match Variant::parse(&text) {
            Ok(variant) => variant,
            Err(what) => {
                spot.mistake(
                    what,
                    "write a slot as {name}, and a brace itself as {{ or }}",
                );
                continue;
            }
        };
        let known: Vec<&str> = slots(code)
            .iter()
            .chain(COMMON_SLOTS)
            .map(|(name, _)| *name)
            .collect();
        for name in variant.slots().filter(|name| !known.contains(name)) {
            spot.mistake(
                format!("{{{name}}} is not a slot of {}", code.as_str()),
                match nearest(name, known.iter().copied()) {
                    Some(near) => format!("did you mean {{{near}}}?"),
                    None => format!("its slots are {}", known.join(", ")),
                },
            );
        }
        variants.push(variant);
    }
    if !variants.is_empty() && variants.iter().all(|v| v.slots().count() > 0) {
        spot.mistake(
            "every text here needs a slot, and none may be known",
            "add a last text without any {slot}",
        );
    }
    (!variants.is_empty()).then_some(variants)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mistakes(text: &str) -> Vec<String> {
        let report = Report::new(Path::new("words.yaml"));
        Words::read(text, &report);
        report
            .into_mistakes()
            .iter()
            .map(ToString::to_string)
            .collect()
    }

    #[test]
    fn every_reason_has_advice_for_both_severities_even_when_nothing_is_known() {
        let words = Words::shipped();
        for code in Code::ALL {
            for severity in [Severity::Caution, Severity::Retake] {
                let advice = words.advice(code, severity, &BTreeMap::new());
                assert!(advice.ends_with('.'), "{code:?} {severity:?}: {advice:?}");
            }
        }
    }

    #[test]
    fn every_slot_is_used_by_some_text() {
        let words = Words::shipped();
        for code in Code::ALL {
            for (slot, _) in slots(code) {
                let used = words
                    .variants
                    .iter()
                    .filter(|((c, _), _)| *c == code)
                    .flat_map(|(_, variants)| variants)
                    .any(|v| v.slots().any(|s| s == *slot));
                assert!(used, "{code:?} {slot}");
            }
        }
    }

    #[test]
    fn advice_stays_short_enough_for_a_phone() {
        let words = Words::shipped();
        for ((code, _), variants) in &words.variants {
            for variant in variants {
                let all: BTreeMap<&str, String> =
                    variant.slots().map(|s| (s, "123".to_owned())).collect();
                let text = variant.fill(&all).unwrap();
                assert!(text.chars().count() <= 230, "{code:?}: {text}");
            }
        }
    }

    #[test]
    fn where_blades_or_lamps_are_handled_the_advice_says_so() {
        let words = Words::shipped();
        let none = BTreeMap::new();
        let slit = words.advice(Code::SlitWide, Severity::Retake, &none);
        assert!(slit.contains("blades cut"), "{slit}");
        for code in [Code::Dim, Code::NoSpectrum] {
            let advice = words.advice(code, Severity::Retake, &none);
            assert!(advice.contains("sun"), "{advice}");
        }
    }

    #[test]
    fn the_fullest_text_whose_slots_are_all_known_is_taken() {
        let words = Words::shipped();
        let mut slots = BTreeMap::from([("amount_deg", "6".to_owned())]);
        assert_eq!(
            words.advice(Code::Tilted, Severity::Retake, &slots),
            "Turn the phone by 6° until the coloured band lies level with the edge of the picture."
        );
        slots.insert("direction", "clockwise".to_owned());
        assert!(
            words
                .advice(Code::Tilted, Severity::Retake, &slots)
                .starts_with("Turn the phone 6° clockwise as you hold it")
        );
    }

    #[test]
    fn a_file_of_ones_own_replaces_only_what_it_names() {
        let report = Report::new(Path::new("words.yaml"));
        let words = Words::read(
            "tilted: 'Gerade halten.'\nclipped: {retake: Dunkler.}\n",
            &report,
        );
        assert!(report.is_clean());
        let none = BTreeMap::new();
        assert_eq!(
            words.advice(Code::Tilted, Severity::Caution, &none),
            "Gerade halten."
        );
        assert_eq!(
            words.advice(Code::Clipped, Severity::Retake, &none),
            "Dunkler."
        );
        let shipped = Words::shipped();
        for (code, severity) in [
            (Code::Clipped, Severity::Caution),
            (Code::Leak, Severity::Retake),
        ] {
            assert_eq!(
                words.advice(code, severity, &none),
                shipped.advice(code, severity, &none)
            );
        }
    }

    #[test]
    fn mistakes_in_the_texts_are_named_with_their_place() {
        let found = mistakes(
            "tilted:\n  - 'Turn {amount}.'\n  - 'Turn.'\nblurry: x\nleak: 'Close {side}.'\ndim: 'a } b'\n",
        );
        assert_eq!(found.len(), 4, "{found:#?}");
        assert!(
            found[0].starts_with("words.yaml:2:5: tilted[0]: {amount} is not a slot of tilted")
        );
        assert!(found[0].contains("did you mean"));
        assert!(found[1].starts_with("words.yaml:4:"));
        assert!(found[2].contains("none may be known"));
        assert!(found[3].contains("a } without its {"));
    }

    #[test]
    fn doubled_braces_are_braces() {
        let variant = Variant::parse("a {{b}} {c}").unwrap();
        let slots = BTreeMap::from([("c", "d".to_owned())]);
        assert_eq!(variant.fill(&slots).unwrap(), "a {b} d");
    }
}
