//! Names from strangers made safe to show and to compare. Nothing is ever unpacked to disk, so a name is only a label.

use crate::model::visible::{MAX_SHOWN, safe_text};
use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::{Component, Path};

/// Code page 437, upper half: the character set of zip names without the UTF-8 flag (APPNOTE 6.3.10, appendix D).
const CP437: &str = "ÇüéâäàåçêëèïîìÄÅÉæÆôöòûùÿÖÜ¢£¥₧ƒáíóúñÑªº¿⌐¬½¼¡«»░▒▓│┤╡╢╖╕╣║╗╝╜╛┐└┴┬├─┼╞╟╚╔╩╦╠═╬╧╨╤╥╙╘╒╓╫╪┘┌█▄▌▐▀αßΓπΣσµτΦΘΩδ∞φε∩≡±≥≤⌠⌡÷≈°∙·√ⁿ²■\u{a0}";

/// Bytes as text: valid UTF-8 as it is, other bytes as `\xNN`.
fn escape_bytes(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        out.push_str(chunk.valid());
        for b in chunk.invalid() {
            out.push_str(&format!("\\x{b:02x}"));
        }
    }
    out
}

/// A name of the file system, safe to show.
pub(super) fn os_name(name: &OsStr) -> String {
    #[cfg(unix)]
    let text = escape_bytes(std::os::unix::ffi::OsStrExt::as_bytes(name));
    #[cfg(not(unix))]
    let text = name.to_string_lossy().into_owned();
    safe_text(&text)
}

/// A relative path with `/` between its parts, safe to show.
pub(super) fn os_path(path: &Path) -> String {
    let parts: Vec<String> = path
        .components()
        .filter_map(|part| match part {
            Component::Normal(name) => Some(os_name(name)),
            Component::ParentDir => Some("..".to_string()),
            _ => None,
        })
        .collect();
    parts.join("/")
}

/// A name of a zip as a path inside the bundle.
pub(super) struct ZipName {
    /// `/` between the parts; never absolute, never upwards, safe to show.
    pub path: String,
    /// The name ends in a separator: a folder.
    pub is_folder: bool,
    /// What had to be changed about it, in words.
    pub changed: Option<&'static str>,
}

/// Cleans a zip name. `utf8` is the language flag of the entry.
pub(super) fn zip_name(raw: &[u8], utf8: bool) -> ZipName {
    // Some writers use the separator of their own system.
    let raw: Vec<u8> = raw.iter().map(|b| if *b == b'\\' { b'/' } else { *b }).collect();
    let (text, mut changed) = match std::str::from_utf8(&raw) {
        Ok(text) => (text.to_string(), None),
        Err(_) if utf8 => (escape_bytes(&raw), Some("the name says UTF-8 and is not")),
        Err(_) => (raw.iter().map(|b| cp437(*b)).collect(), None),
    };
    let is_folder = text.ends_with('/');
    let mut parts: Vec<String> = Vec::new();
    if text.starts_with('/') {
        changed = Some("the name is an absolute path");
    }
    for (n, part) in text.split('/').enumerate() {
        match part {
            "" | "." => {}
            ".." => {
                changed = Some("the name leads out of the bundle");
                parts.push("(up)".to_string());
            }
            drive if n == 0 && drive.len() == 2 && drive.ends_with(':') => {
                changed = Some("the name is an absolute path");
            }
            part => {
                let safe = safe_text(part);
                if safe != part && changed.is_none() {
                    changed = Some("the name holds characters that cannot be shown, or is very long");
                }
                parts.push(safe);
            }
        }
    }
    let mut path = parts.join("/");
    if path.chars().count() > 4 * MAX_SHOWN {
        path = safe_text(&path);
    }
    if path.is_empty() {
        path = "(no name)".to_string();
        if !is_folder {
            changed = Some("the name is empty");
        }
    }
    ZipName { path, is_folder, changed }
}

fn cp437(byte: u8) -> char {
    if byte < 0x80 {
        return char::from(byte);
    }
    CP437.chars().nth(usize::from(byte) - 0x80).unwrap_or('?')
}

/// Hands out each name once: a second use gets ` (2)` behind it.
#[derive(Default)]
pub(super) struct Unique {
    used: BTreeMap<String, u32>,
}

impl Unique {
    /// The name itself, or with a number when it was given before.
    pub fn take(&mut self, name: String) -> String {
        let Some(count) = self.used.get(&name).copied() else {
            self.used.insert(name.clone(), 1);
            return name;
        };
        let mut n = count + 1;
        loop {
            let candidate = format!("{name} ({n})");
            if !self.used.contains_key(&candidate) {
                self.used.insert(name, n);
                self.used.insert(candidate.clone(), 1);
                return candidate;
            }
            n += 1;
        }
    }
}

/// Whether a path's last part is the name of the unit card.
pub(super) fn is_card(path: &str) -> bool {
    path.rsplit(['/', '!']).next().is_some_and(|name| name.eq_ignore_ascii_case("unit.toml"))
}
