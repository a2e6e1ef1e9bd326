//! Lost seconds that more than one cause can claim.

/// Of each cause the seconds that are its work alone, and those that it can claim beside others.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Claims(Vec<(u64, u64)>);

impl Claims {
    pub(super) fn new(causes: usize) -> Claims {
        Claims(vec![(0, 0); causes])
    }

    /// Counts a second that the causes of `mask` can claim.
    pub(super) fn add(&mut self, mask: u16) {
        let alone = mask.count_ones() == 1;
        for (_, (own, shared)) in self.0.iter_mut().enumerate().filter(|(b, _)| mask >> b & 1 == 1) {
            *own += u64::from(alone);
            *shared += u64::from(!alone);
        }
    }

    pub(super) fn join(&mut self, other: &Claims) {
        for (sum, part) in self.0.iter_mut().zip(&other.0) {
            *sum = (sum.0 + part.0, sum.1 + part.1);
        }
    }

    /// Causes beside `first` that have the most seconds when what they can claim is theirs.
    pub(super) fn first_as_well(&self, first: u8) -> Vec<u8> {
        let most = |b: usize| self.0.get(b).map_or(0, |c| c.0 + c.1);
        let could = |b: &usize| {
            let (b, own_of_others) = (*b, self.0.iter().enumerate().filter(|(k, _)| k != b).map(|(_, c)| c.0));
            most(b) > 0 && own_of_others.max().is_none_or(|v| most(b) >= v)
        };
        (0..self.0.len()).filter(could).map(|b| b as u8).filter(|b| *b != first).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_two_can_claim_may_make_either_the_first() {
        let mut c = Claims::new(3);
        let seconds = |c: &mut Claims, mask: u16, n: usize| (0..n).for_each(|_| c.add(mask));
        // 50 s of the first alone, 30 of the second, 25 that both can claim: 75 to 30 or 50 to 55.
        seconds(&mut c, 1, 50);
        seconds(&mut c, 2, 30);
        seconds(&mut c, 3, 25);
        assert_eq!(c.first_as_well(0), [1]);
        assert_eq!(c.first_as_well(1), [0]);
        // One more day: 50 to 50 at most.
        let mut day = Claims::new(3);
        seconds(&mut day, 1, 10);
        c.join(&day);
        assert_eq!(c.first_as_well(0), Vec::<u8>::new());
    }
}
