//! The instrument's line shape: the slit's width (a box) blurred by the optics (a Gaussian), and fits with it.

use crate::measure::light::profile::Profile;
use crate::measure::optics::fit::{Fitted, Parameter, least_squares};
use crate::terms::{Estimate, FWHM_PER_SIGMA, Interval, Lamp, LampLine};

/// A box narrower than this share of the blur only adds its variance (no source).
const MERE_VARIANCE: f64 = 0.2;
/// Where a fit of one line starts, and its limits: box and blur as shares of the width at half height, both with a least, nm (no source).
const BOX_START: f64 = 0.7;
const BOX_NM: f64 = 0.02;
const WIDEST_BOX: f64 = 3.0;
const BLUR_START: f64 = 3.0;
const BLUR_NM: f64 = 0.08;
const WIDEST_BLUR: f64 = 2.0;
/// Light in which a picture has its full sharpness, nm: half of a sensor's pixels are green, and a JPEG's brightness is
/// mostly theirs.
const GREEN_NM: Interval = Interval::new(490.0, 600.0);

/// True for light in which a picture has its full sharpness.
pub fn is_green(nm: f64) -> bool {
    GREEN_NM.contains(nm)
}

/// Box of full width `width`, blurred by a Gaussian of standard deviation `sigma`; area 1.
///
/// Both in the unit of `x`, both > 0.
pub fn box_gauss(x: f64, width: f64, sigma: f64) -> f64 {
    if width < MERE_VARIANCE * sigma {
        // The box only adds its variance, w²/12.
        let s2 = sigma * sigma + width * width / 12.0;
        return (-0.5 * x * x / s2).exp() / (2.0 * std::f64::consts::PI * s2).sqrt();
    }
    let k = std::f64::consts::FRAC_1_SQRT_2 / sigma;
    0.5 * (libm::erf((x + 0.5 * width) * k) - libm::erf((x - 0.5 * width) * k)) / width
}

/// FWHM of [`box_gauss`], by bisection.
pub fn box_gauss_fwhm(width: f64, sigma: f64) -> f64 {
    let half = 0.5 * box_gauss(0.0, width, sigma);
    let reach = Interval::new(0.0, width + 3.0 * sigma);
    let found = bisected(reach, 60, |x| box_gauss(x, width, sigma) > half);
    found.low + found.high
}

/// Halves `range`, so many times, about the place up to which `is_below` holds.
pub fn bisected(range: Interval, rounds: usize, is_below: impl Fn(f64) -> bool) -> Interval {
    let mut range = range;
    for _ in 0..rounds {
        let middle = range.middle();
        if is_below(middle) {
            range.low = middle
        } else {
            range.high = middle
        }
    }
    range
}

/// Box and blur, nm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineShape {
    /// Slit's width in wavelength, nm.
    pub box_nm: f64,
    /// Blur, nm (standard deviation).
    pub sigma_nm: f64,
    /// True where the line that shows it is one of green light, in which a picture is sharpest.
    pub is_green: bool,
}

impl LineShape {
    /// The shape of a green line that is `stretch` times as wide.
    pub fn of_green(&self, stretch: f64) -> LineShape {
        LineShape {
            box_nm: stretch * self.box_nm,
            sigma_nm: stretch * self.sigma_nm,
            is_green: true,
        }
    }

    /// The shape's width at half height, nm.
    pub fn fwhm_nm(&self) -> f64 {
        box_gauss_fwhm(self.box_nm, self.sigma_nm)
    }
}

/// A fitted group of lines that share one shift.
#[derive(Clone, Debug)]
pub struct GroupFit {
    /// Mean published wavelength of the group's lines, weighted by their light, nm.
    pub wavelength_nm: f64,
    /// Measured minus published, on the profile's scale, nm.
    pub shift_nm: f64,
    /// Standard uncertainty of the shift, nm.
    pub sigma_nm: f64,
    /// Area of the group's lines, light × nm.
    pub area: f64,
    /// Highest amplitude of a line over its uncertainty.
    pub snr: f64,
    /// Width found, as a factor on the line shape's.
    pub stretch: f64,
    /// χ² per degree of freedom.
    pub chi_squared_per_dof: f64,
    /// True where a clipped core was left out.
    pub clipped: bool,
}

