//! What a file is wrapped in, by its first bytes. Only wrappers are known here, no content.

/// How many bytes [`wrapper`] wants to see.
pub(super) const PEEK_BYTES: usize = 512;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Wrapper {
    /// Nothing that is unwrapped here.
    None,
    Zip,
    Gz,
    Lzw,
    /// A wrapper that is not unwrapped: its name.
    Foreign(&'static str),
}

/// The wrapper of a file that begins with `head`.
pub(super) fn wrapper(head: &[u8]) -> Wrapper {
    if is_zip(head) {
        return match office_document(head) {
            true => Wrapper::Foreign("an office document"),
            false => Wrapper::Zip,
        };
    }
    match head {
        // Method 8 is the only one defined; the reserved flag bits are zero (RFC 1952 §2.3.1).
        [0x1f, 0x8b, 8, flags, ..] if flags & 0xe0 == 0 => Wrapper::Gz,
        [0x1f, 0x9d, flags, ..] if (9..=16).contains(&(flags & 0x1f)) => Wrapper::Lzw,
        [b'B', b'Z', b'h', b'1'..=b'9', 0x31, 0x41, 0x59, 0x26, 0x53, 0x59, ..]
        | [b'B', b'Z', b'h', b'1'..=b'9', 0x17, 0x72, 0x45, 0x38, 0x50, 0x90, ..] => Wrapper::Foreign("bzip2"),
        [b'7', b'z', 0xbc, 0xaf, 0x27, 0x1c, ..] => Wrapper::Foreign("7z"),
        [b'R', b'a', b'r', b'!', 0x1a, 0x07, ..] => Wrapper::Foreign("rar"),
        [0xfd, b'7', b'z', b'X', b'Z', 0, ..] => Wrapper::Foreign("xz"),
        [0x28, 0xb5, 0x2f, 0xfd, ..] => Wrapper::Foreign("zstd"),
        head if head.get(257..262) == Some(b"ustar") => Wrapper::Foreign("tar"),
        _ => Wrapper::None,
    }
}

/// Begins like a zip: a first file, an empty zip, or the mark of a split one.
pub(super) fn is_zip(head: &[u8]) -> bool {
    matches!(head, [b'P', b'K', 3, 4, ..] | [b'P', b'K', 5, 6, ..] | [b'P', b'K', 7, 8, ..])
}

/// Office documents are zips too; their first file tells.
fn office_document(head: &[u8]) -> bool {
    head.get(30..)
        .is_some_and(|name| name.starts_with(b"[Content_Types].xml") || name.starts_with(b"mimetypeapplication/"))
}
