//! Stray light: how much of it there is where there can be none, and where in the picture it is brightest.

use crate::measure::sight::map::Map;
use crate::terms::{Estimate, Measurement, Point, Quantity, Reading};

/// The slit's image and the strip of its band, in cells of the map.
pub struct Bar {
    /// Middle of the slit's image.
    pub centre: Point,
    /// Half its length.
    pub half_length: f64,
    /// Direction of the dispersion, rad.
    pub across_rad: f64,
    /// How far its glare reaches.
    pub glare: f64,
}

/// Every so many cells of the map one is looked at, each with its neighbours.
const STEP: usize = 4;
/// The level is the one that a tenth of the cells exceed, its uncertainty half of what lies between those that a seventh and a twentieth
/// exceed (no source).
const BRIGHTEST: (usize, usize) = (9, 10);
const BELOW_IT: (usize, usize) = (6, 7);
const ABOVE_IT: (usize, usize) = (19, 20);
/// A place is one where light comes in if it is so many times as bright as the picture's dark half.
const BRIGHTER: f64 = 1.5;
/// The middle of a bright patch may lie behind the band or its glare: so much more than its spread is its place in doubt (drawn
/// leaks).
const HIDDEN: f64 = 1.5;

/// Light where there can be none.
pub struct Stray {
    /// Level that one cell in ten exceeds, linear share of full scale.
    pub level: f64,
    /// Its standard uncertainty: half of what lies between the levels that one cell in seven and one in twenty exceed.
    pub level_sigma: f64,
    /// Where those cells lie: across from the left (0) to the right (1), and down from the top (0) to the bottom (1), with half
    /// as much again as the spread of the cells as the uncertainty. Absent where they are hardly brighter than the rest.
    pub place: Option<(Estimate, Estimate)>,
}

/// The slit's band reaches so many half lengths of the slit's image to either side, and widens by this share of the distance.
const BAND_HALF: f64 = 1.7;
const BAND_WIDENS: f64 = 0.03;

impl Stray {
    /// Stray light in all the picture but the slit's image, its glare and its band. Refuses where nothing else is left.
    pub fn beside(map: &Map, bar: &Bar) -> Option<Stray> {
        let (dx, dy) = (bar.across_rad.cos(), bar.across_rad.sin());
        Stray::of(map, |x, y| {
            let (rx, ry) = (x as f64 - bar.centre.x, y as f64 - bar.centre.y);
            let (s, t) = (rx * dx + ry * dy, -rx * dy + ry * dx);
            t.abs() >= BAND_HALF * bar.half_length + BAND_WIDENS * s.abs()
                && rx.hypot(ry) >= bar.glare
        })
    }

    /// Of the cells for which `is_dark` holds without a leak.
    fn of(map: &Map, is_dark: impl Fn(usize, usize) -> bool) -> Option<Stray> {
        let mut cells: Vec<(f64, Point)> = Vec::new();
        for y in (2..map.height.saturating_sub(2)).step_by(STEP) {
            for x in (2..map.width.saturating_sub(2)).step_by(STEP) {
                if !is_dark(x, y) {
                    continue;
                }
                let around = [(0i64, 0i64), (2, 0), (-2, 0), (0, 2), (0, -2)];
                let at = |(i, j): (i64, i64)| {
                    map.light[(y as i64 + j) as usize * map.width + (x as i64 + i) as usize]
                };
                let level = around.map(|d| f64::from(at(d))).iter().sum::<f64>() / 5.0;
                let place = Point::new(x as f64 / map.width as f64, y as f64 / map.height as f64);
                cells.push((level, place));
            }
        }
        cells.sort_by(|a, b| a.0.total_cmp(&b.0));
        let part = |(of, all): (usize, usize)| cells.len() * of / all;
        let level = cells.get(part(BRIGHTEST))?.0;
        let middle = cells[cells.len() / 2].0;
        let level_sigma = 0.5 * (cells[part(ABOVE_IT)].0 - cells[part(BELOW_IT)].0);
        let brightest = &cells[part(BRIGHTEST)..];
        let mean = |of: &dyn Fn(&Point) -> f64| {
            brightest.iter().map(|c| of(&c.1)).sum::<f64>() / brightest.len() as f64
        };
        let along = |of: &dyn Fn(&Point) -> f64| {
            let value = mean(of);
            let variance = mean(&|p| (of(p) - value).powi(2));
            Estimate::new(value, HIDDEN * variance.sqrt())
        };
        let place = (level > BRIGHTER * middle).then(|| (along(&|p| p.x), along(&|p| p.y)));
        Some(Stray {
            level,
            level_sigma,
            place,
        })
    }

    /// Writes down where it is brightest.
    pub fn note_place(&self, m: &mut Measurement) {
        if let Some((x, y)) = self.place {
            m.metrics.note(Quantity::LeakX, x);
            m.metrics.note(Quantity::LeakY, y);
        }
    }
}

/// A dark photo, by its map: what the sensor and the tube give without a lamp.
pub fn dark(map: &Map, m: &mut Measurement) {
    let mut levels: Vec<f32> = map.light.clone();
    levels.sort_by(f32::total_cmp);
    if levels.is_empty() {
        return;
    }
    let at = |share: f64| f64::from(levels[((levels.len() - 1) as f64 * share) as usize]);
    let stray = Stray::of(map, |_, _| true);
    let level = Reading {
        value: at(0.9),
        sigma: stray.as_ref().map(|stray| stray.level_sigma),
    };
    m.metrics.put(Quantity::BackgroundLevel, Some(level));
    m.metrics.set(Quantity::PeakLevel, at(1.0));
    m.metrics.set(Quantity::BackgroundMedian, at(0.5));
    if let Some(stray) = stray {
        stray.note_place(m);
    }
    m.log.push(format!(
        "dark: median level {:.5}, one cell in ten above {:.5}, highest {:.5}",
        at(0.5),
        at(0.9),
        at(1.0)
    ));
}
