//! Cut and damaged messages with a good CRC: nothing may panic, every frame is booked, shortness is told.

use super::samples::{ALL, bytes, with_crc};
use super::*;
use crate::model::clock::{DateHints, StreamClock};

fn feed(payload: &[u8]) -> (Booked, Pieces) {
    let mut decoder = Decoder::new();
    let mut clock = StreamClock::new(DateHints::default());
    let frame = with_crc(payload);
    assert_eq!(frame_at(&frame), FrameAt::Found(frame.len()));
    let outcome = decoder.frame(0, &frame, &mut clock);
    let _ = decode_observables(&frame, 0, &mut |c| assert!(c.sat.number() < 128));
    decoder.shift(&clock.finish().shift);
    (outcome.booked, decoder.finish())
}

#[test]
fn every_cut_is_survived_and_told() {
    for hex in ALL {
        let frame = bytes(hex);
        let whole = payload(&frame);
        for n in 0..whole.len() {
            let (booked, pieces) = feed(&whole[..n]);
            if n < 2 {
                assert_eq!(pieces.counts.get("empty"), Some(&1));
            } else {
                assert_eq!(booked, Booked::Skipped(super::decoder::DAMAGED), "{hex} cut to {n} bytes");
                assert!(pieces.problems.iter().any(|p| p.offset == Some(0) && p.what.contains("payload has")));
            }
        }
        assert_eq!(feed(whole).0, Booked::Decoded);
    }
}

#[test]
fn every_flipped_bit_is_survived() {
    for hex in ALL {
        let frame = bytes(hex);
        let whole = payload(&frame).to_vec();
        for bit in 0..whole.len() * 8 {
            let mut bad = whole.clone();
            bad[bit / 8] ^= 0x80 >> (bit % 8);
            let (_, pieces) = feed(&bad);
            assert_eq!(pieces.counts.values().sum::<u64>(), 1);
        }
    }
}

#[test]
fn noise_in_every_message_is_survived() {
    // A fixed sequence of pseudo-random bytes (xorshift) behind every message number that is read here.
    let mut state = 0x2545_f491_4f6c_dd1du64;
    let mut byte = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 32) as u8
    };
    for message in (1001..=1046u16).chain(1071..=1137).chain([1230, 4072]) {
        for length in [3usize, 22, 64, 200, 1023] {
            let mut noise: Vec<u8> = (0..length).map(|_| byte()).collect();
            noise[0] = (message >> 4) as u8;
            noise[1] = (message << 4) as u8 | noise[1] & 0x0f;
            let (_, pieces) = feed(&noise);
            assert_eq!(pieces.counts.get(&message.to_string()), Some(&1));
        }
    }
}
