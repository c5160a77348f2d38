//! Factors: a level for each row.

use std::collections::BTreeMap;

/// A factor: which of its levels each row has. Levels are numbered from zero; some may have no row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Factor {
    /// The level of each row, below `n_levels`.
    pub codes: Vec<u32>,
    /// The number of levels.
    pub n_levels: usize,
}

impl Factor {
    /// Makes a factor of codes; the number of levels is one more than the largest code.
    pub fn new(codes: Vec<u32>) -> Self {
        let n_levels = codes.iter().max().map_or(0, |&c| c as usize + 1);
        Factor { codes, n_levels }
    }

    /// Makes a factor of labels; levels are numbered in the sorted order of the labels, which are
    /// given back.
    pub fn from_labels<T: Ord + Clone>(labels: &[T]) -> (Self, Vec<T>) {
        let mut numbers: BTreeMap<&T, u32> = labels.iter().map(|l| (l, 0)).collect();
        for (i, number) in numbers.values_mut().enumerate() {
            *number = i as u32;
        }
        let codes = labels.iter().map(|l| numbers[l]).collect();
        let levels: Vec<T> = numbers.into_keys().cloned().collect();
        (
            Factor {
                codes,
                n_levels: levels.len(),
            },
            levels,
        )
    }

    /// Crosses two factors: one level for each pair of levels that occurs together, in the order of
    /// the first, then the second. So terms are nested and crossed. Rows beyond the shorter of the
    /// two are left out.
    pub fn cross(a: &Factor, b: &Factor) -> Factor {
        let pairs: Vec<(u32, u32)> = a
            .codes
            .iter()
            .copied()
            .zip(b.codes.iter().copied())
            .collect();
        Factor::from_labels(&pairs).0
    }

    /// Returns how many rows each level has.
    pub fn counts(&self) -> Vec<usize> {
        let mut counts = vec![0; self.n_levels];
        for &code in &self.codes {
            counts[code as usize] += 1;
        }
        counts
    }
}