/// Values to fit.
struct Values {
    nm: Vec<f64>,
    light: Vec<f64>,
    sigma: Vec<f64>,
    /// True where something clipped was left out, or a channel stands in for it.
    clipped: bool,
}

/// A bin with more than this share of clipped pixels is not fitted.
pub const MOST_CLIPPED: f64 = 0.02;
/// A channel stands in for clipped light where it stays below this share of full scale…
const BELOW_CEILING: f64 = 0.75;
/// …and has so many times its noise.
const CHANNEL_SNR: f64 = 25.0;
/// So many values at least are fitted, of so many bins.
const LEAST_VALUES: usize = 8;
const LEAST_BINS: usize = 6;
/// No model of a line is better than this share of the light's range: tone curve, colour, blades that are not straight.
const MODEL_SHARE: f64 = 0.01;

impl Values {
    /// The values of `profile` over a range of wavelengths. Clipped bins are left out; where they are many, a channel that is
    /// not clipped stands in. Refuses where few values are left.
    fn of(profile: &Profile, range_nm: Interval) -> Option<Values> {
        let index = |nm: f64| (nm - profile.start_nm) / profile.step_nm;
        let from = index(range_nm.low).ceil().max(0.0) as usize;
        let to = (index(range_nm.high).floor() + 1.0).max(0.0) as usize;
        let to = to.min(profile.len());
        if to < from + LEAST_BINS {
            return None;
        }
        let is_clipped = |i: usize| profile.clipped[i] > MOST_CLIPPED;
        let clipped = (from..to).any(is_clipped);
        // The strongest channel that stays well below the ceiling over the whole window.
        let channel = (0..3)
            .map(|c| {
                let light = profile.rgb[from..to].iter().map(|v| v[c]);
                let sigma = profile.rgb_sigma[from..to].iter().map(|v| v[c]);
                let noise = sigma.sum::<f64>() / (to - from) as f64;
                (c, light.fold(f64::MIN, f64::max), noise)
            })
            .filter(|(_, peak, noise)| *peak < BELOW_CEILING && *peak > CHANNEL_SNR * noise)
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|_| clipped);
        let kept = (from..to).filter(|&i| channel.is_some() || !is_clipped(i));
        let kept: Vec<usize> = kept.collect();
        let of = |light: &[f64], rgb: &[[f64; 3]]| -> Vec<f64> {
            let values = kept.iter();
            match channel {
                Some((c, ..)) => values.map(|&i| rgb[i][c]).collect(),
                None => values.map(|&i| light[i]).collect(),
            }
        };
        (kept.len() >= LEAST_VALUES).then(|| Values {
            nm: kept.iter().map(|&i| profile.nm(i as f64)).collect(),
            light: of(&profile.light, &profile.rgb),
            sigma: of(&profile.sigma, &profile.rgb_sigma),
            clipped,
        })
    }

    fn len(&self) -> usize {
        self.nm.len()
    }

    /// The range of the light.
    fn range(&self) -> Interval {
        Interval::of(self.light.iter().copied())
    }
}

/// A line is fitted over so many widths at half height to either side.
pub const SHAPE_REACH: f64 = 2.5;

