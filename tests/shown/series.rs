//! Series, agreement and colours as they stand in the class's tables: which photo belongs to what, and what is refused.

use std::collections::{BTreeMap, BTreeSet};

use slitwatch::classify::stated::{Row, Stated};
use slitwatch::publish::files::spectrum_csv;
use slitwatch::publish::record::{LampAnswer, Record};
use slitwatch::report::{Inputs, Shown, summaries};
use slitwatch::settings::english;

use crate::in_memory::InMemory;
use slitwatch::terms::Capture;
use slitwatch::terms::{AbsorbanceRow, Quantity, Verdict};

use crate::sample::{self, Noise, bump, e};

/// A solution's photo: its record and its absorbance at the top of the band.
pub fn solution(bench: &str, name: &str, groups: &[(&str, &str)], height: f64) -> (Record, f64) {
    let mut record = sample::record(bench, name, Capture::Sample, Verdict::Good);
    record.calibration = Some(sample::calibration_from("lamp.jpg"));
    record.provenance.blank = BTreeMap::from([("blank.jpg".to_owned(), "00".to_owned())]);
    record.groups = groups
        .iter()
        .map(|(k, v)| ((*k).to_owned(), (*v).to_owned()))
        .collect();
    (record, height)
}

fn csv_of(height: f64) -> Vec<u8> {
    let spectrum = sample::spectrum("bulb", 1.0, 1.0, &mut Noise(1));
    let rows: Vec<AbsorbanceRow> = spectrum
        .rows
        .iter()
        .map(|row| {
            let value = height * bump(row.wavelength_nm, 525.0, 70.0) + 0.01;
            AbsorbanceRow {
                transmittance: Some(e(10f64.powf(-value), 0.002)),
                absorbance: Some(e(value, 0.004)),
            }
        })
        .collect();
    spectrum_csv(&spectrum, Some(&rows))
}

/// A blank's spectrum, without noise, dimmed by so much.
fn blank_csv(absorbance: f64) -> Vec<u8> {
    let mut spectrum = sample::spectrum("bulb", 1.0, 1.0, &mut Noise(1));
    for row in &mut spectrum.rows {
        let level = 0.5 * 10f64.powf(-absorbance);
        (row.signal, row.rgb, row.clipped) = (level, [level; 3], 0.0);
        (row.signal_sigma, row.rgb_sigma) = (0.002, [0.0035; 3]);
    }
    spectrum_csv(&spectrum, None)
}

/// The same light through a dye of this height of its band, exposed so many times as long, blown out above 0.9.
fn exposed_csv(height: f64, times: f64) -> Vec<u8> {
    let mut spectrum = sample::spectrum("bulb", 1.0, 1.0, &mut Noise(1));
    for row in &mut spectrum.rows {
        let absorbance = height * bump(row.wavelength_nm, 525.0, 70.0);
        let light = 0.5 * times * 10f64.powf(-absorbance);
        let level = light.min(0.9);
        (row.signal, row.rgb, row.clipped) =
            (level, [level; 3], if light > 0.9 { 1.0 } else { 0.0 });
        (row.signal_sigma, row.rgb_sigma) = (0.002, [0.0035; 3]);
    }
    spectrum_csv(&spectrum, None)
}

pub type Table = Vec<BTreeMap<String, String>>;

/// The class's files by name.
fn files(photos: &[(Record, f64)], stated: &Stated) -> BTreeMap<String, Vec<u8>> {
    let shown: Vec<Shown<'_>> = photos
        .iter()
        .map(|(record, _)| Shown {
            record,
            folder: &record.photo,
            has_spectrum: true,
        })
        .collect();
    let heights: BTreeMap<&str, f64> = photos
        .iter()
        .map(|(r, height)| (r.photo.as_str(), *height))
        .collect();
    let inputs = Inputs {
        title: "Solutions",
        session: "",
        all_spectra: false,
        photos: &shown,
        stated,
        expected: &Default::default(),
        phrases: english(),
        now: None,
        refresh_s: 0,
    };
    let mut files = InMemory::default();
    let fetch = |s: &Shown<'_>| {
        let height = heights[s.record.photo.as_str()];
        match s.record.capture {
            Some(Capture::Blank) => Some(blank_csv(height)),
            Some(Capture::Bracket) => Some(exposed_csv(height, s.record.exposure()? / 0.04)),
            _ => Some(csv_of(height)),
        }
    };
    summaries(&inputs, fetch, &mut files);
    files.0.into_iter().collect()
}

