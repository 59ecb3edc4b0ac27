//! What a bench gets out of its blank photographed six times, out of two exposures of one solution, and out of a filter before a
//! bulb: drawn small, swept by the program itself, and held against what was drawn, in the tables and on the bench's page.

use std::collections::BTreeMap;
use std::fs;

use jiff::ToSpan;
use slitwatch::simulate::light::{Dye, LongPass, Solution};
use slitwatch::simulate::{Exposure, Light, Shot, Source, draw};

use crate::costs::smaller;
use crate::evening;
use crate::real::{Place, shipped, stderr};

/// Concentration of the solution of two exposures, mg/L; as a standard it would be named.
const STRONG_MG: f64 = 7.0;
/// The filter's edge. The curve is an invented one (`src/simulate/light.rs`).
const FILTER: LongPass = LongPass {
    edge_nm: 530.0,
    width_nm: 24.0,
    passes: 0.88,
};

/// The demo's bench with a dilution series, drawn small: its lamp photo and standards, its blank six times, a strong solution
/// exposed as the blank and four times as long, a bulb, and that bulb behind a filter.
fn drawn() -> Vec<(String, Vec<u8>)> {
    let planned = evening::class().into_iter();
    let planned: BTreeMap<String, Shot> = planned.map(|p| (p.path, p.shot)).collect();
    let of_demo = |name: &str| {
        let mut shot = planned[&format!("dunlin/{name}")].clone();
        smaller(&mut shot);
        shot
    };
    let lamp = of_demo("lamp-02.jpg");
    let blank = of_demo("blank-01.jpg");
    let (time_s, iso) = blank.exposure_settings();
    let again = |k: u64, times: f64, light: Light| Shot {
        seed: blank.seed + k,
        taken: blank.taken.saturating_add((20 * k as i64).seconds()),
        exposure: Exposure::Set(times * time_s, iso),
        light,
        ..blank.clone()
    };
    let mut shots = vec![("lamp-02".to_owned(), lamp)];
    for k in 1..=6 {
        shots.push((format!("blank-{k:02}"), again(k, 1.0, blank.light.clone())));
    }
    for mg in ["2mg", "4mg", "6mg", "8mg"] {
        shots.push((format!("dye-{mg}"), of_demo(&format!("dye-{mg}.jpg"))));
    }
    let strong = blank.light.through(Dye::Red, STRONG_MG);
    for (k, times) in [(1, 1.0), (2, 4.0)] {
        let name = format!("bracket-dye-strong-{k}");
        shots.push((name, again(6 + k, times, strong.clone())));
    }
    let bulb = Light {
        brightness: 14.0,
        ..Light::of(Source::Tungsten(2900.0), 21)
    };
    let filtered = Light {
        filter: Some(FILTER),
        ..bulb.clone()
    };
    for (k, name, light) in [(1, "bulb-2900k", bulb), (2, "gel-amber", filtered)] {
        let shot = again(40 + k, 1.0, light);
        let exposure = Exposure::Metered(0.75);
        shots.push((name.to_owned(), Shot { exposure, ..shot }));
    }
    std::thread::scope(|scope| {
        let draw =
            |(name, shot)| scope.spawn(move || (format!("dunlin/{name}.jpg"), draw(&shot).jpeg));
        let drawing: Vec<_> = shots.into_iter().map(draw).collect();
        let drawn = drawing.into_iter().map(|d| d.join().expect("drawn"));
        drawn.collect()
    })
}

/// The shipped settings with the rule for brackets of one solution, as their comment has it, but for an unknown.
fn settings() -> String {
    let text = fs::read_to_string(shipped("config/lab.yaml")).expect("the settings");
    let rule = "  - name: brackets of one solution\n    name_regex: '^bracket-(?<scene>(?<series>dye)-[a-z]+)-'\n    \
                then: {capture: bracket}\n\n  - name: bracket\n";
    let with_rule = text.replacen("  - name: bracket\n", rule, 1);
    assert_ne!(with_rule, text);
    with_rule
}

fn number(row: &BTreeMap<String, String>, column: &str) -> f64 {
    let cell = &row[column];
    cell.parse()
        .unwrap_or_else(|_| panic!("{column} is {cell:?} in {row:?}"))
}

/// Mean signal of a published spectrum about a wavelength, ± 2 nm.
fn signal(place: &Place, photo: &str, about_nm: f64) -> f64 {
    let rows = place.rows(&format!("{photo}/spectrum.csv"));
    let near = rows
        .iter()
        .filter(|row| (number(row, "wavelength_nm") - about_nm).abs() <= 2.0);
    let signals: Vec<f64> = near.map(|row| number(row, "signal")).collect();
    signals.iter().sum::<f64>() / signals.len() as f64
}

