//! The score of cases made by hand: what was planted, what came out, and what must be said of it.

use super::*;
use crate::simulate::{PlantedFault, Pose, TrueLine};
use crate::terms::Point;

fn truth(faults: &[(&str, Option<f64>)]) -> Truth {
    Truth {
        width: 4000,
        height: 3000,
        has_spectrum: true,
        lines: vec![
            TrueLine {
                wavelength_nm: 501.568,
                strength: 0.35,
                name: "He 501.57".into(),
            },
            TrueLine {
                wavelength_nm: 587.562,
                strength: 1.0,
                name: "He 587.56".into(),
            },
        ],
        pose: Pose::default(),
        tilt_deg: 1.0,
        skew_deg: -0.5,
        slit_width_um: 200.0,
        slit_wedge_um: 0.0,
        dust_share: 0.0,
        blur_px: 1.0,
        movement_px: 0.0,
        leak_level: 0.001,
        leak_at: Point::default(),
        peak_level: 0.75,
        exposure_s: 0.01,
        iso: 100.0,
        faults: faults
            .iter()
            .map(|(code, size)| PlantedFault {
                code: (*code).into(),
                size: *size,
            })
            .collect(),
        zero_order: None,
        slit_ends: [Point::default(); 2],
        orders: Vec::new(),
        absorbance: Vec::new(),
        disc: None,
        lit_part: [-1.0, 1.0],
    }
}

/// Two lines, both `error_nm` from their true places.
fn seen(verdict: &str, error_nm: f64, reasons: &[(&str, &str)]) -> Seen {
    let spectrum = (0..1640)
        .map(|i| 370.125 + 0.25 * f64::from(i))
        .map(|nm| {
            let bell = |at: f64| (-0.5 * ((nm - at - error_nm) / 0.7).powi(2)).exp();
            SeenRow {
                wavelength_nm: nm,
                signal: 0.3 * bell(501.568) + 0.6 * bell(587.562),
                signal_sigma: 1e-4,
                absorbance: None,
            }
        })
        .collect();
    Seen {
        verdict: verdict.into(),
        bench: "heron".into(),
        capture: "sample".into(),
        reasons: reasons
            .iter()
            .map(|(code, severity)| SeenReason {
                code: (*code).into(),
                severity: (*severity).into(),
                measured: "so much".into(),
            })
            .collect(),
        metrics: BTreeMap::from([
            ("bandpass_nm".into(), 1.7),
            ("tilt_deg".into(), 1.25),
            ("skew_deg".into(), 0.5),
            ("slit_width_um".into(), 220.0),
        ]),
        scale_from: "heron/lamp-01.jpg".into(),
        spectrum,
        peaks: vec![Estimate::new(587.562 + error_nm, 0.1)],
        ..Seen::default()
    }
}

fn entry(photo: &str, faults: &[(&str, Option<f64>)], seen: Option<Seen>) -> Entry {
    Entry {
        photo: photo.into(),
        bench: "heron".into(),
        is_told: true,
        truth: truth(faults),
        seen,
    }
}

fn kept(score: &Score) -> Vec<bool> {
    score.promises().iter().map(|p| p.kept).collect()
}

#[test]
fn a_class_without_a_flaw_keeps_every_promise() {
    let entries = [
        entry("heron/helium.jpg", &[], Some(seen("good", 0.05, &[]))),
        entry(
            "heron/turned.jpg",
            &[("tilted", Some(10.0))],
            Some(seen("retake", 0.0, &[("tilted", "retake")])),
        ),
    ];
    let score = score(&entries, &Limits::default());
    assert_eq!(
        kept(&score),
        [true; 11],
        "{}",
        table(&score, &Speed::default(), "")
    );
    assert!(score.all_kept());
    assert_eq!(score.lines.len(), 2);
    assert!(
        score
            .lines
            .iter()
            .all(|l| (l.in_spectrum_nm.unwrap() - 0.05).abs() < 0.01)
    );
    assert_eq!(score.lines[0].in_peaks_nm, None);
    let error = score.lines[1].in_peaks_nm.unwrap();
    assert!((error.value - 0.05).abs() < 1e-9 && error.sigma == 0.1);
    assert_eq!(score.metrics["tilt_deg"], [0.25, 0.25]);
    assert_eq!(score.metrics["skew_deg"], [0.0, 0.0]);
    assert!((score.metrics["slit_width (100-400 um, in focus)"][0] - 0.1).abs() < 1e-12);
}

