//! What a rule asks of a photo, each question with the words for why it was not met.

use globset::{GlobBuilder, GlobMatcher};
use jiff::civil::{DateTime, Time};
use regex::Regex;

use crate::decode::Facts;
use crate::terms::Look;

use super::camera_names::CameraNames;
use super::evidence::Evidence;
use super::expression::expression;

/// Globs over the path below the inbox, letter case aside. `*` and `?` stop at `/`, `**` does not.
///
/// Without any glob everything fits. A glob without `/` is compared with the file name, wherever the file lies; one with `/` with the whole path.
#[derive(Clone, Debug, Default)]
pub struct PathGlobs {
    globs: Vec<(String, GlobMatcher)>,
}

impl PathGlobs {
    /// Adds one more alternative.
    ///
    /// # Errors
    /// In words, where `glob` is not a glob.
    pub fn push(&mut self, glob: &str) -> Result<(), String> {
        let pattern = glob.trim_start_matches('/');
        let matcher = matcher(GlobBuilder::new(pattern).literal_separator(true))?;
        self.globs.push((glob.to_owned(), matcher));
        Ok(())
    }

    /// The patterns as the configuration has them.
    pub fn sources(&self) -> impl Iterator<Item = &str> {
        self.globs.iter().map(|(source, _)| source.as_str())
    }

    fn refusal(&self, path: &str, name: &str) -> Option<String> {
        let fits = |(source, matcher): &(String, GlobMatcher)| {
            matcher.is_match(if source.contains('/') { path } else { name })
        };
        if self.globs.is_empty() || self.globs.iter().any(fits) {
            return None;
        }
        Some(format!("its path does not fit {}", either(&self.globs)))
    }
}

fn matcher(builder: &mut GlobBuilder<'_>) -> Result<GlobMatcher, String> {
    let glob = builder.case_insensitive(true).build();
    let glob = glob.map_err(|error| error.kind().to_string())?;
    Ok(glob.compile_matcher())
}

/// The globs as written, for people.
fn either(globs: &[(String, GlobMatcher)]) -> String {
    let sources: Vec<&str> = globs.iter().map(|(source, _)| source.as_str()).collect();
    sources.join(" or ")
}

/// When the photo was taken, by the phone's clock and without a zone, as Exif has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeWindow {
    /// From the first moment up to, and without, the last; either may be open.
    Between {
        /// First moment.
        from: Option<DateTime>,
        /// First moment that is too late.
        until: Option<DateTime>,
    },
    /// Every day from one time up to, and without, another; over midnight where the second is earlier.
    Daily {
        /// First moment of the day.
        from: Time,
        /// First moment that is too late.
        until: Time,
    },
}

impl TimeWindow {
    fn refusal(&self, facts: &Facts) -> Option<String> {
        let Some(taken) = facts.taken else {
            return Some("it does not say when it was taken".to_owned());
        };
        let inside = match *self {
            TimeWindow::Between { from, until } => {
                from.is_none_or(|from| taken >= from) && until.is_none_or(|until| taken < until)
            }
            TimeWindow::Daily { from, until } => {
                let time = taken.time();
                if from <= until {
                    from <= time && time < until
                } else {
                    from <= time || time < until
                }
            }
        };
        (!inside).then(|| format!("it was taken {taken}, not {self}"))
    }
}

impl std::fmt::Display for TimeWindow {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            TimeWindow::Between { from, until } => {
                if let Some(from) = from {
                    write!(f, "from {from}")?;
                }
                if let Some(until) = until {
                    let gap = if from.is_some() { " " } else { "" };
                    write!(f, "{gap}until {until}")?;
                }
                Ok(())
            }
            TimeWindow::Daily { from, until } => write!(f, "daily from {from} until {until}"),
        }
    }
}

/// One question about what the file says of its camera.
#[derive(Clone, Debug)]
pub enum FactTest {
    /// A number within bounds, both included; either may be open.
    Number {
        /// One of [`FactTest::NUMBERS`].
        fact: NumberFact,
        /// Smallest accepted.
        min: Option<f64>,
        /// Largest accepted.
        max: Option<f64>,
    },
    /// Text that fits one of several globs, letter case aside.
    Text {
        /// One of [`FactTest::TEXTS`].
        fact: Fact<TextOfFacts>,
        /// Alternatives.
        globs: Vec<(String, GlobMatcher)>,
    },
    /// A yes or no.
    Flag {
        /// One of [`FactTest::FLAGS`].
        fact: Fact<OfFacts<bool>>,
        /// Accepted answer.
        wanted: bool,
    },
}

