//! A bench that takes photos and has them measured as the program would, and the comparison of lines with the truth.

use std::fmt;
use std::path::Path;
use std::sync::Arc;
use std::sync::LazyLock;

use slitwatch::answers::bracket::Curve;
use slitwatch::classify::{Decision, Outcome, Purpose};
use slitwatch::decode::{self, Facts};
use slitwatch::frame::Frame;
use slitwatch::lab::{Against, Lab, Origin, Scale};
use slitwatch::publish::record::Provenance;
use slitwatch::settings;
use slitwatch::simulate::{
    Exposure, Fault, Instrument, Light, Nuisance, Phone, Pose, Reality, Scene, Shot, Source,
    TrueLine, Truth, draw,
};
use slitwatch::terms::{
    Calibration, Capture, Code, Measurement, Point, Reason, Severity, Spectrum, Verdict,
};

/// A phone on a spectroscope.
#[derive(Clone)]
pub struct Bench {
    pub phone: Phone,
    pub instrument: Instrument,
    pub orientation: u16,
}

impl Bench {
    /// A sound instrument on one of the simulator's phones, whose picture is cut to the third of its height that has the spectrum.
    pub fn sound(phone: usize, seed: u64) -> Bench {
        let mut bench = Bench::whole(phone, seed);
        bench.phone.height /= 3;
        bench
    }

    /// The same with the whole picture, where something is drawn or looked for all over it. An ideal disc is seen through a pupil
    /// that is a point: the file must say so, too.
    pub fn whole(phone: usize, seed: u64) -> Bench {
        const PINHOLE: f64 = 64.0;
        Bench {
            phone: Phone {
                f_number: PINHOLE,
                ..Phone::all().swap_remove(phone)
            },
            instrument: Instrument::sound(seed),
            orientation: 1,
        }
    }

    /// A well exposed photo with all that phones do to it.
    pub fn shot(&self, seed: u64, light: Light, pose: (f64, f64, f64)) -> Shot {
        let (roll_deg, yaw_deg, pitch_deg) = pose;
        Shot {
            seed,
            taken: jiff::civil::date(2026, 11, 12).at(19, 0, 0, 0),
            phone: self.phone.clone(),
            instrument: self.instrument.clone(),
            pose: Pose {
                roll_deg,
                yaw_deg,
                pitch_deg,
            },
            light,
            scene: Scene::Slit,
            exposure: Exposure::Metered(0.75),
            orientation: self.orientation,
            jpeg_quality: 90,
            reality: Reality::ideal(),
            nuisance: Nuisance::ALL,
            faults: Vec::new(),
        }
    }

    /// The same through a piece of disc, a pupil and a lens as they are, with the part of the slit lit that `lamp` lights.
    pub fn real_shot(&self, seed: u64, light: Light, faults: Vec<Fault>, lamp: u64) -> Shot {
        let mut shot = self.shot(seed, light, (0.3, 0.1, 0.1));
        shot.faults = faults;
        shot.as_it_is(lamp)
    }

    /// Its photo of the lamp that scales are made from, measured.
    pub fn real_lamp(&self, seed: u64) -> Seen {
        let light = Light::of(Source::TriPhosphor, seed);
        let shot = self.real_shot(seed, light, Vec::new(), seed);
        photograph("lamp", &shot, Capture::Calibration, None)
    }

    /// A photo of the lamp that scales are made from.
    pub fn lamp_shot(&self, seed: u64, pose: (f64, f64, f64)) -> Shot {
        self.shot(seed, Light::of(Source::TriPhosphor, seed), pose)
    }
}

/// A lamp of the kind a class meets, as bright as it is there.
pub fn light(source: Source, seed: u64) -> Light {
    let brightness = match source {
        Source::Helium => 0.5,
        Source::Neon => 1.0,
        Source::Mercury => 0.6,
        Source::Laser(_) => 2.0,
        Source::Tungsten(_) => 14.0,
        Source::WhiteLed(_) => 9.0,
        _ => 0.8,
    };
    Light {
        brightness,
        ..Light::of(source, seed)
    }
}

/// A photo after the program has seen it.
pub struct Seen {
    pub what: String,
    pub truth: Truth,
    pub measurement: Measurement,
    pub verdict: Verdict,
    pub reasons: Vec<Reason>,
}

