//! How much one bundle may cost before it is refused.

/// What a bundle may hold. Each refusal is listed with its reason; nothing else of the bundle or run is touched by it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Decompressed bytes of one file. Parsing streams, so this guards time, not memory.
    pub max_member_bytes: u64,
    /// Decompressed bytes of one bundle, inner zips included.
    pub max_bundle_bytes: u64,
    /// Decompressed bytes for one compressed byte, of a file and of a bundle as a whole. Deflate cannot exceed 1,032;
    /// plain receiver text of a standing antenna reaches 30 to 200.
    pub max_ratio: u64,
    /// The ratio counts only beyond this many decompressed bytes: small constant logs are no danger.
    pub ratio_free_bytes: u64,
    /// Zips in zips (and `.gz` in `.gz`) below the bundle itself.
    pub max_depth: usize,
    /// Files of one bundle, inner zips included.
    pub max_members: u64,
    /// Bytes of compressed inner zips held in memory at one time for one bundle. An inner zip that is stored without
    /// compression is read in place and needs none.
    pub max_nested_zip_in_memory: u64,
}

/// One MiB.
const MIB: u64 = 1024 * 1024;
/// One GiB.
const GIB: u64 = 1024 * MIB;

impl Default for Limits {
    /// Generous for real fleets: a day of a 10 Hz base log is about 4 GB, a week's bundle some 30 GB.
    fn default() -> Limits {
        Limits {
            max_member_bytes: 16 * GIB,
            max_bundle_bytes: 128 * GIB,
            max_ratio: 400,
            ratio_free_bytes: 256 * MIB,
            max_depth: 3,
            max_members: 50_000,
            max_nested_zip_in_memory: 128 * MIB,
        }
    }
}

/// `16 GiB`, `1.5 MiB`, `12 bytes`: for messages.
pub(super) fn size_text(bytes: u64) -> String {
    let tenths = |unit: u64| {
        let (whole, tenth) = (bytes / unit, (bytes % unit).saturating_mul(10) / unit);
        if tenth == 0 { whole.to_string() } else { format!("{whole}.{tenth}") }
    };
    match bytes {
        b if b >= GIB => format!("{} GiB", tenths(GIB)),
        b if b >= MIB => format!("{} MiB", tenths(MIB)),
        b => format!("{b} bytes"),
    }
}
