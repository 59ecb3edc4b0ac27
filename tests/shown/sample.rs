//! An invented class to look at: records, spectra and photos with the right shapes, measured by nobody. Nothing here is
//! truth for a measurement.

use slitwatch::publish::files::as_published;
use slitwatch::publish::record::{CalibrationRecord, Provenance, Record};
use slitwatch::report::Shown;
use slitwatch::terms::{
    AbsorbanceRow, Calibration, Capture, Code, Estimate, LineUse, Measurement, Metrics, Optics,
    Peak, PeakKind, Point, Quantity, Reason, ScaleKind, Severity, SigmaAt, Spectrum, SpectrumRow,
    Verdict,
};

use crate::shot::Shot;

pub const BIRDS: [&str; 6] = [
    "avocet",
    "curlew",
    "dunlin",
    "heron",
    "redshank",
    "turnstone",
];

/// Hg I in air, nm: NIST Atomic Spectra Database, from memory.
pub const MERCURY: [f64; 6] = [404.656, 435.833, 491.607, 546.075, 576.961, 579.067];

pub fn e(value: f64, sigma: f64) -> Estimate {
    Estimate::new(value, sigma)
}

/// A small generator of noise, the same on every machine (Numerical Recipes' quick LCG).
pub struct Noise(pub u32);

impl Noise {
    /// About normal, mean 0, standard deviation 1.
    pub fn next(&mut self) -> f64 {
        let mut sum = 0.0;
        for _ in 0..4 {
            self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            sum += f64::from(self.0 >> 8) / f64::from(1u32 << 24);
        }
        (sum - 2.0) * 3f64.sqrt()
    }
}

pub fn bump(x: f64, centre: f64, fwhm: f64) -> f64 {
    (-4.0 * 2f64.ln() * ((x - centre) / fwhm).powi(2)).exp()
}

/// Light of a lamp at a wavelength, 0…1.
pub fn light(lamp: &str, nm: f64) -> f64 {
    match lamp {
        "lamp" => {
            let lines = [0.25, 0.55, 0.08, 0.8, 0.16, 0.17];
            let sharp: f64 = MERCURY
                .iter()
                .zip(lines)
                .map(|(c, h)| h * bump(nm, *c, 1.6))
                .sum();
            sharp
                + 0.5 * bump(nm, 543.5, 5.0)
                + 0.18 * bump(nm, 488.0, 9.0)
                + 0.7 * bump(nm, 611.6, 3.5)
                + 0.10 * bump(nm, 587.0, 8.0)
                + 0.06 * bump(nm, 631.0, 5.0)
                + 0.01
        }
        "led" => 0.62 * bump(nm, 452.0, 21.0) + 0.48 * bump(nm, 558.0, 118.0),
        "sodium" => {
            0.85 * bump(nm, 589.3, 14.0) * (1.0 - 0.7 * bump(nm, 589.3, 2.4))
                + 0.2 * bump(nm, 568.5, 2.2)
                + 0.12 * bump(nm, 615.8, 2.2)
                + 0.1 * bump(nm, 498.2, 2.2)
                + 0.02
        }
        _ => 0.7 * bump(nm, 640.0, 260.0),
    }
}

/// A spectrum from 380 to 750 nm in steps of 0.5 nm; what passes `ceiling` is clipped.
pub fn spectrum(lamp: &str, level: f64, ceiling: f64, noise: &mut Noise) -> Spectrum {
    let rows = (0..741)
        .map(|i| {
            let nm = 380.0 + 0.5 * f64::from(i);
            let clean = level * light(lamp, nm);
            let sigma = 0.0015 + 0.004 * clean;
            let signal = (clean + sigma * noise.next()).min(ceiling);
            let share = [
                bump(nm, 610.0, 90.0),
                bump(nm, 540.0, 90.0),
                bump(nm, 460.0, 80.0),
            ];
            SpectrumRow {
                wavelength_nm: nm,
                signal,
                signal_sigma: sigma,
                rgb: share.map(|s| signal * s),
                rgb_sigma: [1.7 * sigma; 3],
                clipped: if clean > ceiling { 0.6 } else { 0.0 },
            }
        })
        .collect();
    Spectrum { step_nm: 0.5, rows }
}

