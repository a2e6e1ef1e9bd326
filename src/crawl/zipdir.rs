//! The table of contents of a zip (PKWARE APPNOTE 6.3.10), read without trusting it.
//!
//! The library's own reader keeps files by name, so of two files with one name it shows one, it gives up the whole zip
//! for one bad record, and it holds every record of a million in memory before one can look at the number. A bundle must
//! list each of these, so the records are read here; tests compare with the library on sound zips.

use super::source::{Section, Source};
use std::io::{self, Read};

const LOCAL: [u8; 4] = *b"PK\x03\x04";
const CENTRAL: [u8; 4] = *b"PK\x01\x02";
const END: [u8; 4] = *b"PK\x05\x06";
const END64: [u8; 4] = *b"PK\x06\x06";
const LOCATOR64: [u8; 4] = *b"PK\x06\x07";
const LOCAL_BYTES: u64 = 30;
const END_BYTES: usize = 22;
const BLOCK_BYTES: usize = 64 * 1024;
const SHORT: &str = "the zip ends in the middle";

/// One file of a zip.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub name: Vec<u8>,
    pub utf8: bool,
    pub encrypted: bool,
    pub method: u16,
    /// `None` where only the bytes behind the data would tell.
    pub crc: Option<u32>,
    pub packed: u64,
    /// Declared decompressed size.
    pub size: Option<u64>,
    pub header_at: u64,
    pub dos_date: u16,
    pub dos_time: u16,
    /// File type bits of a Unix system; 0 when unknown.
    pub unix_type: u32,
}

impl Entry {
    /// Bytes of the zip that belong to this file, at least.
    pub fn end(&self) -> u64 {
        self.header_at.saturating_add(LOCAL_BYTES).saturating_add(self.packed)
    }
}

/// The files of a zip and what was odd about the table.
pub(super) struct Listing {
    pub entries: Vec<Entry>,
    pub odd: Vec<String>,
}

/// Why there is no listing.
pub(super) enum NoListing {
    TooMany(u64),
    Split,
    /// No usable table; the words say what is wrong.
    Damaged(String),
    Io(io::Error),
}

impl From<io::Error> for NoListing {
    fn from(e: io::Error) -> NoListing {
        NoListing::Io(e)
    }
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    match bytes.get(at..at + 2) {
        Some(&[a, b]) => u16::from_le_bytes([a, b]),
        _ => 0,
    }
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from(u16_at(bytes, at)) | u32::from(u16_at(bytes, at + 2)) << 16
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}

/// Where the table is and what it promises.
struct Table {
    at: u64,
    end: u64,
    files: u64,
    /// Bytes before the zip proper, a self-extracting stub for instance.
    shift: u64,
}

/// Reads the table of contents.
pub(super) fn list(source: &Source, max_files: u64) -> Result<Listing, NoListing> {
    let table = find_table(source)?;
    if table.files > max_files {
        return Err(NoListing::TooMany(table.files));
    }
    let mut entries: Vec<Entry> = Vec::new();
    let mut odd = Vec::new();
    let mut section = source.section(table.at, table.end - table.at, SHORT);
    let mut fixed = [0u8; 46];
    while section.left() > 0 {
        let at = table.end - section.left();
        let n = read_full(&mut section, &mut fixed)?;
        if n < fixed.len() || fixed.get(..4) != Some(&CENTRAL[..]) {
            // Signatures and the like may follow the records.
            if (entries.len() as u64) < table.files {
                return Err(NoListing::Damaged(format!(
                    "its table of contents breaks off at byte {at} after {} of {} files",
                    entries.len(),
                    table.files
                )));
            }
            break;
        }
        if entries.len() as u64 >= max_files {
            return Err(NoListing::TooMany(max_files + 1));
        }
        let mut rest = vec![0u8; usize::from(u16_at(&fixed, 28)) + usize::from(u16_at(&fixed, 30))];
        let comment = u64::from(u16_at(&fixed, 32));
        if read_full(&mut section, &mut rest)? < rest.len() || skip(&mut section, comment)? < comment {
            return Err(NoListing::Damaged(format!("its table of contents ends inside the record at byte {at}")));
        }
        entries.push(central_entry(&fixed, rest, table.shift));
    }
    // Old writers count modulo 65,536.
    if entries.len() as u64 != table.files && entries.len() as u64 % 65_536 != table.files {
        odd.push(format!("the zip says it holds {} files, its table lists {}", table.files, entries.len()));
    }
    Ok(Listing { entries, odd })
}

