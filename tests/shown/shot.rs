//! Photos of the invented class: drawn by a plain rule of three, with the geometry that goes with them.

use std::sync::Arc;

use slitwatch::frame::{Frame, Orientation, Samples};
use slitwatch::terms::{Drawing, DrawnLine, Point};

use crate::sample::{MERCURY, Noise, bump, light as light_of};

/// sRGB decoding, IEC 61966-2-1.
fn srgb_table() -> Arc<[f32]> {
    (0..256)
        .map(|i| {
            let v = i as f32 / 255.0;
            if v <= 0.04045 {
                v / 12.92
            } else {
                ((v + 0.055) / 1.055).powf(2.4)
            }
        })
        .collect()
}

/// How a drawn photo differs from a plain one.
#[derive(Clone, Copy)]
pub struct Shot {
    pub lamp: &'static str,
    pub level: f64,
    pub tilt_deg: f64,
    pub skew_deg: f64,
    /// Exif orientation of the stored pixels.
    pub orientation: u16,
    pub width: usize,
    pub height: usize,
}

impl Shot {
    pub const PLAIN: Shot = Shot {
        lamp: "lamp",
        level: 0.5,
        tilt_deg: 0.6,
        skew_deg: 0.8,
        orientation: 1,
        width: 4000,
        height: 3000,
    };

    /// Half the length of the slit's image, px.
    fn half_slit(&self) -> f64 {
        0.03 * self.width as f64
    }

    /// Where a wavelength of an order lies, `along` the slit from −1 to 1, in stored pixels.
    fn at(&self, order: f64, nm: f64, along: f64) -> Point {
        let v = along * self.half_slit() * (1.0 + 0.1 * order.abs() * nm / 700.0);
        let u = order * nm * self.width as f64 / 1950.0 + v * self.skew_deg.to_radians().tan();
        let (s, c) = self.tilt_deg.to_radians().sin_cos();
        let (x0, y0) = (
            self.width as f64 / 2.0 + 60.0,
            self.height as f64 / 2.0 - 80.0,
        );
        Point::new(x0 + u * c - v * s, y0 + u * s + v * c)
    }

    /// The photo: a slit's image far over the ceiling and two orders, with noise.
    pub fn frame(&self) -> Frame {
        let (w, h) = (self.width, self.height);
        let mut light = vec![[0.0008f32; 3]; w * h];
        let mut spot = |Point { x, y }: Point, rgb: [f64; 3]| {
            if x >= 0.0 && y >= 0.0 && (x as usize) < w && (y as usize) < h {
                let at = &mut light[y as usize * w + x as usize];
                for (a, b) in at.iter_mut().zip(rgb) {
                    *a = a.max(b as f32);
                }
            }
        };
        let rows = 2 * self.half_slit() as i32 + 30;
        for j in -rows..=rows {
            let along = f64::from(j) / f64::from(rows);
            for i in -40..=40 {
                let middle = self.at(0.0, 0.0, along);
                spot(
                    Point::new(middle.x + f64::from(i) / 8.0, middle.y),
                    [3.0; 3],
                );
            }
            for (order, strength) in [(1.0, 1.0), (-1.0, 0.35)] {
                let steps = (self.width as f64 * 0.25) as i32;
                for i in 0..steps {
                    let nm = 390.0 + 330.0 * f64::from(i) / f64::from(steps);
                    let level = strength * self.level * light_of(self.lamp, nm);
                    let rgb = [
                        bump(nm, 615.0, 110.0) + 0.25 * bump(nm, 430.0, 30.0),
                        bump(nm, 540.0, 110.0),
                        bump(nm, 455.0, 90.0),
                    ];
                    spot(self.at(order, nm, along), rgb.map(|s| 1.8 * level * s));
                }
            }
        }
        let mut noise = Noise(7);
        let encode = |v: f64| {
            let v = v.clamp(0.0, 1.0);
            let s = if v <= 0.003_130_8 {
                12.92 * v
            } else {
                1.055 * v.powf(1.0 / 2.4) - 0.055
            };
            (255.0 * s).round() as u8
        };
        let quick: Vec<u8> = (0..=8192).map(|i| encode(f64::from(i) / 8192.0)).collect();
        let bytes = light
            .iter()
            .flatten()
            .map(|&v| {
                let n = 0.0006 + 0.012 * f64::from(v.min(1.0)).sqrt();
                let v = f64::from(v) + n * noise.next();
                quick[(v.clamp(0.0, 1.0) * 8192.0) as usize]
            })
            .collect();
        let o = Orientation::from_exif(self.orientation);
        Frame::new(Samples::U8(bytes), w, h, o, srgb_table(), 254)
    }

    /// Stored pixel -> upright pixel, for the orientations used here.
    fn upright(&self, stored: Point) -> Point {
        match self.orientation {
            6 => Point::new(self.height as f64 - stored.y, stored.x),
            _ => stored,
        }
    }

    /// What would be found on it.
    pub fn drawing(&self) -> Drawing {
        let at = |order: f64, nm: f64, along: f64| self.upright(self.at(order, nm, along));
        let ends = [(-1.0, -6.0), (1.0, -6.0), (1.0, 6.0), (-1.0, 6.0)];
        let band = |order: f64| {
            let mut outline: Vec<Point> = (0..12)
                .map(|i| at(order, 390.0 + 30.0 * f64::from(i), -1.05))
                .collect();
            outline.extend(
                (0..12)
                    .rev()
                    .map(|i| at(order, 390.0 + 30.0 * f64::from(i), 1.05)),
            );
            outline
        };
        let mut lines = Vec::new();
        for order in [1.0, -1.0] {
            for (i, nm) in MERCURY.iter().enumerate() {
                let along = |shift: f64| {
                    (-10..=10)
                        .map(|k| at(order, nm + shift, f64::from(k) / 10.0))
                        .collect::<Vec<_>>()
                };
                lines.push(DrawnLine {
                    name: format!("Hg {nm:.2}"),
                    order: order as i32,
                    expected: along(0.0),
                    found: if i == 2 { Vec::new() } else { along(0.3) },
                    clipped: false,
                });
            }
        }
        Drawing {
            slit: ends
                .iter()
                .map(|&(along, x)| {
                    let middle = self.at(0.0, 0.0, along);
                    self.upright(Point::new(middle.x + x, middle.y))
                })
                .collect(),
            bands: vec![(1, band(1.0)), (-1, band(-1.0))],
            lines: if self.lamp == "lamp" {
                lines
            } else {
                Vec::new()
            },
            streaks: vec![
                (0..9)
                    .map(|k| at(1.0, 400.0 + 37.0 * f64::from(k), 0.4))
                    .collect(),
            ],
            dispersion_axis: Some([at(-1.0, 500.0, 0.0), at(1.0, 500.0, 0.0)]),
            slit_axis: Some([at(0.0, 0.0, -1.0), at(0.0, 0.0, 1.0)]),
        }
    }
}
