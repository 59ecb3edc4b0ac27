//! Places in a table as whole numbers: where millions of pixels each look one up a step further on, turning a fraction into an index
//! costs more than all that is done with what is found.

use std::ops::Add;

/// A place among the entries of a table, in 2⁻³² of the distance of two.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fixed(i64);

impl Fixed {
    pub(super) const ZERO: Fixed = Fixed(0);

    const BITS: u32 = 32;

    /// From a fraction, ± 10⁶ at most.
    #[inline]
    pub(super) fn of(place: f64) -> Fixed {
        Fixed((place * (1u64 << Fixed::BITS) as f64) as i64)
    }

    /// The place that is so many steps further on.
    #[inline(always)]
    pub(super) fn after(self, steps: i64, step: Fixed) -> Fixed {
        Fixed(self.0 + steps * step.0)
    }

    /// The entry before this place in a table of `n`, 2 at least, and the part of the way to the next: the first or the last two, if
    /// it lies beyond them.
    #[inline(always)]
    pub(super) fn among(self, n: usize) -> (usize, f64) {
        let last = ((n as i64 - 1) << Fixed::BITS) - 1;
        let place = self.0.clamp(0, last);
        let part = place & ((1 << Fixed::BITS) - 1);
        (
            (place >> Fixed::BITS) as usize,
            part as f64 / (1u64 << Fixed::BITS) as f64,
        )
    }
}

impl Add for Fixed {
    type Output = Fixed;

    #[inline(always)]
    fn add(self, by: Fixed) -> Fixed {
        Fixed(self.0 + by.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_found_between_its_entries_and_beyond_them_at_the_ends() {
        let step = Fixed::of(0.25);
        for (steps, expected) in [
            (0, (3, 0.5)),
            (3, (4, 0.25)),
            (-6, (2, 0.0)),
            (-99, (0, 0.0)),
        ] {
            assert_eq!(Fixed::of(3.5).after(steps, step).among(10), expected);
        }
        let (i, part) = (Fixed::of(30.0) + step).among(10);
        assert!(i == 8 && (part - 1.0).abs() < 1e-9, "{i} {part}");
    }
}
