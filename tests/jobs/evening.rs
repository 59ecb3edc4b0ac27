//! The demo's class: one evening, five benches, the lamps along the quay of a small harbour town.
//!
//! Every photo that a class spoils is there once. The fifth bench let its phone name the photos, and used slates. The committed pictures are drawn from this plan.

use jiff::ToSpan;
use jiff::civil::{DateTime, date};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use slitwatch::simulate::class::Discs;
use slitwatch::simulate::light::Dye;
use slitwatch::simulate::{
    Card, Exposure, Fault, Instrument, Light, Nuisance, Phone, Planned, Pose, Reality, Scene, Shot,
    Source,
};
use slitwatch::slates::{Slate, Square, What};

/// Through what discs the committed photos were taken. Whoever changes it draws them anew (`tests/redraw.rs`).
const DISCS: Discs = Discs::Real;

/// The photos of the evening, in the order in which they were taken.
pub fn class() -> Vec<Planned> {
    let mut evening = Evening {
        planned: Vec::new(),
        clock: date(2026, 11, 12).at(18, 40, 12, 0),
        chance: Pcg64Mcg::seed_from_u64(0x9a7),
    };
    let phones = Phone::all();
    let heron = Bench {
        name: "heron",
        phone: phones[0].clone(),
        instrument: Instrument {
            slit_width_um: 190.0,
            ..Instrument::sound(11)
        },
        orientation: 1,
    };
    let dunlin = Bench {
        name: "dunlin",
        phone: phones[1].clone(),
        instrument: Instrument {
            slit_width_um: 240.0,
            incidence_deg: -0.7,
            skew_deg: -0.9,
            wedge: -0.09,
            efficiency: [0.001, 0.012, 0.45, 0.05, 0.004],
            ..Instrument::sound(23)
        },
        orientation: 6,
    };
    let avocet = Bench {
        name: "avocet",
        phone: phones[3].clone(),
        instrument: Instrument {
            slit_width_um: 160.0,
            incidence_deg: 1.6,
            skew_deg: 0.3,
            dust: 8,
            efficiency: [0.005, 0.055, 0.4, 0.022, 0.001],
            ..Instrument::sound(37)
        },
        orientation: 3,
    };
    let turnstone = Bench {
        name: "turnstone",
        phone: phones[2].clone(),
        instrument: Instrument {
            slit_width_um: 210.0,
            incidence_deg: -25.0,
            ..Instrument::sound_fine(41)
        },
        orientation: 8,
    };

    let hall_lamp = Light::of(Source::TriPhosphor, 5);
    let desk_lamp = Light {
        brightness: 1.6,
        ..Light::of(Source::TriPhosphor, 8)
    };
    let dim_lamp = |source, variety, brightness| Light {
        brightness,
        ..Light::of(source, variety)
    };
    let sodium = dim_lamp(Source::Sodium, 2, 0.7);
    let helium = dim_lamp(Source::Helium, 3, 0.3);
    let neon = dim_lamp(Source::Neon, 4, 0.9);
    let germicidal = dim_lamp(Source::Mercury, 6, 0.5);
    let harbour_led = dim_lamp(Source::WhiteLed(3000.0), 7, 9.0);
    let halogen = dim_lamp(Source::Tungsten(2950.0), 9, 14.0);
    let bench_led = dim_lamp(Source::WhiteLed(4500.0), 10, 10.0);

    evening.take(
        &heron,
        "lamp-00-first-try.jpg",
        &hall_lamp,
        &[Fault::Skewed(6.0)],
    );
    evening.take(
        &avocet,
        "lamp-00-wide-slit.jpg",
        &desk_lamp,
        &[Fault::SlitWide(900.0)],
    );
    evening.take(
        &dunlin,
        "lamp-01-soft.jpg",
        &desk_lamp,
        &[Fault::Defocused(7.0)],
    );
    evening.take(
        &turnstone,
        "lamp-01-askew.jpg",
        &hall_lamp,
        &[Fault::Tilted(9.0)],
    );
    evening.take(&heron, "lamp-01.jpg", &hall_lamp, &[]);
    evening.take(&avocet, "lamp-01.jpg", &desk_lamp, &[]);
    evening.take(&dunlin, "lamp-02.jpg", &desk_lamp, &[]);
    let bulb = [Fault::FewLines];
    evening.take(&turnstone, "lamp-02-bulb.jpg", &halogen, &bulb);
    evening.take(&turnstone, "lamp-03.jpg", &hall_lamp, &[]);
    evening.take(
        &heron,
        "quay-sodium-too-long.jpg",
        &sodium,
        &[Fault::Clipped(12.0)],
    );
    evening.take(&heron, "quay-sodium.jpg", &sodium, &[]);
    evening.take(
        &avocet,
        "harbour-led-shaken.jpg",
        &harbour_led,
        &[Fault::Moved(25.0, 20.0)],
    );
    evening.take(&avocet, "harbour-led.jpg", &harbour_led, &[]);
    evening.dark(&dunlin, "dark-01.jpg", &bench_led);
    evening.take(&dunlin, "blank-01.jpg", &bench_led, &[]);
    for mg in [2.0, 4.0, 6.0] {
        let solution = bench_led.through(Dye::Red, mg);
        evening.take(&dunlin, &format!("dye-{mg}mg.jpg"), &solution, &[]);
    }
    let strongest = bench_led.through(Dye::Red, 8.0);
    let shorter = [Fault::ExposureDiffers(0.4)];
    evening.take(&dunlin, "dye-8mg-other-time.jpg", &strongest, &shorter);
    evening.take(&dunlin, "dye-8mg.jpg", &strongest, &[]);
    let unknown = bench_led.through(Dye::Red, 4.9);
    evening.take(
        &dunlin,
        "dye-unknown-auto.jpg",
        &unknown,
        &[Fault::ExposureAuto],
    );
    evening.take(&dunlin, "dye-unknown.jpg", &unknown, &[]);
    let starved = Light {
        brightness: 0.02,
        ..halogen.clone()
    };
    evening.take(
        &turnstone,
        "kiosk-halogen-far.jpg",
        &starved,
        &[Fault::Dim(40.0)],
    );
    evening.take(&turnstone, "kiosk-halogen.jpg", &halogen, &[]);
    evening.take(&heron, "helium-sign.jpg", &helium, &[]);
    evening.take(&heron, "neon-sign.jpg", &neon, &[]);
    evening.take(
        &avocet,
        "tank-germicidal-lid-open.jpg",
        &germicidal,
        &[Fault::Leak(0.12)],
    );
    evening.take(&avocet, "tank-germicidal.jpg", &germicidal, &[]);
    evening.take(
        &turnstone,
        "neon-sign-edge.jpg",
        &neon,
        &[Fault::Cropped(560.0)],
    );
    evening.take(
        &turnstone,
        "pier-lamp.jpg",
        &dim_lamp(Source::Halophosphate, 12, 4.0),
        &[],
    );
    let buoy = dim_lamp(Source::Led(627.0, 19.0), 13, 2.0);
    evening.take(&avocet, "buoy-red.jpg", &buoy, &[]);
    evening.scene(&avocet, "ferry-office-window.jpg", Scene::Room);
    evening.scene(&heron, "pocket.jpg", Scene::Pocket);
    evening.take(
        &turnstone,
        "slip-led-upload.jpg",
        &harbour_led,
        &[Fault::Truncated(0.55)],
    );
    evening.take(&heron, "lamp-02.jpg", &hall_lamp, &[]);
    evening.note(
        &heron,
        "notes.txt",
        "Heron, Thursday evening.\n\
         First lamp photo before we turned the disc; slit looks straight now.\n\
         Sodium lamp is the old one by the ice house. Never looked at the tank lamp without the lid:\n\
         ultraviolet, the warden switched it.\n",
    );
    // The fifth bench has an evening of its own, so that what is drawn of the others does not hang on it.
    evening.planned.extend(with_slates());
    evening.planned.sort_by_key(|planned| planned.shot.taken);
    evening.planned
}

