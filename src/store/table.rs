//! One frame to one Parquet file and back. Columns are taken as they come: `Int64` is a time (UTC ms), small integers are
//! `UInt32`, nulls are nulls.

use super::{StoreError, io_error, same};
use crate::frames::column::numbers;
use crate::frames::schema::Wanted;
use bytes::Bytes;
use parquet::basic::{Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::column::reader::ColumnReaderImpl;
use parquet::column::writer::ColumnWriterImpl;
use parquet::data_type::{
    BoolType, ByteArray, ByteArrayType, DataType as ParquetType, DoubleType, FloatType, Int32Type, Int64Type,
};
use parquet::errors::ParquetError;
use parquet::file::properties::{EnabledStatistics, WriterProperties, WriterVersion};
use parquet::file::reader::{FileReader, RowGroupReader, SerializedFileReader};
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::{ColumnPath, Type};
use polars::prelude::{self as pl, Column, DataFrame, DataType, IntoSeries, NamedFrom, Series};
use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::Path;
use std::sync::Arc;

/// Rows that are written and read at once: what a large table takes beside itself meanwhile.
const ROWS_A_GROUP: usize = 256 * 1024;
/// Files up to this size are read at once, bytes.
const READ_AT_ONCE: u64 = 16 * 1024 * 1024;
/// The first column of every file.
const UNIT: &str = "unit";

fn failed(path: &Path, error: &ParquetError) -> StoreError {
    // The writer wraps the system's errors in words; a full disk must still be told as one.
    if let ParquetError::External(inner) = error
        && let Some(io) = inner.downcast_ref::<std::io::Error>()
    {
        return StoreError::Io {
            path: path.to_owned(),
            doing: "write a table",
            source: std::io::Error::new(io.kind(), io.to_string()),
        };
    }
    StoreError::Io { path: path.to_owned(), doing: "write a table", source: std::io::Error::other(error.to_string()) }
}

/// Physical and logical type of a column.
fn types(dtype: &DataType) -> Option<(Physical, Option<LogicalType>)> {
    match dtype {
        DataType::Int64 => Some((Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MILLIS)))),
        DataType::UInt32 => Some((Physical::INT32, Some(LogicalType::integer(32, false)))),
        DataType::Float32 => Some((Physical::FLOAT, None)),
        DataType::Float64 => Some((Physical::DOUBLE, None)),
        DataType::Boolean => Some((Physical::BOOLEAN, None)),
        DataType::String => Some((Physical::BYTE_ARRAY, Some(LogicalType::String))),
        _ => None,
    }
}

/// Writes a frame; gives the size of the file. The same frame gives the same bytes.
pub(super) fn write(path: &Path, unit: &str, frame: &DataFrame) -> Result<u64, StoreError> {
    write_all(path, unit, &mut std::iter::once(Ok(frame.clone()))).map(|(_, bytes)| bytes)
}

/// Writes frames one behind the other as one table; gives its rows and the size of the file. However the rows come in frames, the
/// bytes are the same.
pub(super) fn write_all(
    path: &Path,
    unit: &str,
    frames: &mut dyn Iterator<Item = Result<DataFrame, StoreError>>,
) -> Result<(u64, u64), StoreError> {
    let fail = |e: ParquetError| failed(path, &e);
    let mut waiting = match frames.next() {
        Some(frame) => frame?,
        None => return Err(StoreError::NotUsable(format!("{}: a table without a frame", path.display()))),
    };
    let mut writer = writer(path, &waiting)?;
    let mut rows = 0;
    let mut groups = 0;
    loop {
        let next = if waiting.height() < ROWS_A_GROUP { frames.next().transpose()? } else { None };
        if let Some(next) = next {
            super::polars(waiting.vstack_mut_owned(next).map(|_| ()))?;
            continue;
        }
        if waiting.height() == 0 && groups > 0 {
            break;
        }
        let part = waiting.slice(0, ROWS_A_GROUP);
        write_group(&mut writer, unit, &part, path)?;
        rows += part.height() as u64;
        groups += 1;
        waiting = waiting.slice(ROWS_A_GROUP as i64, usize::MAX);
    }
    let mut buffered = writer.into_inner().map_err(fail)?;
    buffered.flush().map_err(io_error(path, "write a table"))?;
    let file = buffered.into_inner().map_err(|e| io_error(path, "write a table")(e.into_error()))?;
    Ok((rows, file.metadata().map_err(io_error(path, "write a table"))?.len()))
}

