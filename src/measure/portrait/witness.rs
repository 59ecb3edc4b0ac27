//! Lines that show what the slit and the lens make of a single wavelength, in both orders.

use std::f64::consts::PI;
use std::ops::Range;

use crate::measure::light::peaks::{Maximum, maxima};
use crate::measure::light::profile::Profile;
use crate::measure::light::spectrum_peaks::element;
use crate::measure::portrait::render::{DISC_PX, LENS_PX, Line};
use crate::measure::portrait::table::{Between, Table};
use crate::measure::shot::Shot;
use crate::terms::{Interval, Lamp, LampLine};

/// What a line must stand out of the noise by, and of the highest light, to show its shape.
const CLEAR_SNR: f64 = 20.0;
const STRONG_SHARE: f64 = 0.04;
/// Diodes and filters give bands of this width, nm, and more, hardly ever narrower ones, by this much of the logarithm (standard
/// deviation; common practice, no source)…
const BANDS_FROM_NM: f64 = 15.0;
const BANDS_FROM_LN: f64 = 0.2;
/// …up to this, nm, evenly in the logarithm: as wide as the visible spectrum.
const BANDS_TO_NM: f64 = 300.0;
/// A width is known to this share, where it is asked how likely a band has just the width of a line.
const WIDTH_SHARE: f64 = 0.05;
/// A line is one surely where a band is less likely than this.
const SURELY_A_LINE: f64 = 0.03;
/// What is wider than this, px, is drawn by no slit and focus that is tried, and is a band.
const WIDEST_PX: f64 = 60.0;
/// Lines that are so many times as wide as the narrowest are two, or bands.
const AS_NARROW: f64 = 1.8;
/// So many lines of an order at most, the strongest first.
const MOST_LINES: usize = 5;
/// A line's shape is looked at over so many widths at half height to either side.
const REACH: f64 = 1.5;
/// Values of a line nearer to each other than this, px, or than this share of its width at half height, are taken together.
const SPACING_PX: f64 = 0.6;
const SPACING_SHARE: f64 = 0.09;
/// A slit or disc of so many times the width at half height explains no line.
const HOPELESS: f64 = 3.0;
/// …nor does a drawing that is higher than this share of its top, or lower than this, where the line is at half its height.
const NEAR_TOP: f64 = 0.85;
const NEAR_FOOT: f64 = 0.15;
/// …unless the best of the others leaves more than this of the line unexplained, χ² over its degrees of freedom: then all are tried.
const ODD_SCATTER: f64 = 4.0;
/// Slits narrower than this look alike behind any lens, px.
const NARROWEST_PX: f64 = 0.4;
/// Light of other colours than these, nm, is blurred by so much more, px (standard deviation): what is missing between pixels of a
/// colour is filled in from neighbours (two pixels' triangle: 0.8 px), and the colours of a JPEG file from pixels twice as wide
/// (ITU-T T.81 with 4:2:0: 0.6 px; green keeps most of its light in the brightness).
const GREEN_NM: Interval = Interval::new(490.0, 595.0);
const COLOUR_PX: f64 = 0.9;
/// …but only as far as the light does not rise again by this share of the line's height.
const RISES_SHARE: f64 = 0.03;
/// No drawing of a line is better than this share of its height: what cameras do to colour, noise and sharpness, and widths and
/// lenses between those that are tried.
const MODEL_SHARE: f64 = 0.03;
/// …which is the same over this share of the line's width at half height.
const SHARED_SHARE: f64 = 0.25;
/// Lines of one element that look like one lie this near to each other, nm.
const NAMED_WITHIN_NM: f64 = 1.0;
/// Named lines lie under a peak within so many of its widths at half height and so many nm; one is at the peak within so many.
const UNDER_WIDTHS: f64 = 0.75;
const UNDER_NM: f64 = 0.3;
const AT_PEAK_WIDTHS: f64 = 0.25;
const AT_PEAK_NM: f64 = 0.15;
/// A named line's own width, or what lies between two, counts from this share of the peak's width at half height on.
const OWN_WIDTH: f64 = 0.2;
/// Of a pair the weaker has more than this share of the stronger's light.
const PAIR_SHARE: f64 = 0.1;
/// However far apart the lines of a pair, each has at least this share of the variance of both (half of the width).
const ONE_LINE_SHARE: f64 = 0.25;
/// Two lines of an element widen one peak by something only where that is no wider than this, nm.
const PAIR_NM: f64 = 3.5;
/// A named line of an own width up to this, nm, is two lines of one atom (sodium's: 0.60 nm); what is wider is a phosphor's band.
const ATOM_NM: f64 = 1.5;
/// Light of its upper line over the lower's: between that of thin vapour, 0.5, and of thick, 1 (common practice, no source).
const ATOM_UPPER: f64 = 0.7;
/// A pair widens a line of the same variance at half height, of squares, by so much of its distance squared (Gaussian lines of like
/// strength: 8 ln 2 / 4).
const PAIR_WIDENS: f64 = 1.386;
/// Of a named lamp only those lines are witnesses that stand alone within this, nm, among lines and narrow bands.
const ALONE_NM: f64 = 4.0;
const BAND_NM: f64 = 10.0;
/// A line of a lamp lies within this of its wavelength, nm.
const AT_LINE_NM: f64 = 0.6;

