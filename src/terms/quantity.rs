//! Every number that is published about a photo: its name in the tables, its unit and what it is about, in one list; and the
//! numbers of one photo by these names.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Estimate;

macro_rules! quantities {
    ($($(#[doc = $doc:literal])+ $name:ident = $key:literal, $unit:literal;)+) => {
        /// A number that is published about a photo.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Quantity {
            $($(#[doc = $doc])+ $name,)+
        }

        impl Quantity {
            /// Every quantity.
            pub const ALL: &[Quantity] = &[$(Quantity::$name),+];

            /// Its name in the tables, with the unit at the end.
            pub fn key(self) -> &'static str {
                match self {
                    $(Quantity::$name => $key,)+
                }
            }

            /// What it is, in words.
            pub fn meaning(self) -> &'static str {
                match self {
                    $(Quantity::$name => concat!($($doc),+).trim_ascii().trim_end_matches('.'),)+
                }
            }

            /// Its unit as people write it; empty for a share or a count.
            pub fn unit(self) -> &'static str {
                match self {
                    $(Quantity::$name => $unit,)+
                }
            }
        }
    };
}

quantities! {
    /// Light beside the band itself, linear share of full scale.
    BackgroundBesideBand = "background_beside_band", "";
    /// Light where the model says none can be, linear share of full scale.
    BackgroundLevel = "background_level", "";
    /// Median level of a dark photo, linear share of full scale.
    BackgroundMedian = "background_median", "";
    /// FWHM of an unresolved line, nm.
    BandpassNm = "bandpass_nm", "nm";
    /// Blur (standard deviation of the equivalent Gaussian), px.
    BlurPx = "blur_px", "px";
    /// Share of the spectrum's lit pixels (over 5 % of its brightest) at the sensor's ceiling, the zero order left out.
    ClippedFraction = "clipped_fraction", "";
    /// Share of a line's width at half height that is at the ceiling, ≥ 0.
    ClippedLineShare = "clipped_line_share", "";
    /// Share of 400 to 700 nm outside the picture, 0…1.
    CroppedFraction = "cropped_fraction", "";
    /// Share of the light that dust on the slit takes, 0…1.
    DustShare = "dust_share", "";
    /// Number of dark streaks that dust draws along the dispersion.
    DustStreaks = "dust_streaks", "";
    /// How soft the slit's ends are besides the lens's blur and the pupil's smear, px (standard deviation).
    EndBlurPx = "end_blur_px", "px";
    /// How far the two ends of the slit's image bend to opposite sides, px.
    EndShearPx = "end_shear_px", "px";
    /// Exposure time, s.
    ExposureS = "exposure_s", "s";
    /// ISO speed.
    Iso = "iso", "";
    /// Where stray light is brightest, across the picture from the left (0) to the right (1).
    LeakX = "leak_x", "";
    /// Where stray light is brightest, down the picture from the top (0) to the bottom (1).
    LeakY = "leak_y", "";
    /// Share of the blur in the width of a line, of squares, 0…1.
    LineBlurShare = "line_blur_share", "";
    /// Width of a line by slit and blur together, px: their widths at half height added as squares, or as a lamp's lines are seen where that is clearly wider.
    LineWidthPx = "line_width_px", "px";
    /// Share of the slit's length in the lamp photo that is lit, 0…1.
    LitShare = "lit_share", "";
    /// Length of the smear by a movement during the exposure, px.
    MovedPx = "moved_px", "px";
    /// Mean sampling, nm per pixel.
    NmPerPx = "nm_per_px", "nm/px";
    /// Light of the other order over that of the measured one.
    OrderBalance = "order_balance", "";
    /// Highest level in the spectrum, linear share of full scale in the strongest channel.
    PeakLevel = "peak_level", "";
    /// Slit against the grooves, degrees, clockwise as seen.
    SkewDeg = "skew_deg", "°";
    /// Width of the slit's own image at half height, px.
    SlitImagePx = "slit_image_px", "px";
    /// Distance over which the flanks of the slit's image rise, px.
    SlitImageRisePx = "slit_image_rise_px", "px";
    /// Width of the slit whose image is one pixel wide, µm/px.
    SlitUmPerPx = "slit_um_per_px", "µm/px";
    /// By how much the slit is wider at one end than at the other, µm; positive where it is wider at the bottom, or where it
    /// lies, at the right.
    SlitWedgeUm = "slit_wedge_um", "µm";
    /// Width that the slit does not exceed, µm.
    SlitWidthAtMostUm = "slit_width_at_most_um", "µm";
    /// Width of the slit if nothing has moved, µm.
    SlitWidthIfStillUm = "slit_width_if_still_um", "µm";
    /// Width of the slit, µm.
    SlitWidthUm = "slit_width_um", "µm";
    /// Signal to noise of the brightest part of the spectrum.
    Snr = "snr", "";
    /// Grating against the sensor: angle from the nearer picture axis to the dispersion, degrees, clockwise as seen in the
    /// upright picture.
    TiltDeg = "tilt_deg", "°";
    /// Standard uncertainty of the scale at the middle of the spectrum, nm.
    WavelengthSigmaNm = "wavelength_sigma_nm", "nm";
    /// How far the phone has turned about the grooves since the lamp photo, degrees.
    YawDriftDeg = "yaw_drift_deg", "°";
}