pub fn absorbances(n: usize) -> Vec<AbsorbanceRow> {
    (0..n)
        .map(|i| {
            let nm = 380.0 + 0.5 * i as f64;
            let value = 0.62 * bump(nm, 525.0, 70.0) + 0.02;
            let means = (420.0..690.0).contains(&nm);
            AbsorbanceRow {
                transmittance: means.then(|| e(10f64.powf(-value), 0.004)),
                absorbance: means.then(|| e(value, 0.004 + 0.01 * value)),
            }
        })
        .collect()
}

pub fn peak(nm: f64, height: f64, name: &str) -> Peak {
    Peak {
        centre_nm: e(nm, 0.08),
        own_sigma_nm: 0.05,
        instrument_sigma_nm: 0.05,
        fwhm_nm: e(1.6, 0.1),
        height: e(height, 0.003),
        area: e(1.7 * height, 0.01),
        kind: PeakKind::Line,
        clipped: false,
        name: name.to_owned(),
    }
}

pub fn reason(code: Code, severity: Severity, measured: &str, limit: &str, advice: &str) -> Reason {
    Reason {
        code,
        severity,
        measured: measured.to_owned(),
        limit: limit.to_owned(),
        advice: advice.to_owned(),
    }
}

/// A reason as the class would get it.
pub fn trouble(code: Code) -> Reason {
    let retake = Severity::Retake;
    match code {
        Code::Clipped => reason(
            code,
            retake,
            "18 % of the spectrum",
            "2 %",
            "Halve the exposure time, or move the lamp away, until no colour looks white.",
        ),
        Code::Tilted => reason(
            code,
            retake,
            "tilt 6.2 ± 0.1°",
            "3°",
            "Turn the phone on the tube by 6° against the clock and take the photo again.",
        ),
        Code::SlitWide => reason(
            code,
            Severity::Caution,
            "slit 312 ± 14 µm",
            "250 µm",
            "Push the blades together: a sheet of paper is the right gap.",
        ),
        Code::Defocused => reason(
            code,
            retake,
            "blur 6.1 ± 0.3 px",
            "4 px",
            "Tap on the slit in the camera’s picture until it is sharp, and lock the focus.",
        ),
        Code::FewLines => reason(
            code,
            retake,
            "3 lines",
            "5 lines",
            "Hold the slit nearer to the lamp, and check that it is the fluorescent one.",
        ),
        Code::Truncated => reason(
            code,
            retake,
            "61 % of the file",
            "",
            "The upload broke off. Send the photo again.",
        ),
        Code::Leak => reason(
            code,
            retake,
            "4.1 % of full scale",
            "1 %",
            "Light gets into the tube: tape the seam by the disc.",
        ),
        _ => reason(code, retake, "", "", "Take the photo again."),
    }
}

pub fn metrics(k: f64) -> Metrics {
    let mut metrics = Metrics::default();
    for (quantity, value) in [
        (Quantity::ClippedFraction, 0.0),
        (Quantity::PeakLevel, 0.71),
        (Quantity::Snr, 180.0 - 12.0 * k),
        (Quantity::BandpassNm, 1.12 + 0.09 * k),
        (Quantity::BackgroundLevel, 0.0021),
        (Quantity::NmPerPx, 0.487),
        (Quantity::WavelengthSigmaNm, 0.06 + 0.02 * k),
        (Quantity::ExposureS, 0.04),
        (Quantity::DustStreaks, 3.0),
    ] {
        metrics.set(quantity, value);
    }
    for (quantity, value, sigma) in [
        (Quantity::TiltDeg, 0.4 + 0.35 * k, 0.06),
        (Quantity::SkewDeg, -0.21 - 0.1 * k, 0.09),
        (Quantity::SlitWidthUm, 188.0 + 9.0 * k, 8.0),
        (Quantity::BlurPx, 1.3, 0.11),
        (Quantity::SlitWedgeUm, -64.0 + 20.0 * k, 18.0),
        (Quantity::DustShare, 0.021, 0.004),
        (Quantity::OrderBalance, 0.31, 0.02),
        (Quantity::LeakX, 0.82, 0.09),
        (Quantity::LeakY, 0.47, 0.12),
    ] {
        metrics.note(quantity, e(value, sigma));
    }
    metrics
}