/// A page of the class.
fn page(photos: &[(Record, f64)], name: &str) -> String {
    let bytes = files(photos, &Stated::default()).remove(name).unwrap();
    String::from_utf8(bytes).unwrap()
}

/// The class's tables by name, each row by its columns.
pub fn tables(photos: &[(Record, f64)], stated: &Stated) -> BTreeMap<String, Table> {
    files(photos, stated)
        .into_iter()
        .filter(|(name, _)| name.ends_with(".csv"))
        .map(|(name, bytes)| {
            let mut reader = csv::Reader::from_reader(bytes.as_slice());
            let rows = reader.deserialize().map(Result::unwrap).collect();
            (name, rows)
        })
        .collect()
}

pub fn dye(bench: &str) -> Vec<(Record, f64)> {
    ["2", "4", "6", "8"]
        .into_iter()
        .map(|c| {
            let height = 0.1 * c.parse::<f64>().unwrap();
            let groups = [("series", "dye"), ("concentration", c)];
            solution(bench, &format!("dye-{c}mg.jpg"), &groups, height)
        })
        .collect()
}

const UNKNOWN: [(&str, &str); 1] = [("series", "dye")];

#[test]
fn repeats_of_an_unknown_are_averaged_and_different_unknowns_are_not() {
    let mut photos = dye("heron");
    for (name, height) in [
        ("dye-unknown-1.jpg", 0.30),
        ("dye-unknown-2.jpg", 0.31),
        ("dye-tap.jpg", 0.65),
    ] {
        photos.push(solution("heron", name, &UNKNOWN, height));
    }
    let series = &tables(&photos, &Stated::default())["series.csv"];
    let found: Vec<(&str, f64)> = series
        .iter()
        .map(|r| (r["unknown_name"].as_str(), r["unknown"].parse().unwrap()))
        .collect();
    assert_eq!(found.len(), 2, "{series:?}");
    assert_eq!((found[0].0, found[1].0), ("dye-tap", "dye-unknown"));
    assert!((found[0].1 - 6.5).abs() < 0.1, "{found:?}");
    assert!((found[1].1 - 3.05).abs() < 0.1, "{found:?}");
}

#[test]
fn what_is_no_concentration_is_neither_a_standard_nor_an_unknown() {
    let mut photos = dye("heron");
    let odd = [("series", "dye"), ("concentration", "half")];
    photos.push(solution("heron", "dye-half.jpg", &odd, 0.3));
    let comma = [("series", "dye"), ("concentration", "2,5")];
    photos.push(solution("heron", "dye-2,5mg.jpg", &comma, 0.25));
    let mut lone = solution(
        "heron",
        "dye-9mg.jpg",
        &[("series", "dye"), ("concentration", "9")],
        0.9,
    );
    lone.0.provenance.blank.clear();
    photos.push(lone);
    let all = tables(&photos, &Stated::default());
    let row = |name: &str| {
        let photo = format!("heron/{name}");
        all["concentrations.csv"]
            .iter()
            .find(|r| r["photo"] == photo)
            .unwrap_or_else(|| panic!("{name} has no row"))
    };
    let odd = row("dye-half.jpg");
    assert_eq!(
        (odd["role"].as_str(), odd["concentration"].as_str()),
        ("unclear", "")
    );
    assert!(odd["refused"].starts_with("no-concentration") && odd["refused"].contains("half"));
    assert_eq!(row("dye-2,5mg.jpg")["stated_concentration"], "2.5");
    assert!(row("dye-9mg.jpg")["refused"].starts_with("no-blank"));
    assert_eq!(all["series.csv"].len(), 1);
    assert_eq!(all["series.csv"][0]["unknown"], "");
}

