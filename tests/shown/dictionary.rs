//! README.md's dictionary of columns is what the tables' own descriptions say. `SLITWATCH_REDRAW=1` writes it anew.

use std::fs;

use slitwatch::report;

const BEGINS: &str = "<!-- The dictionary: written by `SLITWATCH_REDRAW=1 cargo test --test shown dictionary`. -->\n";
const ENDS: &str = "<!-- The dictionary ends. -->\n";

/// A cell of a table of README.md.
fn cell(text: &str) -> String {
    text.replace('|', "\\|")
}

fn dictionary() -> String {
    let mut text = String::new();
    for (schema, columns) in report::tables() {
        text += &format!("\n**`{}`**: {}\n\n", schema.file, schema.about);
        text += "| column | unit | meaning |\n| --- | --- | --- |\n";
        for column in columns {
            let (name, meaning) = (column.name(), cell(&column.described()));
            text += &format!("| `{name}` | {} | {meaning} |\n", column.unit());
        }
    }
    text + "\n"
}

#[test]
fn the_dictionary_in_the_readme_is_what_the_tables_say_of_themselves() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/README.md");
    let readme = fs::read_to_string(path).unwrap();
    let (before, rest) = readme.split_once(BEGINS).expect("where it begins");
    let (found, after) = rest.split_once(ENDS).expect("where it ends");
    let dictionary = dictionary();
    if std::env::var("SLITWATCH_REDRAW").is_ok() {
        fs::write(path, [before, BEGINS, &dictionary, ENDS, after].concat()).unwrap();
        return;
    }
    for (found, written) in found.lines().zip(dictionary.lines()) {
        assert_eq!(
            found, written,
            "write it anew: SLITWATCH_REDRAW=1 cargo test --test shown dictionary"
        );
    }
    assert_eq!(found.lines().count(), dictionary.lines().count());
}

#[test]
fn every_column_of_every_table_is_described_and_named_once() {
    let tables = report::tables();
    assert!(tables.len() > 12);
    for (schema, columns) in tables {
        assert!(schema.about.len() > 20, "{}", schema.file);
        let mut names = std::collections::BTreeSet::new();
        for column in columns {
            let (file, name) = (schema.file, column.name());
            assert!(names.insert(name.to_owned()), "{file}: {name} twice");
            assert!(column.meaning().len() > 2, "{file}: {name}");
            assert!(!column.meaning().ends_with('.'), "{file}: {name}");
            // What has a unit has it in its name, or in the same row.
            let units = [
                ("_nm", "nm"),
                ("_um", "µm"),
                ("_px", "px"),
                ("_deg", "°"),
                ("_kelvin", "K"),
            ];
            for (ending, unit) in units {
                if name.ends_with(ending) && !name.contains("_per_") {
                    assert_eq!(column.unit(), unit, "{file}: {name}");
                }
            }
        }
    }
}
