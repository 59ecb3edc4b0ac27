//! Numbers for every width of the slit, lens and disc that are tried, and what lies between those.

use crate::measure::portrait::render::{DISC_PX, LENS_PX};

/// A number for each width of the slit, lens and disc.
pub struct Table {
    /// In the order of discs, of each all widths, of each all lenses: what is summed up over widths and lenses lies together.
    numbers: Vec<f64>,
    widths: usize,
}

impl Table {
    /// A table with the same number for all.
    pub fn of(number: f64, widths: usize) -> Table {
        Table {
            numbers: vec![number; DISC_PX.len() * widths * LENS_PX.len()],
            widths,
        }
    }

    /// All numbers of the table.
    pub fn numbers(&self) -> impl Iterator<Item = f64> {
        self.numbers.iter().copied()
    }

    /// The numbers of a disc, in the order of widths, of each all lenses.
    fn disc(&self, disc: usize) -> &[f64] {
        let n = self.widths * LENS_PX.len();
        &self.numbers[disc * n..(disc + 1) * n]
    }

    /// For a width and a lens by their place among a disc's, and between two discs.
    pub fn at(&self, place: usize, disc: Between) -> f64 {
        let (a, b) = (
            self.disc(disc.first)[place],
            self.disc(disc.first + 1)[place],
        );
        a + (b - a) * disc.share
    }

    /// Adds the numbers between two discs to those of `sums`, in the same order.
    pub fn add_to(&self, sums: &mut [f64], disc: Between) {
        let pairs = self.disc(disc.first).iter().zip(self.disc(disc.first + 1));
        for (sum, (a, b)) in sums.iter_mut().zip(pairs) {
            *sum += a + (b - a) * disc.share;
        }
    }

    /// Sets the number for a width, a lens and a disc.
    pub fn set(&mut self, (width, lens, disc): (usize, usize, usize), number: f64) {
        self.numbers[(disc * self.widths + width) * LENS_PX.len() + lens] = number;
    }

    /// Another number for each of these.
    pub fn map(&self, number: impl Fn(f64) -> f64) -> Table {
        // Most are what stands before them: what is out of the question all alike.
        let mut last = (f64::NAN, f64::NAN);
        let other = |v: &f64| {
            if *v != last.0 {
                last = (*v, number(*v));
            }
            last.1
        };
        Table {
            numbers: self.numbers.iter().map(other).collect(),
            widths: self.widths,
        }
    }

    /// Gives a width what the one before it has.
    pub fn repeat(&mut self, width: usize) {
        let lenses = LENS_PX.len();
        for disc in 0..DISC_PX.len() {
            let at = (disc * self.widths + width) * lenses;
            self.numbers.copy_within(at - lenses..at, at);
        }
    }

    /// With other lenses in place of those that are listed.
    pub fn through(&self, lenses: &[Between; LENS_PX.len()]) -> Table {
        let mut mixed = Vec::with_capacity(self.numbers.len());
        for listed in self.numbers.chunks_exact(LENS_PX.len()) {
            mixed.extend(lenses.iter().map(|lens| {
                let (a, b) = (listed[lens.first], listed[lens.first + 1]);
                a + (b - a) * lens.share
            }));
        }
        Table {
            numbers: mixed,
            widths: self.widths,
        }
    }
}

/// A place between two values of a list.
#[derive(Clone, Copy)]
pub struct Between {
    /// Index of the first of the two.
    pub first: usize,
    /// How far from the first to the next, 0…1.
    pub share: f64,
}

impl Between {
    /// Where a disc's diameter, px, lies among those that are drawn.
    pub fn discs(disc_px: f64) -> Between {
        Between::of(&DISC_PX, disc_px)
    }

    /// Where `value` lies in the list, or the end of it that is nearest.
    pub fn of(list: &[f64], value: f64) -> Between {
        let first = list
            .partition_point(|v| *v <= value)
            .clamp(1, list.len() - 1)
            - 1;
        let share = (value - list[first]) / (list[first + 1] - list[first]);
        Between {
            first,
            share: share.clamp(0.0, 1.0),
        }
    }
}
