//! Values by key, for keys that come in runs: rows by time, a machine that stays in a place, satellites that come in the same
//! order every minute. A tree alone would be searched for every row.

use std::collections::BTreeMap;

/// A value a key.
#[derive(Debug)]
pub struct Keyed<K, T> {
    /// Empty while new keys came in order: then the values themselves can be searched.
    places: BTreeMap<K, usize>,
    values: Vec<(K, T)>,
    /// For each value the place of what was asked for after it the last time.
    after: Vec<usize>,
    /// Where the last key asked for lies.
    last: usize,
}

impl<K, T> Default for Keyed<K, T> {
    fn default() -> Keyed<K, T> {
        Keyed { places: BTreeMap::new(), values: Vec::new(), after: Vec::new(), last: 0 }
    }
}

impl<K: Ord + Copy, T: Default> Keyed<K, T> {
    /// The value of a key, made when it is not there.
    pub fn at(&mut self, key: K) -> &mut T {
        let is = |place: usize| self.values.get(place).is_some_and(|v| v.0 == key);
        if !is(self.last) {
            let behind = self.values.len();
            let likely = self.after.get(self.last).copied().unwrap_or(behind);
            let place = if is(likely) { likely } else { self.place(key) };
            if place == behind {
                self.values.push((key, T::default()));
                self.after.push(place + 1);
            }
            if place != self.last {
                self.after[self.last] = place;
            }
            self.last = place;
        }
        &mut self.values[self.last].1
    }

    /// Where a key lies, or behind all others when it is new.
    fn place(&mut self, key: K) -> usize {
        let behind = self.values.len();
        if self.places.is_empty() {
            if self.values.last().is_none_or(|v| v.0 < key) {
                return behind;
            }
            if let Ok(place) = self.values.binary_search_by_key(&key, |v| v.0) {
                return place;
            }
            self.places = self.values.iter().map(|v| v.0).zip(0..).collect();
        }
        *self.places.entry(key).or_insert(behind)
    }

    /// All by key.
    pub fn sorted(mut self) -> Vec<(K, T)> {
        self.values.sort_unstable_by_key(|v| v.0);
        self.values
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_key_is_there_once_however_it_is_met() {
        let mut cells: Keyed<(i32, i32), u32> = Keyed::default();
        let way = [(0, 0), (0, 0), (0, 1), (0, 0), (0, 1), (-1, 0), (0, 1), (0, 1), (7, 7), (-1, 0), (0, 1)];
        way.iter().for_each(|k| *cells.at(*k) += 1);
        assert_eq!(cells.sorted(), [((-1, 0), 2), ((0, 0), 3), ((0, 1), 5), ((7, 7), 1)]);
    }
}
