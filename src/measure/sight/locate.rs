//! Where is the slit's image, and which way does the grating spread the light?
//!
//! Works on a reduced map of the frame (cells of a few pixels). Every elongated bright spot is tried as the slit's
//! image: seen from the right one, light lies in a strip as tall as the slit, at the distances at which a grating
//! puts the visible spectrum, with nothing between, the same on both sides where both orders are there, and in
//! pure colours.

use crate::measure::optics::SMEAR_RAD;
use crate::measure::sight::bars::{Sketch, spots};
use crate::measure::sight::map::Map;
use crate::measure::sight::spot::{Located, Spot};
use crate::measure::sight::strip::{edge_share, line_purity, lines_of_the_slit};
use crate::terms::{Interval, Point};

/// Score above which the slit's image is taken for found: three quarters of sound photos reach it, no wrong spot of theirs.
const CONVINCING_SCORE: f64 = 2.8;
/// What being where the slit's image was in the lamp photo adds to the score at most…
const NEAR_SCORE: f64 = 0.4;
/// …falling off over this share of the picture's longer side: a phone turned by 3° is 0.05 off.
const NEAR_SHARE: f64 = 0.06;

/// Where across the strip its light is looked at, in half lengths of the slit from its middle, and at how many of these places at
/// least…
const WITHIN: [f64; 7] = [-0.72, -0.48, -0.24, 0.0, 0.24, 0.48, 0.72];
const LEAST_WITHIN: f64 = 5.0;
/// …and where beyond the slit's ends what else there is.
const BEYOND: [f64; 6] = [-1.9, -1.6, -1.35, 1.35, 1.6, 1.9];
const LEAST_BEYOND: f64 = 2.0;
/// A strip of fewer places where a spectrum can be shows none.
const LEAST_PLACES: f64 = 10.0;

/// Focal lengths of phones, in longer sides of the picture, where the file states none; and how far a stated one may be off.
const FOCAL_SHARES: (f64, f64) = (0.6, 1.1);
const STATED_FOCAL: (f64, f64) = (0.9, 1.1);
/// Where the visible spectrum lies, in focal lengths from the slit's image: of a coarse grating (1600 nm) λ/d is from 0.235 to 0.45;
/// that of a fine one (740 nm), seen past the axis, is up to 1.15 away.
const ZONE_FROM: f64 = 0.2;
const ZONE_TO: f64 = 1.2;
/// So far, in focal lengths, light along the dispersion is looked at.
const LOOK_TO: f64 = 1.3;
/// The slit's image and its glare: so many half widths of it and so many cells, and at least this share of the focal length.
const CORE_WIDTHS: f64 = 3.0;
const CORE_CELLS: f64 = 4.0;
const CORE_SHARE: f64 = 0.04;
/// Light of a place is what is above so many of its noises; a place is the mean of so many cells.
const LIT_SIGMAS: f64 = 2.5;
const CELLS_OF_A_PLACE: f64 = 7.0;
/// The two sides agree but for this share of the focal length, by which incidence and distortion part them, and so many cells.
const PARTED_SHARE: f64 = 0.015;
const PARTED_CELLS: f64 = 2.0;
/// What each of these adds to a spot's score at most; the share of light in place adds 1 (no source).
const SYMMETRY_SCORE: f64 = 0.5;
const BRIGHTNESS_SCORE: f64 = 0.6;
const SATURATION_SCORE: f64 = 0.3;
const RANK_SCORE: f64 = 0.4;
const SIGNIFICANCE_SCORE: f64 = 0.5;
/// A significance that adds half of that.
const HALF_SIGNIFICANCE: f64 = 15.0;

/// An image so many times as bright as any other line is as bright as need be (no source).
const BRIGHT_ENOUGH: f64 = 1.5;
/// The dispersion is sought square to the slit, then so far askew, degrees…
const SQUARE_DEG: &[f64] = &[0.0];
const ASKEW_DEG: &[f64] = &[-4.0, 4.0, -8.0, 8.0, -12.0, 12.0];
/// …and from the best on in steps of so many degrees, so many to either side (no source).
const TURN_STEPS: [(f64, i32); 2] = [(2.0, 7), (0.5, 4)];
/// A turn of the dispersion is better where it is more significant by more than rounding.
const MORE: f64 = 1.0001;
/// Under a leak the dispersion is sought by lines so far to either side of square, degrees; so many lines show it.
const LEAK_TURN_DEG: i32 = 8;
const LEAK_LINES: usize = 2;

