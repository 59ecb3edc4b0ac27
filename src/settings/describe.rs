//! What a configuration will do, in plain words, for the instructor who must answer for it. The text itself is `check.txt`; here
//! is what stands in its gaps.

use std::path::Path;

use askama::Template;

use crate::classify::{Expected, Rule, RuleSet, UNSORTED};
use crate::judge::Check;
use crate::terms::{Choice, Instrument, Lamp, Sessions, Severity};

use super::paths::without_detours;
use super::{BUILT_IN, Card, LookAt, Poll, Settings};

#[derive(Template)]
#[template(path = "check.txt", config = "src/settings/askama.toml")]
struct Text<'a> {
    settings: &'a Settings,
    configuration: String,
    inbox: String,
    results: String,
    /// Each with its name, when it fits, and what then becomes of the photo.
    rules: Vec<(&'a str, (String, String))>,
    instrument: String,
    benches: Vec<(&'a str, String)>,
    lamps: Vec<String>,
    limits: Vec<String>,
    slates: Vec<String>,
    /// Who has to photograph what.
    expected: Vec<(&'a str, String)>,
    exposure_auto: &'static str,
    exposure_auto_in_set: &'static str,
}

/// The whole text of `slitwatch check`: folders, rules in order, benches, limits, arrival. Ends with a line break.
pub fn describe(settings: &Settings) -> String {
    let limit = |check: Check| {
        let limit = settings.limits[check].words(check.unit());
        format!("{} ({}): {limit}", check.row().about, check.key())
    };
    let (rules, benches) = (settings.rules.rules().iter(), settings.benches.iter());
    let text = Text {
        settings,
        configuration: match settings.file.to_str() {
            Some(BUILT_IN) => "The built-in settings".to_owned(),
            _ => format!("Configuration {}", settings.file.display()),
        },
        inbox: shown(&settings.inbox),
        results: shown(&settings.results),
        rules: rules
            .map(|rule| (rule.name.as_str(), rule_words(rule)))
            .collect(),
        instrument: instrument_words(&settings.instrument),
        benches: benches
            .map(|(name, bench)| (name.as_str(), instrument_words(bench)))
            .collect(),
        lamps: settings.lamps.iter().map(lamp_words).collect(),
        limits: Check::ALL.map(limit).to_vec(),
        slates: settings.slates.cards.iter().map(Card::words).collect(),
        expected: settings
            .expected
            .things
            .iter()
            .map(expected_words)
            .collect(),
        exposure_auto: severity_word(settings.limits.exposure_auto),
        exposure_auto_in_set: severity_word(settings.limits.exposure_auto_in_set),
    };
    text.render().expect("writing to memory does not fail") + "\n"
}

#[derive(Template)]
#[template(path = "digest.txt", config = "src/settings/askama.toml")]
struct Digest<'a> {
    settings: &'a Settings,
    inbox: String,
    results: String,
    n_rules: usize,
}

/// What a configuration will do, in a few lines.
pub fn digest(settings: &Settings) -> String {
    let text = Digest {
        settings,
        inbox: shown(&settings.inbox),
        results: shown(&settings.results),
        n_rules: settings.rules.rules().len(),
    };
    text.render().expect("writing to memory does not fail") + "\n"
}

fn instrument_words(instrument: &Instrument) -> String {
    let spacings = instrument.groove_spacings_nm.iter();
    let spacings: Vec<String> = spacings.map(|nm| format!("{nm} nm")).collect();
    let which = match spacings.len() {
        1 => "",
        _ => ", whichever fits the lamp",
    };
    format!(
        "grooves {} apart{which}, slit {} mm from the grating",
        spacings.join(" or "),
        instrument.slit_distance_mm
    )
}

fn lamp_words(lamp: &Lamp) -> String {
    let fit = lamp.lines.iter().filter(|line| line.fit).count();
    let lines = if fit == 1 { "line" } else { "lines" };
    format!("{}: {}; {fit} {lines}", lamp.name, lamp.title)
}

fn expected_words(thing: &Expected) -> (&str, String) {
    let bench = match thing.bench.as_str() {
        "" => "every bench",
        bench => bench,
    };
    let what = match (thing.count, thing.name()) {
        (1, name) => name.to_owned(),
        (n, name) => format!("{name}, {n} photos"),
    };
    (bench, what)
}

fn severity_word(severity: Option<Severity>) -> &'static str {
    severity.map_or("not judged", Into::into)
}

/// A path as people would write it: `config/../inbox` is `inbox`.
fn shown(path: &Path) -> String {
    let plain = without_detours(path);
    if plain.as_os_str().is_empty() {
        return ".".to_owned();
    }
    plain.display().to_string()
}

/// A rule in words: what it asks, and what becomes of the photo.
pub fn rule_words(rule: &Rule) -> (String, String) {
    let mut parts = rule.parts().into_iter().skip(1).collect::<Vec<_>>();
    let then = parts.pop().unwrap_or_default();
    let when = if parts.is_empty() {
        "every file".to_owned()
    } else {
        parts.join("; ")
    };
    (when, then)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_is_shown_without_the_way_there_and_back() {
        for (path, expected) in [
            ("config/../inbox", "inbox"),
            ("../inbox", "../inbox"),
            ("a/../../b", "../b"),
            ("a/..", "."),
            ("/a/./b/../c", "/a/c"),
        ] {
            assert_eq!(shown(Path::new(path)), expected);
        }
    }
}