/// One line: its light by distance from its middle.
pub struct Witness {
    /// `m λ`, nm.
    pub path_nm: f64,
    /// Width at half height, px.
    pub fwhm_px: f64,
    /// Pixels per nm there.
    pub px_per_nm: f64,
    /// Width of the slit here over that of its own image, px over px: rays leave the grating, and meet the sensor, more aslant at one
    /// place than at another.
    stretch: f64,
    /// How likely a light whose own band has this width is, over a line that slit and lens make so wide.
    pub band_odds: f64,
    /// Distance, px; light and its uncertainty as shares of the height.
    points: Vec<(f64, f64, f64)>,
    /// Distance of two lines of one element that it may be, px, and the light of the upper one over the lower's; absent where it is
    /// one line.
    pair: Option<(f64, f64)>,
}

/// A line beside its drawings.
struct Compared {
    /// χ² of each above that of the best.
    table: Table,
    /// χ² of the best over its degrees of freedom.
    scatter: f64,
}

/// The lens's blurs in the colour of a line: red and blue light falls on every other pixel in both directions only, and a JPEG
/// file keeps colour at half the resolution.
fn in_colour(path_nm: f64) -> [Between; LENS_PX.len()] {
    let added_px = if GREEN_NM.contains(path_nm.abs()) {
        0.0
    } else {
        COLOUR_PX
    };
    LENS_PX.map(|lens_px| Between::of(&LENS_PX, lens_px.hypot(added_px)))
}

/// The lines of both orders that are clear, alone and not clipped, the measured order's first.
pub fn witnesses(shot: &Shot) -> Vec<Witness> {
    let mut found = Vec::new();
    for which in [shot.measured, 1 - shot.measured] {
        let profile = &shot.orders[which].profile;
        let mut lines = maxima(profile, CLEAR_SNR, STRONG_SHARE);
        lines.retain(Maximum::is_clean);
        let mut lines: Vec<(Maximum, Under)> = lines
            .into_iter()
            .map(|l| (l, under(shot, &l)))
            .filter(|(_, under)| !matches!(under, Under::Several))
            .collect();
        let narrowest = lines.iter().map(|l| l.0.fwhm_nm).fold(f64::MAX, f64::min);
        lines.retain(|l| l.0.fwhm_nm < AS_NARROW * narrowest);
        lines.sort_by(|a, b| b.0.prominence.total_cmp(&a.0.prominence));
        lines.truncate(MOST_LINES);
        let drawn = lines
            .iter()
            .filter_map(|(l, under)| Witness::of(shot, profile, l, under));
        found.extend(drawn.filter(|line| line.fwhm_px < WIDEST_PX));
    }
    found
}

/// How likely a band has this width, over a line that is explained by just this width.
fn band_odds(fwhm_nm: f64) -> f64 {
    let narrower = ((BANDS_FROM_NM / fwhm_nm).ln() / BANDS_FROM_LN).max(0.0);
    let by_ln = (-0.5 * narrower * narrower).exp() / (BANDS_TO_NM / BANDS_FROM_NM).ln();
    by_ln * WIDTH_SHARE * (2.0 * PI).sqrt()
}