fn central_entry(fixed: &[u8], mut name_and_extra: Vec<u8>, shift: u64) -> Entry {
    let flags = u16_at(fixed, 8);
    let name_len = usize::from(u16_at(fixed, 28)).min(name_and_extra.len());
    let extra = name_and_extra.split_off(name_len);
    let mut entry = Entry {
        utf8: flags & 0x800 != 0,
        encrypted: flags & 1 != 0,
        method: u16_at(fixed, 10),
        crc: Some(u32_at(fixed, 16)),
        packed: u64::from(u32_at(fixed, 20)),
        size: Some(u64::from(u32_at(fixed, 24))),
        header_at: u64::from(u32_at(fixed, 42)),
        dos_time: u16_at(fixed, 12),
        dos_date: u16_at(fixed, 14),
        // Host 3 is Unix, 19 is its newer relative; there the upper half of the attributes is the mode.
        unix_type: if matches!(fixed.get(5), Some(3 | 19)) { (u32_at(fixed, 38) >> 16) & 0o170_000 } else { 0 },
        name: name_and_extra,
    };
    apply_extra(&mut entry, &extra);
    entry.header_at = entry.header_at.saturating_add(shift);
    entry
}

/// Sizes beyond 4 GiB (§4.5.3) and the Unicode name (§4.6.9).
fn apply_extra(entry: &mut Entry, extra: &[u8]) {
    let mut rest = extra;
    while rest.len() >= 4 {
        let (kind, len) = (u16_at(rest, 0), usize::from(u16_at(rest, 2)));
        let Some(body) = rest.get(4..4 + len) else { break };
        if kind == 1 {
            let mut at = 0;
            let mut take = |value: &mut u64| {
                if *value == 0xffff_ffff && body.len() >= at + 8 {
                    *value = u64_at(body, at);
                    at += 8;
                }
            };
            if let Some(size) = entry.size.as_mut() {
                take(size);
            }
            take(&mut entry.packed);
            take(&mut entry.header_at);
        }
        if kind == 0x7075 && body.first() == Some(&1) && body.len() > 5 {
            let mut crc = flate2::Crc::new();
            crc.update(&entry.name);
            if crc.sum() == u32_at(body, 1) {
                entry.name = body.get(5..).unwrap_or_default().to_vec();
                entry.utf8 = true;
            }
        }
        rest = rest.get(4 + len..).unwrap_or_default();
    }
}

/// Finds the end record: within the last 64 KiB (its comment may be that long), latest first.
fn find_table(source: &Source) -> Result<Table, NoListing> {
    let damaged = |what: &str| NoListing::Damaged(what.to_string());
    let tail_len = (65_535 + END_BYTES as u64 + 20).min(source.len());
    let tail_at = source.len() - tail_len;
    let mut tail = vec![0; usize::try_from(tail_len).unwrap_or(0)];
    let n = source.fill_at(tail_at, &mut tail)?;
    tail.truncate(n);
    let mut verdict = damaged("its table of contents at the end is missing: the file ends in the middle");
    // A comment could be made of false end records; a few tries are enough for any honest file.
    for found in memchr::memmem::rfind_iter(&tail, &END).take(32) {
        let Some(record) = tail.get(found..found + END_BYTES) else { continue };
        let end_at = tail_at + found as u64;
        match table_of(source, record, end_at) {
            Ok(table) => return Ok(table),
            Err(NoListing::Damaged(what)) => verdict = NoListing::Damaged(what),
            Err(other) => return Err(other),
        }
    }
    Err(verdict)
}

