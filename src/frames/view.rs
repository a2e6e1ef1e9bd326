//! Columns of a frame as plain vectors. A column that is not there reads as empty: the schemas are fixed, so this only
//! happens in a table that a test left out.

use polars::frame::DataFrame;

/// `Int64` column without nulls.
pub fn i64s(frame: &DataFrame, name: &str) -> Vec<i64> {
    match frame.column(name).and_then(|c| c.i64()) {
        Ok(values) => values.iter().flatten().collect(),
        Err(_) => Vec::new(),
    }
}

/// First value of an `Int64` column.
pub fn first_i64(frame: &DataFrame, name: &str) -> Option<i64> {
    frame.column(name).and_then(|c| c.i64()).ok()?.iter().next().flatten()
}

/// `UInt32` column.
pub fn u32s(frame: &DataFrame, name: &str) -> Vec<Option<u32>> {
    match frame.column(name).and_then(|c| c.u32()) {
        Ok(values) => values.iter().collect(),
        Err(_) => Vec::new(),
    }
}

/// `UInt32` column without nulls.
pub fn u32s_full(frame: &DataFrame, name: &str) -> Vec<u32> {
    u32s(frame, name).into_iter().map(|v| v.unwrap_or(0)).collect()
}

/// `Float32` column, null as NaN.
pub fn f32s(frame: &DataFrame, name: &str) -> Vec<f32> {
    match frame.column(name).and_then(|c| c.f32()) {
        Ok(values) => values.iter().map(|v| v.unwrap_or(f32::NAN)).collect(),
        Err(_) => Vec::new(),
    }
}

/// `Float64` column, null as NaN.
pub fn f64s(frame: &DataFrame, name: &str) -> Vec<f64> {
    match frame.column(name).and_then(|c| c.f64()) {
        Ok(values) => values.iter().map(|v| v.unwrap_or(f64::NAN)).collect(),
        Err(_) => Vec::new(),
    }
}

/// `Boolean` column, null as false.
pub fn bools(frame: &DataFrame, name: &str) -> Vec<bool> {
    match frame.column(name).and_then(|c| c.bool()) {
        Ok(values) => values.iter().map(|v| v.unwrap_or(false)).collect(),
        Err(_) => Vec::new(),
    }
}

/// `String` column, null as empty.
pub fn texts(frame: &DataFrame, name: &str) -> Vec<String> {
    match frame.column(name).and_then(|c| c.str()) {
        Ok(values) => values.iter().map(|v| v.unwrap_or("").to_owned()).collect(),
        Err(_) => Vec::new(),
    }
}
