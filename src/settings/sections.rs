//! The small sections of a configuration: instrument, arrival, work, pairing, output. Plain data, each with its
//! defaults and its bounds.

use serde::Deserialize;

use super::reading::{Spot, Table};
use crate::terms::{Instrument, Pairing, Sessions};

/// Reads what is stated of an instrument.
pub(super) fn read_instrument(instrument: &mut Instrument, t: &mut Table<'_>) {
    t.set(
        "groove_spacing_nm",
        &mut instrument.groove_spacings_nm,
        |spot| {
            if spot.says("auto") {
                return Some(Instrument::default().groove_spacings_nm);
            }
            // 300 nm: below it no visible light leaves in first order at normal incidence. 20 µm: above it the visible spectrum
            // is narrower than 1°.
            let each = spot.one_or_many();
            if each.is_empty() {
                spot.mistake("an empty list", "write auto, or the spacing in nm");
            }
            let stated = each.iter().map(|s| s.number(300.0..=20_000.0, "nm"));
            stated.collect()
        },
    );
    t.set_number(
        "slit_distance_mm",
        &mut instrument.slit_distance_mm,
        20.0..=5000.0,
        "mm",
    );
}

/// Reads who works at a bench: one name, or a list.
pub(super) fn read_people(spot: &Spot<'_>) -> Option<Vec<String>> {
    spot.one_or_many().iter().map(Spot::text).collect()
}

/// When to look at the listing although no event came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Poll {
    /// Where events cannot be relied on, such as folders over the network.
    Auto,
    /// Every [`Arrival::rescan_s`], whatever the file system.
    Always,
    /// On events only.
    Never,
}

/// When a file in the inbox counts as arrived.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrival {
    /// For how long size and time must not change, s.
    pub settle_s: f64,
    /// Time between two looks at the whole listing, s.
    pub rescan_s: f64,
    /// Whether to look without an event.
    pub poll: Poll,
    /// After this time without a change an incomplete picture is damaged, not on its way, s.
    pub damaged_after_s: f64,
}

impl Default for Arrival {
    fn default() -> Arrival {
        Arrival {
            settle_s: 2.0,
            rescan_s: 5.0,
            poll: Poll::Auto,
            damaged_after_s: 60.0,
        }
    }
}

impl Arrival {
    pub(super) fn read(&mut self, t: &mut Table<'_>) {
        t.set_number("settle_s", &mut self.settle_s, 0.1..=600.0, "s");
        t.set_number("rescan_s", &mut self.rescan_s, 0.5..=3600.0, "s");
        t.set("poll", &mut self.poll, |spot| {
            spot.word(&["auto", "always", "never"])
        });
        t.set_number(
            "damaged_after_s",
            &mut self.damaged_after_s,
            1.0..=86_400.0,
            "s",
        );
        if self.damaged_after_s < self.settle_s {
            t.spot().mistake(
                format!(
                    "damaged_after_s {} is less than settle_s {}",
                    self.damaged_after_s, self.settle_s
                ),
                "a file must first settle: make damaged_after_s the larger of the two",
            );
        }
    }
}

/// What the computer may be used for.
#[derive(Clone, Debug, PartialEq)]
pub struct Work {
    /// Photos worked on at a time; absent: as many as there are cores, as far as memory goes.
    pub workers: Option<usize>,
    /// Largest picture read, megapixels.
    pub max_megapixels: f64,
    /// Memory for photos in flight, MiB; absent: by the workers, and half of what is free at the start at most.
    pub memory_mib: Option<u64>,
}

impl Default for Work {
    fn default() -> Work {
        Work {
            workers: None,
            max_megapixels: 210.0,
            memory_mib: None,
        }
    }
}

impl Work {
    /// Largest picture read, pixels.
    pub fn max_pixels(&self) -> u64 {
        (self.max_megapixels * 1e6) as u64
    }

    pub(super) fn read(&mut self, t: &mut Table<'_>) {
        t.set("workers", &mut self.workers, |spot| {
            let workers = |spot: &Spot<'_>| spot.whole(1..=256, "photos at a time, or auto");
            spot.unless("auto", |spot| workers(spot).map(|n| n as usize))
        });
        t.set_number(
            "max_megapixels",
            &mut self.max_megapixels,
            0.1..=1000.0,
            "megapixels",
        );
        t.set("memory_mib", &mut self.memory_mib, |spot| {
            spot.unless("auto", |spot| spot.whole(64..=1 << 20, "MiB, or auto"))
        });
    }
}

