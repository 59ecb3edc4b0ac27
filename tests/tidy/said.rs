//! That what records say in English for people is said again in the words file's section `told`, so that it stands on a page in
//! the reader's language. The sentences are read off the sources: none can be added without its words.

#[path = "../jobs/nothing.rs"]
mod nothing;

use std::sync::LazyLock;

use regex::{Captures, Regex};
use slitwatch::standards;
use slitwatch::terms::{Capture, Look, Phrases, Verdict};

use self::nothing::saying_nothing;
use super::program_files;

/// Files and folders below `src/` whose sentences come into records and tables, and from there onto pages.
const SPEAKERS: [&str; 22] = [
    "answers/",
    "classify/",
    "decode/",
    "judge/",
    "lab/",
    "measure/",
    "pair/",
    "publish/names.rs",
    "publish/record.rs",
    "report/agreement.rs",
    "report/colours.rs",
    "report/scenes.rs",
    "report/series.rs",
    "report/term/own.rs",
    "run/arranged.rs",
    "run/governed.rs",
    "run/intake.rs",
    "run/make.rs",
    "run/raw.rs",
    "run/world.rs",
    "slates/sight.rs",
    "slates/slate.rs",
];

/// What is said there to somebody else, in English: in logs and at a terminal, to another program, in a file's own form. Files,
/// or files and how what they say begins.
const TO_OTHERS: [(&str, &str); 31] = [
    // Spectra for other programs.
    ("answers/jcamp.rs", "##"),
    // Patterns, and what rules ask of a photo, which `check` and `explain` say.
    ("classify/camera_names.rs", ""),
    ("classify/conditions.rs", ""),
    ("classify/expression.rs", ""),
    ("classify/rule.rs", ""),
    ("classify/ruleset.rs", "(any other "),
    ("classify/slated.rs", "slates in "),
    // What other programs and files say.
    ("decode/doubts.rs", "screen shot"),
    ("decode/doubts.rs", "screen capture"),
    ("decode/facts.rs", "no known format"),
    ("decode/jpeg/mod.rs", "Premature end of buffer"),
    ("decode/kind.rs", "\\x00"),
    ("decode/kind.rs", "crx "),
    ("decode/kind.rs", "<!doctype"),
    // What each limit is about, as `check` lists them.
    ("judge/limit.rs", ""),
    // Lines of a photo's log.
    ("lab/examined.rs", "left alone: "),
    ("lab/examined.rs", "not rule "),
    ("lab/examined.rs", "rule: "),
    ("lab/examined.rs", "the instructor's table: "),
    ("lab/mod.rs", "its code says: "),
    ("measure/portrait/sharpness.rs", "nothing that is seen"),
    ("measure/scale/anchor.rs", ", held the other way up"),
    ("measure/scale/precise.rs", "order "),
    ("measure/scale/precise.rs", ": not clear enough"),
    // What a look rests on, which `explain` says.
    ("measure/looks.rs", ""),
    ("run/governed.rs", "7 holds no longer"),
    ("run/governed.rs", "folder "),
    ("run/make.rs", "there is no quality.json"),
    ("run/make.rs", "quality.json "),
    ("run/make.rs", "no words"),
    // A record that is not one.
    ("publish/record.rs", "metric "),
];

/// Pieces that stand in one sentence only, and that sentence.
const IN_ONE: [(&str, &str); 17] = [
    ("next: the unknown7", "next: the unknown of 7"),
    ("7 from 7 to 7 7", "the slit from 7 to 7 µm"),
    (
        "nm/px, so that",
        "the sampling from 7 to 7 nm/px, so that disc, slit or phone sit otherwise",
    ),
    (
        "7 is to be taken again7, and no other",
        "7 is to be taken again (7, 7), and no other blank of the bench serves",
    ),
    (
        "7 clear line7 of 7, 7 are needed",
        "7 clear lines of 7, 7 are needed",
    ),
    (
        "the lamp photo's scale was 7, by",
        "the lamp photo's scale was borne out, by 7 known lines of 7",
    ),
    (
        "borne out",
        "the lamp photo's scale was borne out, by 7 known lines of 7",
    ),
    (
        "moved by 7",
        "the lamp photo's scale was moved by 7, by 7 known lines of 7",
    ),
    (
        "this TIFF 7: it is damaged",
        "this TIFF has strips without rows: it is damaged; upload it again",
    ),
    (
        "has strips without rows",
        "this TIFF has strips without rows: it is damaged; upload it again",
    ),
    (
        "holds other samples",
        "this TIFF holds other samples than it says: it is damaged; upload it again",
    ),
    (
        "the slit against the grooves",
        "the slit against the grooves by 7°",
    ),
    (
        "the slit's place before the disc",
        "the slit's place before the disc by 7°",
    ),
    ("the slit's image", "the slit's image from 7 to 7 px"),
    ("the slit", "the slit from 7 to 7 µm"),
    (
        "the sampling",
        "the sampling from 7 to 7 nm/px, so that disc, slit or phone sit otherwise",
    ),
    ("tone curve", "tone curve: sRGB's is used; bracket: 7"),
];

