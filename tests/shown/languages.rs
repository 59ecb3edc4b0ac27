//! The pages in other languages: nothing on them is written anywhere but in the words file, German is German to the last word
//! and has its decimal comma on pages alone, and what is written from right to left breaks nothing.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use regex::Regex;
use roxmltree::{Document, Node, ParsingOptions};
use slitwatch::publish::record::Record;
use slitwatch::report::{Inputs, summaries};
use slitwatch::settings::{english, read_words};
use slitwatch::terms::Phrases;

use crate::browser::{LAPTOP, PHONE, PROJECTOR, browser, inspect, report};
use crate::in_memory::InMemory;
use crate::{look, sample};

/// What stands around each text of the words that are made up here: whatever is not between them is from elsewhere.
const MARKS: (char, char) = ('«', '»');

/// Signs of units, of the trade and of files, which are the same in every language.
const OF_ALL_LANGUAGES: &str = r"^(nm|px|µm|rms|K|x|y|h|min|CIE|D|uv|slitwatch|sRGB)$";

fn german() -> Phrases {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/words.de.yaml");
    let text = std::fs::read_to_string(&file).unwrap();
    read_words(&text, &file).expect("no mistakes").phrases
}

/// Words in which every text is the English one changed by `change`, as a file would have them.
fn made_up(language: &str, change: impl Fn(&str) -> String) -> Phrases {
    let mut sections: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for key in english().keys() {
        let (section, name) = key.split_once('.').unwrap();
        let text = change(&english().say(key));
        let line = format!("  {name:?}: {}", serde_json::to_string(&text).unwrap());
        sections.entry(section).or_default().push(line);
    }
    let sections = sections.into_iter();
    let sections = sections.map(|(section, lines)| format!("{section}:\n{}\n", lines.join("\n")));
    let text = format!("language: {language}\n{}", sections.collect::<String>());
    read_words(&text, Path::new("made-up.yaml"))
        .expect("no mistakes")
        .phrases
}

/// Every file of a class in these words.
fn files(records: &[Record], phrases: &Phrases) -> BTreeMap<String, String> {
    let photos = sample::shown(records);
    let inputs = Inputs {
        title: "«»",
        session: "",
        all_spectra: false,
        photos: &photos,
        stated: &Default::default(),
        expected: &Default::default(),
        phrases,
        now: None,
        refresh_s: 0,
    };
    let mut files = InMemory::default();
    summaries(&inputs, |_| None, &mut files);
    let files = files.0.into_iter();
    files
        .map(|(name, bytes)| (name, String::from_utf8(bytes).unwrap()))
        .collect()
}

/// What a reader meets on a page: its texts and what its pictures and buttons are called, names of benches and photos aside.
fn read_on(page: &str) -> Vec<String> {
    fn walk(node: Node<'_, '_>, found: &mut Vec<String>) {
        if ["style", "script"].contains(&node.tag_name().name()) {
            return;
        }
        // A name in the middle of a text does not end it.
        let is_name = |child: &Node<'_, '_>| child.has_tag_name("bdi");
        let mut run = String::new();
        for child in node.children().filter(|child| !is_name(child)) {
            match child.text().filter(|_| child.is_text()) {
                Some(text) => run.push_str(text),
                None => found.push(std::mem::take(&mut run)),
            }
        }
        found.push(run);
        for attribute in node.attributes() {
            let words = ["alt", "title", "aria-label"];
            let for_scripts = |name: &str| {
                let of = ["words", "turns", "still", "held", "free", "back", "alt"];
                let of_time = [
                    "left", "soon", "over", "watched", "silent", "blind", "closed",
                ];
                let name = name.strip_prefix("data-");
                name.is_some_and(|name| of.contains(&name) || of_time.contains(&name))
            };
            if words.contains(&attribute.name()) || for_scripts(attribute.name()) {
                found.push(attribute.value().to_owned());
            }
        }
        for child in node.children().filter(|child| !is_name(child)) {
            walk(child, found);
        }
    }
    let body = page.strip_prefix("<!doctype html>\n").unwrap();
    let tree = Document::parse_with_options(body, ParsingOptions::default()).unwrap();
    let mut found = Vec::new();
    walk(tree.root_element(), &mut found);
    found
}

