//! What a configuration will do, in plain words, for the instructor who must answer for it.

use std::fmt::Write as _;
use std::path::{Component, Path, PathBuf};

use crate::classify::{Rule, RuleSet, Then, UNSORTED};
use crate::judge::Check;
use crate::terms::Severity;

use super::{BlankChoice, CalibrationChoice, Instrument, Poll, Settings};

/// The text of `slitwatch check`: folders, rules in order, benches, limits, arrival. Ends with a line break.
pub fn describe(settings: &Settings) -> String {
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = write_all(&mut text, settings);
    text
}

fn write_all(out: &mut String, settings: &Settings) -> std::fmt::Result {
    writeln!(
        out,
        "Configuration {}: no mistakes.",
        settings.file.display()
    )?;
    writeln!(out)?;
    writeln!(out, "Folders")?;
    writeln!(
        out,
        "  Photos are read from {}, at any depth; nothing there is written, moved or deleted.",
        shown(&settings.inbox)
    )?;
    writeln!(
        out,
        "  Results go to {}, one folder a photo.",
        shown(&settings.results)
    )?;
    writeln!(out)?;
    write_rules(out, settings)?;
    write_benches(out, settings)?;
    write_lamps(out, settings)?;
    write_limits(out, settings)?;
    write_rest(out, settings)
}

fn write_rules(out: &mut String, settings: &Settings) -> std::fmt::Result {
    writeln!(out, "Rules, in this order; the first that fits decides")?;
    for (i, rule) in settings.rules.rules().iter().enumerate() {
        let (when, then) = rule_words(rule);
        writeln!(out, "  {:>2}. {}", i + 1, rule.name)?;
        writeln!(out, "      {when}")?;
        writeln!(out, "      -> {then}")?;
    }
    writeln!(
        out,
        "  Then {}: a sample of the bench its first folder names ({UNSORTED}, if it lies directly in the inbox).",
        RuleSet::OTHER_PHOTOS
    )?;
    writeln!(
        out,
        "  Then {}: ignored, with a row that says so.",
        RuleSet::OTHER_FILES
    )?;
    writeln!(out, "  Rules that measure take pictures only.")?;
    writeln!(out)
}

fn write_benches(out: &mut String, settings: &Settings) -> std::fmt::Result {
    writeln!(out, "Instruments")?;
    writeln!(
        out,
        "  Every bench: {}.",
        instrument_words(&settings.instrument)
    )?;
    for (name, instrument) in &settings.benches {
        writeln!(out, "  {name}: {}.", instrument_words(instrument))?;
    }
    writeln!(out)
}

fn instrument_words(instrument: &Instrument) -> String {
    let spacings: Vec<String> = instrument
        .groove_spacings_nm
        .iter()
        .map(|nm| format!("{nm} nm"))
        .collect();
    let grooves = match spacings.as_slice() {
        [one] => format!("grooves {one} apart"),
        several => format!(
            "grooves {} apart, whichever fits the lamp",
            several.join(" or ")
        ),
    };
    format!(
        "{grooves}, slit {} mm from the grating",
        instrument.slit_distance_mm
    )
}

fn write_lamps(out: &mut String, settings: &Settings) -> std::fmt::Result {
    writeln!(out, "Lamps a rule may name (auto: whichever fits)")?;
    for lamp in &settings.lamps {
        let fit = lamp.lines.iter().filter(|line| line.fit).count();
        writeln!(
            out,
            "  {}: {}; {fit} {} for the scale",
            lamp.name,
            lamp.title,
            if fit == 1 { "line" } else { "lines" }
        )?;
    }
    writeln!(out)
}

fn write_limits(out: &mut String, settings: &Settings) -> std::fmt::Result {
    writeln!(out, "Limits")?;
    for check in Check::ALL {
        let limit = settings.limits[check].words(check.unit());
        writeln!(out, "  {} ({}): {limit}", check.row().about, check.key())?;
    }
    let severity = |severity: Option<Severity>| match severity {
        None => "not judged",
        Some(Severity::Caution) => "caution",
        Some(Severity::Retake) => "retake",
    };
    writeln!(
        out,
        "  exposure or white balance not locked (exposure_auto): {}; in a set with its blank or dark \
         (exposure_auto_in_set): {}",
        severity(settings.limits.exposure_auto),
        severity(settings.limits.exposure_auto_in_set)
    )?;
    writeln!(out)
}

