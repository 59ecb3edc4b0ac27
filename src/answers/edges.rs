//! The edge of a filter in a light of its own: where a continuum that shines through the filter, with the phone's response undone,
//! falls to half of what it would be without.

use super::bands::{self, EDGE_PART, Row, edge};
use super::colour::C2_M_K;
use super::refusal::Refusal;
use crate::terms::Estimate;

/// Second radiation constant, nm K.
const C2_NM_KELVIN: f64 = 1e9 * C2_M_K;
/// So much of the continuum must pass beside the edge, nm: less tells nothing of its slope.
const LEAST_PASSING_NM: usize = 40;
/// …of so many that are known at least, nm.
const LEAST_KNOWN_NM: usize = 60;
/// Where an edge is looked for, nm.
const EDGES_NM: std::ops::RangeInclusive<i32> = 400..=720;
/// Where the light passes, its logarithm lies so near to a black body's: a filament's does, a phosphor's and lines' do not.
const LIKE_A_BLACK_BODY: f64 = 0.08;
/// Beside the edge the continuum is taken from so far on at least, nm, and from so many widths of the edge on.
const BESIDE_NM: f64 = 15.0;
const BESIDE_WIDTHS: f64 = 1.2;
/// At first, where the edge is only guessed at, from so many nm farther on (no source).
const GUESSED_NM: f64 = 10.0;
/// What the light is at its end is taken from so many nm of it (no source).
const END_NM: usize = 20;
/// The edge is sought again with the continuum that it leaves, so many times; it moves by less each time.
const ROUNDS: usize = 5;
/// On the side that is blocked no more shines than this, as a share of the continuum.
const HIGHEST_BEYOND: f64 = 1.2;
/// Neighbouring points of a spectrum, 1 nm apart, share their errors over so many.
const ALIKE: f64 = 10.0;
/// A point's uncertainty in the fit is at least this share of it: the response is not known better.
const LEAST_DOUBT: f64 = 0.02;

/// Which side of an edge passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, strum::IntoStaticStr)]
#[strum(serialize_all = "kebab-case")]
pub enum Kind {
    /// Longer wavelengths pass: a long-pass filter.
    CutOn,
    /// Shorter wavelengths pass: a short-pass filter.
    CutOff,
}

/// The edge of a filter in a continuum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FilterEdge {
    /// Which side passes.
    pub kind: Kind,
    /// Wavelength at half height, nm.
    pub nm: Estimate,
    /// From a tenth to nine tenths of the height, nm.
    pub width_nm: f64,
}

/// The edge in a light's relative power (`rows`, rising in wavelength; absent where the phone's response is not known).
///
/// What shines beside the edge is continued through it as a black body of any temperature and brightness would: a line of
/// ln(P λ⁵) over 1/λ (Wien's law, which is Planck's to a thousandth here). Half of that is the edge, as for any filter (common
/// practice, no source). `sigma_nm` is the scale's own uncertainty; to it come noise, and how well the continuum is continued.
///
/// # Errors
/// `too-little-known` where less than 60 nm between 400 and 720 nm are; `not-a-continuum` where the light beside the edge is
/// none; `no-edge` where it has no edge, or several.
pub fn of_continuum(rows: &[Row], sigma_nm: f64) -> Result<FilterEdge, Refusal> {
    let known: Vec<Point> = EDGES_NM
        .map(f64::from)
        .filter_map(|nm| Some((nm, bands::at(rows, nm)?)))
        .filter(|(_, e)| e.value.is_finite())
        .collect();
    if known.len() < LEAST_KNOWN_NM {
        return Err(Refusal::new(
            "too-little-known",
            format!("its power is known on {} nm only", known.len()),
        ));
    }
    let sides = [Kind::CutOn, Kind::CutOff].map(|kind| on_side(kind, rows, &known, sigma_nm));
    let is_found = |side: &&Result<FilterEdge, Refusal>| side.is_ok();
    if let Some(found) = sides.iter().find(is_found) {
        return found.clone();
    }
    // A light without an edge on either side is no less without one for being no continuum on the other.
    let [a, b] = sides;
    match (a, b) {
        (Err(a), Err(b)) if a.code == "no-edge" => Err(if b.code == "no-edge" { a } else { b }),
        (a, _) => a,
    }
}

/// Wavelength (nm) and power.
type Point = (f64, Estimate);

