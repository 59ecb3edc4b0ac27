//! From which value on a number is a reason to look, or to take the photo again. Plain data: the judge compares.
//!
//! What each number costs is argued beside it in `config/lab.yaml`; the defaults here are the same numbers, and a test
//! holds the two together.

use std::fmt;

use crate::terms::Severity;

use super::reading::{Spot, Table};

/// Which side of a limit is the bad one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Large values are bad: a reason from the limit upwards, the limit itself still good.
    AtMost,
    /// Small values are bad: a reason below the limit, the limit itself still good.
    AtLeast,
}

/// Two thresholds for one number; an absent one never gives a reason.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Beyond this: usable, but look.
    pub caution: Option<f64>,
    /// Beyond this: take it again.
    pub retake: Option<f64>,
    /// Which side is bad.
    pub side: Side,
}

impl Limit {
    /// Large values are bad.
    pub const fn at_most(caution: f64, retake: f64) -> Limit {
        Limit {
            caution: Some(caution),
            retake: Some(retake),
            side: Side::AtMost,
        }
    }

    /// Small values are bad.
    pub const fn at_least(caution: f64, retake: f64) -> Limit {
        Limit {
            caution: Some(caution),
            retake: Some(retake),
            side: Side::AtLeast,
        }
    }

    /// How bad `value` is, with the threshold it passed; absent where it is good. The worse threshold is asked first.
    ///
    /// For a number whose sign only states a direction (tilt, skew), hand in its size.
    pub fn judge(&self, value: f64) -> Option<(Severity, f64)> {
        let beyond = |threshold: f64| match self.side {
            Side::AtMost => value > threshold,
            Side::AtLeast => value < threshold,
        };
        if let Some(threshold) = self.retake.filter(|t| beyond(*t)) {
            return Some((Severity::Retake, threshold));
        }
        let threshold = self.caution.filter(|t| beyond(*t))?;
        Some((Severity::Caution, threshold))
    }
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let side = match self.side {
            Side::AtMost => "above",
            Side::AtLeast => "below",
        };
        match (self.caution, self.retake) {
            (Some(caution), Some(retake)) => {
                write!(f, "caution {side} {caution}, retake {side} {retake}")
            }
            (Some(caution), None) => write!(f, "caution {side} {caution}, never a retake"),
            (None, Some(retake)) => write!(f, "retake {side} {retake}"),
            (None, None) => write!(f, "not judged"),
        }
    }
}

/// Every limit, each in the unit its name states.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// `clipped`: share of the spectrum's pixels at the sensor's ceiling, 0…1.
    pub clipped_fraction: Limit,
    /// `clipped`, of photos whose heights count: share of a line's width at half height that is at the ceiling, ≥ 0.
    pub clipped_line_share: Limit,
    /// `dim`: signal to noise of the brightest part of the spectrum.
    pub snr: Limit,
    /// `dim`: brightest level of the spectrum, linear share of full scale, 0…1.
    pub peak_level: Limit,
    /// `tilted`: size of the angle between picture axis and dispersion, degrees.
    pub tilt_deg: Limit,
    /// `skewed`: size of the angle between slit and grooves, degrees.
    pub skew_deg: Limit,
    /// `slit-wide`: width of the slit, µm.
    pub slit_width_um: Limit,
    /// `defocused`: standard deviation of the blur, px.
    pub blur_px: Limit,
    /// `moved`: length of the smear during the exposure, px.
    pub moved_px: Limit,
    /// `leak`: light where there can be none, linear share of full scale, 0…1.
    pub background_level: Limit,
    /// `cropped`: share of the range from 400 to 700 nm that lies outside the picture, 0…1.
    pub cropped_fraction: Limit,
    /// `few-lines`: number of different lamp lines the scale was fitted to.
    pub calibration_lines: Limit,
    /// `poor-fit`: root mean square of the fit's residuals, nm.
    pub calibration_rms_nm: Limit,
    /// `poor-fit`: standard uncertainty of the scale at the middle of the spectrum, nm.
    pub wavelength_sigma_nm: Limit,
    /// `exposure-differs`: the larger of exposure time × ISO of sample and blank over the smaller, ≥ 1.
    pub exposure_ratio: Limit,
    /// `exposure-auto` for a photo that stands alone; absent: not a reason.
    pub exposure_auto: Option<Severity>,
    /// `exposure-auto` for a photo that is compared with others: blank, dark, bracket, and a sample that has a blank;
    /// absent: not a reason.
    pub exposure_auto_in_set: Option<Severity>,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            clipped_fraction: Limit::at_most(0.01, 0.05),
            clipped_line_share: Limit::at_most(0.25, 0.5),
            snr: Limit::at_least(100.0, 30.0),
            peak_level: Limit::at_least(0.08, 0.04),
            tilt_deg: Limit::at_most(3.5, 5.0),
            skew_deg: Limit::at_most(2.0, 3.0),
            slit_width_um: Limit::at_most(400.0, 600.0),
            blur_px: Limit::at_most(2.5, 4.0),
            moved_px: Limit::at_most(3.0, 6.0),
            background_level: Limit::at_most(0.015, 0.03),
            cropped_fraction: Limit::at_most(0.02, 0.1),
            calibration_lines: Limit::at_least(4.0, 3.0),
            calibration_rms_nm: Limit::at_most(0.3, 0.6),
            wavelength_sigma_nm: Limit::at_most(0.5, 1.0),
            exposure_ratio: Limit::at_most(1.05, 2.2),
            exposure_auto: Some(Severity::Caution),
            exposure_auto_in_set: Some(Severity::Retake),
        }
    }
}