/// How a fact is read off what a file says; absent where the file does not say it.
type OfFacts<T> = fn(&Facts) -> Option<T>;
/// The same for a text.
type TextOfFacts = fn(&Facts) -> Option<&str>;
/// A fact: its key as in a configuration, and how it is read.
pub type Fact<Of> = (&'static str, Of);
/// A fact of a photo's file that is a number.
pub type NumberFact = Fact<OfFacts<f64>>;

impl FactTest {
    /// Facts that are numbers, by their keys, which have the unit in the name.
    pub const NUMBERS: [NumberFact; 9] = [
        ("exposure_s", |facts| facts.exposure_s),
        ("iso", |facts| facts.iso),
        ("f_number", |facts| facts.f_number),
        ("focal_mm", |facts| facts.focal_mm),
        ("focal_35mm", |facts| facts.focal_35mm),
        ("zoom", |facts| facts.zoom),
        ("width_px", |facts| size(facts.width)),
        ("height_px", |facts| size(facts.height)),
        ("megapixels", |facts| {
            Some(size(facts.width)? * size(facts.height)? / 1e6)
        }),
    ];
    /// Facts that are text.
    pub const TEXTS: [Fact<TextOfFacts>; 4] = [
        ("make", |facts| facts.make.as_deref()),
        ("model", |facts| facts.model.as_deref()),
        ("software", |facts| facts.software.as_deref()),
        ("format", |facts| {
            Some(facts.format).filter(|format| !format.is_empty())
        }),
    ];
    /// Facts that are yes or no.
    pub const FLAGS: [Fact<OfFacts<bool>>; 2] = [
        ("exposure_auto", |facts| facts.exposure_auto),
        ("white_balance_auto", |facts| facts.white_balance_auto),
    ];

    /// A test of text against `glob`, whose `*` also crosses `/`.
    ///
    /// # Errors
    /// In words, where `glob` is not a glob.
    pub fn text_glob(glob: &str) -> Result<(String, GlobMatcher), String> {
        Ok((glob.to_owned(), matcher(&mut GlobBuilder::new(glob))?))
    }

    fn refusal(&self, facts: &Facts) -> Option<String> {
        let unstated = |key: &str| format!("it does not state {key}");
        match self {
            FactTest::Number {
                fact: (key, of),
                min,
                max,
            } => {
                let Some(value) = of(facts) else {
                    return Some(unstated(key));
                };
                let inside =
                    min.is_none_or(|min| value >= min) && max.is_none_or(|max| value <= max);
                (!inside).then(|| format!("its {key} is {value}, not {}", bounds(*min, *max)))
            }
            FactTest::Text {
                fact: (key, of),
                globs,
            } => {
                let Some(value) = of(facts) else {
                    return Some(unstated(key));
                };
                let fits = globs.iter().any(|(_, matcher)| matcher.is_match(value));
                (!fits).then(|| format!("its {key} is \"{value}\", not {}", either(globs)))
            }
            FactTest::Flag {
                fact: (key, of),
                wanted,
            } => match of(facts) {
                None => Some(unstated(key)),
                Some(value) => (value != *wanted).then(|| format!("its {key} is {value}")),
            },
        }
    }
}

impl std::fmt::Display for FactTest {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            FactTest::Number { fact, min, max } => write!(f, "{} {}", fact.0, bounds(*min, *max)),
            FactTest::Text { fact, globs } => write!(f, "{} {}", fact.0, either(globs)),
            FactTest::Flag { fact, wanted } => write!(f, "{} {wanted}", fact.0),
        }
    }
}

fn bounds(min: Option<f64>, max: Option<f64>) -> String {
    match (min, max) {
        (Some(min), Some(max)) if min == max => format!("{min}"),
        (Some(min), Some(max)) => format!("{min} to {max}"),
        (Some(min), None) => format!("{min} or more"),
        (None, Some(max)) => format!("{max} or less"),
        (None, None) => "anything".to_owned(),
    }
}

/// A width or height in pixels. It is 0 where the header could not be read, which means unknown and not small.
fn size(pixels: usize) -> Option<f64> {
    (pixels > 0).then_some(pixels as f64)
}

/// Everything a rule asks; all of it must be met. Without any question every file is taken.
#[derive(Clone, Debug, Default)]
pub struct Conditions {
    /// Over the path.
    pub paths: PathGlobs,
    /// Over the path below the inbox, folders joined by `/`.
    pub path_regex: Option<Regex>,
    /// Over the file name alone.
    pub name_regex: Option<Regex>,
    /// About the camera.
    pub facts: Vec<FactTest>,
    /// About the time.
    pub window: Option<TimeWindow>,
    /// Whether the name is to be one that says nothing, and which those are.
    pub camera_name: Option<(bool, CameraNames)>,
    /// What the photo is to look like: one of these. None: whatever it looks like.
    pub looks: Vec<Look>,
}

