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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn photos_directly_in_the_inbox_belong_to_the_unsorted_bench() {
        assert_eq!(default_bench("lamp.jpg"), UNSORTED);
        assert_eq!(default_bench("heron/a/lamp.jpg"), "heron");
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
