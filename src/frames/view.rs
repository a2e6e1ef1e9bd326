//! Columns of a frame as plain vectors. A column that is not there reads as empty: the schemas are fixed, so this only
//! happens in a table that a test left out.

use polars::frame::DataFrame;
use polars::prelude::{ChunkedArray, Column, PolarsNumericType};

/// All values with what stands for null.
fn filled<T: PolarsNumericType>(column: &ChunkedArray<T>, null: T::Native) -> Vec<T::Native> {
    let mut out = Vec::with_capacity(column.len());
    for chunk in column.downcast_iter() {
        match chunk.validity() {
            None => out.extend_from_slice(chunk.values()),
            Some(there) => {
                out.extend(chunk.values().iter().zip(there).map(|(v, there)| if there { *v } else { null }));
            }
        }
    }
    out
}

/// `Int64` column without nulls.
pub fn i64s(frame: &DataFrame, name: &str) -> Vec<i64> {
    match frame.column(name).and_then(|c| c.i64()) {
        Ok(values) if values.null_count() == 0 => filled(values, 0),
        Ok(values) => values.iter().flatten().collect(),
        Err(_) => Vec::new(),
    }
}

/// `UInt32` column.
pub fn u32s(frame: &DataFrame, name: &str) -> Vec<Option<u32>> {
    frame.column(name).map_or_else(|_| Vec::new(), u32s_of)
}

pub(super) fn u32s_of(column: &Column) -> Vec<Option<u32>> {
    match column.u32() {
        Ok(values) => {
            let mut out = Vec::with_capacity(values.len());
            for chunk in values.downcast_iter() {
                match chunk.validity() {
                    None => out.extend(chunk.values().iter().map(|v| Some(*v))),
                    Some(there) => out.extend(chunk.values().iter().zip(there).map(|(v, there)| there.then_some(*v))),
                }
            }
            out
        }
        Err(_) => Vec::new(),
    }
}

/// `UInt32` column without nulls.
pub fn u32s_full(frame: &DataFrame, name: &str) -> Vec<u32> {
    frame.column(name).and_then(|c| c.u32()).map_or_else(|_| Vec::new(), |values| filled(values, 0))
}

/// `Float32` column, null as NaN.
pub fn f32s(frame: &DataFrame, name: &str) -> Vec<f32> {
    frame.column(name).and_then(|c| c.f32()).map_or_else(|_| Vec::new(), |values| filled(values, f32::NAN))
}

/// `Float64` column, null as NaN.
pub fn f64s(frame: &DataFrame, name: &str) -> Vec<f64> {
    frame.column(name).and_then(|c| c.f64()).map_or_else(|_| Vec::new(), |values| filled(values, f64::NAN))
}

/// `Boolean` column, null as false.
pub fn bools(frame: &DataFrame, name: &str) -> Vec<bool> {
    match frame.column(name).and_then(|c| c.bool()) {
        Ok(values) => values.iter().map(|v| v.unwrap_or(false)).collect(),
        Err(_) => Vec::new(),
    }
}

/// `String` column, null as empty.
pub fn texts<'a>(frame: &'a DataFrame, name: &str) -> Vec<&'a str> {
    match frame.column(name).and_then(|c| c.str()) {
        Ok(values) => values.iter().map(|v| v.unwrap_or("")).collect(),
        Err(_) => Vec::new(),
    }
}
