//! The whole configuration, from its text.

use proptest::prelude::*;

use crate::classify::{Evidence, Outcome};
use crate::decode::Facts;
use crate::terms::Capture;

use super::*;

const MINIMAL: &str = "inbox: in\nresults: out\nrules: []\n";

fn with(extra: &str) -> Result<Settings, Vec<Mistake>> {
    load_text(&format!("{MINIMAL}{extra}"), Path::new("lab/lab.yaml"))
}

#[test]
fn the_shipped_configuration_has_the_defaults_of_the_code() {
    let settings = shipped(Path::new("config/lab.yaml"));
    assert_eq!(settings.limits, Limits::default());
    assert_eq!(settings.arrival, Arrival::default());
    assert_eq!(settings.work, Work::default());
    assert_eq!(settings.pairing, Pairing::default());
    assert_eq!(settings.output, Output::default());
    assert_eq!(settings.instrument, Instrument::default());
    assert_eq!(settings.words, words::shipped());
    assert_eq!(settings.lamps, standards::lamps());
    assert_eq!(settings.inbox, Path::new("config/../demo-inbox"));
}

#[test]
fn the_shipped_rules_sort_by_the_beginning_of_the_name_in_any_letter_case() {
    let rules = shipped(Path::new("lab.yaml")).rules;
    for (path, rule, capture, lamp) in [
        (
            "heron/lamp-01.jpg",
            "lamp",
            Capture::Calibration,
            "fluorescent",
        ),
        (
            "heron/evening/LAMP.HEIC",
            "lamp",
            Capture::Calibration,
            "fluorescent",
        ),
        (
            "heron/Lamp-he-01.dng",
            "lamp",
            Capture::Calibration,
            "fluorescent",
        ),
        ("heron/dark-1.png", "dark", Capture::Dark, ""),
        ("Blank.tif", "blank", Capture::Blank, ""),
        ("a/bracket_3.webp", "bracket", Capture::Bracket, ""),
        ("a/quay lamp.jpg", "sample", Capture::Sample, ""),
        ("lamps/quay.jpg", "sample", Capture::Sample, ""),
    ] {
        let decision = rules.decide(&Evidence::new(path, &Facts::default()));
        assert_eq!(decision.rule, rule, "{path}");
        let Outcome::Measure(purpose) = decision.outcome else {
            panic!("{path} is measured");
        };
        assert_eq!(
            (purpose.capture, purpose.lamp.as_str()),
            (capture, lamp),
            "{path}"
        );
    }
    for path in [
        "heron/lamp-01.AAE",
        "heron/lamp-01.mov",
        "heron/lamp-01.xmp",
        "heron/.DS_Store",
        "heron/._lamp-01.jpg",
        "heron/.thumbnails/lamp-01.jpg",
        ".trash/lamp-01.jpg",
        "Thumbs.db",
        "desktop.ini",
        "heron/notes.txt",
        "heron/table.csv",
        "heron/lamp.docx",
    ] {
        let decision = rules.decide(&Evidence::new(path, &Facts::default()));
        let Outcome::Ignore { why, .. } = decision.outcome else {
            panic!("{path} is ignored, not taken by {}", decision.rule);
        };
        assert!(!why.is_empty());
    }
}

#[test]
fn shipped_names_that_say_nothing_are_looked_at_and_no_others() {
    let rules = shipped(Path::new("lab.yaml")).rules;
    let asks = |name: &str| {
        let path = format!("heron/{name}");
        let decision = rules.decide(&Evidence::new(&path, &Facts::default()));
        decision.basis.asks_to_look
    };
    for name in [
        "IMG_1234.JPG",
        "IMG_0001.jpg",
        "img_e1234.heic",
        "IMG_0001_HDR.jpg",
        "DSC01234.jpg",
        "DSCN1234.JPG",
        "_DSC1234.dng",
        "P1010001.JPG",
        "IMG_20261112_195521.jpg",
        "IMG_20261112_195521_1.jpg",
        "PXL_20261112_195521123.jpg",
        "PXL_20261112_195521123.MP.jpg",
        "20261112_195521.jpg",
        "20261112_195521(0).jpg",
        "IMG-20261112-WA0001.jpg",
        "Some Image 2026-11-12 at 19.55.21.jpeg",
        "photo_2026-11-12_19-55-21.jpg",
        "image0.jpeg",
        "1000012345.jpg",
        "5A3B0C1D-0000-4E1F-8899-AABBCCDDEEFF.jpeg",
        "IMG_1234 (1).jpg",
        "IMG_1234 copy.jpg",
    ] {
        assert!(asks(name), "{name}");
    }
    for name in [
        "lamp-01.jpg",
        "dye-2mg.jpg",
        "quay-sodium.jpg",
        "IMG_0001.txt",
        "IMG_0001.mov",
        "IMG_1234-lamp.jpg",
        "sodium 2.jpg",
        "bulb-2800K.jpg",
        "dark_0001.jpg",
        "dye-unknown.jpg",
        "20261112 neon.jpg",
        "neon-20261112_195521.jpg",
    ] {
        assert!(!asks(name), "{name}");
    }
}

