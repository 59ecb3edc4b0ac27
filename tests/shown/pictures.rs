//! The pictures as documents: the spectrum as XML, the overlay as PNG.

use roxmltree::Document;
use slitwatch::frame::Frame;
use slitwatch::publish::files::{self, OVERLAY_PNG, SPECTRUM_CSV, SPECTRUM_SVG};
use slitwatch::publish::record::Record;
use slitwatch::settings::english;
use slitwatch::terms::Capture;
use slitwatch::terms::{Code, Drawing, Measurement, Point, ScaleKind, Verdict};

use crate::sample;
use crate::shot::Shot;

fn file(record: &Record, m: &Measurement, frame: Option<&Frame>, name: &str) -> Option<Vec<u8>> {
    files::files(record, m, None, frame, english())
        .into_iter()
        .find(|f| f.0 == name)
        .map(|f| f.1)
}

fn svg(record: &Record, m: &Measurement) -> String {
    String::from_utf8(file(record, m, None, SPECTRUM_SVG).unwrap()).unwrap()
}

const SMALL: Shot = Shot {
    width: 1000,
    height: 750,
    ..Shot::PLAIN
};

#[test]
fn the_spectrum_s_picture_is_xml_whatever_the_names() {
    for name in sample::nasty_names() {
        let mut record = sample::record("heron", name, Capture::Sample, Verdict::Good);
        record.label = name.to_owned();
        record.calibration = Some(sample::calibration_from("heron/lamp.jpg"));
        let mut m = sample::measurement(&record, None);
        m.peaks = vec![sample::peak(500.0, 0.4, name)];
        let text = svg(&record, &m);
        let doc = Document::parse(&text).unwrap();
        let shown = name.replace('\u{7}', "\u{fffd}").replace('\n', " ");
        let title = doc.descendants().find(|n| n.has_tag_name("title")).unwrap();
        assert!(title.text().unwrap().contains(&shown), "{shown}");
        assert!(doc.descendants().all(|n| !n.has_tag_name("script")));
    }
}

#[test]
fn a_spectrum_shows_axes_units_and_its_lines() {
    let record = sample::class().remove(1);
    let m = sample::measurement(&record, None);
    let text = svg(&record, &m);
    let doc = Document::parse(&text).unwrap();
    let words: Vec<&str> = doc
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .filter_map(|n| n.text())
        .collect();
    for word in [
        "400", "500", "600", "700", "Hg 436", "Hg 546", "Hg 577", "Hg 579",
    ] {
        assert!(words.contains(&word), "{word} in {words:?}");
    }
    assert!(words.iter().any(|w| w.contains("wavelength in air, nm")));
    assert!(words.iter().any(|w| w.contains("share of full scale")));
    assert!(words.contains(&"scale ± 0.06 nm"));
    assert!(!words.contains(&"clipped"));
    assert!(text.contains("prefers-color-scheme:dark"));
    assert!(!text.contains("NaN") && !text.contains("inf"));
    assert_eq!(text.matches("font:").count(), 1, "one size of letters");
    assert!(text.contains("18px"));
}

#[test]
fn clipped_light_and_a_provisional_scale_are_said() {
    let mut record = sample::class()
        .into_iter()
        .find(|r| r.reasons.iter().any(|r| r.code == Code::Clipped))
        .unwrap();
    let m = sample::measurement(&record, None);
    let text = svg(&record, &m);
    assert!(text.contains(">clipped</text>") && text.contains("class=\"hatch\""));
    record.calibration.as_mut().unwrap().kind = ScaleKind::Provisional;
    let provisional = svg(&record, &m);
    assert!(provisional.contains("provisional scale ±"));
}

#[test]
fn absurd_spectra_draw_nothing_absurd() {
    let mut record = sample::class().remove(1);
    record.metrics = Default::default();
    let mut m = sample::measurement(&record, None);
    let rows = &mut m.spectrum.as_mut().unwrap().rows;
    for (i, row) in rows.iter_mut().enumerate() {
        row.signal = [f64::NAN, 0.0, -0.01][i % 3];
        row.signal_sigma = [f64::NAN, 0.0, f64::INFINITY][i % 3];
    }
    m.peaks = vec![sample::peak(f64::NAN, f64::NAN, "odd")];
    let text = svg(&record, &m);
    Document::parse(&text).unwrap();
    assert!(!text.contains("NaN") && !text.contains("inf"));
    m.spectrum.as_mut().unwrap().rows.truncate(1);
    assert!(svg(&record, &m).contains("no spectrum to show"));
}

