//! JPEGs for the tests, drawn and written in memory.

use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use rand::{RngExt, SeedableRng};

/// How a test picture is written.
#[derive(Clone, Debug)]
pub struct Form {
    pub width: u16,
    pub height: u16,
    pub quality: u8,
    pub sampling: (u8, u8),
    /// Number of scans.
    pub progressive: Option<u8>,
    /// MCUs between restart markers; 0 for none.
    pub restart: u16,
    pub optimised: bool,
    pub exif: Option<Vec<u8>>,
    pub icc: Option<Vec<u8>>,
    pub colour: ColorType,
}

impl Default for Form {
    fn default() -> Form {
        Form {
            width: 320,
            height: 240,
            quality: 92,
            sampling: (2, 2),
            progressive: None,
            restart: 0,
            optimised: false,
            exif: None,
            icc: None,
            colour: ColorType::Rgb,
        }
    }
}

/// Writes the given samples.
pub fn write(form: &Form, samples: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, form.quality);
    let (h, v) = form.sampling;
    encoder.set_sampling_factor(SamplingFactor::from_factors(h, v).expect("a factor"));
    if let Some(scans) = form.progressive {
        encoder.set_progressive_scans(scans);
    }
    encoder.set_restart_interval(form.restart);
    encoder.set_optimized_huffman_tables(form.optimised);
    if let Some(exif) = &form.exif {
        encoder.add_exif_metadata(exif).expect("a small block");
    }
    if let Some(icc) = &form.icc {
        encoder.add_icc_profile(icc).expect("a small profile");
    }
    encoder
        .encode(samples, form.width, form.height, form.colour)
        .expect("a picture in memory");
    out
}

/// A picture with detail and noise all over, as photos have.
pub fn noisy(form: &Form) -> Vec<u8> {
    let mut rng = rand_pcg::Pcg64::seed_from_u64(u64::from(form.width));
    let mut samples = Vec::new();
    for y in 0..form.height {
        for x in 0..form.width {
            for c in 0..3u16 {
                let wave = f64::from(x * (c + 1) + 2 * y) * 0.05;
                let noise: f64 = rng.random_range(-12.0..12.0);
                samples.push((128.0 + 90.0 * wave.sin() + noise) as u8);
            }
        }
    }
    write(form, &samples)
}

/// A picture of one shade, whose coded data can be zeros only.
pub fn flat(form: &Form) -> Vec<u8> {
    let n = 3 * usize::from(form.width) * usize::from(form.height);
    write(form, &vec![3; n])
}
