//! Codes to linear light: the transfer curve that a file declares, as one table per photo.
//!
//! Only the curve is taken, never the primaries: the colours stay the camera's own, as a matrix would
//! mix the channels and hide which of them is clipped.

use std::sync::{Arc, OnceLock};

use super::bytes::be;
use crate::terms::srgb_light;

/// A transfer curve, from a code's share of full scale to linear light; both 0…1.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Curve {
    /// IEC 61966-2-1. Display P3 uses the same curve (SMPTE EG 432-1 primaries, sRGB transfer).
    Srgb,
    /// `light = code ^ exponent`.
    Power(f64),
    /// The five parametric forms of ICC.1:2022, 10.18: form, then g a b c d e f.
    Parametric(usize, [f64; 7]),
    /// Equally spaced values from code 0 to full scale, interpolated linearly (ICC.1:2022, 10.6).
    Sampled(Vec<f64>),
    /// Perceptual quantiser, Rec. ITU-R BT.2100-2 table 4; full scale is 10 000 cd/m².
    Pq,
    /// Hybrid log-gamma, Rec. ITU-R BT.2100-2 table 5; scene light.
    Hlg,
}

impl Curve {
    /// Linear light, 0…1, of a code's share of full scale, 0…1.
    fn light(&self, code: f64) -> f64 {
        match self {
            Curve::Srgb => srgb_light(code),
            Curve::Power(exponent) => code.powf(*exponent),
            Curve::Parametric(form, [g, a, b, c, d, e, f]) => {
                let power = |offset: f64| (a * code + b).max(0.0).powf(*g) + offset;
                match form {
                    0 => code.powf(*g),
                    1 if code >= -b / a => power(0.0),
                    1 => 0.0,
                    2 if code >= -b / a => power(*c),
                    2 => *c,
                    3 if code >= *d => power(0.0),
                    3 => c * code,
                    _ if code >= *d => power(*e),
                    _ => c * code + f,
                }
            }
            Curve::Sampled(values) => {
                let at = code * (values.len() - 1) as f64;
                let i = (at as usize).min(values.len() - 2);
                values[i] + (values[i + 1] - values[i]) * (at - i as f64)
            }
            Curve::Pq => {
                let (m1, m2) = (2610.0 / 16384.0, 2523.0 / 4096.0 * 128.0);
                let (c1, c2, c3) = (
                    3424.0 / 4096.0,
                    2413.0 / 4096.0 * 32.0,
                    2392.0 / 4096.0 * 32.0,
                );
                let e = code.powf(1.0 / m2);
                ((e - c1).max(0.0) / (c2 - c3 * e)).powf(1.0 / m1)
            }
            Curve::Hlg => {
                let (a, b, c) = (0.17883277, 0.28466892, 0.55991073);
                if code <= 0.5 {
                    code * code / 3.0
                } else {
                    (((code - c) / a).exp() + b) / 12.0
                }
            }
        }
    }

    /// The curve as a table of `n_codes` values of which code `full_scale` is white; codes beyond read 1.
    fn tabulate(&self, n_codes: usize, full_scale: u16) -> Arc<[f32]> {
        (0..n_codes)
            .map(|code| {
                let share = (code as f64 / f64::from(full_scale)).min(1.0);
                self.light(share).clamp(0.0, 1.0) as f32
            })
            .collect()
    }

    /// The table for samples of 8 bits (256 values).
    pub(super) fn table_8(&self) -> Arc<[f32]> {
        static SRGB: OnceLock<Arc<[f32]>> = OnceLock::new();
        match self {
            Curve::Srgb => SRGB.get_or_init(|| Curve::Srgb.tabulate(256, 255)).clone(),
            curve => curve.tabulate(256, 255),
        }
    }

    /// The table for samples kept in 16 bits (65536 values), of which `full_scale` is white.
    pub(super) fn table_16(&self, full_scale: u16) -> Arc<[f32]> {
        self.tabulate(65536, full_scale)
    }