/// A number as it is published: with its standard uncertainty, unless it is a bound, a count or helps to judge only.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The number, in the unit that its quantity states.
    pub value: f64,
    /// One standard uncertainty, ≥ 0.
    pub sigma: Option<f64>,
}

impl Reading {
    /// The number with its uncertainty, where it has one.
    pub fn estimate(self) -> Option<Estimate> {
        Some(Estimate::new(self.value, self.sigma?))
    }
}

/// The numbers of one photo; absent where they could not be measured.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "BTreeMap<String, f64>", into = "BTreeMap<String, f64>")]
pub struct Metrics(BTreeMap<Quantity, Reading>);

/// No side is named for a place nearer to the picture's middle than this, in halves of the picture.
const ASIDE: f64 = 0.3;

/// What stands behind a quantity's name for its uncertainty.
const SIGMA: &str = "_sigma";

impl From<BTreeMap<String, f64>> for Metrics {
    fn from(named: BTreeMap<String, f64>) -> Metrics {
        Metrics::from_named(&named)
    }
}

impl From<Metrics> for BTreeMap<String, f64> {
    fn from(metrics: Metrics) -> BTreeMap<String, f64> {
        metrics.named()
    }
}

impl Metrics {
    /// The number as published.
    pub fn reading(&self, quantity: Quantity) -> Option<Reading> {
        self.0.get(&quantity).copied()
    }

    /// The number alone.
    pub fn value(&self, quantity: Quantity) -> Option<f64> {
        Some(self.reading(quantity)?.value)
    }

    /// The number with its uncertainty; absent where it has none.
    pub fn estimate(&self, quantity: Quantity) -> Option<Estimate> {
        self.reading(quantity)?.estimate()
    }

    /// True where it was measured.
    pub fn has(&self, quantity: Quantity) -> bool {
        self.0.contains_key(&quantity)
    }

    /// Takes down a number without uncertainty; an absent one takes away what stood there.
    pub fn set(&mut self, quantity: Quantity, value: impl Into<Option<f64>>) {
        let reading = value.into().map(|value| Reading { value, sigma: None });
        self.put(quantity, reading);
    }

    /// Takes down an estimate; an absent one takes away what stood there.
    pub fn note(&mut self, quantity: Quantity, estimate: impl Into<Option<Estimate>>) {
        let reading = estimate.into().map(|Estimate { value, sigma }| Reading {
            value,
            sigma: Some(sigma),
        });
        self.put(quantity, reading);
    }

    /// Takes down a number as it is published; an absent one takes away what stood there.
    pub fn put(&mut self, quantity: Quantity, reading: Option<Reading>) {
        match reading {
            Some(reading) => self.0.insert(quantity, reading),
            None => self.0.remove(&quantity),
        };
    }

