//! Reads and checks what people read: the advice, and the texts of pages, pictures, cards and sheets. They live in
//! `config/words.en.yaml`, which is built in; a configuration can name another file that replaces some or all of them, or has them in
//! another language.

use std::collections::BTreeSet;
use std::path::Path;

use crate::judge::Words;
use crate::terms::{COMMON_SLOTS, Code, Phrases, Severity, Variant};

use super::mistake::Report;
use super::reading::{Spot, meant};

/// The texts that are built in.
pub(super) const SHIPPED: &str = include_str!("../../config/words.en.yaml");

/// The section that says which language a file is in.
const LANGUAGE: &str = "language";

/// The built-in English texts.
///
/// # Panics
/// Never: a test reads the built-in file.
pub fn shipped() -> Words {
    let report = Report::new(Path::new("config/words.en.yaml"));
    let (words, _) = overlaid(Words::default(), SHIPPED, &report);
    assert!(report.is_clean(), "{:?}", report.into_mistakes());
    words
}

/// The built-in texts with those of `text` in their place; mistakes go to `report`. Where it is in another language, what it has no
/// text for is noted.
pub fn read(text: &str, report: &Report) -> Words {
    let english = shipped();
    let every = every_key(&english);
    let (mut words, stated) = overlaid(english, text, report);
    if words.phrases.language() != "en" {
        let lacks = |key: &String| !stated.contains(key);
        words.missing = every.into_iter().filter(lacks).collect();
    }
    words
}

/// Every key that a file in another language has to have.
fn every_key(words: &Words) -> Vec<String> {
    let reasons = Code::ALL.iter().map(|code| code.as_str().to_owned());
    let phrases = words.phrases.keys().map(str::to_owned);
    reasons.chain(phrases).collect()
}

/// `words` with the texts of `text` in their place, and the keys that it states.
fn overlaid(mut words: Words, text: &str, report: &Report) -> (Words, BTreeSet<String>) {
    let mut stated = BTreeSet::new();
    let sections: BTreeSet<String> = words.phrases.keys().map(section_of).collect();
    report.parse(text, |top| {
        for (key, spot) in top.entries() {
            if let Some(code) = Code::ALL.into_iter().find(|c| c.as_str() == key) {
                read_reason(code, &spot, &mut words);
                stated.insert(key);
            } else if key == LANGUAGE {
                read_language(&spot, &mut words.phrases);
            } else if sections.is_empty() || sections.contains(&key) {
                read_section(&key, &spot, &mut words.phrases, &mut stated);
            } else {
                let codes = Code::ALL.map(Code::as_str);
                let sections = sections.iter().map(String::as_str);
                let known: Vec<&str> = codes.into_iter().chain(sections).collect();
                let otherwise = || format!("the reasons and sections are {}", known.join(", "));
                spot.mistake(
                    "there is no reason or section of this name",
                    meant(&key, known.iter().copied(), otherwise),
                );
            }
        }
        Some(())
    });
    (words, stated)
}

fn section_of(key: &str) -> String {
    key.split('.').next().unwrap_or_default().to_owned()
}

/// The language's tag, direction and decimal sign.
fn read_language(spot: &Spot<'_>, phrases: &mut Phrases) {
    let (mut tag, mut direction, mut decimal) = ("en".to_owned(), "ltr".to_owned(), '.');
    spot.table(|t| {
        t.set("tag", &mut tag, |spot| {
            spot.parsed(tag_of, |_, what| what, "write such as de, pt-BR or ar")
        });
        t.set("direction", &mut direction, |spot| {
            spot.word(&["ltr", "rtl"])
        });
        t.set("decimal", &mut decimal, |spot| {
            spot.parsed(decimal_of, |_, what| what, "write \".\", \",\" or \"٫\"")
        });
        Some(())
    });
    phrases.set_language(&tag, direction == "rtl", decimal);
}

