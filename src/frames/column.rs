//! Columns out of plain vectors; the way back is [`super::view`].

use polars::prelude::{ChunkedArray, Column, IntoSeries, PolarsNumericType};
use polars_arrow::bitmap::Bitmap;

/// Numbers of which none is missing. The vector becomes the column without a copy.
pub fn whole<T: PolarsNumericType>(name: &str, values: Vec<T::Native>) -> Column {
    column::<T>(name, values, None)
}

/// Floats, with null where they are missing. The vector becomes the column without a copy.
pub fn floats<T: PolarsNumericType>(
    name: &str,
    values: Vec<T::Native>,
    missing: impl Fn(&T::Native) -> bool,
) -> Column {
    let nulls = nulls(values.iter().map(|v| !missing(v)));
    column::<T>(name, values, nulls)
}

/// Numbers, with null where `there` says no. The vector becomes the column without a copy.
pub fn numbers<T: PolarsNumericType>(
    name: &str,
    values: Vec<T::Native>,
    there: impl Iterator<Item = bool> + Clone,
) -> Column {
    column::<T>(name, values, nulls(there))
}

fn nulls(there: impl Iterator<Item = bool> + Clone) -> Option<Bitmap> {
    (!there.clone().all(|t| t)).then(|| there.collect())
}

fn column<T: PolarsNumericType>(name: &str, mut values: Vec<T::Native>, nulls: Option<Bitmap>) -> Column {
    // Rows grow by doubling: what was never used must not stay as long as the table.
    values.shrink_to_fit();
    ChunkedArray::<T>::from_vec_validity(name.into(), values, nulls).into_series().into()
}