fn table_of(source: &Source, record: &[u8], end_at: u64) -> Result<Table, NoListing> {
    let (disk, table_disk) = (u16_at(record, 4), u16_at(record, 6));
    let mut files = u64::from(u16_at(record, 10));
    let mut size = u64::from(u32_at(record, 12));
    let mut offset = u64::from(u32_at(record, 16));
    let mut end = end_at;
    let wants_64 = files == 0xffff || size == 0xffff_ffff || offset == 0xffff_ffff;
    let mut locator = [0u8; 20];
    if wants_64
        && end_at >= 20
        && source.fill_at(end_at - 20, &mut locator)? == 20
        && locator.get(..4) == Some(&LOCATOR64)
    {
        if u32_at(&locator, 16) > 1 {
            return Err(NoListing::Split);
        }
        let mut record64 = [0u8; 56];
        // Bytes put before the zip shift the record; it then ends where the locator begins.
        for at in [u64_at(&locator, 8), (end_at - 20).saturating_sub(56)] {
            if source.fill_at(at, &mut record64)? == 56 && record64.get(..4) == Some(&END64) {
                if u32_at(&record64, 16) != 0 || u32_at(&record64, 20) != 0 {
                    return Err(NoListing::Split);
                }
                (files, size, offset, end) = (u64_at(&record64, 32), u64_at(&record64, 40), u64_at(&record64, 48), at);
                break;
            }
        }
    } else if (disk != 0 && disk != 0xffff) || (table_disk != 0 && table_disk != 0xffff) {
        return Err(NoListing::Split);
    }
    if files == 0 && size == 0 {
        return Ok(Table { at: end, end, files: 0, shift: 0 });
    }
    // The table ends where the end record begins; failing that, take the offset at its word.
    let mut mark = [0u8; 4];
    for at in [end.checked_sub(size), Some(offset)].into_iter().flatten() {
        if at < end && source.fill_at(at, &mut mark)? == 4 && mark == CENTRAL {
            return Ok(Table { at, end, files, shift: at.saturating_sub(offset) });
        }
    }
    Err(NoListing::Damaged("its table of contents is not where the end of the file says".to_string()))
}

/// Finds files by their own headers when the table of contents is lost.
pub(super) fn salvage(source: &Source, max_files: u64) -> io::Result<Vec<Entry>> {
    let mut entries: Vec<Entry> = Vec::new();
    let mut at = 0;
    let mut scanner = Scanner { source, block: Vec::new(), block_at: 0 };
    while let Some(header_at) = scanner.find(at)? {
        let Some((mut entry, data_at)) = local_entry(source, header_at)? else {
            at = header_at + 4;
            continue;
        };
        if entry.crc.is_none() {
            // Size and checksum stand behind the data: the file reaches at most to the next header.
            let next = scanner.find(data_at)?.unwrap_or(source.len());
            entry.packed = next.saturating_sub(data_at);
        }
        at = data_at.saturating_add(entry.packed).max(header_at + 4);
        entries.push(entry);
        if entries.len() as u64 > max_files {
            break;
        }
    }
    Ok(entries)
}

/// Looks for header marks; keeps its block, so that many marks close together cost one reading.
struct Scanner<'a> {
    source: &'a Source,
    block: Vec<u8>,
    block_at: u64,
}

impl Scanner<'_> {
    /// The next place that begins like a file; `None` at the table of contents or the end.
    fn find(&mut self, from: u64) -> io::Result<Option<u64>> {
        let mut at = from;
        loop {
            let inside = at.checked_sub(self.block_at).and_then(|n| usize::try_from(n).ok());
            if !inside.is_some_and(|n| n + 4 <= self.block.len()) {
                self.block.resize(BLOCK_BYTES, 0);
                let n = self.source.fill_at(at, &mut self.block)?;
                self.block.truncate(n);
                self.block_at = at;
            }
            let skip = usize::try_from(at - self.block_at).unwrap_or(usize::MAX);
            let rest = self.block.get(skip..).unwrap_or_default();
            for found in memchr::memmem::find_iter(rest, b"PK") {
                let mark = rest.get(found..found + 4);
                if mark == Some(&LOCAL[..]) {
                    return Ok(Some(at + found as u64));
                }
                if mark == Some(&CENTRAL[..]) || mark == Some(&END[..]) {
                    return Ok(None);
                }
            }
            if rest.len() < 4 || self.block_at + self.block.len() as u64 >= self.source.len() {
                return Ok(None);
            }
            // A mark may lie across the border.
            at += rest.len() as u64 - 3;
        }
    }
}

