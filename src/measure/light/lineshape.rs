//! The instrument's line shape: the slit's width (a box) blurred by the optics (a Gaussian), and fits with it.

use crate::measure::light::profile::Profile;
use crate::measure::optics::fit::{Parameter, least_squares};
use crate::terms::{Interval, Lamp, LampLine};

/// 2 √(2 ln 2): FWHM of a Gaussian in standard deviations.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045;

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
    if width < 0.2 * sigma {
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
    let (mut low, mut high) = (0.0, width + 3.0 * sigma);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if box_gauss(middle, width, sigma) > half {
            low = middle
        } else {
            high = middle
        }
    }
    low + high
}

/// Box and blur, nm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineShape {
    /// Slit's width in wavelength, nm.
    pub box_nm: f64,
    /// Blur, nm (standard deviation).
    pub sigma_nm: f64,
}

impl LineShape {
    /// FWHM in nm.
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

/// Wavelengths, light, sigma, and whether something clipped was left out.
type Values = (Vec<f64>, Vec<f64>, Vec<f64>, bool);

/// Values to fit: wavelengths, light, sigma. Clipped bins are left out; where they are many, a channel that is not
/// clipped stands in.
fn window_values(profile: &Profile, low: f64, high: f64) -> Option<Values> {
    let from = ((low - profile.start_nm) / profile.step_nm).ceil().max(0.0) as usize;
    let to = (((high - profile.start_nm) / profile.step_nm).floor() + 1.0).max(0.0) as usize;
    let to = to.min(profile.len());
    if to < from + 6 {
        return None;
    }
    let clipped = profile.clipped[from..to].iter().any(|c| *c > 0.02);
    let channel = if clipped {
        // The strongest channel that stays well below the ceiling over the whole window.
        let peak = |c: usize| {
            profile.rgb[from..to]
                .iter()
                .map(|v| v[c])
                .fold(f64::MIN, f64::max)
        };
        let noise = |c: usize| {
            profile.rgb_sigma[from..to]
                .iter()
                .map(|v| v[c])
                .sum::<f64>()
                / (to - from) as f64
        };
        (0..3)
            .filter(|&c| peak(c) < 0.75 && peak(c) > 25.0 * noise(c))
            .max_by(|&a, &b| peak(a).total_cmp(&peak(b)))
    } else {
        None
    };
    let (mut x, mut y, mut s) = (Vec::new(), Vec::new(), Vec::new());
    for i in from..to {
        if clipped && channel.is_none() && profile.clipped[i] > 0.02 {
            continue;
        }
        x.push(profile.nm(i as f64));
        match channel {
            Some(c) => {
                y.push(profile.rgb[i][c]);
                s.push(profile.rgb_sigma[i][c]);
            }
            None => {
                y.push(profile.light[i]);
                s.push(profile.sigma[i]);
            }
        }
    }
    (x.len() >= 8).then_some((x, y, s, clipped))
}

/// The box that a Gaussian of standard deviation `sigma` widens to `fwhm`, by bisection; absent where the Gaussian alone is
/// as wide.
pub fn box_of_fwhm(fwhm: f64, sigma: f64) -> Option<f64> {
    if fwhm <= FWHM_PER_SIGMA * sigma {
        return None;
    }
    let (mut low, mut high) = (1e-3 * fwhm, 1.2 * fwhm);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if box_gauss_fwhm(middle, sigma) < fwhm {
            low = middle
        } else {
            high = middle
        }
    }
    Some(low)
}

