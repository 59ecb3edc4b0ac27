//! What a series has of its blank photographed again, and of exposures that are joined to one sample, in the class's tables.

use slitwatch::classify::stated::Stated;
use slitwatch::publish::record::Record;
use slitwatch::terms::{Capture, Quantity};

use crate::series::{dye, solution, tables};

/// A series whose samples are compared with blanks that differ by these absorbances.
fn with_blanks(absorbances: &[f64]) -> Vec<(Record, f64)> {
    let mut photos = dye("heron");
    let names: Vec<String> = (0..absorbances.len())
        .map(|i| format!("heron/blank-{i:02}.jpg"))
        .collect();
    for (record, _) in &mut photos {
        let blanks = names.iter().map(|name| (name.clone(), "00".to_owned()));
        record.provenance.blank = blanks.collect();
    }
    for (i, absorbance) in absorbances.iter().enumerate() {
        let name = format!("blank-{i:02}.jpg");
        let (mut record, _) = solution("heron", &name, &[], 0.0);
        record.capture = Some(Capture::Blank);
        record.provenance.blank.clear();
        record.metrics.set(Quantity::ExposureS, Some(0.04));
        record.metrics.set(Quantity::Iso, Some(100.0));
        photos.push((record, *absorbance));
    }
    photos
}

#[test]
fn repeated_blanks_give_limits_by_their_scatter_and_too_few_say_so() {
    // numpy 2.4.6: np.std([...], ddof=1) of these is 0.0041519; the drawn series rises by 0.1 a unit, so that three of them are
    // 0.12456 units and ten 0.41519. Of seven values a standard deviation is known to 1/sqrt(12) = 28.9 %.
    let scattered = [0.000, 0.004, -0.003, 0.006, -0.005, 0.002, 0.005];
    let row = |absorbances: &[f64]| {
        let all = tables(&with_blanks(absorbances), &Stated::default());
        all["series.csv"][0].clone()
    };
    let found = row(&scattered);
    let number = |column: &str| -> f64 { found[column].parse().expect(column) };
    assert_eq!(
        (found["blanks"].as_str(), found["blank_refused"].as_str()),
        ("7", "")
    );
    assert!(
        (number("blank_sd") / 0.004_151_9 - 1.0).abs() < 0.01,
        "{found:?}"
    );
    assert!(
        (number("blank_detection_limit") / 0.124_56 - 1.0).abs() < 0.02,
        "{found:?}"
    );
    assert!(
        (number("blank_quantification_limit") / 0.415_19 - 1.0).abs() < 0.02,
        "{found:?}"
    );
    let share = number("blank_detection_limit_sigma") / number("blank_detection_limit");
    assert!((0.285..0.30).contains(&share), "{share}");
    let few = row(&scattered[..5]);
    assert_eq!(
        (
            few["blanks"].as_str(),
            few["blank_detection_limit"].as_str()
        ),
        ("5", "")
    );
    assert!(
        few["blank_refused"].starts_with("too-few-blanks"),
        "{few:?}"
    );
    // A seventh with something in the light takes no part.
    let spoilt = [&scattered[..6], &[0.1]].concat();
    assert_eq!(row(&spoilt)["blanks"], "6");
    assert_eq!(row(&spoilt)["blank_sd"], row(&scattered[..6])["blank_sd"]);
}

#[test]
fn joined_exposures_are_a_sample_of_a_series_beside_the_bench_s_blank() {
    let mut photos = with_blanks(&[0.0, 0.0]);
    let shot = |scene: &str, n: u32, exposure_s: f64, height: f64| {
        let groups = [("series", "dye"), ("scene", scene)];
        let name = format!("bracket-{scene}-{n}.jpg");
        let (mut record, _) = solution("heron", &name, &groups, 0.0);
        record.capture = Some(Capture::Bracket);
        record.provenance.blank.clear();
        record.metrics.set(Quantity::ExposureS, Some(exposure_s));
        record.metrics.set(Quantity::Iso, Some(100.0));
        (record, height)
    };
    // 0.7 at the top of the band, where the line rises by 0.1 a unit from 0.01: 6.9.
    photos.push(shot("strong", 1, 0.04, 0.7));
    photos.push(shot("strong", 2, 0.16, 0.7));
    // Two of one length come to no joined spectrum, and say so.
    photos.push(shot("twice", 1, 0.04, 0.3));
    photos.push(shot("twice", 2, 0.04, 0.3));
    let all = tables(&photos, &Stated::default());
    let of = |photo: &str| {
        let rows = &all["concentrations.csv"];
        let row = rows.iter().find(|r| r["photo"] == photo);
        row.unwrap_or_else(|| panic!("{photo} has no row")).clone()
    };
    let strong = of("heron/bracket-strong-2.jpg");
    assert_eq!(
        (strong["joined"].as_str(), strong["role"].as_str()),
        ("2", "unknown")
    );
    let number = |column: &str| -> f64 { strong[column].parse().expect(column) };
    assert!((number("absorbance") - 0.7).abs() < 0.01, "{strong:?}");
    assert!((number("concentration") - 6.9).abs() < 0.15, "{strong:?}");
    let twice = of("heron/bracket-twice-1.jpg");
    assert!(twice["refused"].starts_with("too-alike"), "{twice:?}");
    assert_eq!(of("heron/dye-2mg.jpg")["joined"], "");
    // The same stands by wavelength with the joined spectrum; beside the band nothing is absorbed.
    let at = |nm: f64| -> f64 {
        let rows = &all["joined.csv"];
        let row = rows.iter().find(|r| r["wavelength_nm"].parse() == Ok(nm));
        row.expect("a row")["absorbance"]
            .parse()
            .expect("an absorbance")
    };
    assert!(
        (at(525.0) - 0.7).abs() < 0.02 && at(650.0).abs() < 0.02,
        "{} {}",
        at(525.0),
        at(650.0)
    );
}
