//! What board and bench pages share: one photo or reason as it is shown, links, times.
//!
//! Templates stand in `pages/`; they escape what they are given, and are told words only.

use super::shown::Shown;
use crate::publish::files::tables::SPECTRUM;
use crate::publish::public::href;
use crate::publish::record::{Record, Remark, file_name};
use crate::publish::{numbers, words};
use crate::terms::{
    Capture, Code, Phrases, Quantity, Reason, Severity, Subject, Unmeasured, Verdict,
};

/// The letter by which a state's colours and sign go in the pages.
pub fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "g",
        Verdict::Caution => "c",
        Verdict::Retake => "r",
        Verdict::Waiting => "w",
        Verdict::Unreadable => "u",
        Verdict::Ignored => "i",
    }
}

/// State letter, number and word of each of these verdicts that there is.
pub fn tally(
    verdicts: &[Verdict],
    count: impl Fn(Verdict) -> usize,
    t: &Phrases,
) -> Vec<(&'static str, usize, String)> {
    let all = verdicts
        .iter()
        .map(|v| (class(*v), count(*v), t.verdict(*v)));
    all.filter(|(_, n, _)| *n > 0).collect()
}

/// The name under which a file of a folder below the results is saved: the folder stands in it, for a browser puts all it saves
/// into one place.
pub fn saved_as(folder: &str, name: &str) -> String {
    words::visible(&format!("{folder}/{name}")).replace('/', "-")
}

/// `2026-03-12T18:04:31` -> `12.03. 18:04`, or the text itself where it is something else.
pub fn when(taken: Option<&str>) -> String {
    let Some(text) = taken else {
        return String::new();
    };
    match text.parse::<jiff::civil::DateTime>() {
        Ok(at) => at.strftime("%d.%m. %H:%M").to_string(),
        Err(_) => text.to_owned(),
    }
}

/// A reason as it is shown.
pub struct ShownReason {
    /// State letter of its severity.
    pub class: &'static str,
    /// Two or three words.
    pub what: String,
    /// What to do.
    pub advice: String,
    /// Number and limit.
    pub measured: String,
}

impl ShownReason {
    /// `verdict` is that of the photo: a reason of an unreadable file has that colour.
    pub fn new(reason: &Reason, verdict: Verdict, t: &Phrases) -> ShownReason {
        let class = match (verdict, reason.severity) {
            (Verdict::Unreadable, _) => "u",
            (_, Severity::Caution) => "c",
            (_, Severity::Retake) => "r",
        };
        ShownReason {
            class,
            what: t.trouble(reason.code),
            advice: words::visible(&reason.advice),
            measured: number_of(reason, t),
        }
    }
}

/// True for a remark that says no more than the reason beside it: "everything: " and what the reason is about.
fn repeats(note: &str, reason: &Reason) -> bool {
    !reason.measured.is_empty() && note.ends_with(&reason.measured)
}

/// A reason's number and limit, unless its advice has said just that.
fn number_of(reason: &Reason, t: &Phrases) -> String {
    let (measured, limit) = (t.told(&reason.measured), t.told(&reason.limit));
    let is_said = |text: &str| reason.advice.contains(text);
    if limit.is_empty() && (is_said(&reason.measured) || is_said(&measured)) {
        return String::new();
    }
    words::visible(&match (measured.as_str(), limit.as_str()) {
        (_, "") => measured,
        ("", _) => t.of("page.limit").put("limit", limit).to_string(),
        _ => {
            let both = t.of("page.with_limit").put("measured", measured);
            both.put("limit", limit).to_string()
        }
    })
}

/// A photo as it is shown on its bench's page.
pub struct ShownPhoto {
    /// The word for it.
    pub verdict: Verdict,
    /// State letter.
    pub class: &'static str,
    /// Verdict.
    pub word: String,
    /// File name.
    pub photo: String,
    /// When it was taken; may be empty.
    pub time: String,
    /// The worst reason in words; may be empty.
    pub what: String,
    /// What to do about it; may be empty.
    pub advice: String,
    /// The worst reason's number and limit.
    pub measured: String,
    /// All reasons, worst first.
    pub reasons: Vec<ShownReason>,
    /// Who decided about it in place of the rules or the measurement; may be empty.
    pub decided: String,
    /// Remarks, and what could not be measured.
    pub notes: Vec<String>,
    /// File name of the photo by which it was taken again; may be empty.
    pub again: String,
    /// Where nothing is wrong: what comes next.
    pub next: String,
    /// Its folder, from the bench's page.
    pub href: String,
    /// The name under which its spectrum's table is saved.
    pub saved_as: String,
    /// File in it that says most.
    pub opens: &'static str,
    /// True where the folder has pictures that say more than the page.
    pub pictures: bool,
    /// True where there is a spectrum.
    pub spectrum: bool,
    /// True where that is worth its paper: not of what is to be taken again, nor a bracket's, which stands joined.
    pub prints: bool,
    /// Tilt and skew, degrees; each may be absent.
    pub angles_deg: [Option<String>; 2],
    /// The spectrum's picture in words.
    pub spectrum_alt: String,
}

