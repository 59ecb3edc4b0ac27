//! The rehearsal's class: as many benches and photos as asked for, each bench with a phone and an instrument of its own,
//! good photos of many lamps and the faults that classes make.

use jiff::ToSpan;
use jiff::civil::date;
use rand::seq::{IndexedRandom, SliceRandom};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::bench::{Instrument, Phone, Pose};
use super::light::{Dye, Light, Source};
use super::reality::Reality;
use super::shot::{Exposure, Fault, Nuisance, Planned, Scene, Shot};

/// Shore birds, in the order in which the benches get them.
const NAMES: &str = "heron dunlin avocet turnstone curlew knot sanderling redshank plover whimbrel \
     godwit egret ruff stint lapwing snipe oystercatcher greenshank phalarope stilt \
     dotterel tern gull bittern";

/// So many photos a bench must take on average before it has the time for a bracket and an unknown with its series.
const WHOLE_SERIES: usize = 14;

/// Through what discs a class looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Discs {
    /// Pieces of discs as they are, with phones and lamps as they are.
    #[default]
    Real,
    /// Straight grooves, pupils that are points, slits lit from end to end: what a fault of the measurement is told from
    /// one of the instruments by.
    Ideal,
}

/// What is still to be photographed of a series; the last comes first.
enum Step {
    /// The lamp alone at this many times the usual exposure.
    Bracket(f64),
    /// The lamp alone.
    Blank,
    /// A solution under its file's name.
    Solution(String, Dye, f64),
}

/// A class of `n_benches` benches that take `n_photos` photos in all, the same for the same `seed`; with other `discs` the
/// same class but for these.
///
/// Each bench begins with a good photo of a fluorescent lamp named `lamp-01.jpg`; about a quarter of the other photos
/// carry a fault, all kinds in turn. Photos are sorted by the time at which they were taken. With fewer photos than
/// benches, the last benches take none.
pub fn rehearsal(seed: u64, n_benches: usize, n_photos: usize, discs: Discs) -> Vec<Planned> {
    let mut chance = Pcg64Mcg::seed_from_u64(seed ^ 0xc1a55);
    let mut faults = FaultDeck::new(&mut chance);
    let mut benches: Vec<Bench> = (0..n_benches).map(|i| Bench::new(i, &mut chance)).collect();
    for bench in &mut benches {
        bench.discs = discs;
        bench.has_time = n_photos >= WHOLE_SERIES * n_benches;
    }
    let mut planned = Vec::with_capacity(n_photos);
    for i in 0..n_photos {
        let Some(bench) = benches.get_mut(i % n_benches.max(1)) else {
            break;
        };
        planned.push(bench.next(&mut chance, &mut faults));
    }
    planned.sort_by(|a, b| (a.shot.taken, &a.path).cmp(&(b.shot.taken, &b.path)));
    planned
}

/// Deals the faults so that each kind comes up before any comes twice, gross and moderate by turns.
struct FaultDeck {
    deck: Vec<Fault>,
    next_is_gross: bool,
}

/// Gross and moderate faults: so many times what calls for a retake.
const GROSS: std::ops::Range<f64> = 2.9..3.6;
const MODERATE: std::ops::Range<f64> = 1.4..1.7;

impl FaultDeck {
    fn new(chance: &mut Pcg64Mcg) -> FaultDeck {
        let mut deck = FaultDeck {
            deck: Vec::new(),
            next_is_gross: true,
        };
        deck.refill(chance);
        deck
    }

    fn refill(&mut self, chance: &mut Pcg64Mcg) {
        let sign = |chance: &mut Pcg64Mcg| if chance.random::<bool>() { 1.0 } else { -1.0 };
        let times = |chance: &mut Pcg64Mcg| {
            let range = if self.next_is_gross { GROSS } else { MODERATE };
            chance.random_range(range)
        };
        let left = std::mem::take(&mut self.deck);
        // Multiples of the shipped limits, but for the exposures, which are metered to three quarters of full scale.
        self.deck = vec![
            Fault::Clipped(3.2 * times(chance)),
            Fault::Dim(18.75 * times(chance)),
            Fault::Tilted(sign(chance) * 5.0 * times(chance)),
            Fault::Skewed(sign(chance) * 3.0 * times(chance)),
            Fault::SlitWide(600.0 * times(chance)),
            Fault::Defocused(4.0 * times(chance)),
            Fault::Moved(6.0 * times(chance), chance.random_range(-40.0..40.0)),
            Fault::Leak(0.03 * times(chance)),
            Fault::Cropped(700.0 - 30.0 * times(chance)),
            Fault::NoSpectrum,
            Fault::FewLines,
            Fault::Truncated(chance.random_range(0.3..0.9)),
            Fault::ExposureAuto,
            Fault::Unreadable,
        ];
        self.deck.shuffle(chance);
        self.deck.extend(left);
        self.next_is_gross = !self.next_is_gross;
    }

