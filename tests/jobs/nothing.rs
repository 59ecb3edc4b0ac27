//! Words of a language that says nothing: by what is left of a text one sees what the words file has no words for.

use std::collections::BTreeMap;
use std::path::Path;

use regex::Regex;
use slitwatch::settings::{english, read_words};
use slitwatch::terms::Phrases;

/// Each text is nothing but what fills its slots, so that a letter that is left in one stands in no text.
pub fn saying_nothing() -> Phrases {
    let slot = Regex::new(r"\{\w+\}").expect("a pattern");
    let mut sections: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for key in english().keys() {
        let (section, name) = key.split_once('.').expect("a section");
        let text = english().say(key);
        let slots: Vec<&str> = slot.find_iter(&text).map(|slot| slot.as_str()).collect();
        let line = format!("  {name:?}: \"- {}\"", slots.join(" "));
        sections.entry(section).or_default().push(line);
    }
    let sections = sections.into_iter();
    let sections = sections.map(|(section, lines)| format!("{section}:\n{}\n", lines.join("\n")));
    let text = format!("language: {{tag: zxx}}\n{}", sections.collect::<String>());
    let words = read_words(&text, Path::new("nothing.yaml"));
    words.expect("no mistakes").phrases
}
