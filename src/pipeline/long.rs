//! Rows of long files, which wait on a shelf until the end of their file and come back piece by piece.

use super::read::Counts;
use crate::formats::piece::{self, Moved, OF_LISTS, Piece, Settle};
use crate::frames::{Frame, FrameError, schema};
use crate::model::rows::Rows;
use crate::store::{Days, Part, Shelf, StoreError};
use std::path::PathBuf;

/// Gives a path for the rows of a long file.
pub(super) type Place<'a> = &'a (dyn Fn() -> Result<PathBuf, StoreError> + Sync);

/// Where [`Piece::own`], [`Piece::lists`] and [`Piece::heard`] lie on the shelf, and what they count.
struct Put {
    own: (usize, Counts),
    lists: (usize, Counts),
    heard: (usize, Counts),
    moved: Moved,
}

/// Takes the pieces of one file while it is read.
pub(super) struct Taking<'a> {
    place: Place<'a>,
    shelf: Option<Shelf>,
    put: Vec<Put>,
    error: Option<StoreError>,
}

impl<'a> Taking<'a> {
    /// Nothing is written before the first piece.
    pub(super) fn new(place: Place<'a>) -> Taking<'a> {
        Taking { place, shelf: None, put: Vec::new(), error: None }
    }

    fn try_put(&mut self, piece: Piece) -> Result<(), StoreError> {
        let shelf = match &mut self.shelf {
            Some(shelf) => shelf,
            none => none.insert(Shelf::new((self.place)()?)?),
        };
        let mut put = |rows: Rows| -> Result<(usize, Counts), StoreError> {
            let counts = Counts::of(&rows);
            Ok((shelf.put(rows)?, counts))
        };
        let Piece { own, lists, heard, moved } = piece;
        self.put.push(Put { own: put(own)?, lists: put(lists)?, heard: put(heard)?, moved });
        Ok(())
    }

    /// The end of the file: what is on the shelf, if anything.
    pub(super) fn end(self, settle: Settle) -> Result<Option<Long>, StoreError> {
        match (self.error, self.shelf) {
            (Some(error), _) => Err(error),
            (None, None) => Ok(None),
            (None, Some(shelf)) => {
                let mut long = Long { shelf, put: self.put, settle, counts: Counts::default() };
                for piece in 0..long.put.len() {
                    long.counts.add(long.counts_of(piece)?);
                }
                Ok(Some(long))
            }
        }
    }
}

impl piece::Shelf for Taking<'_> {
    fn put(&mut self, piece: Piece) -> bool {
        if let Err(error) = self.try_put(piece) {
            self.error = Some(error);
        }
        self.error.is_none()
    }
}

/// The rows of a file that were given out before its end.
pub struct Long {
    shelf: Shelf,
    put: Vec<Put>,
    settle: Settle,
    counts: Counts,
}

impl std::fmt::Debug for Long {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} pieces, {:?}", self.put.len(), self.counts)
    }
}

impl Long {
    /// What all pieces count.
    pub(super) fn counts(&self) -> Counts {
        self.counts
    }

    fn counts_of(&self, piece: usize) -> Result<Counts, StoreError> {
        let Some(put) = self.put.get(piece) else { return Ok(Counts::default()) };
        let mut counts = put.own.1;
        counts.add(put.lists.1);
        if !self.settle.received {
            counts.add(put.heard.1);
        }
        if self.lists_give_way(put) {
            // The other tables are as they were put.
            let tables = OF_LISTS.iter().map(|t| self.shelf.rows(put.lists.0, t)).sum::<usize>();
            let settled = self.settled(put, &OF_LISTS)?.len();
            let heard = OF_LISTS.iter().map(|t| self.shelf.rows(put.heard.0, t)).sum::<usize>();
            let own = OF_LISTS.iter().map(|t| self.shelf.rows(put.own.0, t)).sum::<usize>();
            counts.rows = counts.rows + settled - tables - heard - own;
        }
        Ok(counts)
    }

    /// Lists and observables of the same time: which rows of the lists count is seen only when all of them are looked at.
    fn lists_give_way(&self, put: &Put) -> bool {
        let has = |number: usize| self.shelf.rows(number, "signals") > 0;
        !self.settle.received && has(put.lists.0) && has(put.heard.0)
    }

    fn settled(&self, put: &Put, tables: &[&str]) -> Result<Rows, StoreError> {
        let mut piece = Piece { moved: put.moved, ..Piece::default() };
        self.shelf.load(put.own.0, tables, &mut piece.own)?;
        self.shelf.load(put.lists.0, tables, &mut piece.lists)?;
        if !self.settle.received {
            self.shelf.load(put.heard.0, tables, &mut piece.heard)?;
        }
        Ok(self.settle.rows(piece))
    }

    /// One table of one piece, as a frame of the file with number `origin`.
    fn frame(&self, put: &Put, table: &str, origin: u32) -> Result<Frame, StoreError> {
        let with_signals = ["signals", table];
        let alone = !OF_LISTS.contains(&table) || table == "signals" || !self.lists_give_way(put);
        let mut rows = self.settled(put, if alone { &with_signals[1..] } else { &with_signals })?;
        schema::take_table(&mut rows, table, origin).map_err(|e| no_table(&e))
    }

    /// Days of a table of a piece, when they are known without looking at its rows.
    fn days(&self, put: &Put, table: &str) -> Option<Days> {
        let as_put = self.settle.still(put.moved) == Moved::default()
            && !(OF_LISTS.contains(&table) && self.lists_give_way(put));
        as_put.then(|| {
            let mut days = self.shelf.days(put.own.0, table);
            let heard = (!self.settle.received).then(|| self.shelf.days(put.heard.0, table));
            for (day, n) in self.shelf.days(put.lists.0, table).into_iter().chain(heard.into_iter().flatten()) {
                *days.entry(day).or_default() += n;
            }
            days
        })
    }

    /// The pieces that have rows of a table, in order.
    pub(super) fn parts<'a>(&'a self, table: &'a str, origin: u32) -> impl Iterator<Item = Part<'a>> + 'a {
        let has = move |put: &&Put| {
            [put.own.0, put.lists.0, put.heard.0].iter().any(|number| self.shelf.rows(*number, table) > 0)
        };
        self.put.iter().filter(has).map(move |put| Part::Later {
            days: self.days(put, table),
            load: Box::new(move || self.frame(put, table, origin)),
        })
    }
}

/// A table that could not be made is a matter of memory or a fault of the program.
fn no_table(error: &FrameError) -> StoreError {
    StoreError::NotUsable(format!("a table could not be made: {error}"))
}
