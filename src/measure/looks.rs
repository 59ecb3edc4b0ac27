//! What a photo shows at first sight, from its pixels alone: a lamp by its pattern of lines, other lines, light of all colours,
//! nothing, or a room. Rules ask for it where a photo's name says nothing.
//!
//! A lamp is known by the pattern and the search that make a scale of its photo (`scale`). Most photos are told by every second
//! pixel; one that may be a lamp's is looked at as a whole.

use std::sync::Arc;

use crate::decode::Facts;
use crate::frame::Frame;
use crate::measure::light::profile::Profile;
use crate::measure::scale::lamp_photo::lamp_picture;
use crate::measure::scale::lamp_picture::{
    LEAST_CLEAR_SCORE, LEAST_LEAD, LampPicture, SURE_PER_LEAD, WIDEST_LINE_NM, n_placed, sureness,
};
use crate::measure::scale::recognise::{Feature, SEEN_NM, features};
use crate::measure::sight::{Familiar, Map, Survey, look, survey};
use crate::terms::{Lamp, Look, Seen};

/// A picture is thinned until its longer side has no fewer pixels than this: then a pixel is 1.5 nm at most of a coarse disc,
/// less than a line's width.
const ENOUGH_PX: usize = 1300;
/// So many ends of the slit, seen in different colours at one height, leave no doubt about the kind of disc.
const CLEAR_ENDS: usize = 8;

/// So many lines in their places on one side of the slit make a pattern: fluorescent lamps had 6 to 15, other lights up to 5
/// at such an agreement (drawn photos)…
const LEAST_PLACED: usize = 6;
/// …and all of a lamp's that has fewer, but no fewer than tell lamps apart…
const TELLING_PLACED: usize = 3;
/// …with this agreement, for few lines agree by chance.
const LEAST_OF_FEW: f64 = 0.2;
/// A feature with less than this weight (root of its height over the highest) need not be seen, at this width, nm, of a
/// line.
const PLAIN_WEIGHT: f64 = 0.3;
const USUAL_FWHM_NM: f64 = 2.0;
/// Below the least agreement by so much, or with so many lines fewer, it may still be the lamp.
const DOUBTED_AGREEMENT: f64 = 0.1;
const DOUBTED_LINES: usize = 1;

/// With this agreement or less, or fewer lines in their places, a thinned picture shows no such lamp: lamps gave −0.39 and 6
/// at least (drawn photos).
const HOPELESS_AGREEMENT: f64 = -0.5;
const HOPELESS_PLACED: usize = 4;
/// So much light in lines of which too few stand out of a thinned picture calls for all of it.
const SOME_LINES_SHARE: f64 = 0.25;
/// With less light than this in lines nothing makes a lamp's pattern: lamps had 0.19 and more (drawn photos).
const LEAST_LINES_SHARE: f64 = 0.1;
/// From this share of an order's light in lines on it is a spectrum of lines: lamps had 0.56 and more, LEDs and bulbs up to
/// 0.27 (drawn photos).
const LINES_SHARE: f64 = 0.4;

/// Without a slit's image and with no cell brighter than this, linear share of full scale, a picture is dark: darks had
/// 0.002, pockets 0.04 (drawn photos)…
const DARK_LEVEL: f64 = 0.02;
/// …and up to so many times as bright it may be a dark with stray light in it.
const NEARLY_DARK: f64 = 2.5;

/// What is looked for.
pub struct Sought<'a> {
    /// Lamps that rules ask for, the ones that name a look.
    pub lamps: Vec<&'a Lamp>,
    /// Lamps whose pattern only raises a doubt, and of what.
    pub doubtful: Vec<(&'a Lamp, Look)>,
    /// Distances between grooves that a disc of the room may have, nm.
    pub groove_spacings_nm: &'a [f64],
}