#[test]
fn concentrations_may_come_from_a_table_and_go_before_the_names() {
    let names = ["a.jpg", "b.jpg", "c.jpg", "d.jpg", "e.jpg"];
    let photos: Vec<(Record, f64)> = names
        .iter()
        .zip([0.1, 0.2, 0.4, 0.8, 0.55])
        .map(|(name, height)| solution("heron", name, &[], height))
        .collect();
    let row = |concentration, unit: &str| Row {
        concentration,
        unit: unit.to_owned(),
        series: "beet".to_owned(),
    };
    let mut stated = Stated::default();
    for (name, c) in names
        .iter()
        .zip([Some(5.0), Some(10.0), Some(20.0), Some(40.0), None])
    {
        assert!(stated.add(name, row(c, "mmol/L")));
    }
    stated.add("misspelt.jpg", row(Some(1.0), "mmol/L"));
    let all = tables(&photos, &stated);
    let series = &all["series.csv"];
    assert_eq!(series.len(), 1);
    assert_eq!(
        (series[0]["series"].as_str(), series[0]["unit"].as_str()),
        ("beet", "mmol/L")
    );
    let unknown: f64 = series[0]["unknown"].parse().unwrap();
    assert!((unknown - 27.5).abs() < 0.5, "{unknown}");
    let last = all["concentrations.csv"].last().unwrap();
    assert_eq!(last["photo"], "misspelt.jpg");
    assert!(last["refused"].starts_with("no-photo"));
    // Two units in one series: no line at all.
    let mut mixed = Stated::default();
    for (i, name) in names.iter().enumerate() {
        mixed.add(name, row(Some(i as f64), ["g/L", "mg/L"][i % 2]));
    }
    let series = &tables(&photos, &mixed)["series.csv"];
    assert!(
        series[0]["refused"].starts_with("units-differ"),
        "{series:?}"
    );
    assert_eq!(series[0]["slope"], "");
}

fn lamp(bench: &str, label: &str, peak_nm: f64) -> (Record, f64) {
    let file = format!("{label}.jpg");
    let mut record = sample::record(bench, &file, Capture::Sample, Verdict::Good);
    record.calibration = Some(sample::calibration_from("lamp.jpg"));
    record
        .answers
        .numbers
        .insert("strongest_peak_nm".to_owned(), peak_nm);
    record.answers.lamp = Some(LampAnswer {
        name: "neon".to_owned(),
        score: 0.9,
        runner_up: "unknown".to_owned(),
        runner_up_score: 0.1,
    });
    (record, 0.0)
}

#[test]
fn benches_are_compared_by_the_same_line_of_the_same_lamp() {
    // Three phones find neon's 585 nm strongest, two its 640 nm; phones name their photos themselves.
    let mut photos = vec![
        lamp("avocet", "sign-1", 585.2),
        lamp("avocet", "sign-2", 585.3),
        lamp("dunlin", "sign", 585.4),
        lamp("heron", "sign", 585.1),
        lamp("knot", "sign", 640.2),
        lamp("ruff", "sign", 640.4),
    ];
    for (bench, nm) in [("avocet", 450.0), ("dunlin", 589.0)] {
        photos.push(lamp(bench, &format!("IMG_{nm:04}"), nm));
    }
    let class = &tables(&photos, &Stated::default())["class.csv"];
    let quantities: Vec<&str> = class.iter().map(|r| r["quantity"].as_str()).collect();
    assert!(
        !quantities.iter().any(|q| q.contains("IMG")),
        "{quantities:?}"
    );
    for row in class {
        let spread: f64 = row["reproducibility_sd"].parse().unwrap();
        assert!(spread < 0.3, "{row:?}");
    }
    let n = |near: &str| quantities.iter().filter(|q| q.ends_with(near)).count();
    assert_eq!((n("of sign near 585 nm"), n("of sign near 640 nm")), (3, 2));
    let of_avocet = class.iter().find(|r| r["bench"] == "avocet").unwrap();
    assert_eq!(of_avocet["repeats"], "2");
}

/// A lamp photo that calibrates its bench.
fn calibration(bench: &str, file: &str, peak_nm: f64, bandpass_nm: f64) -> (Record, f64) {
    let (mut record, height) = lamp(bench, file, peak_nm);
    record.capture = Some(Capture::Calibration);
    record.lamp = "fluorescent".to_owned();
    record.metrics.set(Quantity::BandpassNm, Some(bandpass_nm));
    if let Some(lamp) = &mut record.answers.lamp {
        lamp.name = "fluorescent".to_owned();
    }
    (record, height)
}