#[test]
fn every_kind_of_failure_breaks_its_own_promise() {
    let alone = |e: Entry| {
        kept(&score(
            &[e, entry("heron/ok.jpg", &[], Some(seen("good", 0.0, &[])))],
            &Limits::default(),
        ))
    };
    let broken = |i: usize| {
        let mut all = [true; 11];
        all[i] = false;
        all
    };
    // Not published, and published without a scale.
    assert_eq!(alone(entry("a", &[], None)), broken(0));
    let waiting = Seen {
        scale_from: String::new(),
        ..seen("waiting", 0.0, &[])
    };
    assert_eq!(alone(entry("a", &[], Some(waiting))), broken(0));
    // A strong line that is not there.
    let mut dark = seen("caution", 0.0, &[]);
    dark.spectrum.retain_mut(|row| {
        row.signal *= f64::from(row.wavelength_nm < 540.0);
        true
    });
    assert_eq!(alone(entry("a", &[], Some(dark))), broken(1));
    // 0.9 nm off: two of four lines, so the median of the sound half holds and the 95 % do not.
    assert_eq!(
        alone(entry("a", &[], Some(seen("caution", 0.9, &[])))),
        broken(3)
    );
    // A spoilt photo that is called good on a scale 2.5 nm off.
    let spoilt = seen("good", 2.5, &[("exposure-auto", "caution")]);
    assert_eq!(
        alone(entry("a", &[("exposure-auto", None)], Some(spoilt))),
        broken(4)
    );
    // A fault that is only a caution is missed, be it gross or moderate.
    for (skew_deg, promise) in [(-9.0, 5), (-4.5, 6)] {
        let mild = seen("caution", 0.0, &[("skewed", "caution")]);
        let mut spoilt = entry("a", &[("skewed", Some(skew_deg))], Some(mild));
        spoilt.truth.skew_deg = skew_deg;
        assert_eq!(alone(spoilt), broken(promise));
    }
    assert_eq!(
        alone(entry(
            "a",
            &[],
            Some(seen("retake", 0.0, &[("leak", "retake")]))
        )),
        broken(7)
    );
    // A blank that nobody knew for one, and a photo that went to another bench.
    let unknown = entry("heron/blank-01.jpg", &[], Some(seen("good", 0.0, &[])));
    assert_eq!(alone(unknown), broken(9));
    let elsewhere = Seen {
        bench: "dunlin".into(),
        ..seen("good", 0.0, &[])
    };
    assert_eq!(alone(entry("a", &[], Some(elsewhere))), broken(9));
}

#[test]
fn one_slate_of_fifty_may_be_missed_and_none_be_read_wrongly() {
    let kept = |n: usize, n_unread: usize, wrong: &[&str]| {
        let score = Score {
            slates: Slates {
                n,
                unread: vec![String::new(); n_unread],
                wrong: wrong.iter().map(|s| (*s).to_owned()).collect(),
            },
            ..Score::default()
        };
        score.promises()[10].kept
    };
    assert!(kept(0, 0, &[]) && kept(50, 1, &[]));
    assert!(!kept(49, 1, &[]) && !kept(50, 0, &["a"]));
}

