//! The slit's own image at full resolution: its middle line, its ends, its width.
//!
//! In a well exposed photo the zero order is clipped, often a hundredfold, and blown up by glare. Its middle is
//! therefore taken half-way between its two flanks, not from a centroid.

use crate::frame::Frame;
use crate::measure::optics::Rays;
use crate::measure::optics::adjust::Observation;
use crate::measure::sight::spot::Located;
use crate::terms::{Interval, Point, SIGMA_PER_MEDIAN, median, sorted};

/// One cut across the slit's image.
#[derive(Clone, Copy, Debug)]
pub struct Cut {
    /// Distance along the slit from its middle, px.
    pub along_px: f64,
    /// The point half-way between the flanks.
    pub at: Point,
    /// Distance between the flanks at half height, px.
    pub width_px: f64,
    /// Distance over which a flank climbs from 30 to 70 % of the height, mean of both, px.
    pub rise_px: f64,
    /// Height above the surroundings, linear share of full scale.
    pub contrast: f64,
    /// True where the top is at the ceiling in every channel looked at.
    pub clipped: bool,
}

/// The slit's image.
#[derive(Clone, Debug)]
pub struct Slit {
    /// Middle, px.
    pub centre: Point,
    /// Direction along the slit, clockwise (as seen) from the right, rad; points to +β.
    pub along_rad: f64,
    /// Half its length, px.
    pub half_length_px: f64,
    /// Cuts across it, in order along the slit; outliers are left out.
    pub cuts: Vec<Cut>,
    /// Scatter of the cuts about a straight line, px.
    pub scatter_px: f64,
    /// Median width at half height, px.
    pub width_px: f64,
    /// Median climb of its flanks from 30 to 70 %, px: short at an edge, long in the glare of a clipped image.
    pub rise_px: f64,
    /// Share of cuts whose top is clipped.
    pub clipped_share: f64,
    /// How far the image bends at its two ends to opposite sides, px: an image smeared aslant keeps only the first part
    /// of the movement at one end and the last part at the other.
    pub end_shear_px: f64,
}

/// Middle of the zero order, half-way between its flanks: what stays even where the image is as narrow as the slit…
const ANCHOR_PX: f64 = 0.015;
/// …and what each pixel of its width adds: glare and unequal lighting blow the flanks up unequally. Between drawn photos of
/// one bench the middle scatters by 0.03 px (two hands).
const ANCHOR_PER_WIDTH: f64 = 0.001;
/// Lenses magnify colours differently, by this share (standard deviation; common practice, no source): the slit's image has the
/// light's own colour, and where it lies off the lens's axis the colour moves it.
const COLOUR_SHARE: f64 = 3e-4;

/// Cuts scatter by no less than this, px; neighbouring ones share the unevenness of the blades, so that three count as one (√3).
const LEAST_SCATTER_PX: f64 = 0.05;
const SHARED_CUTS: f64 = 1.7;

/// An end of the slit's image that is nearer to the picture's edge than this, px, is cut off (no source).
const RIM_PX: f64 = 10.0;

impl Slit {
    /// The place so far along it from its middle, px; towards +β where that is positive.
    pub fn at(&self, reach_px: f64) -> Point {
        let along = (self.along_rad.cos(), self.along_rad.sin());
        self.centre.along(along, reach_px)
    }

    /// True where an end lies at the edge of a picture of this width and height, px.
    pub fn is_cut(&self, (width, height): (f64, f64)) -> bool {
        [-1.0, 1.0].iter().any(|end| {
            let Point { x, y } = self.at(end * (self.half_length_px + RIM_PX));
            x < 0.0 || y < 0.0 || x > width - 1.0 || y > height - 1.0
        })
    }

    /// The slit's image: one position for the anchor, and its straightness for the slant.
    pub fn observations(&self, rays: &Rays) -> Vec<Observation> {
        let nm_per_px = 1.0 / rays.px_per_nm(0.0).unwrap_or(2.0);
        let scatter_px = self.scatter_px.max(LEAST_SCATTER_PX);
        let anchor_px = ANCHOR_PX + ANCHOR_PER_WIDTH * self.width_px;
        let colour_px = COLOUR_SHARE * rays.off_axis_px(self.centre);
        vec![
            Observation::Path {
                at: self.centre,
                path_nm: 0.0,
                sigma_nm: anchor_px.hypot(colour_px) * nm_per_px,
            },
            Observation::SamePath {
                at: self.cuts.iter().map(|c| c.at).collect(),
                sigma_nm: SHARED_CUTS * scatter_px * nm_per_px,
            },
        ]
    }
}