fn on_side(
    kind: Kind,
    rows: &[Row],
    known: &[Point],
    sigma_nm: f64,
) -> Result<FilterEdge, Refusal> {
    let no_edge = || Refusal::new("no-edge", "its light has no edge, or more than one");
    let passes_from = |edge_nm: f64, beside_nm: f64| -> Vec<Point> {
        let passes = |p: &&Point| match kind {
            Kind::CutOn => p.0 >= edge_nm + beside_nm,
            Kind::CutOff => p.0 <= edge_nm - beside_nm,
        };
        known.iter().filter(passes).copied().collect()
    };
    let mut edge_nm = first_guess(kind, known).ok_or_else(no_edge)?;
    let mut beside_nm = BESIDE_NM + GUESSED_NM;
    let mut last = None;
    for _ in 0..ROUNDS {
        let passing = passes_from(edge_nm, beside_nm);
        if passing.len() < LEAST_PASSING_NM || passing.iter().any(|p| p.1.value <= 0.0) {
            return Err(no_edge());
        }
        let continuum = Continuum::through(&passing);
        let shares: Vec<Row> = rows
            .iter()
            .map(|(nm, e)| {
                let would_be = continuum.at(*nm);
                let share = |e: &Estimate| Estimate::new(e.value / would_be, e.sigma / would_be);
                (*nm, e.as_ref().map(share))
            })
            .collect();
        let is_passing_side = |p: &Point| match kind {
            Kind::CutOn => p.0 >= edge_nm,
            Kind::CutOff => p.0 <= edge_nm,
        };
        // What is blocked is no continuum to measure by: of light that leaks there the other side is many times as high.
        let is_lower = known
            .iter()
            .filter(|p| !is_passing_side(p))
            .all(|p| p.1.value < HIGHEST_BEYOND * continuum.at(p.0));
        let Some(found) = edge(&shares, sigma_nm).filter(|_| is_lower) else {
            return Err(if continuum.rms > LIKE_A_BLACK_BODY {
                Refusal::new(
                    "not-a-continuum",
                    "the light that passes is not like a filament's: an edge needs a continuum behind the filter",
                )
            } else {
                no_edge()
            });
        };
        (edge_nm, beside_nm) = (
            found.nm.value,
            BESIDE_NM.max(BESIDE_WIDTHS * found.width_nm),
        );
        last = Some((found, continuum));
    }
    let (found, continuum) = last.ok_or_else(no_edge)?;
    if continuum.rms > LIKE_A_BLACK_BODY {
        return Err(Refusal::new(
            "not-a-continuum",
            "the light that passes is not like a filament's: an edge needs a continuum behind the filter",
        ));
    }
    // Half of a height that is wrong by a share lies where the edge, of 0.8 / width a nanometre, has moved by half of it.
    let continued = 0.5 * continuum.doubt_at(found.nm.value) * found.width_nm / EDGE_PART;
    Ok(FilterEdge {
        kind,
        nm: Estimate::new(found.nm.value, found.nm.sigma.hypot(continued)),
        width_nm: found.width_nm,
    })
}

/// Where the light, from the side that passes on, first falls below half of what it is at that end.
fn first_guess(kind: Kind, known: &[Point]) -> Option<f64> {
    let end: Vec<f64> = match kind {
        Kind::CutOn => known.iter().rev().take(END_NM).map(|p| p.1.value).collect(),
        Kind::CutOff => known.iter().take(END_NM).map(|p| p.1.value).collect(),
    };
    let half = 0.5 * end.iter().sum::<f64>() / end.len() as f64;
    let is_below = |p: &&Point| p.1.value < half;
    let found = match kind {
        Kind::CutOn => known.iter().rev().find(is_below),
        Kind::CutOff => known.iter().find(is_below),
    };
    found.map(|p| p.0)
}

/// ln(P λ⁵) = level + slope · (1/λ − middle): slope is −c₂ over a temperature.
struct Continuum {
    level: f64,
    slope: f64,
    middle: f64,
    /// Root mean square of what is left, in logarithms.
    rms: f64,
    /// Variances of level and slope, from what is left.
    variances: (f64, f64),
}

impl Continuum {
    /// Weighted least squares; `passing` must not be empty and its powers positive.
    fn through(passing: &[Point]) -> Continuum {
        let points: Vec<(f64, f64, f64)> = passing
            .iter()
            .map(|(nm, e)| {
                let doubt = (e.sigma / e.value).hypot(LEAST_DOUBT);
                (
                    C2_NM_KELVIN / nm,
                    (e.value * nm.powi(5)).ln(),
                    doubt.powi(-2),
                )
            })
            .collect();
        let w: f64 = points.iter().map(|p| p.2).sum();
        let middle = points.iter().map(|p| p.2 * p.0).sum::<f64>() / w;
        let level = points.iter().map(|p| p.2 * p.1).sum::<f64>() / w;
        let sxx: f64 = points.iter().map(|p| p.2 * (p.0 - middle).powi(2)).sum();
        let sxy: f64 = points.iter().map(|p| p.2 * (p.0 - middle) * p.1).sum();
        let slope = sxy / sxx;
        let left = points
            .iter()
            .map(|p| p.2 * (p.1 - level - slope * (p.0 - middle)).powi(2));
        let mean_square = left.sum::<f64>() / w;
        let n = (passing.len() as f64 / ALIKE).max(3.0);
        let variance = mean_square.max(LEAST_DOUBT.powi(2)) / (n - 2.0);
        Continuum {
            level,
            slope,
            middle,
            rms: mean_square.sqrt(),
            variances: (variance, variance * w / sxx),
        }
    }

