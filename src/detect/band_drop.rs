//! `band-drop`, `all-bands-drop`, `band-sinks`, `all-bands-sink`, `band-jumps`, `all-bands-jump`, `level-drop`, `level-sinks`,
//! `level-steady`, `lower-bands-drop`:
//! the median C/N0 of all satellites of one band falls below its own last half hour, alone or with all bands, within seconds
//! (`drop`) or slowly (`sink`: never interference), and jumps from epoch to epoch. `level`: the log holds one band only. For
//! bases and rovers; at a rover also `part-of-sky-drop`, a fall that is not the same for all satellites.
//!
//! In-band interference: all satellites of one band, all elevations, within seconds, other bands spared. All bands of one
//! base: antenna power, cable, wideband (patterns: common practice, no source; solar burst excepted).

use super::Maker;
use super::band_series::Series;
use super::limits::Limits;
use super::whole_sky::WholeSky;
use super::window::{Stretch, median, quantile, stretches};
use crate::frames::{UnitFrames, view};
use crate::maths::stats;
use crate::model::event::Event;
use crate::model::ids::{Band, Role, Sat, Signal, System};
use crate::model::keyed::Keyed;
use crate::model::time::{MINUTE_MS, UtcMs};
use std::cell::OnceCell;
use std::collections::BTreeMap;

/// `sky`: that of a base; falls of the median under a cover are no common falls.
pub(super) fn run(frames: &UnitFrames, all: &[Series], sky: &WholeSky, limits: &Limits) -> Vec<Event> {
    let maker = Maker::new(frames, &frames.bands);
    // Most bases have no fall to judge.
    let satellites = OnceCell::new();
    let mut events = Vec::new();
    for series in all {
        let flags: Vec<bool> = series.drop.iter().map(|d| *d >= limits.band_drop_db).collect();
        for s in stretches(&series.t, &flags, 10_000, 60_000, 20_000) {
            let inside: Vec<f64> = (s.first..s.end).filter(|i| flags[*i]).map(|i| series.drop[i]).collect();
            let depth = middle(inside.iter().copied()).unwrap_or(0.0);
            if series.fades(s.first, s.end, depth) || sky.is_covered(s.from, s.to) {
                continue;
            }
            // A median also falls when strong satellites set and weak ones rise: then none of them has fallen.
            let satellites = satellites.get_or_init(|| Satellites::of(frames));
            let falls = satellites.falls_db(lanes(series.band), series, &flags, s);
            if falls.middle().is_some_and(|(all, down)| all < 1.0 || down < 0.5 * depth) {
                continue;
            }
            // A machine beside a wall loses a part of its sky; interference and its own antenna take from all alike.
            // Semi-codeless signals fall by more than others and go with the first frequency: they tell of no part.
            if frames.role == Role::Rover
                && series.band != Band::L2W
                && let Some(uneven) = falls.uneven(depth)
            {
                events.push(part_of_sky(series.band, s, uneven, &maker));
                continue;
            }
            let fall = Fall { all, satellites, series, flags: &flags, s, down: inside.len(), depth };
            if all.len() == 1 {
                events.extend(fall.steady(&maker));
            }
            events.extend(fall.event(&maker, limits));
        }
    }
    if frames.role == Role::Base {
        events.extend(jumps(all, &maker, limits).into_iter().filter(|e| !sky.is_covered(e.from, e.to)));
    }
    events
}

/// A fall that is not the same for all satellites.
fn part_of_sky(band: Band, s: Stretch, (least, most): (f64, f64), maker: &Maker<'_>) -> Event {
    maker.event(
        "part-of-sky-drop",
        s.from,
        s.to,
        Some(most - least),
        "dB",
        0.4 + 0.6 * ((most - least) / (2.0 * UNEVEN_DB)).min(1.0),
        format!(
            "C/N0 on {} falls by {most:.0} dB and more (or to nothing) on a fifth of the satellites, by {least:.0} dB and less \
             on another fifth",
            band.name()
        ),
    )
}