/// Pixels per cut along the slit…
const CUT_PX: f64 = 6.0;
/// …or this share of a short one's half length, in whole pixels.
const CUT_SHARE: f64 = 1.0 / 6.0;

/// So many cuts at least show the slit.
const LEAST_CUTS: usize = 8;
/// A cut with less than this share of the upper quartile's contrast is off the slit: the lamp may light it unevenly, and dust
/// may hide parts of it…
const SLIT_SHARE: f64 = 0.33;
/// …and one with less than this share of that again shows nothing at all.
const FAINT_SHARE: f64 = 0.4;
/// A cut so many standard deviations off the line, and so many px, is no part of it.
const OFF_LINE_SIGMAS: f64 = 3.5;
const OFF_LINE_PX: f64 = 0.6;
/// Beyond the ends of the line so much of its length is still the slit's.
const NEAR_SHARE: f64 = 0.15;
/// The two ends of a sheared image bend alike, within this factor.
const ALIKE: f64 = 3.0;

/// A cut first reaches this share of the slit's half length to either side, and so many px at least…
const FIRST_REACH_SHARE: f64 = 0.35;
const FIRST_REACH_PX: f64 = 40.0;
/// …then so many widths of the slit's image and so many px, within these bounds, px.
const REACH_WIDTHS: f64 = 6.0;
const REACH_MORE_PX: f64 = 12.0;
const REACH_PX: (f64, f64) = (24.0, 140.0);
/// Cuts are made over so many half lengths of the slit and so many px more.
const TRACED_HALVES: f64 = 2.2;
const TRACED_MORE_PX: f64 = 30.0;

/// Traces the slit's image. Refuses where few cuts show it.
pub fn trace_slit(frame: &Frame, located: &Located) -> Option<Slit> {
    use std::f64::consts::{FRAC_PI_2, PI};
    // Along the slit towards +β: a quarter turn clockwise from the dispersion, ± the skew.
    let mut along = located.slit_rad;
    while along - (located.dispersion_rad + FRAC_PI_2) > FRAC_PI_2 {
        along -= PI;
    }
    while along - (located.dispersion_rad + FRAC_PI_2) < -FRAC_PI_2 {
        along += PI;
    }
    let mut centre = located.centre;
    let mut half = located.half_length_px;
    let mut reach_px = FIRST_REACH_PX.max(FIRST_REACH_SHARE * half);
    let mut result: Option<Slit> = None;
    for _ in 0..3 {
        let cut_px = (CUT_SHARE * half).floor().clamp(1.0, CUT_PX);
        let traced_px = TRACED_HALVES * half + TRACED_MORE_PX;
        let cuts = cuts(frame, centre, along, (traced_px, cut_px), reach_px);
        let slit = fit_line(cuts, (centre, along), cut_px)?;
        centre = slit.centre;
        along = slit.along_rad;
        half = slit.half_length_px;
        reach_px = (REACH_WIDTHS * slit.width_px + REACH_MORE_PX).clamp(REACH_PX.0, REACH_PX.1);
        result = Some(slit);
    }
    result
}

