//! Principal components against case g12: R 4.2.2 prcomp on the olive oils (pls 2.8.1), whose
//! signs are arbitrary.

use crate::cases::{case, close, numbers, table};
use blindsteep_stats::pca::{Weighing, components};

#[test]
fn components_are_those_of_prcomp() {
    let case = case("g12_pca_oliveoil");
    let oils = table("g10_oliveoil.csv");
    let names = ["yellow", "green", "brown", "glossy", "transp", "syrup"];
    let columns: Vec<Vec<f64>> = names.iter().map(|n| oils.numbers(n)).collect();
    let rows: Vec<Vec<f64>> = (0..16).map(|i| columns.iter().map(|c| c[i]).collect()).collect();
    // The case is printed with 14 digits.
    let tolerance = 1e-11;
    for (key, weighing) in
        [("correlation_pca", Weighing::Correlation), ("covariance_pca", Weighing::Covariance)]
    {
        let expected = &case["expected"][key];
        let got = components(&rows, weighing).unwrap();
        for (g, e) in got.variances.iter().zip(numbers(&expected["eigenvalues"])) {
            close(*g, e, tolerance, key);
        }
        let total: f64 = numbers(&expected["eigenvalues"]).iter().sum();
        for (g, e) in got.shares.iter().zip(numbers(&expected["eigenvalues"])) {
            close(*g, e / total, tolerance, key);
        }
        let rotation = expected["rotation"].as_array().unwrap();
        for component in 0..6 {
            let theirs: Vec<f64> = rotation.iter().map(|r| numbers(r)[component]).collect();
            let dot: f64 = got.loadings.iter().zip(&theirs).map(|(l, t)| l[component] * t).sum();
            for (l, t) in got.loadings.iter().zip(&theirs) {
                assert!((l[component] * dot.signum() - t).abs() < 1e-9, "{key} {component}");
            }
            let name = if weighing == Weighing::Covariance { "scores" } else { "scores_prcomp" };
            let scores = expected[name].as_array().unwrap();
            assert_eq!(scores.len(), 16);
            for (s, t) in got.scores.iter().zip(scores) {
                let t = numbers(t)[component];
                assert!((s[component] * dot.signum() - t).abs() < 1e-8, "{key} {component}");
            }
        }
    }
}