impl Limits {
    /// Every number that is judged: key, limit, unit, and what it is about, in words.
    pub fn named(&self) -> Vec<(&'static str, Limit, &'static str, &'static str)> {
        vec![
            (
                "clipped_fraction",
                self.clipped_fraction,
                "",
                "share of the spectrum over-exposed",
            ),
            (
                "clipped_line_share",
                self.clipped_line_share,
                "",
                "share of a line's width over-exposed",
            ),
            ("snr", self.snr, "", "signal to noise where it is brightest"),
            (
                "peak_level",
                self.peak_level,
                "",
                "brightest level, share of full scale",
            ),
            ("tilt_deg", self.tilt_deg, "°", "phone against the grating"),
            ("skew_deg", self.skew_deg, "°", "grooves against the slit"),
            (
                "slit_width_um",
                self.slit_width_um,
                "µm",
                "width of the slit",
            ),
            ("blur_px", self.blur_px, "px", "blur of the focus"),
            (
                "moved_px",
                self.moved_px,
                "px",
                "movement during the exposure",
            ),
            (
                "background_level",
                self.background_level,
                "",
                "stray light, share of full scale",
            ),
            (
                "cropped_fraction",
                self.cropped_fraction,
                "",
                "share of 400 to 700 nm outside the picture",
            ),
            (
                "calibration_lines",
                self.calibration_lines,
                "",
                "lamp lines the scale rests on",
            ),
            (
                "calibration_rms_nm",
                self.calibration_rms_nm,
                "nm",
                "residuals of the scale",
            ),
            (
                "wavelength_sigma_nm",
                self.wavelength_sigma_nm,
                "nm",
                "uncertainty of the scale",
            ),
            (
                "exposure_ratio",
                self.exposure_ratio,
                "",
                "exposure of sample against blank, larger over smaller",
            ),
        ]
    }

    /// Reads the section `limits:`; what it leaves out keeps its default.
    pub fn read(spot: &Spot<'_>) -> Option<Limits> {
        spot.table(|t| {
            let mut limits = Limits::default();
            read_limit(t, "clipped_fraction", &mut limits.clipped_fraction, 1.0);
            read_limit(
                t,
                "clipped_line_share",
                &mut limits.clipped_line_share,
                10.0,
            );
            read_limit(t, "snr", &mut limits.snr, 1e4);
            read_limit(t, "peak_level", &mut limits.peak_level, 1.0);
            read_limit(t, "tilt_deg", &mut limits.tilt_deg, 45.0);
            read_limit(t, "skew_deg", &mut limits.skew_deg, 45.0);
            read_limit(t, "slit_width_um", &mut limits.slit_width_um, 1e4);
            read_limit(t, "blur_px", &mut limits.blur_px, 100.0);
            read_limit(t, "moved_px", &mut limits.moved_px, 1000.0);
            read_limit(t, "background_level", &mut limits.background_level, 1.0);
            read_limit(t, "cropped_fraction", &mut limits.cropped_fraction, 1.0);
            read_limit(t, "calibration_lines", &mut limits.calibration_lines, 20.0);
            read_limit(
                t,
                "calibration_rms_nm",
                &mut limits.calibration_rms_nm,
                50.0,
            );
            read_limit(
                t,
                "wavelength_sigma_nm",
                &mut limits.wavelength_sigma_nm,
                50.0,
            );
            read_limit(t, "exposure_ratio", &mut limits.exposure_ratio, 1e4);
            read_severity(t, "exposure_auto", &mut limits.exposure_auto);
            read_severity(t, "exposure_auto_in_set", &mut limits.exposure_auto_in_set);
            Some(limits)
        })
    }
}