/// Cuts of `cut_px` each across a slit that reaches so far along it.
fn cuts(
    frame: &Frame,
    centre: Point,
    along: f64,
    (reach_along, cut_px): (f64, f64),
    reach_px: f64,
) -> Vec<Cut> {
    let (ax, ay) = (along.cos(), along.sin());
    // Across, towards +α: a quarter turn anticlockwise from +β.
    let (nx, ny) = (ay, -ax);
    let n_cuts = (reach_along / cut_px) as i64;
    let reach = reach_px.ceil() as i64;
    let mut seen_through: Vec<(f64, Profile)> = Vec::new();
    for i in -n_cuts..=n_cuts {
        let along_px = i as f64 * cut_px;
        let mut profile = vec![[0.0f64; 3]; (2 * reach + 1) as usize];
        let mut seen = true;
        for k in 0..cut_px as i64 {
            let t = along_px + k as f64 - (cut_px - 1.0) / 2.0;
            for (j, value) in profile.iter_mut().enumerate() {
                let s = j as f64 - reach as f64;
                let at = Point::new(centre.x + t * ax + s * nx, centre.y + t * ay + s * ny);
                let Some(light) = bilinear(frame, at) else {
                    seen = false;
                    break;
                };
                for c in 0..3 {
                    value[c] += f64::from(light[c]) / cut_px;
                }
            }
            if !seen {
                break;
            }
        }
        if !seen {
            continue;
        }
        seen_through.push((along_px, Profile::new(profile)));
    }
    let Some(channel) = channel_of(seen_through.iter().map(|(_, profile)| profile)) else {
        return Vec::new();
    };
    let cut = |(along_px, profile): &(f64, Profile)| {
        let f = profile.flanks(channel)?;
        let s = f.middle - reach as f64;
        Some(Cut {
            along_px: *along_px,
            at: centre.along((ax, ay), *along_px).along((nx, ny), s),
            width_px: f.width_px,
            rise_px: f.rise_px,
            contrast: f.contrast,
            clipped: f.clipped,
        })
    };
    seen_through.iter().filter_map(cut).collect()
}

/// Light at a place between pixels; absent outside the picture.
pub fn bilinear(frame: &Frame, Point { x, y }: Point) -> Option<[f32; 3]> {
    if x < 0.0 || y < 0.0 {
        return None;
    }
    let (x0, y0) = (x as usize, y as usize);
    if x0 + 1 >= frame.width() || y0 + 1 >= frame.height() {
        return None;
    }
    let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
    let (a, b) = (frame.rgb(x0, y0), frame.rgb(x0 + 1, y0));
    let (c, d) = (frame.rgb(x0, y0 + 1), frame.rgb(x0 + 1, y0 + 1));
    Some(std::array::from_fn(|i| {
        (a[i] * (1.0 - fx) + b[i] * fx) * (1.0 - fy) + (c[i] * (1.0 - fx) + d[i] * fx) * fy
    }))
}

/// One profile across the slit; the fields as in [`Cut`].
struct Flanks {
    /// Half-way between the flanks, index into the profile.
    middle: f64,
    width_px: f64,
    rise_px: f64,
    contrast: f64,
    clipped: bool,
}

/// What stands out by less than this, linear share of full scale, is not seen.
const LEAST_CONTRAST: f64 = 0.004;

/// A channel tells the image where it has more than this share of the strongest contrast.
const CLEAR_SHARE: f64 = 0.25;
/// A top above this is at the ceiling, linear share of full scale.
const CEILING: f64 = 0.97;
/// The plateau of a cut is what has this share of its height, and its flanks climb between these.
const PLATEAU_SHARE: f64 = 0.9;
const CLIMB: (f64, f64) = (0.3, 0.7);

/// The channel with the least clipped top that still has a quarter of the strongest contrast; each is given by the range from its
/// base to its top. Absent where nothing stands out.
pub fn clearest_channel(ranges: &[Interval; 3]) -> Option<usize> {
    let strongest = ranges.iter().map(|r| r.width()).fold(0.0f64, f64::max);
    if strongest < LEAST_CONTRAST {
        return None;
    }
    (0..3)
        .filter(|&c| ranges[c].width() > CLEAR_SHARE * strongest)
        .min_by(|&a, &b| ranges[a].high.total_cmp(&ranges[b].high))
}

/// Light across the slit.
struct Profile {
    light: Vec<[f64; 3]>,
    /// From base to top, by channel.
    ranges: [Interval; 3],
}

/// Profiles of which the strongest channel has less than this share of the upper quartile's contrast do not choose the channel.
const LIT_SHARE: f64 = 0.5;

