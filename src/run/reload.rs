//! Picks up a configuration that was edited while the daemon runs; a faulty one is reported and the old one stays.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::arrive::listing::Identity;

use super::failure::Failure;
use super::work::Setup;

/// Says whether there is a new configuration.
pub trait Reload {
    /// Called at every listing; `forced` where a person asked for it. `Err` is a configuration that cannot be used, in
    /// words.
    fn changed(&mut self, forced: bool) -> Option<Result<Setup, String>>;
}

/// A configuration that never changes.
pub struct Never;

impl Reload for Never {
    fn changed(&mut self, _forced: bool) -> Option<Result<Setup, String>> {
        None
    }
}

/// A configuration that cannot be used.
pub struct Unusable {
    /// Why not.
    pub why: Failure,
    /// The files that it names, as far as they are known: once one of them changes, it may be usable.
    pub names: Vec<PathBuf>,
}

impl From<Unusable> for Failure {
    fn from(unusable: Unusable) -> Failure {
        unusable.why
    }
}

/// What loading a configuration gives: the setup, and the files that it names.
pub type Loaded = Result<(Setup, Vec<PathBuf>), Unusable>;

/// Files by path, as they were when they were looked at; absent ones have no identity.
type Look = BTreeMap<PathBuf, Option<Identity>>;

/// Loads a file anew when it, or one of those it names, has changed.
pub struct FromFile<F> {
    path: PathBuf,
    /// As they were just before they were loaded.
    seen: Look,
    /// Something was missing when they were last looked at.
    in_doubt: Option<Look>,
    load: F,
}

impl<F: FnMut(&Path) -> Loaded> FromFile<F> {
    /// Loads `path` with `load`, and goes on to look at it and at the files that it names.
    ///
    /// # Errors
    /// Where it cannot be used.
    pub fn open(path: &Path, load: F) -> Result<(FromFile<F>, Setup), Failure> {
        let path = path.to_owned();
        let seen = Look::from([(path.clone(), identity(&path))]);
        let mut file = FromFile {
            path,
            seen,
            in_doubt: None,
            load,
        };
        let setup = file.load()?;
        Ok((file, setup))
    }

    /// Loads it. Every file is looked at before it is read, so that an edit meanwhile shows at the next look: where the
    /// configuration names one that was not, it is loaded once more.
    fn load(&mut self) -> Result<Setup, Failure> {
        // Each round needs an edit that names yet another file.
        const MOST_ROUNDS: usize = 5;
        let mut round = 1;
        loop {
            let (names, loaded) = match (self.load)(&self.path) {
                Ok((setup, names)) => (names, Ok(setup)),
                Err(unusable) => (unusable.names, Err(unusable.why)),
            };
            let n_before = self.seen.len();
            for name in &names {
                let look = || identity(name);
                self.seen.entry(name.clone()).or_insert_with(look);
            }
            if self.seen.len() > n_before && round < MOST_ROUNDS {
                round += 1;
                continue;
            }
            if loaded.is_ok() {
                let own = &self.path;
                self.seen
                    .retain(|path, _| path == own || names.contains(path));
            }
            return loaded;
        }
    }
}

impl<F: FnMut(&Path) -> Loaded> Reload for FromFile<F> {
    fn changed(&mut self, forced: bool) -> Option<Result<Setup, String>> {
        let paths = self.seen.keys().cloned();
        let now: Look = paths.map(|path| (path.clone(), identity(&path))).collect();
        if now == self.seen && !forced {
            self.in_doubt = None;
            return None;
        }
        let is_missing = |(path, was): (&PathBuf, &Option<Identity>)| {
            was.is_some() && now.get(path).is_some_and(Option::is_none)
        };
        // Editors replace a file: for a moment there may be none. What looks the same once more is gone.
        if self.seen.iter().any(is_missing) && !forced && self.in_doubt.as_ref() != Some(&now) {
            self.in_doubt = Some(now);
            return None;
        }
        self.in_doubt = None;
        self.seen = now;
        Some(self.load().map_err(|failure| failure.to_string()))
    }
}

