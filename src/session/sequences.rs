//! Serving orders of difference tests: even whatever the deal.
//!
//! The layout is public and knows no deal, so that it cannot choose, say, that the odd cup of a
//! triangle stands first for a third of the tasters. It chooses among codes instead, so that in
//! every deal that there can be the sequences (AAB, ABA, …) come as equally often as possible.

use super::draws::Draws;

/// Who has which codes in which order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sequences {
    /// For each taster the codes in the order of tasting, numbered from 0.
    pub rows: Vec<Vec<usize>>,
    /// How equally often the sequences come.
    pub balance: SequenceBalance,
}

/// How equally often the sequences of a difference test come, over all deals that there can be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SequenceBalance {
    /// The sequences, as AAB.
    pub sequences: &'static [&'static str],
    /// Number of sets of cups.
    pub n_sets: usize,
    /// The least often that a sequence comes, in the deal in which that is fewest.
    pub least: usize,
    /// The most often that a sequence comes, in the deal in which that is most.
    pub most: usize,
    /// The sequences come equally often in every deal in multiples of this number of tasters.
    pub n_for_balance: usize,
}

impl SequenceBalance {
    /// Counts sequences in rows of codes under deals, each of which says for every code whether
    /// it is A or B.
    ///
    /// A sequence beside the listed ones is counted nowhere.
    #[must_use]
    pub fn of(
        rows: &[Vec<usize>],
        deals: &[&str],
        sequences: &'static [&'static str],
        n_for_balance: usize,
    ) -> Self {
        let (mut least, mut most) = (usize::MAX, 0);
        for deal in deals {
            let seen: Vec<String> = rows.iter().map(|row| under(deal, row)).collect();
            for sequence in sequences {
                let n = seen.iter().filter(|s| s == sequence).count();
                least = least.min(n);
                most = most.max(n);
            }
        }
        Self { sequences, n_sets: rows.len(), least: least.min(most), most, n_for_balance }
    }

    /// Whether every sequence comes equally often in every deal.
    #[must_use]
    pub fn balanced(&self) -> bool {
        self.least == self.most
    }
}

/// What a row of codes is under a deal, as AAB.
fn under(deal: &str, row: &[usize]) -> String {
    row.iter().filter_map(|code| deal.chars().nth(*code)).collect()
}

/// The sequences of a triangle.
pub const TRIANGLE: [&str; 6] = ["AAB", "ABA", "BAA", "BBA", "BAB", "ABB"];
/// The sequences of a duo-trio, the reference first.
pub const DUO_TRIO: [&str; 4] = ["AAB", "ABA", "BBA", "BAB"];
/// The sequences of a duo-trio with A as the reference of everybody.
pub const DUO_TRIO_CONSTANT: [&str; 2] = ["AAB", "ABA"];
/// The sequences of a paired comparison.
pub const PAIRED: [&str; 2] = ["AB", "BA"];

/// How four codes can be two of A and two of B. The other three have A and B exchanged, which
/// exchanges the sequences two by two.
const PAIRINGS: [&str; 3] = ["AABB", "ABAB", "ABBA"];

/// Starts of the search for even triangles.
const STARTS: usize = 40;

/// Triangles: four codes, two of each lot, of which each taster has three. Any three of them are
/// a pair and an odd one in every deal, so that a row tells nothing.
///
/// All 24 rows of three out of four codes have each sequence four times in every deal. What is
/// left over, or all where there are fewer tasters, is searched by exchanging rows from many
/// starts for the least sum of squared counts over the deals, then over codes and places. Twelve
/// rows come out even; six cannot: a computation over all choices of six rows found none that is
/// even in all three pairings.
#[must_use]
pub fn triangles(n_rows: usize, draws: &mut Draws) -> Sequences {
    let all: Vec<Vec<usize>> = (0..4)
        .flat_map(|a| (0..4).flat_map(move |b| (0..4).map(move |c| vec![a, b, c])))
        .filter(|r| r[0] != r[1] && r[1] != r[2] && r[0] != r[2])
        .collect();
    let mut rows: Vec<Vec<usize>> =
        (0..n_rows / all.len()).flat_map(|_| all.iter().cloned()).collect();
    let rest = n_rows % all.len();
    let marks: Vec<Marks> = all.iter().map(|row| Marks::of(row)).collect();
    let mut best: Option<((u32, u32, u32), Vec<usize>)> = None;
    for _ in 0..if rest > 0 { STARTS } else { 0 } {
        let mut chosen = draws.permutation(all.len());
        chosen.truncate(rest);
        let mut cost = unevenness(&marks, &chosen);
        let mut moved = true;
        while moved {
            moved = false;
            for at in 0..rest {
                for other in 0..all.len() {
                    let before = std::mem::replace(&mut chosen[at], other);
                    let now = unevenness(&marks, &chosen);
                    if now < cost {
                        cost = now;
                        moved = true;
                    } else {
                        chosen[at] = before;
                    }
                }
            }
        }
        if best.as_ref().is_none_or(|b| cost < b.0) {
            best = Some((cost, chosen));
        }
    }
    rows.extend(best.into_iter().flat_map(|(_, chosen)| chosen).map(|i| all[i].clone()));
    draws.shuffle(&mut rows);
    let balance = SequenceBalance::of(&rows, &PAIRINGS, &TRIANGLE, 12);
    Sequences { rows, balance }
}