/// Fits box and blur to one isolated line at about `nm`: shape, and χ² per degree of freedom.
///
/// Its width at half height is well determined; how much of that is box and how much blur is not, where the two are alike.
pub fn fit_shape(profile: &Profile, nm: f64, guess_fwhm_nm: f64) -> Option<(LineShape, f64)> {
    let reach = SHAPE_REACH * guess_fwhm_nm;
    let values = Values::of(profile, Interval::new(nm - reach, nm + reach))?;
    if values.clipped {
        return None;
    }
    let range = values.range();
    let height = range.width();
    let area = height * guess_fwhm_nm;
    let model_error = MODEL_SHARE * height;
    let parameters = [
        Parameter::free(nm, 0.01),
        Parameter::free(area, 0.01 * area),
        Parameter::free(BOX_START * guess_fwhm_nm, 0.01).within(BOX_NM, WIDEST_BOX * guess_fwhm_nm),
        Parameter::free(guess_fwhm_nm / BLUR_START, 0.01)
            .within(BLUR_NM, WIDEST_BLUR * guess_fwhm_nm),
        Parameter::free(range.low, 0.01 * height),
        Parameter::free(0.0, 0.01 * height / reach),
    ];
    let n = values.len();
    let fitted = least_squares(&parameters, n, |p, out| {
        for (i, out) in out.iter_mut().enumerate() {
            let d = values.nm[i] - p[0];
            let model = p[1] * box_gauss(d, p[2], p[3]) + p[4] + p[5] * d;
            *out = (values.light[i] - model) / values.sigma[i].hypot(model_error);
        }
    })?;
    let shape = LineShape {
        box_nm: fitted.parameters[2],
        sigma_nm: fitted.parameters[3],
        is_green: is_green(nm),
    };
    Some((shape, fitted.chi_squared / (n as f64 - 6.0).max(1.0)))
}

/// A group is fitted over so many widths at half height, and so many nm, to either side of its lines.
const GROUP_REACH: f64 = 1.9;
const GROUP_REACH_NM: f64 = 0.8;
/// What is wider than so many windows is background.
const WIDEST_BAND: f64 = 3.0;
/// A line's shift is looked for within so many nm…
const MOST_SHIFT_NM: f64 = 1.6;
/// …from this place, and where its window may hold two valleys, from these too…
const SHIFT_STARTS_NM: [f64; 3] = [0.0, -0.6, 0.6];
/// …and one that has gone so far has run into the limit, nm.
const RUNAWAY_NM: f64 = 1.55;
/// Width of other lines against the clearest one's, with its uncertainty. That is often a blue one, and blue and red pixels
/// are sparser on the sensor than green ones: others may be narrower by a fifth.
const STRETCH: Estimate = Estimate::new(0.92, 0.15);
/// The same of a green line against a blue or red one, which may be up to twice as wide.
const GREEN_STRETCH: Estimate = Estimate::new(0.75, 0.18);
/// The same of one green line against another: they share focus and slit.
const SAME_STRETCH: Estimate = Estimate::new(1.0, 0.1);
/// Lines are so many times as wide as the shape at least and at most (no source).
const STRETCHES: Interval = Interval::new(0.5, 1.6);
/// A line outside a window lights it within this share of the widths (no source).
const NEAR_WIDTHS: f64 = 0.6;
/// A line has this share of the window's light at its start, and so many times it at most; another, half of its place's light (no source).
const LEAST_START: f64 = 0.02;
const MOST_AREA: f64 = 30.0;
const OTHERS_START: f64 = 0.5;
/// A band's own shift is so many of its place's uncertainties at most (no source).
const SHIFT_SIGMAS: f64 = 2.5;
/// Bands under a line have shapes of their own, which are not known: they move it by this share of its width where there is as much
/// of them as of the line (drawn lamps).
const LEANS: f64 = 0.07;
/// Where bands narrower than this, nm, lie in a line's window, the line scatters so many times as much as its fit says: their shapes are
/// not what the table's are, and alike in both orders (37 lamp photos drawn by another hand: 2.1 to 3.7 times).
const NARROW_BAND_NM: f64 = 10.0;
const AMONG_BANDS: f64 = 2.5;
/// What is less than this share of the window's light has no strength to be wrong about.
const LEAST_AREA_SHARE: f64 = 0.01;
/// Parameters of a [`Blend`] that stand before the areas: shift, stretch, background, its slope.
const FIRST_AREA: usize = 4;

/// A window on a profile with the lines of a group and whatever else of the lamp lies near them.
struct Blend<'a> {
    values: Values,
    range_nm: Interval,
    /// Of the light; what is as good as flat has some.
    height: f64,
    shape: LineShape,
    /// Its lines' width against the shape's.
    stretch: Estimate,
    /// All to share one shift.
    group: Vec<&'a LampLine>,
    /// How well their strengths against each other are known, share of them: where lines are not parted their place hangs on it.
    strengths_known: f64,
    /// What else can put light into the window: other lines share the shift, bands have one of their own.
    others: Vec<&'a LampLine>,
}

