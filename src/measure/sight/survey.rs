//! What any photo shows before wavelengths are spoken of: the slit's image, the direction of the dispersion, the slit's
//! ends, the two orders.

use std::sync::Arc;

use crate::decode::Facts;
use crate::frame::Frame;
use crate::measure::optics::adjust::{Adjusted, Observation, adjust, index};
use crate::measure::optics::bins::Every;
use crate::measure::optics::{FAN_SIGMA, SMEAR_RAD, USUAL_PUPIL_SHARE};
use crate::measure::sight::band::{Edge, Edges, edges};
use crate::measure::sight::bars::Sketch;
use crate::measure::sight::locate::{CALM_EDGE_SHARE, locate};
use crate::measure::sight::map::Map;
use crate::measure::sight::plausible::{
    CLEAR_LINES, DARK_EDGE_SHARE, Familiar, NoSight, PLAIN_LINES, is_dark, plausible, veil,
};
use crate::measure::sight::spot::Located;
use crate::measure::sight::trace::{Slit, trace_slit};
use crate::terms::{Calibration, Interval, OnSensor, Optics, SIGMA_PER_MEDIAN, median};

/// What is found without any model of the grating.
#[derive(Clone)]
pub struct Sight {
    /// True where the slit's image lies where the lamp photo had it, and is as long.
    pub is_familiar: bool,
    /// Reduced map.
    pub map: Arc<Map>,
    /// Coarse finding.
    pub located: Located,
    /// The slit's image.
    pub slit: Slit,
    /// Focal length in px as the file or a calibration states it.
    pub focal_px: Option<f64>,
}

/// So many ends of the slit, seen in different colours at the expected places, leave no doubt about the grating.
pub const CLEAR_ENDS: usize = 8;

/// A lone line is the slit's from this significance on (no source).
const SURE_SIGNIFICANCE: f64 = 30.0;
/// An end agrees with the slit's own within this share of its height.
const AGREES_SHARE: f64 = 0.125;
/// …and is off the others where it is off by more than this share of their distance from the middle.
const OFF_SHARE: f64 = 0.25;
/// The slit's own image is believed where its ends differ by more than this share of its height: glare lengthens it by some pixels,
/// dust shortens it.
const APART_SHARE: f64 = 0.12;
/// The slit's image is looked at in steps of this share of its half length (no source).
const HEIGHT_STEP: f64 = 0.15;
/// The orders' light is compared where the picture holds them from here to here, nm, and at most so far, natural logarithm (no source).
const WHOLE_NM: (f64, f64) = (450.0, 620.0);
const MOST_BALANCE_LN: f64 = 3.0;
/// What is known of these before anything is seen, standard deviations, degrees: the roll where nothing turns it, the pitch, and the
/// slit's lean, which is rarely more than a degree or two (no source).
const ROLL_DEG: f64 = 5.0;
const PITCH_DEG: f64 = 1.2;
const LEAN_DEG: f64 = 4.0;
/// Ends are clear that have this share of the clearest one's signal to noise (no source).
const CLEAR_OF_CLEAREST: f64 = 0.5;
/// Of fewer ends none is contradicted by the others (no source).
const LEAST_TO_CONTRADICT: usize = 5;
/// A slit of less than this in β has no height (no source).
const LEAST_HEIGHT: f64 = 0.004;

/// The picture's geometry for one groove spacing.
pub struct Survey {
    /// Reduced map.
    pub map: Arc<Map>,
    /// Coarse finding.
    pub located: Located,
    /// The slit's image.
    pub slit: Slit,
    /// Optics with this shot's pose; focal length as stated or guessed.
    pub optics: Optics,
    /// The slit's ends by colour.
    pub edges: Edges,
    /// Extent of the slit in β − β_mid.
    pub beta: Interval,
    /// Standard uncertainty of the roll, rad.
    pub roll_sigma_rad: f64,
    /// True where the file states the focal length.
    pub focal_known: bool,
    /// True where the slit's image lies where the lamp photo had it, and is as long.
    pub is_familiar: bool,
}

/// A phone's main camera: focal length in units of the picture's longer side, where the file does not say.
pub const USUAL_FOCAL: f64 = 0.78;

