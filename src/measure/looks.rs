//! What a photo shows at first sight, from its pixels alone: a lamp by its pattern of lines, other lines, light of all colours,
//! nothing, or a room. Rules ask for it where a photo's name says nothing.
//!
//! A lamp is known by the pattern and the search that make a scale of its photo (`scale`). Most photos are told by some rows of
//! their band; one that may be a lamp's is looked at as a whole, and what is found so is what measuring begins with ([`View`]).

use std::sync::Arc;

use crate::decode::Facts;
use crate::frame::Frame;
use crate::measure::light::profile::Profile;
use crate::measure::scale::lamp_photo::{Surveyed, rough_picture, whole_picture};
use crate::measure::scale::lamp_picture::{
    LEAST_CLEAR_SCORE, LEAST_LEAD, LampPicture, Patterned, SURE_PER_LEAD, WIDEST_LINE_NM, sureness,
};
use crate::measure::scale::recognise::{Candidate, Feature, SEEN_NM, features, n_placed};
use crate::measure::sight::{CLEAR_ENDS, Map, Sight, Sketch, Survey, rough_survey, survey};
use crate::measure::view::{Alone, View};
use crate::terms::{Lamp, Look, Seen};

/// A band is read by so few rows at first that its picture's longer side would have no fewer than this: their noise is still no
/// more than a line's.
const ENOUGH_PX: usize = 1300;

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

/// With this agreement at first sight or less, or fewer lines in their places, there is no such lamp. A hundred sound lamps had −0.21 and
/// more, with 10 to 16 lines (drawn photos of as many benches: the long run of `tests/recovered/looks.rs`): what is left below is for
/// lamps that are less sound. Hydrogen had −0.71 to −0.56, helium −0.67 to −0.46 with 3 to 5 lines; neon, −0.51 to −0.33 with 7 to 11,
/// and mercury, −0.51 to −0.25 with 4 to 8, are mostly looked at as a whole.
const HOPELESS_AGREEMENT: f64 = -0.5;
const HOPELESS_PLACED: usize = 4;
/// There is no doubtful one with this: ten tubes with the older coating had 0.31 to 0.60 and mercury, which has its lines, −0.02 to 0.60
/// (one of 25 below 0); helium, hydrogen and neon had −0.61 to −0.22 (the same run).
const HOPELESS_DOUBT: f64 = 0.0;
/// So much light in lines of which too few stand out of some rows calls for all of them: light of all colours had up to 0.09 in some
/// rows, tubes with the older coating 0.14 to 0.19 (the same run).
const SOME_LINES_SHARE: f64 = 0.25;
/// With so much of it in some rows nobody doubts that it is lines: mercury, sodium, helium, hydrogen and 16 of 17 lasers had 0.84 and more
/// (one laser had 0), and neon 0.55 to 0.93, one of 17 having less than this; it was looked at as a whole. Where all rows are read these
/// lights have 0.06 less to 0.06 more (the same run).
const PLAIN_LINES_SHARE: f64 = 0.56;
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
    pub groove_spacings_nm: Vec<f64>,
}

/// What is seen in a picture, and what was found in it on the way, for whoever measures it. Never fails, and depends on nothing but its
/// arguments.
pub fn seen(frame: &Frame, facts: &Facts, sought: &Sought<'_>) -> (Seen, View) {
    let sketch = Sketch::of(frame);
    let mut alone = Alone::of(frame, &sketch, facts.focal_px());
    let seen = match &alone.sight {
        Err(no) => without_slit(&sketch.map, &no.why),
        Ok(sight) => {
            let whole = || whole_look(frame, sight, sought);
            let first = rough_stride(frame).map(|stride| first_look(frame, sight, sought, stride));
            let (seen, surveyed) = match first {
                Some(Err(why)) => (Err(why), Vec::new()),
                Some(Ok(first)) if first.tells() => (Ok(first.light.told(None, "")), Vec::new()),
                _ => whole(),
            };
            alone.surveyed = surveyed;
            seen.unwrap_or_else(|why| without_slit(&sketch.map, &why))
        }
    };
    let alone = Some(alone);
    (seen, View { sketch, alone })
}

/// What is seen where there is a slit's image, or why there is no spectrum.
type Told = Result<Seen, String>;

/// Of how many rows of a picture's band one is read at first; absent where all are.
fn rough_stride(frame: &Frame) -> Option<usize> {
    let stride = frame.width().max(frame.height()) / ENOUGH_PX;
    (stride > 1).then_some(stride)
}

/// What some rows of a band show before anything is adjusted.
pub struct FirstSight<'a> {
    /// The light.
    pub light: Light,
    /// Each lamp that is looked for; none where there are too few lines.
    pub lamps: Vec<AtFirst<'a>>,
}

