//! Ranges and carrier phases of a satellite's signals, epoch by epoch: code multipath, jumps of the phase, rates of the
//! electron content.
//!
//! Every satellite has two anchors: its first signal of the first frequency and its best signal of another one (L2 before L5
//! before L6 before semi-codeless L2). A signal of the first frequency is paired with the second anchor, every other with the
//! first. All combinations need the ratio of two frequencies only, so GLONASS needs no frequency numbers once phases are in
//! metres (its signals at fixed frequencies are left out).
//!
//! - Geometry-free (GF): own phase - partner's, m. A jump against the straight line so far of more than 0.03 m + 0.004 m/s,
//!   at most 0.15 m, is a slip (check values 9: 0.02 to 0.03 m plus an allowance at 1 s, 0.05 to 0.15 m at 30 s; Blewitt 1990,
//!   limits common practice, no source).
//! - Melbourne-Wuebbena of the anchors: a value more than 4 sigma (at least one cycle) from the running mean, confirmed by the
//!   next epoch (Melbourne 1985; Wuebbena 1985; Blewitt 1990, doi 10.1029/GL017i003p00199).
//! - Code multipath MP: code - a * own phase + b * partner's phase, a = (fo² + fp²) / (fo² - fp²), b = 2 fp² / (fo² - fp²); for
//!   two frequencies these are MP1 and MP2 of Estey and Meertens 1999, doi 10.1007/PL00012778. The mean of every slip-free arc
//!   is taken out, so a minute's value is known when its arc ends and is then written into its row.

use super::rates::{Grid, Rates};
use crate::maths::SPEED_OF_LIGHT_M_S;
use crate::maths::ionosphere::tecu_per_m;
use crate::maths::signals::frequency_hz;
use crate::model::ids::{Band, Signal, System};
use crate::model::rows::{NO_SLIPS, Signals};
use crate::model::time::{HOUR_MS, MINUTE_MS, SECOND_MS, UtcMs};

const NONE: u32 = u32::MAX;
/// A longer time without the pair begins a new arc, ms (longer for files with a longer interval).
const GAP_MS: i64 = 60 * SECOND_MS;
/// An anchor that is away for longer is replaced, ms.
const AWAY_MS: i64 = MINUTE_MS;
/// Shorter arcs give no multipath: their mean takes most of it away. Not longer, because strong reflections make slips every few
/// minutes, and just they must be seen (common practice, no source).
const ARC_LEAST_MS: i64 = MINUTE_MS;
const ARC_LEAST: f64 = 10.0;
/// Longer arcs (geostationary satellites) are cut, so that what waits for the end of an arc stays small.
const ARC_MOST_MS: i64 = 12 * HOUR_MS;
/// Time constant of the straight line through the geometry-free combination, s.
const LINE_S: f64 = 30.0;
/// The phase of 1004 and 1012 rolls over by this many cycles when it leaves its field (RTCM 10403.x, DF012): no slip.
const ROLL_CYCLES: f64 = 1_500.0;

/// A minute that waits for the mean of its arc.
#[derive(Debug, Clone, Copy)]
struct Waiting {
    row: u32,
    open: Sums,
    done: Done,
}

/// Sums of one minute and arc, about the arc's first value.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    n: f64,
    sum: f64,
    squares: f64,
}

impl Sums {
    /// Sum of squares about a mean.
    fn about(&self, mean: f64) -> Done {
        Done { n: self.n, squares: (self.squares - 2.0 * mean * self.sum + self.n * mean * mean).max(0.0) }
    }
}

/// What earlier arcs of the minute gave.
#[derive(Debug, Clone, Copy, Default)]
struct Done {
    n: f64,
    squares: f64,
}

impl Done {
    fn add(&mut self, more: Done) {
        self.n += more.n;
        self.squares += more.squares;
    }

    fn write(&self, row: u32, rows: &mut Signals) {
        if self.n > 0.0
            && let Some(place) = rows.mp_rms_m.get_mut(row as usize)
        {
            *place = (self.squares / self.n).sqrt() as f32;
        }
    }
}