/// A fall of all satellites of one band.
struct Fall<'a> {
    /// What the log holds.
    all: &'a [Series],
    satellites: &'a Satellites,
    series: &'a Series,
    /// Which of its cells are down.
    flags: &'a [bool],
    s: Stretch,
    /// Cells of the stretch that are down.
    down: usize,
    /// Median of these, dB.
    depth: f64,
}

impl Fall<'_> {
    /// A common step at the edges or inside, or most of the fall or of the rise within half a minute.
    fn is_sharp(&self, limits: &Limits) -> bool {
        let (series, s) = (self.series, self.s);
        (s.first.saturating_sub(2)..(s.end + 2).min(series.t.len())).any(|i| series.shared_step(i, limits))
            || edge_db(series, s.first).max(-edge_db(series, s.end)) >= 0.6 * self.depth
    }

    /// How far the other bands fell at the time; a band that is gone while this one is not has fallen all the way.
    fn others(&self, limits: &Limits) -> Vec<(Band, f64)> {
        let s = self.s;
        let fell = |o: &Series| {
            let at = o.t.partition_point(|t| *t < s.from)..o.t.partition_point(|t| *t < s.to);
            let before = o.t.partition_point(|t| *t < s.from - 10 * MINUTE_MS);
            let gone = at.len() * 2 < s.end - s.first;
            match middle(o.drop[at.clone()].iter().copied()) {
                Some(d) if !gone => Some((o.band, d)),
                _ => (at.start > before).then_some((o.band, 2.0 * self.depth.max(limits.band_drop_db))),
            }
        };
        self.all.iter().filter(|o| o.band != self.series.band).filter_map(fell).collect()
    }

    /// The fall hardly wavers, which tells what it does not come from.
    fn steady(&self, maker: &Maker<'_>) -> Option<Event> {
        let (s, depth) = (self.s, self.depth);
        let spread = steady(self.series, s, self.flags)?;
        Some(maker.event(
            "level-steady",
            s.from,
            s.to,
            Some(spread),
            "dB",
            (0.5 + 0.05 * (s.to - s.from) as f64 / MINUTE_MS as f64).min(1.0),
            format!(
                "while it is {depth:.1} dB low, C/N0 stays within {spread:.1} dB for {} min: a source of noise is restless",
                (s.to - s.from) / MINUTE_MS
            ),
        ))
    }

    /// The fall itself, with the other bands or without; `None` where another band tells it.
    fn event(&self, maker: &Maker<'_>, limits: &Limits) -> Option<Event> {
        let (band, s, depth) = (self.series.band, self.s, self.depth);
        let sharp = self.is_sharp(limits);
        let others = self.others(limits);
        let names = |with: bool| -> Vec<&str> {
            others.iter().filter(|(_, d)| (*d >= limits.band_drop_db * 0.5) == with).map(|(b, _)| b.name()).collect()
        };
        let (with, spared) = (names(true), names(false));
        let everything = !others.is_empty() && spared.is_empty();
        let of_one_branch = one_branch(band, &others, limits) && self.l5_falls(limits);
        let kind = match (everything, sharp) {
            _ if of_one_branch => "lower-bands-drop",
            // With one band in the log nobody can say whether others were spared.
            _ if self.all.len() == 1 && sharp => "level-drop",
            _ if self.all.len() == 1 => "level-sinks",
            (true, true) => "all-bands-drop",
            (true, false) => "all-bands-sink",
            (false, true) => "band-drop",
            (false, false) => "band-sinks",
        };
        if of_one_branch && band != Band::L2 {
            return None; // told once, by L2
        }
        if everything && band != Band::L1 && self.all.iter().any(|o| o.band == Band::L1) {
            return None; // told once, by L1
        }
        let strength = (0.4 + 0.6 * (depth / (3.0 * limits.band_drop_db)).min(1.0)) * if sharp { 1.0 } else { 0.7 };
        Some(maker.event(kind, s.from, s.to, Some(depth), "dB", strength, self.detail(sharp, &with, &spared)))
    }

    /// Whether L5 and E5a fall with it. E5b, B2I and G3 are near L2, and what is sent there takes them along.
    fn l5_falls(&self, limits: &Limits) -> bool {
        let falls = |lane: u32| self.satellites.falls_db(&[lane], self.series, self.flags, self.s);
        match falls(u32::from(Band::L5.code())).middle() {
            Some((_, down)) => down >= limits.band_drop_db * 0.5,
            None => falls(NEAR_L2).middle().is_none(),
        }
    }

    fn detail(&self, sharp: bool, with: &[&str], spared: &[&str]) -> String {
        let (band, depth) = (self.series.band.name(), self.depth);
        let mut detail = format!("median C/N0 of the satellites on {band} falls by {depth:.1} dB");
        // What comes and goes is told with its own time, so that the depth is true of that time.
        let (down, of) = (self.down, self.s.end - self.s.first);
        if down * 10 < of * 9 {
            detail.push_str(&format!(" for {} of {} s", down * 10, of * 10));
        }
        detail.push_str(if sharp { ", within seconds" } else { ", slowly" });
        if !with.is_empty() {
            detail.push_str(&format!(", with {}", with.join(", ")));
        }
        if !spared.is_empty() {
            detail.push_str(&format!("; {} spared", spared.join(", ")));
        }
        detail
    }
}