/// Share of the picture's edges in the strip from which the rest of the picture is calm: dark, or a smooth veil.
pub const CALM_EDGE_SHARE: f64 = 0.6;

/// Finds the slit's image, or says why there is nothing like a spectrum.
///
/// `focal_px` is the focal length in pixels if the file states it; otherwise a wide range is allowed for. `expected` are
/// pixels near which the slit's image was in another photo of the bench: phones are laid on their tube alike, and of two
/// bright lines the one there is rather the slit.
pub fn locate(
    sketch: &Sketch,
    focal_px: Option<f64>,
    expected: &[Point],
) -> Result<Located, String> {
    let Sketch { map, spots, noise } = sketch;
    let noise = *noise;
    if spots.is_empty() {
        return Err("no bright line that could be the slit's image".into());
    }
    let longest = map.width.max(map.height) as f64;
    let (focal_low, focal_high) = match focal_px {
        Some(f) => (
            f / map.cell_px as f64 * STATED_FOCAL.0,
            f / map.cell_px as f64 * STATED_FOCAL.1,
        ),
        None => (FOCAL_SHARES.0 * longest, FOCAL_SHARES.1 * longest),
    };
    let cell = map.cell_px as f64;
    let near = |found: &Located| -> f64 {
        expected
            .iter()
            .map(|e| {
                let d = e.distance(found.centre) / cell;
                NEAR_SCORE * (-(d / (NEAR_SHARE * longest)).powi(2)).exp()
            })
            .fold(0.0, f64::max)
    };
    let mut best: Option<(f64, Located, Spot)> = None;
    let mut start = 0.0;
    // Square to the slit; where nothing convinces, as far askew as a disc that was glued on badly: far from the slit the
    // strip would miss the spectrum otherwise.
    for turns_deg in [SQUARE_DEG, ASKEW_DEG] {
        if best.as_ref().is_some_and(|b| b.1.score > CONVINCING_SCORE) {
            break;
        }
        for spot in spots {
            for turn_deg in turns_deg {
                let turn = turn_deg.to_radians();
                if let Some(found) = try_spot(map, spot, turn, focal_low, focal_high, noise) {
                    let score = found.score + near(&found);
                    if best.as_ref().is_none_or(|b| score > b.0) {
                        best = Some((score, found, spot.clone()));
                        start = turn;
                    }
                }
            }
        }
    }
    let Some((_, mut best, spot)) = best else {
        return Err("no light where a grating would put the spectrum".into());
    };
    // The dispersion need not be square to the slit: the direction with the most contrast wins.
    let mut turn = start;
    for (step_deg, reach) in TURN_STEPS {
        let around = turn;
        for i in -reach..=reach {
            let angle = around + f64::from(i) * step_deg.to_radians();
            if let Some(found) = try_spot(map, &spot, angle, focal_low, focal_high, noise)
                && found.significance > best.significance * MORE
            {
                best = found;
                turn = angle;
            }
        }
    }
    let zone = Interval::new(ZONE_FROM * focal_low, ZONE_TO * focal_high);
    let smear = SMEAR_RAD * 0.5 * (focal_low + focal_high);
    best.edge_share = edge_share(map, &best, focal_high, noise);
    (best.lines, best.line_light) = lines_of_the_slit(map, &best, &spot, (zone, smear), noise);
    if best.edge_share < CALM_EDGE_SHARE {
        // Under a leak its streaks can have more contrast than the spectrum; a lamp's lines still stand out of them.
        for turn_deg in -LEAK_TURN_DEG..=LEAK_TURN_DEG {
            let turn = f64::from(turn_deg).to_radians();
            let Some(mut found) = try_spot(map, &spot, turn, focal_low, focal_high, noise) else {
                continue;
            };
            (found.lines, found.line_light) =
                lines_of_the_slit(map, &found, &spot, (zone, smear), noise);
            if found.lines >= LEAK_LINES && found.line_light > best.line_light {
                best = found;
            }
        }
        best.edge_share = edge_share(map, &best, focal_high, noise);
    }
    Ok(best)
}

/// A bright bar.
pub struct LoneBar {
    /// Its middle, px.
    pub centre: Point,
    /// Direction square to it, rad.
    pub across_rad: f64,
    /// Its light by channel, as shares of their sum, where it is not over-exposed.
    pub colour: [f64; 3],
}