/// What lies under a peak.
enum Under {
    /// One line, as far as is known.
    One,
    /// Two of one element, perhaps: their distance, nm, and the light of the upper one over the lower's.
    Pair(f64, f64),
    /// More than can be drawn.
    Several,
}

/// What is known to lie under the peak.
fn under(shot: &Shot, peak: &Maximum) -> Under {
    match shot.lamp {
        Some(lamp) if is_sharp(lamp, peak.nm) => Under::One,
        Some(_) => Under::Several,
        None => {
            let sigma_nm = shot.scale.sigma_nm(shot.profile().sign * peak.nm);
            let is_named = sigma_nm.is_some_and(|s| s < NAMED_WITHIN_NM) && peak.fwhm_nm < PAIR_NM;
            if is_named {
                named_under(shot.inputs.names, peak)
            } else {
                Under::One
            }
        }
    }
}

impl Witness {
    fn of(shot: &Shot, profile: &Profile, peak: &Maximum, under: &Under) -> Option<Witness> {
        let path_nm = profile.sign * peak.nm;
        let rays = shot.scale.optics.rays();
        let px_per_nm = rays.px_per_nm(path_nm)?;
        let reach = REACH * peak.fwhm_nm + 1.0 / px_per_nm;
        let first = profile.index(peak.nm - reach)?;
        let last = profile.index(peak.nm + reach)?;
        let middle = profile.index(peak.nm)?;
        // Where the light rises again another line begins.
        let foot = |places: &mut dyn Iterator<Item = usize>| {
            let (mut foot, mut least) = (middle, f64::MAX);
            for i in places {
                if profile.light[i] < least {
                    (foot, least) = (i, profile.light[i]);
                } else if least < 0.5 * peak.height
                    && profile.light[i] - least > RISES_SHARE * peak.height
                {
                    break;
                }
            }
            foot
        };
        let (first, last) = (
            foot(&mut (first..=middle).rev()),
            foot(&mut (middle..=last)),
        );
        let fwhm_px = peak.fwhm_nm * px_per_nm;
        let spacing_px = SPACING_PX.max(SPACING_SHARE * fwhm_px);
        let together = ((spacing_px / (profile.step_nm * px_per_nm)) as usize).max(1);
        let points = (first..=last)
            .collect::<Vec<usize>>()
            .chunks(together)
            .map(|part| {
                let mean = |of: &dyn Fn(usize) -> f64| {
                    part.iter().map(|&i| of(i)).sum::<f64>() / part.len() as f64
                };
                let x_px = (mean(&|i| profile.nm(i as f64)) - peak.nm) * px_per_nm;
                // What lies nearer than a pixel shares its noise.
                let sigma = (mean(&|i| profile.sigma[i]) / peak.height).hypot(MODEL_SHARE);
                (x_px, mean(&|i| profile.light[i]) / peak.height, sigma)
            })
            .collect();
        Some(Witness {
            path_nm,
            fwhm_px,
            px_per_nm,
            stretch: px_per_nm / rays.px_per_nm(0.0)?,
            band_odds: band_odds(peak.fwhm_nm),
            points,
            pair: match under {
                Under::Pair(nm, upper) => Some((nm * px_per_nm, *upper)),
                Under::One | Under::Several => None,
            },
        })
    }

    /// True where it is a line and no band.
    pub fn is_a_line(&self) -> bool {
        self.band_odds < SURELY_A_LINE
    }

    /// True where it may be two lines of one element.
    pub fn may_be_a_pair(&self) -> bool {
        self.pair.is_some()
    }

    /// Width at half height, nm, of each of its lines.
    pub fn one_line_nm(&self) -> f64 {
        let apart_px = self.pair.map_or(0.0, |pair| pair.0);
        let one = self.fwhm_px.powi(2) - PAIR_WIDENS * apart_px * apart_px;
        one.max(ONE_LINE_SHARE * self.fwhm_px.powi(2)).sqrt() / self.px_per_nm
    }

