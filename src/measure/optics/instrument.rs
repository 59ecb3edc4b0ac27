//! Is it still the same instrument? What a re-seated disc, a moved slit or another phone changes between two lamp photos of
//! a bench, told from what two fits of one instrument differ by.

use std::f64::consts::PI;

use crate::measure::optics::adjust::index;
use crate::terms::Calibration;

/// A jump counts from this many joint standard uncertainties on…
const LEAST_SIGMAS: f64 = 5.0;
/// …and from these amounts on: a phone laid down two millimetres further along the grooves finds them turned by so much…
const LEAST_TURN_RAD: f64 = 3.0 * PI / 180.0;
/// …and three millimetres aside sees the slit at another place by so much.
const LEAST_PLACE_RAD: f64 = 0.6 * PI / 180.0;
/// Relative; autofocus moves the lens by a hundredth or two.
const LEAST_FOCAL_SHARE: f64 = 0.04;

/// What has jumped from one lamp photo's instrument to another's, in words with amounts; empty for one and the same.
///
/// Angles: the slit against the grooves, and its place before the disc. A phone that lies the other way round is no jump.
pub fn jumps(before: &Calibration, after: &Calibration) -> Vec<String> {
    let sigma = |i: usize| {
        let of = |c: &Calibration| c.covariance[i][i].max(0.0);
        (of(before) + of(after)).sqrt()
    };
    let mut said = Vec::new();
    if before.optics.groove_spacing_nm != after.optics.groove_spacing_nm {
        said.push(format!(
            "the grooves from {:.0} to {:.0} nm",
            before.optics.groove_spacing_nm, after.optics.groove_spacing_nm
        ));
        return said;
    }
    let turned = match (before.on_sensor, after.on_sensor) {
        (Some(a), Some(b)) => (a.direction_rad - b.direction_rad).cos() < 0.0,
        _ => (before.optics.roll_rad - after.optics.roll_rad).cos() < 0.0,
    };
    let alpha = if turned {
        -after.optics.alpha_slit
    } else {
        after.optics.alpha_slit
    };
    let angles = [
        (
            "the slit against the grooves",
            after.optics.skew_rad() - before.optics.skew_rad(),
            LEAST_TURN_RAD.max(LEAST_SIGMAS * sigma(index::SKEW) * before.optics.skew_per_slope()),
        ),
        (
            "the slit's place before the disc",
            alpha.asin() - before.optics.alpha_slit.asin(),
            LEAST_PLACE_RAD.max(LEAST_SIGMAS * sigma(index::ALPHA)),
        ),
    ];
    for (what, by, least) in angles {
        if by.abs() > least {
            said.push(format!("{what} by {:.1}°", by.abs().to_degrees()));
        }
    }
    let by = after.optics.focal_px / before.optics.focal_px - 1.0;
    let focal_sigma = sigma(index::FOCAL) / before.optics.focal_px;
    if by.abs() > LEAST_FOCAL_SHARE.max(LEAST_SIGMAS * focal_sigma) {
        said.push(format!("the focal length by {:.0} %", 100.0 * by.abs()));
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::optics::adjust::N;
    use crate::terms::{OnSensor, Optics, Point};

    fn calibration() -> Calibration {
        let mut optics = Optics::flush(1600.0, 2900.0, 4000, 3000);
        optics.alpha_slit = 0.03;
        let mut covariance = vec![vec![0.0; N]; N];
        covariance[index::SKEW][index::SKEW] = 1e-7;
        covariance[index::ALPHA][index::ALPHA] = 1e-7;
        covariance[index::FOCAL][index::FOCAL] = 100.0;
        Calibration {
            lamp: "fluorescent".to_owned(),
            slit_px: Point::new(2000.0, 1500.0),
            optics,
            slit_image_px: 4.0,
            on_sensor: Some(OnSensor {
                direction_rad: 0.0,
                wide: true,
            }),
            covariance,
            rms_nm: 0.02,
            margin: 1.0,
            ..Calibration::default()
        }
    }

    #[test]
    fn a_disc_seated_anew_and_another_disc_are_noticed_and_a_phone_turned_round_is_not() {
        let before = calibration();
        assert!(jumps(&before, &before).is_empty());
        let mut turned = calibration();
        turned.optics.alpha_slit = -0.031;
        turned.on_sensor = Some(OnSensor {
            direction_rad: PI,
            wide: true,
        });
        assert!(jumps(&before, &turned).is_empty());
        let mut reseated = calibration();
        reseated.optics.skew_slope = 0.07;
        reseated.optics.alpha_slit = -0.02;
        let said = jumps(&before, &reseated);
        assert_eq!(
            said,
            [
                "the slit against the grooves by 4.0°",
                "the slit's place before the disc by 2.9°"
            ]
        );
        let mut other = calibration();
        other.optics.groove_spacing_nm = 740.0;
        assert_eq!(jumps(&before, &other), ["the grooves from 1600 to 740 nm"]);
    }

    #[test]
    fn what_is_within_its_uncertainty_is_no_jump() {
        let before = calibration();
        let mut unsure = calibration();
        unsure.optics.skew_slope = 0.03;
        unsure.covariance[index::SKEW][index::SKEW] = 0.01f64.powi(2);
        unsure.optics.focal_px = 3100.0;
        unsure.covariance[index::FOCAL][index::FOCAL] = 60.0f64.powi(2);
        assert!(jumps(&before, &unsure).is_empty());
    }
}