/// A lamp at first sight.
pub struct AtFirst<'a> {
    /// Which.
    pub lamp: &'a Lamp,
    /// How well the lines agree with its pattern, −1…1, and how many are in their places on the side where more are; absent where there is
    /// nothing to compare.
    pub found: Option<(f64, usize)>,
    /// With this agreement or less it is none.
    hopeless_agreement: f64,
}

impl AtFirst<'_> {
    /// True where there is no such lamp, whatever else would be looked at.
    pub fn is_hopeless(&self) -> bool {
        self.found.is_none_or(|(agreement, n_placed)| {
            agreement <= self.hopeless_agreement
                || n_placed < HOPELESS_PLACED.min(needed(self.lamp))
        })
    }
}

impl FirstSight<'_> {
    /// True where it says what the light is.
    pub fn tells(&self) -> bool {
        let is_plain = match self.light.lamps_can_be_told() {
            true => self.lamps.iter().all(AtFirst::is_hopeless),
            false => self.light.share < SOME_LINES_SHARE,
        };
        is_plain && !self.light.is_between()
    }
}

/// What a picture shows at first sight: what [`seen`] decides by whether to look at all of it. Absent where there is no slit's image or
/// no spectrum, and where a picture is so small that it is looked at as a whole.
pub fn first_sight<'a>(
    frame: &Frame,
    facts: &Facts,
    sought: &Sought<'a>,
) -> Option<FirstSight<'a>> {
    let alone = Alone::of(frame, &Sketch::of(frame), facts.focal_px());
    first_look(frame, &alone.sight.ok()?, sought, rough_stride(frame)?).ok()
}

/// A look at every `stride`-th row of the band.
///
/// # Errors
/// In words, where there is no spectrum.
fn first_look<'a>(
    frame: &Frame,
    sight: &Sight,
    sought: &Sought<'a>,
    stride: usize,
) -> Result<FirstSight<'a>, String> {
    let surveys = surveys(sought, |nm| rough_survey(frame, sight, nm, stride));
    let picture = rough_picture(frame, &surveys[clearest(&surveys)?], stride);
    let light = Light::of(&picture);
    let mut lamps = Vec::new();
    if light.lamps_can_be_told() {
        let trials = picture.few_trials();
        let asked = sought.lamps.iter().map(|lamp| (*lamp, HOPELESS_AGREEMENT));
        let doubtful = sought.doubtful.iter();
        let doubtful = doubtful.map(|(lamp, _)| (*lamp, HOPELESS_DOUBT));
        let at_first = |(lamp, hopeless_agreement): (&'a Lamp, f64)| AtFirst {
            lamp,
            found: picture.at_first_sight(&trials, lamp),
            hopeless_agreement,
        };
        lamps.extend(asked.chain(doubtful).map(at_first));
    }
    Ok(FirstSight { light, lamps })
}

/// A look at the whole band; with it the surveys that were made, for whoever measures the picture.
fn whole_look(frame: &Frame, sight: &Sight, sought: &Sought<'_>) -> (Told, Vec<Surveyed>) {
    let surveys = surveys(sought, |nm| survey(frame, sight, nm));
    let best = match clearest(&surveys) {
        Ok(i) => i,
        Err(why) => return (Err(why), surveys.into_iter().map(Surveyed::of).collect()),
    };
    let picture = whole_picture(frame, &surveys[best]);
    let (seen, found) = spectrum(&picture, sought);
    let orders = Arc::clone(&picture.orders);
    let mut surveyed: Vec<Surveyed> = surveys.into_iter().map(Surveyed::of).collect();
    let with_lamps = surveyed.swap_remove(best).with(orders, found);
    surveyed.push(with_lamps);
    (Ok(seen), surveyed)
}

/// How sure a judgement is that leads by `lead` over the other one, 0.5…1, in hundredths.
fn sure(lead: f64) -> f64 {
    (100.0 * sureness(lead)).round() / 100.0
}

/// The slit and its band with each disc of the room, until one leaves no doubt.
fn surveys(sought: &Sought<'_>, survey: impl Fn(f64) -> Survey) -> Vec<Survey> {
    let mut made: Vec<Survey> = Vec::new();
    for nm in &sought.groove_spacings_nm {
        made.push(survey(*nm));
        if made.last().is_some_and(|made| made.n_ends() >= CLEAR_ENDS) {
            break;
        }
    }
    made
}