/// Median; the mean of the two middle values for an even number: of two cells the larger one is not the depth of both.
fn middle(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    stats::median(&mut values.into_iter().collect::<Vec<f64>>())
}

/// Half an hour before and after a fall: what a satellite has outside of it.
const BESIDE_MS: i64 = 30 * MINUTE_MS;

/// One minute of one satellite on one band.
struct Minute {
    time: UtcMs,
    /// C/N0 times epochs, and epochs.
    sum: f64,
    epochs: f64,
}

/// Minutes in order, by lane and satellite.
struct Satellites(BTreeMap<(u32, u32), Vec<Minute>>);

/// Of the band L5 the lane of E5b, B2I and G3, 1202 to 1207 MHz, which lie between L5 and E5a, of 1176 MHz, and L2, of 1228 MHz (RINEX 3.05
/// tables 4 to 10). All else has the code of its band.
const NEAR_L2: u32 = 7;

fn lane(band: u32, signal: u32) -> u32 {
    let near = || Signal::unpack(signal).is_some_and(|s| matches!(s.code[0], b'7' | b'3'));
    if band == u32::from(Band::L5.code()) && near() { NEAR_L2 } else { band }
}

fn lanes(band: Band) -> &'static [u32] {
    match band {
        Band::L1 => &[Band::L1 as u32],
        Band::L2 => &[Band::L2 as u32],
        Band::L2W => &[Band::L2W as u32],
        Band::L5 => &[Band::L5 as u32, NEAR_L2],
        Band::L6 => &[Band::L6 as u32],
    }
}

impl Satellites {
    fn of(frames: &UnitFrames) -> Satellites {
        let mut all: Keyed<(u32, u32), Vec<Minute>> = Keyed::default();
        // Rows are by time, then by satellite.
        for table in frames.signal_slices(&["sat", "signal", "band", "cn0_mean", "epochs"]) {
            let times = view::i64s(&table, "time");
            let (sats, bands) = (view::u32s_full(&table, "sat"), view::u32s_full(&table, "band"));
            let (means, epochs) = (view::f32s(&table, "cn0_mean"), view::u32s_full(&table, "epochs"));
            let signals = view::u32s_full(&table, "signal");
            for i in (0..times.len()).filter(|i| means[*i].is_finite()) {
                let epochs = f64::from(epochs[i].max(1));
                let sum = f64::from(means[i]) * epochs;
                let minutes = all.at((lane(bands[i], signals[i]), sats[i]));
                match minutes.last_mut().filter(|m| m.time == times[i]) {
                    Some(m) => {
                        m.sum += sum;
                        m.epochs += epochs;
                    }
                    None => minutes.push(Minute { time: times[i], sum, epochs }),
                }
            }
        }
        Satellites(all.sorted().into_iter().collect())
    }

