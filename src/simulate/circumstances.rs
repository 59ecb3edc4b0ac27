//! What disc, lens, lamp and hand are like in a planned shot: drawn by chance, with seeds of its own, so that the plan itself stays
//! what it is.

use super::bench::Phone;
use super::chance::Chance;
use super::effective::Effective;
use super::reality::{Grooves, Laid, Lens, Lit, Reality, Wall};
use super::shot::{Fault, Shot};

/// How far a phone is laid from its usual place, standard deviation and limit, mm (common practice, no source).
const LAID_MM: (f64, f64) = (0.4, 1.0);
/// Most skew of a photo that nothing is wrong with, degrees.
const SOUND_SKEW_DEG: f64 = 1.9;
/// Error of a phone's focus, standard deviation and limit, dioptres (common practice, no source).
const FOCUS_DPT: (f64, f64) = (0.2, 0.5);
/// Share of the lamps with paper before the slit, and of these, of those that light all of it (common practice, no source).
const WITH_PAPER: f64 = 0.85;
const WHOLE: f64 = 0.5;
/// Least share of the slit that is lit in a sound photo.
const LEAST_LIT: f64 = 0.35;
/// What a lamp must reach to each side so that it fills the pupil in every order, mm in the pupil's plane: the pupil's radius
/// and the way to the places where the orders pass the grating.
const PUPIL_REACH_MM: f64 = 6.0;
/// Focal lengths (mm) and aperture numbers of phones (common practice, no source); pupils of 1.7 to 4 mm of them are taken.
const FOCAL_MM: [f64; 6] = [3.8, 4.3, 4.7, 5.4, 5.9, 6.8];
const APERTURES: [f64; 5] = [1.6, 1.8, 2.0, 2.2, 2.4];
const PUPIL_MM: std::ops::RangeInclusive<f64> = 1.7..=4.0;

impl Shot {
    /// This shot through a piece of disc as it is, by a phone and a lamp as they are.
    ///
    /// Disc and tube come from the instrument's seed, the lens also from the phone's model, focus and the phone's place from
    /// the shot's own seed. How the lamp stands comes from `lamp`: photos that share it have it stand alike.
    pub fn as_it_is(mut self, lamp: u64) -> Shot {
        let mut bench = Chance::new(self.instrument.seed ^ 0xd15c);
        self.phone = real_phone(self.phone, &mut bench);
        let grooves = Grooves::Round {
            radius_mm: bench.between(24.0, 58.0),
            middle_side: if bench.coin() { 1 } else { -1 },
        };
        let lens = lens(&self.phone, &mut bench);
        let scale = self.phone.focal_px / 3000.0;
        let wall = Wall {
            share: 10f64.powf(bench.between(-3.1, -2.05)),
            aside_px: bench.sign() * scale * bench.between(60.0, 260.0),
            sigma_px: scale * bench.between(15.0, 50.0),
        };
        let slit_mm = self.instrument.slit_distance_mm + self.phone.pupil_mm;
        let mut chance = Chance::new(self.seed ^ 0x1a1d);
        let dioptres = 1000.0 / slit_mm + chance.normal(FOCUS_DPT);
        self.reality = Reality {
            grooves,
            focus_mm: Some(1000.0 / dioptres),
            laid: Laid::default(),
            lit: lit(&self, &mut Chance::new(lamp ^ 0x11f7)),
            lens,
            wall: Some(wall),
        };
        let is_askew = self.faults.iter().any(|f| matches!(f, Fault::Skewed(_)));
        loop {
            self.reality.laid = Laid {
                across_mm: chance.normal(LAID_MM),
                along_mm: chance.normal(LAID_MM),
            };
            if is_askew || Effective::of(&self).skew_deg().abs() < SOUND_SKEW_DEG {
                return self;
            }
        }
    }
}

/// The phone with a pupil that its header states, at the distance at which it lies behind this bench's disc.
fn real_phone(phone: Phone, bench: &mut Chance) -> Phone {
    let mut model = Chance::of_model(&phone.model);
    let (focal_mm, f_number) = loop {
        let (focal_mm, f_number) = (model.pick(&FOCAL_MM), model.pick(&APERTURES));
        if PUPIL_MM.contains(&(focal_mm / f_number)) {
            break (focal_mm, f_number);
        }
    };
    Phone {
        focal_mm,
        f_number,
        pupil_mm: bench.between(3.0, 8.0),
        ..phone
    }
}

/// The lens of this phone: mostly its model's, a little its own.
fn lens(phone: &Phone, bench: &mut Chance) -> Lens {
    let mut model = Chance::of_model(&format!("lens of {}", phone.model));
    let mut lateral = || model.between(-2.6e-4, 2.6e-4) + bench.between(-0.4e-4, 0.4e-4);
    let (lateral_red, lateral_blue) = (lateral(), lateral());
    Lens {
        lateral_red,
        lateral_blue,
        ghost_share: 10f64.powf(model.between(-3.1, -2.4)),
        ghost_px: phone.focal_px / 3000.0 * model.between(25.0, 70.0),
        // A third of the phones.
        local_tone: if model.between(0.0, 3.0) < 1.0 {
            model.between(0.04, 0.12)
        } else {
            0.0
        },
    }
}