/// Which survey shows most of the slit's ends.
///
/// # Errors
/// In words, where there is no spectrum.
fn clearest(surveys: &[Survey]) -> Result<usize, String> {
    let best = (0..surveys.len()).min_by_key(|&i| std::cmp::Reverse(surveys[i].n_ends()));
    let best = best.ok_or("no disc to look through")?;
    surveys[best].doubt().map_or(Ok(best), Err)
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
    fn of(lamp: &'a Lamp, candidates: &[Candidate]) -> Option<Agreement<'a>> {
        let best = candidates.first()?;
        Some(Agreement {
            lamp,
            agreement: best.score,
            n_placed: n_placed(&best.pairs),
            needed: needed(lamp),
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

    fn words(&self) -> String {
        format!(
            "{}: agreement {:.2}, {} lines in their places",
            self.lamp.name, self.agreement, self.n_placed
        )
    }
}

/// So many lines in their places are needed of a lamp: all that a phone plainly sees of it, if they are few.
fn needed(lamp: &Lamp) -> usize {
    let is_plain = |f: &&Feature| f.weight >= PLAIN_WEIGHT && SEEN_NM.contains(f.nm);
    let features = features(lamp, USUAL_FWHM_NM);
    features.iter().filter(is_plain).count().min(LEAST_PLACED)
}

/// A spectrum's light before any lamp is asked for.
pub struct Light {
    /// Share of the brighter order's light that is in lines, 0…1.
    pub share: f64,
    /// Lines on the side where more stand out.
    pub n_lines: usize,
}

impl Light {
    fn of(picture: &LampPicture<'_>) -> Light {
        let profiles = picture.orders.iter().map(|order| &order.profile);
        let brighter = profiles.max_by(|a, b| total(a).total_cmp(&total(b)));
        let n_lines = picture.sides.iter().map(|side| side.maxima.len()).max();
        Light {
            share: brighter.map_or(0.0, in_lines),
            n_lines: n_lines.unwrap_or(0),
        }
    }

    /// True where few rows do not say whether it is lines.
    fn is_between(&self) -> bool {
        (SOME_LINES_SHARE..PLAIN_LINES_SHARE).contains(&self.share)
    }

    /// True where there are lines enough to tell lamps by.
    fn lamps_can_be_told(&self) -> bool {
        self.n_lines >= TELLING_PLACED && self.share >= LEAST_LINES_SHARE
    }

    /// It is none of the lamps that were asked for; it may be another light, and this was `tried`.
    fn told(&self, or: Option<Look>, tried: &str) -> Seen {
        let is_lines = self.share >= LINES_SHARE;
        Seen {
            look: Some(if is_lines {
                Look::Lines
            } else {
                Look::Continuous
            }),
            sure: sure((self.share - LINES_SHARE).abs()),
            or,
            why: format!("{:.0} % of the light in lines{tried}", 100.0 * self.share),
            slate: None,
        }
    }
}

/// A picture with a slit and its spectrum, and the scales on which its lines make the patterns of the lamps that were asked for.
fn spectrum(picture: &LampPicture<'_>, sought: &Sought<'_>) -> (Seen, Vec<Patterned>) {
    let light = Light::of(picture);
    if !light.lamps_can_be_told() {
        return (light.told(None, ""), Vec::new());
    }
    let trials = picture.trials();
    let found = sought.lamps.iter().map(|lamp| Patterned {
        lamp: (*lamp).clone(),
        candidates: picture.candidates_among(&trials, lamp),
    });
    let found: Vec<Patterned> = found.collect();
    let asked = found.iter();
    let mut asked: Vec<Agreement<'_>> = asked
        .filter_map(|found| Agreement::of(&found.lamp, &found.candidates))
        .collect();
    asked.sort_by(|a, b| b.agreement.total_cmp(&a.agreement));
    let of_doubtful = || {
        sought.doubtful.iter().find_map(|(lamp, look)| {
            let candidates = picture.candidates_among(&trials, lamp);
            let found = Agreement::of(lamp, &candidates)?;
            let is_like = found.agreement >= LEAST_OF_FEW && found.n_placed >= TELLING_PLACED;
            is_like.then(|| (look.clone(), found.words()))
        })
    };
    let seen = lamp_seen(&asked).unwrap_or_else(|| no_lamp_seen(&light, &asked, of_doubtful));
    (seen, found)
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

/// A spectrum that is none of the lamps that were asked for; it may be one of the doubtful ones.
fn no_lamp_seen(
    light: &Light,
    asked: &[Agreement<'_>],
    of_doubtful: impl Fn() -> Option<(Look, String)>,
) -> Seen {
    let doubt = asked.iter().find(|a| a.may_be_made());
    let doubt = doubt.map(|a| (Look::Lamp(a.lamp.name.clone()), a.words()));
    let doubt = doubt.or_else(of_doubtful);
    let tried = doubt.as_ref().map(|(_, words)| words.clone());
    let tried = tried.or_else(|| asked.first().map(Agreement::words));
    let tried = tried.map_or_else(String::new, |words| format!("; {words}"));
    light.told(doubt.map(|(look, _)| look), &tried)
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