/// What is seen in a picture. Never fails, and depends on nothing but its arguments.
pub fn seen(frame: &Frame, facts: &Facts, sought: &Sought<'_>) -> Seen {
    let n = frame.width().max(frame.height()) / ENOUGH_PX;
    if n < 2 {
        return glance(frame, facts, sought).seen;
    }
    let glance_at_few = glance(&frame.thinned(n), facts, sought);
    match glance_at_few.needs_all {
        true => glance(frame, facts, sought).seen,
        false => glance_at_few.seen,
    }
}

/// One look at a picture.
struct Glance {
    seen: Seen,
    /// True where a thinned picture does not decide.
    needs_all: bool,
}

fn glance(frame: &Frame, facts: &Facts, sought: &Sought<'_>) -> Glance {
    let facts = Facts {
        width: frame.width(),
        height: frame.height(),
        ..facts.clone()
    };
    let map = Arc::new(Map::new(frame));
    match best_survey(frame, &map, &facts, sought.groove_spacings_nm) {
        Err(why) => Glance {
            seen: without_slit(&map, &why),
            needs_all: false,
        },
        Ok(survey) => spectrum(&lamp_picture(frame, &survey), sought),
    }
}

/// How sure a judgement is that leads by `lead` over the other one, 0.5…1, in hundredths.
fn sure(lead: f64) -> f64 {
    (100.0 * sureness(lead)).round() / 100.0
}

/// The slit and its band with the disc that shows most of the slit's ends.
///
/// # Errors
/// In words, where there is no spectrum.
fn best_survey(
    frame: &Frame,
    map: &Arc<Map>,
    facts: &Facts,
    spacings_nm: &[f64],
) -> Result<Survey, String> {
    let mut log = Vec::new();
    let sight = look(frame, map, facts.focal_px(), &Familiar::default(), &mut log);
    let sight = sight.map_err(|no| no.why)?;
    let ends = |s: &Survey| s.edges.low.len() + s.edges.high.len();
    let mut best: Option<Survey> = None;
    for spacing_nm in spacings_nm {
        let here = survey(frame, &sight, *spacing_nm);
        if best.as_ref().is_none_or(|best| ends(&here) > ends(best)) {
            best = Some(here);
        }
        if best.as_ref().is_some_and(|best| ends(best) >= CLEAR_ENDS) {
            break;
        }
    }
    let best = best.ok_or("no disc to look through")?;
    match best.doubt() {
        Some(why) => Err(why),
        None => Ok(best),
    }
}

/// A picture without the slit's image.
fn without_slit(map: &Map, why: &str) -> Seen {
    let brightest = map.light.iter().copied().fold(0.0f32, f32::max);
    let brightest = f64::from(brightest);
    let is_dark = brightest < DARK_LEVEL;
    let times = brightest.max(1e-6) / DARK_LEVEL;
    let level = format!(
        "{why}; brightest level {:.2} % of full scale",
        100.0 * brightest
    );
    Seen {
        look: Some(if is_dark { Look::Dark } else { Look::Room }),
        sure: sure(SURE_PER_LEAD * 2.0 * times.ln().abs()),
        or: (!is_dark && times < NEARLY_DARK).then_some(Look::Dark),
        why: level,
        slate: None,
    }
}

/// How well a picture's lines agree with a lamp's pattern, and how many are in their places on one side of the slit.
struct Agreement<'a> {
    lamp: &'a Lamp,
    agreement: f64,
    n_placed: usize,
    /// So many are needed of this lamp.
    needed: usize,
}