    /// The next fault that can befall a bench. Where both orders are seen, cropping the brighter one spoils nothing: the
    /// other one is measured.
    fn deal(&mut self, chance: &mut Pcg64Mcg, has_both_orders: bool) -> Fault {
        let fits = |fault: &Fault| !(has_both_orders && matches!(fault, Fault::Cropped(_)));
        if !self.deck.iter().any(fits) {
            self.refill(chance);
        }
        let at = self.deck.iter().rposition(fits).expect("just refilled");
        self.deck.remove(at)
    }
}

struct Bench {
    name: String,
    phone: Phone,
    instrument: Instrument,
    orientation: u16,
    variety: u64,
    room_lamp: Light,
    bench_led: Light,
    taken: usize,
    n_lamps: usize,
    dilutions: Vec<Step>,
    has_series: bool,
    has_time: bool,
    is_neutral: bool,
    minutes: i64,
    discs: Discs,
}

impl Bench {
    fn new(index: usize, chance: &mut Pcg64Mcg) -> Bench {
        let names: Vec<&str> = NAMES.split(' ').collect();
        let phones = Phone::all();
        let model = phones[index % phones.len()].clone();
        let about = |chance: &mut Pcg64Mcg, size: f64| size * (2.0 * chance.random::<f64>() - 1.0);
        let phone = Phone {
            focal_px: model.focal_px * (1.0 + about(chance, 0.006)),
            k1: (model.k1 + about(chance, 0.006)).clamp(-0.02, 0.02),
            centre_offset_px: (about(chance, 16.0), about(chance, 14.0)),
            pupil_mm: chance.random_range(1.5..3.2),
            lens_sigma_px: model.lens_sigma_px * (1.0 + about(chance, 0.12)),
            ..model
        };
        let seed = chance.random();
        // Three benches of twelve have the finer disc; it needs a phone that sees wide.
        let fine = index % 6 == 2 || index % 12 == 4;
        let sound = if fine {
            Instrument::sound_fine(seed)
        } else {
            Instrument::sound(seed)
        };
        let bright = 0.03 * 10f64.powf(chance.random_range(0.0..0.5));
        let ratio = 10f64.powf(chance.random_range(-1.0..-0.2));
        let efficiency = if fine {
            [0.0, 0.0, 0.4, bright, 0.0]
        } else {
            match chance.random_range(0..5) {
                // One order only: the other lies in the grooves' dead direction.
                0 => [0.0, 0.0, 0.4, bright, 0.1 * bright],
                1 | 2 => [0.1 * bright, bright, 0.4, bright * ratio, 0.03 * bright],
                _ => [0.03 * bright, bright * ratio, 0.4, bright, 0.1 * bright],
            }
        };
        let instrument = Instrument {
            slit_width_um: chance.random_range(120.0..330.0),
            wedge: about(chance, 0.12),
            roughness: chance.random_range(0.01..0.05),
            dust: chance.random_range(2..9),
            lighting_along: about(chance, 0.2),
            lighting_across: about(chance, 0.12),
            incidence_deg: if fine {
                chance.random_range(-26.0..-24.0)
            } else {
                about(chance, 2.0)
            },
            elevation_deg: about(chance, 1.2),
            skew_deg: about(chance, 1.4),
            efficiency,
            leak_level: chance.random_range(0.0003..0.0015),
            ..sound
        };
        let variety = chance.random();
        Bench {
            name: match (names[index % names.len()], index / names.len() + 1) {
                (name, 1) => name.into(),
                (name, round) => format!("{name}-{round}"),
            },
            phone,
            instrument,
            orientation: *[1, 1, 3, 6, 8].choose(chance).expect("not empty"),
            variety,
            room_lamp: Light::of(Source::TriPhosphor, variety)
                .as_bright_as(chance.random_range(0.8..2.5)),
            bench_led: {
                let brightness = chance.random_range(8.0..14.0);
                let source = Source::WhiteLed(chance.random_range(3500.0..5500.0));
                Light::of(source, variety ^ 1).as_bright_as(brightness)
            },
            taken: 0,
            n_lamps: 0,
            dilutions: Vec::new(),
            has_series: index % 2 == 1,
            has_time: false,
            is_neutral: index % 4 == 2,
            minutes: 0,
            discs: Discs::default(),
        }
    }

