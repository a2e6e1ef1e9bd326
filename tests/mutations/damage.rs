//! Damage with a fixed seed: cuts, flipped bytes, other names.

/// Numbers that look random and are the same in every run (SplitMix64, public domain reference by its authors).
pub struct Dice(u64);

impl Dice {
    /// Dice of a file: its name and the kind of damage give the seed.
    pub fn of(name: &str, salt: u64) -> Dice {
        let seed =
            name.bytes().fold(0xcbf2_9ce4_8422_2325 ^ salt, |h, b| (h ^ u64::from(b)).wrapping_mul(0x100_0000_01b3));
        Dice(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// 0 to `end` without it; 0 for an empty range.
    pub fn below(&mut self, end: usize) -> usize {
        if end == 0 { 0 } else { (self.next() % end as u64) as usize }
    }

    /// A byte that changes another one.
    pub fn change(&mut self) -> u8 {
        (self.next() % 255) as u8 + 1
    }
}

/// What is done to a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Damage {
    /// Only so many bytes are left.
    Cut(usize),
    /// One byte changes.
    Flip(usize, u8),
    /// Many bytes change at once: how many, with which seed.
    Flips(usize, u64),
}

impl Damage {
    /// The damaged bytes.
    pub fn of(self, data: &[u8]) -> Vec<u8> {
        let mut out = data.to_vec();
        match self {
            Damage::Cut(at) => out.truncate(at),
            Damage::Flip(at, by) => out.iter_mut().skip(at).take(1).for_each(|b| *b ^= by),
            Damage::Flips(n, seed) => {
                let mut dice = Dice(seed);
                for _ in 0..n {
                    let (at, by) = (dice.below(out.len()), dice.change());
                    out.iter_mut().skip(at).take(1).for_each(|b| *b ^= by);
                }
            }
        }
        out
    }
}

/// So many cuts and so many single flips of a file of `len` bytes, and one damage with 1,000 flips at once.
pub fn damages(name: &str, len: usize, cuts: usize, flips: usize) -> Vec<Damage> {
    let mut dice = Dice::of(name, 1);
    let mut out: Vec<Damage> = (0..cuts).map(|_| Damage::Cut(dice.below(len))).collect();
    out.extend((0..flips).map(|_| Damage::Flip(dice.below(len), dice.change())));
    out.push(Damage::Flips(1_000, dice.next()));
    out
}

/// Ends of names that mean something somewhere, and some that mean nothing.
pub const EXTENSIONS: [&str; 18] = [
    "zip", "gz", "Z", "nmea", "rtcm3", "csv", "log", "txt", "toml", "26o", "26d", "crx", "rnx", "26i", "json", "bin",
    "sheet", "",
];

/// The name with another end.
pub fn renamed(path: &str, extension: &str) -> String {
    let (folder, name) = path.rsplit_once('/').map_or(("", path), |(f, n)| (f, n));
    let stem = name.split_once('.').map_or(name, |(s, _)| s);
    let dot = if extension.is_empty() { "" } else { "." };
    let slash = if folder.is_empty() { "" } else { "/" };
    format!("{folder}{slash}{stem}{dot}{extension}")
}