    /// The side of the picture, as seen, on which stray light is brightest: `left`, `top right` and so on. Absent where it is
    /// everywhere, in the middle, or in doubt.
    pub fn leak_side(&self) -> Option<String> {
        let named = |quantity, low: &'static str, high: &'static str| {
            let place = self.estimate(quantity)?;
            let aside = 2.0 * (place.value - 0.5);
            let is_told = aside.abs() > ASIDE.max(2.0 * place.sigma);
            Some(is_told.then_some(if place.value < 0.5 { low } else { high }))
        };
        let down = named(Quantity::LeakY, "top", "bottom")?;
        let across = named(Quantity::LeakX, "left", "right")?;
        let names: Vec<&str> = [down, across].into_iter().flatten().collect();
        (!names.is_empty()).then(|| names.join(" "))
    }

    /// Each number that was measured, by quantity.
    pub fn iter(&self) -> impl Iterator<Item = (Quantity, Reading)> + '_ {
        self.0
            .iter()
            .map(|(quantity, reading)| (*quantity, *reading))
    }

    /// The numbers by name, as in the tables: `x`, and `x_sigma` for its uncertainty.
    pub fn named(&self) -> BTreeMap<String, f64> {
        let mut named = BTreeMap::new();
        for (quantity, reading) in self.iter() {
            let key = quantity.key();
            named.insert(key.to_owned(), reading.value);
            named.extend(reading.sigma.map(|sigma| (format!("{key}{SIGMA}"), sigma)));
        }
        named
    }

    /// The numbers back from their names. Names that no quantity has, as another version may have written them, are passed over.
    pub fn from_named(named: &BTreeMap<String, f64>) -> Metrics {
        let read = |&quantity: &Quantity| {
            let value = *named.get(quantity.key())?;
            let sigma = named.get(&format!("{}{SIGMA}", quantity.key())).copied();
            Some((quantity, Reading { value, sigma }))
        };
        Metrics(Quantity::ALL.iter().filter_map(read).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn metrics_come_back_from_their_names() {
        let mut metrics = Metrics::default();
        metrics.note(Quantity::TiltDeg, Estimate::new(1.25, 0.5));
        metrics.set(Quantity::WavelengthSigmaNm, 0.1);
        metrics.set(Quantity::Snr, 5.0);
        metrics.set(Quantity::Snr, None);
        let named = metrics.named();
        let names: Vec<&str> = named.keys().map(String::as_str).collect();
        assert_eq!(names, ["tilt_deg", "tilt_deg_sigma", "wavelength_sigma_nm"]);
        assert_eq!(Metrics::from_named(&named), metrics);
        let odd = BTreeMap::from([("skew_deg_sigma".to_owned(), 1.0), ("x".to_owned(), 2.0)]);
        assert_eq!(Metrics::from_named(&odd), Metrics::default());
    }

    #[test]
    fn a_side_is_named_where_it_is_beyond_doubt() {
        let side = |x: Estimate, y: f64| {
            let mut metrics = Metrics::default();
            metrics.note(Quantity::LeakX, x);
            metrics.note(Quantity::LeakY, Estimate::new(y, 0.1));
            metrics.leak_side()
        };
        let at = |x| Estimate::new(x, 0.1);
        assert_eq!(side(at(0.2), 0.5).as_deref(), Some("left"));
        assert_eq!(side(at(0.55), 0.9).as_deref(), Some("bottom"));
        assert_eq!(side(at(0.8), 0.1).as_deref(), Some("top right"));
        assert_eq!(side(at(0.5), 0.6), None);
        assert_eq!(side(Estimate::new(0.2, 0.35), 0.5), None);
    }

    #[test]
    fn every_quantity_has_a_name_of_its_own() {
        let mut keys: Vec<&str> = Quantity::ALL.iter().map(|q| q.key()).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), Quantity::ALL.len());
    }
}
