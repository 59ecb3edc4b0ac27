//! What somebody says of one photo beside its name: the instructor in a table, or a slate.

use std::collections::BTreeMap;

use crate::terms::{Capture, Verdict};

/// What is said of a photo; what is absent is left as the rules have it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Said {
    /// What it was taken for.
    pub capture: Option<Capture>,
    /// Whose it is.
    pub bench: Option<String>,
    /// What people call it.
    pub label: Option<String>,
    /// Which lamp it shows, for a calibration.
    pub lamp: Option<String>,
    /// The word, whatever was measured.
    pub verdict: Option<Verdict>,
    /// True where it does not count.
    pub ignore: bool,
    /// Named groups, such as a concentration.
    pub groups: BTreeMap<String, String>,
    /// Why, for people.
    pub note: String,
    /// Who says so.
    pub by: String,
}

impl Said {
    /// True where it says what becomes of the photo, whatever the photo looks like.
    pub fn settles_capture(&self) -> bool {
        self.ignore || self.capture.is_some()
    }

    /// Everything that is said, by column; what is absent is left out.
    pub fn cells(&self) -> BTreeMap<String, String> {
        let verdict = self.verdict.map(|verdict| verdict.as_str().to_owned());
        let capture = self.capture.map(|capture| capture.as_str().to_owned());
        let ignore = self.ignore.then(|| "yes".to_owned());
        let full = |text: &String| Some(text.clone()).filter(|text| !text.is_empty());
        let cells = [
            ("capture", capture),
            ("bench", self.bench.clone()),
            ("label", self.label.clone()),
            ("lamp", self.lamp.clone()),
            ("verdict", verdict),
            ("ignore", ignore),
            ("note", full(&self.note)),
            ("by", full(&self.by)),
        ];
        let cells = cells.into_iter();
        let named = cells.filter_map(|(column, text)| Some((column.to_owned(), text?)));
        self.groups.clone().into_iter().chain(named).collect()
    }

    /// All that is said of the photo, in one line.
    pub fn words(&self) -> String {
        let cells = self.cells().into_iter();
        let cells: Vec<String> = cells
            .map(|(column, cell)| format!("{column} {cell}"))
            .collect();
        cells.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_stands_in_its_columns_and_what_is_not_is_left_out() {
        let said = Said {
            ignore: true,
            verdict: Some(Verdict::Good),
            by: "Ada".to_owned(),
            ..Said::default()
        };
        assert_eq!(said.words(), "by Ada, ignore yes, verdict good");
        assert!(said.settles_capture() && !Said::default().settles_capture());
        assert!(Said::default().cells().is_empty());
    }
}