    /// By how much the satellites of some lanes are down, dB, in all minutes of a stretch and in its fallen cells alone.
    fn falls_db(&self, lanes: &[u32], series: &Series, flags: &[bool], s: Stretch) -> Falls {
        let minute = |t: UtcMs| t.div_euclid(MINUTE_MS) * MINUTE_MS;
        // Cells of each minute that are down, and all of them, by time.
        let mut down: Vec<(UtcMs, (f64, f64))> = Vec::new();
        let (a, b) = (minute(s.from) - BESIDE_MS, minute(s.to) + BESIDE_MS);
        let cells = series.t.partition_point(|t| *t < a)..series.t.partition_point(|t| *t < b);
        for i in cells {
            let (t, is_down) = (minute(series.t[i]), f64::from(u8::from(flags[i])));
            match down.last_mut().filter(|last| last.0 == t) {
                Some((_, cells)) => *cells = (cells.0 + is_down, cells.1 + 1.0),
                None => down.push((t, (is_down, 1.0))),
            }
        }
        let (mut known, mut gone) = (Vec::new(), Vec::new());
        let of_lanes = lanes.iter().flat_map(|lane| self.0.range((*lane, 0)..=(*lane, u32::MAX)));
        for ((_, sat), minutes) in of_lanes {
            let system = Sat::from_code(*sat as u16).map(Sat::system);
            let (mut usual, mut inside, mut share) = ((0.0, 0.0), (0.0, 0.0), (0.0, 0.0));
            let (mut before, mut after) = (false, false);
            let range = minutes.partition_point(|m| m.time < a)..minutes.partition_point(|m| m.time < b);
            let mut cells = down.iter().peekable();
            for Minute { time: t, sum, epochs: n } in minutes.get(range).unwrap_or_default() {
                while cells.next_if(|c| c.0 < *t).is_some() {}
                let (fallen, of) = cells.peek().filter(|c| c.0 == *t).map(|c| c.1).unwrap_or_default();
                if fallen == 0.0 {
                    before |= *t < s.from;
                    after |= *t >= s.to;
                    usual = (usual.0 + sum, usual.1 + n);
                } else if *t + MINUTE_MS > s.from && *t < s.to {
                    inside = (inside.0 + sum, inside.1 + n);
                    share = (share.0 + n * fallen / of, share.1 + n);
                }
            }
            if usual.1 > 0.0 && inside.1 > 0.0 {
                // Minutes are longer than short falls: the difference belongs to the fallen part of them.
                let fall = usual.0 / usual.1 - inside.0 / inside.1;
                known.push(Known { system, whole_db: fall, down_db: fall * share.1 / share.0 });
            } else if before && after {
                gone.push(system);
            }
        }
        Falls { known, gone }
    }
}

/// The fall of a satellite that is known inside a stretch and in undisturbed minutes beside it.
struct Known {
    system: Option<System>,
    /// Over all minutes, dB.
    whole_db: f64,
    /// Over the fallen cells alone, dB.
    down_db: f64,
}

/// Falls of the satellites of one band.
struct Falls {
    known: Vec<Known>,
    /// Systems of the satellites that are there before and after and not inside.
    gone: Vec<Option<System>>,
}

impl Falls {
    /// The medians of those that stayed. `None`: fewer than four are known, nobody can say. Under 1 dB over whole minutes the
    /// scatter of single satellites would do as well (chosen on the samples).
    fn middle(&self) -> Option<(f64, f64)> {
        if self.known.len() < 4 {
            return None;
        }
        middle(self.known.iter().map(|f| f.whole_db)).zip(middle(self.known.iter().map(|f| f.down_db)))
    }

    /// The fall that a fifth of the satellites does not exceed and that a fifth exceeds, when they are so far apart that it is not
    /// the same for all.
    fn uneven(&self, depth: f64) -> Option<(f64, f64)> {
        if self.known.len() + self.gone.len() < 5 {
            return None;
        }
        // Who is gone has fallen by more than anybody who is not.
        let gone = self.known.iter().map(|f| f.down_db).fold(depth, f64::max);
        let all: Vec<(Option<System>, f64)> = (self.known.iter().map(|f| (f.system, f.down_db)))
            .chain(self.gone.iter().map(|system| (*system, gone)))
            .collect();
        let falls = || all.iter().map(|f| f.1);
        let (least, most) = (quantile(falls(), 0.2)?, quantile(falls(), 0.8)?);
        (most - least >= UNEVEN_DB && least < 0.5 * most && !by_carrier(&all, most)).then_some((least, most))
    }
}