fn write_rest(out: &mut String, settings: &Settings) -> std::fmt::Result {
    let (arrival, work, pairing, output) = (
        &settings.arrival,
        &settings.work,
        &settings.pairing,
        &settings.output,
    );
    writeln!(out, "Arrival")?;
    writeln!(
        out,
        "  A photo is taken in hand once its size and time have not changed for {} s and the whole picture is there; \
         one that is still incomplete after {} s counts as damaged.",
        arrival.settle_s, arrival.damaged_after_s
    )?;
    match arrival.poll {
        Poll::Never => writeln!(
            out,
            "  The folder is looked through when the system reports a change."
        )?,
        Poll::Always => writeln!(
            out,
            "  The folder is looked through every {} s, and when the system reports a change.",
            arrival.rescan_s
        )?,
        Poll::Auto => writeln!(
            out,
            "  The folder is looked through when the system reports a change, and every {} s where it may not.",
            arrival.rescan_s
        )?,
    }
    writeln!(out)?;
    writeln!(out, "Calibration and blanks")?;
    let which = match pairing.calibration {
        CalibrationChoice::Nearest => "the calibration of its bench that is nearest in time",
        CalibrationChoice::LatestBefore => {
            "the latest calibration of its bench before it, or else the first after it"
        }
        CalibrationChoice::Best => "the calibration of its bench with the smallest uncertainty",
    };
    let blank = match pairing.blank {
        BlankChoice::Nearest => "the blank that is nearest in time",
        BlankChoice::LatestBefore => "the latest blank before it, or else the first after it",
    };
    let within = match pairing.within_h {
        Some(hours) => format!("not more than {hours} h away"),
        None => "however far away".to_owned(),
    };
    writeln!(
        out,
        "  A photo is measured with {which}, {within}. One that comes later, or is better, reaches back."
    )?;
    writeln!(
        out,
        "  A sample is compared with {blank}; blanks with its own exposure go first."
    )?;
    writeln!(out)?;
    if !settings.stated.is_empty() {
        writeln!(out, "Concentrations")?;
        writeln!(
            out,
            "  Stated of {} photos by name, in a table of its own; they go before what a rule reads from a name.",
            settings.stated.len()
        )?;
        writeln!(out)?;
    }
    writeln!(out, "Spectra")?;
    writeln!(
        out,
        "  From {} nm to {} nm in steps of {} nm, wavelengths in air.",
        output.from_nm, output.to_nm, output.step_nm
    )?;
    writeln!(out)?;
    writeln!(out, "Pages")?;
    let again = match settings.pages.refresh_s {
        0 => "never load themselves again".to_owned(),
        s => format!("load themselves again every {s} s"),
    };
    writeln!(
        out,
        "  The board is titled \"{}\"; pages {again}.",
        settings.pages.title
    )?;
    if settings.pages.cards {
        writeln!(
            out,
            "  Each photo's verdict is drawn as a card in <bench>/cards of the results, for the bench's phone."
        )?;
    } else {
        writeln!(out, "  No cards for the phones' galleries are drawn.")?;
    }
    writeln!(out)?;
    writeln!(out, "Work")?;
    let workers = match work.workers {
        Some(1) => "One photo at a time".to_owned(),
        Some(n) => format!("{n} photos at a time"),
        None => "As many photos at a time as there are cores".to_owned(),
    };
    let memory = match work.memory_mib {
        Some(mib) => format!("within {mib} MiB"),
        None => {
            "within 150 MiB a worker, 512 MiB at least, half of the free memory at most".to_owned()
        }
    };
    writeln!(
        out,
        "  {workers}, {memory}. Pictures of more than {} megapixels are refused.",
        work.max_megapixels
    )
}

/// A path as people would write it: `config/../inbox` is `inbox`. For reading only: where `config` is a symbolic link the
/// file system goes another way.
fn shown(path: &Path) -> String {
    let mut parts = PathBuf::new();
    for component in path.components() {
        match component {
            Component::ParentDir
                if matches!(parts.components().next_back(), Some(Component::Normal(_))) =>
            {
                parts.pop();
            }
            other => parts.push(other),
        }
    }
    if parts.as_os_str().is_empty() {
        parts.push(".");
    }
    parts.display().to_string()
}

/// A rule in words: what it asks, and what becomes of the photo.
pub fn rule_words(rule: &Rule) -> (String, String) {
    let mut parts = rule_parts(rule).into_iter().skip(1).collect::<Vec<_>>();
    let then = parts.pop().unwrap_or_default();
    let when = if parts.is_empty() {
        "every file".to_owned()
    } else {
        parts.join("; ")
    };
    (when, then)
}

/// Everything a rule says: its name, each condition, and last what becomes of the photo. Complete, because the
/// configuration's hash rests on it.
pub(super) fn rule_parts(rule: &Rule) -> Vec<String> {
    let mut parts = vec![rule.name.clone()];
    let globs: Vec<&str> = rule.when.paths.sources().collect();
    if !globs.is_empty() {
        parts.push(format!("name or path like {}", globs.join(" or ")));
    }
    if let Some(regex) = &rule.when.path_regex {
        parts.push(format!("path fits the expression {regex}"));
    }
    if let Some(regex) = &rule.when.name_regex {
        parts.push(format!("name fits the expression {regex}"));
    }
    for test in &rule.when.facts {
        parts.push(format!("the file states {test}"));
    }
    if let Some(window) = &rule.when.window {
        parts.push(format!("taken {window}"));
    }
    parts.push(match &rule.then {
        Then::Ignore { why } => format!("ignored: {}", why.source()),
        Then::Measure {
            capture,
            bench,
            lamp,
            label,
        } => {
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
