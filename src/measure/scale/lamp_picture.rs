//! A lamp photo as its scale is sought in it, and which lamps' patterns its lines make.

use std::sync::Arc;

use crate::measure::light::peaks::maxima;
use crate::measure::light::profile::Order;
use crate::measure::optics::adjust::Observation;
use crate::measure::scale::recognise::{Candidate, Search, Side, Trials, features, search};
use crate::measure::sight::Slit;
use crate::terms::{Interval, Lamp, Optics, sorted};

/// A lamp photo as its scale is sought in it.
pub struct LampPicture<'a> {
    /// The optics with which the orders were binned.
    pub base: Optics,
    /// The slit's image.
    pub slit: &'a Slit,
    /// The heights of the slit's ends.
    pub heights: Vec<Observation>,
    /// Both orders.
    pub orders: Arc<[Order; 2]>,
    /// What is known of the focal length.
    pub search: Search,
    /// The sides of the slit's image on which lines stand out.
    pub sides: Vec<Side>,
    /// Those lines' typical width, nm.
    pub typical_fwhm_nm: f64,
    /// What was found of lamps that were looked for before.
    pub found_before: &'a [Patterned],
}

/// The scales on which a picture's lines make a lamp's pattern, best first.
pub struct Patterned {
    /// The lamp.
    pub lamp: Lamp,
    /// The scales.
    pub candidates: Vec<Candidate>,
}

/// Why a lamp photo gives no scale, in words.
#[derive(Clone, Debug)]
pub enum Refusal {
    /// Too few lines: how many, and which.
    FewLines(String),
    /// The lines do not fit one scale, or more than one scale fits them.
    PoorFit(String),
}

/// What a maximum must stand out of the noise by, and of the highest light, to be a line of the pattern.
const LINE_SNR: f64 = 8.0;
const LINE_SHARE: f64 = 0.008;
/// So many lines make a side worth looking at.
const LEAST_LINES: usize = 2;
/// Two lines make many lamps' patterns: so many are needed to tell lamps apart.
const TELLING_LINES: usize = 3;
/// An order whose lines have less than this share of the other's height adds noise, not lines.
const FAINTEST_ORDER_SHARE: f64 = 0.02;
/// Of the maxima that stand out by this share of the most prominent one, this share is narrower than a line typically is.
const PLAIN_SHARE: f64 = 0.04;
const NARROW_SHARE: f64 = 0.125;
/// Lines are what is narrower than this, nm.
pub const WIDEST_LINE_NM: f64 = 12.0;
/// From this agreement on, and with so much lead over the next, another lamp is named as what it looks like.
const CLEAR_SCORE: f64 = 0.2;
const CLEAR_LEAD: f64 = 0.15;

/// Least agreement with a lamp's pattern, −1…1, that is believed where no other scale comes near. Other lamps gave −0.19 and
/// less, and lamps out of focus or through a slit of a millimetre −0.2 (drawn photos).
pub const LEAST_CLEAR_SCORE: f64 = -0.18;

/// The leader's doubt falls to a third with so much lead over the next lamp: right lamps lead by 0.1 to 1 (drawn photos).
pub const SURE_PER_LEAD: f64 = 0.1;
/// With less lead than this two lamps are as likely.
pub const LEAST_LEAD: f64 = 0.06;

/// How sure a lamp is whose agreement leads by `lead` over the next one's, 0.5…1.
pub fn sureness(lead: f64) -> f64 {
    1.0 - 0.5 * (-lead.max(0.0) / SURE_PER_LEAD).exp()
}

fn highest(side: &Side) -> f64 {
    side.maxima.iter().map(|m| m.height).fold(0.0f64, f64::max)
}