impl<'a> Agreement<'a> {
    fn of(picture: &LampPicture<'_>, lamp: &'a Lamp) -> Option<Agreement<'a>> {
        let candidates = picture.candidates(lamp);
        let best = candidates.first()?;
        Some(Agreement {
            lamp,
            agreement: best.score,
            n_placed: n_placed(best),
            needed: n_plain_features(lamp).min(LEAST_PLACED),
        })
    }

    fn least(&self) -> f64 {
        if self.needed < LEAST_PLACED {
            LEAST_OF_FEW
        } else {
            LEAST_CLEAR_SCORE
        }
    }

    fn is_made(&self) -> bool {
        self.agreement >= self.least() && self.n_placed >= self.needed.max(TELLING_PLACED)
    }

    fn may_be_made(&self) -> bool {
        let needed = self.needed.saturating_sub(DOUBTED_LINES);
        self.agreement >= self.least() - DOUBTED_AGREEMENT
            && self.n_placed >= needed.max(TELLING_PLACED)
    }

    fn is_hopeless(&self) -> bool {
        self.agreement <= HOPELESS_AGREEMENT || self.n_placed < HOPELESS_PLACED.min(self.needed)
    }

    fn words(&self) -> String {
        format!(
            "{}: agreement {:.2}, {} lines in their places",
            self.lamp.name, self.agreement, self.n_placed
        )
    }
}

/// How many of a lamp's features a phone plainly sees.
fn n_plain_features(lamp: &Lamp) -> usize {
    let is_plain = |f: &&Feature| f.weight >= PLAIN_WEIGHT && SEEN_NM.contains(f.nm);
    let features = features(lamp, USUAL_FWHM_NM);
    features.iter().filter(is_plain).count()
}

/// A picture with a slit and its spectrum.
fn spectrum(picture: &LampPicture<'_>, sought: &Sought<'_>) -> Glance {
    let profiles = picture.orders.iter().map(|order| &order.profile);
    let brighter = profiles.max_by(|a, b| total(a).total_cmp(&total(b)));
    let share = brighter.map_or(0.0, in_lines);
    let n_lines = picture.sides.iter().map(|side| side.maxima.len()).max();
    let can_be_told = n_lines.is_some_and(|n| n >= TELLING_PLACED) && share >= LEAST_LINES_SHARE;
    let mut asked: Vec<Agreement<'_>> = Vec::new();
    if can_be_told {
        let lamps = sought.lamps.iter();
        asked.extend(lamps.filter_map(|lamp| Agreement::of(picture, lamp)));
    }
    asked.sort_by(|a, b| b.agreement.total_cmp(&a.agreement));
    let needs_all = match can_be_told {
        true => asked.iter().any(|a| !a.is_hopeless()),
        false => share >= SOME_LINES_SHARE,
    };
    let seen = lamp_seen(&asked).unwrap_or_else(|| {
        let doubtful: &[(&Lamp, Look)] = if can_be_told { &sought.doubtful } else { &[] };
        no_lamp_seen(picture, &asked, doubtful, share)
    });
    Glance { seen, needs_all }
}

