//! Where the overlay shows which part of the photo.

use super::style::{FOOTER, ROW, is_standing};
use crate::frame::Frame;
use crate::publish::drawing::canvas::{Area, Point};
use crate::publish::record::Record;
use crate::terms::{self, Drawing};

/// Width of the picture: on the smallest phone, where it is 330 px wide, its smallest letters are 12 px high.
pub const WIDTH: usize = 700;
/// Height of the bar with whose photo it is.
pub const HEADER: usize = 96;
/// Rows of names above an enlarged order.
pub const NAME_ROWS: usize = 4;

/// Height of a pane with a spectrum that stands.
const STANDING_HEIGHT: usize = 820;
/// Width of the view of the whole beside an enlarged order that stands.
const STANDING_WHOLE: usize = 270;
const STANDING_ENLARGED: usize = WIDTH - STANDING_WHOLE;
/// Most of the height that an enlarged order takes.
const MOST_ENLARGED: f64 = 240.0;
/// An order is shown apart where that enlarges it at least so much.
const WORTH_ENLARGING: f64 = 1.4;

/// A part of the photo on a part of the canvas.
#[derive(Clone, Copy, Debug)]
pub struct Pane {
    /// Where on the canvas.
    pub area: Area,
    /// Canvas pixels per photo pixel.
    pub scale: f64,
    /// Photo position of the area's top left corner.
    pub corner: terms::Point,
    /// Number of the band that this pane shows alone; absent for the view of the whole.
    pub only: Option<usize>,
}

impl Pane {
    /// Photo pixels -> canvas pixels.
    pub fn at(&self, place: terms::Point) -> Point {
        (
            (place.x - self.corner.x) * self.scale + self.area.x as f64,
            (place.y - self.corner.y) * self.scale + self.area.y as f64,
        )
    }

    /// [`Pane::at`] for many points; none at all where one of them is not finite.
    pub fn all(&self, points: &[terms::Point]) -> Vec<Point> {
        if points.iter().any(|p| !(p.x.is_finite() && p.y.is_finite())) {
            return Vec::new();
        }
        points.iter().map(|&p| self.at(p)).collect()
    }

    /// A pane at `area` that shows the photo's rectangle `cut` (left, top, right, bottom), with free margins (left, top,
    /// right, bottom) round it, as large as fits and in the middle.
    fn fit(area: Area, cut: [f64; 4], margins: [f64; 4], most: f64) -> Pane {
        let [l, t, r, b] = cut;
        let (w, h) = ((r - l).max(1.0), (b - t).max(1.0));
        let room = (
            area.width as f64 - margins[0] - margins[2],
            area.height as f64 - margins[1] - margins[3],
        );
        let scale = (room.0 / w).min(room.1 / h).clamp(0.005, most);
        let spare = (room.0 - w * scale, room.1 - h * scale);
        Pane {
            area,
            scale,
            corner: terms::Point::new(
                l - (margins[0] + spare.0 / 2.0) / scale,
                t - (margins[1] + spare.1 / 2.0) / scale,
            ),
            only: None,
        }
    }
}

/// Left, top, right and bottom of the finite points; absent where there are none.
pub fn bounds<'a, P: Copy + Into<Point> + 'a>(
    points: impl IntoIterator<Item = &'a P>,
) -> Option<[f64; 4]> {
    points
        .into_iter()
        .map(|p| (*p).into())
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .fold(None, |cut: Option<[f64; 4]>, (x, y)| {
            let [l, t, r, b] = cut.unwrap_or([x, y, x, y]);
            Some([l.min(x), t.min(y), r.max(x), b.max(y)])
        })
}

/// Which panes there are.
pub struct Layout {
    /// Width of the canvas.
    pub width: usize,
    /// Height of the canvas without the legend.
    pub height: usize,
    whole: Pane,
    /// The measured order by itself.
    pub enlarged: Option<Pane>,
}

impl Layout {
    /// The panes for a photo: the whole photo where nothing is to be drawn; one pane where that shows everything well;
    /// else the measured order enlarged, and the whole.
    pub fn new(record: &Record, drawing: &Drawing, frame: &Frame) -> Layout {
        let bands = drawing.bands.iter().flat_map(|(_, outline)| outline);
        let Some(cut) = bounds(drawing.slit.iter().chain(bands)) else {
            return Layout::of_photo(frame);
        };
        let main = main_band(record, drawing);
        let main_cut = main.and_then(|i| bounds(&drawing.bands[i].1));
        if is_standing(drawing) {
            // To the right the names of the lines, to the left of the whole those of the orders.
            let names = [28.0, 40.0, 250.0, 50.0];
            let alone = Area::new(0, HEADER, WIDTH, STANDING_HEIGHT);
            let single = Pane::fit(alone, cut, [60.0, 40.0, 260.0, 90.0], 2.0);
            let place = Area::new(STANDING_WHOLE, HEADER, STANDING_ENLARGED, STANDING_HEIGHT);
            let enlarged = main_cut
                .map(|cut| Pane::fit(place, cut, names, 3.0))
                .filter(|pane| pane.scale > WORTH_ENLARGING * single.scale);
            let whole = match enlarged {
                None => single,
                Some(_) => {
                    let place = Area::new(0, HEADER, STANDING_WHOLE, STANDING_HEIGHT);
                    Pane::fit(place, cut, [124.0, 40.0, 40.0, 90.0], 2.0)
                }
            };
            let enlarged = enlarged.map(|pane| Pane { only: main, ..pane });
            return Layout {
                width: WIDTH,
                height: HEADER + STANDING_HEIGHT,
                whole,
                enlarged,
            };
        }
        let (w, h) = ((cut[2] - cut[0]).max(1.0), (cut[3] - cut[1]).max(1.0));
        let side = 24.0;
        let names = NAME_ROWS as f64 * ROW + 26.0;
        let wide = WIDTH as f64 - 2.0 * side;
        let single_scale = (wide / w).min(400.0 / h).min(2.0);
        let enlarged_scale = main_cut.map(|[l, t, r, b]| {
            (wide / (r - l).max(1.0))
                .min(MOST_ENLARGED / (b - t).max(1.0))
                .min(3.0)
        });
        let Some((scale, cut_main)) = enlarged_scale
            .zip(main_cut)
            .filter(|(scale, _)| *scale > WORTH_ENLARGING * single_scale)
        else {
            let height = (h * single_scale + names + 84.0).round() as usize;
            let place = Area::new(0, HEADER, WIDTH, height);
            return Layout {
                width: WIDTH,
                height: HEADER + height,
                whole: Pane::fit(place, cut, [side, names, side, 84.0], 2.0),
                enlarged: None,
            };
        };
        let has_lines = drawing.lines.iter().any(|l| !l.name.is_empty());
        let above = if has_lines { names } else { 26.0 };
        let below = 40.0;
        let tall = ((cut_main[3] - cut_main[1]) * scale + above + below).round() as usize;
        let whole_height = (h * single_scale + 60.0 + 76.0).round() as usize;
        let place = Area::new(0, HEADER, WIDTH, tall);
        let enlarged = Pane::fit(place, cut_main, [side, above, side, below], 3.0);
        let place = Area::new(0, HEADER + tall, WIDTH, whole_height);
        Layout {
            width: WIDTH,
            height: HEADER + tall + whole_height,
            whole: Pane::fit(place, cut, [side, 60.0, side, 76.0], 2.0),
            enlarged: Some(Pane {
                only: main,
                ..enlarged
            }),
        }
    }