/// One signal of one satellite.
#[derive(Debug, Clone)]
struct Phase {
    first: bool,
    /// Order of choice as second anchor.
    rank: u8,
    hz: f64,
    /// Number of the epoch of the values below; 0 for ever without a frequency.
    epoch: u64,
    code_m: f64,
    phase_m: f64,
    /// Certain losses of lock so far.
    losses: u32,
    /// The pair: partner, losses of both when they were last together, when, and the geometry-free line.
    partner: u32,
    losses_then: (u32, u32),
    at: UtcMs,
    gf_m: f64,
    rate_m_s: f64,
    /// Multipath factors of the pair.
    factors: (f64, f64),
    /// Counts arcs; another number is another arc.
    arc: u32,
    arc_from: UtcMs,
    zero_m: f64,
    arc_sums: (f64, f64),
    open: Sums,
    done: Done,
    waiting: Vec<Waiting>,
    /// Pairs and jumps in the open minute.
    pairs: u32,
    jumps: u16,
}

/// An anchor as its partners see it in an epoch.
#[derive(Debug, Clone, Copy)]
struct Anchor {
    slot: u32,
    hz: f64,
    phase_m: f64,
    losses: u32,
}

/// What a satellite's anchors say together.
#[derive(Debug, Clone)]
struct Pair {
    touched: bool,
    first: u32,
    second: u32,
    /// Last time both anchors were there.
    at: UtcMs,
    wide: WideLane,
    rates: Rates,
    rates_1s: Rates,
    tecu_per_m: f64,
}

/// Running mean and variance of Melbourne-Wuebbena in cycles.
#[derive(Debug, Clone, Copy)]
struct WideLane {
    arc: u32,
    n: f64,
    mean: f64,
    variance: f64,
    /// An outlier of the epoch before, to be confirmed; NaN for none.
    suspect: f64,
}

const NEW_LANE: WideLane = WideLane { arc: 0, n: 0.0, mean: 0.0, variance: 0.25, suspect: f64::NAN };

impl WideLane {
    /// Takes a value; whether a slip is confirmed.
    fn slipped(&mut self, arc: u32, cycles: f64) -> bool {
        if self.arc != arc {
            *self = WideLane { arc, ..NEW_LANE };
        }
        let off = cycles - self.mean;
        let limit = (4.0 * self.variance.sqrt()).max(1.0);
        if self.n >= 10.0 && off.abs() > limit {
            let confirmed = (cycles - self.suspect).abs() < 1.0;
            self.suspect = cycles;
            return confirmed;
        }
        self.suspect = f64::NAN;
        // The first values weigh alike, later ones by a window of 600, so that slow multipath goes into sigma.
        self.n = (self.n + 1.0).min(600.0);
        if self.n <= 1.0 {
            self.mean = cycles;
            return false;
        }
        self.mean += off / self.n;
        self.variance += (off * off - self.variance) / self.n;
        false
    }
}

/// Collects ranges and phases; see the module's text.
#[derive(Debug, Clone, Default)]
pub(super) struct Carrier {
    phases: Vec<Phase>,
    pairs: Vec<Pair>,
    touched: Vec<u32>,
}

/// An epoch as all its pairs see it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Now {
    pub(super) t: UtcMs,
    pub(super) grid: Grid,
    pub(super) minute: i64,
    pub(super) number: u64,
    pub(super) gap_ms: i64,
}

/// Order in which signals of another than the first frequency are taken as second anchor.
fn rank(band: Option<Band>) -> u8 {
    match band {
        Some(Band::L2) => 0,
        Some(Band::L5) => 1,
        Some(Band::L6) => 2,
        _ => 3,
    }
}

/// Tells arcs of different anchors apart.
fn key(arc: u32, second: u32) -> u32 {
    arc.wrapping_add(second.wrapping_mul(0x9e37_79b1))
}