#[test]
fn all_mistakes_of_a_file_come_at_once_from_top_to_bottom() {
    let text = "inbx: in
results: out
instrument: {slit_distance_mm: far}
benches:
  heron: {groove_spacing_nm: 74}
  Heron: {}
rules:
  - {name: a, path: lamp*, then: {capture: calibration, lamp: fluorescant}}
limits:
  tilt_deg: {caution: 6}
  blurr_px: {retake: 3}
arrival: {poll: sometimes}
work: {workers: many}
pairing: {calibration: newest}
output: {step_nm: 0}
lamps: [helium]
words: nowhere.yaml
arrival: {}
";
    let mistakes = load_text(text, Path::new("lab.yaml")).unwrap_err();
    let of_lab: Vec<(usize, usize)> = mistakes
        .iter()
        .filter(|m| m.file == Path::new("lab.yaml"))
        .map(|m| (m.line, m.column))
        .collect();
    let lines: Vec<usize> = of_lab.iter().map(|place| place.0).collect();
    assert_eq!(
        lines,
        [1, 1, 3, 5, 6, 8, 10, 11, 12, 13, 14, 15, 16, 18],
        "{mistakes:#?}"
    );
    assert!(of_lab.is_sorted());
    let told: Vec<String> = mistakes.iter().map(ToString::to_string).collect();
    for part in [
        "lab.yaml:1:1: inbx: unknown key\n    did you mean \"inbox\"?",
        "lab.yaml:1:1: the key \"inbox\" is missing",
        "lab.yaml:3:32: instrument.slit_distance_mm: a number is wanted here, not \"far\"",
        "lab.yaml:8:63: rules[0].then.lamp: there is no lamp named \"fluorescant\"\n    did you mean \"fluorescent\"?",
        "lab.yaml:11:3: limits.blurr_px: unknown key\n    did you mean \"blur_px\"?",
        "lab.yaml:18:1: the key \"arrival\" is here a second time; the first is on line 12",
        "nowhere.yaml:1:1: cannot be read",
    ] {
        assert!(told.iter().any(|m| m.contains(part)), "{part} in {told:#?}");
    }
}

#[test]
fn paths_start_from_the_file_they_stand_in() {
    let settings = with("").unwrap();
    assert_eq!(settings.inbox, Path::new("lab/in"));
    assert_eq!(settings.results, Path::new("lab/out"));
    let absolute = load_text(
        "inbox: /somewhere/in\nresults: out\nrules: []\n",
        Path::new("lab/lab.yaml"),
    );
    assert_eq!(absolute.unwrap().inbox, Path::new("/somewhere/in"));
}

#[test]
fn inbox_and_results_must_lie_apart_however_they_are_written() {
    for (inbox, results) in [
        ("a", "a"),
        ("a", "a/results"),
        ("a/inbox", "a"),
        ("a", "b/../a/x"),
        ("a/./b", "a/b/"),
    ] {
        let text = format!("inbox: {inbox}\nresults: {results}\nrules: []\n");
        let mistakes = load_text(&text, Path::new("lab.yaml")).unwrap_err();
        assert_eq!(
            (mistakes.len(), mistakes[0].line),
            (1, 2),
            "{inbox} {results}"
        );
    }
    assert_eq!(overlap(Path::new("ab"), Path::new("a")), None);
}