impl Seen {
    /// The scale of a lamp photo.
    ///
    /// # Panics
    /// If it has none.
    pub fn calibration(&self) -> &Calibration {
        self.measurement
            .calibration
            .as_ref()
            .unwrap_or_else(|| panic!("no scale: {self:?}"))
    }

    /// True where a reason has this code and is no mere caution.
    pub fn must_be_retaken_for(&self, code: Code) -> bool {
        self.reasons
            .iter()
            .any(|r| r.code == code && r.severity == Severity::Retake)
    }
}

impl fmt::Debug for Seen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {:?}", self.what, self.verdict)?;
        for r in &self.reasons {
            write!(
                f,
                "; {} ({:?}): {}",
                r.code.as_str(),
                r.severity,
                r.measured
            )?;
        }
        for said in &self.measurement.not_measured {
            write!(f, "\n    {said}")?;
        }
        for line in &self.measurement.log {
            write!(f, "\n    {line}")?;
        }
        Ok(())
    }
}

/// What photos are measured by: the shipped configuration.
pub static LAB: LazyLock<Lab> =
    LazyLock::new(|| Lab::new(settings::shipped(Path::new("config/lab.yaml"))));

/// Draws a shot and measures it: as a calibration with the fluorescent lamps if `scale` is absent, or else as a sample.
pub fn photograph(what: &str, shot: &Shot, capture: Capture, scale: Option<&Calibration>) -> Seen {
    let photo = draw(shot);
    look_at(what, &photo.jpeg, photo.truth, capture, scale)
}

/// Measures the bytes of a file.
pub fn look_at(
    what: &str,
    bytes: &[u8],
    truth: Truth,
    capture: Capture,
    scale: Option<&Calibration>,
) -> Seen {
    look_at_lamp(what, bytes, truth, capture, "fluorescent", scale)
}

/// Measures the bytes of a file which, where it is a calibration, is of the lamp named.
pub fn look_at_lamp(
    what: &str,
    bytes: &[u8],
    truth: Truth,
    capture: Capture,
    lamp: &str,
    scale: Option<&Calibration>,
) -> Seen {
    let decoded = decode(what, bytes);
    let facts = decoded.0.clone();
    let decision = Decision {
        rule: String::new(),
        outcome: Outcome::Measure(purpose(capture, lamp)),
        passed_over: Vec::new(),
        basis: Default::default(),
    };
    let origin = Origin {
        photo: what.to_owned(),
        facts: Arc::new(facts),
        decision: Arc::new(decision),
        provenance: Provenance::default(),
    };
    let against = Against {
        scale: scale.map(by_lamp),
        ..Against::default()
    };
    let examined = LAB.examine(&origin, Ok(decoded.into()), &against);
    Seen {
        what: what.to_owned(),
        truth,
        measurement: examined.measurement,
        verdict: examined.verdict,
        reasons: examined.reasons,
    }
}

/// The spectrum of a file on a lamp photo's scale and through a tone curve, where it is another photo's blank.
///
/// # Panics
/// If it has none.
pub fn spectrum(jpeg: &[u8], scale: &Calibration, curve: Option<&Curve>) -> Spectrum {
    let decoded = decode("blank", jpeg);
    let purpose = purpose(Capture::Blank, "");
    LAB.spectrum(&purpose, decoded, Some(by_lamp(scale)), curve)
        .expect("it is lit")
}

fn decode(what: &str, bytes: &[u8]) -> (Facts, Frame) {
    decode::decode(bytes, 300_000_000).unwrap_or_else(|e| panic!("{what}: {e}"))
}

fn purpose(capture: Capture, lamp: &str) -> Purpose {
    Purpose {
        capture,
        bench: "any".to_owned(),
        lamp: lamp.to_owned(),
        label: String::new(),
        groups: Default::default(),
    }
}

fn by_lamp(calibration: &Calibration) -> Scale<'_> {
    Scale {
        photo: "lamp.jpg",
        hash: "",
        calibration,
    }
}

/// A measured line beside its truth.
#[derive(Clone, Debug)]
pub struct Error {
    pub photo: String,
    pub line: String,
    pub error_nm: f64,
    pub sigma_nm: f64,
}

/// Full width at half height of a line through a slit of 0.2 mm on a disc of 1600 nm, as a phone shows it in the red, where
/// every other pixel is filled in: the widest that these benches have, nm.
const WIDEST_NM: f64 = 1.9;