impl Conditions {
    /// Compiles a regular expression as rules understand it: letter case aside, found anywhere in the text.
    ///
    /// # Errors
    /// In words, where `source` is not one.
    pub fn regex(source: &str) -> Result<Regex, String> {
        expression(source)
    }

    /// Names of all groups of the regular expressions.
    pub fn group_names(&self) -> impl Iterator<Item = &str> {
        [&self.path_regex, &self.name_regex]
            .into_iter()
            .flatten()
            .flat_map(|regex| regex.capture_names().flatten())
    }

    /// The named groups of a photo that meets all conditions, or why it does not.
    ///
    /// # Errors
    /// In words about the photo: "its path does not fit …".
    pub fn meet(&self, evidence: &Evidence<'_>) -> Result<Vec<(String, String)>, String> {
        let groups = self.meet_unseen(evidence)?;
        match self.refusal_of_looks(evidence) {
            None => Ok(groups),
            Some(why) => Err(why),
        }
    }

    /// True where it depends on what the photo looks like, and on that alone, whether it meets the conditions.
    pub fn is_a_matter_of_looks(&self, evidence: &Evidence<'_>) -> bool {
        !self.looks.is_empty() && self.meet_unseen(evidence).is_ok()
    }

    fn refusal_of_looks(&self, evidence: &Evidence<'_>) -> Option<String> {
        if self.looks.is_empty() {
            return None;
        }
        let wanted = self.looks.iter().map(Look::to_string);
        let wanted = wanted.collect::<Vec<_>>().join(" or ");
        let Some(seen) = evidence.seen else {
            return Some(format!(
                "nobody has looked yet whether it looks like {wanted}"
            ));
        };
        match &seen.look {
            None => Some(format!("it cannot be seen whether it looks like {wanted}")),
            Some(look) if self.looks.contains(look) => None,
            Some(look) => Some(format!("it looks like {look}, not {wanted}")),
        }
    }