impl Phase {
    fn new(signal: Signal) -> Phase {
        let digit = signal.code[0].wrapping_sub(b'0');
        // Only ratios of frequencies count, and all frequency numbers of GLONASS have the ratio of number 0. That does not hold
        // between these signals and those at fixed frequencies (G1a, G2a, G3), which are left out: the number is not known here.
        let glonass = signal.system == System::Glonass;
        let fixed = glonass && !matches!(signal.code[0], b'1' | b'2');
        let hz = if fixed { None } else { frequency_hz(signal.system.letter(), digit, glonass.then_some(0)) };
        Phase {
            first: signal.band() == Some(Band::L1),
            rank: rank(signal.band()),
            hz: hz.unwrap_or(f64::NAN),
            epoch: 0,
            code_m: f64::NAN,
            phase_m: f64::NAN,
            losses: 0,
            partner: NONE,
            losses_then: (0, 0),
            at: UtcMs::MIN,
            gf_m: 0.0,
            rate_m_s: 0.0,
            factors: (0.0, 0.0),
            arc: 0,
            arc_from: UtcMs::MIN,
            zero_m: f64::NAN,
            arc_sums: (0.0, 0.0),
            open: Sums::default(),
            done: Done::default(),
            waiting: Vec::new(),
            pairs: 0,
            jumps: 0,
        }
    }

    /// Ends the arc: its mean is known now.
    fn end_arc(&mut self, rows: &mut Signals) {
        self.arc = self.arc.wrapping_add(1);
        let (n, sum) = std::mem::take(&mut self.arc_sums);
        let open = std::mem::take(&mut self.open);
        let mean = sum / n;
        let long = n >= ARC_LEAST && self.at.saturating_sub(self.arc_from) >= ARC_LEAST_MS;
        for waiting in self.waiting.drain(..) {
            let mut done = waiting.done;
            if long {
                done.add(waiting.open.about(mean));
            }
            done.write(waiting.row, rows);
        }
        if long && open.n > 0.0 {
            self.done.add(open.about(mean));
        }
        self.zero_m = f64::NAN;
    }

    /// This signal against its partner.
    #[inline]
    fn pair(&mut self, other: Anchor, now: Now, rows: &mut Signals) {
        let gf_m = self.phase_m - other.phase_m;
        let dt_ms = now.t.saturating_sub(self.at);
        let dt_s = dt_ms as f64 / 1000.0;
        let known = self.partner == other.slot && self.at != UtcMs::MIN && dt_ms > 0 && dt_ms <= GAP_MS.max(now.gap_ms);
        let locked = self.losses_then == (self.losses, other.losses);
        self.pairs += 1;
        let mut goes_on = known && locked && now.t.saturating_sub(self.arc_from) <= ARC_MOST_MS;
        if known && locked {
            let jump_m = gf_m - self.gf_m - self.rate_m_s * dt_s;
            if jump_m.abs() > (0.03 + 0.004 * dt_s).min(0.15) {
                goes_on = false;
                if !self.rolled(other.hz, jump_m) {
                    self.jumps = self.jumps.saturating_add(1);
                }
            } else {
                let rate = (gf_m - self.gf_m) / dt_s;
                self.rate_m_s += (rate - self.rate_m_s) * dt_s / (dt_s + LINE_S);
            }
        }
        if !goes_on {
            self.end_arc(rows);
            self.arc_from = now.t;
            if !known {
                self.rate_m_s = 0.0;
            }
            if self.partner != other.slot {
                self.partner = other.slot;
                let (fo, fp) = (self.hz * self.hz, other.hz * other.hz);
                self.factors = ((fo + fp) / (fo - fp), 2.0 * fp / (fo - fp));
            }
        }
        self.gf_m = gf_m;
        self.at = now.t;
        self.losses_then = (self.losses, other.losses);
        if self.code_m.is_finite() {
            let (a, b) = self.factors;
            let mp_m = self.code_m - a * self.phase_m + b * other.phase_m;
            if self.zero_m.is_nan() {
                self.zero_m = mp_m;
            }
            let d = mp_m - self.zero_m;
            self.arc_sums.0 += 1.0;
            self.arc_sums.1 += d;
            self.open.n += 1.0;
            self.open.sum += d;
            self.open.squares += d * d;
        }
    }

    /// Whether a jump is one or two rollovers of a legacy message and no slip.
    fn rolled(&self, partner_hz: f64, jump_m: f64) -> bool {
        let roll = |hz: f64| ROLL_CYCLES * SPEED_OF_LIGHT_M_S / hz;
        let (own, other) = (roll(self.hz), roll(partner_hz));
        // GLONASS wavelengths differ by up to 0.25 % between frequency numbers.
        [own, other, own - other, own + other].iter().any(|r| (jump_m.abs() - r.abs()).abs() < 0.003 * own)
    }
}