#[test]
fn a_bench_of_its_own_differs_only_in_what_it_states() {
    let settings =
        with("instrument: {slit_distance_mm: 250}\nbenches: {Heron: {groove_spacing_nm: 740}}\n")
            .unwrap();
    assert_eq!(
        settings.bench("heron"),
        &Instrument {
            groove_spacings_nm: vec![740.0],
            slit_distance_mm: 250.0
        }
    );
    assert_eq!(settings.bench("dunlin").groove_spacings_nm, [1600.0, 740.0]);
}

#[test]
fn a_lamp_is_found_by_name_or_symbol_and_any_other_word_means_all() {
    let settings = with("").unwrap();
    let names = |name: &str| {
        let lamps = settings.lamps_for(name);
        lamps.iter().map(|l| l.name.clone()).collect::<Vec<_>>()
    };
    assert_eq!(names("Helium"), ["helium"]);
    assert_eq!(names("he"), ["helium"]);
    assert_eq!(names("auto").len(), settings.lamps.len());
    assert_eq!(names("quay").len(), settings.lamps.len());
}

#[test]
fn the_hash_follows_what_results_depend_on_and_nothing_else() {
    let hash = |text: &str, file: &str| {
        load_text(text, Path::new(file))
            .unwrap()
            .configuration_hash()
    };
    let base = "inbox: in\nresults: out\nrules: [{name: a, path: x*, then: {capture: dark}}]\n";
    let reference = hash(base, "lab.yaml");
    for same in [
        "# a remark\ninbox: elsewhere\nresults: out2\nrules:\n  - {then: {capture: dark}, name: a, path: [x*]}\n",
        &format!("{base}work: {{workers: 3, memory_mib: 500}}\narrival: {{settle_s: 1}}\n"),
        &format!("{base}limits: {{tilt_deg: {{caution: 3.5}}}}\n"),
        // What rules make of a photo stands in its own record: `decision_hash`.
        &base.replace("x*", "y*"),
        &base.replace("dark", "blank"),
        &base.replace("name: a", "name: b"),
    ] {
        assert_eq!(hash(same, "other/lab.yaml"), reference, "{same}");
    }
    for different in [
        format!("{base}limits: {{tilt_deg: {{caution: 3.4}}}}\n"),
        format!("{base}output: {{step_nm: 0.5}}\n"),
        format!("{base}pairing: {{within_h: any}}\n"),
        format!("{base}benches: {{heron: {{groove_spacing_nm: 740}}}}\n"),
        format!("{base}lamps: {{mine: {{lines: [{{wavelength_nm: 500}}]}}}}\n"),
        format!("{base}work: {{max_megapixels: 10}}\n"),
    ] {
        assert_ne!(hash(&different, "lab.yaml"), reference, "{different}");
    }
}

#[test]
fn a_configuration_that_is_no_text_is_refused_with_a_place() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("lab.yaml");
    let place = |bytes: &[u8]| {
        std::fs::write(&file, bytes).unwrap();
        let mistakes = load(&file).unwrap_err();
        assert_eq!(mistakes.len(), 1, "{mistakes:?}");
        (
            mistakes[0].line,
            mistakes[0].column,
            mistakes[0].what.clone(),
        )
    };
    let (line, column, what) = place(b"inbox: in\nresults: \xff\n");
    assert_eq!((line, column), (2, 10));
    assert!(what.contains("UTF-8"));
    assert!(
        place(&vec![b'#'; mistake::MAX_BYTES + 1])
            .2
            .contains("at most 262144")
    );
    assert!(load(folder.path()).unwrap_err()[0].what.contains("folder"));
    assert!(
        load(&folder.path().join("none.yaml")).unwrap_err()[0]
            .what
            .contains("cannot be read")
    );
}

#[test]
fn an_empty_file_is_told_what_it_lacks() {
    for text in ["", "# nothing\n", "---\n", "~\n", "[]\n", "just words\n"] {
        let mistakes = load_text(text, Path::new("lab.yaml")).unwrap_err();
        assert!(!mistakes.is_empty(), "{text:?}");
    }
    let mistakes = load_text("", Path::new("lab.yaml")).unwrap_err();
    assert_eq!(mistakes.len(), 3, "inbox, results, rules: {mistakes:?}");
}

