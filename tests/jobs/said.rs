//! That what the demo's records and tables say in English is in the words file to the last word, in whole sentences as they stand
//! there. `tests/tidy/said.rs` looks at all that the sources can say, piece by piece.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::nothing::saying_nothing;
use crate::real::SWEPT;

/// What stands for a name of a photo or a bench in a sentence.
const A_NAME: &str = "7";

/// Sentences of a photo's record.
fn of_record(quality: &Value, said: &mut BTreeSet<String>) {
    let texts = |key: &str| {
        let list = quality[key].as_array().cloned().unwrap_or_default();
        list.into_iter()
    };
    let lists = texts("remarks").chain(texts("not_measured"));
    let reasons = texts("reasons").flat_map(|r| [r["measured"].clone(), r["limit"].clone()]);
    let all = lists.chain(reasons);
    said.extend(all.filter_map(|text| Some(text.as_str()?.to_owned())));
}

#[test]
fn every_sentence_of_the_demo_has_its_words() {
    let mut said = BTreeSet::new();
    let mut names = BTreeSet::new();
    for row in &SWEPT.rows {
        let photo = &row["photo"];
        of_record(&SWEPT.place.quality(photo), &mut said);
        let name = photo.rsplit('/').next().expect("a name");
        names.extend([
            photo.as_str(),
            name,
            name.split('.').next().expect("a stem"),
        ]);
        names.insert(&row["label"]);
    }
    for (table, columns) in [
        ("series.csv", ["refused", "blank_refused"]),
        ("concentrations.csv", ["refused", "refused"]),
        ("colours.csv", ["refused", "edge_refused"]),
        ("class.csv", ["quantity", "unit"]),
        ("references.csv", ["used_for", "source"]),
    ] {
        for row in SWEPT.place.rows(table) {
            for column in columns {
                let cell = row
                    .get(column)
                    .unwrap_or_else(|| panic!("{table} has no {column}"));
                // The code stays, the words are said again.
                let words = cell
                    .split_once(": ")
                    .filter(|_| column.ends_with("refused"));
                said.insert(words.map_or(cell.as_str(), |(_, words)| words).to_owned());
            }
        }
    }
    names.remove("");
    let mut names: Vec<&str> = names.into_iter().collect();
    names.sort_by_key(|name| std::cmp::Reverse(name.len()));
    let nothing = saying_nothing();
    let without_names = |text: &String| {
        let replaced = |text: String, name: &&str| text.replace(name, A_NAME);
        names.iter().fold(text.clone(), replaced)
    };
    let is_unit = |word: &str| ["nm", "px", "mg", "µm", "K"].contains(&word);
    let lacking: Vec<&String> = said
        .iter()
        .filter(|text| {
            let left = nothing.told(&without_names(text));
            let mut words = left.split_whitespace();
            words.any(|word| word.contains(char::is_alphabetic) && !is_unit(word))
        })
        .collect();
    println!("{} sentences", said.len());
    assert!(said.len() > 50, "{}", said.len());
    assert!(lacking.is_empty(), "{lacking:#?}");
}
