//! Columns out of plain vectors; the way back is [`super::view`].

use polars::prelude::{ChunkedArray, Column, IntoSeries, PolarsNumericType};
use polars_arrow::bitmap::Bitmap;

/// Numbers, with null where `there` says no. The vector becomes the column without a copy.
pub fn numbers<T: PolarsNumericType>(
    name: &str,
    values: Vec<T::Native>,
    there: impl Iterator<Item = bool> + Clone,
) -> Column {
    let nulls = (!there.clone().all(|t| t)).then(|| there.collect::<Bitmap>());
    ChunkedArray::<T>::from_vec_validity(name.into(), values, nulls).into_series().into()
}