/// Whether some systems have fallen and others not, each as a whole: their carriers in one band lie 14 to 41 MHz apart (RINEX 3.05 tables 4
/// to 10), and a transmitter takes one of them where a wall does not ask for systems. Half of the fall is fallen, a quarter is kept, one
/// satellite in six may be odd (common practice, no source; looked at on seeds 21-24 of the second generator).
fn by_carrier(falls: &[(Option<System>, f64)], most: f64) -> bool {
    let mut systems: BTreeMap<Option<System>, Vec<f64>> = BTreeMap::new();
    for (system, fall) in falls {
        systems.entry(*system).or_default().push(*fall);
    }
    let (mut down, mut spared, mut odd) = (0, 0, 0);
    for falls in systems.values().filter(|falls| falls.len() >= 3) {
        let fallen = falls.iter().filter(|fall| **fall >= 0.5 * most).count();
        let kept = falls.iter().filter(|fall| **fall <= 0.25 * most).count();
        odd += fallen.min(kept);
        *if fallen > kept { &mut down } else { &mut spared } += falls.len();
    }
    down > 0 && spared > 0 && odd * 6 <= down + spared
}

/// Whether a fall on `band` takes everything below L1 and leaves L1 alone, L2 as well as L5, which are 51 MHz apart: one transmitter
/// does not do that (it does take what is within 20 MHz of L2), but an antenna has one branch for L1 and one for all below it (common practice, no source).
fn one_branch(band: Band, others: &[(Band, f64)], limits: &Limits) -> bool {
    let fallen = |d: f64| d >= limits.band_drop_db * 0.5;
    let has = |wanted: Band| band == wanted || others.iter().any(|(b, _)| *b == wanted);
    band != Band::L1
        && has(Band::L2)
        && has(Band::L5)
        && has(Band::L1)
        && others.iter().all(|(b, d)| fallen(*d) != (*b == Band::L1))
}

/// Falls that differ by so much are not one fall, dB (common practice, no source).
const UNEVEN_DB: f64 = 6.0;

/// A fall of minutes without its edges that wavers by less than this, dB, does not come from a transmitter that moves, is switched or
/// sends by fits and starts, but from something that stays as it is: a cable, a connector, an antenna (common practice, no source).
const STEADY_DB: f64 = 1.5;

/// The edges of a fall, in cells of ten seconds, and the least that must be left between them.
const EDGE_CELLS: usize = 9;
const STEADY_CELLS: usize = 18;

/// How far a fall wavers between its edges, dB, when it hardly does; 1 in 10 cells may stand out at either end.
fn steady(series: &Series, s: Stretch, flags: &[bool]) -> Option<f64> {
    let inside = s.first + EDGE_CELLS..s.end.saturating_sub(EDGE_CELLS);
    if inside.len() < STEADY_CELLS || inside.clone().any(|i| !flags[i]) {
        return None;
    }
    let drop = || inside.clone().map(|i| series.drop[i]);
    let spread = quantile(drop(), 0.9)? - quantile(drop(), 0.1)?;
    (spread <= STEADY_DB).then_some(spread)
}

/// How much more the band has fallen in the half minute from cell `at` than in the half minute before it, dB.
fn edge_db(series: &Series, at: usize) -> f64 {
    let (before, after) = (at.saturating_sub(3)..at, at..(at + 3).min(series.t.len()));
    let near = |i: usize| series.t.get(at).is_some_and(|t| (series.t[i] - t).abs() <= 40_000);
    let mean = |r: std::ops::Range<usize>| {
        let v: Vec<f64> = r.filter(|i| near(*i)).map(|i| series.drop[i]).filter(|d| d.is_finite()).collect();
        (!v.is_empty()).then(|| v.iter().sum::<f64>() / v.len() as f64)
    };
    match (mean(before), mean(after)) {
        (Some(b), Some(a)) => a - b,
        _ => 0.0,
    }
}