/// A file with the columns of a frame, still without rows.
fn writer(path: &Path, frame: &DataFrame) -> Result<SerializedFileWriter<BufWriter<File>>, StoreError> {
    let fail = |e: ParquetError| failed(path, &e);
    let mut fields = Vec::new();
    let field = |name: &str, physical, logical| {
        Type::primitive_type_builder(name, physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(logical)
            .build()
            .map(Arc::new)
    };
    fields.push(field(UNIT, Physical::BYTE_ARRAY, Some(LogicalType::String)).map_err(fail)?);
    let mut properties = WriterProperties::builder()
        .set_created_by("lostfix".to_owned())
        .set_writer_version(WriterVersion::PARQUET_1_0)
        .set_compression(Compression::SNAPPY)
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_offset_index_disabled(true);
    for column in frame.columns() {
        let (name, dtype) = (column.name().as_str(), column.dtype());
        let (physical, logical) = types(dtype).ok_or_else(|| no_type(name, dtype))?;
        // Times step evenly and positions hardly move: both pack better by difference and by byte than as values.
        let own = match dtype {
            DataType::Int64 => Some(Encoding::DELTA_BINARY_PACKED),
            DataType::Float64 => Some(Encoding::BYTE_STREAM_SPLIT),
            _ => None,
        };
        if let Some(encoding) = own {
            let path = ColumnPath::from(name);
            properties =
                properties.set_column_dictionary_enabled(path.clone(), false).set_column_encoding(path, encoding);
        }
        fields.push(field(name, physical, logical).map_err(fail)?);
    }
    let schema = Arc::new(Type::group_type_builder("lostfix").with_fields(fields).build().map_err(fail)?);
    let file = File::create(path).map_err(io_error(path, "make a table"))?;
    SerializedFileWriter::new(BufWriter::new(file), schema, Arc::new(properties.build())).map_err(fail)
}

fn no_type(name: &str, dtype: &DataType) -> StoreError {
    StoreError::NotUsable(format!("column {name} of type {dtype} has no place in the store"))
}

fn write_group(
    writer: &mut SerializedFileWriter<BufWriter<File>>,
    unit: &str,
    frame: &DataFrame,
    path: &Path,
) -> Result<(), StoreError> {
    let fail = |e: ParquetError| failed(path, &e);
    let places = writer.schema_descr().columns().to_vec();
    let rows = u32::try_from(frame.height()).unwrap_or(u32::MAX);
    let mut group = writer.next_row_group().map_err(fail)?;
    // The unit comes first and is no column of the frame.
    let columns = std::iter::once(None).chain(frame.columns().iter().map(Some));
    for (place, column) in places.into_iter().zip(columns) {
        let one = column.map_or_else(|| Some(same::Value::text(unit)), value_of_all);
        if let Some(value) = one.filter(|_| rows > 0) {
            same::append(&mut group, place, value, rows).map_err(fail)?;
            continue;
        }
        let Some(mut out) = group.next_column().map_err(fail)? else { break };
        if let Some(column) = column {
            put_column(&mut out, column, path)?;
        }
        out.close().map_err(fail)?;
    }
    group.close().map_err(fail)?;
    Ok(())
}

/// The value that stands in every row of a column of small numbers, if there is one.
fn value_of_all(column: &Column) -> Option<same::Value> {
    let numbers = column.u32().ok().filter(|numbers| numbers.null_count() == 0)?;
    let first = numbers.first()?;
    let all = numbers.downcast_iter().all(|chunk| chunk.values().iter().all(|v| *v == first));
    all.then(|| same::Value::number(first))
}

fn put_column(out: &mut SerializedColumnWriter<'_>, column: &Column, path: &Path) -> Result<(), StoreError> {
    let (name, dtype) = (column.name().as_str(), column.dtype());
    let wrong = |_| no_type(name, dtype);
    match dtype {
        DataType::Int64 => put_numbers::<Int64Type, _>(out.typed(), column.i64().map_err(wrong)?, |v| v),
        DataType::UInt32 => put_numbers::<Int32Type, _>(out.typed(), column.u32().map_err(wrong)?, u32::cast_signed),
        DataType::Float32 => put_numbers::<FloatType, _>(out.typed(), column.f32().map_err(wrong)?, |v| v),
        DataType::Float64 => put_numbers::<DoubleType, _>(out.typed(), column.f64().map_err(wrong)?, |v| v),
        DataType::Boolean => put::<BoolType>(out.typed(), column.bool().map_err(wrong)?.iter()),
        DataType::String => {
            let texts = column.str().map_err(wrong)?.iter().map(|v| v.map(ByteArray::from));
            put::<ByteArrayType>(out.typed(), texts)
        }
        _ => return Err(no_type(name, dtype)),
    }
    .map_err(|e| failed(path, &e))
}

/// A column of values or nulls, one by one.
fn put<T: ParquetType>(
    out: &mut ColumnWriterImpl<'_, T>,
    values: impl Iterator<Item = Option<T::T>>,
) -> Result<(), ParquetError> {
    let mut levels: Vec<i16> = Vec::with_capacity(values.size_hint().0);
    let mut full: Vec<T::T> = Vec::with_capacity(values.size_hint().0);
    for value in values {
        levels.push(i16::from(value.is_some()));
        full.extend(value);
    }
    out.write_batch(&full, Some(&levels), None).map(|_| ())
}

/// A column of numbers. Most of a store is numbers, and most columns have no nulls: those are taken as they lie.
fn put_numbers<T: ParquetType, P: pl::PolarsNumericType>(
    out: &mut ColumnWriterImpl<'_, T>,
    column: &pl::ChunkedArray<P>,
    own: impl Fn(P::Native) -> T::T,
) -> Result<(), ParquetError> {
    let mut levels: Vec<i16> = Vec::with_capacity(column.len());
    let mut full: Vec<T::T> = Vec::with_capacity(column.len() - column.null_count());
    for chunk in column.downcast_iter() {
        let values = chunk.values().iter().copied();
        match chunk.validity() {
            None => {
                levels.resize(levels.len() + chunk.len(), 1);
                full.extend(values.map(&own));
            }
            Some(there) => {
                levels.extend(there.iter().map(i16::from));
                full.extend(values.zip(there).filter(|(_, there)| *there).map(|(v, _)| own(v)));
            }
        }
    }
    out.write_batch(&full, Some(&levels), None).map(|_| ())
}

/// Reads a file back, of its columns what is wanted; `rows` is how many the manifest promises. The unit column is left out.
pub(super) fn read(path: &Path, rows: u64, wanted: Wanted<'_>) -> Result<DataFrame, StoreError> {
    let damaged = |what: String| StoreError::Damaged { path: path.to_owned(), what };
    let broken = |e: ParquetError| damaged(format!("not a whole table: {e}"));
    let mut file = File::open(path).map_err(|e| {
        if e.kind() == std::io::ErrorKind::NotFound {
            damaged("a table of the store is missing".to_owned())
        } else {
            io_error(path, "open a table")(e)
        }
    })?;
    let length = file.metadata().map_err(io_error(path, "open a table"))?.len();
    // Page by page a small file would take a hundred reads of a few bytes: on a network share each is a journey.
    let reader: Box<dyn FileReader> = if length <= READ_AT_ONCE {
        let mut bytes = Vec::with_capacity(usize::try_from(length).unwrap_or(0));
        file.read_to_end(&mut bytes).map_err(io_error(path, "read a table"))?;
        Box::new(SerializedFileReader::new(Bytes::from(bytes)).map_err(broken)?)
    } else {
        Box::new(SerializedFileReader::new(file).map_err(broken)?)
    };
    let total = reader.metadata().file_metadata().num_rows();
    if u64::try_from(total).ok() != Some(rows) {
        return Err(damaged(format!("the table has {total} rows, the manifest says {rows}")));
    }
    let mut out: Option<DataFrame> = None;
    for g in 0..reader.num_row_groups() {
        let group = reader.get_row_group(g).map_err(broken)?;
        let frame = read_group(group.as_ref(), wanted).map_err(broken)?;
        match &mut out {
            Some(all) => {
                super::polars(all.vstack_mut_owned(frame).map(|_| ()))?;
            }
            None => out = Some(frame),
        }
    }
    out.ok_or_else(|| damaged("the table has no rows".to_owned()))
}

fn read_group(group: &dyn RowGroupReader, wanted: Wanted<'_>) -> Result<DataFrame, ParquetError> {
    let rows = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
    let schema = group.metadata().schema_descr_ptr();
    let mut columns: Vec<Column> = Vec::new();
    for i in 0..group.num_columns() {
        let name = schema.column(i).name().to_owned();
        if name == UNIT || !wanted.has(&name) {
            continue;
        }
        use parquet::column::reader::ColumnReader as C;
        let column: Column = match group.get_column_reader(i)? {
            C::Int64ColumnReader(r) => numbers_of::<Int64Type, pl::Int64Type>(&name, take(r, rows)?, 0, |v| v),
            C::Int32ColumnReader(r) => {
                numbers_of::<Int32Type, pl::UInt32Type>(&name, take(r, rows)?, 0, i32::cast_unsigned)
            }
            C::FloatColumnReader(r) => numbers_of::<FloatType, pl::Float32Type>(&name, take(r, rows)?, f32::NAN, |v| v),
            C::DoubleColumnReader(r) => {
                numbers_of::<DoubleType, pl::Float64Type>(&name, take(r, rows)?, f64::NAN, |v| v)
            }
            C::BoolColumnReader(r) => Series::new(name.into(), options(take(r, rows)?)).into(),
            C::ByteArrayColumnReader(r) => {
                let mut values = pl::StringChunkedBuilder::new(name.into(), rows);
                for value in options(take(r, rows)?) {
                    values.append_option(value.as_ref().map(ByteArray::as_utf8).transpose()?);
                }
                values.finish().into_series().into()
            }
            _ => return Err(ParquetError::General(format!("column {name} has a type that no table of ours has"))),
        };
        columns.push(column);
    }
    DataFrame::new(rows, columns).map_err(|e| ParquetError::General(e.to_string()))
}

/// Values of one column that are there, and for each row whether it is.
struct Taken<V> {
    levels: Vec<i16>,
    full: Vec<V>,
}

fn take<T: ParquetType>(mut reader: ColumnReaderImpl<T>, rows: usize) -> Result<Taken<T::T>, ParquetError> {
    let mut levels: Vec<i16> = Vec::with_capacity(rows);
    let mut full: Vec<T::T> = Vec::with_capacity(rows);
    while levels.len() < rows {
        let (records, _, _) = reader.read_records(rows - levels.len(), Some(&mut levels), None, &mut full)?;
        if records == 0 {
            return Err(ParquetError::General("a column is shorter than the table".to_owned()));
        }
    }
    Ok(Taken { levels, full })
}

fn options<V>(taken: Taken<V>) -> Vec<Option<V>> {
    let mut full = taken.full.into_iter();
    taken.levels.into_iter().map(|level| if level > 0 { full.next() } else { None }).collect()
}

/// A column of numbers; `null` stands in the vector where none is there.
fn numbers_of<T: ParquetType, P: pl::PolarsNumericType>(
    name: &str,
    taken: Taken<T::T>,
    null: P::Native,
    own: impl Fn(T::T) -> P::Native,
) -> Column {
    let Taken { levels, full } = taken;
    let mut full = full.into_iter().map(own);
    let values: Vec<P::Native> = if full.len() == levels.len() {
        full.collect()
    } else {
        levels.iter().map(|level| if *level > 0 { full.next().unwrap_or(null) } else { null }).collect()
    };
    numbers::<P>(name, values, levels.iter().map(|level| *level > 0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frames::schema::{self, Columns};
    use crate::model::rows::{Fix, LoggedEvent, Rows, SystemTen};

    #[test]
    fn every_table_comes_back_as_it_was() {
        let mut rows = Rows::default();
        for s in 0..2_000_i64 {
            rows.fixes.push(Fix {
                time: 1_778_000_000_000 + s * 1000,
                state: (s % 3) as u8,
                satellites: if s % 7 == 0 { crate::model::rows::NO_COUNT } else { 12 },
                hdop: if s % 5 == 0 { f32::NAN } else { 0.7 },
                correction_age_s: 1.0 + s as f32 / 100.0,
                station_id: 12,
                lat: 47.1 + s as f64 * 1e-9,
                lon: -8.2,
                height_m: f64::NAN,
                sigma_h_m: 0.01,
                sigma_v_m: f32::MAX,
            });
        }
        rows.logged.push(LoggedEvent { time: 5, kind: "restart".into(), detail: "Grüße, \"x\"\n".into() });
        let folder = temp_dir::TempDir::new().unwrap();
        let mut seen = 0;
        for (name, frame) in schema::TABLES.iter().zip(schema::tables(rows, 3).unwrap()) {
            let path = folder.path().join(format!("{name}.parquet"));
            if frame.height() == 0 {
                continue;
            }
            write(&path, "EX-1", &frame).unwrap();
            let whole = Wanted::whole(name);
            let back = read(&path, frame.height() as u64, whole).unwrap();
            assert!(frame.equals_missing(&back), "{name}");
            assert_eq!(frame.schema(), back.schema(), "{name}");
            assert!(read(&path, frame.height() as u64 + 1, whole).is_err());
            let some = Wanted { table: name, columns: Columns::Only(&["time", "lat", "detail"]) };
            let part = read(&path, frame.height() as u64, some).unwrap();
            assert!(part.equals_missing(&some.of(frame.clone()).unwrap()) && part.width() == 2, "{name}");
            let first = std::fs::read(&path).unwrap();
            write(&path, "EX-1", &frame).unwrap();
            assert_eq!(first, std::fs::read(&path).unwrap(), "same frame, same bytes");
            seen += 1;
        }
        assert_eq!(seen, 2);
    }

    #[test]
    fn columns_of_one_value_come_back_in_every_row() {
        let folder = temp_dir::TempDir::new().unwrap();
        let path = folder.path().join("x.parquet");
        // One row, a length of two bytes, and more than one group.
        for n in [1, 300, ROWS_A_GROUP + 1] {
            let mut rows = Rows::default();
            for time in 0..n as i64 {
                rows.systems.push(SystemTen { time, system: b'G', satellites: 9, first: 0, second: 255 });
            }
            let frame = schema::take_table(&mut rows, "systems", u32::MAX).unwrap();
            write(&path, "EX-1", &frame).unwrap();
            let back = read(&path, n as u64, Wanted::whole("systems")).unwrap();
            assert!(frame.equals_missing(&back), "{n}");
            let file = SerializedFileReader::new(File::open(&path).unwrap()).unwrap();
            for g in 0..file.num_row_groups() {
                let group = file.get_row_group(g).unwrap();
                let rows = group.metadata().num_rows() as usize;
                let parquet::column::reader::ColumnReader::ByteArrayColumnReader(unit) =
                    group.get_column_reader(0).unwrap()
                else {
                    panic!("the unit is a text");
                };
                let units = options(take(unit, rows).unwrap());
                assert!(units.len() == rows && units.iter().flatten().all(|u| u.data() == b"EX-1"), "{n} {g}");
                let ends = group.metadata().column(0).statistics().unwrap();
                assert_eq!((ends.min_bytes_opt(), ends.null_count_opt()), (Some(&b"EX-1"[..]), Some(0)));
            }
        }
    }

    #[test]
    fn a_cut_table_is_told_not_read() {
        let folder = temp_dir::TempDir::new().unwrap();
        let path = folder.path().join("x.parquet");
        let mut rows = Rows::default();
        rows.logged.push(LoggedEvent { time: 5, kind: "restart".into(), detail: String::new() });
        let [.., logged, _] = schema::tables(rows, 0).unwrap();
        write(&path, "B", &logged).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        for cut in [0, 4, bytes.len() / 2, bytes.len() - 1] {
            std::fs::write(&path, &bytes[..cut]).unwrap();
            assert!(read(&path, 1, Wanted::whole("logged")).is_err(), "{cut}");
        }
        assert!(matches!(
            read(&folder.path().join("none"), 1, Wanted::whole("logged")),
            Err(StoreError::Damaged { .. })
        ));
    }
}
