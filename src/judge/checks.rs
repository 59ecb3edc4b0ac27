//! The table of checks: which number is held against which limit, for which reason, and how both are told. Nothing else lists
//! them: the judge, the section `limits:` of a configuration and the text of `slitwatch check` go through this table.

use crate::judge::limit::Limit;
use crate::terms::{Code, Estimate, Quantity, Reading};

/// How a number is told: multiplied, rounded, and put into a sentence in place of `{}`.
#[derive(Clone, Copy, Debug)]
pub struct Told {
    /// The sentence.
    pub words: &'static str,
    /// What the number is multiplied by: 100 for a share told in per cent.
    pub times: f64,
    /// Decimals that are shown.
    pub decimals: usize,
}

const fn told(words: &'static str, times: f64, decimals: usize) -> Told {
    Told {
        words,
        times,
        decimals,
    }
}

impl Told {
    /// The number alone: `tilt 6.2°`.
    pub fn number(&self, value: f64) -> String {
        let number = format!("{:.*}", self.decimals, self.times * value);
        self.words.replace("{}", &number)
    }

    /// The number and its uncertainty: `tilt 6.2 ± 0.1°`.
    pub fn estimate(&self, Estimate { value, sigma }: Estimate) -> String {
        let (n, times) = (self.decimals, self.times);
        let number = format!("{:.n$} ± {:.n$}", times * value, times * sigma);
        self.words.replace("{}", &number)
    }

    /// The number, and its uncertainty where that is not rounded to nothing.
    pub fn reading(&self, reading: Reading) -> String {
        let least = 0.5 * 0.1f64.powi(self.decimals as i32);
        match reading.estimate() {
            Some(estimate) if self.times * estimate.sigma >= least => self.estimate(estimate),
            _ => self.number(reading.value),
        }
    }
}

/// What a check judges.
#[derive(Clone, Copy, Debug)]
pub enum Number {
    /// A number that is published: its name and unit are also those of the limit.
    Published(Quantity),
    /// A number that is published, of which only as much counts as its size exceeds its standard uncertainty. Without one it is
    /// not judged.
    BeyondDoubt(Quantity),
    /// A number that the judge works out, with the name and the unit of its limit.
    WorkedOut(&'static str, &'static str),
}

/// All there is to say of a check.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// The reason it gives.
    pub code: Code,
    /// What it judges.
    pub number: Number,
    /// The limit where a configuration states none.
    pub limit: Limit,
    /// The largest limit that a configuration may state.
    pub largest: f64,
    /// What is judged, in the words of `slitwatch check`.
    pub about: &'static str,
    /// How the number is told.
    pub measured: Told,
    /// How the limit that it passed is told.
    pub passed: Told,
    /// The slot of the advice that holds the number's size, multiplied like `measured`, and its decimals.
    pub slot: Option<(&'static str, usize)>,
}

macro_rules! checks {
    ($($(#[doc = $doc:literal])+ $name:ident { $($row:tt)+ })+) => {
        /// A number that is held against a limit.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Check {
            $($(#[doc = $doc])+ $name,)+
        }

        impl Check {
            /// Every check.
            pub const ALL: [Check; [$(stringify!($name)),+].len()] = [$(Check::$name),+];

            /// What the table says of it.
            pub fn row(self) -> &'static Row {
                match self {
                    $(Check::$name => const { &Row { $($row)+ } },)+
                }
            }
        }
    };
}

impl Check {
    /// Name of its limit, which states the unit.
    pub fn key(self) -> &'static str {
        self.name_and_unit().0
    }

    /// Unit of its limit as people write it; empty for shares, ratios and counts.
    pub fn unit(self) -> &'static str {
        self.name_and_unit().1
    }

    fn name_and_unit(self) -> (&'static str, &'static str) {
        match self.row().number {
            Number::Published(number) | Number::BeyondDoubt(number) => {
                (number.key(), number.unit())
            }
            Number::WorkedOut(key, unit) => (key, unit),
        }
    }
}

