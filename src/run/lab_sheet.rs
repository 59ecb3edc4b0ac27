//! The lab sheets of the benches: made before the class from the configuration alone and the names of the inbox's folders.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::failure::Failure;
use super::governed::state;
use super::slates::{known_benches, paper_named};
use super::workbook::put;
use crate::classify::{Evidence, Expected, Said, TakenPhoto};
use crate::decode::Facts;
use crate::publish::names;
use crate::report::{LabSheet, LabSheets, MOST_STEPS, Step, lab_sheets_html, page_address};
use crate::settings::{LookAt, Settings};
use crate::slates::{CARD_STYLE, Slate, Square, What, card};
use crate::terms::{Capture, Phrases, Sessions};

/// Where it goes if nobody says.
const FILE: &str = "lab-sheet.html";
/// More cards than this are not named for one thing.
const MOST_CARDS: usize = 6;

/// Writes the sheets of `benches`, or of all that are known where none is named, to `file`, in place of one that is there; with a code
/// of each page's address where the results are handed out at an address. Says in words what was written.
///
/// # Errors
/// Where an address is too long for a code; where the file cannot be written.
pub fn write_lab_sheets(
    settings: &Settings,
    (benches, address, paper): (&[String], Option<&str>, &str),
    file: Option<&Path>,
) -> Result<String, Failure> {
    let mut benches = match benches {
        [] => known_benches(settings),
        named => named.to_vec(),
    };
    let mut remarks = String::new();
    if benches.is_empty() {
        remarks.push_str("\nNo bench is known yet, so it is one for any of them: name some with --bench, or make a folder for each in the inbox.");
        benches.push(String::new());
    }
    if address.is_none() {
        remarks.push_str(
            "\nThe benches’ pages are not on it: say with --address where they will be handed out.",
        );
    }
    let mut sheets = Vec::new();
    for bench in &benches {
        let sheet = sheet(settings, bench, address)?;
        if sheet.steps.len() > MOST_STEPS {
            let n = sheet.steps.len() - MOST_STEPS;
            remarks.push_str(&format!("\n{bench}: {n} things to photograph do not fit."));
        }
        sheets.push(sheet);
    }
    let page = lab_sheets_html(&LabSheets {
        title: &settings.pages.title,
        ends_at: settings.expected.ends_at.as_deref(),
        paper: paper_named(paper).css(),
        card_style: CARD_STYLE,
        phrases: &settings.words.phrases,
        sheets: &sheets,
    });
    let file = file.map_or_else(|| PathBuf::from(FILE), Path::to_owned);
    put(&file, page.as_bytes()).map_err(|error| {
        let what = file.display();
        Failure::Work(format!("{what}: {error}; name another file with --out"))
    })?;
    let whose = match benches.join(", ") {
        none if none.is_empty() => "a sheet for any bench".to_owned(),
        named => format!("sheets of {named}"),
    };
    Ok(format!("{}: {whose}{remarks}", file.display()))
}

/// The address that results will be handed out at.
///
/// # Errors
/// In words, where it is none that a phone can open.
pub fn room_address(text: &str) -> Result<String, String> {
    let rest = ["http://", "https://"]
        .iter()
        .find_map(|scheme| text.strip_prefix(scheme));
    let is_plain = |c: char| c.is_ascii_graphic() && !"\"<>\\^`{|}?#".contains(c);
    match rest {
        Some(rest) if !rest.trim_matches('/').is_empty() && rest.chars().all(is_plain) => {
            Ok(text.to_owned())
        }
        _ => Err("write such as http://192.168.1.20:8080".to_owned()),
    }
}

fn sheet(settings: &Settings, bench: &str, address: Option<&str>) -> Result<LabSheet, Failure> {
    let page = address.map(|room| {
        let address = page_address(room, bench);
        let square = Square::of_address(&address);
        let square = square.ok_or_else(|| {
            Failure::Usage(format!(
                "{address} is too long for a code: leave --address out"
            ))
        })?;
        Ok::<_, Failure>((address, square.svg()))
    });
    let has_card = settings.slates.look_at != LookAt::None && !bench.is_empty();
    Ok(LabSheet {
        bench: bench.to_owned(),
        steps: steps(settings, bench),
        card: has_card
            .then(|| card(&Slate::of_bench(bench), &settings.words.phrases))
            .flatten(),
        page: page.transpose()?,
    })
}

