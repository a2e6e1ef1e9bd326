//! A column that has one value in every row, as the two runs that it is. The writer of the crate looks each row up in a dictionary:
//! for columns like these, a third of all, that is as much work as for any other.
//!
//! Source: Apache Parquet, `Encodings.md` of the format (dictionary encoding; run length encoding of levels and indices).

use bytes::Bytes;
use parquet::basic::{Compression, Encoding};
use parquet::column::page::{CompressedPage, Page, PageWriter};
use parquet::column::writer::ColumnCloseResult;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::metadata::ColumnChunkMetaData;
use parquet::file::statistics::Statistics;
use parquet::file::writer::{SerializedPageWriter, SerializedRowGroupWriter, TrackedWrite};
use parquet::schema::types::ColumnDescPtr;
use std::io::Write;

/// A value as a dictionary holds it and as both ends of its column.
#[derive(Debug)]
pub(super) struct Value {
    plain: Vec<u8>,
    ends: Statistics,
}

impl Value {
    pub(super) fn text(text: &str) -> Value {
        let mut plain = u32::try_from(text.len()).unwrap_or(u32::MAX).to_le_bytes().to_vec();
        plain.extend_from_slice(text.as_bytes());
        let value = Some(ByteArray::from(text));
        Value { plain, ends: Statistics::byte_array(value.clone(), value, None, Some(0), false) }
    }

    pub(super) fn number(value: u32) -> Value {
        let signed = Some(value.cast_signed());
        Value { plain: value.to_le_bytes().to_vec(), ends: Statistics::int32(signed, signed, None, Some(0), false) }
    }
}

/// Writes the next column of a group, which may be null but is not, with a value in so many rows (at least one).
pub(super) fn append<W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    column: ColumnDescPtr,
    value: Value,
    rows: u32,
) -> Result<(), ParquetError> {
    let mut buffer = TrackedWrite::new(Vec::new());
    let mut pages = SerializedPageWriter::new(&mut buffer);
    let dictionary =
        Page::DictionaryPage { buf: value.plain.into(), num_values: 1, encoding: Encoding::PLAIN, is_sorted: false };
    let dictionary = pages.write_page(uncompressed(dictionary))?;
    let there = run(rows, 1);
    let mut page = u32::try_from(there.len()).unwrap_or(u32::MAX).to_le_bytes().to_vec();
    page.extend(there);
    page.push(1); // bits of an index
    page.extend(run(rows, 0));
    let data = Page::DataPage {
        buf: page.into(),
        num_values: rows,
        encoding: Encoding::RLE_DICTIONARY,
        def_level_encoding: Encoding::RLE,
        rep_level_encoding: Encoding::RLE,
        statistics: None,
    };
    let data = pages.write_page(uncompressed(data))?;
    pages.close()?;
    let bytes = Bytes::from(buffer.into_inner()?);
    let length = bytes.len() as i64;
    let metadata = ColumnChunkMetaData::builder(column)
        .set_compression(Compression::UNCOMPRESSED)
        .set_encodings(vec![Encoding::PLAIN, Encoding::RLE, Encoding::RLE_DICTIONARY])
        .set_total_compressed_size(length)
        .set_total_uncompressed_size(length)
        .set_num_values(i64::from(rows))
        .set_dictionary_page_offset(Some(dictionary.offset as i64))
        .set_data_page_offset(data.offset as i64)
        .set_statistics(value.ends)
        .build()?;
    let close = ColumnCloseResult {
        bytes_written: bytes.len() as u64,
        rows_written: u64::from(rows),
        metadata,
        bloom_filter: None,
        column_index: None,
        offset_index: None,
    };
    group.append_column(&bytes, close)
}

fn uncompressed(page: Page) -> CompressedPage {
    let bytes = page.buffer().len();
    CompressedPage::new(page, bytes)
}

/// A run of the hybrid of runs and packed bits: twice its length as a number of seven bits a byte, the lowest first, and its
/// value of one bit.
fn run(length: u32, value: u8) -> Vec<u8> {
    let mut out = Vec::new();
    let mut rest = u64::from(length) << 1;
    while rest > 0x7F {
        out.push(rest as u8 & 0x7F | 0x80);
        rest >>= 7;
    }
    out.push(rest as u8);
    out.push(value);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_are_those_of_the_format() {
        // Encodings.md, "rle-run := <varint-encode(rle-run-len << 1)> <repeated-value>"; ULEB 128: 300 is AC 02.
        assert_eq!(run(1, 1), [2, 1]);
        assert_eq!(run(150, 0), [0xAC, 0x02, 0]);
        assert_eq!(run(256 * 1024, 1), [0x80, 0x80, 0x20, 1]);
    }
}