/// True where another line reaches into the upper half of this one, so that the two are a blend and neither has a place of
/// its own.
fn is_blended(line: &TrueLine, other: &TrueLine) -> bool {
    let apart = (other.wavelength_nm - line.wavelength_nm).abs() - 0.5 * WIDEST_NM;
    let there =
        other.strength * (-4.0 * std::f64::consts::LN_2 * (apart / WIDEST_NM).powi(2)).exp();
    apart < 0.0 || there > 0.05 * line.strength
}

/// Every line of the lamp that a phone can show and these instruments can separate, with what was measured of it: lines of
/// 420 to 680 nm with an eighth of the strongest line's light or more.
///
/// # Panics
/// If such a line was not found within 3 nm of the truth.
pub fn line_errors(seen: &Seen) -> Vec<Error> {
    let lines = &seen.truth.lines;
    let alone = |i: usize| (0..lines.len()).all(|k| k == i || !is_blended(&lines[i], &lines[k]));
    let wanted = (0..lines.len()).filter(|&i| {
        (420.0..680.0).contains(&lines[i].wavelength_nm) && lines[i].strength >= 0.125 && alone(i)
    });
    let errors: Vec<Error> = wanted
        .map(|i| {
            let line = &lines[i];
            let off = |nm: f64| (nm - line.wavelength_nm).abs();
            let peak = seen
                .measurement
                .peaks
                .iter()
                .min_by(|a, b| off(a.centre_nm.value).total_cmp(&off(b.centre_nm.value)))
                .filter(|peak| off(peak.centre_nm.value) < 3.0)
                .unwrap_or_else(|| panic!("{} was not found: {seen:?}", line.name));
            Error {
                photo: seen.what.clone(),
                line: line.name.clone(),
                error_nm: peak.centre_nm.value - line.wavelength_nm,
                sigma_nm: peak.centre_nm.sigma,
            }
        })
        .collect();
    assert!(!errors.is_empty(), "no line to compare: {seen:?}");
    errors
}

/// The scale of a lamp photo against the truth, at every point of 420 to 680 nm that the simulator states.
pub fn scale_errors(seen: &Seen) -> Vec<Error> {
    let rays = seen.calibration().optics.rays();
    let curve = &seen.calibration().sigma_curve;
    let errors: Vec<Error> = seen
        .truth
        .orders
        .iter()
        .filter(|order| order.order.abs() == 1)
        .flat_map(|order| &order.points)
        .filter(|point| (420.0..=680.0).contains(&point.wavelength_nm))
        .map(|point| {
            let sigma = curve
                .iter()
                .min_by(|a, b| {
                    let off = |nm: f64| (nm - point.wavelength_nm).abs();
                    off(a.wavelength_nm).total_cmp(&off(b.wavelength_nm))
                })
                .map_or(f64::NAN, |c| c.sigma_nm);
            Error {
                photo: seen.what.clone(),
                line: format!("scale at {}", point.wavelength_nm),
                error_nm: rays.path_nm(Point::new(point.x, point.y)).abs() - point.wavelength_nm,
                sigma_nm: sigma,
            }
        })
        .collect();
    assert!(!errors.is_empty(), "no order to compare: {seen:?}");
    errors
}

/// Demands that the errors are within bounds: the median of their sizes, and the worst.
///
/// # Panics
/// If they are not, with all of them in words.
pub fn demand(what: &str, errors: &[Error], median_nm: f64, worst_nm: f64) {
    let mut sizes: Vec<f64> = errors.iter().map(|e| e.error_nm.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let (median, worst) = (sizes[sizes.len() / 2], sizes[sizes.len() - 1]);
    let within = errors
        .iter()
        .filter(|e| e.error_nm.abs() <= e.sigma_nm)
        .count();
    let summary = format!(
        "{what}: {} lines, error {median:.3} nm in the median, {worst:.3} nm at worst; {:.0} % within their sigma",
        errors.len(),
        100.0 * within as f64 / errors.len() as f64
    );
    println!("{summary}");
    let list = || {
        errors
            .iter()
            .map(|e| {
                format!(
                    "\n  {} {}: {:+.3} ± {:.3} nm",
                    e.photo, e.line, e.error_nm, e.sigma_nm
                )
            })
            .collect::<String>()
    };
    assert!(
        median <= median_nm && worst <= worst_nm,
        "{summary}{}",
        list()
    );
}