/// What lies within this share of the picture's longer side from its edge is cut off, or as good as: a line needs dark beside it.
pub const RIM_SHARE: f64 = 0.01;

/// A bar's half width is at most this share of its half length.
const BAR_SLIMNESS: f64 = 0.25;
/// A bar stands alone where more than this share of the picture's light cells is its own.
const ALONE_SHARE: f64 = 0.9;
/// Cells are light from this level on (linear share of full scale), and from so many of the map's noises.
const LIGHT_FROM: f32 = 0.02;
const LIGHT_SIGMAS: f32 = 6.0;
/// A bar's light reaches so many of its half lengths along it.
const BAR_REACH: f64 = 1.6;

/// Finds the one bright bar in an otherwise black picture. Absent where there is none, or other light beside it; what lies at
/// the picture's edge is none.
pub fn lone_bar(map: &Map) -> Option<LoneBar> {
    let spots = spots(map);
    let spot = spots.first()?;
    if spot.half_width > BAR_SLIMNESS * spot.half_length {
        return None;
    }
    let mut light = map.narrow_light();
    let lone = |light: &[f32]| {
        let (bar, near, all) = bar(map, light, spot, 2.0 * spot.half_length);
        (near as f64 > ALONE_SHARE * all as f64).then_some(bar)
    };
    lone(&light).or_else(|| {
        let rim = (RIM_SHARE * map.width.max(map.height) as f64).ceil() as usize;
        let inside = |at: usize, size: usize| at >= rim && at + rim < size;
        for (i, light) in light.iter_mut().enumerate() {
            if !(inside(i % map.width, map.width) && inside(i / map.width, map.height)) {
                *light = 0.0;
            }
        }
        lone(&light)
    })
}

/// The bright narrow bars of a picture that are as long as `of_px` says, among the brightest few of all spots.
pub fn bars_of_length(map: &Map, of_px: Interval) -> Vec<LoneBar> {
    let light = map.narrow_light();
    spots(map)
        .iter()
        .filter(|spot| {
            let length_px = 2.0 * spot.half_length * map.cell_px as f64;
            spot.half_width < BAR_SLIMNESS * spot.half_length
                && of_px.low < length_px
                && length_px < of_px.high
        })
        .map(|spot| bar(map, &light, spot, 3.0 * spot.half_width).0)
        .collect()
}

/// A spot as a bar, with its colour within so many cells of its middle line; the number of lit cells there, and of all.
fn bar(map: &Map, light: &[f32], spot: &Spot, reach: f64) -> (LoneBar, usize, usize) {
    let (ax, ay) = (spot.angle.cos(), spot.angle.sin());
    let level = LIGHT_FROM.max(LIGHT_SIGMAS * map.noise() as f32);
    let (mut near, mut all) = (0usize, 0usize);
    let mut colour = [0.0f64; 3];
    for (i, light) in light.iter().enumerate() {
        if *light > level {
            let (x, y) = (
                (i % map.width) as f64 - spot.x,
                (i / map.width) as f64 - spot.y,
            );
            let (t, s) = (x * ax + y * ay, y * ax - x * ay);
            all += 1;
            let at_bar = t.abs() < BAR_REACH * spot.half_length && s.abs() < reach;
            near += usize::from(at_bar);
            if at_bar && map.clipped[i] == 0.0 {
                for (sum, light) in colour.iter_mut().zip(map.rgb[i]) {
                    *sum += f64::from(light);
                }
            }
        }
    }
    let cell = map.cell_px as f64;
    let sum = colour.iter().sum::<f64>().max(1e-9);
    let bar = LoneBar {
        centre: Point::new((spot.x + 0.5) * cell - 0.5, (spot.y + 0.5) * cell - 0.5),
        across_rad: canonical(spot.angle + std::f64::consts::FRAC_PI_2),
        colour: colour.map(|c| c / sum),
    };
    (bar, near, all)
}

/// Normalises a direction to (−π/4, 3π/4]: right or down.
fn canonical(angle: f64) -> f64 {
    use std::f64::consts::{FRAC_PI_4, PI};
    let mut a = angle;
    while a <= -FRAC_PI_4 {
        a += PI;
    }
    while a > 3.0 * FRAC_PI_4 {
        a -= PI;
    }
    a
}