/// The lamp whose pattern the lines make, `asked` being sorted by agreement.
fn lamp_seen(asked: &[Agreement<'_>]) -> Option<Seen> {
    let mut made = asked.iter().filter(|a| a.is_made());
    let best = made.next()?;
    let rival = made.next();
    let rival = rival.filter(|next| best.agreement - next.agreement < LEAST_LEAD);
    let lead = best.agreement - best.least();
    Some(Seen {
        look: Some(Look::Lamp(best.lamp.name.clone())),
        sure: sure(rival.map_or(lead, |_| 0.0)),
        or: rival.map(|next| Look::Lamp(next.lamp.name.clone())),
        why: best.words(),
        slate: None,
    })
}

/// A spectrum of which this share is in lines, and which is none of the lamps that were asked for.
fn no_lamp_seen(
    picture: &LampPicture<'_>,
    asked: &[Agreement<'_>],
    doubtful: &[(&Lamp, Look)],
    share: f64,
) -> Seen {
    let of_doubtful = || {
        doubtful.iter().find_map(|(lamp, look)| {
            let found = Agreement::of(picture, lamp)?;
            let is_like = found.agreement >= LEAST_OF_FEW && found.n_placed >= TELLING_PLACED;
            is_like.then(|| (look.clone(), found.words()))
        })
    };
    let doubt = asked.iter().find(|a| a.may_be_made());
    let doubt = doubt.map(|a| (Look::Lamp(a.lamp.name.clone()), a.words()));
    let doubt = doubt.or_else(of_doubtful);
    let tried = doubt.as_ref().map(|(_, words)| words.clone());
    let tried = tried.or_else(|| asked.first().map(Agreement::words));
    let tried = tried.map_or_else(String::new, |words| format!("; {words}"));
    let is_lines = share >= LINES_SHARE;
    Seen {
        look: Some(if is_lines {
            Look::Lines
        } else {
            Look::Continuous
        }),
        sure: sure((share - LINES_SHARE).abs()),
        or: doubt.map(|(look, _)| look),
        why: format!("{:.0} % of the light in lines{tried}", 100.0 * share),
        slate: None,
    }
}

fn total(profile: &Profile) -> f64 {
    profile.light.iter().sum()
}

/// Share of an order's light that is narrower than a line can be wide, 0…1: what is taken away where the profile is first
/// lowered to the lowest within that width, and then raised again (an opening, as image processing calls it).
fn in_lines(profile: &Profile) -> f64 {
    let reach = (0.5 * WIDEST_LINE_NM / profile.step_nm).round() as usize;
    let around = |values: &[f64], i: usize, reach: usize| {
        let end = (i + reach + 1).min(values.len());
        values[i.saturating_sub(reach)..end].to_vec()
    };
    let n = profile.len();
    let smooth: Vec<f64> = (0..n)
        .map(|i| {
            let near = around(&profile.light, i, 2);
            (near.iter().sum::<f64>() / near.len() as f64).max(0.0)
        })
        .collect();
    let lowest = |i: usize| {
        around(&smooth, i, reach)
            .into_iter()
            .fold(f64::MAX, f64::min)
    };
    let lowered: Vec<f64> = (0..n).map(lowest).collect();
    let highest = |i: usize| around(&lowered, i, reach).into_iter().fold(0.0, f64::max);
    let broad: f64 = (0..n).map(highest).sum();
    let light: f64 = smooth.iter().sum();
    if light <= 0.0 {
        return 0.0;
    }
    (1.0 - broad / light).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn profile(light: impl Fn(f64) -> f64) -> Profile {
        let n = 1600;
        let (start_nm, step_nm) = (380.0, 0.25);
        let light: Vec<f64> = (0..n)
            .map(|i| light(start_nm + i as f64 * step_nm))
            .collect();
        Profile {
            sign: 1.0,
            start_nm,
            step_nm,
            rgb: vec![[0.0; 3]; n],
            rgb_sigma: vec![[0.0; 3]; n],
            sigma: vec![1e-6; n],
            clipped: vec![0.0; n],
            background: vec![0.0; n],
            light,
        }
    }

    #[test]
    fn lines_are_told_from_light_of_all_colours_by_their_width() {
        let bell = |nm: f64, at: f64, sigma: f64| (-0.5 * ((nm - at) / sigma).powi(2)).exp();
        let lines = in_lines(&profile(|nm| bell(nm, 436.0, 1.0) + bell(nm, 546.0, 1.0)));
        assert!(lines > 0.95, "{lines}");
        let bulb = in_lines(&profile(|nm| bell(nm, 600.0, 60.0)));
        assert!(bulb < 0.05, "{bulb}");
        let both = in_lines(&profile(|nm| {
            bell(nm, 546.0, 1.0) + 0.05 * bell(nm, 560.0, 30.0)
        }));
        assert!((0.3..0.7).contains(&both), "{both}");
        assert_eq!(in_lines(&profile(|_| 0.0)), 0.0);
    }

    #[test]
    fn a_judgement_without_lead_is_sure_to_a_half_and_one_with_a_great_one_wholly() {
        assert_eq!((sure(0.0), sure(-1.0), sure(2.0)), (0.5, 0.5, 1.0));
        assert!(sure(0.1) > 0.8 && sure(0.1) < 0.85);
    }
}