#[test]
fn the_description_names_every_rule_limit_bench_and_folder() {
    let settings = with(
        "benches: {heron: {groove_spacing_nm: 740}}\nlimits: {skew_deg: off}\npairing: {within_h: any}\n",
    )
    .unwrap();
    let text = describe(&settings);
    for part in [
        "lab/in",
        "lab/out",
        "heron: grooves 740 nm apart",
        "(tilt_deg): caution above 3.5°, retake above 5°",
        "(slit_width_um): caution above 400 µm, retake above 600 µm",
        "(skew_deg): not judged",
        "however far away",
        "helium: Helium tube; ",
    ] {
        assert!(text.contains(part), "{part} in\n{text}");
    }
    let shipped = shipped(Path::new("config/lab.yaml"));
    let text = describe(&shipped);
    let mut from = 0;
    for rule in shipped.rules.rules() {
        let found = text[from..].find(&rule.name);
        from += found.unwrap_or_else(|| panic!("{} comes after the rules before it", rule.name));
    }
}

#[test]
fn the_largest_file_of_nonsense_is_refused_like_a_small_one() {
    let units = [
        "a: b\n- ",
        "? ",
        "[",
        "{",
        "a: ",
        "- ",
        "'",
        "|\n",
        ">",
        "a\n",
        "%a ",
        "&a ",
        "!a ",
        "\0",
        "---\n",
        "k: {a: b,",
        "- a\n",
        "\t",
    ];
    for unit in units {
        let text = unit.repeat(mistake::MAX_BYTES / unit.len());
        check_places(&text).unwrap();
    }
    let keys: String = (0..20_000).map(|i| format!("key{i}: 1\n")).collect();
    let mistakes = load_text(&keys, Path::new("lab.yaml")).unwrap_err();
    assert_eq!(
        mistakes.len(),
        20_003,
        "each key, and three that are missing"
    );
}

/// Pieces that a hand slips in: enough to reach every branch of the readers, valid and not.
fn piece() -> impl Strategy<Value = String> {
    prop_oneof![
        "[ -~\n]{0,12}",
        "[\\PC\n\t:#'\"{}\\[\\],&*!|>%@`?-]{0,6}",
        prop::sample::select(vec![
            "\n  - ",
            "\n",
            ": ",
            "{",
            "}",
            "[",
            "]",
            "'",
            "off",
            "auto",
            "1e999",
            "-1",
            "~",
            "&a ",
            "*a",
            "!t ",
            "|\n",
            "? ",
            "{mg}",
            "(?<mg>",
            "**",
            "[a",
            "then: {capture: dark}",
            "rules:\n",
            "limits: ",
            "\u{feff}",
            "\r",
            "\0",
        ])
        .prop_map(str::to_owned),
    ]
}

fn check_places(text: &str) -> Result<(), TestCaseError> {
    if let Err(mistakes) = load_text(text, Path::new("lab.yaml")) {
        prop_assert!(!mistakes.is_empty());
        // A carriage return alone ends a line too (YAML 1.2.2, chapter 5.4).
        let lines = text.replace("\r\n", "\n").matches(['\n', '\r']).count() + 1;
        for mistake in mistakes {
            prop_assert!(mistake.line >= 1 && mistake.column >= 1, "{mistake}");
            prop_assert!(mistake.line <= lines, "{mistake} in {lines} lines");
            prop_assert!(!mistake.what.is_empty() && !mistake.remedy.is_empty());
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_text_is_read_or_refused_with_a_place(pieces in prop::collection::vec(piece(), 0..12)) {
        check_places(&pieces.concat())?;
    }

    #[test]
    fn the_shipped_configuration_with_slips_in_it_is_read_or_refused_with_a_place(
        slips in prop::collection::vec((0.0..1.0f64, 0usize..30, piece()), 1..4)
    ) {
        let mut text: Vec<char> = SHIPPED.chars().collect();
        for (share, cut, put) in slips {
            let at = (share * text.len() as f64) as usize;
            let end = (at + cut).min(text.len());
            text.splice(at..end, put.chars());
        }
        check_places(&text.into_iter().collect::<String>())?;
    }
}