pub fn calibration_from(photo: &str) -> CalibrationRecord {
    let lines: Vec<LineUse> = MERCURY
        .iter()
        .zip([0.04, -0.03, 0.11, 0.02, -0.05, 0.03])
        .map(|(nm, residual)| LineUse {
            name: format!("Hg {nm:.2}"),
            wavelength_nm: *nm,
            order: 1,
            residual_nm: residual,
            sigma_nm: if *nm == 491.607 { 0.12 } else { 0.05 },
            left_out_nm: Some(1.3 * residual),
            used: *nm != 491.607,
        })
        .collect();
    CalibrationRecord {
        photo: Some(photo.to_owned()),
        kind: ScaleKind::Calibrated,
        rms_nm: Some(0.037_123_456_789),
        model: Some(Calibration {
            found_out: None,
            slit_length_px: Some(230.0),
            slit_px: Point::new(2000.0, 1500.0),
            stated_focal_px: None,
            slit_width_um: Some(200.0),
            slit_width_sigma_um: Some(40.0),
            slit_width_at_most_um: None,
            end_blur_px: None,
            line_fwhm_nm: None,
            slit_image_px: 5.0,
            balance_ln: Some(0.4),
            on_sensor: None,
            centre_shift_px: 0.0,
            centre_across_px: 0.0,
            lamp: "fluorescent".to_owned(),
            optics: Optics {
                k2: 0.0,
                groove_spacing_nm: 1600.0,
                focal_px: 3_012.347_112_9,
                centre_px: Point::new(2000.0, 1500.0),
                k1: 0.012_3,
                roll_rad: 0.01,
                yaw_rad: 0.1 + 0.2,
                pitch_rad: 0.0,
                alpha_slit: 0.001,
                beta_mid: 0.0,
                skew_slope: -0.004,
                pupil_share: 0.007,
                fan: 0.0,
                lateral: 0.0,
                lateral_bow: 0.0,
            },
            covariance: (0..6)
                .map(|i| (0..6).map(|j| if i == j { 1e-6 } else { 0.0 }).collect())
                .collect(),
            lines: lines.clone(),
            rms_nm: 0.037_123_456_789,
            sigma_curve: [(400.0, 0.08), (550.0, 1.0 / 17.0), (700.0, 0.21)]
                .map(SigmaAt::from)
                .to_vec(),
            margin: 41.5,
        }),
        lines,
    }
}

pub fn record(bench: &str, file: &str, capture: Capture, verdict: Verdict) -> Record {
    let photo = format!("{bench}/{file}");
    Record {
        label: file
            .rsplit_once('.')
            .map_or(file, |(stem, _)| stem)
            .to_owned(),
        bench: bench.to_owned(),
        capture: Some(capture),
        rule: match capture {
            Capture::Calibration => "lamp photos",
            _ => "everything else",
        }
        .to_owned(),
        lamp: match capture {
            Capture::Calibration => "fluorescent",
            _ => "",
        }
        .to_owned(),
        verdict,
        provenance: Provenance {
            photo_hash: format!("{:0>64}", photo.len()),
            configuration_hash: "c0ffee".to_owned(),
            version: "0.1.0".to_owned(),
            ..Provenance::default()
        },
        photo,
        ..Record::default()
    }
}

fn measured(mut r: Record, k: f64, minute: u32, lamp_photo: Option<&str>) -> Record {
    let m = metrics(k);
    r.metrics = as_published(&m, Some("right"));
    r.taken = Some(format!("2026-03-12T18:{minute:02}:07"));
    r.calibration = lamp_photo.map(calibration_from);
    r
}

/// Photos as pages have them, each in a folder of its own name.
pub fn shown(records: &[Record]) -> Vec<Shown<'_>> {
    let shown = records.iter().map(|record| Shown {
        record,
        folder: &record.photo,
        has_spectrum: record.calibration.is_some(),
    });
    shown.collect()
}