/// A plausible local header and where its data begin.
fn local_entry(source: &Source, at: u64) -> io::Result<Option<(Entry, u64)>> {
    let mut fixed = [0u8; LOCAL_BYTES as usize];
    if source.fill_at(at, &mut fixed)? < fixed.len() {
        return Ok(None);
    }
    let (flags, method) = (u16_at(&fixed, 6), u16_at(&fixed, 8));
    let (name_len, extra_len) = (usize::from(u16_at(&fixed, 26)), usize::from(u16_at(&fixed, 28)));
    if u16_at(&fixed, 4) & 0xff > 100 || method > 99 || name_len == 0 || name_len > 4096 {
        return Ok(None);
    }
    let mut name = vec![0u8; name_len + extra_len];
    if source.fill_at(at + LOCAL_BYTES, &mut name)? < name.len() {
        return Ok(None);
    }
    let extra = name.split_off(name_len);
    let later = flags & 8 != 0;
    let mut entry = Entry {
        utf8: flags & 0x800 != 0,
        encrypted: flags & 1 != 0,
        method,
        crc: (!later).then(|| u32_at(&fixed, 14)),
        packed: u64::from(u32_at(&fixed, 18)),
        size: (!later).then(|| u64::from(u32_at(&fixed, 22))),
        header_at: 0,
        dos_time: u16_at(&fixed, 10),
        dos_date: u16_at(&fixed, 12),
        unix_type: 0,
        name,
    };
    apply_extra(&mut entry, &extra);
    entry.header_at = at;
    Ok(Some((entry, at + LOCAL_BYTES + (name_len + extra_len) as u64)))
}

/// Where a file's data begin, and whether its own header has the name that the table has.
///
/// # Errors
/// What the system says, or that there is no header at the place.
pub(super) fn data_start(source: &Source, entry: &Entry) -> io::Result<(u64, bool)> {
    let mut fixed = [0u8; LOCAL_BYTES as usize];
    let n = source.fill_at(entry.header_at, &mut fixed)?;
    if n < fixed.len() {
        return Err(io::Error::new(io::ErrorKind::UnexpectedEof, SHORT));
    }
    if fixed.get(..4) != Some(&LOCAL[..]) {
        return Err(io::Error::new(
            io::ErrorKind::InvalidData,
            format!("byte {} of the zip should begin this file and does not", entry.header_at),
        ));
    }
    let (name_len, extra_len) = (u16_at(&fixed, 26), u16_at(&fixed, 28));
    let mut name = vec![0u8; usize::from(name_len)];
    let n = source.fill_at(entry.header_at + LOCAL_BYTES, &mut name)?;
    let same = n == name.len() && (name == entry.name || entry.utf8);
    Ok((entry.header_at + LOCAL_BYTES + u64::from(name_len) + u64::from(extra_len), same))
}

fn read_full(section: &mut Section, out: &mut [u8]) -> io::Result<usize> {
    let mut done = 0;
    while let Some(rest) = out.get_mut(done..).filter(|rest| !rest.is_empty()) {
        match section.read(rest) {
            Ok(0) => break,
            Ok(n) => done += n,
            Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => break,
            Err(e) => return Err(e),
        }
    }
    Ok(done)
}

fn skip(section: &mut Section, bytes: u64) -> io::Result<u64> {
    io::copy(&mut section.take(bytes), &mut io::sink())
}
