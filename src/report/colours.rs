//! `colours.csv` and `power.csv`: lamps seen through the response that a bulb of stated temperature gives a bench's phone. The
//! bulb's photo is one whose rule has a group `kelvin`. The arithmetic is that of `answers`.

use std::collections::BTreeMap;

use super::{Shown, by_path};
use crate::answers::Refusal;
use crate::answers::response::{KELVIN_SIGMA, bins, colour, response};
use crate::classify::Capture;
use crate::classify::stated::number;
use crate::measure::{Estimate, ScaleKind, Spectrum, Verdict};
use crate::publish::files::numbers;
use crate::publish::files::tables::{finish, push, read_spectrum, text_cell, writer};

/// Group of a rule that states a bulb's temperature, K.
const KELVIN: &str = "kelvin";

/// Both tables: a row per lamp photo in the first, one per photo and 5 nm in the second.
///
/// Every sample on a calibrated scale without a blank is a lamp. Without a bulb on the same bench its row says so, and has
/// no number; nor has the bulb's own, whose temperature is stated and would only come out again.
pub fn colours_and_power<'a>(
    photos: &[Shown<'a>],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> [Vec<u8>; 2] {
    let mut colours = writer();
    push(
        &mut colours,
        [
            "bench",
            "photo",
            "bulb",
            "bulb_kelvin",
            "x",
            "x_sigma",
            "y",
            "y_sigma",
            "cct_kelvin",
            "cct_kelvin_sigma",
            "duv",
            "duv_sigma",
            "dominant_nm",
            "dominant_nm_sigma",
            "purity",
            "purity_sigma",
            "refused",
        ],
    );
    let mut power = writer();
    push(
        &mut power,
        [
            "bench",
            "photo",
            "wavelength_nm",
            "relative_power",
            "relative_power_sigma",
        ],
    );
    let lamps: Vec<Shown<'a>> = by_path(photos)
        .into_iter()
        .filter(|s| {
            let r = s.record;
            r.capture == Some(Capture::Sample)
                && matches!(r.verdict, Verdict::Good | Verdict::Caution)
                && r.answers.lamp.is_some()
                && r.calibration
                    .as_ref()
                    .is_some_and(|c| c.kind == ScaleKind::Calibrated)
        })
        .collect();
    let stated = |s: &Shown<'a>| s.record.groups.get(KELVIN).map(String::as_str);
    let mut read = |s: &Shown<'a>| -> Option<Spectrum> { read_spectrum(&fetch(s)?).ok() };
    // The last bulb by path counts: it was taken anew for a reason.
    let mut bulbs: BTreeMap<&str, (&str, f64, Spectrum)> = BTreeMap::new();
    for s in &lamps {
        if let Some(kelvin) = stated(s).and_then(number)
            && let Some(spectrum) = read(s)
        {
            bulbs.insert(&s.record.bench, (&s.record.photo, kelvin, spectrum));
        }
    }
    for s in &lamps {
        let r = s.record;
        let mut row = vec![text_cell(&r.bench), text_cell(&r.photo)];
        let bulb = bulbs.get(r.bench.as_str());
        let refused = match (bulb, stated(s)) {
            (_, Some(text)) if number(text).is_none() => Some(format!(
                "no-temperature: \"{text}\" is no temperature in kelvin: write a number such as 2800"
            )),
            (None, _) => Some(
                "no-response: a colour needs a photo of a bulb of stated temperature on this bench"
                    .to_owned(),
            ),
            (Some((photo, ..)), _) if *photo == r.photo => Some(
                "is-the-bulb: the phone's response is taken from it, its temperature is as stated"
                    .to_owned(),
            ),
            _ => None,
        };
        let Some((photo, kelvin, bulb)) = bulb.filter(|_| refused.is_none()) else {
            row.extend([const { String::new() }; 14]);
            row.push(text_cell(&refused.unwrap_or_default()));
            push(&mut colours, row);
            continue;
        };
        row.extend([text_cell(photo), numbers::fixed(*kelvin, 0)]);
        let spectrum = read(s);
        let found = match &spectrum {
            Some(spectrum) => colour(bulb, *kelvin, spectrum),
            None => Err(unread()),
        };
        row.extend(cells(&found));
        push(&mut colours, row);
        if let (Some(spectrum), Ok(response)) = (&spectrum, response(bulb, *kelvin, KELVIN_SIGMA)) {
            let bins = bins(spectrum, &response.power(spectrum));
            let top = bins
                .iter()
                .filter_map(|b| b.1.map(|e| e.value))
                .fold(0.0, f64::max);
            for (nm, value) in bins.into_iter().filter(|_| top > 0.0) {
                if let Some(e) = value {
                    push(
                        &mut power,
                        [
                            text_cell(&r.bench),
                            text_cell(&r.photo),
                            numbers::fixed(nm, 0),
                            numbers::fixed(e.value / top, 4),
                            numbers::fixed(e.sigma / top, 4),
                        ],
                    );
                }
            }
        }
    }
    [finish(colours), finish(power)]
}

fn unread() -> Refusal {
    Refusal {
        code: "no-spectrum",
        why: "its spectrum.csv cannot be read".to_owned(),
    }
}

fn cells(found: &Result<crate::answers::response::Colour, Refusal>) -> Vec<String> {
    let two = |e: Option<Estimate>| e.map_or_else(Default::default, numbers::cells);
    let known = found.as_ref().ok();
    let temperature = known.and_then(|c| c.temperature.as_ref().ok());
    let dominant = known.and_then(|c| c.dominant.as_ref().ok());
    let mut row = Vec::new();
    row.extend(two(known.map(|c| c.x)));
    row.extend(two(known.map(|c| c.y)));
    row.extend(two(temperature.map(|t| t.0)));
    row.extend(two(temperature.map(|t| t.1)));
    row.extend(two(dominant.map(|d| d.0)));
    row.extend(two(dominant.map(|d| d.1)));
    row.push(match found {
        Err(refusal) => text_cell(&refusal.to_string()),
        Ok(c) => match &c.temperature {
            Err(refusal) => text_cell(&refusal.to_string()),
            Ok(_) => String::new(),
        },
    });
    row
}