/// Takes a spot for the slit's image, with the dispersion `turn` off square to it: how well does the light beside it agree with
/// that? Absent where a grating would put none.
fn try_spot(
    map: &Map,
    spot: &Spot,
    turn: f64,
    focal_low: f64,
    focal_high: f64,
    noise: f64,
) -> Option<Located> {
    let dispersion = canonical(spot.angle + std::f64::consts::FRAC_PI_2 + turn);
    let (dx, dy) = (dispersion.cos(), dispersion.sin());
    let along = (spot.angle.cos(), spot.angle.sin());
    let half = spot.half_length;
    let reach = (map.width as f64)
        .hypot(map.height as f64)
        .min(LOOK_TO * focal_high);
    // Orders are smeared along the slit.
    let smear = SMEAR_RAD * 0.5 * (focal_low + focal_high) / half;
    let outside = BEYOND.map(|t| t + smear.copysign(t));
    let zone = Interval::new(ZONE_FROM * focal_low, ZONE_TO * focal_high);
    let core = (CORE_WIDTHS * spot.half_width + CORE_CELLS).max(CORE_SHARE * focal_low);
    let steps = reach as i64;
    let mut profile = vec![f64::NAN; (2 * steps + 1) as usize];
    let mut pure_profile = profile.clone();
    let mut colours: Vec<Option<[f64; 3]>> = vec![None; profile.len()];
    let (mut total, mut in_zone, mut weight_colour, mut sum_colour) = (0.0, 0.0, 0.0, 0.0);
    let mut side = [0.0f64; 2];
    let mut n_zone = 0.0f64;
    for i in -steps..=steps {
        let s = i as f64;
        let place = (spot.x + s * dx, spot.y + s * dy);
        let Some((colour, pure)) = light_at(map, place, along, half, &outside) else {
            continue;
        };
        profile[(i + steps) as usize] = (colour[0] + colour[1] + colour[2]) / 3.0;
        colours[(i + steps) as usize] = Some(colour);
        pure_profile[(i + steps) as usize] = pure;
        if s.abs() <= core {
            continue;
        }
        let lit = (pure - LIT_SIGMAS * noise / CELLS_OF_A_PLACE.sqrt()).max(0.0);
        total += lit;
        if s.abs() >= zone.low && s.abs() <= zone.high {
            in_zone += lit;
            n_zone += 1.0;
            side[usize::from(s > 0.0)] += lit;
            let Interval { low, high: top } = Interval::of(colour);
            if top > 0.0 && lit > 0.0 {
                let low = low.max(0.0);
                // Squared: of a faint leak and a bright line the line speaks for the grating.
                sum_colour += lit * lit * (1.0 - low / top);
                weight_colour += lit * lit;
            }
        }
    }
    if in_zone <= 0.0 || n_zone < LEAST_PLACES {
        return None;
    }
    let blur = (PARTED_SHARE * focal_low).max(PARTED_CELLS) as i64;
    let symmetry = symmetry(&pure_profile, zone, blur, noise);
    let zone_share = in_zone / total.max(1e-9);
    let saturation = if weight_colour > 0.0 {
        sum_colour / weight_colour
    } else {
        0.0
    };
    let saturation = saturation.max(line_purity(&colours, spot, zone, noise));
    let significance = in_zone / (noise * (n_zone / CELLS_OF_A_PLACE).sqrt());
    let brightness = brightness(&profile, zone, (2.0 * spot.half_width + 1.0).ceil() as i64);
    let score = zone_share
        + SYMMETRY_SCORE * symmetry * symmetry
        + BRIGHTNESS_SCORE * brightness
        + SATURATION_SCORE * saturation
        + RANK_SCORE * spot.rank.sqrt()
        + SIGNIFICANCE_SCORE * significance / (significance + HALF_SIGNIFICANCE);
    let cell = map.cell_px as f64;
    Some(Located {
        centre: Point::new((spot.x + 0.5) * cell - 0.5, (spot.y + 0.5) * cell - 0.5),
        dispersion_rad: dispersion,
        slit_rad: spot.angle,
        half_length_px: half * cell,
        zone_share,
        symmetry,
        saturation,
        significance,
        side_light: side.map(|s| s / (n_zone / 2.0)),
        edge_share: 0.0,
        is_grey: map.is_grey,
        lines: 0,
        line_light: 0.0,
        score,
    })
}

