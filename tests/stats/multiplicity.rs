//! Adjusted p-values and letters.

use crate::cases::{case, close, number, numbers, table, words};
use blindsteep_stats::multiple::{benjamini_hochberg, compact_letters, holm, tukey_kramer};

// Benjamini and Hochberg 1995, section 3.2, and an invented vector; R 4.2.2 p.adjust,
// printed to 14 digits.
#[test]
fn holm_and_benjamini_hochberg_are_those_of_r() {
    let expected = &case("g09_multiplicity")["expected"];
    for (file, key) in
        [("g09_bh1995.csv", "bh1995"), ("g09_unsorted_ties.csv", "invented_unsorted_ties")]
    {
        let p = table(file).numbers("p");
        let ours = [holm(&p).unwrap(), benjamini_hochberg(&p).unwrap()];
        for (method, ours) in ["holm", "BH"].iter().zip(ours) {
            for (got, want) in ours.iter().zip(numbers(&expected[key][method])) {
                close(*got, want, 1e-12, method);
            }
        }
    }
}

// The paper's own words (from memory): four rejections at a false discovery rate of .05.
#[test]
fn the_paper_of_1995_rejects_four() {
    let p = table("g09_bh1995.csv").numbers("p");
    let adjusted = benjamini_hochberg(&p).unwrap();
    assert_eq!(adjusted.iter().filter(|p| **p <= 0.05).count(), 4);
}

// emmeans 1.8.4.1 pairs(adjust = "tukey") and multcomp 1.4.22 cld on the panel of g04: the
// p-values hold to 1e-6, and only which pairs share a letter matters.
#[test]
fn letters_and_tukey_p_of_the_television_panel() {
    let g04 = case("g04_mixed_balanced");
    for (term, expected) in g04["expected"].as_object().unwrap() {
        let pairs = &expected["pairs"];
        let products = words(&expected["emmeans"]["product"]);
        let means = numbers(&expected["emmeans"]["mean"]);
        let at = |name: &String| products.iter().position(|p| p == name).unwrap();
        let (a, b) = (words(&pairs["a"]), words(&pairs["b"]));
        let (t, df) = (numbers(&pairs["t"]), numbers(&pairs["df"]));
        let wanted = numbers(&pairs["p_tukey"]);
        let mut p = vec![vec![f64::NAN; means.len()]; means.len()];
        for i in 0..a.len() {
            let ours = tukey_kramer(t[i], means.len(), df[i]).p_value;
            assert!((ours - wanted[i]).abs() < 1e-6, "{term} {} {}", a[i], b[i]);
            p[at(&a[i])][at(&b[i])] = ours;
        }
        let letters = compact_letters(&means, &p, 0.05).unwrap();
        for i in 0..a.len() {
            let (x, y) = (&letters[at(&a[i])], &letters[at(&b[i])]);
            let share = x.iter().any(|l| y.contains(l));
            assert_eq!(share, wanted[i] >= 0.05, "{term} {} {}", a[i], b[i]);
        }
        let lowest = (0..means.len()).min_by(|&i, &j| means[i].total_cmp(&means[j])).unwrap();
        assert!(letters[lowest].contains(&"a".to_string()), "{term}");
        let different = wanted.iter().filter(|p| **p < 0.05).count();
        assert_eq!(different as f64, number(&expected["n_significant_pairs"]));
    }
}