    fn of_photo(frame: &Frame) -> Layout {
        let (w, h) = (frame.width() as f64, frame.height() as f64);
        let scale = (WIDTH as f64 / w).min(460.0 / h).min(2.0);
        let height = ((h * scale).round() as usize).max(FOOTER);
        let place = Area::new(0, HEADER, WIDTH, height);
        Layout {
            width: WIDTH,
            height: HEADER + height,
            whole: Pane::fit(place, [0.0, 0.0, w, h], [0.0; 4], 2.0),
            enlarged: None,
        }
    }

    /// Every pane.
    pub fn panes(&self) -> impl Iterator<Item = &Pane> {
        self.enlarged.iter().chain([&self.whole])
    }
}

/// The band that was measured: a first order on the side that the record names, else the one with most lines found, else
/// the first of the list.
fn main_band(record: &Record, drawing: &Drawing) -> Option<usize> {
    let middle = bounds(&drawing.slit).map(|[l, t, r, b]| ((l + r) / 2.0, (t + b) / 2.0));
    let side = record.metrics.order_side.as_deref();
    let on_side = |outline: &[terms::Point]| {
        let ([l, t, r, b], Some(m)) = (bounds(outline)?, middle) else {
            return None;
        };
        let (dx, dy) = ((l + r) / 2.0 - m.0, (t + b) / 2.0 - m.1);
        Some(match side? {
            "left" => dx < 0.0,
            "right" => dx > 0.0,
            "above" => dy < 0.0,
            "below" => dy > 0.0,
            _ => false,
        })
    };
    let found = |order: i32| {
        drawing
            .lines
            .iter()
            .filter(|l| l.order == order && !l.found.is_empty())
            .count()
    };
    (0..drawing.bands.len()).max_by_key(|&i| {
        let (order, outline) = &drawing.bands[i];
        let is_measured = order.abs() == 1 && on_side(outline) == Some(true);
        (is_measured, found(*order), std::cmp::Reverse(i))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const AREA: Area = Area::new(10, 100, 400, 300);

    #[test]
    fn a_pane_holds_its_cut_with_its_margins() {
        let pane = Pane::fit(
            AREA,
            [1000.0, 2000.0, 3000.0, 2400.0],
            [40.0, 30.0, 60.0, 20.0],
            2.0,
        );
        let (l, t) = pane.at(terms::Point::new(1000.0, 2000.0));
        let (r, b) = pane.at(terms::Point::new(3000.0, 2400.0));
        assert!(
            (l - 50.0).abs() < 1e-9 && (r - 350.0).abs() < 1e-9,
            "{l} {r}"
        );
        // 2000 by 400 photo pixels in 300 by 250: the width decides, the height is spread evenly.
        assert!((b - t - 60.0).abs() < 1e-9);
        assert!((t - (130.0 + (250.0 - 60.0) / 2.0)).abs() < 1e-9);
    }

    fn square(x: f64, y: f64) -> Vec<terms::Point> {
        let corners = [(x, y), (x + 10.0, y), (x + 10.0, y + 10.0), (x, y + 10.0)];
        corners.map(terms::Point::from).to_vec()
    }

    #[test]
    fn the_measured_order_is_the_one_on_the_side_that_the_record_names() {
        let drawing = Drawing {
            slit: square(500.0, 500.0),
            bands: vec![
                (1, square(800.0, 500.0)),
                (-1, square(200.0, 500.0)),
                (-2, square(50.0, 500.0)),
            ],
            ..Drawing::default()
        };
        let record = |side: Option<&str>| crate::publish::files::tests::record_with(side);
        assert_eq!(main_band(&record(Some("left")), &drawing), Some(1));
        assert_eq!(main_band(&record(Some("right")), &drawing), Some(0));
        assert_eq!(
            main_band(&record(None), &drawing),
            Some(0),
            "else the first"
        );
        assert_eq!(main_band(&record(None), &Drawing::default()), None);
    }
}
