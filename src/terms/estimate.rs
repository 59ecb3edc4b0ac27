//! Numbers with what is not known about them, places in a picture, and ranges.

use serde::{Deserialize, Serialize};

/// Two numbers with names that are written as a pair.
macro_rules! written_as_pair {
    ($name:ident { $first:ident, $second:ident }) => {
        impl From<(f64, f64)> for $name {
            fn from(($first, $second): (f64, f64)) -> $name {
                $name { $first, $second }
            }
        }

        impl From<$name> for (f64, f64) {
            fn from(pair: $name) -> (f64, f64) {
                (pair.$first, pair.$second)
            }
        }
    };
}
pub(super) use written_as_pair;

/// A value with its standard uncertainty, both in the unit that the field's name states.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best estimate.
    pub value: f64,
    /// One standard uncertainty, ≥ 0.
    pub sigma: f64,
}

impl Estimate {
    /// `value` ± `sigma`.
    pub const fn new(value: f64, sigma: f64) -> Estimate {
        Estimate { value, sigma }
    }

    /// The same quantity in another unit: both numbers times `factor`, which must not be negative.
    pub fn scaled(self, factor: f64) -> Estimate {
        Estimate::new(self.value * factor, self.sigma * factor)
    }
}

/// A place in the upright picture: x to the right, y down, pixel centres at whole numbers. Written as `[x, y]`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "(f64, f64)", into = "(f64, f64)")]
pub struct Point {
    /// To the right, px.
    pub x: f64,
    /// Down, px.
    pub y: f64,
}

impl Point {
    /// The place (x, y).
    pub const fn new(x: f64, y: f64) -> Point {
        Point { x, y }
    }

    /// Distance to another place, px.
    pub fn distance(self, other: Point) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    /// The place that lies `by` times this step farther on.
    pub fn along(self, (dx, dy): (f64, f64), by: f64) -> Point {
        Point::new(self.x + by * dx, self.y + by * dy)
    }
}

written_as_pair!(Point { x, y });

/// A range of one quantity, from `low` to `high`, low ≤ high. Written as `[low, high]`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "(f64, f64)", into = "(f64, f64)")]
pub struct Interval {
    /// Its lower end.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
}

impl Interval {
    /// From `low` to `high`.
    pub const fn new(low: f64, high: f64) -> Interval {
        Interval { low, high }
    }

    /// The range of some values; upside down where there are none.
    pub fn of(values: impl IntoIterator<Item = f64>) -> Interval {
        let nothing = Interval::new(f64::MAX, f64::MIN);
        values.into_iter().fold(nothing, |all, v| {
            Interval::new(all.low.min(v), all.high.max(v))
        })
    }

    /// Its length.
    pub fn width(self) -> f64 {
        self.high - self.low
    }

    /// The same with `by` more at either end.
    pub fn widened(self, by: f64) -> Interval {
        Interval::new(self.low - by, self.high + by)
    }

    /// The same range on the other side of zero.
    pub fn mirrored(self) -> Interval {
        Interval::new(-self.high, -self.low)
    }

    /// The same range on the side of zero that `sign` says.
    pub fn on_side(self, sign: f64) -> Interval {
        if sign > 0.0 { self } else { self.mirrored() }
    }

    /// Half-way between the ends.
    pub fn middle(self) -> f64 {
        0.5 * (self.low + self.high)
    }

    /// True from the lower end on and below the upper one.
    pub fn contains(self, value: f64) -> bool {
        (self.low..self.high).contains(&value)
    }

    /// The value at `share` of the way from the lower end (0) to the upper one (1).
    pub fn at(self, share: f64) -> f64 {
        self.low + (self.high - self.low) * share
    }
}

written_as_pair!(Interval { low, high });

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_and_intervals_are_written_as_pairs() {
        let json = serde_json::to_string(&(Point::new(1.5, -2.0), Interval::new(400.0, 700.0)));
        let json = json.expect("numbers");
        assert_eq!(json, "[[1.5,-2.0],[400.0,700.0]]");
        let back: (Point, Interval) = serde_json::from_str(&json).expect("pairs");
        assert_eq!(back.0.distance(Point::new(1.5, 2.0)), 4.0);
        assert_eq!(
            (back.1.width(), back.1.middle(), back.1.at(0.25)),
            (300.0, 550.0, 475.0)
        );
        assert!(back.1.contains(400.0) && !back.1.contains(700.0));
    }
}