impl<'a> Blend<'a> {
    fn new(
        profile: &Profile,
        lamp: &'a Lamp,
        group: &[usize],
        shape: LineShape,
    ) -> Option<Blend<'a>> {
        let fwhm = shape.fwhm_nm();
        let reach = GROUP_REACH * fwhm;
        let range_nm = Interval::new(
            lamp.lines[group[0]].wavelength_nm - reach - GROUP_REACH_NM,
            lamp.lines[group[group.len() - 1]].wavelength_nm + reach + GROUP_REACH_NM,
        );
        let is_near = |line: &LampLine| {
            let reach = NEAR_WIDTHS * fwhm.hypot(line.width_nm);
            line.wavelength_nm > range_nm.low - reach
                && line.wavelength_nm < range_nm.high + reach
                && line.width_nm < WIDEST_BAND * range_nm.width()
        };
        let others = lamp.lines.iter().enumerate();
        let values = Values::of(profile, range_nm)?;
        Some(Blend {
            height: values.range().width().max(1e-9),
            values,
            range_nm,
            shape,
            stretch: match (shape.is_green, is_green(range_nm.middle())) {
                (false, true) => GREEN_STRETCH,
                (true, true) => SAME_STRETCH,
                (_, false) => STRETCH,
            },
            group: group.iter().map(|&i| &lamp.lines[i]).collect(),
            strengths_known: lamp.strengths_known,
            others: others
                .filter(|(i, line)| !group.contains(i) && is_near(line))
                .map(|(_, line)| line)
                .collect(),
        })
    }

    /// Index of the first of the others' own shifts.
    fn first_shift(&self) -> usize {
        FIRST_AREA + self.group.len() + self.others.len()
    }

    /// Shift, stretch, background (2), areas of the group, areas of the others, own shifts of the others.
    fn parameters(&self) -> Vec<Parameter> {
        let (scale, fwhm, range) = (self.height, self.shape.fwhm_nm(), self.values.range());
        let mut parameters = vec![
            Parameter::free(0.0, 0.01).within(-MOST_SHIFT_NM, MOST_SHIFT_NM),
            Parameter::free(self.stretch.value, 0.01).within(STRETCHES.low, STRETCHES.high),
            // Below zero throughout where more background was taken off than there was.
            Parameter::free(range.low, 0.01 * scale).within(range.low.min(-scale), range.high),
            Parameter::free(0.0, 0.002 * scale),
        ];
        let nm = &self.values.nm;
        let at = |nm_of: f64| -> f64 {
            let i = nm.partition_point(|v| *v < nm_of).min(nm.len() - 1);
            (self.values.light[i] - range.low).max(LEAST_START * scale)
        };
        let area = |area: f64, width: f64| {
            Parameter::free(area, 0.01 * scale * width).within(0.0, MOST_AREA * scale * width)
        };
        for line in &self.group {
            parameters.push(area(at(line.wavelength_nm) * fwhm, fwhm));
        }
        for line in &self.others {
            let width = fwhm.hypot(line.width_nm);
            parameters.push(area(OTHERS_START * at(line.wavelength_nm) * width, width));
        }
        for line in &self.others {
            let reach = (SHIFT_SIGMAS * line.sigma_nm).max(1e-6);
            let shift = Parameter::free(0.0, 0.01).within(-reach, reach);
            parameters.push(shift.only_if(line.width_nm != 0.0));
        }
        parameters
    }

    fn model(&self, nm: f64, p: &[f64]) -> f64 {
        let base = p[2] + p[3] * (nm - self.range_nm.middle());
        base + self.light_of_group(nm, p) + self.light_of_others(nm, p)
    }

    fn light_of_group(&self, nm: f64, p: &[f64]) -> f64 {
        let (box_nm, sigma_nm) = (self.shape.box_nm * p[1], self.shape.sigma_nm * p[1]);
        let lines = self.group.iter().zip(&p[FIRST_AREA..]);
        lines
            .map(|(line, area)| area * box_gauss(nm - line.wavelength_nm - p[0], box_nm, sigma_nm))
            .sum()
    }

    fn light_of_others(&self, nm: f64, p: &[f64]) -> f64 {
        let (box_nm, sigma_nm) = (self.shape.box_nm * p[1], self.shape.sigma_nm * p[1]);
        let (areas, shifts) = p[FIRST_AREA..].split_at(self.group.len() + self.others.len());
        let areas = &areas[self.group.len()..];
        let mut model = 0.0;
        for ((line, area), shift) in self.others.iter().zip(areas).zip(shifts) {
            let own_sigma = sigma_nm.hypot(line.width_nm / FWHM_PER_SIGMA);
            let d = nm - line.wavelength_nm - p[0] - shift;
            model += area * box_gauss(d, box_nm, own_sigma);
        }
        model
    }

    /// How many times more than its fit says the group scatters.
    fn among_bands(&self) -> f64 {
        let is_band = |line: &&LampLine| (1e-6..NARROW_BAND_NM).contains(&line.width_nm);
        let is_among = self.others.iter().any(is_band);
        if is_among { AMONG_BANDS } else { 1.0 }
    }

    /// How much of something else lies under the group's lines, share of them.
    fn overlap(&self, p: &[f64]) -> f64 {
        let (mut both, mut own) = (0.0, 0.0);
        for &nm in &self.values.nm {
            let light = self.light_of_group(nm, p);
            both += light * self.light_of_others(nm, p);
            own += light * light;
        }
        both / own.max(f64::MIN_POSITIVE)
    }

    /// Of the values, of the stretch, of the group's relative strengths, and of the others' own shifts.
    fn residuals(&self, p: &[f64], out: &mut [f64]) {
        let values = &self.values;
        let model_error = MODEL_SHARE * self.height;
        for (i, out) in out[..values.len()].iter_mut().enumerate() {
            let off = values.light[i] - self.model(values.nm[i], p);
            *out = off / values.sigma[i].hypot(model_error);
        }
        out[values.len()] = (p[1] - self.stretch.value) / self.stretch.sigma;
        let out = &mut out[values.len() + 1..];
        let areas = &p[FIRST_AREA..FIRST_AREA + self.group.len()];
        let strength: f64 = self.group.iter().map(|line| line.strength).sum();
        let per_strength = areas.iter().sum::<f64>() / strength.max(f64::MIN_POSITIVE);
        let floor = LEAST_AREA_SHARE * self.height * self.shape.fwhm_nm();
        let (strengths, out) = out.split_at_mut(self.group.len());
        for ((line, area), out) in self.group.iter().zip(areas).zip(strengths) {
            let expected = line.strength * per_strength;
            *out = (area - expected) / (self.strengths_known * expected).max(floor);
        }
        let shifts = &p[self.first_shift()..];
        for ((line, shift), out) in self.others.iter().zip(shifts).zip(out) {
            *out = if line.width_nm == 0.0 {
                0.0
            } else {
                shift / line.sigma_nm
            };
        }
    }
}