/// The light at one place of the strip beside the slit's image, less that beyond its ends (`outside`, in half lengths): by
/// channel, and as much of it as is a grating's. Absent where too little of the strip lies in the map. `along` is the slit's
/// direction, and `half` its half length in cells.
fn light_at(
    map: &Map,
    (x, y): (f64, f64),
    (ax, ay): (f64, f64),
    half: f64,
    outside: &[f64],
) -> Option<([f64; 3], f64)> {
    let mut n = 0.0;
    let mut rgb = [0.0f64; 3];
    for t in WITHIN {
        if let Some(j) = map.sample(x + t * half * ax, y + t * half * ay) {
            for (sum, light) in rgb.iter_mut().zip(map.rgb[j]) {
                *sum += f64::from(light);
            }
            n += 1.0;
        }
    }
    if n < LEAST_WITHIN {
        return None;
    }
    // Beyond either end of the slit.
    let mut out = [[0.0f64; 3]; 2];
    let mut m = [0.0f64; 2];
    for t in outside {
        if let Some(j) = map.sample(x + t * half * ax, y + t * half * ay) {
            let end = usize::from(*t > 0.0);
            for (sum, light) in out[end].iter_mut().zip(map.rgb[j]) {
                *sum += f64::from(light);
            }
            m[end] += 1.0;
        }
    }
    if m[0] + m[1] < LEAST_BEYOND {
        return None;
    }
    let over =
        |out: [f64; 3], m: f64| -> [f64; 3] { std::array::from_fn(|c| rgb[c] / n - out[c] / m) };
    let colour = over(std::array::from_fn(|c| out[0][c] + out[1][c]), m[0] + m[1]);
    // A grating's light is pure in colour, stray light is nearly grey: only what differs between the channels
    // counts as the spectrum's, and only what stands out beyond both ends of the slit: a streak of a leak does so
    // beyond one. In a picture without colours all light counts.
    let pure_part = |colour: [f64; 3]| -> f64 {
        if map.is_grey {
            return colour[0].max(0.0);
        }
        let top = colour[0].max(colour[1]).max(colour[2]);
        let low = colour[0].min(colour[1]).min(colour[2]);
        if colour[0] + colour[1] + colour[2] > 0.0 {
            (top - low.max(0.0)) / 3.0
        } else {
            0.0
        }
    };
    let pure = (0..2)
        .filter(|&end| m[end] > 0.0)
        .map(|end| pure_part(over(out[end], m[end])))
        .fold(f64::INFINITY, f64::min);
    Some((colour, pure))
}

/// Light of a side is what is above so many of its noises.
const SIDE_SIGMAS: f64 = 4.0;

/// Agreement of the two sides of `profile`, 0…1, each smoothed over `blur` cells to either side; the slit's image is in its middle.
fn symmetry(profile: &[f64], zone: Interval, blur: i64, noise: f64) -> f64 {
    let steps = (profile.len() / 2) as i64;
    let smooth = |i: i64| -> Option<f64> {
        let mut sum = 0.0;
        for k in -blur..=blur {
            let j = i + k + steps;
            let p = *profile.get(j as usize)?;
            if p.is_nan() {
                return None;
            }
            sum += p;
        }
        let n = (2 * blur + 1) as f64;
        Some((sum - SIDE_SIGMAS * noise * (n / CELLS_OF_A_PLACE).sqrt()).max(0.0))
    };
    let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
    let mut i = zone.low as i64;
    while (i as f64) < zone.high {
        if let (Some(a), Some(b)) = (smooth(i), smooth(-i)) {
            let (a, b) = (a.sqrt(), b.sqrt());
            xy += a * b;
            xx += a * a;
            yy += b * b;
        }
        i += 2;
    }
    if xx > 0.0 && yy > 0.0 {
        xy / (xx * yy).sqrt()
    } else {
        0.0
    }
}

/// How bright the middle of `profile` is beside the brightest place of the zone, 0…1, at equal widths of `half_width` cells to
/// either side: the slit's own image is the brightest line there is.
fn brightness(profile: &[f64], zone: Interval, half_width: i64) -> f64 {
    let steps = (profile.len() / 2) as i64;
    let flux = |middle: i64| -> f64 {
        (middle - half_width..=middle + half_width)
            .filter_map(|j| profile.get((j + steps) as usize))
            .filter(|p| !p.is_nan())
            .map(|p| p.max(0.0))
            .sum()
    };
    let mut rival = 0.0f64;
    for i in (zone.low as i64)..(zone.high as i64) {
        rival = rival.max(flux(i)).max(flux(-i));
    }
    (flux(0) / rival.max(1e-9)).min(BRIGHT_ENOUGH) / BRIGHT_ENOUGH
}
