//! Incomplete blocks against published parameter sets and designs.

use crate::cases::{case, table};
use blindsteep_stats::designs::{Design, balanced_incomplete};
use std::collections::BTreeMap;

/// Sets for which the search finds no design although one is known.
const NOT_FOUND: [(usize, usize); 4] = [(21, 7), (25, 9), (28, 7), (31, 10)];

// Cochran WG, Cox GM 1957, ch. 11: all parameter sets with r <= 10. Counts are whole numbers.
#[test]
fn designs_of_the_published_parameters_are_found() {
    let t = table("g14_bibd_parameters.csv");
    let columns: Vec<Vec<f64>> =
        ["t", "k", "r", "b", "lambda", "efficiency"].iter().map(|n| t.numbers(n)).collect();
    let mut missed = Vec::new();
    for row in 0..columns[0].len() {
        let [t, k, r, b, lambda] = [0, 1, 2, 3, 4].map(|c: usize| columns[c][row] as usize);
        let Some(found) = balanced_incomplete(t, k, b) else {
            missed.push((t, k));
            continue;
        };
        assert!(found.blocks.len() <= b, "{t} {k}");
        assert_eq!(Some(&found), Design::of_blocks(t, &found.blocks).as_ref());
        assert!((found.efficiency() - columns[5][row]).abs() < 1e-12, "{t} {k}");
        if found.blocks.len() == b {
            assert_eq!((found.replications, found.concurrence), (r, lambda), "{t} {k}");
        }
    }
    assert_eq!(missed, NOT_FOUND);
}

// Sets that meet the counting equations though no design exists.
#[test]
fn what_does_not_exist_is_not_found() {
    let sets = case("g14_designs")["expected"]["bibd_nonexistent_parameter_sets"].clone();
    for set in sets.as_array().unwrap() {
        let n = |key: &str| usize::try_from(set[key].as_u64().unwrap()).unwrap();
        assert_eq!(balanced_incomplete(n("t"), n("k"), n("b")), None, "{set}");
    }
}

#[test]
fn published_designs_are_taken_as_balanced() {
    let t = table("g14_bibd_designs.csv");
    let mut designs: BTreeMap<String, BTreeMap<usize, Vec<usize>>> = BTreeMap::new();
    let numbers =
        |name: &str| -> Vec<usize> { t.numbers(name).iter().map(|x| *x as usize).collect() };
    for ((name, block), treatment) in
        t.text("design").into_iter().zip(numbers("block")).zip(numbers("treatment"))
    {
        designs.entry(name).or_default().entry(block).or_default().push(treatment - 1);
    }
    assert_eq!(designs.len(), 7);
    for (name, blocks) in designs {
        let blocks: Vec<Vec<usize>> = blocks.into_values().collect();
        let n_treatments = blocks.iter().flatten().max().unwrap() + 1;
        let design = Design::of_blocks(n_treatments, &blocks);
        assert!(design.is_some(), "{name}");
        // One treatment in place of another makes it unbalanced.
        let mut broken = blocks.clone();
        let other = (0..n_treatments).find(|x| !broken[0].contains(x)).unwrap();
        broken[0][0] = other;
        assert_eq!(Design::of_blocks(n_treatments, &broken), None, "{name}");
    }
}
