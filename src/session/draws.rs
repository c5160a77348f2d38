//! Random draws whose seed means the same for ever.
//!
//! A plan that was made with a seed can be made again years later, on another machine and with
//! another version of this program. So nothing is left to a library's taste: the stream is
//! ChaCha with 20 rounds (RFC 8439's block function with a block counter from 0 and a nonce of
//! zeros), read as little-endian words of 32 bits; its key is the SHA-256 of a text that names
//! the purpose and the seed; numbers below n are drawn by rejection; shuffling is Fisher and
//! Yates' from the last place down. A test pins all of it.

use rand_chacha::ChaCha20Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};
use sha2::{Digest as _, Sha256};

/// A stream of random draws.
#[derive(Clone)]
pub struct Draws {
    stream: ChaCha20Rng,
}

impl Draws {
    /// The public stream that arranges codes and serving orders.
    #[must_use]
    pub fn of_orders(order_seed: u64) -> Self {
        Self::of(format!("blindsteep orders 1\n{order_seed}\n").as_bytes())
    }

    /// The secret stream that gives lots to codes.
    pub(super) fn of_deal(deal_seed: &[u8; 16]) -> Self {
        let mut text = b"blindsteep deal 1\n".to_vec();
        text.extend_from_slice(deal_seed);
        Self::of(&text)
    }

    fn of(text: &[u8]) -> Self {
        Self { stream: ChaCha20Rng::from_seed(Sha256::digest(text).into()) }
    }

    /// A whole number from 0 up to, not including, `n`, each equally likely. Words at and above
    /// the largest multiple of `n` that fits into 32 bits are rejected and drawn again.
    ///
    /// # Panics
    /// If `n` is 0.
    pub fn below(&mut self, n: u32) -> u32 {
        assert!(n > 0, "there is no number below nothing");
        let words = 1_u64 << 32;
        let limit = words - words % u64::from(n);
        loop {
            let word = self.stream.next_u32();
            if u64::from(word) < limit {
                return word % n;
            }
        }
    }

    /// Puts a list into random order: for i from the last place down to the second, the entry at
    /// i changes places with the entry at a random place from the first to i.
    pub fn shuffle<T>(&mut self, list: &mut [T]) {
        for i in (1..list.len()).rev() {
            let j = self.below(u32::try_from(i + 1).expect("lists are short")) as usize;
            list.swap(i, j);
        }
    }

    /// The numbers from 0 up to `n` in random order.
    pub fn permutation(&mut self, n: usize) -> Vec<usize> {
        let mut list: Vec<usize> = (0..n).collect();
        self.shuffle(&mut list);
        list
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stream_is_chacha_with_20_rounds() {
        // RFC 8439 (2018), appendix A.1, test vector 1: key and nonce of zeros, counter 0.
        let mut stream = ChaCha20Rng::from_seed([0; 32]);
        let block: [u8; 16] = [
            0x76, 0xb8, 0xe0, 0xad, 0xa0, 0xf1, 0x3d, 0x90, 0x40, 0x5d, 0x6a, 0xe5, 0x53, 0x86,
            0xbd, 0x28,
        ];
        for word in block.chunks(4) {
            let expected = u32::from_le_bytes([word[0], word[1], word[2], word[3]]);
            assert_eq!(stream.next_u32(), expected);
        }
    }

    #[test]
    fn every_number_below_n_is_about_as_likely() {
        // 60 000 draws of 6: sd of a count is 91, so 500 is more than five of them.
        let mut draws = Draws::of_orders(1);
        let mut counts = [0_i32; 6];
        for _ in 0..60_000 {
            counts[draws.below(6) as usize] += 1;
        }
        assert!(counts.iter().all(|c| (c - 10_000).abs() < 500), "{counts:?}");
    }

    #[test]
    fn all_orders_of_three_come_up_alike() {
        // 6000 shuffles, six orders: sd of a count is 29, so 160 is more than five of them.
        let mut draws = Draws::of_orders(2);
        let mut counts = std::collections::BTreeMap::new();
        for _ in 0..6000 {
            *counts.entry(draws.permutation(3)).or_insert(0_i32) += 1;
        }
        assert_eq!(counts.len(), 6);
        assert!(counts.values().all(|c| (c - 1000).abs() < 160), "{counts:?}");
    }
}