/// Fits the lines `group` (indices into the lamp's lines, all to share one shift) together with whatever else of the
/// lamp lies near them.
///
/// With `wide` the shift is looked for from several starts, as it is for more than one line.
pub fn fit_group(
    profile: &Profile,
    lamp: &Lamp,
    group: &[usize],
    shape: LineShape,
    wide: bool,
) -> Option<GroupFit> {
    let blend = Blend::new(profile, lamp, group, shape)?;
    let mut parameters = blend.parameters();
    let n_residuals = blend.values.len() + 1 + blend.group.len() + blend.others.len();
    // A shift can fall into the wrong valley of a blend, and a pair lock with one of its lines onto the other: start from three
    // places, keep the best.
    let wide = wide || group.len() > 1;
    let mut best: Option<Fitted> = None;
    for &start in &SHIFT_STARTS_NM[..if wide { 3 } else { 1 }] {
        parameters[0].start = start;
        if let Some(fitted) =
            least_squares(&parameters, n_residuals, |p, out| blend.residuals(p, out))
            && best
                .as_ref()
                .is_none_or(|b| fitted.chi_squared < b.chi_squared)
        {
            best = Some(fitted);
        }
    }
    let fitted = best?;
    let p = &fitted.parameters;
    let areas = &p[FIRST_AREA..FIRST_AREA + blend.group.len()];
    let area: f64 = areas.iter().sum();
    if area <= 0.0 || p[0].abs() > RUNAWAY_NM || fitted.sigma(0) <= 0.0 {
        return None;
    }
    let lines = blend.group.iter().zip(areas);
    let wavelength_nm = lines.map(|(line, a)| line.wavelength_nm * a).sum::<f64>() / area;
    let snr = (0..areas.len())
        .map(|k| areas[k] / fitted.sigma(FIRST_AREA + k).max(1e-12))
        .fold(0.0, f64::max);
    let n_areas = areas.len() as f64 + blend.others.len() as f64;
    let dof = (blend.values.len() as f64 - FIRST_AREA as f64 - n_areas).max(1.0);
    let reduced = fitted.chi_squared / dof;
    Some(GroupFit {
        wavelength_nm,
        shift_nm: p[0],
        // A model that does not quite fit is worth less by as much (GUM 4.3: scatter about the model counts).
        sigma_nm: blend.among_bands()
            * (fitted.sigma(0) * reduced.max(1.0).sqrt())
                .hypot(LEANS * shape.fwhm_nm() * blend.overlap(p)),
        area,
        snr,
        stretch: p[1],
        chi_squared_per_dof: reduced,
        clipped: blend.values.clipped,
    })
}