/// What a bench photographs, in the configuration's order; where nothing is expected of it, in the usual one. A lamp stands first and
/// last (common practice, no source): without the first there is no scale, and the last shows whether it still holds.
fn steps(settings: &Settings, bench: &str) -> Vec<Step> {
    let t = &settings.words.phrases;
    let mut things: Vec<Expected> = settings.expected.of(bench).cloned().collect();
    if things.is_empty() {
        let usual = [Capture::Calibration, Capture::Blank, Capture::Sample];
        things = usual.map(thing).to_vec();
    }
    let is_lamp = |thing: &Expected| kind(settings, bench, thing) == Some(Capture::Calibration);
    if !things.first().is_some_and(is_lamp) {
        things.insert(0, thing(Capture::Calibration));
    }
    let is_lamp_last = things.len() > 1 && things.last().is_some_and(is_lamp);
    // Photos of one kind, labels aside, have one number after the other.
    let mut taken: BTreeMap<Capture, usize> = BTreeMap::new();
    let mut step = |thing: &Expected| {
        let kind = kind(settings, bench, thing);
        let before = kind.map_or(0, |kind| taken.get(&kind).copied().unwrap_or(0));
        if let Some(kind) = kind {
            *taken.entry(kind).or_default() += thing.count;
        }
        let is_lamp_again = kind == Some(Capture::Calibration) && before > 0;
        let name = name_of(settings, bench, thing, before + 1);
        Step {
            what: called(thing, t),
            how: t.say(if is_lamp_again { STILL } else { how(kind) }),
            n: thing.count,
            name: name.map_or(String::new(), |(shown, _)| shown),
            card: cards_of(settings, bench, thing),
        }
    };
    let mut steps: Vec<Step> = things.iter().map(&mut step).collect();
    if !is_lamp_last {
        let last = Step {
            what: t.say("step.lamp_again"),
            ..step(&thing(Capture::Calibration))
        };
        // The last row stays, whatever is left out.
        steps.insert(steps.len().min(MOST_STEPS - 1), last);
    }
    steps
}

/// One photo of this kind, at any bench.
fn thing(capture: Capture) -> Expected {
    Expected {
        bench: String::new(),
        capture: Some(capture),
        label: None,
        count: 1,
        say: String::new(),
    }
}

/// What it is taken as, if not by the configuration's word then by its name.
fn kind(settings: &Settings, bench: &str, thing: &Expected) -> Option<Capture> {
    let by_name = || Some(name_of(settings, bench, thing, 1)?.1);
    thing.capture.or_else(by_name)
}

/// How it is called on the sheet.
fn called(thing: &Expected, t: &Phrases) -> String {
    match (&thing.label, thing.capture) {
        _ if !thing.say.is_empty() => thing.say.clone(),
        (Some((source, _)), _) => open(source, "…"),
        (None, Some(Capture::Calibration)) => t.say("slates.lamp"),
        (None, Some(Capture::Blank)) => t.say("slates.blank"),
        (None, Some(Capture::Dark)) => t.say("slates.dark"),
        (None, Some(Capture::Bracket)) => t.say("step.bracket"),
        (None, Some(Capture::Sample) | None) => t.say("slates.sample"),
    }
}

const STILL: &str = "step.still";

/// Under which key it is said what is to be seen to (common practice; the locks and the tube as README.md has them).
fn how(kind: Option<Capture>) -> &'static str {
    match kind {
        Some(Capture::Calibration) => "step.lamp_how",
        Some(Capture::Blank) => "step.blank_how",
        Some(Capture::Dark) => "step.dark_how",
        Some(Capture::Bracket) => "step.bracket_how",
        Some(Capture::Sample) | None => "step.sample_how",
    }
}

/// A pattern with something in the place of what it leaves open.
fn open(source: &str, with: &str) -> String {
    source.replace(['*', '?'], with)
}

/// How a photo of it is named, as the rules in force take names, and what it is then taken as; without a label the `nth` of its kind.
/// Nothing where no such name says it by itself.
fn name_of(
    settings: &Settings,
    bench: &str,
    thing: &Expected,
    nth: usize,
) -> Option<(String, Capture)> {
    let (shown, stem) = match &thing.label {
        Some((source, _)) => (open(source, "…"), open(source, "1")),
        None => {
            let word = match thing.capture? {
                Capture::Calibration => "lamp",
                capture => capture.as_str(),
            };
            let name = format!("{word}-{nth:02}");
            (name.clone(), name)
        }
    };
    let bench = if bench.is_empty() { "bench" } else { bench };
    let folder = names::bench_folder(bench);
    let path = match settings.sessions {
        Sessions::Folder => format!("session/{folder}/{stem}.jpg"),
        Sessions::None | Sessions::Date { .. } => format!("{folder}/{stem}.jpg"),
    };
    let facts = Facts::default();
    let decision = settings.rules.decide(&Evidence::new(&path, &facts));
    let purpose = decision.purpose()?;
    let photo = TakenPhoto {
        capture: Some(purpose.capture),
        label: &purpose.label,
        subject: &purpose.label,
    };
    let says_it = !decision.basis.asks_to_look && thing.is_met_by(&photo);
    says_it.then_some((shown, purpose.capture))
}