/// Where there are edges everywhere the slit's image is so many times as bright as what lies beside its band: it is white where
/// stray light is grey.
const OVER_WALLS: f64 = 2.2;

/// Level of the slit's image, mean of the channels: the median of its brightest cells at several heights.
fn brightness(map: &Map, slit: &Slit) -> f64 {
    let cell = map.cell_px as f64;
    let (along, across) = (
        (slit.along_rad.cos(), slit.along_rad.sin()),
        (-slit.along_rad.sin(), slit.along_rad.cos()),
    );
    let at = |height: f64, aside: f64| {
        let x = slit.centre.x / cell + height * along.0 + aside * across.0;
        let y = slit.centre.y / cell + height * along.1 + aside * across.1;
        map.sample(x, y).map_or(0.0, |i| f64::from(map.light[i]))
    };
    let levels = (-4..=4)
        .map(|k| HEIGHT_STEP * f64::from(k) * slit.half_length_px / cell)
        .map(|height| {
            (-2..=2)
                .map(|d| at(height, f64::from(d)))
                .fold(0.0, f64::max)
        });
    median(levels).unwrap_or(0.0)
}

/// Finds the slit's image in a frame, or says why there is nothing like a spectrum in it.
///
/// `sketch` is the frame's; `bench` what the lamp photo showed of the slit, and `before` what was found without it: the slit's image
/// is not traced again where it lies in the same place.
pub fn look(
    frame: &Frame,
    sketch: &Sketch,
    focal_px: Option<f64>,
    (bench, before): (&Familiar, Option<&Sight>),
    log: &mut Vec<String>,
) -> Result<Sight, NoSight> {
    let map = &sketch.map;
    let located = locate(sketch, focal_px, &bench.places).map_err(NoSight::nothing)?;
    log.push(format!(
        "slit image near ({:.0}, {:.0}) px, {:.0} px long; dispersion {:.1}°; light where a spectrum can be {:.2}, sides alike {:.2}, \
         purity {:.2}, signal {:.0}, edges in the strip {:.2}, lines of the slit's length {} (signal {:.0})",
        located.centre.x,
        located.centre.y,
        2.0 * located.half_length_px,
        located.dispersion_rad.to_degrees(),
        located.zone_share,
        located.symmetry,
        located.saturation,
        located.significance,
        located.edge_share,
        located.lines,
        located.line_light
    ));
    let longest_px = frame.width().max(frame.height()) as f64;
    let is_familiar = bench.knows(located.centre, located.half_length_px, longest_px);
    let is_dark = is_dark(map);
    let refused = |why: String| NoSight {
        why,
        veil: is_familiar.then(|| veil(map, &located)),
        is_faint: is_dark && located.has_a_line(),
    };
    plausible(&located, is_familiar, is_dark, longest_px).map_err(refused)?;
    let before = before.filter(|before| before.located.is_same_bar(&located));
    let slit = before.map(|before| before.slit.clone());
    let Some(slit) = slit.or_else(|| trace_slit(frame, &located)) else {
        return Err(refused(
            "a bright bar, but no line that could be the slit's image".into(),
        ));
    };
    // In a room the bars are little brighter than the walls, and a bar as long as the slit goes on.
    let calm = located.edge_share > CALM_EDGE_SHARE;
    let is_familiar =
        is_familiar && (calm || bench.knows(slit.centre, slit.half_length_px, longest_px));
    if !calm && !is_familiar && brightness(map, &slit) < OVER_WALLS * veil(map, &located) {
        let why = "a bar little brighter than what lies around it, and not in the dark";
        return Err(refused(why.to_owned()));
    }
    Ok(Sight {
        is_familiar,
        map: Arc::clone(map),
        located,
        slit,
        focal_px,
    })
}

