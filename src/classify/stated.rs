//! What a person states of photos by their names, in a table beside the rules: concentrations, their unit, the series. Pure:
//! rows in, the row for a photo out; reading the table belongs to `settings`.

use std::collections::BTreeMap;

/// What is stated of one photo.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Row {
    /// Concentration; absent for a solution that is to be found out.
    pub concentration: Option<f64>,
    /// Its unit, as written; may be empty.
    pub unit: String,
    /// The series it belongs to; may be empty.
    pub series: String,
}

/// A table of what is stated, by the photo's path below the inbox or by its file name alone; letter case does not matter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stated {
    rows: BTreeMap<String, (String, Row)>,
}

impl Stated {
    /// Adds what is stated of `file`. False where something was stated of it before, which then stays.
    pub fn add(&mut self, file: &str, row: Row) -> bool {
        let key = key(file);
        if self.rows.contains_key(&key) {
            return false;
        }
        self.rows.insert(key, (file.to_owned(), row));
        true
    }

    /// What is stated of the photo at `path` below the inbox: by its whole path, else by its name.
    pub fn of(&self, path: &str) -> Option<&Row> {
        let path = key(path);
        let name = path.rsplit('/').next().unwrap_or(&path);
        let found = self.rows.get(&path).or_else(|| self.rows.get(name))?;
        Some(&found.1)
    }

    /// The files, as written, that none of `paths` is: misspelt, or not there yet.
    pub fn without<'a>(&self, paths: impl Iterator<Item = &'a str>) -> Vec<&str> {
        let mut left: BTreeMap<&str, &str> = self
            .rows
            .iter()
            .map(|(key, (file, _))| (key.as_str(), file.as_str()))
            .collect();
        for path in paths {
            let path = key(path);
            left.remove(path.as_str());
            left.remove(path.rsplit('/').next().unwrap_or(&path));
        }
        left.into_values().collect()
    }

    /// How many files are named.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// True where nothing is stated.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }
}

fn key(path: &str) -> String {
    path.trim_start_matches("./")
        .replace('\\', "/")
        .to_lowercase()
}

/// A number ≥ 0 as people write it, with a point or a comma before the decimals. Absent for anything else, and for what
/// could be read in two ways: `1,500` may be fifteen hundred.
pub fn number(text: &str) -> Option<f64> {
    let text = text.trim();
    let plain = match text.split_once(',') {
        None => text.to_owned(),
        Some((whole, decimals)) => {
            let is_thousands = decimals.len() == 3 && !whole.trim_start_matches('0').is_empty();
            if is_thousands || decimals.contains(['.', ',']) || whole.contains('.') {
                return None;
            }
            format!("{whole}.{decimals}")
        }
    };
    plain
        .parse()
        .ok()
        .filter(|c: &f64| c.is_finite() && *c >= 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_photo_is_found_by_its_path_before_its_name() {
        let row = |c| Row {
            concentration: Some(c),
            ..Row::default()
        };
        let mut stated = Stated::default();
        assert!(stated.add("Dye-1.JPG", row(1.0)));
        assert!(stated.add("heron/dye-1.jpg", row(2.0)));
        assert!(!stated.add("dye-1.jpg", row(3.0)), "once is enough");
        let of = |path| stated.of(path).and_then(|r| r.concentration);
        assert_eq!(of("heron/dye-1.jpg"), Some(2.0));
        assert_eq!(of("dunlin/late/DYE-1.jpg"), Some(1.0));
        assert_eq!(of("dunlin/dye-2.jpg"), None);
        assert_eq!(
            stated.without(["dunlin/dye-1.jpg"].into_iter()),
            ["heron/dye-1.jpg"]
        );
    }

    #[test]
    fn numbers_have_a_point_or_a_comma_and_one_meaning() {
        for (text, value) in [
            ("2", 2.0),
            ("0.5", 0.5),
            (" 0,25 ", 0.25),
            ("0,125", 0.125),
            ("1e-3", 1e-3),
        ] {
            assert_eq!(number(text), Some(value), "{text}");
        }
        for text in ["1,500", "2 mg", "-1", "NaN", "inf", "", "1,2,3", "1.000,5"] {
            assert_eq!(number(text), None, "{text}");
        }
    }
}
