//! run.log: what was read, what was not and why. Without times of the run, so that two runs give the same.

use super::beside::Beside;
use super::read::ReadAll;
use super::sites::Placed;
use crate::crawl::Inventory;
use crate::model::findings::NotRead;
use std::fmt::Write;

/// The text.
pub(super) fn text(
    inventory: &Inventory,
    read: &ReadAll,
    placed: &Placed,
    beside: &Beside,
    not_read: &[NotRead],
) -> String {
    let mut t = String::new();
    let _ = writeln!(
        t,
        "bundles found {}, read {}, copies {}, files or bundles not read {}",
        inventory.bundles.len(),
        read.bundles.iter().filter(|b| b.usable()).count(),
        read.duplicates.len(),
        not_read.len()
    );
    for used in &beside.used {
        let _ = writeln!(t, "used {used}");
    }
    for (bundle, placement) in read.bundles.iter().zip(&placed.placements) {
        let who = match placement {
            Some(p) => format!(
                "{} {} at {} ({})",
                p.role.name(),
                p.unit,
                p.site.as_deref().unwrap_or("a site found by its data"),
                p.known_from.plain()
            ),
            None => "not placed".to_owned(),
        };
        let _ = writeln!(t, "\nbundle {}: {who}, {} bytes", bundle.path, bundle.ends.bytes);
        for file in &bundle.files {
            let l = &file.look;
            let span = match (&l.from, &l.to) {
                (Some(a), Some(b)) => format!(", {a} to {b}"),
                _ => String::new(),
            };
            let checks =
                if l.failed_checks > 0 { format!(", {} failed checks", l.failed_checks) } else { String::new() };
            let _ = writeln!(
                t,
                "  {}: {}{span}; {} bytes: {} decoded, {} skipped, {} unknown{checks}",
                l.path,
                l.format.name(),
                l.bytes.total,
                l.bytes.decoded,
                l.bytes.skipped,
                l.bytes.unknown
            );
            for p in &l.problems {
                let place = match (p.line, p.offset) {
                    (Some(line), _) => format!("line {line}: "),
                    (None, Some(offset)) => format!("byte {offset}: "),
                    _ => String::new(),
                };
                let _ = writeln!(t, "    {place}{}; {}", p.what, p.hint);
            }
        }
    }
    if !read.duplicates.is_empty() {
        let _ = writeln!(t, "\ncopies, counted once");
        for (copy, of) in &read.duplicates {
            let _ = writeln!(t, "  {copy} = {of}");
        }
    }
    for (title, list) in [
        ("not read", not_read),
        ("not placed", placed.not_placed.as_slice()),
        ("to be looked at", placed.notes.as_slice()),
    ] {
        if !list.is_empty() {
            let _ = writeln!(t, "\n{title}");
            for n in list {
                let _ = writeln!(t, "  {}: {}", n.path, n.reason);
            }
        }
    }
    t
}
