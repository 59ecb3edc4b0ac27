//! The advice given with each reason: texts with named slots, which the judge fills. With them goes all else that people read, so
//! that a words file is one thing.

use std::collections::BTreeMap;

use crate::terms::{Code, Phrases, Severity, Variant};

/// Slots that hold what a person has written, or a file's name: no language of the program's.
const OTHERS_WORDS: [&str; 3] = ["blank", "by", "note"];

/// Every advice text, by reason and severity.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Words {
    variants: BTreeMap<(Code, Severity), Vec<Variant>>,
    /// What else is read on pages, pictures, cards and sheets.
    pub phrases: Phrases,
    /// Keys that a file in another language has no text for; English stands in their place.
    pub missing: Vec<String>,
}

impl Words {
    /// Takes `variants` for what there was to say of a reason.
    pub fn set(&mut self, code: Code, severity: Severity, variants: Vec<Variant>) {
        self.variants.insert((code, severity), variants);
    }

    /// What a student can do about a reason: the variant with the most slots of which every one is known; of equals,
    /// the first written.
    pub fn advice(
        &self,
        code: Code,
        severity: Severity,
        slots: &BTreeMap<&'static str, String>,
    ) -> String {
        let variants = self.variants.get(&(code, severity)).into_iter().flatten();
        let say = |(slot, text): (&&'static str, &String)| match OTHERS_WORDS.contains(slot) {
            true => (*slot, text.clone()),
            false => (*slot, self.phrases.told(text)),
        };
        let slots: BTreeMap<&str, String> = slots.iter().map(say).collect();
        variants
            .rev()
            .filter_map(|variant| {
                Some((
                    variant.slots().count(),
                    variant.fill(|slot| slots.get(slot).map(String::as_str))?,
                ))
            })
            .max_by_key(|(richness, _)| *richness)
            // Loading has made sure of a variant without slots for every reason.
            .map_or_else(String::new, |(_, text)| text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings;

    #[test]
    fn every_reason_has_advice_for_both_severities_even_when_nothing_is_known() {
        let words = settings::words::shipped();
        for code in Code::ALL {
            for severity in [Severity::Caution, Severity::Retake] {
                let advice = words.advice(code, severity, &BTreeMap::new());
                assert!(advice.ends_with('.'), "{code:?} {severity:?}: {advice:?}");
            }
        }
    }

    #[test]
    fn every_slot_is_used_by_some_text() {
        let words = settings::words::shipped();
        for code in Code::ALL {
            for (slot, _) in code.slots() {
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
        let words = settings::words::shipped();
        for ((code, _), variants) in &words.variants {
            for variant in variants {
                let all: BTreeMap<&str, String> =
                    variant.slots().map(|s| (s, "123".to_owned())).collect();
                let text = variant
                    .fill(|slot| all.get(slot).map(String::as_str))
                    .unwrap();
                assert!(text.chars().count() <= 230, "{code:?}: {text}");
            }
        }
    }

    #[test]
    fn where_blades_or_lamps_are_handled_the_advice_says_so() {
        let words = settings::words::shipped();
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
        let words = settings::words::shipped();
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
    fn doubled_braces_are_braces() {
        let variant = Variant::parse("a {{b}} {c}").unwrap();
        let slots = BTreeMap::from([("c", "d".to_owned())]);
        assert_eq!(
            variant
                .fill(|slot| slots.get(slot).map(String::as_str))
                .unwrap(),
            "a {b} d"
        );
    }

    #[test]
    fn the_terminal_and_the_words_file_call_a_verdict_the_same() {
        let english = settings::english();
        for verdict in crate::terms::Verdict::ALL {
            assert_eq!(english.verdict(*verdict), verdict.as_str());
        }
    }
}