checks! {
    /// Share of the spectrum's pixels at the sensor's ceiling, 0…1.
    ClippedFraction {
        code: Code::Clipped,
        number: Number::Published(Quantity::ClippedFraction),
        limit: Limit::at_most(0.01, 0.05),
        largest: 1.0,
        about: "share of the spectrum over-exposed",
        measured: told("{} % of the lit spectrum clipped", 100.0, 1),
        passed: told("{} %", 100.0, 1),
        slot: None,
    }
    /// Of photos whose heights count: share of a line's width at half height that is at the ceiling, ≥ 0.
    ClippedLineShare {
        code: Code::Clipped,
        number: Number::Published(Quantity::ClippedLineShare),
        limit: Limit::at_most(0.25, 0.5),
        largest: 10.0,
        about: "share of a line's width over-exposed",
        measured: told("{} % of a line's width clipped", 100.0, 0),
        passed: told("{} % of a line's width", 100.0, 0),
        slot: None,
    }
    /// Signal to noise of the brightest part of the spectrum.
    Snr {
        code: Code::Dim,
        number: Number::Published(Quantity::Snr),
        limit: Limit::at_least(100.0, 30.0),
        largest: 1e4,
        about: "signal to noise where it is brightest",
        measured: told("signal to noise {}", 1.0, 0),
        passed: told("signal to noise {}", 1.0, 0),
        slot: None,
    }
    /// Brightest level of the spectrum, linear share of full scale, 0…1.
    PeakLevel {
        code: Code::Dim,
        number: Number::Published(Quantity::PeakLevel),
        limit: Limit::at_least(0.08, 0.04),
        largest: 1.0,
        about: "brightest level, share of full scale",
        measured: told("brightest level {} %", 100.0, 1),
        passed: told("brightest level {} %", 100.0, 0),
        slot: None,
    }
    /// Angle between picture axis and dispersion, degrees.
    TiltDeg {
        code: Code::Tilted,
        number: Number::BeyondDoubt(Quantity::TiltDeg),
        limit: Limit::at_most(3.5, 5.0),
        largest: 45.0,
        about: "phone against the grating",
        measured: told("tilt {}°", 1.0, 1),
        passed: told("{}°", 1.0, 1),
        slot: Some(("amount_deg", 0)),
    }
    /// Angle between slit and grooves, degrees.
    SkewDeg {
        code: Code::Skewed,
        number: Number::BeyondDoubt(Quantity::SkewDeg),
        limit: Limit::at_most(2.0, 3.0),
        largest: 45.0,
        about: "grooves against the slit",
        measured: told("skew {}°", 1.0, 1),
        passed: told("{}°", 1.0, 1),
        slot: Some(("amount_deg", 0)),
    }
    /// Width of the slit, µm.
    SlitWidthUm {
        code: Code::SlitWide,
        number: Number::BeyondDoubt(Quantity::SlitWidthUm),
        limit: Limit::at_most(400.0, 600.0),
        largest: 1e4,
        about: "width of the slit",
        measured: told("slit {} µm", 1.0, 0),
        passed: told("{} µm", 1.0, 0),
        slot: None,
    }
    /// Standard deviation of the blur, px.
    BlurPx {
        code: Code::Defocused,
        number: Number::BeyondDoubt(Quantity::BlurPx),
        limit: Limit::at_most(2.5, 4.0),
        largest: 100.0,
        about: "blur of the focus",
        measured: told("blur {} px", 1.0, 1),
        passed: told("{} px", 1.0, 1),
        slot: Some(("blur_px", 0)),
    }
    /// Length of the smear during the exposure, px.
    MovedPx {
        code: Code::Moved,
        number: Number::Published(Quantity::MovedPx),
        limit: Limit::at_most(3.0, 6.0),
        largest: 1000.0,
        about: "movement during the exposure",
        measured: told("smeared over {} px", 1.0, 0),
        passed: told("{} px", 1.0, 1),
        slot: Some(("length_px", 0)),
    }
    /// Light where there can be none, linear share of full scale, 0…1.
    BackgroundLevel {
        code: Code::Leak,
        number: Number::Published(Quantity::BackgroundLevel),
        limit: Limit::at_most(0.015, 0.03),
        largest: 1.0,
        about: "stray light, share of full scale",
        measured: told("stray light {} % of full scale", 100.0, 1),
        passed: told("{} %", 100.0, 1),
        slot: Some(("level_percent", 1)),
    }
    /// Share of the range from 400 to 700 nm that lies outside the picture, 0…1.
    CroppedFraction {
        code: Code::Cropped,
        number: Number::Published(Quantity::CroppedFraction),
        limit: Limit::at_most(0.02, 0.1),
        largest: 1.0,
        about: "share of 400 to 700 nm outside the picture",
        measured: told("{} % of 400 to 700 nm outside the picture", 100.0, 0),
        passed: told("{} %", 100.0, 0),
        slot: Some(("amount_percent", 0)),
    }
    /// Share of the slit's length in the bench's lamp photo that is lit, 0…1.
    LitShare {
        code: Code::PartLit,
        number: Number::Published(Quantity::LitShare),
        limit: Limit::at_least(0.15, 0.0),
        largest: 1.0,
        about: "share of the slit's length that is lit",
        measured: told("{} % of the slit lit", 100.0, 0),
        passed: told("{} %", 100.0, 0),
        slot: Some(("lit_percent", 0)),
    }
    /// Number of different lamp lines the scale was fitted to.
    CalibrationLines {
        code: Code::FewLines,
        number: Number::WorkedOut("calibration_lines", ""),
        limit: Limit::at_least(4.0, 3.0),
        largest: 20.0,
        about: "lamp lines the scale rests on",
        measured: told("{} lines", 1.0, 0),
        passed: told("{} lines", 1.0, 0),
        slot: Some(("found", 0)),
    }
    /// Root mean square of what the residuals of a lamp photo's scale exceed their uncertainties by, nm.
    CalibrationRmsNm {
        code: Code::PoorFit,
        number: Number::WorkedOut("calibration_rms_nm", "nm"),
        limit: Limit::at_most(0.3, 0.6),
        largest: 50.0,
        about: "residuals of the scale, beyond their uncertainties",
        measured: told("residuals {} nm beyond their uncertainties", 1.0, 2),
        passed: told("{} nm", 1.0, 2),
        slot: Some(("rms_nm", 2)),
    }
    /// Standard uncertainty of the scale at the middle of the spectrum, nm.
    WavelengthSigmaNm {
        code: Code::PoorFit,
        number: Number::Published(Quantity::WavelengthSigmaNm),
        limit: Limit::at_most(0.5, 1.0),
        largest: 50.0,
        about: "uncertainty of the scale",
        measured: told("scale known to ± {} nm", 1.0, 2),
        passed: told("{} nm", 1.0, 2),
        slot: None,
    }
    /// The larger of exposure time × ISO of sample and blank over the smaller, ≥ 1.
    ExposureRatio {
        code: Code::ExposureDiffers,
        number: Number::WorkedOut("exposure_ratio", ""),
        limit: Limit::at_most(1.05, 2.2),
        largest: 1e4,
        about: "exposure of sample against blank, larger over smaller",
        measured: told("exposure {} times the blank's or the other way about", 1.0, 2),
        passed: told("{} times", 1.0, 2),
        slot: Some(("factor", 1)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_limit_has_a_name_of_its_own_and_every_slot_is_one_of_its_reason_s() {
        let mut keys = Check::ALL.map(Check::key).to_vec();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), Check::ALL.len());
        for check in Check::ALL {
            let row = check.row();
            let is_known = |name: &str| row.code.slots().iter().any(|slot| slot.0 == name);
            assert!(row.slot.is_none_or(|slot| is_known(slot.0)), "{check:?}");
            assert_eq!(row.measured.words.matches("{}").count(), 1, "{check:?}");
        }
    }

    #[test]
    fn an_uncertainty_is_told_unless_it_is_rounded_to_nothing() {
        let percent = told("light {} %", 100.0, 1);
        let reading = |sigma| Reading {
            value: 0.0472,
            sigma,
        };
        assert_eq!(percent.reading(reading(Some(0.008))), "light 4.7 ± 0.8 %");
        assert_eq!(percent.reading(reading(Some(0.0004))), "light 4.7 %");
        assert_eq!(percent.reading(reading(None)), "light 4.7 %");
    }
}
