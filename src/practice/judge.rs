//! Whose fault a lost second is, out of the same session with and without each cause.

use super::claims::Claims;
use super::fix::Epoch;
use super::plan::Session;

/// A run of lost epochs with one cause. `cause` counts into the site's list; `None` = unexplained.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Lost {
    pub from: i64,
    /// One past the last lost second.
    pub to: i64,
    pub cause: Option<u8>,
    /// Bits of other causes: each of all of them was needed for the loss, or each was enough.
    pub or: u16,
}

/// Counts of a rover's session.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    pub observed_s: u64,
    pub lost_s: u64,
    /// By cause of the site's list; the last entry is unexplained.
    pub by_cause_s: Vec<u64>,
    /// Who can claim them.
    pub claims: Claims,
    /// Lost seconds with no cause acting.
    pub lost_without_s: u64,
    pub periods: Vec<Lost>,
}

/// Puts every lost second on the cause without which the rover would have been fixed.
///
/// `variants` holds (mask, states); the first is the world as it was, the second that without any cause.
pub(super) fn judge(s: &Session, causes: usize, variants: &[(u16, Vec<Epoch>)]) -> Tally {
    let mut out = Tally { by_cause_s: vec![0; causes + 1], claims: Claims::new(causes), ..Tally::default() };
    let (Some((all, actual)), Some((_, calm))) = (variants.first(), variants.get(1)) else { return out };
    let fixed = |v: &[Epoch], i: usize| v.get(i).is_some_and(|e| e.state == 4);
    let without: Vec<(u8, &[Epoch])> = (0..causes as u8)
        .filter(|b| all >> b & 1 == 1)
        .filter_map(|b| variants.iter().find(|(m, _)| *m == all & !(1 << b)).map(|(_, v)| (b, v.as_slice())))
        .collect();
    let mut start_up = Some(0usize);
    let mut silent = 10_000usize;
    let mut before: Option<u8> = None;
    for i in 0..s.n {
        let Some(e) = actual.get(i) else { break };
        if e.state == 255 {
            silent += 1;
            continue;
        }
        if silent > 900 {
            start_up = Some(i);
        }
        silent = 0;
        if let Some(a) = start_up {
            if e.state == 4 || i - a >= 120 {
                start_up = None;
            } else {
                continue;
            }
        }
        out.observed_s += 1;
        out.lost_without_s += u64::from(calm.get(i).is_some_and(|c| c.state != 4 && c.state != 255));
        if e.state == 4 {
            before = None;
            continue;
        }
        out.lost_s += 1;
        // Enough by itself: without it alone the rover would be fixed.
        let single: Vec<u8> = without.iter().filter(|(_, v)| fixed(v, i)).map(|(b, _)| *b).collect();
        let cause = if !single.is_empty() {
            before.filter(|b| single.contains(b)).or(single.first().copied())
        } else if fixed(calm, i) && without.len() > 1 {
            // Two causes, either of them enough: stays with the one that took the fix first.
            before.or(without.iter().find(|(_, v)| !fixed(v, i)).map(|(b, _)| *b))
        } else {
            None
        };
        before = cause.or(before);
        let bits = |of: &mut dyn Iterator<Item = u8>| of.fold(0_u16, |m, b| m | 1 << b);
        let claim = match cause {
            None => 0,
            Some(_) if single.is_empty() => bits(&mut without.iter().map(|(b, _)| *b)),
            Some(_) => bits(&mut single.iter().copied()),
        };
        out.claims.add(claim);
        let or = cause.map_or(0, |b| claim & !(1 << b));
        let slot = cause.map_or(causes, usize::from);
        if let Some(v) = out.by_cause_s.get_mut(slot) {
            *v += 1;
        }
        let t = s.t0 + i as i64;
        match out.periods.last_mut() {
            Some(p) if p.cause == cause && p.or == or && t - p.to < 5 => p.to = t + 1,
            _ => out.periods.push(Lost { from: t, to: t + 1, cause, or }),
        }
    }
    // A second or two that belong to nobody inside a period of a cause do not split it; shorter than 2 s is no period.
    out.periods.retain(|p| p.to - p.from >= 2);
    out
}