/// The channel in which the whole image is told: that of its lit part's middle. Between channels the flanks lie elsewhere.
fn channel_of<'a>(profiles: impl Iterator<Item = &'a Profile> + Clone) -> Option<usize> {
    let strongest = |p: &Profile| p.ranges.iter().map(|r| r.width()).fold(0.0, f64::max);
    let contrasts = sorted(profiles.clone().map(strongest));
    let lit = LIT_SHARE * contrasts.get(contrasts.len() * 3 / 4)?;
    let lit = profiles.filter(|p| strongest(p) > lit);
    let middle = |c: usize| {
        let low = median(lit.clone().map(|p| p.ranges[c].low))?;
        let high = median(lit.clone().map(|p| p.ranges[c].high))?;
        Some(Interval::new(low, high))
    };
    clearest_channel(&[middle(0)?, middle(1)?, middle(2)?])
}

impl Profile {
    fn new(light: Vec<[f64; 3]>) -> Profile {
        let n = light.len();
        let quarter = n / 8;
        let ranges = std::array::from_fn(|c| {
            let ends = light[..quarter].iter().chain(&light[n - quarter..]);
            let top = light.iter().map(|p| p[c]).fold(f64::MIN, f64::max);
            Interval::new(median(ends.map(|p| p[c])).unwrap_or(top), top)
        });
        Profile { light, ranges }
    }

    /// The flanks in one channel. Refuses where nothing stands out or a flank is outside.
    fn flanks(&self, c: usize) -> Option<Flanks> {
        let Interval {
            low: base,
            high: top,
        } = self.ranges[c];
        if top - base < LEAST_CONTRAST {
            return None;
        }
        let profile = &self.light;
        let n = profile.len();
        let half = base + 0.5 * (top - base);
        // From the middle of the highest plateau outwards.
        let plateau: Vec<usize> = (0..n)
            .filter(|&i| profile[i][c] >= base + PLATEAU_SHARE * (top - base))
            .collect();
        let peak = plateau[plateau.len() / 2];
        let mut left = peak;
        while left > 0 && profile[left - 1][c] > half {
            left -= 1;
        }
        let mut right = peak;
        while right + 1 < n && profile[right + 1][c] > half {
            right += 1;
        }
        if left == 0 || right + 1 == n {
            return None;
        }
        let cross = |inside: usize, outside: usize| -> f64 {
            let (a, b) = (profile[inside][c], profile[outside][c]);
            let t = ((a - half) / (a - b)).clamp(0.0, 1.0);
            inside as f64 + t * (outside as f64 - inside as f64)
        };
        let (l, r) = (cross(left, left - 1), cross(right, right + 1));
        // Outwards from the top along one flank: how far from 70 to 30 %; one that never falls so far ends at the rim.
        let falls = |step: i64| -> f64 {
            let at = |i: i64| profile[i as usize][c];
            let below = |level: f64| -> f64 {
                let mut i = peak as i64;
                while i > 0 && i + 1 < n as i64 && at(i) > level {
                    i += step;
                }
                let (inside, outside) = (at(i - step), at(i));
                let share = (inside - level) / (inside - outside).max(1e-12);
                (i - step) as f64 + share.clamp(0.0, 1.0) * step as f64
            };
            (below(base + CLIMB.0 * (top - base)) - below(base + CLIMB.1 * (top - base))).abs()
        };
        Some(Flanks {
            middle: 0.5 * (l + r),
            width_px: r - l,
            rise_px: 0.5 * (falls(-1) + falls(1)),
            contrast: top - base,
            clipped: top > CEILING,
        })
    }
}

