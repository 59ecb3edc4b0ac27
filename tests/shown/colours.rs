//! Colours and sizes of the pages against the Web Content Accessibility Guidelines (WCAG) 2.1.

use std::collections::BTreeMap;

const STYLE: &str = include_str!("../../src/report/pages/harbour.css");
const BOARD: &str = include_str!("../../src/report/pages/board.css");
const BENCH: &str = include_str!("../../src/report/pages/bench.css");
const CALIBRATION: &str = include_str!("../../src/report/pages/calibration.css");

/// Relative luminance of `#rrggbb` or `#rgb`, WCAG 2.1, definition in the glossary.
fn luminance(hex: &str) -> f64 {
    let digits = hex.trim_start_matches('#');
    let full: String = match digits.len() {
        3 => digits.chars().flat_map(|c| [c, c]).collect(),
        _ => digits.to_owned(),
    };
    let channel = |i: usize| {
        let v = f64::from(u8::from_str_radix(&full[2 * i..2 * i + 2], 16).unwrap()) / 255.0;
        if v <= 0.03928 {
            v / 12.92
        } else {
            ((v + 0.055) / 1.055).powf(2.4)
        }
    };
    0.2126 * channel(0) + 0.7152 * channel(1) + 0.0722 * channel(2)
}

fn contrast(a: &str, b: &str) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// Custom properties of the rule that begins with `opening`.
fn properties(opening: &str) -> BTreeMap<String, String> {
    let from = STYLE.find(opening).unwrap() + opening.len();
    let rule = &STYLE[from..from + STYLE[from..].find('}').unwrap()];
    rule.split(';')
        .filter_map(|p| p.trim().strip_prefix("--")?.split_once(':'))
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .collect()
}

#[test]
fn the_measure_of_contrast_is_that_of_the_guidelines() {
    // WCAG 2.1: black on white is 21 : 1; #777 on white is the well-known 4.48 : 1 that just fails (common practice).
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    assert!((contrast("#777", "#fff") - 4.48).abs() < 0.01);
}

#[test]
fn all_text_can_be_read_in_light_and_dark() {
    let light = properties(":root{color-scheme:light dark;");
    let dark = properties("@media(prefers-color-scheme:dark){:root{");
    for (mode, colours) in [("light", &light), ("dark", &dark)] {
        for ground in ["fog", "paper"] {
            // WCAG 2.1, 1.4.3: 4.5 : 1 for text.
            for text in [
                "ink",
                "soft",
                "good",
                "caution",
                "retake",
                "waiting",
                "unreadable",
                "ignored",
            ] {
                let ratio = contrast(&colours[text], &colours[ground]);
                assert!(ratio >= 4.5, "{mode}: {text} on {ground} {ratio:.2}");
            }
        }
        // The level's number stands on paper or on water.
        let ratio = contrast(&colours["ink"], &colours["water"]);
        assert!(ratio >= 4.5, "{mode}: ink on water {ratio:.2}");
    }
}

#[test]
fn every_state_s_panel_carries_readable_words() {
    for class in ["g", "c", "r", "w", "u", "i"] {
        let p = properties(&format!("\n.{class}{{"));
        let ratio = contrast(&p["c"], &p["on"]);
        assert!(ratio >= 4.5, "{class}: {ratio:.2}");
    }
}

#[test]
fn no_letter_is_smaller_than_twelve_pixels() {
    let root = STYLE.find("html{font-size:clamp(16px").is_some();
    assert!(root, "a rem is at least 16 px");
    let mut seen = 0;
    for sheet in [STYLE, BOARD, BENCH, CALIBRATION] {
        for (at, _) in sheet.match_indices("font-size:") {
            let value: String = sheet[at + 10..]
                .chars()
                .take_while(|c| !";}".contains(*c))
                .collect();
            let value = value.strip_prefix("clamp(").unwrap_or(&value);
            let value = value.split(',').next().unwrap();
            let px = match value {
                v if v.ends_with("rem") => 16.0 * v[..v.len() - 3].parse::<f64>().unwrap(),
                v if v.ends_with("px") => v[..v.len() - 2].parse::<f64>().unwrap(),
                // Points are for print.
                v if v.ends_with("pt") => v[..v.len() - 2].parse::<f64>().unwrap() * 4.0 / 3.0,
                v => panic!("a size in another unit: {v}"),
            };
            assert!(px >= 12.0, "{value}");
            seen += 1;
        }
    }
    assert!(seen > 15, "only {seen} sizes found");
}
