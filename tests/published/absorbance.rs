//! Absorbances against outside numbers: the nominal transmittances of NIST's neutral glass filters SRM 930e (10, 20, 30 % at
//! 440, 465, 546.1, 590, 635 nm; certificate, wavelengths from memory) and SRM 1930 (1, 3, 50 %; from memory), the nominal
//! absorbances of potassium dichromate in 0.001 M perchloric acid (Starna, "UV absorbance: potassium dichromate"), and a
//! permanganate series at 522 nm (studylib.net document 6635300).

use slitwatch::answers::absorb::{KNOWN_TONE, Link, absorbance};
use slitwatch::answers::bands::at;
use slitwatch::answers::series::{Standard, fit};
use slitwatch::terms::{Estimate, Spectrum, SpectrumRow};

fn lit(level: f64) -> Spectrum {
    let rows = (0..=320).map(|i| SpectrumRow {
        wavelength_nm: 400.0 + f64::from(i),
        signal: level,
        signal_sigma: 2e-5,
        rgb: [level; 3],
        rgb_sigma: [4e-5; 3],
        clipped: 0.0,
    });
    Spectrum {
        step_nm: 1.0,
        rows: rows.collect(),
    }
}

#[test]
fn neutral_glass_filters_have_their_nominal_absorbance_at_every_wavelength_of_their_certificate() {
    // A = −log10 T: printed to three decimals.
    let nominal = [
        (0.01, 2.000),
        (0.03, 1.523),
        (0.10, 1.000),
        (0.20, 0.699),
        (0.30, 0.523),
        (0.50, 0.301),
    ];
    let link = Link {
        tone_share: KNOWN_TONE,
        ..Link::of(1.0)
    };
    for (transmittance, printed) in nominal {
        let blank = lit(0.6);
        let filter = lit(0.6 * transmittance);
        let rows: Vec<_> = filter
            .rows
            .iter()
            .zip(absorbance(&filter, &blank, &link))
            .map(|(row, a)| (row.wavelength_nm, a.absorbance))
            .collect();
        for nm in [440.0, 465.0, 546.1, 590.0, 635.0] {
            let found = at(&rows, nm).expect("bright enough");
            let off = (found.value - printed).abs();
            assert!(off < 0.0006, "{transmittance} at {nm} nm: {found:?}");
            // What a phone can know of it: worse the darker, and never better than it was held.
            assert!((0.004..0.1).contains(&found.sigma), "{found:?}");
        }
    }
}

#[test]
fn dichromate_is_a_line_through_nothing_at_each_of_its_wavelengths() {
    // mg/L and absorbance of 1 cm at 235, 257, 313, 350 nm.
    let printed = [
        (20.0, [0.246, 0.286, 0.096, 0.214]),
        (60.0, [0.743, 0.865, 0.290, 0.643]),
        (100.0, [1.247, 1.452, 0.484, 1.074]),
    ];
    for i in 0..4 {
        let rows: Vec<Standard> = printed
            .iter()
            .map(|(c, a)| Standard {
                concentration: *c,
                absorbance: Estimate::new(a[i], 0.003),
            })
            .collect();
        let line = fit(&rows, 12.0).expect("three levels on a line");
        assert!(
            line.intercept.value.abs() < 2.0 * line.intercept.sigma,
            "{line:?}"
        );
        // The middle one found again from its own absorbance.
        let found = line.concentration(&[rows[1].absorbance]).expect("in range");
        assert!((found.value.value - 60.0).abs() < 0.5, "{found:?}");
        assert!(found.low < 60.0 && 60.0 < found.high);
    }
}

#[test]
fn the_bent_top_of_a_permanganate_series_is_left_out_and_its_unknown_stays() {
    let absorbances = [0.0, 0.267, 0.583, 0.824, 1.120, 1.313, 1.499];
    let rows: Vec<Standard> = (0..7)
        .map(|i| Standard {
            concentration: 20.0 * f64::from(i),
            absorbance: Estimate::new(absorbances[i as usize], 0.015),
        })
        .collect();
    // Its top is bent (A above 1): the line is that of the lower standards, and the unknown lies on it.
    let line = fit(&rows, 12.0).expect("seven levels");
    assert!(line.left_out >= 1, "{line:?}");
    let unknown = [0.763, 0.741, 0.749].map(|value| Estimate::new(value, 0.015));
    let found = line.concentration(&unknown).expect("in range");
    // 56.08 ± 2.70 mg/L by a straight line through all of them (computed with numpy).
    assert!((found.value.value - 56.08).abs() < 2.0 * 2.70, "{found:?}");
    assert!(found.value.sigma < 2.70, "{found:?}");
}