    fn at(&self, nm: f64) -> f64 {
        let x = C2_NM_KELVIN / nm - self.middle;
        (self.level + self.slope * x).exp() / nm.powi(5)
    }

    /// Standard uncertainty as a share of itself.
    fn doubt_at(&self, nm: f64) -> f64 {
        let x = C2_NM_KELVIN / nm - self.middle;
        (self.variances.0 + x * x * self.variances.1).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::answers::colour::planck;

    /// The light of 2856 K through a filter, as a phone knows it from 420 to 700 nm, with 1 % of noise in waves.
    fn light(filter: &dyn Fn(f64) -> f64) -> Vec<Row> {
        (0..=1640)
            .map(|i| {
                let nm = 370.0 + 0.25 * f64::from(i);
                let ripple = 1.0 + 0.01 * (nm / 7.0).sin();
                let power = planck(nm, 2856.0) / planck(560.0, 2856.0) * filter(nm) * ripple;
                let is_known = (420.0..=700.0).contains(&nm);
                let e = Estimate::new(power + 0.002 * (nm / 1.7).cos(), 0.005 + 0.01 * power);
                (nm, is_known.then_some(e))
            })
            .collect()
    }

    /// The share of a normal distribution below (λ − centre)/s: a tenth to nine tenths lie 2.5631 s apart (normal quantile 1.28155,
    /// any table).
    fn rising(nm: f64, centre: f64, s: f64) -> f64 {
        0.5 * libm::erfc((centre - nm) / (s * 2f64.sqrt()))
    }

    #[test]
    fn long_and_short_pass_filters_in_a_filament_s_light_have_their_edges() {
        for (centre, s) in [(495.0, 6.0), (530.0, 4.0), (575.0, 8.0), (610.0, 5.0)] {
            let found = of_continuum(&light(&|nm| 0.01 + 0.89 * rising(nm, centre, s)), 0.2);
            let found = found.unwrap();
            assert_eq!(found.kind, Kind::CutOn);
            let off = (found.nm.value - centre).abs();
            assert!(
                off < 0.6 && off < 2.0 * found.nm.sigma,
                "{centre}: {found:?}"
            );
            assert!(
                (found.width_nm / (2.5631 * s) - 1.0).abs() < 0.15,
                "{found:?}"
            );
            assert!(found.nm.sigma < 1.5, "{found:?}");
        }
        for (centre, s) in [(520.0, 6.0), (570.0, 8.0), (630.0, 5.0)] {
            let found = of_continuum(&light(&|nm| 0.9 - 0.88 * rising(nm, centre, s)), 0.2);
            let found = found.unwrap();
            assert_eq!(found.kind, Kind::CutOff);
            let off = (found.nm.value - centre).abs();
            assert!(
                off < 0.6 && off < 2.0 * found.nm.sigma,
                "{centre}: {found:?}"
            );
        }
    }

    #[test]
    fn what_has_no_edge_or_is_no_continuum_has_no_number() {
        let code =
            |filter: &dyn Fn(f64) -> f64| of_continuum(&light(filter), 0.2).unwrap_err().code;
        assert_eq!(code(&|_| 0.7), "no-edge");
        // A band, a dye's hole, a grey wedge; a blue diode with its phosphor, a lamp of lines, a violet diode's flank at the end of
        // what is known.
        let bell = |nm: f64, centre: f64, s: f64| (-0.5 * ((nm - centre) / s).powi(2)).exp();
        let own = |nm: f64, light: f64| light / planck(nm, 2856.0) * planck(560.0, 2856.0);
        let lines = |nm: f64| bell(nm, 436.0, 1.0) + bell(nm, 546.0, 1.0) + bell(nm, 612.0, 2.0);
        let diode = |nm: f64| bell(nm, 452.0, 10.0) + 0.5 * bell(nm, 560.0, 50.0);
        let others: [&dyn Fn(f64) -> f64; 6] = [
            &|nm| 0.02 + 0.9 * bell(nm, 550.0, 15.0),
            &|nm| 0.9 - 0.8 * bell(nm, 525.0, 20.0),
            &|nm| 0.2 + 0.002 * (nm - 420.0),
            &|nm| 0.2 * own(nm, diode(nm)),
            &|nm| own(nm, lines(nm)),
            &|nm| own(nm, bell(nm, 425.0, 9.0)),
        ];
        for (i, other) in others.iter().enumerate() {
            let code = code(other);
            assert!(
                ["no-edge", "not-a-continuum"].contains(&code),
                "{i}: {code}"
            );
        }
        assert_eq!(of_continuum(&[], 0.2).unwrap_err().code, "too-little-known");
    }
}