/// The bench whose phone names its photos by itself: what its names do not say, and nobody can see, its slates do.
fn with_slates() -> Vec<Planned> {
    let phones = Phone::all();
    let mut evening = Evening {
        planned: Vec::new(),
        clock: date(2026, 11, 12).at(18, 52, 31, 0),
        chance: Pcg64Mcg::seed_from_u64(0xc71e),
    };
    let curlew = Bench {
        name: "curlew",
        phone: Phone {
            make: "Sedgeley".into(),
            model: "Sedgeley Mini".into(),
            width: 2592,
            height: 1944,
            focal_px: 0.78 * 2592.0,
            k1: 0.009,
            centre_offset_px: (6.0, -8.0),
            ..phones[3].clone()
        },
        instrument: Instrument {
            slit_width_um: 180.0,
            incidence_deg: 1.1,
            skew_deg: -0.5,
            ..Instrument::sound(53)
        },
        orientation: 1,
    };
    let hall_lamp = Light::of(Source::TriPhosphor, 5);
    let bench_led = Light {
        brightness: 10.0,
        ..Light::of(Source::WhiteLed(4200.0), 14)
    };
    let sample = |label: &str| What::Sample(Some(label.to_owned()));
    evening.card(&curlew, What::Lamp(None));
    evening.take_unnamed(&curlew, &hall_lamp);
    evening.card(&curlew, What::Blank);
    evening.take_unnamed(&curlew, &bench_led);
    // The red glass of the port light, before the bench's own lamp.
    evening.card(&curlew, sample("port-light-glass"));
    evening.take_unnamed(&curlew, &bench_led.through(Dye::Red, 5.0));
    evening.card(&curlew, sample("ice-house-lamp"));
    let ice_house = Light {
        brightness: 0.5,
        ..Light::of(Source::Mercury, 6)
    };
    evening.take_unnamed(&curlew, &ice_house);
    for planned in &mut evening.planned {
        // An old phone that saves room.
        planned.shot.jpeg_quality = 75;
    }
    evening.planned
}