    fn next(&mut self, chance: &mut Pcg64Mcg, faults: &mut FaultDeck) -> Planned {
        let i = self.taken;
        self.taken += 1;
        self.minutes += 3;
        if i == 0 {
            let light = self.room_lamp.clone();
            return self.lamp(chance, light, &[]);
        }
        if i >= 2 && chance.random::<f64>() < 0.36 {
            let [_, left, _, right, _] = self.instrument.efficiency;
            let fault = faults.deal(chance, left > 0.0 && right > 0.0);
            return self.spoilt(chance, fault);
        }
        if i >= 4 && !self.has_series {
            self.has_series = true;
            self.dilutions = self.series(chance);
        }
        match self.dilutions.pop() {
            Some(Step::Bracket(times)) => {
                let name = format!("bracket-{i:02}.jpg");
                let mut planned = self.photo(chance, &name, self.bench_led.clone(), &[]);
                let (time_s, iso) = planned.shot.exposure_settings();
                planned.shot.exposure = Exposure::Set(time_s * times, iso);
                return planned;
            }
            Some(Step::Blank) => {
                let name = format!("blank-{i:02}.jpg");
                return self.photo(chance, &name, self.bench_led.clone(), &[]);
            }
            Some(Step::Solution(name, dye, concentration)) => {
                let light = self.bench_led.through(dye, concentration);
                return self.photo(chance, &name, light, &[]);
            }
            None => {}
        }
        if i % 9 == 6 {
            let light = self.room_lamp.clone();
            return self.lamp(chance, light, &[]);
        }
        let (name, light) = self.sample(chance);
        self.photo(chance, &format!("{name}-{i:02}.jpg"), light, &[])
    }

    /// The steps of a series, the last first: of a dye, or of a grey solution.
    fn series(&self, chance: &mut Pcg64Mcg) -> Vec<Step> {
        let (name, dye) = if self.is_neutral && self.has_time {
            ("neutral", Dye::Neutral)
        } else {
            ("dye", Dye::Red)
        };
        let solution = |mg: f64| Step::Solution(format!("{name}-{mg}mg.jpg"), dye.clone(), mg);
        let mut steps = Vec::new();
        if self.has_time {
            let unknown = chance.random_range(2.0..6.0);
            steps.push(Step::Solution(
                format!("{name}-unknown.jpg"),
                dye.clone(),
                unknown,
            ));
        }
        steps.extend([6.0, 4.0, 2.0].map(solution));
        steps.push(Step::Blank);
        if self.has_time {
            steps.extend([0.2, 0.5, 1.2].map(Step::Bracket));
        }
        steps
    }

    /// A good sample: the line lamps come most often, for they show whether the scale holds.
    fn sample(&self, chance: &mut Pcg64Mcg) -> (&'static str, Light) {
        let (name, source, brightness) = match chance.random_range(0..13) {
            0 | 1 => ("helium", Source::Helium, 0.6),
            2 | 3 => ("neon", Source::Neon, 1.2),
            4 | 5 => ("germicidal", Source::Mercury, 0.7),
            6 => ("hydrogen", Source::Hydrogen, 0.5),
            7 => ("sodium", Source::Sodium, 0.7),
            8 => ("white-led", Source::WhiteLed(3200.0), 9.0),
            9 => (
                "green-led",
                Source::Led(chance.random_range(515.0..530.0), 32.0),
                3.0,
            ),
            10 => (
                "laser",
                Source::Laser(*[532.0, 632.8158, 650.0].choose(chance).expect("not empty")),
                2.0,
            ),
            11 => ("filament", Source::Tungsten(2800.0), 14.0),
            _ => ("pier-lamp", Source::Halophosphate, 4.0),
        };
        let light = Light::of(source, self.variety ^ 2);
        (name, light.as_bright_as(brightness))
    }

