//! Rankings in complete and incomplete blocks against published examples.

use crate::cases::{case, close, number, numbers, table};
use blindsteep_stats::ranking::{Layout, rank_blocks};

type Block = Vec<(usize, f64)>;

// Hollander and Wolfe 1973, p. 140, with ties: stats::friedman.test of R 4.2.2 gives 11.143 and
// 0.003805, as printed in its help page.
#[test]
fn complete_blocks_first_base() {
    let t = table("g02_friedman_ties.csv");
    let names = {
        let mut all = t.text("treatment");
        all.sort();
        all.dedup();
        all
    };
    let mut blocks: std::collections::BTreeMap<String, Block> = Default::default();
    for ((block, treatment), value) in
        t.text("block").into_iter().zip(t.text("treatment")).zip(t.numbers("value"))
    {
        let sample = names.iter().position(|n| *n == treatment).unwrap();
        blocks.entry(block).or_default().push((sample, value));
    }
    let blocks: Vec<Block> = blocks.into_values().collect();
    let got = rank_blocks(3, &blocks, 0.05, 2000, 1).unwrap();
    let want = &case("g02_kendall_friedman")["expected"]["c_friedman"];
    assert_eq!(got.layout, Layout::Complete);
    close(got.statistic, number(&want["chisq_corrected"]), 1e-11, "statistic");
    close(got.p_chi2, number(&want["p_chisq_corrected"]), 1e-9, "p");
    let mut sums = got.rank_sums.clone();
    sums.sort_by(|a, b| b.total_cmp(a));
    assert_eq!(sums, numbers(&want["rank_sums"]));
}

// Conover WJ 1999, Practical Nonparametric Statistics, 3rd ed., p. 391 (ice cream; from memory, its
// statistic 12 on 6 degrees of freedom and p 0.0620 as printed there).
#[test]
fn balanced_incomplete_blocks_ice_cream() {
    let blocks: Vec<Block> = [
        [(0, 2.0), (1, 3.0), (3, 1.0)],
        [(1, 3.0), (2, 1.0), (4, 2.0)],
        [(2, 2.0), (3, 1.0), (5, 3.0)],
        [(3, 1.0), (4, 2.0), (6, 3.0)],
        [(0, 3.0), (4, 1.0), (5, 2.0)],
        [(1, 3.0), (5, 1.0), (6, 2.0)],
        [(0, 3.0), (2, 1.0), (6, 2.0)],
    ]
    .iter()
    .map(|b| b.to_vec())
    .collect();
    let got = rank_blocks(7, &blocks, 0.05, 2000, 1).unwrap();
    assert_eq!(got.layout, Layout::Balanced);
    assert_eq!(got.rank_sums, [8.0, 9.0, 4.0, 3.0, 5.0, 6.0, 7.0]);
    close(got.statistic, 12.0, 1e-11, "statistic");
    close(got.p_chi2, 0.0619688, 1e-6, "p");
    // The variance of a difference of two rank sums in balanced blocks: lambda t (k + 1)/6.
    let d = got.least_differences.unwrap();
    close(d.of_a_pair, 1.959963985 * (7.0_f64 * 4.0 / 6.0).sqrt(), 1e-8, "least difference");
}

// Assembly times with gaps, Skillings and Mack 1981 and Hollander and Wolfe 1999 (from memory): the
// statistic 15.493 on 3 degrees of freedom, p .0014; the same by R 4.2.2 from the definition.
#[test]
fn blocks_with_gaps_assembly_times() {
    let gap = f64::NAN;
    let rows = [
        [3.2, 4.1, 3.8, 4.2],
        [3.1, 3.9, 3.4, 4.0],
        [4.3, 3.5, 4.6, 4.8],
        [3.5, 3.6, 3.9, 4.0],
        [3.6, 4.2, 3.7, 3.9],
        [4.5, 4.7, 3.7, gap],
        [gap, 4.2, 3.4, gap],
        [4.3, 4.6, 4.4, 4.9],
        [3.5, gap, 3.7, 3.9],
    ];
    let blocks: Vec<Block> = rows
        .iter()
        .map(|row| row.iter().copied().enumerate().filter(|c| c.1.is_finite()).collect())
        .collect();
    let got = rank_blocks(4, &blocks, 0.05, 2000, 1).unwrap();
    assert_eq!(got.layout, Layout::Unbalanced);
    assert_eq!(got.least_differences, None);
    close(got.statistic, 15.49305, 1e-6, "statistic");
    close(got.p_chi2, 0.001440296, 1e-6, "p");
    assert_eq!(got.n_ranked, [8, 8, 9, 7]);
}