impl Survey {
    /// Why this is no spectrum after all: a band has the slit's ends along it, a lamp's lines its length; absent where it
    /// has either.
    pub fn doubt(&self) -> Option<String> {
        let (agreeing, seen) = self.agreeing_ends();
        let band = agreeing >= 2 && 2 * agreeing >= seen;
        // Bars of the slit's length by chance are easier to find where there are edges everywhere.
        let calm = self.located.edge_share > CALM_EDGE_SHARE;
        let lines = match self.located.lines {
            0 => false,
            1 => {
                calm && (self.located.significance > SURE_SIGNIFICANCE
                    || self.located.line_light > CLEAR_LINES)
            }
            2 | 3 => calm || (self.is_familiar && self.located.line_light > PLAIN_LINES),
            // The bars of a window are as many.
            _ => calm || self.is_familiar || self.located.line_light > PLAIN_LINES,
        };
        // Without colours a few chance stripes look like lines: only a band with its ends tells.
        let lines = lines && !self.located.is_grey;
        // Of a band that runs off the picture along the slit only one end is seen. In a room something always runs off it.
        let cut = self.slit_is_cut() && (calm || self.is_familiar);
        (!band && !lines && !cut)
            .then(|| "a bright bar, but no band and no lines as long as it beside it".to_owned())
    }

    /// A picture that the doubts refuse.
    pub fn refused(&self, why: String) -> NoSight {
        NoSight {
            why,
            veil: self.is_familiar.then(|| veil(&self.map, &self.located)),
            is_faint: is_dark(&self.map) && self.located.has_a_line(),
        }
    }

    /// Length of the slit's image, px, where its ends are seen in enough places along the band.
    pub fn slit_length_px(&self) -> Option<f64> {
        let few = self.edges.low.len().min(self.edges.high.len()) < 2;
        let (agreeing, seen) = self.agreeing_ends();
        if few || 4 * agreeing < 3 * seen || self.slit_is_cut() {
            return None;
        }
        let rays = self.optics.rays();
        let a = rays.pixel_of_path(0.0, self.beta.low)?;
        let b = rays.pixel_of_path(0.0, self.beta.high)?;
        Some(b.distance(a))
    }

    /// True where an end of the slit's image lies at the picture's edge.
    pub fn slit_is_cut(&self) -> bool {
        self.slit.is_cut(self.size_px())
    }

    /// Width and height of the picture, px.
    fn size_px(&self) -> (f64, f64) {
        let cell = self.map.cell_px;
        let (width, height) = (self.map.width * cell, self.map.height * cell);
        (width as f64, height as f64)
    }

    /// How many ends of the slit are seen along the band.
    pub fn n_ends(&self) -> usize {
        self.edges.low.len() + self.edges.high.len()
    }

    /// How many of the ends that are seen along the band lie at the slit's own height (within an eighth of it, and what the pupil
    /// smears), and how many are seen.
    pub fn agreeing_ends(&self) -> (usize, usize) {
        let height = self.beta.width();
        let near = |list: &[Edge], beta: f64| {
            list.iter()
                .filter(|e| (e.beta - beta).abs() < AGREES_SHARE * height + SMEAR_RAD)
                .count()
        };
        (
            near(&self.edges.low, self.beta.low) + near(&self.edges.high, self.beta.high),
            self.n_ends(),
        )
    }

    /// Light of the +α order over that of the −α order, natural logarithm, within ±3; absent where either is partly
    /// outside the picture.
    pub fn balance_ln(&self) -> Option<f64> {
        let rays = self.optics.rays();
        let size = self.size_px();
        let seen = |path: f64| {
            rays.pixel_of_path(path, 0.0)
                .is_some_and(|p| p.x > 0.0 && p.y > 0.0 && p.x < size.0 && p.y < size.1)
        };
        let [minus, plus] = self.located.side_light;
        let whole = [-WHOLE_NM.1, -WHOLE_NM.0, WHOLE_NM.0, WHOLE_NM.1]
            .into_iter()
            .all(seen);
        (whole && plus.max(minus) > 0.0).then(|| {
            (plus.max(1e-9) / minus.max(1e-9))
                .ln()
                .clamp(-MOST_BALANCE_LN, MOST_BALANCE_LN)
        })
    }

    /// How the grating lay before the sensor, by the file's orientation.
    pub fn on_sensor(&self, facts: &Facts) -> Option<OnSensor> {
        let (turned, swapped) = turned_rad(facts)?;
        Some(OnSensor {
            direction_rad: self.optics.roll_rad - turned,
            wide: (facts.width > facts.height) != swapped,
        })
    }
}

