//! That what people read on pages, pictures, cards and sheets comes from the words file, and that nothing in it is left over.

use regex::Regex;
use slitwatch::settings::english;

use super::{files, program_files};

/// Letters that stand in templates as they are: units, what has one name in every language, and entities.
const OF_ALL_LANGUAGES: &str = r"\b(nm|px|µm|CIE|x|y|D|uv|rms|csv|json|spectra|html|references|colours|power|class|late|instruments|calibration|quality|wide|K)\b";

/// Attributes whose values are read.
const READ: &str = r#"(?s)\b(alt|title|aria-label|data-(?:alt|back|turns|still|held|free|words|left|soon|over|watched|silent|blind|stopped|swept|closed))="([^"]*)""#;

/// What is written into a template between its markup and its expressions, each piece with letters of some language.
fn bare(template: &str) -> Vec<String> {
    let cut = |text: &str, pattern: &str| {
        let pattern = Regex::new(pattern).expect("a pattern");
        pattern.replace_all(text, "\u{1}").into_owned()
    };
    let mut text = cut(template, r"(?s)<style>.*?</style>|<!doctype html>");
    for expression in [r"(?s)\{\{.*?\}\}", r"(?s)\{%.*?%\}", r"(?s)\{#.*?#\}"] {
        text = cut(&text, expression);
    }
    let read = Regex::new(READ).expect("a pattern");
    let attributes: Vec<String> = read.captures_iter(&text).map(|c| c[2].to_owned()).collect();
    let text = cut(&cut(&text, r"(?s)<[^>]*>"), r"&#?\w+;");
    let pieces = text.split('\u{1}').map(str::to_owned).chain(attributes);
    let letter = Regex::new(r"\p{L}").expect("a pattern");
    pieces
        .filter(|piece| letter.is_match(&cut(piece, OF_ALL_LANGUAGES)))
        .collect()
}

/// Texts that no source asks for, and keys that sources ask for without there being a text.
fn unlike(sources: &[(String, String)]) -> Vec<String> {
    let literal = Regex::new(r#""([a-z][a-z_]*\.[a-z][a-z_.-]*)""#).expect("a pattern");
    let asked =
        Regex::new(r#"\.(?:say|of|html|count)\(\s*"([a-z_]+\.[a-z_.-]+)""#).expect("a pattern");
    let named: Vec<&str> = sources
        .iter()
        .flat_map(|(_, text)| literal.captures_iter(text))
        .map(|found| found.get(1).expect("a group").as_str())
        .collect();
    let keys: Vec<&str> = english().keys().collect();
    let form = |key: &str| {
        let of_count = key
            .strip_suffix(".one")
            .or_else(|| key.strip_suffix(".many"));
        of_count.unwrap_or(key).to_owned()
    };
    // Looked up by what they are about.
    let is_by_value = |key: &str| {
        ["verdict.", "trouble.", "told."]
            .iter()
            .any(|section| key.starts_with(section))
    };
    let left_over = keys
        .iter()
        .filter(|key| !is_by_value(key) && !named.contains(&form(key).as_str()))
        .map(|key| format!("nobody asks for {key}"));
    let absent = sources
        .iter()
        .flat_map(|(name, text)| asked.captures_iter(text).map(move |found| (name, found)))
        .filter(|(_, found)| {
            !keys
                .iter()
                .any(|key| *key == &found[1] || form(key) == found[1])
        })
        .map(|(name, found)| format!("{name} asks for {}", &found[1]));
    left_over.chain(absent).collect()
}

#[test]
fn templates_hold_no_words_but_those_of_the_words_file() {
    let templates = [
        files("src/report/pages", ".html"),
        files("src/slates", ".html"),
    ];
    for (name, text) in templates.concat() {
        let found = bare(&text);
        assert!(found.is_empty(), "{name}: {found:?}");
    }
    assert_eq!(bare("<p title=\"a b\">{{ t }} of {{ n }}</p>").len(), 2);
}

#[test]
fn every_text_is_asked_for_and_every_one_asked_for_is_there() {
    let program = program_files().into_iter();
    let program = program.filter(|(name, _)| name != "terms/phrases.rs");
    let templates = [
        files("src/report/pages", ".html"),
        files("src/slates", ".html"),
    ];
    let sources: Vec<(String, String)> = program.chain(templates.concat()).collect();
    let wrong = unlike(&sources);
    assert!(wrong.is_empty(), "{wrong:#?}");
}
