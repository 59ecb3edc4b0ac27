//! Colour of a relative spectral power: CIE 1931 chromaticity, colour temperature with the distance from the Planckian
//! locus, dominant wavelength. It takes powers, never a phone's channels: see [`super::response`].

use super::refusal::Refusal;

/// Second radiation constant, m K: exact by the definition of the SI since 2019 (CODATA 2018).
pub(super) const C2_M_K: f64 = 1.438_776_877e-2;
/// Chromaticity of equal energy, to which dominant wavelengths refer.
const EQUAL_ENERGY: (f64, f64) = (1.0 / 3.0, 1.0 / 3.0);
/// Farther than this from the Planckian locus a colour temperature has no meaning (CIE 015:2018, 9.5: 0.05).
const FARTHEST_DUV: f64 = 0.05;
/// Within these the power must be known, nm: the observer hardly sees beyond (no source).
const NEEDED_NM: std::ops::RangeInclusive<f64> = 400.0..=700.0;
/// Colour temperatures are sought from 25 000 K to 1000 K, in mired, in steps of so many that are halved until they are so small
/// (no source).
const LEAST_MIRED: f64 = 40.0;
const MOST_MIRED: f64 = 1000.0;
const FIRST_STEP_MIRED: f64 = 10.0;
const LAST_STEP_MIRED: f64 = 1e-7;

const TABLE: &str = include_str!("../standards/colour/cie1931.csv");

/// Colour-matching functions of the CIE 1931 observer: wavelength (nm) and x, y, z; 380–780 nm in steps of 5 nm.
pub fn observer() -> &'static [(f64, [f64; 3])] {
    // The locus alone asks for it some hundred times a colour.
    static READ: std::sync::LazyLock<Vec<(f64, [f64; 3])>> = std::sync::LazyLock::new(|| {
        TABLE
            .lines()
            .filter(|line| line.starts_with(|c: char| c.is_ascii_digit()))
            .map(|line| {
                let mut cells = line.split(',').map(|c| c.trim().parse().unwrap_or(0.0));
                let mut next = || cells.next().unwrap_or(0.0);
                (next(), [next(), next(), next()])
            })
            .collect()
    });
    &READ
}

/// Relative radiance of a black body, 1 at 560 nm.
pub fn planck(wavelength_nm: f64, kelvin: f64) -> f64 {
    let at = |nm: f64| (nm / 560.0).powi(-5) / (C2_M_K / (nm * 1e-9 * kelvin)).exp_m1();
    at(wavelength_nm) / at(560.0)
}

/// CIE 1931 chromaticity (x, y) of a relative spectral power, summed in steps of 5 nm (CIE 015:2018, 7.1).
///
/// `power` gives the relative spectral power at a wavelength in nm, absent where it is not known. Absent values below
/// 400 nm and above 700 nm count as nothing: the observer hardly sees there.
///
/// # Errors
/// `not-known` where a value between 400 and 700 nm is absent; `no-power` where there is none at all.
pub fn chromaticity(power: impl Fn(f64) -> Option<f64>) -> Result<(f64, f64), Refusal> {
    let mut sum = [0.0; 3];
    for &(nm, xyz) in observer() {
        let p = match power(nm) {
            Some(p) => p,
            None if NEEDED_NM.contains(&nm) => {
                return Err(Refusal::new(
                    "not-known",
                    format!("the spectral power at {nm:.0} nm is not known: no colour"),
                ));
            }
            None => 0.0,
        };
        for (s, v) in sum.iter_mut().zip(xyz) {
            *s += p * v;
        }
    }
    let total: f64 = sum.iter().sum();
    if total <= 0.0 {
        return Err(Refusal::new(
            "no-power",
            "there is no light to have a colour",
        ));
    }
    Ok((sum[0] / total, sum[1] / total))
}

/// CIE 1960 u, v of a CIE 1931 chromaticity.
pub fn uv((x, y): (f64, f64)) -> (f64, f64) {
    let d = -2.0 * x + 12.0 * y + 3.0;
    (4.0 * x / d, 6.0 * y / d)
}

/// Correlated colour temperature (K) and distance from the Planckian locus (Duv; positive above it).
///
/// The nearest point of the locus on the CIE 1960 diagram, the definition itself: the best of steps of 10 per million kelvin
/// in 1/T, then by halving the step.
///
/// # Errors
/// `not-whitish` farther than 0.05 from the locus or outside 1000–25 000 K.
pub fn colour_temperature(xy: (f64, f64)) -> Result<(f64, f64), Refusal> {
    let here = uv(xy);
    let locus = |mired: f64| {
        let kelvin = 1e6 / mired;
        uv(chromaticity(|nm| Some(planck(nm, kelvin))).expect("a black body shines"))
    };
    let distance = |mired: f64| {
        let (u, v) = locus(mired);
        (u - here.0).hypot(v - here.1)
    };
    let (mut best, mut step) = (LEAST_MIRED, FIRST_STEP_MIRED);
    let mut mired = LEAST_MIRED;
    while mired <= MOST_MIRED {
        if distance(mired) < distance(best) {
            best = mired;
        }
        mired += step;
    }
    let edge = best <= LEAST_MIRED || best >= MOST_MIRED;
    while step > LAST_STEP_MIRED {
        step *= 0.5;
        for side in [best - step, best + step] {
            if distance(side) < distance(best) {
                best = side;
            }
        }
    }
    let off = distance(best);
    if off > FARTHEST_DUV || edge {
        return Err(Refusal::new(
            "not-whitish",
            format!(
                "{off:.3} from the Planckian locus: a colour temperature has no meaning beyond {FARTHEST_DUV}"
            ),
        ));
    }
    let sign = if here.1 >= locus(best).1 { 1.0 } else { -1.0 };
    Ok((1e6 / best, sign * off))
}