/// The headings of the class's cards that say of a photo that it is one of these.
fn cards_of(settings: &Settings, bench: &str, thing: &Expected) -> String {
    if settings.slates.look_at == LookAt::None {
        return String::new();
    }
    let says_it = |slate: &Slate| {
        let of_another = slate
            .bench
            .as_ref()
            .is_some_and(|of| of.to_lowercase() != bench.to_lowercase());
        let mut said = Said::default();
        state(&mut said, slate.what.as_ref());
        let label = said.label.unwrap_or_default();
        let photo = TakenPhoto {
            capture: said.capture,
            label: &label,
            subject: &label,
        };
        !of_another && said.capture.is_some() && thing.is_met_by(&photo)
    };
    let cards = settings.slates.printed(&[]);
    let mut headings: Vec<String> = cards
        .iter()
        .filter(|slate| says_it(slate))
        .filter_map(|slate| heading(slate.what.as_ref()?, &settings.words.phrases))
        .collect();
    headings.dedup();
    let n_more = headings.len().saturating_sub(MOST_CARDS);
    headings.truncate(MOST_CARDS);
    let mut all = headings.join(", ");
    if n_more > 0 {
        all.push_str(", …");
    }
    all
}

/// A card's heading, as it is printed in large letters.
fn heading(what: &What, t: &Phrases) -> Option<String> {
    Some(match what {
        What::Lamp(None) => t.say("slates.lamp"),
        What::Lamp(Some(name)) => t.of("slates.lamp_named").put("lamp", name).to_string(),
        What::Blank => t.say("slates.blank"),
        What::Dark => t.say("slates.dark"),
        What::Sample(None) => t.say("slates.sample"),
        What::Sample(Some(label)) => label.clone(),
        What::Standard {
            concentration,
            unit,
            ..
        } => format!("{} {unit}", t.n(concentration))
            .trim_end()
            .to_owned(),
        What::Unknown(_) => t.say("slates.unknown"),
        What::Void => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings;

    fn settings(more: &str) -> Settings {
        let shipped = include_str!("../../config/lab.yaml");
        let text = format!("{shipped}\n{more}\n");
        settings::load_text(&text, Path::new("lab.yaml")).expect("sound settings")
    }

    /// What, how many, name and card of each step.
    fn rows(settings: &Settings, bench: &str) -> Vec<String> {
        let steps = steps(settings, bench);
        let row = |s: &Step| format!("{} {} {} {}", s.what, s.n, s.name, s.card);
        steps.iter().map(row).collect()
    }

    #[test]
    fn where_nothing_is_expected_the_usual_order_is_named_as_the_rules_take_names() {
        let usual = [
            "Lamp 1 lamp-01 Lamp",
            "Blank 1 blank-01 Blank",
            "Sample 1 sample-01 Sample, Unknown",
            "Lamp again 1 lamp-02 Lamp",
        ];
        assert_eq!(rows(&settings(""), "heron"), usual);
        // No rule takes a name for a blank: then none is given.
        let mut other = settings("");
        other.rules = crate::classify::RuleSet::new(Vec::new());
        other.slates.look_at = LookAt::None;
        let rows = rows(&other, "heron");
        assert_eq!(rows[1], "Blank 1  ");
        assert_eq!(rows[2], "Sample 1 sample-01 ");
    }

    #[test]
    fn what_is_expected_stands_in_its_order_between_two_lamps() {
        let some = settings(
            "expect:\n  all: [dark, {capture: blank, count: 2}, {label: 'dye-?mg', say: five standards, count: 5}]\n  \
             Heron: [{capture: sample, label: quay-lamp}, calibration]",
        );
        let all = [
            "Lamp 1 lamp-01 Lamp",
            "Dark 1 dark-01 Dark",
            "Blank 2 blank-01 Blank",
            "five standards 5 dye-…mg ",
        ];
        let knot = rows(&some, "knot");
        assert_eq!(knot[..4], all);
        assert_eq!(knot[4..], ["Lamp again 1 lamp-02 Lamp"]);
        let heron = rows(&some, "heron");
        assert_eq!(heron[..4], all);
        assert_eq!(
            heron[4..],
            ["quay-lamp 1 quay-lamp ", "Lamp 1 lamp-02 Lamp"]
        );
    }

    #[test]
    fn a_card_is_named_where_it_says_the_same() {
        let mut some = settings("expect: [{label: 'dye-*mg', count: 2}, dye-unknown, quay-lamp]");
        let standard = |concentration| What::Standard {
            concentration,
            unit: "mg".to_owned(),
            series: "dye".to_owned(),
        };
        let cards = [
            standard(0.5),
            standard(2.0),
            What::Unknown("dye".to_owned()),
            What::Sample(Some("quay-lamp".to_owned())),
        ];
        let cards = cards.map(|what| settings::Card::One(Slate::of(what)));
        some.slates.cards = cards.to_vec();
        assert_eq!(
            rows(&some, "heron")[1..4],
            [
                "dye-…mg 2 dye-…mg 0.5 mg, 2 mg",
                "dye-unknown 1 dye-unknown Unknown",
                "quay-lamp 1 quay-lamp quay-lamp"
            ]
        );
    }

    #[test]
    fn what_is_no_address_is_refused() {
        for good in ["http://192.168.1.20:8080", "https://lab.example/monday/"] {
            assert_eq!(room_address(good).as_deref(), Ok(good));
        }
        for bad in [
            "",
            "192.168.1.20:8080",
            "http://",
            "http:///",
            "http://a b",
            "http://a/?q",
            "file:///etc",
        ] {
            assert!(room_address(bad).is_err(), "{bad}");
        }
    }
}