    /// The red curve of an ICC profile (or the grey curve of a grey one); absent where the profile has none,
    /// as those made of look-up tables, or where its curve is no curve.
    ///
    /// A curve within 0.001 of sRGB's is taken as sRGB: profiles store it with 1024 points or with rounded
    /// parameters, and photos that mean the same must give the same numbers.
    pub(super) fn from_icc(profile: &[u8]) -> Option<Curve> {
        let tag = icc_tag(profile, b"rTRC").or_else(|| icc_tag(profile, b"kTRC"))?;
        let curve = read_trc(tag)?;
        curve.is_sound().then(|| curve.or_srgb())
    }

    /// The curve of a code point of Rec. ITU-T H.273 table 3.
    ///
    /// 1, 6, 14 and 15 are the video curve, which still pictures carry by habit while their pixels were made
    /// for sRGB and are shown as sRGB by viewers (common practice, no source).
    pub(super) fn from_code_point(transfer: u16) -> Curve {
        match transfer {
            4 => Curve::Power(2.2),
            5 => Curve::Power(2.8),
            8 => Curve::Power(1.0),
            16 => Curve::Pq,
            18 => Curve::Hlg,
            _ => Curve::Srgb,
        }
    }

    /// The curve of a PNG's `gAMA` chunk, which holds the encoding exponent × 100 000 (ISO/IEC 15948, 11.3.3.2).
    ///
    /// 45455 is how writers say sRGB without an `sRGB` chunk, and the standard gives it as sRGB's own value.
    pub(super) fn from_png_gamma(gamma: u32) -> Curve {
        match gamma {
            SRGB_FROM..=SRGB_TO => Curve::Srgb,
            GAMMA_FROM..=GAMMA_TO => Curve::Power(100_000.0 / f64::from(gamma)),
            _ => Curve::Srgb,
        }
    }

    /// True for a curve that rises from about 0 to about 1 ([`NEARLY`]) and never falls.
    fn is_sound(&self) -> bool {
        let steps: Vec<f64> = (0..=255)
            .map(|i| self.light(f64::from(i) / 255.0))
            .collect();
        steps.iter().all(|v| v.is_finite())
            && steps.windows(2).all(|w| w[1] >= w[0] - 1e-6)
            && steps[0].abs() < NEARLY
            && (steps[255] - 1.0).abs() < NEARLY
    }

    fn or_srgb(self) -> Curve {
        let near = (0..=255).all(|i| {
            let code = f64::from(i) / 255.0;
            (self.light(code) - Curve::Srgb.light(code)).abs() < AS_SRGB
        });
        if near { Curve::Srgb } else { self }
    }
}

/// A curve's ends lie this near to black and white, linear share of full scale (no source).
const NEARLY: f64 = 0.02;
/// A curve that is nowhere further from sRGB's than this, linear share of full scale, is taken for it: a quarter of an eight-bit step.
const AS_SRGB: f64 = 0.001;

/// A PNG's encoding exponent × 100 000 that says sRGB, as rounded by writers (no source)…
const SRGB_FROM: u32 = 44_500;
const SRGB_TO: u32 = 46_500;
/// …and beyond which it is nonsense: display exponents in use lie between 1 and 3.
const GAMMA_FROM: u32 = 20_000;
const GAMMA_TO: u32 = 200_000;

/// The element of a tag: ICC.1:2022, 7.3: a count at 128, then signature, offset and size of each.
fn icc_tag<'a>(profile: &'a [u8], wanted: &[u8; 4]) -> Option<&'a [u8]> {
    if profile.get(36..40)? != b"acsp" {
        return None;
    }
    let n_tags = be(profile, 128, 4)?.min(200);
    let entry = (0..n_tags)
        .map(|i| 132 + 12 * i)
        .find(|&at| profile.get(at..at + 4) == Some(wanted))?;
    let offset = be(profile, entry + 4, 4)?;
    let size = be(profile, entry + 8, 4)?;
    profile.get(offset..offset.checked_add(size)?)
}