#[test]
fn lamp_photos_that_calibrate_stand_in_the_class_s_tables_under_their_bench() {
    let mut retake = calibration("knot", "lamp-09", 600.0, 9.0);
    retake.0.verdict = Verdict::Retake;
    let photos = vec![
        calibration("avocet", "lamp-01", 611.2, 1.5),
        calibration("avocet", "lamp-02", 611.4, 1.7),
        calibration("dunlin", "hall", 611.3, 2.0),
        calibration("heron", "lamp", 611.3, 1.2),
        // The same lamp photographed as a sample is another quantity: its scale is not made from its own lines.
        lamp("avocet", "lamp", 611.0),
        lamp("dunlin", "lamp", 611.9),
        retake,
    ];
    let all = tables(&photos, &Stated::default());
    let of = |quantity: &str| -> Vec<(String, String, String)> {
        let rows = all["class.csv"]
            .iter()
            .filter(|r| r["quantity"] == quantity);
        rows.map(|r| (r["bench"].clone(), r["repeats"].clone(), r["mean"].clone()))
            .collect()
    };
    let row = |bench: &str, repeats: &str, mean: &str| {
        (bench.to_owned(), repeats.to_owned(), mean.to_owned())
    };
    assert_eq!(
        of("bandpass by the calibration lamp (fluorescent)"),
        [
            row("avocet", "2", "1.6"),
            row("dunlin", "1", "2"),
            row("heron", "1", "1.2")
        ]
    );
    assert_eq!(
        of(
            "strongest peak of the calibration lamp (fluorescent), each on the scale of its own lines"
        ),
        [
            row("avocet", "2", "611.3"),
            row("dunlin", "1", "611.3"),
            row("heron", "1", "611.3")
        ]
    );
    assert_eq!(of("strongest peak of lamp").len(), 2);
    // And they are drawn over one another.
    let page = page(&photos[..2], "class.html");
    assert!(
        page.contains("No lamp has been measured on two benches yet"),
        "one bench alone"
    );
    let drawn = self::page(
        &[
            calibration("avocet", "lamp-01", 611.2, 1.5),
            calibration("dunlin", "lamp-02", 611.3, 1.5),
        ],
        "class.html",
    );
    assert!(!drawn.contains("No lamp has been measured on two benches yet"));
}

#[test]
fn a_light_s_edge_or_why_there_is_none_stands_beside_its_colour() {
    let mut bulb = lamp("heron", "bulb-2800k", 600.0);
    bulb.0.groups.insert("kelvin".to_owned(), "2800".to_owned());
    let with = tables(&[bulb, lamp("heron", "quay-1", 600.0)], &Stated::default());
    let without = tables(&[lamp("heron", "quay-1", 600.0)], &Stated::default());
    let why = |rows: &Table| -> Vec<String> {
        let refused = rows
            .iter()
            .map(|r| r["edge_refused"].split(':').next().unwrap_or("").to_owned());
        refused.collect()
    };
    assert_eq!(why(&with["colours.csv"]), ["is-the-bulb", "no-edge"]);
    assert_eq!(why(&without["colours.csv"]), ["no-response"]);
    assert!(
        with["colours.csv"]
            .iter()
            .all(|r| r["edge_nm"].is_empty() && r["edge"].is_empty())
    );
}

#[test]
fn what_glows_is_no_quantity_of_the_class() {
    let glowing = |bench: &str, label: &str, name: &str| {
        let mut photo = lamp(bench, label, 605.0);
        photo.0.answers.lamp.as_mut().unwrap().name = name.to_owned();
        photo
    };
    // The spectrum of all of them is one broad hill.
    let photos: Vec<(Record, f64)> = ["heron", "knot"]
        .into_iter()
        .flat_map(|bench| {
            [
                glowing(bench, "bulb", "filament"),
                glowing(bench, "sky", "daylight"),
                glowing(bench, "white", "white-led"),
                glowing(bench, "what", "unknown"),
                glowing(bench, "sign", "neon"),
            ]
        })
        .collect();
    let class = &tables(&photos, &Stated::default())["class.csv"];
    let quantities: BTreeSet<&str> = class.iter().map(|r| r["quantity"].as_str()).collect();
    assert_eq!(
        quantities.into_iter().collect::<Vec<_>>(),
        ["strongest peak of sign"]
    );
}

#[test]
fn a_bulb_s_own_photo_gives_no_colour_and_what_is_no_temperature_is_said() {
    let mut bulb = lamp("heron", "bulb-2800k", 600.0);
    bulb.0.groups.insert("kelvin".to_owned(), "2800".to_owned());
    let mut odd = lamp("heron", "bulb-warm", 600.0);
    odd.0.groups.insert("kelvin".to_owned(), "warm".to_owned());
    let photos = [bulb, odd, lamp("heron", "quay", 600.0)];
    let colours = &tables(&photos, &Stated::default())["colours.csv"];
    let row = |photo: &str| colours.iter().find(|r| r["photo"] == photo).unwrap();
    let bulb = row("heron/bulb-2800k.jpg");
    assert!(bulb["refused"].starts_with("is-the-bulb") && bulb["cct_kelvin"].is_empty());
    assert!(row("heron/bulb-warm.jpg")["refused"].starts_with("no-temperature"));
    let quay = row("heron/quay.jpg");
    assert_eq!(quay["refused"], "");
    for column in ["x", "y", "cct_kelvin", "duv"] {
        let number = |name: &str| quay[name].parse::<f64>().unwrap();
        assert!(number(column).is_finite() && number(&format!("{column}_sigma")) > 0.0);
    }
}

