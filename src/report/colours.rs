//! Lamps seen through the response that a bulb of stated temperature gives a bench's phone: `colours.csv` and `power.csv`, and
//! what the bench's page shows of them. The bulb's photo is one whose rule has a group `kelvin`. The arithmetic is that of
//! `answers`.

use std::collections::BTreeMap;

use super::dictionary;
use super::shown::{Shown, by_path};
use super::whose::Whose;
use crate::answers::Refusal;
use crate::answers::bands;
use crate::answers::edges::{FilterEdge, of_continuum};
use crate::answers::response::{Colour, KELVIN_SIGMA, bins, colour, response};
use crate::classify::stated::number;
use crate::publish::files::table::{Row, Table};
use crate::publish::files::tables::read_spectrum;
use crate::publish::numbers;
use crate::terms::{Estimate, Spectrum};

/// Group of a rule that states a bulb's temperature, K.
const KELVIN: &str = "kelvin";

/// What a scale is trusted to, nm, where a photo does not say how well it is known.
const USUAL_SIGMA_NM: f64 = 0.5;

/// Why a light has no colour where its bench has photographed no bulb.
pub const NO_RESPONSE: &str = "no-response";
/// Why the bulb's own photo has none.
pub const IS_THE_BULB: &str = "is-the-bulb";

/// One lamp photo's answers.
pub struct Light<'a> {
    /// Its bench.
    pub bench: &'a str,
    /// Path below the inbox.
    pub photo: &'a str,
    /// What the people call it.
    pub label: &'a str,
    /// The bulb's photo and its stated temperature, K; absent where no response is known.
    pub bulb: Option<(&'a str, f64)>,
    /// Its colour, or why there is none.
    pub colour: Result<Colour, Refusal>,
    /// The edge of a filter before it, or why there is none.
    pub edge: Result<FilterEdge, Refusal>,
    /// Power by wavelength (nm), every 5 nm where it is known, as a share of the highest; empty where none is.
    pub power: Vec<(f64, Estimate)>,
}

impl Light<'_> {
    /// Where its power is not known it has neither a colour nor an edge.
    fn refused(mut self, code: &'static str, why: impl Into<String>) -> Self {
        let refusal = Refusal::new(code, why);
        self.edge = Err(refusal.clone());
        self.colour = Err(refusal);
        self
    }
}

/// Every lamp photo of the class, by path. `fetch` gives a photo's `spectrum.csv`.
///
/// Every sample on a calibrated scale without a blank is a lamp. Without a bulb on the same bench it has no colour; nor has
/// the bulb's own photo, whose temperature is stated and would only come out again.
pub fn of_class<'a>(
    photos: &[Shown<'a>],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Vec<Light<'a>> {
    let lamps: Vec<Shown<'a>> = by_path(photos)
        .into_iter()
        .filter(|s| {
            let r = s.record;
            r.is_usable_sample() && r.is_calibrated() && r.answers.lamp.is_some()
        })
        .collect();
    let mut read = |s: &Shown<'a>| -> Option<Spectrum> { read_spectrum(&fetch(s)?).ok() };
    // The last bulb by path counts: it was taken anew for a reason.
    let mut bulbs: BTreeMap<&str, (&'a str, f64, Spectrum)> = BTreeMap::new();
    for s in &lamps {
        if let Some(kelvin) = stated(s).and_then(number)
            && let Some(spectrum) = read(s)
        {
            bulbs.insert(&s.record.bench, (&s.record.photo, kelvin, spectrum));
        }
    }
    lamps
        .iter()
        .map(|s| light(s, bulbs.get(s.record.bench.as_str()), &mut read))
        .collect()
}

fn stated<'a>(s: &Shown<'a>) -> Option<&'a str> {
    s.record.groups.get(KELVIN).map(String::as_str)
}