fn identity(path: &Path) -> Option<Identity> {
    // A link to a configuration is followed: where it leads is what counts.
    std::fs::metadata(path).ok().as_ref().map(Identity::of)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::Decision;
    use crate::decode::Facts;
    use crate::report::Sink;
    use crate::run::job::{Fate, Job};
    use crate::run::read::Gone;
    use crate::run::work::{Class, Orders, Outcome, Work};
    use std::cell::RefCell;
    use std::fs;
    use std::sync::Arc;

    /// A configuration whose lines are names of other files; one that holds `faulty`, and a missing one, cannot be used.
    /// The setup's version is everything that was read.
    fn load(path: &Path, while_loading: &dyn Fn()) -> Loaded {
        let text = fs::read_to_string(path).unwrap_or_default();
        let names: Vec<PathBuf> = text.lines().map(|name| path.with_file_name(name)).collect();
        let read = |name: &PathBuf| fs::read_to_string(name).unwrap_or("faulty".to_owned());
        let texts: Vec<String> = names.iter().map(read).collect();
        while_loading();
        if texts.iter().any(|text| text == "faulty") {
            let why = Failure::Usage("faulty".to_owned());
            return Err(Unusable { why, names });
        }
        let mut orders = Orders::new("in", "out");
        orders.version = texts.join("+");
        let work = Arc::new(Nobody);
        Ok((Setup { orders, work }, names))
    }

    struct Nobody;

    impl Work for Nobody {
        fn facts(&self, _: &[u8]) -> Facts {
            unreachable!()
        }
        fn decide(&self, _: &str, _: &Facts) -> Decision {
            unreachable!()
        }
        fn measure(&self, _: &Job, _: &[u8], _: &Fate) -> Result<Outcome, Gone> {
            unreachable!()
        }
        fn summaries(&self, _: &Class<'_>, _: &mut dyn Sink) {
            unreachable!()
        }
    }

    fn said(file: &mut impl Reload) -> String {
        match file.changed(false) {
            None => "-".to_owned(),
            Some(Ok(setup)) => setup.orders.version,
            Some(Err(why)) => why,
        }
    }

    #[test]
    fn what_is_named_is_looked_at_also_after_a_failure_and_when_it_was_gone() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let put = |name: &str, text: &str| fs::write(at(name), text).unwrap();
        put("words", "advice");
        put("lab", "words");
        let opened = FromFile::open(&at("lab"), |path| load(path, &|| ()));
        let (mut file, setup) = opened.ok().unwrap();
        assert_eq!(
            (setup.orders.version.as_str(), &*said(&mut file)),
            ("advice", "-")
        );
        fs::remove_file(at("words")).unwrap();
        assert_eq!(said(&mut file), "-", "an editor may be replacing it");
        assert_eq!(said(&mut file), "faulty", "it is gone");
        assert_eq!(said(&mut file), "-", "which is said once");
        put("lab", "");
        assert_eq!(said(&mut file), "", "and the next edit counts");
        put("lab", "lamps\nwords");
        put("lamps", "faulty");
        assert_eq!(said(&mut file), "faulty");
        put("lamps", "neon");
        assert_eq!(said(&mut file), "faulty", "there still are no words");
        put("words", "better");
        assert_eq!(said(&mut file), "neon+better");
        fs::remove_file(at("lab")).unwrap();
        assert_eq!(said(&mut file), "-");
        put("lab", "lamps");
        assert_eq!(said(&mut file), "neon");
        put("words", "of no account");
        assert_eq!(said(&mut file), "-");
    }

    #[test]
    fn an_edit_while_it_is_being_loaded_is_not_missed() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let put = |name: &str, text: &str| fs::write(at(name), text).unwrap();
        put("lab", "words");
        put("words", "advice");
        // What is written once the next loading has read everything.
        let next = RefCell::new(vec![("words", "better advice"), ("words", "advice")]);
        let edit = || {
            if let Some((name, text)) = next.borrow_mut().pop() {
                put(name, text);
            }
        };
        let opened = FromFile::open(&at("lab"), |path| load(path, &edit));
        let (mut file, setup) = opened.ok().unwrap();
        assert_eq!(setup.orders.version, "advice");
        assert_eq!(said(&mut file), "better advice");
        next.borrow_mut().push(("lab", "other"));
        put("other", "other advice");
        put("words", "more");
        assert_eq!(said(&mut file), "more");
        assert_eq!(said(&mut file), "other advice");
        assert_eq!(said(&mut file), "-");
    }
}