    fn spoilt(&mut self, chance: &mut Pcg64Mcg, fault: Fault) -> Planned {
        let i = self.taken - 1;
        match fault {
            Fault::FewLines => {
                let bulb = Light::of(Source::Tungsten(2700.0), 0).as_bright_as(14.0);
                self.lamp(chance, bulb, &[fault])
            }
            // What is wrong with the instrument itself shows in a photo of the lamp.
            Fault::Skewed(_) | Fault::SlitWide(_) | Fault::Tilted(_) => {
                let light = self.room_lamp.clone();
                self.lamp(chance, light, &[fault])
            }
            Fault::NoSpectrum => {
                let dark = Light::of(Source::Dark, 0);
                let mut planned = self.photo(chance, &format!("stray-{i:02}.jpg"), dark, &[fault]);
                planned.shot.exposure = Exposure::Set(1.0 / 60.0, 200.0);
                planned.shot.orientation = 1;
                planned.shot.scene = if chance.random() {
                    Scene::Room
                } else {
                    Scene::Pocket
                };
                planned
            }
            Fault::Dim(_) => {
                let far = Light::of(Source::Tungsten(2800.0), 0).as_bright_as(0.3);
                self.photo(chance, &format!("far-filament-{i:02}.jpg"), far, &[fault])
            }
            _ => {
                let (name, light) = self.sample(chance);
                self.photo(chance, &format!("{name}-{i:02}.jpg"), light, &[fault])
            }
        }
    }

    fn lamp(&mut self, chance: &mut Pcg64Mcg, light: Light, faults: &[Fault]) -> Planned {
        self.n_lamps += 1;
        let name = format!("lamp-{:02}.jpg", self.n_lamps);
        self.photo(chance, &name, light, faults)
    }

    fn photo(&self, chance: &mut Pcg64Mcg, name: &str, light: Light, faults: &[Fault]) -> Planned {
        let mut jitter = |size: f64| size * (2.0 * chance.random::<f64>() - 1.0);
        let pose = Pose {
            roll_deg: jitter(1.2),
            yaw_deg: jitter(0.4),
            pitch_deg: jitter(0.5),
        };
        let evening = date(2026, 11, 12).at(18, 30, 0, 0);
        let stands_still = light.source == self.bench_led.source;
        let shot = Shot {
            seed: chance.random(),
            taken: evening
                .saturating_add(self.minutes.minutes())
                .saturating_add(chance.random_range(0..60i64).seconds()),
            phone: self.phone.clone(),
            instrument: self.instrument.clone(),
            pose,
            light,
            scene: Scene::Slit,
            exposure: Exposure::Metered(0.75),
            orientation: self.orientation,
            jpeg_quality: 90,
            reality: Reality::ideal(),
            nuisance: Nuisance::ALL,
            faults: faults.to_vec(),
        };
        // Between a blank and its solutions nobody touches the lamp.
        let lamp = if stands_still {
            self.variety
        } else {
            shot.seed
        };
        Planned {
            path: format!("{}/{name}", self.name),
            shot: match self.discs {
                Discs::Real => shot.as_it_is(lamp),
                Discs::Ideal => shot,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn a_seed_gives_one_class_and_another_seed_another() {
        assert_eq!(
            rehearsal(7, 8, 64, Discs::Real),
            rehearsal(7, 8, 64, Discs::Real)
        );
        assert_ne!(
            rehearsal(7, 8, 64, Discs::Real),
            rehearsal(8, 8, 64, Discs::Real)
        );
    }

    #[test]
    fn every_bench_begins_with_a_good_lamp_and_no_path_comes_twice() {
        for seed in 0..20 {
            let class = rehearsal(seed, 8, 80, Discs::Real);
            assert_eq!(class.len(), 80);
            let paths: BTreeSet<&str> = class.iter().map(|p| p.path.as_str()).collect();
            assert_eq!(paths.len(), 80);
            for name in NAMES.split(' ').take(8) {
                let first = class
                    .iter()
                    .find(|p| p.path.starts_with(&format!("{name}/")));
                let first = first.expect("eight benches take ten photos each");
                assert!(first.path.ends_with("lamp-01.jpg") && first.shot.faults.is_empty());
            }
            let spoilt = class.iter().filter(|p| !p.shot.faults.is_empty()).count();
            assert!((8..36).contains(&spoilt), "seed {seed}: {spoilt}");
        }
    }
}