    /// What of the line a slit whose image is so wide, px, a lens (its blur in green) and a pupil's disc leave unexplained: χ² above that of the best
    /// of all shapes, over its degrees of freedom where none explains it. Height, place and a straight base are free.
    pub fn unexplained(&self, widths_px: &[f64]) -> Table {
        let widths_px: Vec<f64> = widths_px.iter().map(|px| self.stretch * px).collect();
        let near = self.compared(&widths_px, |lens, disc| self.near(&widths_px, lens, disc));
        // A line of odd shape may be drawn best by what does not look like it.
        if near.scatter > ODD_SCATTER {
            self.compared(&widths_px, |_, _| 0..widths_px.len()).table
        } else {
            near.table
        }
    }

    /// The same of those widths of the slit, px, that are `compared` for a lens and a disc.
    fn compared(
        &self,
        widths_px: &[f64],
        compared: impl Fn(usize, usize) -> Range<usize>,
    ) -> Compared {
        let widest_px = HOPELESS * self.fwhm_px;
        let drawer = Drawer::new(self);
        let hopeful = widths_px.partition_point(|px| *px <= widest_px);
        // Of those that look alike one is drawn.
        let narrow = widths_px.partition_point(|px| *px < NARROWEST_PX).max(1) - 1;
        let mut chi = Table::of(f64::INFINITY, widths_px.len());
        for lens in 0..LENS_PX.len() {
            for (disc, disc_px) in DISC_PX.iter().enumerate() {
                if *disc_px > widest_px {
                    break;
                }
                let Range { start, end } = compared(lens, disc);
                for width in (start..end.min(hopeful)).filter(|w| *w == 0 || *w > narrow) {
                    let line = Line::new(widths_px[width], lens, disc);
                    chi.set((width, lens, disc), drawer.chi_squared(&line));
                }
            }
        }
        (1..=narrow).for_each(|width| chi.repeat(width));
        let least = chi.numbers().fold(f64::MAX, f64::min);
        let finite = chi.numbers().filter(|c| c.is_finite());
        // What was not compared is off by so much at both halves of the height at least.
        let widest_sigma = self.points.iter().map(|p| p.2).fold(0.0, f64::max);
        let far = least + 2.0 * ((NEAR_TOP - 0.5) / widest_sigma).powi(2);
        let most = finite.fold(far, f64::max);
        // Values nearer than a pixel, or than what a drawing is wrong by at once, are not independent; height, place and base are free.
        let apart_px = f64::max(1.0, SHARED_SHARE * self.fwhm_px);
        let per_point = (self.spacing_px() / apart_px).min(1.0);
        let span_px = self.points.len() as f64 * per_point;
        let scatter = least * per_point / (span_px - 4.0).max(1.0);
        let above = |chi: f64| (chi.min(most) - least) * per_point / scatter.max(1.0);
        Compared {
            table: chi.map(above).through(&in_colour(self.path_nm)),
            scatter,
        }
    }

    /// Which widths of the slit, of rising ones, a lens and a disc draw about as wide as this line: where the line is at half its height, the
    /// drawing is neither near its top nor near its foot. All else is so many uncertainties off that it need not be compared.
    fn near(&self, widths_px: &[f64], lens: usize, disc: usize) -> Range<usize> {
        let narrowest_px = self.one_line_nm() * self.px_per_nm;
        let over = |width_px: &f64, fwhm_px: f64, share: f64| {
            let line = Line::new(*width_px, lens, disc);
            line.at(0.5 * fwhm_px) > share * line.at(0.0)
        };
        // The wider a slit the flatter its drawing.
        let start = widths_px.partition_point(|px| !over(px, narrowest_px, NEAR_FOOT));
        let end = widths_px.partition_point(|px| !over(px, self.fwhm_px, NEAR_TOP));
        start..end
    }

    fn spacing_px(&self) -> f64 {
        match self.points.as_slice() {
            [a, b, ..] => (b.0 - a.0).abs(),
            _ => 1.0,
        }
    }
}

/// A line to be drawn many times: of its points what hangs on no drawing.
struct Drawer {
    points: Vec<Weighed>,
    /// Sums over all points of 1, x, and x² in units of their uncertainties.
    base: [f64; 3],
    /// …of their light with 1 and x, and of its square.
    light: [f64; 3],
    pair: Option<(f64, f64)>,
}

/// A point of a line: its distance, px, its weight, and that with its distance and with its light.
struct Weighed {
    x_px: f64,
    weight: f64,
    x: f64,
    light: f64,
}

