//! What the shared pass finds: classes of bytes, places, faults, the text of a sentence, and who takes them.

/// What a byte of the stream was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub(in crate::formats) enum Class {
    /// Part of a record that was understood.
    Decoded,
    /// A good sentence of a type that is not used.
    UnusedSentence,
    /// A good proprietary sentence.
    Proprietary,
    /// A good frame that was left aside; the sink knows the reasons.
    SkippedFrame,
    /// A sentence with a wrong checksum.
    Failed,
    /// A sentence that breaks off.
    Cut,
    /// A sentence without a checksum in a file that has checksums.
    Unchecked,
    /// A line of text.
    Text,
    /// Text on the same line before or behind a sentence.
    Around,
    /// A TAG block before a sentence.
    Tag,
    /// A line end alone.
    Blank,
    /// Zero bytes.
    Zero,
    /// None of these.
    Unknown,
}

impl Class {
    /// All classes, in the order of their numbers.
    pub(super) const ALL: [Class; 13] = [
        Class::Decoded,
        Class::UnusedSentence,
        Class::Proprietary,
        Class::SkippedFrame,
        Class::Failed,
        Class::Cut,
        Class::Unchecked,
        Class::Text,
        Class::Around,
        Class::Tag,
        Class::Blank,
        Class::Zero,
        Class::Unknown,
    ];

    /// Why bytes of the class were skipped; `None` for decoded and unknown ones.
    pub(super) fn reason(self) -> Option<&'static str> {
        match self {
            Class::Decoded | Class::Unknown => None,
            Class::UnusedSentence => Some("NMEA sentence that is not used"),
            Class::Proprietary => Some("proprietary NMEA sentence"),
            Class::SkippedFrame => Some("RTCM message"),
            Class::Failed => Some("failed checksum"),
            Class::Cut => Some("broken-off sentence"),
            Class::Unchecked => Some("sentence without checksum"),
            Class::Text => Some("text line"),
            Class::Around => Some("text before or behind a sentence"),
            Class::Tag => Some("TAG block"),
            Class::Blank => Some("blank line"),
            Class::Zero => Some("zero bytes"),
        }
    }
}

/// Where something stands in the stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::formats) struct Place {
    /// Byte offset.
    pub(in crate::formats) offset: u64,
    /// Line, from 1; counts line ends outside frames.
    pub(in crate::formats) line: u64,
}

/// What is wrong with a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// The checksum is not that of the sentence.
    Checksum {
        /// As written.
        written: u8,
        /// As computed.
        computed: u8,
    },
    /// No two hex digits behind `*`.
    Digits,
    /// Another sentence, a byte that is no text, or the end of the file comes before the checksum.
    Cut,
    /// CRC of a frame candidate.
    Crc,
}

/// What stands between `$` and `*`, with the bytes behind it, so that a reader may take eight bytes at a time up to its end.
#[derive(Debug, Clone, Copy)]
pub(in crate::formats) struct Body<'a> {
    /// From behind `$` on.
    window: &'a [u8],
    length: usize,
}

impl<'a> Body<'a> {
    /// A text with nothing behind it.
    #[cfg(test)]
    pub(in crate::formats) fn alone(text: &'a [u8]) -> Body<'a> {
        Body { window: text, length: text.len() }
    }

    /// A text of some bytes with others behind it.
    #[inline]
    pub(in crate::formats) fn first(window: &'a [u8], length: usize) -> Body<'a> {
        Body { window, length }
    }

    /// The text alone.
    #[inline]
    pub(in crate::formats) fn text(&self) -> &'a [u8] {
        self.window.get(..self.length).unwrap_or_default()
    }

    /// The text and what lies behind it. What follows the text is `*`, a line end or nothing.
    #[inline]
    pub(in crate::formats) fn window(&self) -> &'a [u8] {
        self.window
    }

    /// Bytes of the text.
    #[inline]
    pub(in crate::formats) fn length(&self) -> usize {
        self.length
    }
}

/// Takes what the pass finds.
pub(super) trait Sink {
    /// A frame with a good CRC, whole. Says what it was good for.
    fn frame(&mut self, place: Place, frame: &[u8]) -> Class;
    /// What stands between `$` and `*`. `checked` is false when the line ends without a checksum.
    fn sentence(&mut self, place: Place, body: Body<'_>, checked: bool) -> Class;
    /// Something failed at a place; `body` is the text of a sentence and empty for a frame.
    fn fault(&mut self, place: Place, fault: Fault, body: &[u8]);
}