/// `curv` and `para` elements: ICC.1:2022, 10.6 and 10.18.
fn read_trc(element: &[u8]) -> Option<Curve> {
    match element.get(..4)? {
        b"curv" => {
            let n = be(element, 8, 4)?;
            match n {
                0 => Some(Curve::Power(1.0)),
                1 => Some(Curve::Power(be(element, 12, 2)? as f64 / 256.0)),
                // The standard sets no bound; more than one value per 16-bit code says nothing more.
                2..=65536 => (0..n)
                    .map(|i| be(element, 12 + 2 * i, 2).map(|v| v as f64 / 65535.0))
                    .collect::<Option<Vec<f64>>>()
                    .map(Curve::Sampled),
                _ => None,
            }
        }
        b"para" => {
            let form = be(element, 8, 2)?;
            let n = *[1usize, 3, 4, 5, 7].get(form)?;
            let mut parameters = [0.0; 7];
            for (i, p) in parameters.iter_mut().enumerate().take(n) {
                // s15Fixed16Number, ICC.1:2022, 4.6.
                *p = f64::from(be(element, 12 + 4 * i, 4)? as u32 as i32) / 65536.0;
            }
            Some(Curve::Parametric(form, parameters))
        }
        _ => None,
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A profile with nothing in it but one red curve.
    pub(in super::super) fn profile(element: &[u8]) -> Vec<u8> {
        let mut out = vec![0; 128];
        out[36..40].copy_from_slice(b"acsp");
        out.extend(1u32.to_be_bytes());
        out.extend(b"rTRC");
        out.extend(144u32.to_be_bytes());
        out.extend((element.len() as u32).to_be_bytes());
        out.extend(element);
        out
    }

    fn curv(values: &[u16]) -> Vec<u8> {
        let mut out = b"curv\0\0\0\0".to_vec();
        out.extend((values.len() as u32).to_be_bytes());
        out.extend(values.iter().flat_map(|v| v.to_be_bytes()));
        out
    }

    fn para(form: u16, values: &[f64]) -> Vec<u8> {
        let mut out = b"para\0\0\0\0".to_vec();
        out.extend(form.to_be_bytes());
        out.extend([0, 0]);
        out.extend(
            values
                .iter()
                .flat_map(|v| ((v * 65536.0).round() as i32).to_be_bytes()),
        );
        out
    }

    #[test]
    fn codes_decode_to_the_light_that_iec_61966_2_1_prescribes() {
        // Computed from the standard's formula with colour-science 0.4 (`colour.models.eotf_sRGB`), to the
        // printed digits.
        let published = [
            (1, 0.000303527, 1e-9),
            (10, 0.00303527, 1e-8),
            (11, 0.00334654, 1e-8),
            (64, 0.0512695, 1e-7),
            (118, 0.1811642, 1e-7),
            (127, 0.2122308, 1e-7),
            (128, 0.2158605, 1e-7),
            (188, 0.5028865, 1e-7),
            (200, 0.5775804, 1e-7),
            (255, 1.0, 1e-12),
        ];
        for (code, light, half_digit) in published {
            let exact = Curve::Srgb.light(f64::from(code) / 255.0);
            assert!((exact - light).abs() < half_digit, "code {code}: {exact}");
            let table = Curve::Srgb.table_8()[code as usize];
            assert!(
                (f64::from(table) - light).abs() < 1e-6,
                "code {code}: {table}"
            );
        }
        // The same pairs, read the other way.
        for (light, code) in [
            (0.001, 0.012920),
            (0.01, 0.0998528),
            (0.05, 0.2478005),
            (0.18, 0.4613561),
            (0.5, 0.7353570),
            (0.8, 0.9063318),
        ] {
            assert!(
                (Curve::Srgb.light(code) - light).abs() < 2e-7,
                "light {light}"
            );
        }
        // At the break the standard's two branches differ by 2e-9.
        assert!((Curve::Srgb.light(0.04045) - 0.003_130_807_28).abs() < 1e-8);
    }

    #[test]
    fn the_parametric_form_of_srgb_is_taken_as_srgb() {
        let p3 = profile(&para(
            3,
            &[2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.04045],
        ));
        assert_eq!(Curve::from_icc(&p3), Some(Curve::Srgb));
        let sampled: Vec<u16> = (0..1024)
            .map(|i| (Curve::Srgb.light(f64::from(i) / 1023.0) * 65535.0).round() as u16)
            .collect();
        assert_eq!(
            Curve::from_icc(&profile(&curv(&sampled))),
            Some(Curve::Srgb)
        );
    }

    #[test]
    fn a_gamma_curve_is_honoured() {
        // Adobe RGB (1998), 4.3.4.2: exponent 2.19921875 = 563/256.
        let curve = Curve::from_icc(&profile(&curv(&[563]))).expect("a curve");
        assert_eq!(curve, Curve::Power(2.19921875));
        assert!((curve.table_8()[128] - 0.219_7).abs() < 1e-3);
        // A linear profile, as raw converters write.
        let linear = Curve::from_icc(&profile(&curv(&[]))).expect("a curve");
        assert!((linear.table_16(65535)[32768] - 0.5).abs() < 1e-4);
    }

    #[test]
    fn every_parametric_form_is_evaluated_as_the_standard_writes_it() {
        // ICC.1:2022 table 68, by hand at code 0.5 and below the break.
        let cases: [(usize, [f64; 7], f64, f64); 6] = [
            (0, [2.0, 0., 0., 0., 0., 0., 0.], 0.5, 0.25),
            (1, [2.0, 1.25, -0.25, 0., 0., 0., 0.], 0.6, 0.25),
            (1, [2.0, 1.25, -0.25, 0., 0., 0., 0.], 0.1, 0.0),
            (2, [2.0, 1.0, -0.1, 0.01, 0., 0., 0.], 0.05, 0.01),
            (3, [2.0, 1.0, 0.0, 0.2, 0.2, 0., 0.], 0.1, 0.02),
            (4, [2.0, 1.0, 0.0, 0.2, 0.2, 0.01, 0.005], 0.1, 0.025),
        ];
        for (form, parameters, code, light) in cases {
            let got = Curve::Parametric(form, parameters).light(code);
            assert!((got - light).abs() < 1e-12, "form {form} at {code}: {got}");
        }
    }

    #[test]
    fn a_profile_that_makes_no_sense_is_no_profile() {
        let falling = curv(&[65535, 0]);
        let dark = curv(&[0, 20000]);
        let endless = [b"curv\0\0\0\0".as_slice(), &u32::MAX.to_be_bytes()].concat();
        for element in [falling, dark, endless, b"mft2".to_vec(), vec![]] {
            assert_eq!(Curve::from_icc(&profile(&element)), None);
        }
        for n in 0..144 {
            assert_eq!(Curve::from_icc(&profile(&curv(&[563]))[..n]), None);
        }
        assert_eq!(Curve::from_icc(b"not a profile"), None);
    }

    #[test]
    fn high_dynamic_range_curves_match_the_recommendation() {
        // Reference white is 203 cd/m²: 58 % of PQ, and 75 % of HLG on a display of 1000 cd/m² with its system
        // gamma of 1.2 (Rep. ITU-R BT.2408; from memory).
        assert!((Curve::Pq.light(0.58) * 10_000.0 - 203.0).abs() < 3.0);
        assert!((Curve::Hlg.light(0.75).powf(1.2) * 1000.0 - 203.0).abs() < 1.0);
        assert!((Curve::Pq.light(1.0) - 1.0).abs() < 1e-9);
        assert!((Curve::Hlg.light(1.0) - 1.0).abs() < 1e-6);
    }

    #[test]
    fn png_gamma_chunks_are_read_as_their_standard_says() {
        assert_eq!(Curve::from_png_gamma(45455), Curve::Srgb);
        assert_eq!(Curve::from_png_gamma(100_000), Curve::Power(1.0));
        assert_eq!(Curve::from_png_gamma(0), Curve::Srgb);
    }

    #[test]
    fn codes_beyond_full_scale_read_as_full_scale() {
        let ten_bits = Curve::Srgb.table_16(1023);
        assert_eq!(ten_bits[1023], 1.0);
        assert_eq!(ten_bits[65535], 1.0);
        assert!((ten_bits[512] - Curve::Srgb.light(512.0 / 1023.0) as f32).abs() < 1e-6);
    }
}