/// Reads what belongs to what.
pub(super) fn read_pairing(pairing: &mut Pairing, t: &mut Table<'_>) {
    t.set("calibration", &mut pairing.calibration, |spot| {
        spot.word(&["nearest", "latest-before", "best"])
    });
    t.set("blank", &mut pairing.blank, |spot| {
        spot.word(&["nearest", "latest-before"])
    });
    t.set("within_h", &mut pairing.within_h, |spot| {
        spot.unless("any", |spot| spot.number(0.01..=87_600.0, "h, or any"))
    });
}

/// Reads what divides the inbox into sessions.
pub(super) fn read_sessions(spot: &Spot<'_>) -> Option<Sessions> {
    spot.table(|t| {
        let remedy = "write by: none, folder or date";
        let hour = t.get("day_begins_h");
        let by: By = t.need("by", remedy)?.word(&["none", "folder", "date"])?;
        if by != By::Date
            && let Some(hour) = &hour
        {
            hour.mistake(
                "a day has an hour to begin at only where sessions go by date",
                "write by: date, or leave it out",
            );
        }
        let hour = match hour {
            Some(hour) => hour.whole(0..=23, "h")?,
            None => 0,
        };
        Some(match by {
            By::None => Sessions::None,
            By::Folder => Sessions::Folder,
            By::Date => Sessions::Date {
                day_begins_h: u8::try_from(hour).unwrap_or(0),
            },
        })
    })
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
enum By {
    None,
    Folder,
    Date,
}

/// The wavelengths of the published spectra.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// First wavelength, nm.
    pub from_nm: f64,
    /// Last wavelength, nm.
    pub to_nm: f64,
    /// Step, nm.
    pub step_nm: f64,
}

impl Default for Output {
    fn default() -> Output {
        Output {
            from_nm: 370.0,
            to_nm: 780.0,
            step_nm: 0.25,
        }
    }
}

impl Output {
    pub(super) fn read(&mut self, t: &mut Table<'_>) {
        t.set_number("from_nm", &mut self.from_nm, 300.0..=1100.0, "nm");
        t.set_number("to_nm", &mut self.to_nm, 300.0..=1100.0, "nm");
        t.set_number("step_nm", &mut self.step_nm, 0.02..=10.0, "nm");
        // Below this nothing like a spectrum is left.
        if self.to_nm < self.from_nm + 50.0 {
            t.spot().mistake(
                format!(
                    "from {} nm to {} nm is less than 50 nm",
                    self.from_nm, self.to_nm
                ),
                "write the smaller wavelength as from_nm and leave at least 50 nm between the two",
            );
        }
    }
}

/// What people are shown beside the results themselves.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pages {
    /// Name of the class, on the board.
    pub title: String,
    /// True for a verdict card per photo in `<bench>/cards/`.
    pub cards: bool,
    /// Seconds after which the pages load themselves again; 0 for never.
    pub refresh_s: u64,
}

impl Default for Pages {
    fn default() -> Pages {
        Pages {
            title: "Spectroscopy class".to_owned(),
            cards: false,
            refresh_s: 5,
        }
    }
}

impl Pages {
    pub(super) fn read(&mut self, t: &mut Table<'_>) {
        t.set("title", &mut self.title, Spot::text);
        t.set("cards", &mut self.cards, Spot::flag);
        // An hour: beyond it nobody waits for the page.
        t.set("refresh_s", &mut self.refresh_s, |spot| {
            spot.whole(0..=3600, "s")
        });
    }
}

/// Shortest password, letters: a shorter one is soon guessed by whoever may try as often as he likes (common practice, no source).
const SHORTEST_PASSWORD: usize = 8;

/// Reads the password that is asked for before the pages of the whole class are served.
pub(super) fn read_password(spot: &Spot<'_>) -> Option<Option<String>> {
    let password = spot.text()?;
    let remedy = format!("write {SHORTEST_PASSWORD} letters or more, on one line, or leave it out");
    // What a browser cannot send (RFC 7617, 2).
    if password.chars().any(char::is_control) {
        return spot.refused("a password with a line break or the like in it", remedy);
    }
    // Not quoted: mistakes stand in logs.
    if password.chars().count() < SHORTEST_PASSWORD {
        return spot.refused("a password that is soon guessed", remedy);
    }
    Some(Some(password))
}

/// What the class's tables hold. No result of a photo depends on it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tables {
    /// True where the table of spectra has those too that are not usable.
    pub all_spectra: bool,
}

impl Tables {
    pub(super) fn read(&mut self, t: &mut Table<'_>) {
        t.set("all_spectra", &mut self.all_spectra, Spot::flag);
    }
}

#[cfg(test)]
mod tests {
    use crate::terms::Choice;
    use std::path::Path;

    use super::super::mistake::Report;
    use super::*;

