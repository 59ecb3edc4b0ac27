//! Reads and checks the advice texts. They live in `config/words.en.yaml`, which is built in; a configuration can name
//! another file that replaces some or all of them.

use std::path::Path;

use crate::judge::Words;
use crate::terms::{COMMON_SLOTS, Code, Severity, Variant};

use super::mistake::Report;
use super::reading::{Spot, meant};

/// The texts that are built in.
pub(super) const SHIPPED: &str = include_str!("../../config/words.en.yaml");

/// The built-in English texts.
///
/// # Panics
/// Never: a test reads the built-in file.
pub fn shipped() -> Words {
    let report = Report::new(Path::new("config/words.en.yaml"));
    let words = overlaid(Words::default(), SHIPPED, &report);
    assert!(report.is_clean(), "{:?}", report.into_mistakes());
    words
}

/// The built-in texts with those of `text` in their place; mistakes go to `report`.
pub fn read(text: &str, report: &Report) -> Words {
    overlaid(shipped(), text, report)
}

fn overlaid(mut words: Words, text: &str, report: &Report) -> Words {
    report.parse(text, |top| {
        for (key, spot) in top.entries() {
            if let Some(code) = Code::ALL.into_iter().find(|c| c.as_str() == key) {
                read_reason(code, &spot, &mut words);
            } else {
                let known = Code::ALL.map(Code::as_str);
                let otherwise = || format!("the reasons are {}", known.join(", "));
                spot.mistake(
                    "there is no reason of this name",
                    meant(&key, known.into_iter(), otherwise),
                );
            }
        }
        Some(())
    });
    words
}

fn read_reason(code: Code, spot: &Spot<'_>, words: &mut Words) {
    const SEVERITIES: [(&str, Severity); 2] =
        [("caution", Severity::Caution), ("retake", Severity::Retake)];
    if !spot.is_table() {
        if let Some(variants) = read_variants(code, spot) {
            for (_, severity) in SEVERITIES {
                words.set(code, severity, variants.clone());
            }
        }
        return;
    }
    spot.table(|t| {
        for (key, severity) in SEVERITIES {
            if let Some(variants) = t.get(key).and_then(|spot| read_variants(code, &spot)) {
                words.set(code, severity, variants);
            }
        }
        Some(())
    });
}

fn read_variants(code: Code, spot: &Spot<'_>) -> Option<Vec<Variant>> {
    let mut variants = Vec::new();
    for spot in spot.one_or_many() {
        let remedy = "write a slot as {name}, and a brace itself as {{ or }}";
        let Some(variant) = spot.parsed(|text| Variant::parse(text.trim()), |_, what| what, remedy)
        else {
            continue;
        };
        let slots = code.slots().iter().chain(COMMON_SLOTS);
        let known: Vec<&str> = slots.map(|(name, _)| *name).collect();
        let kind = format!("a slot of {}", code.as_str());
        let otherwise = |_: &str| format!("its slots are {}", known.join(", "));
        spot.check_slots(variant.slots(), &known, &kind, otherwise);
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
    use std::collections::BTreeMap;

    use super::*;

    fn mistakes(text: &str) -> Vec<String> {
        let report = Report::new(Path::new("words.yaml"));
        read(text, &report);
        report
            .into_mistakes()
            .iter()
            .map(ToString::to_string)
            .collect()
    }

    #[test]
    fn a_file_of_ones_own_replaces_only_what_it_names() {
        let report = Report::new(Path::new("words.yaml"));
        let words = read(
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
        let shipped = shipped();
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
}