/// Nearer to white than this in CIE x, y a colour has no dominant wavelength (no source).
const NEARLY_WHITE: f64 = 0.005;
/// The part of the spectral locus that dominant wavelengths are taken from, nm: beyond it the locus hardly moves.
const LOCUS_NM: std::ops::RangeInclusive<f64> = 400.0..=700.0;

/// Dominant wavelength (nm) and excitation purity of a chromaticity against equal energy.
///
/// # Errors
/// `no-dominant` for purples, which have none, and next to white.
pub fn dominant_wavelength(xy: (f64, f64)) -> Result<(f64, f64), Refusal> {
    let (wx, wy) = EQUAL_ENERGY;
    let (dx, dy) = (xy.0 - wx, xy.1 - wy);
    let refuse = || {
        Refusal::new(
            "no-dominant",
            "purple or nearly white: it has no dominant wavelength",
        )
    };
    if dx.hypot(dy) < NEARLY_WHITE {
        return Err(refuse());
    }
    let locus: Vec<(f64, f64, f64)> = observer()
        .iter()
        .filter(|(nm, _)| LOCUS_NM.contains(nm))
        .map(|&(nm, [x, y, z])| (nm, x / (x + y + z), y / (x + y + z)))
        .collect();
    for pair in locus.windows(2) {
        let ((nm, ax, ay), (next, bx, by)) = (pair[0], pair[1]);
        // White + r·d = a + t·(b − a).
        let (ex, ey) = (bx - ax, by - ay);
        let det = dx * -ey + dy * ex;
        if det.abs() < 1e-12 {
            continue;
        }
        let (qx, qy) = (ax - wx, ay - wy);
        let r = (qx * -ey + qy * ex) / det;
        let t = (dx * qy - dy * qx) / det;
        if r > 0.0 && (0.0..=1.0).contains(&t) {
            return Ok((nm + t * (next - nm), 1.0 / r));
        }
    }
    Err(refuse())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_observer_is_the_published_one() {
        // CIE 015:2018, table of the 2° observer: 555 nm 0.51205, 1, 0.00575; 450 nm 0.3362, 0.038, 1.77211.
        let table = observer();
        assert_eq!(table.len(), 81);
        let at = |nm: f64| table.iter().find(|r| r.0 == nm).unwrap().1;
        assert_eq!(at(555.0), [0.51205, 1.0, 0.00575]);
        assert_eq!(at(450.0), [0.3362, 0.038, 1.77211]);
    }

    #[test]
    fn a_black_body_has_its_own_temperature_and_lies_on_the_locus() {
        for kelvin in [1800.0, 2856.0, 4000.0, 6500.0, 12_000.0] {
            let xy = chromaticity(|nm| Some(planck(nm, kelvin))).unwrap();
            let (found, duv) = colour_temperature(xy).unwrap();
            assert!((found / kelvin - 1.0).abs() < 1e-4, "{kelvin}: {found}");
            assert!(duv.abs() < 1e-5);
        }
    }

    #[test]
    fn a_laser_has_its_own_wavelength_and_no_temperature() {
        let xy = chromaticity(|nm| {
            Some(if (nm - 530.0f64).abs() < 0.1 {
                1.0
            } else {
                0.0
            })
        })
        .unwrap();
        let (nm, purity) = dominant_wavelength(xy).unwrap();
        assert!((nm - 530.0).abs() < 0.01 && (purity - 1.0).abs() < 1e-6);
        assert_eq!(colour_temperature(xy).unwrap_err().code, "not-whitish");
        assert_eq!(
            dominant_wavelength((0.4, 0.2)).unwrap_err().code,
            "no-dominant"
        );
        // Printed by colour-science 0.4.7, dominant_wavelength([0.3, 0.6], equal energy): 548 nm (table of 1 nm).
        assert!((dominant_wavelength((0.3, 0.6)).unwrap().0 - 548.0).abs() < 0.5);
    }

    #[test]
    fn a_colour_without_a_response_is_refused() {
        let half = |nm: f64| (nm < 600.0).then_some(1.0);
        assert_eq!(chromaticity(half).unwrap_err().code, "not-known");
        assert_eq!(chromaticity(|_| Some(0.0)).unwrap_err().code, "no-power");
    }
}