/// What a row adds to: in each pairing one of the sequences, at each place one of the codes.
struct Marks {
    sequences: [usize; 3],
    places: [usize; 3],
}

impl Marks {
    fn of(row: &[usize]) -> Self {
        let sequence = |pairing: &str| {
            let seen = under(pairing, row);
            TRIANGLE.iter().position(|s| *s == seen).unwrap_or(0)
        };
        Self {
            sequences: PAIRINGS.map(sequence),
            places: [0, 1, 2].map(|place| 3 * row[place] + place),
        }
    }
}

/// Sum of squared counts of the sequences over the pairings, the widest spread within a pairing,
/// and the sum of squared counts of codes at places.
fn unevenness(marks: &[Marks], chosen: &[usize]) -> (u32, u32, u32) {
    let mut sequences = [[0_u32; TRIANGLE.len()]; 3];
    let mut places = [0_u32; 12];
    for row in chosen.iter().map(|i| &marks[*i]) {
        for (counts, at) in sequences.iter_mut().zip(row.sequences) {
            counts[at] += 1;
        }
        for at in row.places {
            places[at] += 1;
        }
    }
    let spread = |counts: &[u32; TRIANGLE.len()]| {
        let (most, least) = (counts.iter().max(), counts.iter().min());
        most.copied().unwrap_or(0) - least.copied().unwrap_or(0)
    };
    let squares = |counts: &[u32]| counts.iter().map(|n| n * n).sum::<u32>();
    (
        sequences.iter().map(|c| squares(c)).sum(),
        sequences.iter().map(spread).max().unwrap_or(0),
        squares(&places),
    )
}

/// Duo-trios. With one reference code (0) everybody has it first, then the codes 1 and 2. With
/// two (0 and 1, one of each lot) half of the tasters have either, then the codes 2 and 3. What
/// goes beyond whole rounds takes both references before it takes both orders, so that the right
/// answer stands second as often as third.
#[must_use]
pub fn duo_trios(n_rows: usize, n_references: usize, draws: &mut Draws) -> Sequences {
    let two = n_references == 2;
    let (first, second) = if two { (2, 3) } else { (1, 2) };
    let mut rows = Vec::with_capacity(n_rows);
    while rows.len() < n_rows {
        let turned = draws.below(2) == 1;
        let (x, y) = if turned { (second, first) } else { (first, second) };
        let mut references: Vec<usize> = (0..n_references).collect();
        draws.shuffle(&mut references);
        let round = [(x, y), (y, x)]
            .into_iter()
            .flat_map(|(x, y)| references.iter().map(move |r| vec![*r, x, y]));
        let wanted = n_rows - rows.len();
        rows.extend(round.take(wanted));
    }
    draws.shuffle(&mut rows);
    let balance = if two {
        SequenceBalance::of(&rows, &["ABAB", "ABBA"], &DUO_TRIO, 4)
    } else {
        SequenceBalance::of(&rows, &["AAB", "ABA"], &DUO_TRIO_CONSTANT, 2)
    };
    Sequences { rows, balance }
}

/// Pairs: half of the tasters have either code first.
#[must_use]
pub fn pairs(n_rows: usize, draws: &mut Draws) -> Sequences {
    let first = draws.below(2) as usize;
    let mut rows: Vec<Vec<usize>> = (0..n_rows)
        .map(|i| if (i + first).is_multiple_of(2) { vec![0, 1] } else { vec![1, 0] })
        .collect();
    draws.shuffle(&mut rows);
    let balance = SequenceBalance::of(&rows, &["AB"], &PAIRED, 2);
    Sequences { rows, balance }
}