impl Carrier {
    /// Takes ranges of a slot. `losses`: lock was certainly lost.
    #[inline]
    pub(super) fn take(&mut self, sat: u32, slot: u32, signal: Signal, number: u64, ranges: [f64; 2], lost: bool) {
        let at = slot as usize;
        while self.phases.len() <= at {
            self.phases.push(Phase::new(signal));
            // A slot that never had ranges keeps a place without a frequency.
            if self.phases.len() <= at
                && let Some(last) = self.phases.last_mut()
            {
                last.hz = f64::NAN;
                last.rank = u8::MAX;
            }
        }
        let Some(phase) = self.phases.get_mut(at) else { return };
        if phase.rank == u8::MAX {
            *phase = Phase::new(signal);
        }
        if phase.hz.is_finite() {
            phase.epoch = number;
        }
        let [code_m, phase_m] = ranges;
        phase.code_m = code_m;
        phase.phase_m = phase_m;
        if lost {
            phase.losses = phase.losses.wrapping_add(1);
        }
        let at = sat as usize;
        if self.pairs.len() <= at {
            let new = Pair {
                touched: false,
                first: NONE,
                second: NONE,
                at: UtcMs::MIN,
                wide: NEW_LANE,
                rates: Rates::of_30_s(),
                rates_1s: Rates::of_1_s(),
                tecu_per_m: f64::NAN,
            };
            self.pairs.resize_with(at + 1, || new.clone());
        }
        if let Some(pair) = self.pairs.get_mut(at)
            && !pair.touched
        {
            pair.touched = true;
            self.touched.push(sat);
        }
    }

