//! How a class's photos are divided into sessions, as a configuration states it: a session is a view of the inbox that is
//! made like a class of its own.

use jiff::ToSpan;
use jiff::civil::DateTime;

/// Session of photos that do not say when they were taken, where sessions go by date.
const UNDATED: &str = "undated";
/// Session of photos that lie in no folder, where sessions go by folder.
const UNSORTED: &str = "unsorted";

/// What divides the inbox into sessions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sessions {
    /// Nothing: it is one class.
    #[default]
    None,
    /// The first folder below the inbox.
    Folder,
    /// The date of capture, by the phones' own clocks.
    Date {
        /// Hour at which a new day begins, 0 to 23: photos before it belong to the evening before.
        day_begins_h: u8,
    },
}

impl Sessions {
    /// The session of a photo with this path below the inbox; absent where there are none.
    pub fn of(&self, photo: &str, taken: Option<DateTime>) -> Option<String> {
        match self {
            Sessions::None => None,
            Sessions::Folder => {
                let folder = photo.split_once('/').map(|(folder, _)| folder);
                Some(folder.unwrap_or(UNSORTED).to_owned())
            }
            Sessions::Date { day_begins_h } => {
                let day = taken.map(|taken| {
                    taken
                        .saturating_sub(i64::from(*day_begins_h).hours())
                        .date()
                });
                Some(day.map_or(UNDATED.to_owned(), |day| day.to_string()))
            }
        }
    }

    /// A photo's path as its session sees it: below the session's own folder, where it has one.
    pub fn below<'p>(&self, photo: &'p str) -> &'p str {
        match (self, photo.split_once('/')) {
            (Sessions::Folder, Some((_, below))) => below,
            _ => photo,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_photo_belongs_to_its_folder_its_day_or_to_nothing() {
        let late: DateTime = "2026-11-13T01:20:00".parse().unwrap();
        let of = |sessions: Sessions, photo: &str, taken| sessions.of(photo, taken);
        let day = |hour| Sessions::Date { day_begins_h: hour };
        assert_eq!(of(Sessions::None, "monday/heron/a.jpg", Some(late)), None);
        let said = |s: &str| Some(s.to_owned());
        assert_eq!(
            of(Sessions::Folder, "monday/heron/a.jpg", None),
            said("monday")
        );
        assert_eq!(of(Sessions::Folder, "a.jpg", None), said("unsorted"));
        assert_eq!(of(day(0), "heron/a.jpg", Some(late)), said("2026-11-13"));
        assert_eq!(of(day(4), "heron/a.jpg", Some(late)), said("2026-11-12"));
        assert_eq!(of(day(4), "heron/a.jpg", None), said("undated"));
        assert_eq!(Sessions::Folder.below("monday/heron/a.jpg"), "heron/a.jpg");
        assert_eq!(day(0).below("monday/heron/a.jpg"), "monday/heron/a.jpg");
    }
}