/// Six benches at different points of one evening.
pub fn class() -> Vec<Record> {
    let mut all = Vec::new();
    for (k, bird) in BIRDS.iter().enumerate() {
        let kf = k as f64;
        let lamp = format!("{bird}/lamp-02.jpg");
        let lamp = lamp.as_str();
        let mut push = |file: &str, capture, verdict, minute: u32, codes: &[Code], scale: bool| {
            let mut r = measured(
                record(bird, file, capture, verdict),
                kf,
                minute,
                scale.then_some(lamp),
            );
            r.reasons = codes.iter().map(|c| trouble(*c)).collect();
            all.push(r);
        };
        use Capture::{Blank, Calibration as Lamp, Sample};
        use Verdict::{Caution, Good, Retake, Unreadable, Waiting};
        match *bird {
            "curlew" => {
                push(
                    "lamp-01.jpg",
                    Lamp,
                    Retake,
                    2,
                    &[Code::FewLines, Code::Tilted],
                    false,
                );
                push("quay-lamp-1.jpg", Sample, Waiting, 5, &[], false);
            }
            "redshank" => {
                push("quay-lamp-1.jpg", Sample, Waiting, 5, &[], false);
                push("quay-lamp-2.jpg", Sample, Waiting, 6, &[], false);
            }
            _ => {
                push("lamp-01.jpg", Lamp, Retake, 2, &[Code::Defocused], false);
                push("lamp-02.jpg", Lamp, Good, 4, &[], true);
                push("blank.jpg", Blank, Good, 6, &[], true);
                push("dye-a.jpg", Sample, Good, 8, &[], true);
                push("dye-b.jpg", Sample, Good, 10, &[], true);
                push("led-door.jpg", Sample, Good, 12, &[], true);
                match *bird {
                    "avocet" => push("mole-head.jpg", Sample, Retake, 14, &[Code::Clipped], true),
                    "dunlin" => {
                        push(
                            "mole-head.jpg",
                            Sample,
                            Caution,
                            14,
                            &[Code::SlitWide],
                            true,
                        );
                        push(
                            "crane.jpg",
                            Sample,
                            Unreadable,
                            15,
                            &[Code::Truncated],
                            false,
                        );
                    }
                    "turnstone" => push(
                        "mole-head.jpg",
                        Sample,
                        Retake,
                        14,
                        &[Code::Tilted, Code::Leak],
                        true,
                    ),
                    _ => push("mole-head.jpg", Sample, Good, 14, &[], true),
                }
            }
        }
    }
    let mut note = record("heron", "list.txt", Capture::Sample, Verdict::Ignored);
    note.capture = None;
    note.remarks = vec![
        "not a photo: rule `notes` leaves it alone"
            .to_owned()
            .into(),
    ];
    all.push(note);
    all
}

/// Names that a page, a table or a spreadsheet could trip over.
pub fn nasty_names() -> [&'static str; 9] {
    [
        "<script>alert(1)</script>.jpg",
        "\"onerror='x'&amp;.jpg",
        "=HYPERLINK(\"x\").jpg",
        "\u{5d1}\u{5e8}\u{5d6}\u{5dc} \u{202e}gpj.01.jpg",
        "🚢⚓.jpg",
        "a,b;\"c\".jpg",
        "line\nbreak.jpg",
        "bell\u{7}.jpg",
        "{{ now }}{% raw %}.jpg",
    ]
}

/// The class with all of these names in all places.
pub fn nasty_class() -> Vec<Record> {
    let mut records = class();
    for (i, name) in nasty_names().into_iter().enumerate() {
        let bench = if i % 2 == 0 {
            "heron"
        } else {
            "k<b>not</b>&\u{202e}🐦"
        };
        let mut r = record(bench, name, Capture::Sample, Verdict::Retake);
        let mut reason = trouble(Code::Tilted);
        reason.advice = format!("Do not trust {name}");
        reason.measured = name.to_owned();
        r.reasons.push(reason);
        r.remarks.push(name.to_owned().into());
        r.calibration = Some(calibration_from(name));
        records.push(r);
        let mut stray = record("", name, Capture::Sample, Verdict::Unreadable);
        stray.photo = format!("no bench {name}");
        records.push(stray);
    }
    records
}

/// Sixty benches with 34 photos each.
pub fn crowd() -> Vec<Record> {
    let mut records = Vec::new();
    for b in 0..60 {
        let bench = format!("{}-{b:02}", BIRDS[b % 6]);
        for p in 0..34 {
            let file = format!("quay-lamp-{p:02}.jpg");
            let mut r = record(&bench, &file, Capture::Sample, Verdict::Good);
            r.calibration = Some(calibration_from(&format!("{bench}/lamp.jpg")));
            r.metrics = as_published(&metrics(b as f64 / 10.0), None);
            r.taken = Some(format!("2026-03-12T18:{p:02}:00"));
            if (p + b) % 8 == 0 {
                r.verdict = Verdict::Retake;
                r.reasons = vec![trouble(Code::Tilted), trouble(Code::Leak)];
            }
            records.push(r);
        }
    }
    records
}