impl Drawer {
    fn new(witness: &Witness) -> Drawer {
        let weighed = |&(x_px, light, sigma): &(f64, f64, f64)| {
            let weight = 1.0 / (sigma * sigma);
            Weighed {
                x_px,
                weight,
                x: weight * x_px,
                light: weight * light,
            }
        };
        let (mut base, mut light) = ([0.0; 3], [0.0; 3]);
        for (point, (x, seen, _)) in witness.points.iter().map(|p| (weighed(p), p)) {
            let add = |sums: &mut [f64; 3], values: [f64; 3]| {
                sums.iter_mut().zip(values).for_each(|(sum, v)| *sum += v);
            };
            add(&mut base, [point.weight, point.x, point.x * x]);
            add(
                &mut light,
                [point.light, point.light * x, point.light * seen],
            );
        }
        Drawer {
            points: witness.points.iter().map(weighed).collect(),
            base,
            light,
            pair: witness.pair,
        }
    }

    /// By the best of what the line may be.
    fn chi_squared(&self, line: &Line) -> f64 {
        let as_one = self.chi_squared_of(|x| line.with_slope(x));
        let Some((apart_px, upper)) = self.pair else {
            return as_one;
        };
        let half_px = 0.5 * apart_px;
        let two = |x: f64| {
            let (left, right) = (line.with_slope(x + half_px), line.with_slope(x - half_px));
            let both = |left: f64, right: f64| (left + upper * right) / (1.0 + upper);
            (both(left.0, right.0), both(left.1, right.1))
        };
        as_one.min(self.chi_squared_of(two))
    }

    /// `drawn` is the drawing at a place, and its slope.
    fn chi_squared_of(&self, drawn: impl Fn(f64) -> (f64, f64)) -> f64 {
        // Of the drawing and its slope: with itself and with each other, with 1 and x, with the light.
        let mut sums = [0.0f64; 9];
        for point in &self.points {
            let (drawn, slope) = drawn(point.x_px);
            let (of_drawn, of_slope) = (point.weight * drawn, point.weight * slope);
            let values = [
                of_drawn * drawn,
                of_slope * drawn,
                of_slope * slope,
                of_drawn,
                of_slope,
                point.x * drawn,
                point.x * slope,
                point.light * drawn,
                point.light * slope,
            ];
            sums.iter_mut().zip(values).for_each(|(sum, v)| *sum += v);
        }
        let [dd, sd, ss, d, s, xd, xs, ld, ls] = sums;
        let [one, x, xx] = self.base;
        let [l, lx, ll] = self.light;
        let a = [
            [dd, 0.0, 0.0, 0.0],
            [sd, ss, 0.0, 0.0],
            [d, s, one, 0.0],
            [xd, xs, x, xx],
        ];
        ll - explained(a, [ld, ls, l, lx])
    }
}

/// yᵀ A⁻¹ y by Cholesky's decomposition of the lower triangle `a`, without what depends on what stands before it.
fn explained(mut a: [[f64; 4]; 4], mut y: [f64; 4]) -> f64 {
    /// Share of a sum of squares that rounding may leave.
    const ROUNDING: f64 = 1e-9;
    let mut sum = 0.0;
    for j in 0..4 {
        let whole = a[j][j];
        for k in 0..j {
            a[j][j] -= a[j][k] * a[j][k];
            y[j] -= a[j][k] * y[k];
        }
        if a[j][j] <= ROUNDING * whole {
            for row in &mut a[j..] {
                row[j] = 0.0;
            }
            y[j] = 0.0;
            continue;
        }
        let pivot = a[j][j].sqrt();
        a[j][j] = pivot;
        y[j] /= pivot;
        sum += y[j] * y[j];
        for i in j + 1..4 {
            for k in 0..j {
                a[i][j] -= a[i][k] * a[j][k];
            }
            a[i][j] /= pivot;
        }
    }
    sum
}

