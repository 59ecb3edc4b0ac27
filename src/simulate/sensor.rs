//! What falls on the sensor, row by row, and the noisy mosaic that the camera's processing starts from.

use super::effective::Effective;
use super::metering::Exposed;
use super::noise::Noise;
use super::shot::Scene;
use super::{band, card, scene, veil};

/// The sensor's values after the black level is taken off: one colour per pixel (red, green / green, blue), 1 = full.
///
/// Without the mosaic stage three planes follow one another.
pub(super) fn mosaic(effective: &Effective, exposed: &Exposed) -> Vec<f32> {
    let (width, height) = (effective.shot.phone.width, effective.shot.phone.height);
    let scenery = Scenery::new(effective, exposed.gain);
    let planes = if effective.shot.nuisance.mosaic { 1 } else { 3 };
    let mut out = vec![0.0f32; planes * width * height];
    let mut noise = Noise::new(effective, exposed.iso);
    let mut row = vec![[0.0f32; 3]; width];
    for y in 0..height {
        scenery.row(y, &mut row);
        if effective.shot.nuisance.mosaic {
            let target = &mut out[y * width..(y + 1) * width];
            let (even, odd) = if y % 2 == 0 { (0, 1) } else { (1, 2) };
            for (pair, pixels) in target.chunks_exact_mut(2).zip(row.chunks_exact(2)) {
                pair[0] = pixels[0][even];
                pair[1] = pixels[1][odd];
            }
            noise.apply(target);
        } else {
            for c in 0..3 {
                let start = (c * height + y) * width;
                let target = &mut out[start..start + width];
                for (t, pixel) in target.iter_mut().zip(&row) {
                    *t = pixel[c];
                }
                noise.apply(target);
            }
        }
    }
    out
}

/// Everything in the picture, ready to be read row by row.
pub(super) struct Scenery<'a> {
    effective: &'a Effective,
    band: Option<band::Band>,
    veil: Option<veil::Veil>,
    card: Option<card::Print<'a>>,
}

impl Scenery<'_> {
    /// `gain` turns the light's flux into shares of full scale.
    pub(super) fn new(effective: &Effective, gain: f64) -> Scenery<'_> {
        let lit = effective
            .has_spectrum()
            .then(|| effective.shot.light.emission());
        let is_slit = effective.shot.scene == Scene::Slit;
        let card = match &effective.shot.scene {
            Scene::Card(card) => {
                let shot = &effective.shot;
                Some(card::Print::new(card, &shot.phone, shot.seed))
            }
            _ => None,
        };
        Scenery {
            effective,
            card,
            band: lit
                .as_ref()
                .map(|emission| band::Band::new(effective, emission, gain)),
            veil: is_slit.then(|| veil::Veil::new(effective, lit.as_ref().map(|e| (e, gain)))),
        }
    }

    /// Writes row `y`: red, green and blue per pixel before white balance; 1 fills a pixel.
    pub(super) fn row(&self, y: usize, row: &mut [[f32; 3]]) {
        if let Some(card) = &self.card {
            return card.row(y, self.effective.shot.phone.height, row);
        }
        match self.effective.shot.scene {
            Scene::Room => scene::room(self.effective, y, row),
            Scene::Pocket => scene::pocket(self.effective, y, row),
            Scene::Slit | Scene::Card(_) | Scene::Note(_) => {
                row.fill([0.0; 3]);
                if let Some(veil) = &self.veil {
                    veil.add(y, row);
                }
                if let Some(band) = &self.band {
                    band.add(y, row);
                }
            }
        }
    }
}