fn light<'a>(
    s: &Shown<'a>,
    bulb: Option<&(&'a str, f64, Spectrum)>,
    read: &mut impl FnMut(&Shown<'a>) -> Option<Spectrum>,
) -> Light<'a> {
    let r = s.record;
    let mut light = Light {
        bench: &r.bench,
        photo: &r.photo,
        label: &r.label,
        bulb: None,
        colour: Err(Refusal::new(
            NO_RESPONSE,
            "a colour needs a photo of a bulb of stated temperature on this bench",
        )),
        edge: Err(Refusal::new(
            NO_RESPONSE,
            "an edge needs a photo of a bulb of stated temperature on this bench, or a blank without the filter",
        )),
        power: Vec::new(),
    };
    if let Some(text) = stated(s).filter(|text| number(text).is_none()) {
        return light.refused(
            "no-temperature",
            format!("\"{text}\" is no temperature in kelvin: write a number such as 2800"),
        );
    }
    let Some((photo, kelvin, bulb)) = bulb else {
        return light;
    };
    if *photo == r.photo {
        return light.refused(
            IS_THE_BULB,
            "the phone's response is taken from it, its temperature is as stated",
        );
    }
    light.bulb = Some((photo, *kelvin));
    let Some(spectrum) = read(s) else {
        return light.refused("no-spectrum", "its spectrum.csv cannot be read");
    };
    light.colour = colour(bulb, *kelvin, &spectrum);
    light.edge = match response(bulb, *kelvin, KELVIN_SIGMA) {
        Err(refusal) => Err(refusal),
        Ok(response) => {
            let power = response.power(&spectrum);
            light.power = shares_of_the_highest(bins(&spectrum, &power));
            let wavelengths = spectrum.rows.iter().map(|row| row.wavelength_nm);
            let rows: Vec<bands::Row> = wavelengths.zip(power).collect();
            of_continuum(&rows, r.scale_sigma_nm().unwrap_or(USUAL_SIGMA_NM))
        }
    };
    light
}

/// Powers as shares of the highest; none where there is no light.
fn shares_of_the_highest(bins: Vec<(f64, Option<Estimate>)>) -> Vec<(f64, Estimate)> {
    let powers = bins.iter().filter_map(|b| b.1.map(|e| e.value));
    let top = powers.fold(0.0, f64::max);
    let known = bins.into_iter().filter(|_| top > 0.0);
    known
        .filter_map(|(nm, e)| {
            let e = e?;
            Some((nm, Estimate::new(e.value / top, e.sigma / top)))
        })
        .collect()
}

/// `colours.csv`: a row per lamp photo.
pub fn colours_csv(lights: &[Light<'_>], whose: &Whose<'_>) -> Vec<u8> {
    let mut table = Table::new(dictionary::COLOURS.columns);
    for light in lights {
        let known = light.colour.as_ref().ok();
        let temperature = known.map(|c| c.temperature.as_ref());
        let (kelvin, duv) = temperature.and_then(Result::ok).cloned().unzip();
        let dominant = known.and_then(|c| c.dominant.as_ref().ok());
        let (dominant, purity) = dominant.cloned().unzip();
        let refused = light.colour.as_ref().err();
        let row = Row::default()
            .text(light.bench)
            .text(light.photo)
            .text(light.bulb.map_or("", |b| b.0))
            .maybe(light.bulb.map(|b| numbers::fixed(b.1, 0)))
            .estimate(known.map(|c| c.x))
            .estimate(known.map(|c| c.y))
            .estimate(kelvin)
            .estimate(duv)
            .estimate(dominant)
            .estimate(purity)
            .maybe(refused.or(temperature.and_then(Result::err)));
        let edge = light.edge.as_ref().ok();
        let row = row
            .cell(edge.map_or("", |e| e.kind.into()))
            .estimate(edge.map(|e| e.nm))
            .maybe(edge.map(|e| numbers::fixed(e.width_nm, 1)))
            .maybe(light.edge.as_ref().err());
        table.push(whose.of_photo(row, light.photo));
    }
    table.finish()
}

/// `power.csv`: a row per lamp photo and 5 nm.
pub fn power_csv(lights: &[Light<'_>], whose: &Whose<'_>) -> Vec<u8> {
    let mut table = Table::new(dictionary::POWER.columns);
    for light in lights {
        for (nm, share) in &light.power {
            let row = Row::default()
                .text(light.bench)
                .text(light.photo)
                .cell(numbers::fixed(*nm, 0))
                .cell(numbers::fixed(share.value, 4))
                .cell(numbers::fixed(share.sigma, 4));
            table.push(whose.of_photo(row, light.photo));
        }
    }
    table.finish()
}
