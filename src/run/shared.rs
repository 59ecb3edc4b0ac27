//! A cache of things that several workers need. Each is made once: whoever asks first makes it, and whoever asks
//! meanwhile waits for it. What has not been asked for longest is forgotten first.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What was made, by what it was made from.
pub struct Shared<K, V> {
    kept: Mutex<Kept<K, V>>,
    most: usize,
    weigh: fn(&V) -> usize,
}

struct Kept<K, V> {
    slots: HashMap<K, Slot<V>>,
    n_asked: u64,
}

struct Slot<V> {
    /// Held by whoever makes the thing.
    thing: Arc<Mutex<Option<V>>>,
    last_asked: u64,
    weight: usize,
}

/// A panic while a thing was made leaves nothing half made: it is made by the next one who asks.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl<K: Clone + Eq + Hash, V: Clone> Shared<K, V> {
    /// Nothing yet; things that weigh `most` together are kept, and always the last one.
    pub fn new(most: usize, weigh: fn(&V) -> usize) -> Shared<K, V> {
        Shared {
            kept: Mutex::new(Kept {
                slots: HashMap::new(),
                n_asked: 0,
            }),
            most,
            weigh,
        }
    }

    /// The thing of this key, made by `make` where nobody has. `make` must not ask for the same key.
    ///
    /// # Errors
    /// Those of `make`; whoever asks next tries again.
    pub fn get_or_make<E>(&self, key: &K, make: impl FnOnce() -> Result<V, E>) -> Result<V, E> {
        let thing = {
            let mut kept = lock(&self.kept);
            kept.n_asked += 1;
            let now = kept.n_asked;
            let slot = kept.slots.entry(key.clone()).or_insert_with(|| Slot {
                thing: Arc::default(),
                last_asked: now,
                weight: 0,
            });
            slot.last_asked = now;
            slot.thing.clone()
        };
        let mut thing = lock(&thing);
        if let Some(made) = &*thing {
            return Ok(made.clone());
        }
        let made = make()?;
        *thing = Some(made.clone());
        drop(thing);
        self.keep(key, (self.weigh)(&made));
        Ok(made)
    }

    fn keep(&self, key: &K, weight: usize) {
        let mut kept = lock(&self.kept);
        if let Some(slot) = kept.slots.get_mut(key) {
            slot.weight = weight;
        }
        let mut total: usize = kept.slots.values().map(|slot| slot.weight).sum();
        while total > self.most {
            let others = kept.slots.iter().filter(|(k, s)| *k != key && s.weight > 0);
            let oldest = others.min_by_key(|(_, slot)| slot.last_asked);
            let Some(oldest) = oldest.map(|(key, _)| key.clone()) else {
                return;
            };
            total -= kept.slots.remove(&oldest).map_or(0, |slot| slot.weight);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::panic::{AssertUnwindSafe, catch_unwind};
    use std::sync::Barrier;
    use std::sync::atomic::{AtomicUsize, Ordering};

    #[test]
    fn however_many_ask_at_once_it_is_made_once() {
        let shared = Shared::new(10, |_: &u32| 1);
        let (n_made, all) = (AtomicUsize::new(0), Barrier::new(8));
        std::thread::scope(|scope| {
            for i in 0..8 {
                let (shared, n_made, all) = (&shared, &n_made, &all);
                scope.spawn(move || {
                    all.wait();
                    let made = shared.get_or_make(&(i % 2), || {
                        n_made.fetch_add(1, Ordering::SeqCst);
                        // Long enough for all the others to have asked.
                        std::thread::sleep(std::time::Duration::from_millis(50));
                        Ok::<u32, ()>(i % 2 + 7)
                    });
                    assert_eq!(made, Ok(i % 2 + 7));
                });
            }
        });
        assert_eq!(n_made.load(Ordering::SeqCst), 2);
    }

    #[test]
    fn an_error_or_a_panic_is_not_kept() {
        let shared = Shared::new(10, |_: &u32| 1);
        assert_eq!(shared.get_or_make(&1, || Err("gone")), Err("gone"));
        let panics = || shared.get_or_make(&1, || -> Result<u32, ()> { panic!("planted") });
        assert!(catch_unwind(AssertUnwindSafe(panics)).is_err());
        assert_eq!(shared.get_or_make(&1, || Ok::<_, ()>(5)), Ok(5));
        assert_eq!(shared.get_or_make(&1, || Err("not asked")), Ok(5));
    }

    #[test]
    fn what_fits_stays_and_what_was_asked_for_longest_ago_goes() {
        let shared = Shared::new(200, |weight: &usize| *weight);
        let n_made = AtomicUsize::new(0);
        let ask = |key: usize, weight: usize| {
            let _ = shared.get_or_make(&key, || {
                n_made.fetch_add(1, Ordering::SeqCst);
                Ok::<_, ()>(weight)
            });
            n_made.load(Ordering::SeqCst)
        };
        // A class of a hundred benches that ask in turn: each thing is made once.
        for _ in 0..3 {
            for key in 0..100 {
                ask(key, 2);
            }
        }
        assert_eq!(ask(0, 2), 100);
        // One more: the one asked for longest ago, 1, makes room.
        assert_eq!(ask(100, 2), 101);
        assert_eq!(ask(0, 2), 101);
        assert_eq!(ask(1, 2), 102);
        // One that fills it alone.
        assert_eq!(ask(200, 500), 103);
        assert_eq!(ask(200, 500), 103);
        assert_eq!(ask(0, 2), 104);
    }
}
