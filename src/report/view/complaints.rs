//! The complaints page: one line a complaint.

use super::{Context, SideView, side, site_name};
use crate::model::findings::ComplaintAnswer;
use crate::report::text::{LONG, confidence, hours, name, plain, upper_first};
use serde::Serialize;

/// One complaint.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Line {
    id: String,
    when: String,
    unit: String,
    site: String,
    /// Page of the site with the anchor of the cause; empty when there is no such page.
    href: String,
    text: String,
    cause: String,
    side: Option<SideView>,
    confidence: String,
    lost: String,
    summary: String,
    check_first: String,
}

/// Complaints of one site that have one cause: one visit.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Group {
    site: String,
    href: String,
    cause: String,
    side: Option<SideView>,
    count: usize,
    /// The first of their ids, in words cut at no hyphen.
    ids: Vec<String>,
    /// How many more there are.
    more: usize,
    check_first: String,
}

/// The page.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Complaints {
    root: &'static str,
    title: &'static str,
    made_by: String,
    window: String,
    answer: String,
    /// Empty where there is nothing to put together.
    groups: Vec<Group>,
    lines: Vec<Line>,
    cautions: Vec<&'static str>,
}

pub(super) fn complaints(c: &Context<'_>) -> Option<Complaints> {
    let all = &c.findings.complaints;
    if all.is_empty() {
        return None;
    }
    let with_cause = |side_id: &str| -> usize {
        all.iter().filter(|x| (c.options.about)(&x.cause).is_some_and(|a| a.side == side_id)).count()
    };
    let mut parts: Vec<String> = [("base", "base"), ("link", "data link"), ("sky", "sky"), ("rover", "rover")]
        .iter()
        .filter_map(|(id, word)| match with_cause(id) {
            0 => None,
            n => Some(format!("{n} point to the {word}").replace("1 point ", "1 points ")),
        })
        .collect();
    let open = all.iter().filter(|x| (c.options.about)(&x.cause).is_none_or(|a| a.side == "unexplained")).count();
    if open > 0 {
        parts.push(format!("{open} cannot be put down to a cause from these logs"));
    }
    let n = if all.len() == 1 { "Of 1 complaint".to_owned() } else { format!("Of {} complaints", all.len()) };
    let lines: Vec<Line> = all.iter().map(|x| line(c, x)).collect();
    let groups = groups(&lines);
    Some(Complaints {
        root: "",
        title: "Complaints answered",
        made_by: c.made_by(),
        window: c.window(),
        answer: format!("{n}, {}.", parts.join(", ")),
        groups: if groups.len() * 2 <= lines.len() { groups } else { Vec::new() },
        lines,
        cautions: c.options.cautions.to_vec(),
    })
}

/// Ids named in one group.
const NAMED: usize = 20;

/// By site and cause, most complaints first, else in the order given.
fn groups(lines: &[Line]) -> Vec<Group> {
    let mut out: Vec<Vec<&Line>> = Vec::new();
    for l in lines {
        match out.iter_mut().find(|g| g.first().is_some_and(|x| x.site == l.site && x.cause == l.cause)) {
            Some(g) => g.push(l),
            None => out.push(vec![l]),
        }
    }
    out.sort_by_key(|g| std::cmp::Reverse(g.len()));
    let group = |g: Vec<&Line>| {
        let first = g.first()?;
        let named = g.iter().take(NAMED).map(|l| l.id.clone()).collect();
        let more = g.len().saturating_sub(NAMED);
        Some(Group {
            site: first.site.clone(),
            href: first.href.clone(),
            cause: first.cause.clone(),
            side: first.side.clone(),
            count: g.len(),
            ids: named,
            more,
            check_first: first.check_first.clone(),
        })
    };
    out.into_iter().filter_map(group).collect()
}

fn line(c: &Context<'_>, x: &ComplaintAnswer) -> Line {
    let site = c.site(&x.site);
    let page = c.path_of(&x.site).unwrap_or_default();
    let at = site.and_then(|s| s.causes.iter().position(|k| k.cause == x.cause));
    let href = match at {
        Some(i) if !page.is_empty() => format!("{page}#cause-{}", i + 1),
        _ => page,
    };
    let about = (c.options.about)(&x.cause);
    let known = !x.cause.is_empty();
    Line {
        id: name(&x.id),
        when: c.zone(&x.site).span_min(&x.from, &x.to),
        unit: name(&x.unit),
        site: site.map_or_else(|| name(&x.site), site_name),
        href,
        text: plain(&x.text, LONG),
        cause: if known { c.title(&x.cause) } else { "No cause named".to_owned() },
        side: about.map(|a| side(a.side)),
        confidence: if about.is_some_and(|a| a.side != "unexplained") {
            confidence(x.confidence)
        } else {
            String::new()
        },
        lost: hours(x.lost_fix_hours),
        summary: upper_first(&plain(&x.summary, LONG)),
        check_first: super::elsewhere(&plain(&x.check_first, LONG)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn complaints_of_one_site_and_cause_are_one_trouble() {
        let line = |id: &str, site: &str, cause: &str| Line {
            id: id.to_owned(),
            when: String::new(),
            unit: String::new(),
            site: site.to_owned(),
            href: String::new(),
            text: String::new(),
            cause: cause.to_owned(),
            side: None,
            confidence: String::new(),
            lost: String::new(),
            summary: String::new(),
            check_first: String::new(),
        };
        let lines = [line("1", "A", "x"), line("2", "B", "x"), line("3", "B", "y"), line("4", "B", "x")];
        let told: Vec<(String, usize)> = groups(&lines).into_iter().map(|g| (g.ids.join(", "), g.count)).collect();
        assert_eq!(told, [("2, 4".to_owned(), 2), ("1".to_owned(), 1), ("3".to_owned(), 1)]);
    }
}
