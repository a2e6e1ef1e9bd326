//! Columns out of plain vectors; the way back is [`super::view`].

use polars::prelude::{ChunkedArray, Column, IntoSeries, PolarsNumericType};
use polars_arrow::bitmap::Bitmap;

/// Numbers of which none is missing. The vector becomes the column without a copy.
pub fn whole<T: PolarsNumericType>(name: &str, mut values: Vec<T::Native>) -> Column {
    values.shrink_to_fit();
    ChunkedArray::<T>::from_vec(name.into(), values).into_series().into()
}

/// Floats, with null where they are missing. The vector becomes the column without a copy.
pub fn floats<T: PolarsNumericType>(
    name: &str,
    mut values: Vec<T::Native>,
    missing: impl Fn(&T::Native) -> bool,
) -> Column {
    values.shrink_to_fit();
    let nulls = values.iter().any(&missing).then(|| values.iter().map(|v| !missing(v)).collect::<Bitmap>());
    ChunkedArray::<T>::from_vec_validity(name.into(), values, nulls).into_series().into()
}

/// Numbers, with null where `there` says no. The vector becomes the column without a copy.
pub fn numbers<T: PolarsNumericType>(
    name: &str,
    values: Vec<T::Native>,
    there: impl Iterator<Item = bool> + Clone,
) -> Column {
    let nulls = (!there.clone().all(|t| t)).then(|| there.collect::<Bitmap>());
    ChunkedArray::<T>::from_vec_validity(name.into(), values, nulls).into_series().into()
}
