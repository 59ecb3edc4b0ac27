//! What each bench has to photograph until the class ends, and what of it is still missing: pure counting of captures and labels.

use globset::GlobMatcher;

use super::conditions::FactTest;
use crate::terms::Capture;

/// What a class has to photograph, and until when.
#[derive(Clone, Debug, Default)]
pub struct Expectations {
    /// In the order in which they stand in the configuration.
    pub things: Vec<Expected>,
    /// When the class ends, as it is shown: `20:30` of any day, or `2026-03-12 20:30`.
    pub ends_at: Option<String>,
}

/// One thing that is to be photographed.
#[derive(Clone, Debug)]
pub struct Expected {
    /// The bench that has to, in lower case; empty for all.
    pub bench: String,
    /// What it is to be taken as; absent for anything.
    pub capture: Option<Capture>,
    /// The label as a pattern, as written and as compared; absent for any.
    pub label: Option<(String, GlobMatcher)>,
    /// So many photos of it, at least one.
    pub count: usize,
    /// How it is called on the pages; empty for the pattern, or else the capture.
    pub say: String,
}

impl Expected {
    /// A pattern of labels: `*` is any text, `?` any letter; letter case does not matter.
    ///
    /// # Errors
    /// In words, where it is none.
    pub fn pattern(source: &str) -> Result<(String, GlobMatcher), String> {
        FactTest::text_glob(source)
    }

    /// How it is called.
    pub fn name(&self) -> &str {
        match (&self.label, self.capture) {
            _ if !self.say.is_empty() => &self.say,
            (Some((source, _)), _) => source,
            (None, Some(Capture::Calibration)) => "lamp",
            (None, Some(capture)) => capture.as_str(),
            (None, None) => "photo",
        }
    }

    /// True for a photo of it: what it was taken as, and its label, of which `subject` is what repeats have in common.
    pub fn is_met_by(&self, photo: &TakenPhoto<'_>) -> bool {
        let fits = |(_, glob): &(String, GlobMatcher)| {
            glob.is_match(photo.label) || glob.is_match(photo.subject)
        };
        self.capture.is_none_or(|c| photo.capture == Some(c))
            && self.label.as_ref().is_none_or(fits)
    }
}

/// A photo that need not be taken again.
#[derive(Clone, Copy, Debug)]
pub struct TakenPhoto<'a> {
    /// What it was taken as.
    pub capture: Option<Capture>,
    /// Its label.
    pub label: &'a str,
    /// Its label without the mark of a repeat.
    pub subject: &'a str,
}

impl Expectations {
    /// What a bench has to photograph, in the order in which it stands in the configuration.
    pub fn of(&self, bench: &str) -> impl Iterator<Item = &Expected> {
        let bench = bench.to_lowercase();
        let things = self.things.iter();
        things.filter(move |thing| thing.bench.is_empty() || thing.bench == bench)
    }

    /// What a bench has still to photograph, by name, each with how many of how many there are where that is more than one.
    pub fn missing(&self, bench: &str, taken: &[TakenPhoto<'_>]) -> Vec<String> {
        self.of(bench)
            .filter_map(|thing| {
                let n = taken.iter().filter(|photo| thing.is_met_by(photo)).count();
                match (n < thing.count, thing.count) {
                    (false, _) => None,
                    (true, 1) => Some(thing.name().to_owned()),
                    (true, of) => Some(format!("{} ({n} of {of})", thing.name())),
                }
            })
            .collect()
    }

    /// Benches of which something of their own is expected, in lower case, each once.
    pub fn benches(&self) -> Vec<&str> {
        let mut named: Vec<&str> = self.things.iter().map(|t| t.bench.as_str()).collect();
        named.sort_unstable();
        named.dedup();
        named.retain(|bench| !bench.is_empty());
        named
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn thing(bench: &str, capture: Option<Capture>, label: &str, count: usize) -> Expected {
        Expected {
            bench: bench.to_owned(),
            capture,
            label: (!label.is_empty()).then(|| Expected::pattern(label).unwrap()),
            count,
            say: String::new(),
        }
    }

    fn photo(capture: Capture, label: &'static str, subject: &'static str) -> TakenPhoto<'static> {
        TakenPhoto {
            capture: Some(capture),
            label,
            subject,
        }
    }

    #[test]
    fn what_is_missing_is_told_by_capture_and_by_label_for_each_bench() {
        let expected = Expectations {
            things: vec![
                thing("", Some(Capture::Calibration), "", 1),
                thing("", None, "dye-*mg", 3),
                thing("heron", Some(Capture::Sample), "Quay-lamp", 1),
            ],
            ends_at: None,
        };
        let none: [TakenPhoto<'_>; 0] = [];
        assert_eq!(
            expected.missing("knot", &none),
            ["lamp", "dye-*mg (0 of 3)"]
        );
        assert_eq!(
            expected.missing("Heron", &none),
            ["lamp", "dye-*mg (0 of 3)", "Quay-lamp"]
        );
        let some = [
            photo(Capture::Calibration, "lamp-01", "lamp"),
            photo(Capture::Sample, "dye-2mg", "dye-2mg"),
            photo(Capture::Sample, "dye-4mg", "dye-4mg"),
            photo(Capture::Sample, "quay-lamp-02", "quay-lamp"),
            photo(Capture::Dark, "quay-lamp", "quay-lamp"),
        ];
        assert_eq!(expected.missing("heron", &some), ["dye-*mg (2 of 3)"]);
        // A dark of that label is not the sample.
        assert_eq!(
            expected.missing("heron", &some[4..]),
            ["lamp", "dye-*mg (0 of 3)", "Quay-lamp"]
        );
        assert_eq!(expected.benches(), ["heron"]);
    }
}