    /// The same without what it looks like.
    fn meet_unseen(&self, evidence: &Evidence<'_>) -> Result<Vec<(String, String)>, String> {
        let Evidence { path, facts, .. } = *evidence;
        let name = path.rsplit('/').next().unwrap_or(path);
        if let Some(why) = self.paths.refusal(path, name) {
            return Err(why);
        }
        let mut groups = Vec::new();
        for (regex, text, what) in [
            (&self.path_regex, path, "path"),
            (&self.name_regex, name, "name"),
        ] {
            let Some(regex) = regex else { continue };
            let captures = regex
                .captures(text)
                .ok_or_else(|| format!("its {what} does not fit the expression {regex}"))?;
            for group in regex.capture_names().flatten() {
                if let Some(found) = captures.name(group) {
                    groups.push((group.to_owned(), found.as_str().to_owned()));
                }
            }
        }
        if let Some(why) = self.facts.iter().find_map(|test| test.refusal(facts)) {
            return Err(why);
        }
        if let Some(why) = self.window.as_ref().and_then(|w| w.refusal(facts)) {
            return Err(why);
        }
        match &self.camera_name {
            Some((wanted, names)) if names.holds(name) != *wanted => Err(match wanted {
                true => "its name is none that a camera gives".to_owned(),
                false => "its name is one that a camera gives".to_owned(),
            }),
            _ => Ok(groups),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::{date, time};

    fn globs(sources: &[&str]) -> Conditions {
        let mut conditions = Conditions::default();
        for source in sources {
            conditions.paths.push(source).unwrap();
        }
        conditions
    }

    fn meet(
        conditions: &Conditions,
        path: &str,
        facts: &Facts,
    ) -> Result<Vec<(String, String)>, String> {
        conditions.meet(&Evidence::new(path, facts))
    }

    fn fits(conditions: &Conditions, path: &str) -> bool {
        meet(conditions, path, &Facts::default()).is_ok()
    }

    #[test]
    fn a_glob_without_a_slash_asks_the_name_and_one_with_a_slash_the_path() {
        let name = globs(&["lamp*"]);
        assert!(fits(&name, "heron/evening/LAMP-01.jpg"));
        assert!(fits(&name, "lamp.jpg"));
        assert!(!fits(&name, "lamps/quay.jpg"));
        let path = globs(&["*/lamps/*.jpg"]);
        assert!(fits(&path, "Heron/Lamps/quay.JPG"));
        assert!(!fits(&path, "heron/a/lamps/quay.jpg"), "* stops at /");
        assert!(fits(&globs(&["**/lamps/**"]), "heron/a/lamps/b/quay.jpg"));
    }

    #[test]
    fn any_of_several_globs_will_do() {
        let conditions = globs(&["*.mov", "*.aae"]);
        assert!(fits(&conditions, "a.AAE"));
        let why = meet(&conditions, "a.jpg", &Facts::default()).unwrap_err();
        assert_eq!(why, "its path does not fit *.mov or *.aae");
    }

    #[test]
    fn named_groups_come_from_path_and_name_and_absent_ones_are_left_out() {
        let name = Conditions::regex(r"^dye-(?<mg>[0-9.]+)mg(?<note>-x)?\.");
        let conditions = Conditions {
            path_regex: Some(Conditions::regex("^(?<bench>[^/]+)/").unwrap()),
            name_regex: Some(name.unwrap()),
            ..Conditions::default()
        };
        let groups = meet(&conditions, "heron/Dye-2mg.jpg", &Facts::default()).unwrap();
        assert_eq!(
            groups,
            [
                ("bench".to_owned(), "heron".to_owned()),
                ("mg".to_owned(), "2".to_owned())
            ]
        );
    }

    #[test]
    fn a_fact_the_file_does_not_state_meets_no_condition_and_says_so() {
        let mut conditions = Conditions::default();
        conditions.facts.push(FactTest::Number {
            fact: FactTest::NUMBERS[1],
            min: None,
            max: Some(200.0),
        });
        let ask = |facts: &Facts| meet(&conditions, "a.jpg", facts).map(|_| ());
        assert_eq!(
            ask(&Facts::default()),
            Err("it does not state iso".to_owned())
        );
        let mut facts = Facts {
            iso: Some(200.0),
            ..Facts::default()
        };
        assert_eq!(ask(&facts), Ok(()));
        facts.iso = Some(400.0);
        assert_eq!(
            ask(&facts),
            Err("its iso is 400, not 200 or less".to_owned())
        );
    }

    #[test]
    fn a_camera_model_is_compared_letter_case_aside() {
        let test = FactTest::Text {
            fact: FactTest::TEXTS[1],
            globs: vec![FactTest::text_glob("tern*").unwrap()],
        };
        let facts = |model: &str| Facts {
            model: Some(model.to_owned()),
            ..Facts::default()
        };
        assert_eq!(test.refusal(&facts("Tern 4/b")), None);
        assert_eq!(
            test.refusal(&facts("Skua 2")).unwrap(),
            "its model is \"Skua 2\", not tern*"
        );
    }

    #[test]
    fn a_window_holds_its_first_moment_and_not_its_last() {
        let at = |h, m| Facts {
            taken: Some(date(2026, 3, 4).at(h, m, 0, 0)),
            ..Facts::default()
        };
        let window = TimeWindow::Between {
            from: Some(date(2026, 3, 4).at(18, 0, 0, 0)),
            until: Some(date(2026, 3, 4).at(20, 0, 0, 0)),
        };
        assert_eq!(window.refusal(&at(18, 0)), None);
        assert_eq!(window.refusal(&at(19, 59)), None);
        assert!(window.refusal(&at(20, 0)).unwrap().contains("not from"));
        assert!(window.refusal(&at(17, 59)).is_some());
        assert!(
            window
                .refusal(&Facts::default())
                .unwrap()
                .contains("does not say")
        );
    }

    #[test]
    fn a_daily_window_may_pass_midnight() {
        let window = TimeWindow::Daily {
            from: time(22, 0, 0, 0),
            until: time(2, 0, 0, 0),
        };
        let inside = |h| {
            let facts = Facts {
                taken: Some(date(2026, 3, 4).at(h, 0, 0, 0)),
                ..Facts::default()
            };
            window.refusal(&facts).is_none()
        };
        assert_eq!(
            [21, 22, 23, 0, 1, 2].map(inside),
            [false, true, true, true, true, false]
        );
    }

    #[test]
    fn a_broken_expression_is_explained_in_one_line() {
        let why = Conditions::regex("(?<bench>[a-z").unwrap_err();
        assert!(!why.contains('\n') && why.contains("unclosed"), "{why}");
        assert_eq!(
            Conditions::regex(r"(\w{200}){200}").unwrap_err(),
            "it needs more than a megabyte"
        );
    }
}