/// Fits box and blur to one isolated line at about `nm`: shape, and χ² per degree of freedom.
///
/// Its width at half height is well determined; how much of that is box and how much blur is not, where the two are alike.
pub fn fit_shape(profile: &Profile, nm: f64, guess_fwhm_nm: f64) -> Option<(LineShape, f64)> {
    let reach = 2.2 * guess_fwhm_nm;
    let (x, y, s, clipped) = window_values(profile, nm - reach, nm + reach)?;
    if clipped {
        return None;
    }
    let (y_low, y_high) = y
        .iter()
        .fold((f64::MAX, f64::MIN), |a, v| (a.0.min(*v), a.1.max(*v)));
    let area = (y_high - y_low) * guess_fwhm_nm;
    let model_error = 0.01 * (y_high - y_low);
    let parameters = [
        Parameter::free(nm, 0.01),
        Parameter::free(area, 0.01 * area),
        Parameter::free(0.7 * guess_fwhm_nm, 0.01).within(0.02, 3.0 * guess_fwhm_nm),
        Parameter::free(guess_fwhm_nm / 3.0, 0.01).within(0.08, 2.0 * guess_fwhm_nm),
        Parameter::free(y_low, 0.01 * (y_high - y_low)),
        Parameter::free(0.0, 0.01 * (y_high - y_low) / reach),
    ];
    let n = x.len();
    let fitted = least_squares(&parameters, n, |p, out| {
        for i in 0..n {
            let d = x[i] - p[0];
            let model = p[1] * box_gauss(d, p[2], p[3]) + p[4] + p[5] * d;
            out[i] = (y[i] - model) / s[i].hypot(model_error);
        }
    })?;
    let shape = LineShape {
        box_nm: fitted.parameters[2],
        sigma_nm: fitted.parameters[3],
    };
    Some((shape, fitted.chi_squared / (n as f64 - 6.0).max(1.0)))
}

/// Fits the lines `group` (indices into the lamp's lines, all to share one shift) together with whatever else of the
/// lamp lies near them.
///
/// With `wide` the shift is looked for from several starts.
pub fn fit_group(
    profile: &Profile,
    lamp: &Lamp,
    group: &[usize],
    shape: LineShape,
    wide: bool,
) -> Option<GroupFit> {
    let fwhm = shape.fwhm_nm();
    let first = lamp.lines[group[0]].wavelength_nm;
    let last = lamp.lines[group[group.len() - 1]].wavelength_nm;
    let (low, high) = (first - 1.9 * fwhm - 0.8, last + 1.9 * fwhm + 0.8);
    let (x, y, s, clipped) = window_values(profile, low, high)?;
    let (y_low, y_high) = y
        .iter()
        .fold((f64::MAX, f64::MIN), |a, v| (a.0.min(*v), a.1.max(*v)));
    let scale = (y_high - y_low).max(1e-9);
    let model_error = 0.01 * scale;
    let in_group: Vec<&LampLine> = group.iter().map(|&i| &lamp.lines[i]).collect();
    // What else can put light into the window: other lines share the shift, bands have one of their own.
    let others: Vec<&LampLine> = lamp
        .lines
        .iter()
        .enumerate()
        .filter(|(i, line)| {
            let reach = 0.6 * fwhm.hypot(line.width_nm);
            !group.contains(i) && line.wavelength_nm > low - reach && line.wavelength_nm < high + reach
                // A band much wider than the window is background.
                && line.width_nm < 3.0 * (high - low)
        })
        .map(|(_, line)| line)
        .collect();
    let (g, o) = (in_group.len(), others.len());
    // Parameters: shift, stretch, background (2), areas of the group, areas of the others, own shifts of the others.
    let mut parameters = vec![
        Parameter::free(0.0, 0.01).within(-1.6, 1.6),
        Parameter::free(0.9, 0.01).within(0.5, 1.6),
        // Below zero throughout where more background was taken off than there was.
        Parameter::free(y_low, 0.01 * scale).within(y_low.min(-scale), y_high),
        Parameter::free(0.0, 0.002 * scale),
    ];
    let at = |nm: f64| -> f64 {
        let i = x.partition_point(|v| *v < nm).min(x.len() - 1);
        (y[i] - y_low).max(0.02 * scale)
    };
    for line in &in_group {
        let area = at(line.wavelength_nm) * fwhm;
        parameters
            .push(Parameter::free(area, 0.01 * scale * fwhm).within(0.0, 30.0 * scale * fwhm));
    }
    for line in &others {
        let width = fwhm.hypot(line.width_nm);
        let area = 0.5 * at(line.wavelength_nm) * width;
        parameters
            .push(Parameter::free(area, 0.01 * scale * width).within(0.0, 30.0 * scale * width));
    }
    for line in &others {
        let reach = 2.5 * line.sigma_nm;
        let own = Parameter::free(0.0, 0.01).within(-reach.max(1e-6), reach.max(1e-6));
        parameters.push(Parameter {
            fixed: line.width_nm == 0.0,
            ..own
        });
    }
    let n = x.len() + 1 + o;
    let residuals = |p: &[f64], out: &mut [f64]| {
        let (box_nm, sigma_nm) = (shape.box_nm * p[1], shape.sigma_nm * p[1]);
        for i in 0..x.len() {
            let mut model = p[2] + p[3] * (x[i] - 0.5 * (low + high));
            for (k, line) in in_group.iter().enumerate() {
                model += p[4 + k] * box_gauss(x[i] - line.wavelength_nm - p[0], box_nm, sigma_nm);
            }
            for (k, line) in others.iter().enumerate() {
                let own_sigma = sigma_nm.hypot(line.width_nm / FWHM_PER_SIGMA);
                model += p[4 + g + k]
                    * box_gauss(
                        x[i] - line.wavelength_nm - p[0] - p[4 + g + o + k],
                        box_nm,
                        own_sigma,
                    );
            }
            out[i] = (y[i] - model) / s[i].hypot(model_error);
        }
        // The shape was measured on the clearest line, often a blue one, and blue and red pixels are sparser on the
        // sensor than green ones: other lines may be narrower by a fifth.
        out[x.len()] = (p[1] - 0.92) / 0.15;
        for (k, line) in others.iter().enumerate() {
            out[x.len() + 1 + k] = if line.width_nm == 0.0 {
                0.0
            } else {
                p[4 + g + o + k] / line.sigma_nm
            };
        }
    };
    // A shift can fall into the wrong valley of a blend: start from three places, keep the best.
    let mut best: Option<crate::measure::optics::fit::Fitted> = None;
    let starts: &[f64] = if wide { &[0.0, -0.6, 0.6] } else { &[0.0] };
    for &start in starts {
        let mut p = parameters.clone();
        p[0].start = start;
        if let Some(fitted) = least_squares(&p, n, residuals)
            && best
                .as_ref()
                .is_none_or(|b| fitted.chi_squared < b.chi_squared)
        {
            best = Some(fitted);
        }
    }
    let fitted = best?;
    let p = &fitted.parameters;
    let areas = &p[4..4 + g];
    let area: f64 = areas.iter().sum();
    if area <= 0.0 {
        return None;
    }
    let wavelength_nm = in_group
        .iter()
        .zip(areas)
        .map(|(line, a)| line.wavelength_nm * a)
        .sum::<f64>()
        / area;
    let snr = (0..g)
        .map(|k| areas[k] / fitted.sigma(4 + k).max(1e-12))
        .fold(0.0, f64::max);
    let dof = (x.len() as f64 - 4.0 - g as f64 - o as f64).max(1.0);
    let reduced = fitted.chi_squared / dof;
    if p[0].abs() > 1.55 || fitted.sigma(0) <= 0.0 {
        return None;
    }
    Some(GroupFit {
        wavelength_nm,
        shift_nm: p[0],
        // A model that does not quite fit is worth less by as much (GUM 4.3: scatter about the model counts).
        sigma_nm: fitted.sigma(0) * reduced.max(1.0).sqrt(),
        area,
        snr,
        stretch: p[1],
        chi_squared_per_dof: reduced,
        clipped,
    })
}