/// The invented class without what a person or another program has written.
fn class() -> Vec<Record> {
    let mut records = sample::class();
    for record in &mut records {
        for reason in &mut record.reasons {
            reason.advice = String::new();
            reason.measured = "tilt 6.2 ± 0.1°".to_owned();
            reason.limit = "5.0°".to_owned();
        }
        record.remarks.clear();
        record.not_measured.clear();
    }
    records
}

#[test]
fn no_word_stands_on_a_page_that_is_not_from_the_words_file() {
    let (open, shut) = MARKS;
    let marked = made_up("{tag: en-x-marked}", |text| format!("{open}{text}{shut}"));
    let records = class();
    let mut of_photos: Vec<&str> = records.iter().map(|r| r.label.as_str()).collect();
    of_photos.extend(sample::BIRDS);
    let inside = Regex::new(&format!("{open}[^{open}{shut}]*{shut}")).unwrap();
    let name = Regex::new(r"[\w-]+\.(csv|json|jpg|png|html)\b").unwrap();
    let word = Regex::new(r"\p{L}+").unwrap();
    let of_all = Regex::new(OF_ALL_LANGUAGES).unwrap();
    let line = Regex::new(r"\b(Hg|Tb|Eu|Na|He|Ne)\b").unwrap();
    let mut wrong = Vec::new();
    let mut checked = 0;
    for (page, html) in files(&records, &marked) {
        if !page.ends_with(".html") {
            continue;
        }
        for text in read_on(&html) {
            let mut rest = text.clone();
            // From inside out: a text stands in the slot of another.
            while inside.is_match(&rest) {
                rest = inside.replace_all(&rest, "").into_owned();
            }
            rest = name.replace_all(&rest, "").into_owned();
            for own in &of_photos {
                rest = rest.replace(own, "");
            }
            let rest = line.replace_all(&rest, "").into_owned();
            checked += 1;
            if word.find_iter(&rest).any(|w| !of_all.is_match(w.as_str())) {
                wrong.push(format!("{page}: {text:?} leaves {:?}", rest.trim()));
            }
        }
    }
    assert!(checked > 1000, "{checked} texts");
    wrong.sort();
    wrong.dedup();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn german_pages_have_the_decimal_comma_and_the_tables_are_the_same() {
    let (in_german, in_english) = (files(&class(), &german()), files(&class(), english()));
    let number = Regex::new(r"\d,\d").unwrap();
    let with_point = Regex::new(r"\d\.\d").unwrap();
    // Times of day, and the day before them: 12.03. 18:04.
    let day = Regex::new(r"\d\d\.\d\d\. \d\d:\d\d").unwrap();
    // Names of photos and of files have points too.
    let name_of_file = Regex::new(r"[\w.-]*\d\.\d[\w-]*\.(jpg|csv)").unwrap();
    for (name, text) in &in_german {
        let english = &in_english[name];
        if name.ends_with(".csv") || name.ends_with(".json") || name == "watched.js" {
            assert_eq!(text, english, "{name}");
            continue;
        }
        assert!(text.contains("<html lang=\"de\">"), "{name}");
        let read = read_on(text).join("\n");
        if name != "class.html" {
            assert!(number.is_match(&read), "{name}");
        }
        let rest = day.replace_all(&read, "");
        let rest = name_of_file.replace_all(&rest, "");
        let found = rest.lines().find(|line| with_point.is_match(line));
        assert_eq!(found, None, "{name}");
        assert_ne!(text, english, "{name}");
    }
    let board = &in_german["board.html"];
    for word in ["Jetzt", "Geräte", "Fotos sind brauchbar", "Skala"] {
        assert!(board.contains(word), "{word}");
    }
}

#[test]
fn the_german_board_and_a_german_bench_page_can_be_read_at_every_size() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    look::write_in(folder.path(), &class(), &german());
    let mut wrong = Vec::new();
    for page in ["board.html", "heron/index.html", "heron/calibration.html"] {
        let views = [PHONE, LAPTOP, PROJECTOR];
        wrong.extend(inspect(
            &mut chrome,
            folder.path(),
            page,
            &views,
            false,
            None,
        ));
        let said = chrome.ask("document.body.innerText");
        let said = said.as_str().unwrap().to_owned();
        assert!(
            said.contains("Skala") && said.contains("± 0,"),
            "{page}: {said}"
        );
        assert!(!said.contains("± 0."), "{page}: {said}");
    }
    report(&wrong);
}

