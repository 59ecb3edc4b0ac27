//! The name of a bench: the first folder of a photo, or what a rule says, made into a name that can be a folder.

/// The bench of photos that lie directly in the inbox.
pub const UNSORTED: &str = "unsorted";

/// Longest bench name kept, in bytes: below every file system's limit, with room for what is added to it.
const LONGEST_BENCH: usize = 100;

/// The first folder of `path` as a bench, or [`UNSORTED`].
pub fn default_bench(path: &str) -> String {
    path.split_once('/')
        .map_or_else(|| UNSORTED.to_owned(), |(folder, _)| bench_name(folder))
}

/// `text` as a name that can be one folder on any common system. That it is none of those that the results keep for
/// themselves is for their writer to see to.
pub(super) fn bench_name(text: &str) -> String {
    let mut name: String = text
        .chars()
        .map(|c| match c {
            '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|' => '-',
            c if c.is_control() => '-',
            c => c,
        })
        .collect();
    if name.len() > LONGEST_BENCH {
        let cut = (0..=LONGEST_BENCH)
            .rev()
            .find(|i| name.is_char_boundary(*i))
            .unwrap_or(0);
        name.truncate(cut);
    }
    // A leading dot hides a folder (and . and .. are not names); a trailing dot or space is lost on some systems.
    let name = name
        .trim()
        .trim_start_matches('.')
        .trim_end_matches(['.', ' ']);
    if name.is_empty() {
        return UNSORTED.to_owned();
    }
    name.to_owned()
}

/// True for a name that reads as a date with its year: 2026-11-12, 20261112, 12.11.2026, 2026-11.
pub(super) fn looks_like_a_date(name: &str) -> bool {
    let parts: Vec<&str> = name.split(['-', '_', '.', ' ']).collect();
    let number = |text: &str| {
        text.bytes()
            .all(|b| b.is_ascii_digit())
            .then(|| text.parse().ok())
    };
    let numbers: Option<Vec<u32>> = parts.iter().map(|part| number(part).flatten()).collect();
    let Some(numbers) = numbers else {
        return false;
    };
    // Photos of a class are of this century.
    let is_date = |year: u32, month: u32, day: u32| {
        (2000..2100).contains(&year) && (1..=12).contains(&month) && (1..=31).contains(&day)
    };
    match numbers[..] {
        [a, b, c] => is_date(a, b, c) || is_date(c, b, a) || is_date(c, a, b),
        [year, month] => is_date(year, month, 1),
        [n] if parts[0].len() == 8 => {
            is_date(n / 10_000, n / 100 % 100, n % 100)
                || is_date(n % 10_000, n / 10_000 % 100, n / 1_000_000)
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn photos_directly_in_the_inbox_belong_to_the_unsorted_bench() {
        assert_eq!(default_bench("lamp.jpg"), UNSORTED);
        assert_eq!(default_bench("heron/a/lamp.jpg"), "heron");
    }

    #[test]
    fn a_date_is_told_from_a_bench_s_number() {
        for date in [
            "2026-11-12",
            "20261112",
            "12.11.2026",
            "2026_11",
            "12112026",
            "11 12 2026",
        ] {
            assert!(looks_like_a_date(date), "{date}");
        }
        for bench in [
            "heron",
            "7",
            "bench 12",
            "2026",
            "4-2",
            "12345678",
            "heron 2026-11-12",
            "",
        ] {
            assert!(!looks_like_a_date(bench), "{bench}");
        }
    }

    #[test]
    fn a_bench_cannot_leave_the_results() {
        for (text, bench) in [
            ("..", "unsorted"),
            ("../x", "-x"),
            (" a ", "a"),
            ("a/b", "a-b"),
            (".hidden", "hidden"),
            ("heron.", "heron"),
            ("", "unsorted"),
        ] {
            assert_eq!(bench_name(text), bench, "{text:?}");
        }
        assert!(bench_name(&"ä".repeat(300)).len() <= LONGEST_BENCH);
    }
}