/// Lines of a lamp nearer to each other than so many widths at half height, or so many nm, are fitted together.
const TOGETHER: f64 = 1.6;
const TOGETHER_NM: f64 = 2.6;

/// Groups the lamp's lines that a scale may be fitted to: what lies near each other goes together.
pub fn groups(lamp: &Lamp, fwhm_nm: f64) -> Vec<Vec<usize>> {
    let reach = (TOGETHER * fwhm_nm).max(TOGETHER_NM);
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for (i, line) in lamp.lines.iter().enumerate() {
        if !line.fit {
            continue;
        }
        match groups.last_mut() {
            Some(group)
                if line.wavelength_nm - lamp.lines[group[group.len() - 1]].wavelength_nm
                    < reach =>
            {
                group.push(i)
            }
            _ => groups.push(vec![i]),
        }
    }
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_width_of_a_blurred_box_goes_from_that_of_the_blur_to_that_of_the_box() {
        // Half height of a normal distribution: 2 √(2 ln 2) standard deviations.
        assert!((box_gauss_fwhm(1e-3, 1.0) - FWHM_PER_SIGMA).abs() < 1e-6);
        // A wide box hardly blurred is as wide as itself at half height.
        assert!((box_gauss_fwhm(8.0, 0.2) - 8.0).abs() < 1e-6);
    }

    #[test]
    fn a_window_with_too_much_background_taken_off_is_fitted_or_refused_and_no_panic() {
        let n = 61;
        let light: Vec<f64> = (0..n).map(|i| -3e-4 + 1e-4 * f64::from(i % 2)).collect();
        let profile = Profile {
            sign: 1.0,
            start_nm: 542.5,
            step_nm: 0.25,
            rgb: light.iter().map(|&v| [v; 3]).collect(),
            rgb_sigma: vec![[1e-4; 3]; light.len()],
            sigma: vec![1e-4; light.len()],
            clipped: vec![0.0; light.len()],
            background: vec![1e-3; light.len()],
            light,
        };
        let line = LampLine {
            wavelength_nm: 550.0,
            sigma_nm: 0.001,
            strength: 1.0,
            name: "line".to_owned(),
            fit: true,
            width_nm: 0.0,
        };
        let lamp = Lamp {
            name: "one".to_owned(),
            title: "one".to_owned(),
            lines: vec![line],
            strengths_known: Lamp::USUAL_STRENGTHS,
        };
        let fit = fit_group(
            &profile,
            &lamp,
            &[0],
            LineShape {
                box_nm: 1.0,
                sigma_nm: 0.5,
                is_green: true,
            },
            true,
        );
        assert!(fit.is_none_or(|fit| fit.snr < 5.0));
    }
}
