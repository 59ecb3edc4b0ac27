//! The small sections of a configuration: instrument, arrival, work, pairing, output. Plain data, each with its
//! defaults and its bounds.

use serde::Deserialize;

use super::reading::{Spot, Table};

/// An instrument before any photo is seen.
#[derive(Clone, Debug, PartialEq)]
pub struct Instrument {
    /// Groove spacings to try, nm; one where it is stated.
    pub groove_spacings_nm: Vec<f64>,
    /// Distance from slit to grating, mm.
    pub slit_distance_mm: f64,
}

impl Default for Instrument {
    fn default() -> Instrument {
        Instrument {
            // Track pitch of the two kinds of disc: 1.6 µm (ECMA-130) and 0.74 µm (ECMA-267, 10.6.2).
            groove_spacings_nm: vec![1600.0, 740.0],
            // A4 card rolled along its long side, 297 mm, and the thickness of what holds slit and disc.
            slit_distance_mm: 305.0,
        }
    }
}

impl Instrument {
    /// What `spot` says, on top of `self`.
    pub(super) fn changed_by(&self, spot: &Spot<'_>) -> Instrument {
        let mut changed = self.clone();
        spot.table(|t| {
            if let Some(spot) = t.get("groove_spacing_nm") {
                if is_auto(&spot) {
                    changed.groove_spacings_nm = Instrument::default().groove_spacings_nm;
                } else {
                    // 300 nm: below it no visible light leaves in first order at normal incidence. 20 µm: above it
                    // the visible spectrum is narrower than 1°.
                    let stated: Option<Vec<f64>> = spot
                        .one_or_many()
                        .iter()
                        .map(|s| s.number(300.0..=20_000.0, "nm"))
                        .collect();
                    match stated {
                        Some(stated) if stated.is_empty() => {
                            spot.mistake("an empty list", "write auto, or the spacing in nm");
                        }
                        Some(stated) => changed.groove_spacings_nm = stated,
                        None => {}
                    }
                }
            }
            set_number(
                t,
                "slit_distance_mm",
                20.0..=5000.0,
                "mm",
                &mut changed.slit_distance_mm,
            );
            Some(())
        });
        changed
    }
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
    pub(super) fn read(spot: &Spot<'_>) -> Arrival {
        let mut arrival = Arrival::default();
        spot.table(|t| {
            set_number(t, "settle_s", 0.1..=600.0, "s", &mut arrival.settle_s);
            set_number(t, "rescan_s", 0.5..=3600.0, "s", &mut arrival.rescan_s);
            if let Some(poll) = t
                .get("poll")
                .and_then(|s| s.word(&["auto", "always", "never"]))
            {
                arrival.poll = poll;
            }
            set_number(
                t,
                "damaged_after_s",
                1.0..=86_400.0,
                "s",
                &mut arrival.damaged_after_s,
            );
            if arrival.damaged_after_s < arrival.settle_s {
                t.spot().mistake(
                    format!(
                        "damaged_after_s {} is less than settle_s {}",
                        arrival.damaged_after_s, arrival.settle_s
                    ),
                    "a file must first settle: make damaged_after_s the larger of the two",
                );
            }
            Some(())
        });
        arrival
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

    pub(super) fn read(spot: &Spot<'_>) -> Work {
        let mut work = Work::default();
        spot.table(|t| {
            if let Some(spot) = t.get("workers").filter(|s| !is_auto(s)) {
                work.workers = spot
                    .whole(1..=256, "photos at a time, or auto")
                    .map(|n| n as usize);
            }
            set_number(
                t,
                "max_megapixels",
                0.1..=1000.0,
                "megapixels",
                &mut work.max_megapixels,
            );
            if let Some(spot) = t.get("memory_mib").filter(|s| !is_auto(s)) {
                work.memory_mib = spot.whole(64..=1 << 20, "MiB, or auto");
            }
            Some(())
        });
        work
    }
}

/// Which of a bench's calibrations a photo is measured with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CalibrationChoice {
    /// Nearest in time.
    Nearest,
    /// The last one before the photo; the first one after it where there is none.
    LatestBefore,
    /// The one with the smallest uncertainty.
    Best,
}

impl CalibrationChoice {
    /// As in a configuration.
    pub const WORDS: [&str; 3] = ["nearest", "latest-before", "best"];
}

/// Which of a bench's blanks a sample is compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BlankChoice {
    /// Nearest in time.
    Nearest,
    /// The last one before the sample; the first one after it where there is none.
    LatestBefore,
}

impl BlankChoice {
    /// As in a configuration.
    pub const WORDS: [&str; 2] = ["nearest", "latest-before"];
}