/// Stretches in which a band's median jumps again and again: alone (`band-jumps`), or all bands in the same seconds
/// (`all-bands-jump`: cable, connector, mount or supply, told once).
fn jumps(all: &[Series], maker: &Maker<'_>, limits: &Limits) -> Vec<Event> {
    let found: Vec<Vec<Jumpy>> = all.iter().map(|s| jumpy(s, limits)).collect();
    let mut events = Vec::new();
    let civil = all.iter().find(|s| s.band == Band::L2);
    for (k, (series, stretches)) in all.iter().zip(&found).enumerate() {
        for s in stretches {
            // Semi-codeless tracking is restless when weak; what lies on the frequency shows on its other signals too.
            if series.band == Band::L2W && civil.is_some_and(|c| c.is_calm(&s.at, limits)) {
                continue;
            }
            // A band that has no satellites left at a jump does not contradict it: it may have fallen all the way.
            let shared = |o: &Series| {
                let (seen, jumps) = o.steps_near(&s.at, 3, limits);
                jumps * 10 >= seen * 6
            };
            let jumps_too = |o: &Vec<Jumpy>| o.iter().any(|o| o.from < s.to && o.to > s.from);
            let others = || all.iter().zip(&found).enumerate().filter(|(i, _)| *i != k).map(|(_, o)| o);
            let together = others().all(|(o, _)| shared(o)) && others().any(|(_, f)| jumps_too(f));
            // Told once, by the first band.
            if together && found.iter().take(k).any(jumps_too) {
                continue;
            }
            let count = s.at.len();
            let (kind, band) =
                if together { ("all-bands-jump", "all bands") } else { ("band-jumps", series.band.name()) };
            events.push(maker.event(
                kind,
                s.from,
                s.to,
                Some(count as f64),
                "count",
                (0.5 + 0.05 * (count as f64 - limits.band_jumps_in_10_min)).min(1.0),
                format!(
                    "C/N0 of all satellites on {band} jumps in {count} of the ten-second steps, up to {:.1} dB from one epoch \
                     to the next",
                    s.largest_db
                ),
            ));
        }
    }
    events
}

/// A stretch with jumps.
struct Jumpy {
    from: UtcMs,
    to: UtcMs,
    /// Times of the jumps.
    at: Vec<UtcMs>,
    largest_db: f64,
}

fn jumpy(series: &Series, limits: &Limits) -> Vec<Jumpy> {
    let jumpy: Vec<usize> = (0..series.t.len()).filter(|i| series.shared_step(*i, limits)).collect();
    let need = limits.band_jumps_in_10_min.max(1.0) as usize;
    let mut flags = vec![false; series.t.len()];
    for window in jumpy.windows(need) {
        let (Some(a), Some(b)) = (window.first(), window.last()) else { continue };
        if series.t[*b] - series.t[*a] <= 10 * MINUTE_MS {
            flags[*a..=*b].iter_mut().for_each(|f| *f = true);
        }
    }
    // Of many satellites that fade by much, each for itself, the middle one jumps now and then by chance.
    let by_chance = |s: &Stretch| {
        let jumps = jumpy.partition_point(|i| *i < s.end) - jumpy.partition_point(|i| *i < s.first);
        let scatter = median(series.scatter[s.first..s.end].iter().copied()).unwrap_or(0.0);
        scatter >= limits.scatter_db && jumps * 10 < 3 * (s.end - s.first)
    };
    stretches(&series.t, &flags, 10_000, 60_000, 0)
        .into_iter()
        .filter(|s| !by_chance(s))
        .map(|s| {
            let inside = &jumpy[jumpy.partition_point(|i| *i < s.first)..jumpy.partition_point(|i| *i < s.end)];
            Jumpy {
                from: s.from,
                to: s.to,
                at: inside.iter().map(|i| series.t[*i]).collect(),
                largest_db: inside.iter().map(|i| series.step[*i]).fold(0.0, f64::max),
            }
        })
        .collect()
}