/// Groups the lamp's lines that a scale may be fitted to: lines nearer than the instrument (or 2.6 nm) go together.
pub fn groups(lamp: &Lamp, fwhm_nm: f64) -> Vec<Vec<usize>> {
    let reach = (1.6 * fwhm_nm).max(2.6);
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
    fn the_box_behind_a_width_is_found_again_and_a_width_that_is_all_blur_has_none() {
        for (width, sigma) in [(0.8, 0.5), (2.1, 1.0), (10.0, 1.0)] {
            let fwhm = box_gauss_fwhm(width, sigma);
            let found = box_of_fwhm(fwhm, sigma).unwrap();
            assert!((found - width).abs() < 1e-6 * width, "{found} for {width}");
        }
        // Half height of a normal distribution: 2 √(2 ln 2) standard deviations.
        assert_eq!(box_of_fwhm(2.3548, 1.0), None);
        // A wide box hardly blurred is as wide as itself at half height.
        assert!((box_of_fwhm(8.0, 0.2).unwrap() - 8.0).abs() < 1e-6);
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
        };
        let fit = fit_group(
            &profile,
            &lamp,
            &[0],
            LineShape {
                box_nm: 1.0,
                sigma_nm: 0.5,
            },
            true,
        );
        assert!(fit.is_none_or(|fit| fit.snr < 5.0));
    }
}