#[test]
fn a_photo_without_a_spectrum_has_every_other_file() {
    let mut record = sample::record("heron", "wall.jpg", Capture::Sample, Verdict::Retake);
    record.reasons = vec![sample::trouble(Code::NoSpectrum)];
    let frame = SMALL.frame();
    let m = Measurement::default();
    let names = |frame: Option<&Frame>, record: &Record| -> Vec<String> {
        let files = files::files(record, &m, None, frame, english());
        files.into_iter().map(|f| f.0).collect()
    };
    let all = [
        "peaks.csv",
        "overlay.png",
        "spectrum.svg",
        "photo.log",
        "quality.json",
    ];
    assert_eq!(names(Some(&frame), &record), all);
    assert_eq!(names(None, &record), all);
    assert!(file(&record, &m, None, SPECTRUM_CSV).is_none());
    record.verdict = Verdict::Ignored;
    assert_eq!(names(None, &record), ["photo.log", "quality.json"]);
}

/// The overlay, read back.
fn overlay(record: &Record, shot: &Shot, drawing: Drawing) -> image::RgbImage {
    let m = Measurement {
        drawing,
        ..Measurement::default()
    };
    let png = file(record, &m, Some(&shot.frame()), OVERLAY_PNG).unwrap();
    assert!(png.len() < 500_000, "{} bytes", png.len());
    image::load_from_memory(&png).unwrap().to_rgb8()
}

fn count(picture: &image::RgbImage, colour: [u8; 3]) -> usize {
    picture.pixels().filter(|p| p.0 == colour).count()
}

const PINK: [u8; 3] = [255, 92, 184];

#[test]
fn found_lines_are_marked_and_missing_ones_are_not() {
    let record = &sample::class()[1];
    let full = overlay(record, &SMALL, SMALL.drawing());
    assert!(full.width() <= 1400);
    let mut none = SMALL.drawing();
    for line in &mut none.lines {
        line.found.clear();
    }
    let none = overlay(record, &SMALL, none);
    assert!(count(&full, PINK) > 500, "{}", count(&full, PINK));
    assert_eq!(count(&none, PINK), 0);
}

/// The contract, "What an edit costs": a limit that is edited changes verdicts and no picture.
#[test]
fn another_verdict_makes_no_other_overlay() {
    let one = sample::class()[1].clone();
    let mut another = one.clone();
    another.verdict = Verdict::Retake;
    another.reasons = sample::class()
        .into_iter()
        .find_map(|record| (!record.reasons.is_empty()).then_some(record.reasons))
        .expect("something wrong in the class");
    assert_ne!(
        (one.verdict, &one.reasons),
        (another.verdict, &another.reasons)
    );
    let drawn = |record| overlay(record, &SMALL, SMALL.drawing());
    assert!(drawn(&one) == drawn(&another));
}

#[test]
fn dim_light_is_brightened_to_be_seen() {
    let record = &sample::class()[1];
    let mut levels = Vec::new();
    for level in [0.5, 0.05] {
        let shot = Shot { level, ..SMALL };
        let mut drawing = shot.drawing();
        drawing.lines.clear();
        let picture = overlay(record, &shot, drawing);
        // Yellow-green light, which nothing that is drawn has.
        levels.push(
            picture
                .pixels()
                .filter(|p| p.0[1] > 120 && p.0[2] < 90 && p.0[0] < 200)
                .count(),
        );
    }
    assert!(levels[1] > levels[0] / 2 && levels[1] > 200, "{levels:?}");
}

#[test]
fn clipped_light_is_hatched_where_the_sensor_clipped_and_only_there() {
    let record = &sample::class()[1];
    let deep = [9, 24, 31];
    let mut counts = Vec::new();
    for level in [0.2, 4.0] {
        let shot = Shot { level, ..SMALL };
        let mut drawing = shot.drawing();
        drawing.lines.clear();
        counts.push(count(&overlay(record, &shot, drawing), deep));
    }
    assert!(counts[1] > counts[0] + 2000, "{counts:?}");
}

#[test]
fn any_geometry_gives_a_picture() {
    let record = &sample::class()[1];
    let far = [(-1e7, 3.0), (1e7, 9.0), (f64::NAN, 2.0)];
    let far = far.map(Point::from).to_vec();
    let nowhere = Point::new(f64::NAN, 1.0);
    let near = Point::new(1.0, 1.0);
    let odd = Drawing {
        slit: vec![nowhere],
        bands: vec![
            (1, far.clone()),
            (-1, Vec::new()),
            (2, vec![Point::new(5.0, 5.0)]),
        ],
        lines: SMALL.drawing().lines,
        streaks: vec![far.clone(), Vec::new()],
        dispersion_axis: Some([near, near]),
        slit_axis: Some([nowhere, near]),
    };
    overlay(record, &SMALL, odd);
    let tiny = Shot {
        width: 40,
        height: 30,
        ..SMALL
    };
    overlay(record, &tiny, Drawing::default());
    overlay(record, &tiny, tiny.drawing());
    for tilt_deg in [-30.0, 30.0, 80.0, 90.0, 180.0] {
        let turned = Shot { tilt_deg, ..SMALL };
        overlay(record, &turned, turned.drawing());
    }
}
