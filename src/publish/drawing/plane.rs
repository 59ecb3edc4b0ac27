//! Where values lie in a drawing: axes, and the plane between two of them.

use super::svg;
use crate::publish::numbers;
use crate::terms::Interval;

/// An axis: which value lies where.
#[derive(Clone, Copy, Debug)]
pub struct Axis {
    /// Values at its two ends.
    pub values: Interval,
    /// Where the ends lie in the drawing, that of the lower value first: y runs down.
    pub places: (f64, f64),
    /// Share of the axis by which values may lie beyond its ends; those farther off are drawn there.
    pub beyond: f64,
}

impl Axis {
    /// An axis from `low` to `high` between two places; what lies beyond it is drawn where it lies.
    pub const fn new(low: f64, high: f64, places: (f64, f64)) -> Axis {
        Axis {
            values: Interval::new(low, high),
            places,
            beyond: f64::INFINITY,
        }
    }

    /// The place of a value.
    pub fn at(&self, value: f64) -> f64 {
        let share = (value - self.values.low) / (self.values.high - self.values.low);
        let share = share.clamp(-self.beyond, 1.0 + self.beyond);
        self.places.0 + share * (self.places.1 - self.places.0)
    }

    /// About `wanted` round values with their places, as people read them.
    pub fn marks(&self, wanted: usize) -> Vec<(f64, String)> {
        let (marks, decimals) = numbers::ticks(self.values.low, self.values.high, wanted);
        let marks = marks.into_iter();
        marks
            .map(|mark| (self.at(mark), numbers::plain(mark, decimals)))
            .collect()
    }
}

/// A rectangle with its two axes.
#[derive(Clone, Copy, Debug)]
pub struct Plane {
    /// Along its foot.
    pub x: Axis,
    /// Along its side.
    pub y: Axis,
}

impl Plane {
    /// Path data of a curve through values.
    pub fn curve(&self, points: impl IntoIterator<Item = (f64, f64)>) -> String {
        let points = points.into_iter();
        svg::way(points.map(|(x, y)| (self.x.at(x), self.y.at(y))))
    }

    /// Path data of the stretch between two curves: x, and the values of the first and of the second.
    pub fn band(&self, points: impl IntoIterator<Item = (f64, f64, f64)>) -> String {
        let points = points.into_iter();
        let placed = points.map(|(x, a, b)| (self.x.at(x), self.y.at(a), self.y.at(b)));
        svg::band(&placed.collect::<Vec<_>>())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_puts_its_ends_in_their_places_and_holds_back_what_lies_far_beyond() {
        let mut axis = Axis::new(400.0, 700.0, (300.0, 100.0));
        assert_eq!((axis.at(400.0), axis.at(700.0)), (300.0, 100.0));
        assert_eq!(axis.at(1000.0), -100.0);
        axis.beyond = 0.1;
        assert!((axis.at(1000.0) - 80.0).abs() < 1e-9 && (axis.at(0.0) - 320.0).abs() < 1e-9);
        let marks = axis.marks(3);
        let texts: Vec<&str> = marks.iter().map(|m| m.1.as_str()).collect();
        assert_eq!(texts, ["400", "500", "600", "700"]);
    }
}