/// The bench of a room that comes first: it has no scale.
pub const FIRST_OF_A_ROOM: &str = "avocet-00";

/// So many benches: of three, one has two things to take again, one is done, and one waits for its lamp photo; the first has
/// a lamp photo to take again, and so no scale.
pub fn room(n: usize) -> Vec<Record> {
    let long = [
        (
            Code::Skewed,
            "The disc's grooves are 3.4° off the slit. Re-seat the disc: turn it clockwise by that much as seen from the phone, until the lines stand upright across the band, then tape it.",
        ),
        (
            Code::Clipped,
            "About 3 times too bright: set the exposure to 1/120 s and take it again. The slit itself may stay white.",
        ),
    ];
    let mut records = Vec::new();
    for b in 0..n {
        let bench = format!("{}-{b:02}", BIRDS[b % 6]);
        let lamp = format!("{bench}/lamp-01.jpg");
        for p in 0..9 {
            let (file, capture) = match p {
                0 => ("lamp-01.jpg".to_owned(), Capture::Calibration),
                p => (
                    format!(
                        "quay-{}.jpg",
                        ["crane", "mole", "slip", "buoy"][p % 4].repeat(p)
                    ),
                    Capture::Sample,
                ),
            };
            let mut r = record(&bench, &file, capture, Verdict::Good);
            let has_scale = b > 0 && b % 3 < 2;
            r = measured(
                r,
                b as f64 / 10.0,
                p as u32,
                has_scale.then_some(lamp.as_str()),
            );
            match (b, p) {
                (0, 0) => r.verdict = Verdict::Retake,
                (b, 0) if b % 3 == 2 => continue,
                (0, _) => r.verdict = Verdict::Waiting,
                (b, _) if b % 3 == 2 => r.verdict = Verdict::Waiting,
                (b, 7 | 8) if b % 3 == 0 => r.verdict = Verdict::Retake,
                _ => {}
            }
            if r.verdict == Verdict::Retake {
                let (code, advice) = long[p % 2];
                r.reasons = vec![reason(code, Severity::Retake, "3.4 ± 0.2", "3", advice)];
            }
            records.push(r);
        }
    }
    records
}

/// Everything that `publish::files` is given for one photo of the class.
pub fn measurement(record: &Record, shot: Option<&Shot>) -> Measurement {
    let mut noise = Noise(record.photo.len() as u32 + 11);
    let lamp = match record.label.as_str() {
        l if l.starts_with("lamp") => "lamp",
        l if l.starts_with("led") => "led",
        l if l.starts_with("mole") => "sodium",
        _ => "bulb",
    };
    let hot = record.reasons.iter().any(|r| r.code == Code::Clipped);
    let scaled = record.calibration.is_some();
    let peaks = match lamp {
        "lamp" => [0.25, 0.55, 0.08, 0.8, 0.16, 0.17]
            .iter()
            .zip(MERCURY)
            .map(|(h, nm)| peak(nm + 0.03, *h, &format!("Hg {nm:.2}")))
            .chain([
                peak(611.6, 0.7, ""),
                peak(543.4, 0.5, ""),
                peak(488.0, 0.18, ""),
            ])
            .collect(),
        "led" => vec![peak(452.1, 0.62, ""), peak(557.0, 0.48, "")],
        "sodium" => vec![
            peak(568.6, 0.2, "Na 568.8"),
            peak(589.2, 0.85, "Na 589.3"),
            peak(615.8, 0.12, ""),
            peak(498.2, 0.1, ""),
        ],
        _ => Vec::new(),
    };
    Measurement {
        metrics: metrics(0.0),
        order_side: Some("right"),
        spectrum: scaled.then(|| {
            spectrum(
                lamp,
                if hot { 1.6 } else { 0.55 },
                if hot { 0.72 } else { 1.0 },
                &mut noise,
            )
        }),
        peaks: if scaled { peaks } else { Vec::new() },
        drawing: shot.map(Shot::drawing).unwrap_or_default(),
        log: vec!["located the slit's image".to_owned()],
        ..Measurement::default()
    }
}
