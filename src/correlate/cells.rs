//! Cells of a site's ground, met epoch by epoch: a machine mostly stays in the cell where it was a second ago.

use std::collections::BTreeMap;

/// Column (east) and row (north) of a cell.
pub(crate) type CellKey = (i32, i32);

/// A value a cell.
#[derive(Debug, Default)]
pub(crate) struct Cells<T> {
    places: BTreeMap<CellKey, usize>,
    cells: Vec<(CellKey, T)>,
    /// Where the last cell asked for lies.
    last: usize,
}

impl<T: Default> Cells<T> {
    /// The cell of a key, made when it is not there.
    pub(crate) fn at(&mut self, key: CellKey) -> &mut T {
        if self.cells.get(self.last).is_none_or(|c| c.0 != key) {
            let behind = self.cells.len();
            self.last = *self.places.entry(key).or_insert(behind);
            if self.last == behind {
                self.cells.push((key, T::default()));
            }
        }
        &mut self.cells[self.last].1
    }

    /// The cells by key.
    pub(crate) fn sorted(mut self) -> Vec<(CellKey, T)> {
        self.cells.sort_unstable_by_key(|c| c.0);
        self.cells
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_cell_is_there_once_however_it_is_met() {
        let mut cells: Cells<u32> = Cells::default();
        let way = [(0, 0), (0, 0), (0, 1), (0, 0), (-1, 0), (0, 1), (0, 1)];
        way.iter().for_each(|k| *cells.at(*k) += 1);
        assert_eq!(cells.sorted(), [((-1, 0), 1), ((0, 0), 3), ((0, 1), 3)]);
    }
}
