//! The program's optics against published angles of diffraction (`grating_angles.csv` names its sources).
//!
//! Each row becomes an instrument: a slit seen under the row's incidence, a camera that looks along the grating's normal.
//! Where the model puts the line on the picture is turned back into angles by plain trigonometry, apart from the model.
//! Also: OpenStax, College Physics, chapter 27, the grating whose first fringe lies 0.600 m off at 1.50 m with 633 nm, and
//! the width in wavelength of a line's bow, λ (sec γ − 1).

use slitwatch::terms::{Optics, Point};

use super::table::rows;

/// One published angle.
#[derive(Clone, Debug, serde::Deserialize)]
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

/// A camera of 3000 px focal length on the normal of a row's grating, with the row's slit.
fn instrument(row: &Angle) -> Optics {
    let mut optics = Optics::flush(row.groove_spacing_nm, 3000.0, 4001, 3001);
    let gamma = row.gamma_deg.to_radians();
    optics.alpha_slit = row.incidence_deg.to_radians().sin() * gamma.cos();
    optics.beta_mid = gamma.sin();
    optics
}

/// Angles, degrees, at which a camera on the normal sees a pixel: in the plane across the grooves, and out of that plane.
fn seen_deg(optics: &Optics, Point { x: u, y: v }: Point) -> (f64, f64) {
    let x = (u - optics.centre_px.x) / optics.focal_px;
    let y = (v - optics.centre_px.y) / optics.focal_px;
    (x.atan().to_degrees(), y.atan2(x.hypot(1.0)).to_degrees())
}

/// Angle of diffraction across the grooves as the program's model has it, degrees; absent where the order does not exist.
fn diffraction_deg(row: &Angle) -> Option<f64> {
    let optics = instrument(row);
    let path_nm = f64::from(row.order) * row.wavelength_nm;
    let pixel = optics.rays().pixel_of_path(path_nm, 0.0)?;
    let (across_deg, gamma_deg) = seen_deg(&optics, pixel);
    // The conical form: the angle to the plane across the grooves stays what it was.
    assert!(
        (gamma_deg - row.gamma_deg).abs() < 1e-9,
        "{gamma_deg}: {row:?}"
    );
    // And the pixel leads back to the wavelength.
    let (back_nm, height) = optics.rays().path_and_height(pixel);
    assert!(
        (back_nm - path_nm).abs() < 1e-6 && height.abs() < 1e-9,
        "{back_nm}: {row:?}"
    );
    Some(across_deg)
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
fn a_turned_camera_sees_the_same_angles_elsewhere_on_its_picture() {
    let angles: Vec<Angle> = rows(include_str!("grating_angles.csv"));
    let mut compared = 0;
    for row in &angles {
        let Some(expected_deg) = row.diffraction_deg else {
            continue;
        };
        // What a phone's lens takes in with a turn of some degrees on top.
        if expected_deg.abs() > 30.0 || row.incidence_deg != 0.0 {
            continue;
        }
        let mut optics = instrument(row);
        (optics.roll_rad, optics.yaw_rad, optics.pitch_rad) = (0.4, -0.05, 0.03);
        (optics.k1, optics.k2) = (0.015, -0.004);
        let rays = optics.rays();
        let path_nm = f64::from(row.order) * row.wavelength_nm;
        let turned = rays
            .pixel_of_path(path_nm, 0.0)
            .expect("in front of the camera");
        let straight = instrument(row)
            .rays()
            .pixel_of_path(path_nm, 0.0)
            .expect("in front of the camera");
        assert!(
            turned.distance(straight) > 100.0,
            "the turn moves the picture"
        );
        let (alpha, beta) = rays.cosines(turned);
        let across_deg = (alpha / (1.0 - beta * beta).sqrt()).asin().to_degrees();
        // The lens's distortion is undone to the thousandth of a pixel, 2e-5 degrees.
        assert!(
            (across_deg - expected_deg).abs() <= row.tolerance_deg + 5e-5,
            "{across_deg}: {row:?}"
        );
        assert!(
            (beta.asin().to_degrees() - row.gamma_deg).abs() < 5e-5,
            "{row:?}"
        );
        compared += 1;
    }
    assert!(compared >= 12, "{compared}");
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

#[test]
fn a_straight_slit_bows_on_the_picture_as_its_rays_demand() {
    // The slit's image itself is straight: nothing bends it but the lens. A first-order line through the same slit bows
    // towards it, and the program's own inverse must give one wavelength along the whole of it.
    let row = Angle {
        source: "equation".to_owned(),
        groove_spacing_nm: 1600.0,
        wavelength_nm: 546.074,
        order: 1,
        incidence_deg: 3.0,
        gamma_deg: 0.0,
        diffraction_deg: None,
        tolerance_deg: 0.0,
    };
    let mut optics = instrument(&row);
    optics.skew_slope = 0.02;
    let rays = optics.rays();
    let at = |path_nm: f64, height: f64| {
        rays.pixel_of_path(path_nm, height)
            .expect("in front of the camera")
    };
    let (low, middle, high) = (at(0.0, -0.04), at(0.0, 0.0), at(0.0, 0.04));
    let bend_px = |a: Point, b: Point, c: Point| {
        // Distance of the middle from the chord.
        let (dx, dy) = (c.x - a.x, c.y - a.y);
        ((b.x - a.x) * dy - (b.y - a.y) * dx) / dx.hypot(dy)
    };
    assert!(
        bend_px(low, middle, high).abs() < 1e-6,
        "{}",
        bend_px(low, middle, high)
    );
    let line = [-0.04, 0.0, 0.04].map(|height| at(row.wavelength_nm, height));
    assert!(
        bend_px(line[0], line[1], line[2]).abs() > 0.5,
        "{}",
        bend_px(line[0], line[1], line[2])
    );
    for pixel in line {
        assert!((rays.path_nm(pixel) - row.wavelength_nm).abs() < 1e-6);
    }
}