/// Where an element has two lines of like strength under one peak (mercury's yellow pair, sodium's), what looks like a wide slit may
/// be both.
fn named_under(names: &[LampLine], peak: &Maximum) -> Under {
    let near =
        |l: &&LampLine| (l.wavelength_nm - peak.nm).abs() < UNDER_WIDTHS * peak.fwhm_nm + UNDER_NM;
    let under: Vec<&LampLine> = names.iter().filter(near).collect();
    let at_peak = |nm: f64| (nm - peak.nm).abs() < AT_PEAK_WIDTHS * peak.fwhm_nm + AT_PEAK_NM;
    let own = |l: &&&LampLine| {
        l.width_nm > OWN_WIDTH * peak.fwhm_nm
            && l.width_nm < peak.fwhm_nm
            && at_peak(l.wavelength_nm)
    };
    if let Some(line) = under.iter().find(own) {
        return if line.width_nm < ATOM_NM {
            Under::Pair(line.width_nm, ATOM_UPPER)
        } else {
            Under::Several
        };
    }
    let apart = OWN_WIDTH * peak.fwhm_nm;
    let mut pairs = under.iter().flat_map(|a| {
        under.iter().filter_map(move |b| {
            let middle = (a.strength * a.wavelength_nm + b.strength * b.wavelength_nm)
                / (a.strength + b.strength);
            let is_pair = element(a) == element(b)
                && b.wavelength_nm - a.wavelength_nm > apart
                && at_peak(middle)
                && a.strength.min(b.strength) > PAIR_SHARE * a.strength.max(b.strength);
            is_pair.then_some((b.wavelength_nm - a.wavelength_nm, b.strength / a.strength))
        })
    });
    match (pairs.next(), pairs.next()) {
        (None, _) => Under::One,
        (Some((nm, upper)), None) => Under::Pair(nm, upper),
        (Some(_), Some(_)) => Under::Several,
    }
}

/// True where a lamp has a sharp line there, and nothing beside it.
fn is_sharp(lamp: &Lamp, nm: f64) -> bool {
    let is_there = |l: &&LampLine| l.fit && (l.wavelength_nm - nm).abs() < AT_LINE_NM;
    lamp.lines.iter().find(is_there).is_some_and(|line| {
        !lamp.lines.iter().any(|other| {
            let apart = (other.wavelength_nm - line.wavelength_nm).abs();
            apart > 0.0 && apart < ALONE_NM && other.width_nm < BAND_NM
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sodium's lines at 2.4 px/nm: 0.60 nm (CRC Handbook, from memory: 588.995 and 589.592 nm).
    #[test]
    fn a_pair_of_lines_does_not_widen_the_slit() {
        const SLIT_PX: f64 = 4.0;
        let (lens, apart_px, upper) = (4, 0.597 * 2.4, 0.55);
        let line = Line::new(SLIT_PX, lens, 0);
        let drawn = |x: f64| line.at(x);
        let points: Vec<(f64, f64, f64)> = (-16..=16)
            .map(|i| 0.5 * f64::from(i))
            .map(|x| {
                let light = drawn(x + 0.5 * apart_px) + upper * drawn(x - 0.5 * apart_px);
                (x, light * SLIT_PX / 1.55, 0.01)
            })
            .collect();
        let widths_px = [3.0, 3.5, SLIT_PX, 4.5, 5.0];
        let likeliest = |pair| {
            let witness = Witness {
                path_nm: 589.3,
                fwhm_px: 4.6,
                px_per_nm: 2.4,
                stretch: 1.0,
                band_odds: 0.0,
                points: points.clone(),
                pair,
            };
            let drawer = Drawer::new(&witness);
            let chi = |i: &usize| drawer.chi_squared(&Line::new(widths_px[*i], lens, 0));
            let least = (0..5).min_by(|a, b| chi(a).total_cmp(&chi(b)));
            widths_px[least.unwrap_or(0)]
        };
        assert!(likeliest(None) > SLIT_PX);
        assert_eq!(likeliest(Some((apart_px, ATOM_UPPER))), SLIT_PX);
    }

    /// Diodes of 450 to 640 nm are 15 to 40 nm wide (common practice, no source); no slit that gives a spectrum makes a line so wide.
    #[test]
    fn what_is_narrower_than_any_diode_is_a_line_and_what_is_wider_may_be_either() {
        assert!(band_odds(4.0) < 1e-6 && band_odds(9.0) < 0.002);
        assert!(band_odds(15.0) > SURELY_A_LINE && band_odds(30.0) < 0.1);
    }
}