    fn read<T: Default>(
        text: &str,
        section: impl FnOnce(&mut T, &mut Table<'_>),
    ) -> (T, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let value = report.parse(text, |spot| Some(spot.on_top_of(T::default(), section)));
        let value = value.unwrap();
        let mistakes = report.into_mistakes();
        (value, mistakes.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn a_stated_groove_spacing_replaces_the_ones_to_try() {
        let base = Instrument::default();
        let stated = |text| read(text, read_instrument);
        assert_eq!(
            stated("groove_spacing_nm: 740").0.groove_spacings_nm,
            [740.0]
        );
        assert_eq!(
            stated("groove_spacing_nm: [1500, 1600]")
                .0
                .groove_spacings_nm,
            [1500.0, 1600.0]
        );
        assert_eq!(stated("groove_spacing_nm: auto").0, base);
        let (_, mistakes) = stated("groove_spacing_nm: 1.6");
        assert!(mistakes[0].contains("from 300 to 20000 nm"), "{mistakes:?}");
    }

    #[test]
    fn auto_and_any_stand_for_no_number() {
        let (work, mistakes) = read(
            "workers: auto\nmemory_mib: auto\nmax_megapixels: 50",
            Work::read,
        );
        assert_eq!(mistakes, [""; 0]);
        assert_eq!(
            (work.workers, work.memory_mib, work.max_pixels()),
            (None, None, 50_000_000)
        );
        let text = "within_h: any\ncalibration: latest-before\nblank: nearest";
        let (pairing, _) = read(text, read_pairing);
        assert_eq!(
            pairing,
            Pairing {
                calibration: Choice::LatestBefore,
                blank: Choice::Nearest,
                within_h: None
            }
        );
    }

    #[test]
    fn sessions_go_by_nothing_by_folder_or_by_date_with_an_hour() {
        let read = |text: &str| {
            let report = Report::new(Path::new("lab.yaml"));
            let sessions = report.parse(text, |spot| read_sessions(&spot));
            (sessions, report.into_mistakes().len())
        };
        assert_eq!(read("by: none"), (Some(Sessions::None), 0));
        assert_eq!(read("by: folder"), (Some(Sessions::Folder), 0));
        let date = |day_begins_h| Some(Sessions::Date { day_begins_h });
        assert_eq!(read("by: date"), (date(0), 0));
        assert_eq!(read("{by: date, day_begins_h: 4}"), (date(4), 0));
        for wrong in [
            "by: week",
            "day_begins_h: 4",
            "{by: folder, day_begins_h: 4}",
        ] {
            assert_eq!(read(wrong).1, 1, "{wrong}");
        }
        assert_eq!(read("{by: date, day_begins_h: 24}").1, 1);
    }

    #[test]
    fn the_pages_have_a_title_and_cards_only_where_they_are_asked_for() {
        let (pages, mistakes) = read(
            "title: Lamps along the quay\ncards: true\nrefresh_s: 0",
            Pages::read,
        );
        assert_eq!(mistakes, [""; 0]);
        assert_eq!(
            (pages.title.as_str(), pages.cards),
            ("Lamps along the quay", true)
        );
        assert_eq!(pages.refresh_s, 0);
        assert!(!Pages::default().cards);
        let (_, mistakes) = read("cards: some", Pages::read);
        assert_eq!(mistakes.len(), 1);
    }

    #[test]
    fn a_password_is_long_and_no_message_shows_it() {
        let read = |text: &str| {
            let report = Report::new(Path::new("lab.yaml"));
            let password = report.parse(text, |spot| {
                spot.table(|t| read_password(&t.get("serve_password")?))
            });
            let mistakes = report.into_mistakes();
            let mistakes: Vec<String> = mistakes.iter().map(ToString::to_string).collect();
            (password.flatten(), mistakes)
        };
        let (password, mistakes) = read("serve_password: 'low tide: 4 am'");
        assert_eq!(password.as_deref(), Some("low tide: 4 am"), "{mistakes:?}");
        for text in [
            "serve_password: tide",
            "serve_password: \"low tide\\n4 am\"",
        ] {
            let (password, mistakes) = read(text);
            assert_eq!((password, mistakes.len()), (None, 1), "{text}");
            assert!(mistakes[0].starts_with("lab.yaml:1:17"), "{mistakes:?}");
            assert!(!mistakes[0].contains("tide"), "{mistakes:?}");
        }
    }

    #[test]
    fn numbers_that_contradict_each_other_are_mistakes() {
        let (_, mistakes) = read("settle_s: 90", Arrival::read);
        assert!(mistakes[0].contains("less than settle_s 90"));
        let (_, mistakes) = read("from_nm: 700\nto_nm: 400", Output::read);
        assert!(mistakes[0].contains("less than 50 nm"));
        let (_, mistakes) = read("workers: 1.5", Work::read);
        assert!(mistakes[0].contains("not a whole number"));
    }
}
