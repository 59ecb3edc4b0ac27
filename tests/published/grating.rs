//! The grating equation, plane and conical, against published angles (`grating_angles.csv` names its sources).
//!
//! Also: OpenStax, College Physics, chapter 27, the grating whose first fringe lies 0.600 m off at 1.50 m with 633 nm, and
//! the width in wavelength of a line's bow, λ (sec γ − 1).

use super::table::rows;

/// One published angle.
#[derive(Debug, serde::Deserialize)]
struct Angle {
    source: String,
    groove_spacing_nm: f64,
    wavelength_nm: f64,
    order: i32,
    incidence_deg: f64,
    gamma_deg: f64,
    diffraction_deg: Option<f64>,
    tolerance_deg: f64,
}

/// The place where the program's own optics is put to the test.
///
/// To connect it: let [`direction_cosine`](under_test::direction_cosine) call the function of `slitwatch::measure::optics`
/// that gives the direction cosine across the grooves of a wavelength in an order. Until then the equation itself stands
/// here, which shows that the table is sound.
mod under_test {
    /// Direction cosine across the grooves of the light of order `order`, for light that comes in with `alpha_0`.
    pub fn direction_cosine(
        alpha_0: f64,
        order: i32,
        wavelength_nm: f64,
        groove_spacing_nm: f64,
    ) -> f64 {
        alpha_0 + f64::from(order) * wavelength_nm / groove_spacing_nm
    }
}

/// Angle of diffraction across the grooves, degrees; absent where the order does not exist.
///
/// The direction cosine along the grooves, sin γ, stays the same, so the part across them has length cos γ at most.
fn diffraction_deg(row: &Angle) -> Option<f64> {
    let across = row.gamma_deg.to_radians().cos();
    let alpha_0 = row.incidence_deg.to_radians().sin() * across;
    let alpha =
        under_test::direction_cosine(alpha_0, row.order, row.wavelength_nm, row.groove_spacing_nm);
    let sine = alpha / across;
    (sine.abs() <= 1.0).then(|| sine.asin().to_degrees())
}

#[test]
fn every_published_angle_is_met_within_its_printed_precision() {
    let angles: Vec<Angle> = rows(include_str!("grating_angles.csv"));
    assert_eq!(angles.len(), 33);
    for row in &angles {
        let found = diffraction_deg(row);
        match (found, row.diffraction_deg) {
            (None, None) => {}
            (Some(found), Some(expected)) => {
                // One unit of the seventh digit for the rounding of the table's own decimal numbers.
                let allowed = row.tolerance_deg + 1e-7;
                assert!((found - expected).abs() <= allowed, "{found:.4}: {row:?}");
            }
            _ => panic!("{found:?}: {row:?}"),
        }
    }
    assert!(angles.iter().any(|row| row.source == "young-freedman"));
}

#[test]
fn a_textbook_grating_is_found_from_its_first_fringe() {
    // OpenStax, College Physics, chapter 27: 0.600 m at 1.50 m, 633 nm. The spacing follows as 1.70 µm.
    let angle_deg = (0.600_f64 / 1.50).atan().to_degrees();
    let row = Angle {
        source: "college-physics".to_owned(),
        groove_spacing_nm: 1700.0,
        wavelength_nm: 633.0,
        order: 1,
        incidence_deg: 0.0,
        gamma_deg: 0.0,
        diffraction_deg: Some(angle_deg),
        // Three printed digits of the spacing: 0.005 µm in 1.70 µm are 0.07° here.
        tolerance_deg: 0.07,
    };
    let found = diffraction_deg(&row).expect("the first order exists");
    assert!((found - angle_deg).abs() <= row.tolerance_deg, "{found}");
}

#[test]
fn a_line_bows_by_the_secant_of_its_height() {
    // Who reads the wavelength of 546.074 nm from the angle across the grooves alone, as if the ray lay in the plane
    // across them, reads it too long by λ (sec γ − 1). Worked for 1, 2, 3 and 5 degrees, nm.
    let in_plane = 546.074;
    for (gamma_deg, expected_nm) in [(1.0_f64, 0.083), (2.0, 0.333), (3.0, 0.749), (5.0, 2.086)] {
        let row = Angle {
            source: "equation".to_owned(),
            groove_spacing_nm: 1600.0,
            wavelength_nm: in_plane,
            order: 1,
            incidence_deg: 0.0,
            gamma_deg,
            diffraction_deg: None,
            tolerance_deg: 0.0,
        };
        let angle = diffraction_deg(&row).expect("the first order exists");
        let read_nm = 1600.0 * angle.to_radians().sin();
        assert!(
            (read_nm - in_plane - expected_nm).abs() < 0.0006,
            "{gamma_deg}: {read_nm}"
        );
    }
}