/// True for what a photo does not show of wedge and dust: no photo shows all of the slit, and the instrument's own section
/// has what others did.
fn is_of_blades(said: &Unmeasured) -> bool {
    matches!(said.what, Subject::Blades | Subject::Wedge | Subject::Dust)
}

impl ShownPhoto {
    /// `bench_folder` is where the page stands.
    pub fn new(shown: &Shown<'_>, bench_folder: &str, t: &Phrases) -> ShownPhoto {
        let r = shown.record;
        let below = shown
            .folder
            .strip_prefix(bench_folder)
            .map_or(shown.folder, |rest| rest.trim_start_matches('/'));
        let name = words::visible(r.file_name());
        let word = t.verdict(r.verdict);
        let first = r.reasons.first();
        let what = first.map(|f| t.trouble(f.code));
        let what = what
            .or_else(|| {
                // The tone curve is the phone's, not this photo's: it stands once, among the answers.
                r.remarks.iter().find_map(|remark| match remark {
                    Remark::ToneCurve(_) => None,
                    Remark::Other(said) => Some(t.told(said)),
                })
            })
            .unwrap_or_default();
        let is_slate = r.reasons.iter().any(|r| r.code == Code::SlateUnread);
        let is_drawn = !matches!(r.verdict, Verdict::Ignored | Verdict::Unreadable);
        let pictures = is_drawn && !is_slate;
        ShownPhoto {
            verdict: r.verdict,
            class: class(r.verdict),
            time: when(r.taken.as_deref()),
            advice: first.map(|f| words::visible(&f.advice)).unwrap_or_default(),
            measured: first.map(|f| number_of(f, t)).unwrap_or_default(),
            reasons: r
                .reasons
                .iter()
                .map(|reason| ShownReason::new(reason, r.verdict, t))
                .collect(),
            notes: r
                .remarks
                .iter()
                .map(Remark::to_string)
                .chain(
                    r.not_measured
                        .iter()
                        .filter(|said| !is_of_blades(said))
                        .map(Unmeasured::to_string),
                )
                .filter(|note| !r.reasons.iter().any(|reason| repeats(note, reason)))
                .map(|note| words::visible(&t.told(&note)))
                .collect(),
            decided: r
                .decided_by()
                .map(|by| {
                    t.of("page.decided_by")
                        .put("who", words::visible(by))
                        .to_string()
                })
                .unwrap_or_default(),
            again: String::new(),
            next: next(r, t),
            href: href(below),
            saved_as: saved_as(shown.folder, SPECTRUM.file),
            opens: if pictures { "overlay.png" } else { "photo.log" },
            pictures,
            spectrum: shown.has_spectrum,
            prints: r.is_usable() && r.capture != Some(Capture::Bracket),
            angles_deg: [Quantity::TiltDeg, Quantity::SkewDeg]
                .map(|angle| r.metrics.value(angle).map(|deg| t.n(numbers::about(deg)))),
            spectrum_alt: spectrum_alt(r, &word, t),
            what,
            word,
            photo: name,
        }
    }
}

/// The file name of the photo that settled a photo, as it is shown.
pub fn again(by: &str) -> String {
    words::visible(file_name(by))
}

/// What comes next, where nothing is wrong with a photo.
pub fn next(record: &Record, t: &Phrases) -> String {
    match (record.verdict, record.capture) {
        (Verdict::Waiting, _) => t.say("next.waiting"),
        (_, Some(Capture::Calibration)) => t.say("next.calibration"),
        (_, Some(Capture::Blank)) => t.say("next.blank"),
        _ => t.say("next.fine"),
    }
}

fn spectrum_alt(r: &Record, word: &str, t: &Phrases) -> String {
    let label = words::visible(&r.label);
    let spectrum = t.of("page.spectrum_alt").put("label", label);
    let mut alt = spectrum.put("word", word).to_string();
    if let Some(sigma) = r.scale_sigma_nm() {
        let scale = t
            .of("page.scale_is")
            .put("sigma", t.n(numbers::within_nm(sigma)));
        alt += &format!(", {scale}");
    }
    if let Some(level) = r.metrics.value(Quantity::PeakLevel) {
        let percent = numbers::plain(100.0 * level, 0);
        let level = t.of("page.highest").put("percent", percent);
        alt += &format!(", {level}");
    }
    alt.push('.');
    alt
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_hold_any_name() {
        assert_eq!(href("heron/lamp-01.jpg"), "heron/lamp-01.jpg");
        assert_eq!(href("a b/#1?.jpg"), "a%20b/%231%3F.jpg");
        assert_eq!(href("javascript:alert(1)"), "javascript%3Aalert%281%29");
        assert_eq!(href("\"'<>&"), "%22%27%3C%3E%26");
        assert_eq!(href("é"), "%C3%A9");
    }

    #[test]
    fn times_are_short_and_odd_ones_stay() {
        assert_eq!(when(Some("2026-03-12T18:04:31")), "12.03. 18:04");
        assert_eq!(when(Some("at noon")), "at noon");
        assert_eq!(when(None), "");
    }
}