/// How the lamp stands before the slit.
fn lit(shot: &Shot, chance: &mut Chance) -> Lit {
    let has_paper = chance.between(0.0, 1.0) < WITH_PAPER;
    let share = chance.between(LEAST_LIT, 1.0);
    let middle = chance.between(share - 1.0, 1.0 - share);
    let part = [middle - share, middle + share];
    if has_paper {
        if chance.between(0.0, 1.0) < WHOLE {
            return Lit::Whole;
        }
        return Lit::Paper {
            from: part[0],
            to: part[1],
            edge_mm: chance.between(0.6, 2.5),
        };
    }
    let behind_mm = 10f64.powf(chance.between(2.0, 3.0));
    let lever = behind_mm / shot.instrument.slit_distance_mm;
    let half_mm = 0.5 * shot.instrument.slit_length_mm;
    let edge_mm = chance.between(0.5, 2.0);
    let aside_mm = (lever * PUPIL_REACH_MM + edge_mm) * chance.between(1.0, 2.0);
    Lit::Bare {
        behind_mm,
        along_mm: part.map(|end| end * half_mm * (1.0 + lever)),
        across_mm: [-aside_mm, aside_mm],
        edge_mm,
    }
}

#[cfg(test)]
mod tests {
    use super::super::class::{Discs, rehearsal};
    use super::*;

    #[test]
    fn a_bench_keeps_its_disc_and_lays_its_phone_down_anew() {
        let class = rehearsal(3, 4, 40, Discs::Real);
        let mut of_bench: Vec<&Shot> = class
            .iter()
            .filter(|p| p.path.starts_with("dunlin/"))
            .map(|p| &p.shot)
            .collect();
        let first = of_bench.remove(0);
        for shot in of_bench {
            assert_eq!(shot.reality.grooves, first.reality.grooves);
            assert_eq!(shot.reality.lens, first.reality.lens);
            assert_eq!(shot.reality.wall, first.reality.wall);
            assert_eq!(shot.phone, first.phone);
            assert_ne!(shot.reality.laid, first.reality.laid);
            assert_ne!(shot.reality.focus_mm, first.reality.focus_mm);
        }
    }

    #[test]
    fn what_is_drawn_by_chance_keeps_within_what_discs_and_phones_have() {
        for seed in 0..12 {
            for planned in rehearsal(seed, 6, 60, Discs::Real) {
                let shot = &planned.shot;
                let pupil_mm = shot.phone.pupil_diameter_mm();
                assert!((1.7..=4.0).contains(&pupil_mm), "{pupil_mm}");
                assert!((3.0..=8.0).contains(&shot.phone.pupil_mm));
                let focus_mm = shot.reality.focus_mm.expect("a pupil");
                assert!((250.0..400.0).contains(&focus_mm), "{focus_mm}");
                let half_mm = 0.5 * shot.instrument.slit_length_mm;
                let [from, to] = shot
                    .reality
                    .lit
                    .part(half_mm, shot.instrument.slit_distance_mm);
                assert!(to - from > 2.0 * LEAST_LIT - 1e-9, "{from} to {to}");
                if shot.faults.is_empty() {
                    let skew_deg = Effective::of(shot).skew_deg();
                    assert!(skew_deg.abs() < SOUND_SKEW_DEG, "{skew_deg}");
                }
            }
        }
    }

    #[test]
    fn only_the_discs_differ_between_a_real_class_and_an_ideal_one() {
        let (real, ideal) = (
            rehearsal(5, 4, 60, Discs::Real),
            rehearsal(5, 4, 60, Discs::Ideal),
        );
        for (real, ideal) in real.iter().zip(&ideal) {
            assert_eq!(ideal.shot.reality, Reality::ideal());
            assert_eq!(real.path, ideal.path);
            assert_eq!(real.shot.seed, ideal.shot.seed);
            assert_eq!(real.shot.pose, ideal.shot.pose);
            assert_eq!(real.shot.instrument, ideal.shot.instrument);
            assert_eq!(real.shot.faults, ideal.shot.faults);
        }
    }

    #[test]
    fn between_a_blank_and_its_solutions_nobody_touches_the_lamp() {
        let class = rehearsal(11, 2, 40, Discs::Real);
        let lit: Vec<Lit> = class
            .iter()
            .filter(|p| p.path.contains("/blank") || p.path.contains("mg"))
            .map(|p| p.shot.reality.lit)
            .collect();
        assert!(
            lit.len() >= 4 && lit.iter().all(|l| *l == lit[0]),
            "{lit:?}"
        );
    }
}