/// What belongs to what.
#[derive(Clone, Debug, PartialEq)]
pub struct Pairing {
    /// Which calibration.
    pub calibration: CalibrationChoice,
    /// Which blank, and which dark.
    pub blank: BlankChoice,
    /// A calibration, blank or dark farther away in time is not used, h; absent: however far.
    pub within_h: Option<f64>,
}

impl Default for Pairing {
    fn default() -> Pairing {
        Pairing {
            calibration: CalibrationChoice::Nearest,
            blank: BlankChoice::LatestBefore,
            within_h: Some(12.0),
        }
    }
}

impl Pairing {
    pub(super) fn read(spot: &Spot<'_>) -> Pairing {
        let mut pairing = Pairing::default();
        spot.table(|t| {
            if let Some(choice) = t
                .get("calibration")
                .and_then(|s| s.word(&CalibrationChoice::WORDS))
            {
                pairing.calibration = choice;
            }
            if let Some(choice) = t.get("blank").and_then(|s| s.word(&BlankChoice::WORDS)) {
                pairing.blank = choice;
            }
            if let Some(spot) = t.get("within_h") {
                let any = spot
                    .raw()
                    .is_some_and(|text| text.eq_ignore_ascii_case("any"));
                pairing.within_h = if any {
                    None
                } else {
                    spot.number(0.01..=87_600.0, "h, or any")
                };
            }
            Some(())
        });
        pairing
    }
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
    pub(super) fn read(spot: &Spot<'_>) -> Output {
        let mut output = Output::default();
        spot.table(|t| {
            set_number(t, "from_nm", 300.0..=1100.0, "nm", &mut output.from_nm);
            set_number(t, "to_nm", 300.0..=1100.0, "nm", &mut output.to_nm);
            set_number(t, "step_nm", 0.02..=10.0, "nm", &mut output.step_nm);
            // Below this nothing like a spectrum is left.
            if output.to_nm < output.from_nm + 50.0 {
                t.spot().mistake(
                    format!(
                        "from {} nm to {} nm is less than 50 nm",
                        output.from_nm, output.to_nm
                    ),
                    "write the smaller wavelength as from_nm and leave at least 50 nm between the two",
                );
            }
            Some(())
        });
        output
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
    pub(super) fn read(spot: &Spot<'_>) -> Pages {
        let mut pages = Pages::default();
        spot.table(|t| {
            if let Some(title) = t.get("title").and_then(|spot| spot.text()) {
                pages.title = title;
            }
            if let Some(cards) = t.get("cards").and_then(|spot| spot.flag()) {
                pages.cards = cards;
            }
            // An hour: beyond it nobody waits for the page.
            if let Some(s) = t
                .get("refresh_s")
                .and_then(|spot| spot.whole(0..=3600, "s"))
            {
                pages.refresh_s = s;
            }
            Some(())
        });
        pages
    }
}

fn set_number(
    t: &mut Table<'_>,
    key: &'static str,
    range: std::ops::RangeInclusive<f64>,
    unit: &str,
    value: &mut f64,
) {
    if let Some(number) = t.get(key).and_then(|spot| spot.number(range, unit)) {
        *value = number;
    }
}

fn is_auto(spot: &Spot<'_>) -> bool {
    spot.raw()
        .is_some_and(|text| text.eq_ignore_ascii_case("auto"))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::mistake::Report;
    use super::*;

    fn read<T>(text: &str, section: impl Fn(&Spot<'_>) -> T) -> (T, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let value = report.parse(text, |spot| Some(section(&spot))).unwrap();
        let mistakes = report.into_mistakes();
        (value, mistakes.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn a_stated_groove_spacing_replaces_the_ones_to_try() {
        let base = Instrument::default();
        let stated = |text| read(text, |s| base.changed_by(s));
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
        let (pairing, _) = read(text, Pairing::read);
        assert_eq!(
            pairing,
            Pairing {
                calibration: CalibrationChoice::LatestBefore,
                blank: BlankChoice::Nearest,
                within_h: None
            }
        );
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
    fn numbers_that_contradict_each_other_are_mistakes() {
        let (_, mistakes) = read("settle_s: 90", Arrival::read);
        assert!(mistakes[0].contains("less than settle_s 90"));
        let (_, mistakes) = read("from_nm: 700\nto_nm: 400", Output::read);
        assert!(mistakes[0].contains("less than 50 nm"));
        let (_, mistakes) = read("workers: 1.5", Work::read);
        assert!(mistakes[0].contains("not a whole number"));
    }
}