/// By how much the file's orientation turns the sensor's picture, rad, and whether its sides change places; absent for the
/// mirrored ones.
fn turned_rad(facts: &Facts) -> Option<(f64, bool)> {
    use std::f64::consts::{FRAC_PI_2, PI};
    match facts.orientation {
        1 => Some((0.0, false)),
        3 => Some((PI, false)),
        6 => Some((FRAC_PI_2, true)),
        8 => Some((-FRAC_PI_2, true)),
        _ => None,
    }
}

/// An order this much brighter than the other (natural logarithm) is the only one that shows in a single line.
const ONE_ORDER_LN: f64 = 1.5;

/// The direction in a photo, rad, in which the bench's one bright order lies from the slit's image; absent where it has
/// two, or where nothing says how the phone was held.
pub fn lit_direction(calibration: &Calibration, facts: &Facts) -> Option<f64> {
    let balance = calibration.balance_ln.filter(|b| b.abs() > ONE_ORDER_LN)?;
    let (turned, _) = turned_rad(facts)?;
    let to_plus = calibration.on_sensor?.direction_rad + turned;
    Some(if balance > 0.0 {
        to_plus
    } else {
        to_plus + std::f64::consts::PI
    })
}

/// Where the slit's ends are looked for along an order, nm: what phones see of the spectrum.
const SEEN_NM: Interval = Interval::new(390.0, 720.0);

/// Surveys a frame on the assumption of a groove spacing.
pub fn survey(frame: &Frame, sight: &Sight, groove_spacing_nm: f64) -> Survey {
    // A line is three pixels wide or so: every second column still meets it.
    let every_second = Every {
        across: 2,
        ..Every::PIXEL
    };
    survey_by(
        frame,
        sight,
        groove_spacing_nm,
        &[every_second, Every::PIXEL],
    )
}

/// Surveys some pixels of every `stride`-th line along the dispersion alone: enough to see whether there is a band, and where.
pub fn rough_survey(frame: &Frame, sight: &Sight, groove_spacing_nm: f64, stride: usize) -> Survey {
    let every = Every::first_look(stride);
    survey_by(frame, sight, groove_spacing_nm, &[every])
}

fn survey_by(frame: &Frame, sight: &Sight, groove_spacing_nm: f64, rounds: &[Every]) -> Survey {
    let Sight {
        is_familiar,
        map,
        located,
        slit,
        focal_px,
    } = sight.clone();
    let longest = frame.width().max(frame.height()) as f64;
    let focal = focal_px.unwrap_or(USUAL_FOCAL * longest);
    let mut optics = Optics::flush(groove_spacing_nm, focal, frame.width(), frame.height());
    optics.roll_rad = located.dispersion_rad;
    optics.pupil_share = USUAL_PUPIL_SHARE;
    optics.aim_slit_at(slit.centre);
    let mut half_beta = slit.half_length_px / focal;
    let own_height = 2.0 * half_beta;
    let mut found = Edges::default();
    let mut roll_sigma_rad = ROLL_DEG.to_radians();
    for &every in rounds {
        found = edges(
            frame,
            &optics.rays(),
            &[SEEN_NM.mirrored(), SEEN_NM],
            half_beta,
            focal,
            every,
        );
        if located.edge_share < DARK_EDGE_SHARE {
            drop_streaks(&mut found, is_familiar.then_some(own_height));
        }
        // An end that the others contradict (dust at a line's end, a streak) would turn the picture: out, and once more.
        let size = (frame.width() as f64, frame.height() as f64);
        let calm = located.edge_share > SURE_EDGE_SHARE && !slit.is_cut(size);
        for _ in 0..2 {
            let Some(a) = turn_to_ends(&optics, &slit, &found, calm) else {
                break;
            };
            roll_sigma_rad = a.covariance[index::ROLL][index::ROLL].max(0.0).sqrt();
            let before = found.low.len() + found.high.len();
            if calm {
                drop_contradicted(&mut found, &a.optics);
            }
            optics = a.optics;
            if !calm || found.low.len() + found.high.len() == before {
                break;
            }
        }
        optics.aim_slit_at(slit.centre);
        if let Some(seen) = extent(&found) {
            half_beta = 0.5 * seen.width();
        }
    }
    let beta = lit_heights(&found, &slit, &optics);
    Survey {
        map,
        located,
        slit,
        optics,
        edges: found,
        beta,
        roll_sigma_rad,
        focal_known: focal_px.is_some(),
        is_familiar,
    }
}