/// A card as it lies on a bench, photographed past the tube.
pub fn card(square: Square) -> Scene {
    Scene::Card(Card {
        side: square.side,
        dark: square.dark,
        height: 0.5,
        at: (0.45, 0.5),
        turn_deg: 8.0,
        tilt_deg: 15.0,
        tilt_towards_deg: 40.0,
        blur: 0.1,
        evenness: 0.6,
        paper_level: 0.6,
    })
}

/// The name that a phone gives by itself.
pub fn camera_name(taken: DateTime) -> String {
    taken.strftime("IMG_%Y%m%d_%H%M%S.jpg").to_string()
}

struct Bench {
    name: &'static str,
    phone: Phone,
    instrument: Instrument,
    orientation: u16,
}

struct Evening {
    planned: Vec<Planned>,
    clock: DateTime,
    chance: Pcg64Mcg,
}

impl Evening {
    /// One photo; the next one follows two to four minutes later.
    fn take(&mut self, bench: &Bench, name: &str, light: &Light, faults: &[Fault]) -> &mut Shot {
        let mut jitter = |size: f64| size * (2.0 * self.chance.random::<f64>() - 1.0);
        let pose = Pose {
            roll_deg: jitter(0.8),
            yaw_deg: jitter(0.35),
            pitch_deg: jitter(0.4),
        };
        let wait_s = 170 + self.chance.random_range(0..25);
        let shot = Shot {
            seed: self.chance.random(),
            taken: self.clock,
            phone: bench.phone.clone(),
            instrument: bench.instrument.clone(),
            pose,
            light: light.clone(),
            scene: Scene::Slit,
            exposure: Exposure::Metered(0.75),
            orientation: bench.orientation,
            jpeg_quality: 86,
            reality: Reality::ideal(),
            nuisance: Nuisance::ALL,
            faults: faults.to_vec(),
        };
        // Between a blank and its solutions nobody touches the lamp.
        let lamp = match light.source {
            Source::WhiteLed(_) => bench.instrument.seed,
            _ => shot.seed,
        };
        self.planned.push(Planned {
            path: format!("{}/{name}", bench.name),
            shot: match DISCS {
                Discs::Real => shot.as_it_is(lamp),
                Discs::Ideal => shot,
            },
        });
        self.clock = self.clock.saturating_add(wait_s.seconds());
        &mut self.planned.last_mut().expect("just pushed").shot
    }

    /// The same under the name that the phone gives it.
    fn take_unnamed(&mut self, bench: &Bench, light: &Light) -> &mut Shot {
        let name = camera_name(self.clock);
        self.take(bench, &name, light, &[])
    }

    /// The slate of what comes next, which follows within a minute.
    fn card(&mut self, bench: &Bench, what: What) {
        let square = Square::of(&Slate::of(what)).expect("a short text");
        let taken = self.clock;
        let shot = self.take_unnamed(bench, &Light::of(Source::Dark, 0));
        shot.exposure = Exposure::Set(1.0 / 60.0, 100.0);
        shot.scene = card(square);
        self.clock = taken.saturating_add(38.seconds());
    }

    /// Shutter as for `light`, slit covered.
    fn dark(&mut self, bench: &Bench, name: &str, light: &Light) {
        let shot = self.take(bench, name, light, &[]);
        let (time_s, iso) = shot.exposure_settings();
        shot.exposure = Exposure::Set(time_s, iso);
        shot.light = Light::of(Source::Dark, 0);
    }

    fn scene(&mut self, bench: &Bench, name: &str, scene: Scene) {
        let shot = self.take(
            bench,
            name,
            &Light::of(Source::Dark, 0),
            &[Fault::NoSpectrum],
        );
        shot.exposure = Exposure::Set(1.0 / 60.0, 200.0);
        // Held as one takes a picture of a room.
        shot.orientation = 1;
        shot.scene = scene;
    }

    fn note(&mut self, bench: &Bench, name: &str, text: &str) {
        let shot = self.take(bench, name, &Light::of(Source::Dark, 0), &[]);
        shot.exposure = Exposure::Set(1.0 / 60.0, 100.0);
        shot.scene = Scene::Note(text.into());
    }
}