/// Fits a straight line to cuts of `cut_px` each, leaving out those off the slit.
fn fit_line(cuts: Vec<Cut>, (centre, along): (Point, f64), cut_px: f64) -> Option<Slit> {
    let (ax, ay) = (along.cos(), along.sin());
    let (nx, ny) = (ay, -ax);
    if cuts.len() < LEAST_CUTS {
        return None;
    }
    let contrasts = sorted(cuts.iter().map(|c| c.contrast));
    let level = SLIT_SHARE * contrasts[contrasts.len() * 3 / 4];
    let across = |c: &Cut| (c.at.x - centre.x) * nx + (c.at.y - centre.y) * ny;
    let faint: Vec<Cut> = cuts
        .iter()
        .filter(|c| c.contrast > FAINT_SHARE * level)
        .copied()
        .collect();
    let mut kept: Vec<Cut> = cuts.into_iter().filter(|c| c.contrast > level).collect();
    let (mut offset, mut slope, mut scatter) = (0.0, 0.0, 0.0);
    for _ in 0..6 {
        if kept.len() < LEAST_CUTS {
            return None;
        }
        let n = kept.len() as f64;
        let (mt, ms) = (
            kept.iter().map(|c| c.along_px).sum::<f64>() / n,
            kept.iter().map(across).sum::<f64>() / n,
        );
        let stt: f64 = kept.iter().map(|c| (c.along_px - mt).powi(2)).sum();
        let sts: f64 = kept
            .iter()
            .map(|c| (c.along_px - mt) * (across(c) - ms))
            .sum();
        slope = sts / stt.max(1e-9);
        offset = ms - slope * mt;
        let off = |c: &Cut| (across(c) - offset - slope * c.along_px).abs();
        scatter = SIGMA_PER_MEDIAN * median(kept.iter().map(off))?;
        let limit = (OFF_LINE_SIGMAS * scatter).max(OFF_LINE_PX);
        let before = kept.len();
        kept.retain(|c| off(c) <= limit);
        if kept.len() == before {
            break;
        }
    }
    let deviation = |c: &Cut| across(c) - offset - slope * c.along_px;
    // Connected to the image: dust and glare far off its ends do not count.
    let reach = kept.last()?.along_px - kept.first()?.along_px;
    let near = |c: &&Cut| {
        c.along_px > kept[0].along_px - NEAR_SHARE * reach
            && c.along_px < kept[kept.len() - 1].along_px + NEAR_SHARE * reach
    };
    let (low, high) = (
        faint.iter().find(near).map(deviation),
        faint.iter().rev().find(near).map(deviation),
    );
    let end_shear_px = match (low, high) {
        (Some(a), Some(b))
            if a * b < 0.0 && a.abs().max(b.abs()) < ALIKE * a.abs().min(b.abs()) =>
        {
            0.5 * (b - a).abs()
        }
        _ => 0.0,
    };
    let (first, last) = (kept.first()?.along_px, kept.last()?.along_px);
    let half_length_px = 0.5 * (last - first + cut_px);
    let middle = 0.5 * (first + last);
    let s = offset + slope * middle;
    let along_rad = along - slope.atan();
    let width_px = median(kept.iter().map(|c| c.width_px))?;
    let rise_px = median(kept.iter().map(|c| c.rise_px))?;
    let clipped_share = kept.iter().filter(|c| c.clipped).count() as f64 / kept.len() as f64;
    let cuts = kept
        .into_iter()
        .map(|c| Cut {
            along_px: c.along_px - middle,
            ..c
        })
        .collect();
    Some(Slit {
        centre: centre.along((ax, ay), middle).along((nx, ny), s),
        along_rad,
        half_length_px,
        cuts,
        scatter_px: scatter,
        width_px,
        rise_px,
        clipped_share,
        end_shear_px,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bar `width` px wide, blurred by a Gaussian of `sigma` px and cut off at the ceiling.
    fn bar(width: f64, sigma: f64, brightness: f64) -> Flanks {
        let profile: Vec<[f64; 3]> = (-60..=60)
            .map(|x| {
                let k = std::f64::consts::FRAC_1_SQRT_2 / sigma;
                let edge = |d: f64| libm::erf((f64::from(x) - d) * k);
                let light = 0.5 * (edge(-0.5 * width) - edge(0.5 * width));
                [(0.001 + brightness * light).min(1.0); 3]
            })
            .collect();
        Profile::new(profile).flanks(0).unwrap()
    }

    #[test]
    fn a_wide_bar_climbs_as_its_blur_does_and_a_clipped_narrow_one_over_a_good_part_of_its_width() {
        // A normal distribution goes from 30 to 70 % over 1.049 standard deviations (tables of the normal distribution).
        let smeared = bar(24.0, 1.2, 0.9);
        assert!(
            (smeared.rise_px - 1.2 * 1.049).abs() < 0.1,
            "{}",
            smeared.rise_px
        );
        assert!(
            (smeared.width_px - 24.0).abs() < 0.05,
            "{}",
            smeared.width_px
        );
        let narrow = bar(2.0, 4.0, 10.0);
        assert!(
            narrow.clipped && narrow.rise_px > 0.09 * narrow.width_px,
            "{}",
            narrow.rise_px
        );
        assert!((narrow.middle - 60.0).abs() < 1e-6);
    }
}