/// The same from which the ends that are seen along the band are the slit's, and no streak's.
const SURE_EDGE_SHARE: f64 = 0.8;
/// An end of the slit's own image, blown up by glare and shortened by dust, is known to so many px.
const OWN_END_PX: f64 = 4.0;

/// What the coarse direction of the dispersion is known to, degrees.
const COARSE_ROLL_DEG: f64 = 1.5;

/// Turns the optics so that each end of the slit lies at one height in all colours, and its image where it is seen.
///
/// `calm` where the ends along the band are sure to be the slit's, and no leak's.
fn turn_to_ends(optics: &Optics, slit: &Slit, found: &Edges, calm: bool) -> Option<Adjusted> {
    let mut observations = height_observations(found);
    observations.push(Observation::prior(
        index::PITCH,
        0.0,
        PITCH_DEG.to_radians(),
    ));
    observations.push(Observation::prior(index::FAN, 0.0, FAN_SIGMA));
    // This only decides where the band's ends say nothing.
    observations.push(Observation::prior(index::SKEW, 0.0, LEAN_DEG.to_radians()));
    // Slanted lines leave their block of colour before they end, and no end is seen until the slant is known: the coarse
    // direction of the dispersion tells it.
    if found.low.is_empty() && found.high.is_empty() {
        let sigma = COARSE_ROLL_DEG.to_radians();
        observations.push(Observation::prior(index::ROLL, optics.roll_rad, sigma));
    }
    observations.extend(slit.observations(&optics.rays()));
    // A lone line's ends are at the height of the slit's own, or nothing would hold its direction.
    if calm {
        observations.extend(own_ends(slit, found));
    }
    adjust(
        optics,
        slit.centre,
        &[
            index::ROLL,
            index::SKEW,
            index::PITCH,
            index::ALPHA,
            index::FAN,
        ],
        &observations,
    )
}

/// The ends of the slit's own image, at the height of those in the band: glare lengthens it by as much at both.
fn own_ends(slit: &Slit, found: &Edges) -> Vec<Observation> {
    [(&found.low, -1.0), (&found.high, 1.0)]
        .into_iter()
        .filter_map(|(list, sign)| {
            let end = slit.at(sign * slit.half_length_px);
            let edge = list.get(list.len() / 2)?;
            Some(Observation::SameHeight {
                at: vec![end, edge.at],
                sigma_px: OWN_END_PX.hypot(END_SHARE * edge.blur_px),
            })
        })
        .collect()
}

/// Takes out what a leak's streaks have for ends: those of one slit are blurred alike, and the clearest ones are the slit's.
///
/// `height` is that of the slit's own image, β, where the bench knows it: where ends are another height apart, they are no
/// slit's.
fn drop_streaks(found: &mut Edges, height: Option<f64>) {
    // A dim line's ends fade, a bright one's bloom.
    const SAME_HEIGHT: std::ops::Range<f64> = 0.75..1.3;
    // A line at its block's rim looks blurred a few times as much.
    const TIMES: f64 = 3.0;
    const LEAST_PX: f64 = 3.0;
    if let Some(height) = height {
        let of_slit: Vec<f64> = found
            .high
            .iter()
            .filter(|high| {
                let low = found.low.iter().find(|e| e.path_nm == high.path_nm);
                low.is_some_and(|low| SAME_HEIGHT.contains(&((high.beta - low.beta) / height)))
            })
            .map(|high| high.path_nm)
            .collect();
        for list in [&mut found.low, &mut found.high] {
            list.retain(|e| of_slit.contains(&e.path_nm));
        }
    }
    let ends = || found.low.iter().chain(&found.high);
    let clearest = ends().map(|e| e.snr).fold(0.0, f64::max);
    let clear = ends().filter(|e| e.snr > CLEAR_OF_CLEAREST * clearest);
    let Some(sharp) = median(clear.map(|e| e.blur_px)) else {
        return;
    };
    let bound = TIMES * sharp + LEAST_PX;
    for list in [&mut found.low, &mut found.high] {
        list.retain(|e| e.blur_px < bound);
    }
}