/// Six blanks: the limits are those multiples of the scatter that a reader works out from the published spectra.
fn blanks_give_limits(place: &Place) {
    let rows = place.rows("series.csv");
    let [series] = rows.as_slice() else {
        panic!("{rows:?}");
    };
    assert_eq!((&*series["blanks"], &*series["blank_refused"]), ("6", ""));
    let nm = number(series, "wavelength_nm");
    let levels = (1..=6).map(|k| signal(place, &format!("dunlin/blank-{k:02}.jpg"), nm));
    let read: Vec<f64> = levels.map(|level| -level.log10()).collect();
    let mean = read.iter().sum::<f64>() / 6.0;
    let squares: f64 = read.iter().map(|a| (a - mean).powi(2)).sum();
    let scatter = (squares / 5.0).sqrt();
    let published = number(series, "blank_sd");
    // The slope, from what was drawn: absorbance of 1 mg/L at that wavelength.
    let one = Solution {
        dye: Dye::Red,
        concentration: 1.0,
    };
    let slope = one.absorbance(nm);
    let detected = number(series, "blank_detection_limit");
    println!(
        "at {nm} nm: scatter {published} (from the spectra {scatter:.5}), slope {} (drawn {slope:.4}), detected from {detected} ± {} mg",
        series["slope"], series["blank_detection_limit_sigma"]
    );
    assert!((published / scatter - 1.0).abs() < 0.1, "{scatter}");
    assert!(
        (detected / (3.0 * published / slope) - 1.0).abs() < 0.05,
        "{detected}"
    );
    let stated = number(series, "blank_quantification_limit");
    assert!((stated / detected - 10.0 / 3.0).abs() < 0.01, "{stated}");
    // Of six values a standard deviation is known to 1/sqrt(10) (JCGM 100:2008, E.4.3, table E.1: 32 %).
    let share = number(series, "blank_detection_limit_sigma") / detected;
    assert!((0.31..0.34).contains(&share), "{share}");
}

/// Two exposures of one solution are one unknown of the series, and have the absorbance that was drawn.
fn two_exposures_are_one_sample(place: &Place) {
    let rows = place.rows("concentrations.csv");
    let strong = rows
        .iter()
        .find(|row| row["photo"].contains("bracket-dye-strong"));
    let strong = strong.unwrap_or_else(|| panic!("{rows:?}"));
    assert_eq!((&*strong["joined"], &*strong["role"]), ("2", "unknown"));
    let found = number(strong, "concentration");
    let (low, high) = (number(strong, "low_95"), number(strong, "high_95"));
    println!("{STRONG_MG} mg/L drawn: {found} ({low} to {high})");
    assert!((low..=high).contains(&STRONG_MG), "{strong:?}");
    assert!(high - low < 2.0, "{strong:?}");
    let solution = Solution {
        dye: Dye::Red,
        concentration: STRONG_MG,
    };
    let mut off = Vec::new();
    for row in place.rows("joined.csv") {
        let nm = number(&row, "wavelength_nm");
        if (495.0..540.0).contains(&nm) {
            let error = number(&row, "absorbance") - solution.absorbance(nm);
            off.push(error.abs() / number(&row, "absorbance_sigma"));
        }
    }
    let within = off.iter().filter(|sigmas| **sigmas < 2.0).count();
    println!("{within} of {} absorbances within two sigma", off.len());
    assert!(off.len() > 100 && 10 * within > 9 * off.len());
}

/// The filter's edge lies where it was drawn, by the bulb's light alone.
fn the_filter_has_its_edge(place: &Place) {
    let rows = place.rows("colours.csv");
    let gel = rows.iter().find(|row| row["photo"].contains("gel-amber"));
    let gel = gel.unwrap_or_else(|| panic!("{rows:?}"));
    assert_eq!((&*gel["edge"], &*gel["edge_refused"]), ("cut-on", ""));
    let (nm, sigma) = (number(gel, "edge_nm"), number(gel, "edge_nm_sigma"));
    println!(
        "edge at {nm} ± {sigma} nm, {} wide; drawn at {} nm, {} wide",
        gel["edge_width_nm"], FILTER.edge_nm, FILTER.width_nm
    );
    assert!(
        (nm - FILTER.edge_nm).abs() < 2.0 * sigma && sigma < 3.0,
        "{gel:?}"
    );
    let width = number(gel, "edge_width_nm");
    assert!(
        (width - FILTER.width_nm).abs() < 0.3 * FILTER.width_nm,
        "{width}"
    );
    let bulb = rows.iter().find(|row| row["photo"].contains("bulb-2900k"));
    assert_eq!(bulb.map(|row| &*row["edge"]), Some(""));
}

#[test]
fn repeated_blanks_joined_exposures_and_a_filter_come_out_as_they_were_drawn() {
    let place = Place::new();
    for (path, jpeg) in drawn() {
        place.put(&path, &jpeg);
    }
    let config = place.path("lab.yaml");
    fs::write(&config, settings()).expect("it is written");
    let output = place.run(&["sweep", "--config", &config.display().to_string()]);
    assert!(output.status.success(), "{}", stderr(&output));
    blanks_give_limits(&place);
    two_exposures_are_one_sample(&place);
    the_filter_has_its_edge(&place);
    let page = fs::read_to_string(place.results().join("dunlin/index.html")).expect("a page");
    for said in [
        "scatter of 6 blanks (absorbance)",
        "by the blanks, can be detected from",
        "by the blanks, can be stated from",
        "a filter that lets longer wavelengths pass: edge at ",
    ] {
        assert!(page.contains(said), "{said}");
    }
    if let Some(kept) = std::env::var_os("LOOK_AT").filter(|kept| !kept.is_empty()) {
        let kept = std::path::Path::new(&kept).join("limits.html");
        fs::write(kept, page).expect("it is kept");
    }
}