#[test]
fn a_bench_s_page_shows_a_series_with_its_unit_scatter_range_and_standards() {
    let mut photos = dye("heron");
    for (record, _) in &mut photos {
        record.groups.insert("unit".to_owned(), "mg".to_owned());
    }
    photos.push(solution("heron", "dye-unknown.jpg", &UNKNOWN, 0.305));
    let page = page(&photos, "heron/index.html");
    for said in [
        "<dt>standards</dt><dd>4</dd>",
        "<dt>linear range</dt><dd>2.00 to 8.00 mg</dd>",
        " per mg</dd>",
        "scatter about the line",
        " mg; with 95 % between ",
        "concentration, mg</text>",
        "the line through the standards with its 95 % band",
        "<path class=\"band\" fill-opacity",
    ] {
        assert!(page.contains(said), "{said}");
    }
    // One unknown, one interval, about its point.
    let (_, drawing) = page.split_once("class=\"band\"").expect("a band");
    let (drawing, _) = drawing.split_once("</svg>").expect("its end");
    let (_, interval) = drawing
        .split_once("<path class=\"interval\" d=\"M")
        .expect("an interval");
    assert!(!interval.contains("class=\"interval\""));
    let (low, rest) = interval.split_once(' ').expect("a place");
    let (_, high) = rest.split_once('H').expect("the other end");
    let (high, _) = high.split_once('M').expect("a mark");
    let (_, points) = drawing.split_once("<circle").expect("points");
    let hollow = points
        .split("<circle")
        .find(|circle| circle.contains("fill=\"none\""));
    let (_, x) = hollow
        .and_then(|circle| circle.split_once("cx=\""))
        .expect("the unknown");
    let [low, x, high] = [low, x.split('"').next().unwrap_or(""), high]
        .map(|place| place.parse::<f64>().expect("a number"));
    assert!(
        low < x && x < high && ((low + high) / 2.0 - x).abs() < 0.2,
        "{low} {x} {high}"
    );
}

#[test]
fn a_bench_s_page_shows_the_colours_of_its_lights_and_their_powers_or_why_not() {
    let lit = |bench: &str| [lamp(bench, "quay-1", 600.0), lamp(bench, "quay-2", 600.0)];
    let without = page(&lit("heron"), "heron/index.html");
    assert!(without.contains("photo of a bulb of stated temperature on this bench"));
    assert!(!without.contains("table of colours"));
    let mut bulb = lamp("heron", "bulb-2800k", 600.0);
    bulb.0.groups.insert("kelvin".to_owned(), "2800".to_owned());
    let [a, b] = lit("heron");
    let with = page(&[bulb, a, b], "heron/index.html");
    assert!(with.contains("taken from bulb-2800k.jpg"));
    for name in ["quay-1.jpg", "quay-2.jpg"] {
        assert!(with.contains(&format!("<th scope=\"row\"><bdi>{name}</bdi></th>")));
    }
    // Repeats lie on one another: one of them is drawn.
    assert!(with.contains("aria-label=\"Relative spectral power of a light"));
}

#[test]
fn lamps_and_samples_of_all_benches_are_drawn_and_those_that_stand_apart_have_their_word() {
    let mut photos = Vec::new();
    for i in 0..9 {
        let bench = format!("bench-{i}");
        let nm = if i == 8 {
            588.0
        } else {
            585.0 + 0.01 * f64::from(i)
        };
        photos.push(lamp(&bench, "sign", nm));
        photos.push(solution(&bench, "dye-2mg.jpg", &UNKNOWN, 0.2));
    }
    let page = page(&photos, "class.html");
    for drawing in [
        "sign (1 of 2)",
        "sign (2 of 2)",
        "dye-2mg (1 of 2)",
        "dye-2mg (2 of 2)",
    ] {
        assert!(page.contains(drawing), "{drawing}");
    }
    assert!(page.contains("One sample on several benches") && !page.contains("Not drawn"));
    assert!(page.contains("bench-8: outlier"));
}