/// The sides of the slit's image on which lines stand out, and those lines' typical width, nm; 0 where none does.
fn sides(orders: &[Order]) -> (Vec<Side>, f64) {
    let mut sides: Vec<Side> = orders
        .iter()
        .map(|order| Side {
            sign: order.profile.sign,
            range_nm: Interval::new(
                order.profile.nm(0.0),
                order.profile.nm(order.profile.len() as f64),
            ),
            maxima: maxima(&order.profile, LINE_SNR, LINE_SHARE),
        })
        .filter(|side| side.maxima.len() >= LEAST_LINES)
        .collect();
    let strongest = sides.iter().map(highest).fold(0.0f64, f64::max);
    sides.retain(|side| highest(side) > FAINTEST_ORDER_SHARE * strongest);
    // Bumps of a noisy course are narrow, and bands are wide: of what stands out plainly the narrowest are lines.
    let maxima = || sides.iter().flat_map(|s| &s.maxima);
    let highest = maxima().map(|m| m.prominence).fold(0.0f64, f64::max);
    let plain = maxima().filter(|m| m.prominence > PLAIN_SHARE * highest);
    let widths = sorted(plain.map(|m| m.fwhm_nm));
    let typical = widths.get((NARROW_SHARE * widths.len() as f64) as usize);
    let typical = typical.copied().unwrap_or(0.0);
    (sides, typical)
}

impl LampPicture<'_> {
    /// A picture whose orders were binned with `base`.
    pub fn new(
        base: Optics,
        slit: &Slit,
        heights: Vec<Observation>,
        orders: Arc<[Order; 2]>,
        search: Search,
    ) -> LampPicture<'_> {
        let (sides, typical_fwhm_nm) = sides(&orders[..]);
        LampPicture {
            base,
            slit,
            heights,
            orders,
            search,
            sides,
            typical_fwhm_nm,
            found_before: &[],
        }
    }

    /// The scales that a lamp's pattern is looked for on.
    pub fn trials(&self) -> Trials {
        Trials::of(&self.base, &self.sides, &self.search)
    }

    /// The fewer that tell at first sight whether there may be such a pattern.
    pub fn few_trials(&self) -> Trials {
        Trials::few(&self.base, &self.sides, &self.search)
    }

    /// The scales on which the lines make a lamp's pattern, best first.
    pub fn candidates(&self, lamp: &Lamp) -> Vec<Candidate> {
        let before = self.found_before.iter().find(|found| found.lamp == *lamp);
        match before {
            Some(found) => found.candidates.clone(),
            None => self.candidates_among(&self.trials(), lamp),
        }
    }

    /// The scales that the lamp's pattern makes among these trials.
    pub fn candidates_among(&self, trials: &Trials, lamp: &Lamp) -> Vec<Candidate> {
        let features = features(lamp, self.typical_fwhm_nm);
        search(&self.base, &features, &self.sides, (&self.search, trials))
    }

    /// How well the lines agree with a lamp's pattern at first sight, −1…1, and how many features have a line in their places on the
    /// side where more have: no scale is adjusted.
    pub fn at_first_sight(&self, trials: &Trials, lamp: &Lamp) -> Option<(f64, usize)> {
        let features = features(lamp, self.typical_fwhm_nm);
        trials.best(&self.base, &features, &self.sides)
    }

    /// How well the lines agree with each lamp's pattern, −1…1, best first; empty where too few stand out.
    pub fn agreements<'l>(&self, lamps: impl Iterator<Item = &'l Lamp>) -> Vec<(&'l Lamp, f64)> {
        if self
            .sides
            .iter()
            .all(|side| side.maxima.len() < TELLING_LINES)
        {
            return Vec::new();
        }
        let trials = self.trials();
        let best = |lamp: &Lamp| {
            let before = self.found_before.iter().find(|found| found.lamp == *lamp);
            match before {
                Some(found) => Some(found.candidates.first()?.score),
                None => Some(self.candidates_among(&trials, lamp).first()?.score),
            }
        };
        let mut agreement: Vec<(&Lamp, f64)> =
            lamps.filter_map(|lamp| Some((lamp, best(lamp)?))).collect();
        agreement.sort_by(|a, b| b.1.total_cmp(&a.1));
        agreement
    }

    /// The other lamp whose pattern the lines make, where one does so clearly: for words only, no scale is made of it.
    pub fn looks_like<'l>(&self, lamps: impl Iterator<Item = &'l Lamp>) -> Option<(&'l Lamp, f64)> {
        if self.typical_fwhm_nm > WIDEST_LINE_NM {
            return None;
        }
        let agreement = self.agreements(lamps);
        let second = agreement.get(1).map_or(-1.0, |second| second.1);
        let best = *agreement.first()?;
        (best.1 > CLEAR_SCORE && best.1 > second + CLEAR_LEAD).then_some(best)
    }
}