/// What stands before a literal that is no sentence for a reader: a log's line, a message to a developer, a pattern.
const NO_SENTENCE: &str = r"(?:\blog\.push\(\s*(?:format!\(\s*)?|\.expect\(\s*|\btracing::\w+!\([^;]*?|\babout: |#\[serde\([^\]]*|\b(?:panic|unreachable|assert|debug_assert)!\((?:[^;]*?,)?\s*|Regex::new\(\s*r?#?)$";

/// So many lines before a literal are looked at for that.
const LINES_BEFORE: usize = 6;

/// A string literal and where it begins; comments and single letters are passed over.
const LITERAL: &str = r##"(?s)r#"(.*?)"#|"((?:[^"\\]|\\.)*)"|'(?:[^'\\]|\\.[^']*)'"##;

/// A literal as it reads, each slot filled with a number.
fn as_read(literal: &str) -> String {
    let [ends, code, slot] = &*PIECES;
    let text = ends.replace_all(literal, "");
    let text = code.replace_all(&text, |found: &Captures<'_>| {
        let code = u32::from_str_radix(&found[1], 16).expect("a number");
        char::from_u32(code).expect("a letter").to_string()
    });
    let text = text.replace("\\\"", "\"").replace("\\n", "\n");
    let text = text.replace("{{", "(").replace("}}", ")");
    slot.replace_all(&text, "7").into_owned()
}

/// A line's end within a literal, a letter by its code, a slot.
static PIECES: LazyLock<[Regex; 3]> = LazyLock::new(|| {
    [r"\\\n\s*", r"\\u\{([0-9a-f]+)\}", r"\{[^{}]*\}"]
        .map(|pattern| Regex::new(pattern).expect("a pattern"))
});

/// True where every word of a text is said by the words file. It may be a piece of a sentence, which goes on at either end.
fn is_said(nothing: &Phrases, text: &str) -> bool {
    let text = text.trim_matches([' ', ',', ';', ':']);
    let ways = [
        text.to_owned(),
        format!("{text} 7"),
        format!("{text}: 7"),
        format!("7 {text}"),
        format!("7; {text}"),
        format!("7: {text}"),
        format!("7, {text}"),
        format!("7 {text} 7"),
    ];
    let is_left = |c: char| c.is_alphabetic();
    ways.iter().any(|way| !nothing.told(way).contains(is_left))
}

/// Sentences of the sources that have no words, each with its file.
fn without_words(sources: &[(String, String)], nothing: &Phrases) -> Vec<String> {
    let literal = Regex::new(LITERAL).expect("a pattern");
    let no_sentence = Regex::new(NO_SENTENCE).expect("a pattern");
    let sentence = Regex::new(r"(?s)\p{L}{3,}.* |\S .*\p{L}{3,}").expect("a pattern");
    let mut found = Vec::new();
    for (name, text) in sources {
        for at in literal.captures_iter(text) {
            let Some(own) = at.get(1).or(at.get(2)) else {
                continue;
            };
            let read = as_read(own.as_str());
            let begin = at.get(0).expect("a match").start();
            let line = text[..begin].rmatch_indices('\n').nth(LINES_BEFORE);
            let before = &text[line.map_or(0, |(i, _)| i)..begin];
            let is_to_others = TO_OTHERS
                .iter()
                .any(|(file, begin)| name.starts_with(file) && read.starts_with(begin));
            let whole = IN_ONE.iter().find(|(piece, _)| read.starts_with(piece));
            let said = whole.map_or(read.as_str(), |(_, whole)| whole);
            let is_passed_over = is_to_others || no_sentence.is_match(before);
            if sentence.is_match(&read) && !is_passed_over && !is_said(nothing, said) {
                found.push(format!("{name}: {read}"));
            }
        }
    }
    found
}

#[test]
fn what_records_say_for_people_has_its_words_in_the_words_file() {
    let sources = program_files().into_iter();
    let of_speakers = |(name, _): &(String, String)| SPEAKERS.iter().any(|s| name.starts_with(s));
    let sources: Vec<(String, String)> = sources.filter(of_speakers).collect();
    let wrong = without_words(&sources, &saying_nothing());
    assert!(wrong.is_empty(), "{}: {wrong:#?}", wrong.len());
}

#[test]
fn a_sentence_without_words_is_found() {
    let source = r#"let a = format!("tilt {n}°"); let b = "a sentence of which nobody knows"; log.push(format!("said to a log {a}"));"#;
    let sources = [("lab/own.rs".to_owned(), source.to_owned())];
    let found = without_words(&sources, &saying_nothing());
    assert_eq!(found, ["lab/own.rs: a sentence of which nobody knows"]);
}

#[test]
fn words_that_stand_alone_have_their_words_too() {
    let lamps = standards::lamps();
    let lamps = lamps.iter().flat_map(|lamp| [&lamp.name, &lamp.title]);
    let verdicts = Verdict::ALL.iter().map(|verdict| verdict.as_str());
    let captures = Capture::WORDS.iter().filter(|word| **word != "calibration");
    let alone = lamps
        .map(String::as_str)
        .chain(verdicts)
        .chain(captures.copied());
    let nothing = saying_nothing();
    let lacking = |word: &&str| *word != "ignored" && !is_said(&nothing, word);
    let lacking: Vec<&str> = alone.chain(Look::WORDS).filter(lacking).collect();
    assert!(lacking.is_empty(), "{lacking:?}");
}