    /// Ends an epoch; `slots` gives the slots of a satellite.
    pub(super) fn close_epoch<'a>(&mut self, now: Now, slots: impl Fn(u32) -> &'a [u32], rows: &mut Signals) {
        let mut touched = std::mem::take(&mut self.touched);
        for sat in touched.drain(..) {
            self.satellite(sat, slots(sat), now, rows);
        }
        self.touched = touched;
    }

    fn there(&self, slot: u32, number: u64) -> bool {
        self.phases.get(slot as usize).is_some_and(|p| p.epoch == number)
    }

    fn satellite(&mut self, sat: u32, slots: &[u32], now: Now, rows: &mut Signals) {
        let Some(pair) = self.pairs.get(sat as usize) else { return };
        let (mut first, mut second, at) = (pair.first, pair.second, pair.at);
        let both = self.there(first, now.number) && self.there(second, now.number);
        if !both && (at == UtcMs::MIN || now.t.saturating_sub(at) > AWAY_MS.max(now.gap_ms)) {
            let choose = |is_first: bool| {
                let there = slots.iter().copied().filter(|s| self.there(*s, now.number));
                let of = |s: u32| self.phases.get(s as usize).filter(|p| p.first == is_first).map(|p| (p.rank, s));
                there.filter_map(of).min().map_or(NONE, |(_, s)| s)
            };
            (first, second) = (choose(true), choose(false));
        }
        let anchor = |slot: u32| {
            let there = self.phases.get(slot as usize).filter(|p| p.epoch == now.number)?;
            Some(Anchor { slot, hz: there.hz, phase_m: there.phase_m, losses: there.losses })
        };
        let (of_others, of_firsts) = (anchor(first), anchor(second));
        let both = of_others.is_some() && of_firsts.is_some();
        for slot in slots {
            let Some(phase) = self.phases.get_mut(*slot as usize).filter(|p| p.epoch == now.number) else { continue };
            if let Some(partner) = if phase.first { of_firsts } else { of_others } {
                phase.pair(partner, now, rows);
            }
        }
        let Some(pair) = self.pairs.get_mut(sat as usize) else { return };
        pair.touched = false;
        if (pair.first, pair.second) != (first, second) {
            (pair.first, pair.second) = (first, second);
            pair.tecu_per_m = f64::NAN;
        }
        if both {
            pair.at = now.t;
            self.anchors(sat, first, second, now, rows);
        }
    }

    /// Wide lane and electron content of the two anchors.
    fn anchors(&mut self, sat: u32, first: u32, second: u32, now: Now, rows: &mut Signals) {
        let (Some(a), Some(b)) = (self.phases.get(first as usize), self.phases.get(second as usize)) else { return };
        let Some(pair) = self.pairs.get_mut(sat as usize) else { return };
        let (f1, f2) = (a.hz, b.hz);
        let mut arc = key(b.arc, second);
        let (code_1, code_2) = (a.code_m, b.code_m);
        if code_1.is_finite() && code_2.is_finite() {
            let phase_m = (f1 * a.phase_m - f2 * b.phase_m) / (f1 - f2);
            let code_m = (f1 * code_1 + f2 * code_2) / (f1 + f2);
            let cycles = (phase_m - code_m) * (f1 - f2) / SPEED_OF_LIGHT_M_S;
            if pair.wide.slipped(arc, cycles) {
                for slot in [first, second] {
                    if let Some(p) = self.phases.get_mut(slot as usize) {
                        p.end_arc(rows);
                        p.arc_from = now.t;
                        p.jumps = p.jumps.saturating_add(1);
                        arc = key(p.arc, second);
                    }
                }
            }
        }
        if pair.tecu_per_m.is_nan() {
            pair.tecu_per_m = tecu_per_m(f1, f2);
        }
        let Some(b) = self.phases.get(second as usize) else { return };
        // The second anchor's combination is second - first; content grows with first - second.
        let tecu = -b.gf_m * pair.tecu_per_m;
        pair.rates.add(now.t, now.grid.of_30_s, now.minute, arc, tecu);
        pair.rates_1s.add(now.t, now.grid.of_1_s, now.minute, arc, tecu);
    }

    /// What the minute gives for a slot, whose row gets the number `row`: slips, then (rot, roti), (rot, roti) of 1 s samples.
    pub(super) fn minute(&mut self, sat: u32, slot: u32, minute: i64, row: usize) -> (u16, [f32; 3]) {
        let Some(p) = self.phases.get_mut(slot as usize) else { return (NO_SLIPS, [f32::NAN; 3]) };
        let slips = if p.pairs > 0 { p.jumps.min(NO_SLIPS - 1) } else { NO_SLIPS };
        p.pairs = 0;
        p.jumps = 0;
        let (open, done) = (std::mem::take(&mut p.open), std::mem::take(&mut p.done));
        if open.n > 0.0 || done.n > 0.0 {
            p.waiting.push(Waiting { row: row as u32, open, done });
        }
        let pair = self.pairs.get(sat as usize).filter(|pair| pair.first == slot && pair.second != NONE);
        let Some(pair) = pair else { return (slips, [f32::NAN; 3]) };
        let (rot, roti) = pair.rates.over(minute);
        (slips, [rot, roti, pair.rates_1s.over(minute).1])
    }

    /// Number of the first row that an arc will still write into.
    pub(super) fn first_waiting(&self) -> Option<u32> {
        self.phases.iter().filter_map(|p| p.waiting.first()).map(|w| w.row).min()
    }

    /// So many rows at the front are no longer there.
    pub(super) fn gave_out(&mut self, rows: usize) {
        let rows = u32::try_from(rows).unwrap_or(u32::MAX);
        for waiting in self.phases.iter_mut().flat_map(|p| &mut p.waiting) {
            waiting.row = waiting.row.saturating_sub(rows);
        }
    }

    /// Ends all arcs.
    pub(super) fn finish(&mut self, rows: &mut Signals) {
        self.phases.iter_mut().for_each(|p| p.end_arc(rows));
    }

    /// Moves the times.
    pub(super) fn shift(&mut self, delta_ms: i64) {
        let moved = |t: &mut UtcMs| {
            if *t != UtcMs::MIN {
                *t = t.saturating_add(delta_ms);
            }
        };
        for p in &mut self.phases {
            moved(&mut p.at);
            moved(&mut p.arc_from);
        }
        for pair in &mut self.pairs {
            moved(&mut pair.at);
            pair.rates.shift(delta_ms);
            pair.rates_1s.shift(delta_ms);
        }
    }
}