/// Takes out the ends that lie off the others of their side by more than four times those' scatter, and by 4 px.
fn drop_contradicted(found: &mut Edges, optics: &Optics) {
    const SIGMAS: f64 = 4.0;
    const LEAST_PX: f64 = 4.0;
    let rays = optics.rays();
    for list in [&mut found.low, &mut found.high] {
        if list.len() < LEAST_TO_CONTRADICT {
            continue;
        }
        let betas: Vec<f64> = list.iter().map(|e| rays.height(e.at)).collect();
        let middle_of = |values: &[f64]| median(values.iter().copied()).unwrap_or(0.0);
        let middle = middle_of(&betas);
        let off: Vec<f64> = betas.iter().map(|b| (b - middle).abs()).collect();
        let bound = (SIGMAS * SIGMA_PER_MEDIAN * middle_of(&off)).max(LEAST_PX / optics.focal_px);
        let mut off = off.iter();
        list.retain(|_| off.next().is_some_and(|o| *o <= bound));
    }
}

/// Ends seen in so many blocks of colour are believed whatever the slit's own image looks like.
const MANY_ENDS: usize = 8;

/// Extent of the slit in β − β_mid: from its ends in the band; where few of them are seen (one line in a leak) and they
/// do not agree with the slit's own image, from that.
fn lit_heights(edges: &Edges, slit: &Slit, optics: &Optics) -> Interval {
    let rays = optics.rays();
    let end = |sign: f64| rays.height(slit.at(sign * slit.half_length_px));
    let own = Interval::new(end(-1.0).min(end(1.0)), end(-1.0).max(end(1.0)));
    let Some(seen) = extent(edges) else {
        return own;
    };
    let apart = (seen.low - own.low).abs().max((seen.high - own.high).abs());
    let few = edges.low.len().min(edges.high.len()) < MANY_ENDS;
    if few && apart > APART_SHARE * own.width() {
        own
    } else {
        seen
    }
}

impl Survey {
    /// The slit's ends as observations, in the band and in the slit's own image.
    pub fn ends(&self) -> Vec<Observation> {
        let mut observations = height_observations(&self.edges);
        observations.extend(own_ends(&self.slit, &self.edges));
        observations
    }
}

/// The ends as observations: each end has one height in all colours.
fn height_observations(edges: &Edges) -> Vec<Observation> {
    let mut observations = Vec::new();
    for list in [&edges.low, &edges.high] {
        // An end that is far off the others of its order (dust, a leak's rim) would turn the whole picture; the orders
        // themselves lie apart where the picture is turned.
        let Some(of_both) = median_height(list.iter()) else {
            continue;
        };
        let mut taken: Vec<&Edge> = Vec::new();
        for sign in [-1.0, 1.0] {
            let order = || list.iter().filter(|e| e.path_nm * sign > 0.0);
            let own = median_height(order()).filter(|_| order().count() >= ENDS_OF_AN_ORDER);
            let median = own.unwrap_or(of_both);
            let near = |e: &&Edge| (e.beta - median).abs() < OFF_SHARE * median.abs();
            taken.extend(order().filter(near));
        }
        if taken.len() >= 2 {
            let blur_px = taken.iter().map(|e| e.blur_px);
            observations.push(Observation::SameHeight {
                sigma_px: END_PX.hypot(END_SHARE * median(blur_px).unwrap_or(0.0)),
                at: taken.iter().map(|e| e.at).collect(),
            });
        }
    }
    observations
}

/// An end of the slit is known to so many px in one colour…
const END_PX: f64 = 2.0;
/// …and to this share of its blur: the pupil before grooves that are circles smears it the more the redder its light, and a lamp
/// that fills the slit unevenly shifts the middle of that (drawn photos of two hands).
const END_SHARE: f64 = 0.6;
/// So many ends of an order stand for themselves.
const ENDS_OF_AN_ORDER: usize = 3;

fn median_height<'a>(ends: impl Iterator<Item = &'a Edge>) -> Option<f64> {
    median(ends.map(|e| e.beta))
}

fn extent(edges: &Edges) -> Option<Interval> {
    let low = median_height(edges.low.iter())?;
    let high = median_height(edges.high.iter())?;
    (high - low > LEAST_HEIGHT).then_some(Interval::new(low, high))
}