/// The left and right ends, px, of the first `±` and of the unit behind it in an element, as they are drawn.
const NUMBER_AS_DRAWN: &str = "(() => { const walk = document.createTreeWalker(document.querySelector('.q a'), NodeFilter.SHOW_TEXT); \
     const text = walk.nextNode(); const at = sign => { const range = document.createRange(); const i = text.data.indexOf(sign); \
     range.setStart(text, i); range.setEnd(text, i + sign.length); return range.getBoundingClientRect().left; }; \
     return [at('±'), at('nm')]; })()";

#[test]
fn what_is_written_from_right_to_left_breaks_no_page() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    // Hebrew letters in the place of Latin ones: no language, but one that runs from right to left.
    let turned = |text: &str| {
        let mut is_slot = false;
        let letters = text.chars().map(|c| {
            is_slot = c == '{' || (is_slot && c != '}');
            match c.to_ascii_lowercase() {
                c @ 'a'..='z' if !is_slot => {
                    char::from_u32(0x05d0 + (c as u32 - 'a' as u32) % 27).unwrap()
                }
                _ => c,
            }
        });
        letters.collect::<String>()
    };
    let phrases = made_up("{tag: he, direction: rtl}", turned);
    let folder = tempfile::tempdir().unwrap();
    look::write_in(folder.path(), &class(), &phrases);
    let mut wrong = Vec::new();
    for page in [
        "board.html",
        "heron/index.html",
        "heron/calibration.html",
        "class.html",
    ] {
        let views = [PHONE, LAPTOP, PROJECTOR];
        wrong.extend(inspect(
            &mut chrome,
            folder.path(),
            page,
            &views,
            false,
            None,
        ));
        let right = chrome
            .ask("innerWidth - document.querySelector('h1 bdi').getBoundingClientRect().right");
        let right = right.as_f64().unwrap();
        assert!(
            (0.0..400.0).contains(&right),
            "{page}: heading {right} px from the right"
        );
    }
    report(&wrong);
    chrome.open(&folder.path().join("board.html"), PHONE);
    let drawn = chrome.ask(NUMBER_AS_DRAWN);
    let [sign, unit]: [f64; 2] = serde_json::from_value(drawn).unwrap();
    assert!(sign < unit, "± at {sign} px, its unit at {unit} px");
}

#[test]
fn check_names_what_a_words_file_lacks() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::tempdir().unwrap();
    let shipped = std::fs::read_to_string(here.join("config/lab.yaml")).unwrap();
    let config = folder.path().join("lab.yaml");
    let named = shipped.replace("# words: words.de.yaml", "words: own.yaml");
    assert_ne!(named, shipped);
    std::fs::write(&config, named).unwrap();
    let german = std::fs::read_to_string(here.join("config/words.de.yaml")).unwrap();
    let check = |words: &str| {
        std::fs::write(folder.path().join("own.yaml"), words).unwrap();
        std::fs::create_dir_all(folder.path().join("inbox")).unwrap();
        let done = Command::new(env!("CARGO_BIN_EXE_slitwatch"))
            .args(["check", "--config"])
            .arg(&config)
            .arg("--inbox")
            .arg(folder.path().join("inbox"))
            .arg("--results")
            .arg(folder.path().join("results"))
            .output()
            .unwrap();
        assert!(done.status.success(), "{done:?}");
        String::from_utf8(done.stdout).unwrap()
    };
    let whole = check(&german);
    assert!(
        whole.contains("ok: every text has its words in the language de"),
        "{whole}"
    );
    let lacks = check(&german.replace("  now: \"Jetzt\"\n", ""));
    assert!(
        lacks.contains("has no text for board.now: these stay English"),
        "{lacks}"
    );
}
