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
    let columns: [Vec<f64>; 6] =
        ["t", "k", "r", "b", "lambda", "efficiency"].map(|name| t.numbers(name));
    let [t, k, r, b, lambda, efficiency] = &columns;
    let mut missed = Vec::new();
    for (row, efficiency) in efficiency.iter().enumerate() {
        let [t, k, r, b, lambda] = [t, k, r, b, lambda].map(|c| c[row] as usize);
        let Some(found) = balanced_incomplete(t, k, b) else {
            missed.push((t, k));
            continue;
        };
        assert!(found.blocks.len() <= b, "{t} {k}");
        assert_eq!(Some(&found), Design::of_blocks(t, &found.blocks).as_ref());
        assert!((found.efficiency() - efficiency).abs() < 1e-12, "{t} {k}");
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

// Montgomery, Design and Analysis of Experiments, section 4.4 (catalysts in batches), by lm of R 4.2.2: the
// mixed model without random terms is the analysis within blocks. 13 digits.
#[test]
fn ratings_in_incomplete_blocks_are_analysed_within_blocks() {
    use crate::cases::{close, number, numbers};
    use blindsteep_stats::mixed::{Factor, FixedPart, Method, ModelSpec, fit};
    let t = table("g14_bibd_catalyst.csv");
    let (blocks, _) = Factor::from_labels(&t.text("block"));
    let (treatments, names) = Factor::from_labels(&t.text("trt"));
    let want = &case("g14_designs")["expected"]["catalyst"];
    let fixed =
        FixedPart::cell_means("treatment", &treatments, &names).with_factor("block", &blocks, &[]);
    let fit =
        fit(&ModelSpec { y: t.numbers("y"), fixed, random: Vec::new() }, Method::Reml).unwrap();
    close(fit.sigma2, number(&want["anova"]["ms"][2]), 1e-10, "residual");
    for (mean, want) in fit.adjusted_means(0.95).iter().zip(numbers(&want["adjusted_means"])) {
        close(mean.estimate, want, 1e-11, "adjusted mean");
    }
    let test = fit.test_term("treatment");
    close(test.f, number(&want["F_treatment"]), 1e-10, "F");
    close(test.p_value, number(&want["p"]), 1e-9, "p");
    let pairs = &want["pairs"];
    for (i, pair) in fit.pairs(0.95).iter().enumerate() {
        let d = &pair.difference;
        close(d.estimate, numbers(&pairs["diff"])[i], 1e-9, "difference");
        close(d.se, number(&want["se_difference"]), 1e-10, "standard error");
        close(d.df, 5.0, 1e-8, "df");
        let tukey = blindsteep_stats::multiple::tukey_kramer(d.t, 4, d.df).p_value;
        close(tukey, numbers(&pairs["p_tukey"])[i], 1e-6, "p of all pairs");
    }
    let design =
        Design::of_blocks(4, &[vec![0, 2, 3], vec![0, 1, 2], vec![1, 2, 3], vec![0, 1, 3]]);
    close(design.unwrap().efficiency(), number(&want["efficiency"]), 1e-12, "efficiency");
}
