//! One rule: what it asks, and what becomes of a photo it takes.

use std::collections::BTreeMap;

use crate::terms::{Capture, Look};

use super::bench::{bench_name, default_bench};
use super::conditions::Conditions;
use super::decision::{Outcome, Purpose};
use super::endings::{is_picture_by_name, stem};
use super::evidence::Evidence;
use super::phones::{Phone, Phones};
use super::template::{BUILT_IN, Template};

/// What becomes of a photo that a rule takes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Then {
    /// Left alone.
    Ignore {
        /// Shown to people.
        why: Template,
    },
    /// Measured. What is not stated comes from a named group of the same name, or from the photo's place and name.
    Measure(Measuring),
}

/// What a photo is measured as.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Measuring {
    /// What it was taken for.
    pub capture: Capture,
    /// The instrument; by default the first folder.
    pub bench: Option<Template>,
    /// The lamp of a calibration; by default `auto`.
    pub lamp: Option<Template>,
    /// What the people call it; by default the file's name without its ending.
    pub label: Option<Template>,
}

/// Where a photo belongs if no rule says otherwise.
pub struct Home {
    /// The bench that its phone is given to, or else the first folder.
    pub bench: String,
    /// The phone, or else the first folder.
    pub phone: String,
}

impl Home {
    /// By what the file says and where it lies.
    pub fn of(evidence: &Evidence<'_>, phones: &Phones) -> Home {
        let phone = Phone::of(evidence.path, evidence.facts);
        let given = phone.as_ref().and_then(|phone| phones.bench(phone));
        let folder = || default_bench(evidence.path);
        Home {
            bench: given.map_or_else(folder, bench_name),
            phone: phone.map_or_else(folder, |phone| phone.to_string()),
        }
    }
}

/// One rule.
#[derive(Clone, Debug)]
pub struct Rule {
    /// Its name, unlike that of any other rule.
    pub name: String,
    /// What it asks.
    pub when: Conditions,
    /// What becomes of a photo that it takes.
    pub then: Then,
}

impl Rule {
    /// What the rule does with the file at `path`, or why it does not take it.
    ///
    /// A rule that measures takes pictures only: `lamp-notes.txt` is not a lamp photo.
    ///
    /// # Errors
    /// In words about the photo.
    pub fn take(&self, evidence: &Evidence<'_>, home: &Home) -> Result<Outcome, String> {
        let path = evidence.path;
        let name = path.rsplit('/').next().unwrap_or(path);
        if !self.may_take(name) {
            return Err("it is not a photo by its name".to_owned());
        }
        let mut groups: BTreeMap<String, String> = self.when.meet(evidence)?.into_iter().collect();
        let folder = path.split_once('/').map_or("", |(folder, _)| folder);
        // A group of the rule's own goes before a built-in name.
        let mut filling = groups.clone();
        for (key, value) in BUILT_IN
            .into_iter()
            .zip([folder, name, stem(name), &home.phone])
        {
            filling
                .entry(key.to_owned())
                .or_insert_with(|| value.to_owned());
        }
        let measuring = match &self.then {
            Then::Ignore { why } => {
                return Ok(Outcome::Ignore {
                    bench: home.bench.clone(),
                    why: why.fill(&filling),
                });
            }
            Then::Measure(measuring) => measuring,
        };
        let mut stated = |template: &Option<Template>, group: &str| {
            let from_group = groups.remove(group);
            let text = match template {
                Some(template) => Some(template.fill(&filling)),
                None => from_group,
            };
            text.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty())
        };
        let bench = stated(&measuring.bench, "bench")
            .map_or_else(|| home.bench.clone(), |b| bench_name(&b));
        let lamp = stated(&measuring.lamp, "lamp");
        let label = stated(&measuring.label, "label").unwrap_or_else(|| stem(name).to_owned());
        Ok(Outcome::Measure(Purpose {
            capture: measuring.capture,
            bench,
            lamp: match measuring.capture {
                Capture::Calibration => lamp.unwrap_or_else(|| "auto".to_owned()).to_lowercase(),
                _ => String::new(),
            },
            label,
            groups,
        }))
    }

    fn may_take(&self, name: &str) -> bool {
        matches!(self.then, Then::Ignore { .. }) || is_picture_by_name(name)
    }

    /// True where it depends on what the photo looks like, and on that alone, whether the rule takes it.
    pub fn is_a_matter_of_looks(&self, evidence: &Evidence<'_>) -> bool {
        let name = evidence.path.rsplit('/').next().unwrap_or(evidence.path);
        self.may_take(name) && self.when.is_a_matter_of_looks(evidence)
    }

    /// Everything a rule says: its name, each condition, and last what becomes of the photo.
    pub fn parts(&self) -> Vec<String> {
        let mut parts = vec![self.name.clone()];
        let globs: Vec<&str> = self.when.paths.sources().collect();
        if !globs.is_empty() {
            parts.push(format!("name or path like {}", globs.join(" or ")));
        }
        if let Some(regex) = &self.when.path_regex {
            parts.push(format!("path fits the expression {regex}"));
        }
        if let Some(regex) = &self.when.name_regex {
            parts.push(format!("name fits the expression {regex}"));
        }
        for test in &self.when.facts {
            parts.push(format!("the file states {test}"));
        }
        if let Some(window) = &self.when.window {
            parts.push(format!("taken {window}"));
        }
        if let Some((wanted, names)) = &self.when.camera_name {
            let names: Vec<&str> = names.sources().collect();
            let not = if *wanted { "" } else { "not " };
            parts.push(format!("named {not}as cameras do ({})", names.join(" or ")));
        }
        if !self.when.looks.is_empty() {
            let looks = self.when.looks.iter().map(Look::to_string);
            let looks: Vec<String> = looks.collect();
            parts.push(format!("looks like {}", looks.join(" or ")));
        }
        parts.push(match &self.then {
            Then::Ignore { why } => format!("ignored: {}", why.source()),
            Then::Measure(Measuring {
                capture,
                bench,
                lamp,
                label,
            }) => {
                let mut then = capture.as_str().to_owned();
                for (key, template) in [("bench", bench), ("lamp", lamp), ("label", label)] {
                    if let Some(template) = template {
                        then += &format!(", {key} {}", template.source());
                    }
                }
                then
            }
        });
        parts
    }
}