/// `{caution: 3.5, retake: 5}`; `off` in place of a number, or of the whole, switches it off.
fn read_limit(table: &mut Table<'_>, key: &'static str, limit: &mut Limit, largest: f64) {
    let Some(spot) = table.get(key) else { return };
    if is_off(&spot) {
        limit.caution = None;
        limit.retake = None;
        return;
    }
    let read = spot.table(|t| {
        let mut threshold = |key, default| match t.get(key) {
            None => default,
            Some(spot) if is_off(&spot) => None,
            Some(spot) => spot.number(0.0..=largest, "").or(default),
        };
        Some((
            threshold("caution", limit.caution),
            threshold("retake", limit.retake),
        ))
    });
    let Some((caution, retake)) = read else {
        return;
    };
    limit.caution = caution;
    limit.retake = retake;
    if let (Some(caution), Some(retake)) = (caution, retake) {
        let (in_order, order) = match limit.side {
            Side::AtMost => (caution <= retake, "not above"),
            Side::AtLeast => (caution >= retake, "not below"),
        };
        if !in_order {
            spot.mistake(
                format!("caution {caution} would come after retake {retake}"),
                format!("here the number for caution is {order} the number for retake"),
            );
        }
    }
}

fn read_severity(table: &mut Table<'_>, key: &'static str, severity: &mut Option<Severity>) {
    let Some(spot) = table.get(key) else { return };
    if is_off(&spot) {
        *severity = None;
    } else if let Some(word) = spot.word(&["caution", "retake", "off"]) {
        *severity = Some(word);
    }
}

fn is_off(spot: &Spot<'_>) -> bool {
    spot.is_null()
        || spot
            .raw()
            .is_some_and(|text| text.eq_ignore_ascii_case("off"))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::mistake::Report;
    use super::*;

    fn read(text: &str) -> (Limits, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let limits = report.parse(text, |spot| Limits::read(&spot));
        (
            limits.expect("limits are always usable"),
            report
                .into_mistakes()
                .iter()
                .map(ToString::to_string)
                .collect(),
        )
    }

    #[test]
    fn the_worse_threshold_is_asked_first_and_the_threshold_itself_is_good() {
        let tilt = Limit::at_most(3.5, 5.0);
        assert_eq!(tilt.judge(3.5), None);
        assert_eq!(tilt.judge(4.0), Some((Severity::Caution, 3.5)));
        assert_eq!(tilt.judge(5.1), Some((Severity::Retake, 5.0)));
        let snr = Limit::at_least(30.0, 10.0);
        assert_eq!(snr.judge(30.0), None);
        assert_eq!(snr.judge(29.0), Some((Severity::Caution, 30.0)));
        assert_eq!(snr.judge(9.0), Some((Severity::Retake, 10.0)));
    }

    #[test]
    fn a_limit_can_be_changed_in_part_or_switched_off() {
        let (limits, mistakes) =
            read("tilt_deg: {retake: 8}\nskew_deg: off\nsnr: {caution: off}\nexposure_auto: off\n");
        assert_eq!(mistakes, [""; 0]);
        assert_eq!(limits.tilt_deg, Limit::at_most(3.5, 8.0));
        assert_eq!(limits.skew_deg.judge(40.0), None);
        assert_eq!(limits.snr.judge(50.0), None);
        assert_eq!(limits.snr.judge(5.0), Some((Severity::Retake, 30.0)));
        assert_eq!(limits.exposure_auto, None);
        assert_eq!(limits.blur_px, Limits::default().blur_px);
    }

    #[test]
    fn thresholds_in_the_wrong_order_are_a_mistake_on_either_side() {
        let (_, mistakes) = read("tilt_deg: {caution: 6}\nsnr: {caution: 5, retake: 10}\n");
        assert_eq!(mistakes.len(), 2);
        assert!(mistakes[0].contains("tilt_deg: caution 6 would come after retake 5"));
        assert!(mistakes[1].contains("not below"));
    }

    #[test]
    fn every_number_is_named_once() {
        let named = Limits::default().named();
        let mut keys: Vec<_> = named.iter().map(|n| n.0).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), named.len());
        assert_eq!(keys.len(), 15);
    }
}