/// A language's tag as far as its letters go (RFC 5646).
fn tag_of(text: &str) -> Result<String, String> {
    let is_part = |part: &str| {
        (1..=8).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_alphanumeric())
    };
    match text.split('-').all(is_part) {
        true => Ok(text.to_owned()),
        false => Err("this is no language's tag".to_owned()),
    }
}

fn decimal_of(text: &str) -> Result<char, String> {
    let mut signs = text.chars();
    match (signs.next(), signs.next()) {
        (Some(sign @ ('.' | ',' | '٫')), None) => Ok(sign),
        _ => Err("this is no decimal sign".to_owned()),
    }
}

/// The texts of a section. Of the built-in ones each is taken; another file's must be among them, with no other slots.
fn read_section(
    section: &str,
    spot: &Spot<'_>,
    phrases: &mut Phrases,
    stated: &mut BTreeSet<String>,
) {
    let of_section: Vec<String> = {
        let begin = format!("{section}.");
        let own = phrases.keys().filter_map(|key| key.strip_prefix(&begin));
        own.map(str::to_owned).collect()
    };
    for (name, spot) in spot.entries() {
        let key = format!("{section}.{name}");
        let remedy = "write a slot as {name}, and a brace itself as {{ or }}";
        let Some(text) = spot.parsed(Variant::parse, |_, what| what, remedy) else {
            continue;
        };
        if let Some(english) = phrases.get(&key) {
            let slots: Vec<&str> = english.slots().collect();
            let otherwise = |_: &str| match slots.as_slice() {
                [] => "it has no slots".to_owned(),
                slots => format!("its slots are {}", slots.join(", ")),
            };
            spot.check_slots(text.slots(), &slots, &format!("a slot of {key}"), otherwise);
        } else if !of_section.is_empty() {
            let known = of_section.iter().map(String::as_str);
            let otherwise = || format!("the texts of {section} are {}", of_section.join(", "));
            spot.mistake(
                "there is no text of this name",
                meant(&name, known, otherwise),
            );
            continue;
        }
        phrases.set(&key, text);
        stated.insert(key);
    }
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

    #[test]
    fn the_german_file_is_whole_and_what_another_lacks_is_named() {
        let read = |text: &str| {
            let report = Report::new(Path::new("words.yaml"));
            let words = read(text, &report);
            assert!(report.is_clean(), "{:?}", report.into_mistakes());
            words
        };
        let german = read(include_str!("../../config/words.de.yaml"));
        assert_eq!(german.missing, Vec::<String>::new());
        assert_eq!(german.phrases.language(), "de");
        assert_eq!(german.phrases.n("± 0.05 nm"), "± 0,05 nm");
        let some =
            read("language: {tag: fr, decimal: \",\"}\nboard: {now: Maintenant}\nleak: Fermez.\n");
        let every = every_key(&shipped());
        assert_eq!(some.missing.len(), every.len() - 2);
        assert!(!some.missing.contains(&"board.now".to_owned()));
        assert_eq!(some.phrases.say("board.now"), "Maintenant");
        assert_eq!(some.phrases.say("board.next"), "next", "English stands in");
        // One's own English need not be whole.
        assert!(read("board: {now: Right now}\n").missing.is_empty());
    }

    #[test]
    fn mistakes_in_the_texts_of_pages_are_named_with_their_place() {
        let found = mistakes(
            "language: {tag: 'de DE', direction: up}\nboard:\n  nwo: Jetzt\n  usable: '{m} gut'\nbord: {}\n",
        );
        assert_eq!(found.len(), 5, "{found:#?}");
        assert!(found[0].contains("no language's tag"), "{found:#?}");
        assert!(found[1].contains("ltr, rtl"), "{found:#?}");
        assert!(
            found[2].starts_with("words.yaml:3:") && found[2].contains("now"),
            "{found:#?}"
        );
        assert!(
            found[3].contains("{m} is not a slot of board.usable"),
            "{found:#?}"
        );
        assert!(found[4].contains("board"), "{found:#?}");
    }
}