#[test]
fn what_was_taken_again_must_be_settled_and_by_nothing_else() {
    let photo = |name: &str, verdict: &str, minute: u32, by: &str| {
        let seen = Seen {
            taken: format!("2026-11-12T19:{minute:02}:00"),
            settled_by: by.into(),
            ..seen(verdict, 0.0, &[("tilted", "retake")])
        };
        let faults: &[_] = match verdict {
            "good" => &[],
            _ => &[("tilted", None)],
        };
        entry(name, faults, Some(seen))
    };
    let come_to = |by: &str| {
        let class = [
            photo("heron/neon-03.jpg", "retake", 1, by),
            photo("heron/neon-09.jpg", "good", 3, ""),
            photo("heron/helium-11.jpg", "good", 5, ""),
            photo("heron/neon-12.jpg", "retake", 7, ""),
        ];
        let again = score(&class, &Limits::default()).again;
        let n = |list: &[String]| list.len();
        (again.n_taken_again, n(&again.still_asked), n(&again.wrong))
    };
    assert_eq!(come_to("heron/neon-09.jpg"), (1, 0, 0));
    assert_eq!(come_to(""), (1, 1, 0));
    assert_eq!(come_to("heron/helium-11.jpg"), (1, 0, 1));

    // Where nothing says what either shows, the next photo within five minutes is the same thing, and a later one is not.
    let untold = |minute: u32, by: &str| {
        let bad = photo("heron/neon-03.jpg", "retake", 1, by);
        let good = photo("heron/helium-11.jpg", "good", minute, "");
        let class = [bad, good].map(|entry| Entry {
            is_told: false,
            ..entry
        });
        let again = score(&class, &Limits::default()).again;
        (again.n_taken_again, again.wrong.len())
    };
    assert_eq!(untold(6, "heron/helium-11.jpg"), (1, 0));
    assert_eq!(untold(7, "heron/helium-11.jpg"), (0, 1));
}

#[test]
fn a_mean_error_of_half_a_nanometre_breaks_the_median() {
    let score = score(
        &[entry("a", &[], Some(seen("good", 0.5, &[])))],
        &Limits::default(),
    );
    let mut all = [true; 11];
    all[2] = false;
    assert_eq!(kept(&score), all);
}

#[test]
fn a_class_without_a_line_to_measure_keeps_no_promise_about_lines() {
    let score = score(&[], &Limits::default());
    assert!(!score.all_kept());
}

#[test]
fn lines_that_the_lamp_has_too_are_counted_apart() {
    let mut lamp = entry("heron/lamp-01.jpg", &[], None);
    lamp.truth.lines = vec![TrueLine {
        wavelength_nm: 587.562,
        strength: 1.0,
        name: "same".into(),
    }];
    let score = score(
        &[lamp, entry("a", &[], Some(seen("good", 0.1, &[])))],
        &Limits::default(),
    );
    let other: Vec<bool> = score.lines.iter().map(|l| l.is_of_other_lamp).collect();
    assert_eq!(other, [true, false]);
}

#[test]
fn how_far_a_fault_is_over_the_limit() {
    let limits = Limits::default();
    let mut t = truth(&[]);
    t.skew_deg = -6.0;
    assert_eq!(over_limit("skewed", Some(-6.0), &t, &limits), Some(2.0));
    assert_eq!(over_limit("cropped", Some(550.0), &t, &limits), Some(5.0));
    t.peak_level = 2.38;
    assert_eq!(over_limit("clipped", Some(3.0), &t, &limits), Some(1.0));
    assert_eq!(over_limit("no-spectrum", None, &t, &limits), None);
}

#[test]
fn absorbance_is_compared_at_the_true_points() {
    let mut e = entry("a", &[], Some(seen("good", 0.0, &[])));
    e.truth.absorbance = vec![(500.0, 0.8), (600.0, 2.5)];
    for row in &mut e.seen.as_mut().unwrap().spectrum {
        row.absorbance = Some(Estimate::new(0.002 * row.wavelength_nm - 0.21, 0.02));
    }
    let score = score(&[e], &Limits::default());
    assert_eq!(score.absorbance.len(), 1);
    assert!((score.absorbance[0].value + 0.01).abs() < 1e-9);
}

#[test]
fn quantiles_are_values_that_occurred() {
    let values = [0.4, 0.1, 0.3, 0.2];
    assert_eq!(quantile(&values, 0.5), Some(0.2));
    assert_eq!(quantile(&values, 0.95), Some(0.4));
    assert_eq!(quantile(&values, 0.0), Some(0.1));
    assert_eq!(quantile(&[], 0.5), None);
}
