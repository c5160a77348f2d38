//! Factorials and fractions against textbooks' (tests/data/g15_factorial.json: Montgomery's
//! filtration rates and their half; Box, Hunter and Hunter's alias structures; Lenth 1989).

use std::collections::BTreeSet;

use blindsteep_stats::factorial::{
    FactorialError, Fraction, effects, full, half_normal_places, lenth, letters,
};
use blindsteep_stats::links::ols;

use crate::cases::{case, close, number, numbers, table, words};

#[test]
fn filtration_rates_have_montgomerys_effects_and_lenths_margins() {
    let expected = &case("g15_factorial")["expected"];
    let found = effects(&table("g15_filtration.csv").numbers("y")).unwrap();
    assert_eq!(found.len(), 15);
    for e in &found {
        // Sums of whole numbers over a power of 2: exact.
        let want = number(&expected["filtration_effects"][letters(e.word)]);
        close(e.effect, want, 1e-15, &letters(e.word));
    }
    let sizes: Vec<f64> = found.iter().map(|e| e.effect).collect();
    let l = lenth(&sizes, 0.95).unwrap();
    let want = |key: &str| number(&expected["filtration_lenth"][key]);
    // The case is printed to 14 digits.
    close(l.s0, want("s0"), 1e-15, "s0");
    close(l.pse, want("PSE"), 1e-15, "PSE");
    close(l.margin, want("ME_95"), 1e-11, "ME");
    close(l.simultaneous_margin, want("SME_95"), 1e-10, "SME");
    close(l.df, want("df"), 0.0, "df");
    // The reduced model's sums of squares are those of its effects, the rest is the residual's.
    let reduced = &expected["reduced_model_A_C_D_AC_AD"];
    let ss: Vec<f64> = ["A", "C", "D", "AC", "AD"]
        .iter()
        .map(|n| found.iter().find(|e| letters(e.word) == *n).unwrap().ss)
        .collect();
    let all: f64 = found.iter().map(|e| e.ss).sum();
    for (own, want) in ss.iter().chain(&[all - ss.iter().sum::<f64>()]).zip(numbers(&reduced["ss"]))
    {
        close(*own, want, 1e-13, "sum of squares");
    }
}

#[test]
fn the_reduced_model_is_that_of_a_regression() {
    let reduced = &case("g15_factorial")["expected"]["reduced_model_A_C_D_AC_AD"];
    let data = table("g15_filtration.csv");
    let runs = full(4);
    for (i, name) in ["A", "B", "C", "D"].iter().enumerate() {
        let column: Vec<f64> = runs.iter().map(|r| r[i]).collect();
        assert_eq!(column, data.numbers(name), "standard order of {name}");
    }
    let word = |w: u32| -> Vec<f64> {
        runs.iter().map(|r| (0..4).filter(|i| w >> i & 1 == 1).map(|i| r[i]).product()).collect()
    };
    let columns: Vec<Vec<f64>> = [0b1, 0b100, 0b1000, 0b101, 0b1001].map(word).to_vec();
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let fit = ols(&columns, &data.numbers("y"), 0.95).unwrap();
    let names = ["(Intercept)", "A", "C", "D", "A:C", "A:D"];
    for (c, name) in fit.coefficients.iter().zip(names) {
        close(c.estimate, number(&reduced["coef"][name]), 1e-12, name);
    }
    for (c, f) in fit.coefficients.iter().skip(1).zip(numbers_but_last(&reduced["F"])) {
        close(c.t * c.t, f, 1e-10, "F");
    }
    close(fit.r2, number(&reduced["r2"]), 1e-12, "r2");
    close(fit.sigma, number(&reduced["sigma"]), 1e-12, "sigma");
}

fn numbers_but_last(value: &serde_json::Value) -> Vec<f64> {
    value.as_array().unwrap().iter().filter_map(serde_json::Value::as_f64).collect()
}

#[test]
fn half_of_the_filtration_rates_has_the_printed_effects() {
    let expected = &case("g15_factorial")["expected"]["half_fraction_I_ABCD"];
    // The runs with ABCD = 1, in standard order of A, B and C.
    let y = table("g15_filtration.csv").numbers("y");
    let half = Fraction::of(4, 8).unwrap();
    assert_eq!(half.defining.iter().map(|w| letters(*w)).collect::<Vec<_>>(), ["ABCD"]);
    let values: Vec<f64> =
        half.runs().iter().map(|run| y[full(4).iter().position(|r| r == run).unwrap()]).collect();
    for e in effects(&values).unwrap() {
        close(e.effect, number(&expected[letters(e.word)]), 1e-15, &letters(e.word));
    }
}

#[test]
fn eight_runs_of_seven_factors_have_the_textbooks_aliases() {
    let expected = &case("g15_factorial")["expected"]["2^(7-4)"];
    let f = Fraction::of(7, 8).unwrap();
    let generators: Vec<String> = f
        .generators
        .iter()
        .zip(3..)
        .map(|(g, i)| format!("{}={}", letters(1 << i), letters(*g)))
        .collect();
    assert_eq!(generators, words(&expected["generators"]));
    let relation: BTreeSet<String> = f.defining.iter().map(|w| letters(*w)).collect();
    assert_eq!(relation, words(&expected["defining_relation"]).into_iter().collect());
    assert_eq!(f.defining.len(), 15);
    assert_eq!(f.resolution(), Some(3));
    for i in 0..7 {
        let aliases: Vec<String> = f.aliases(1 << i, 2).into_iter().map(letters).collect();
        let want = words(&expected["main_effect_aliases_up_to_2fi"][letters(1 << i)]);
        assert_eq!(aliases, want, "{}", letters(1 << i));
    }
    let runs = f.runs();
    let data = table("g15_2_7_4_design.csv");
    for i in 0..7 {
        let column: Vec<f64> = runs.iter().map(|r| r[i]).collect();
        assert_eq!(column, data.numbers(&letters(1 << i)));
    }
}

#[test]
fn sixteen_runs_of_five_factors_tell_all_pairs_apart() {
    let expected = &case("g15_factorial")["expected"]["2^(5-1)"];
    let f = Fraction::of(5, 16).unwrap();
    assert_eq!(f.resolution(), Some(5));
    assert_eq!(
        f.defining.iter().map(|w| letters(*w)).collect::<Vec<_>>(),
        words(&expected["defining_relation"])
    );
    for i in 0..5_u32 {
        for j in i + 1..5 {
            let pair = 1 << i | 1 << j;
            assert!(f.aliases(pair, 2).is_empty());
            let three: Vec<String> = f.aliases(pair, 3).into_iter().map(letters).collect();
            let want = expected["two_factor_aliases"][letters(pair)].as_str().unwrap();
            assert_eq!(three, [want]);
        }
    }
    let data = table("g15_2_5_1_design.csv");
    let last: Vec<f64> = f.runs().iter().map(|r| r[4]).collect();
    assert_eq!(last, data.numbers("E"));
}

/// The greatest resolutions of two-level fractions: Box, Hunter and Hunter (1978), table 12.15 (from
/// memory, as are those of 32 runs).
#[test]
fn fractions_reach_the_greatest_resolution_known() {
    for (factors, runs, resolution) in [
        (3, 4, 3),
        (4, 8, 4),
        (5, 8, 3),
        (6, 8, 3),
        (7, 8, 3),
        (5, 16, 5),
        (6, 16, 4),
        (7, 16, 4),
        (8, 16, 4),
        (9, 16, 3),
        (15, 16, 3),
        (6, 32, 6),
        (7, 32, 4),
        (8, 32, 4),
        (9, 32, 4),
        (11, 32, 4),
        (16, 32, 4),
    ] {
        let f = Fraction::of(factors, runs).unwrap();
        assert_eq!(f.resolution(), Some(resolution), "{factors} in {runs}");
        // Second route: columns are balanced and orthogonal, and a word of the relation is constant.
        let rows = f.runs();
        assert_eq!((rows.len(), rows[0].len()), (runs, factors));
        for i in 0..factors {
            assert_eq!(rows.iter().map(|r| r[i]).sum::<f64>(), 0.0);
            for j in 0..i {
                assert_eq!(rows.iter().map(|r| r[i] * r[j]).sum::<f64>(), 0.0, "{factors} {runs}");
            }
        }
        for word in f.defining.iter().take(200) {
            let level = |r: &Vec<f64>| {
                (0..factors).filter(|i| word >> i & 1 == 1).map(|i| r[i]).product::<f64>()
            };
            assert!(rows.iter().all(|r| level(r) == 1.0));
        }
    }
}

#[test]
fn aliases_are_the_columns_that_are_equal() {
    let f = Fraction::of(6, 8).unwrap();
    let rows = f.runs();
    let column = |w: u32| -> Vec<f64> {
        rows.iter().map(|r| (0..6).filter(|i| w >> i & 1 == 1).map(|i| r[i]).product()).collect()
    };
    let short: Vec<u32> = (1..64_u32).filter(|w| w.count_ones() <= 2).collect();
    for a in &short {
        let by_columns: BTreeSet<u32> =
            short.iter().copied().filter(|b| b != a && column(*a) == column(*b)).collect();
        let by_words: BTreeSet<u32> = f.aliases(*a, 2).into_iter().filter(|w| *w != 0).collect();
        assert_eq!(by_columns, by_words, "{}", letters(*a));
    }
}

#[test]
fn what_has_no_fraction_says_why() {
    assert_eq!(Fraction::of(3, 6), Err(FactorialError::Runs { runs: 6 }));
    assert_eq!(
        Fraction::of(8, 8),
        Err(FactorialError::Factors { factors: 8, runs: 8, least: 3, most: 7 })
    );
    assert_eq!(
        Fraction::of(0, 8),
        Err(FactorialError::Factors { factors: 0, runs: 8, least: 3, most: 7 })
    );
    assert!(Fraction::of(3, 64).is_err());
    assert_eq!(Fraction::of(3, 8).unwrap().resolution(), None);
    assert!(effects(&[1.0, 2.0, 3.0]).is_err() && effects(&[1.0, f64::NAN]).is_err());
    assert!(lenth(&[1.0, 2.0], 0.95).is_err() && lenth(&[0.0; 7], 0.95).is_err());
    assert!(full(40).is_empty());
}

/// Where no effect is real, Lenth's margin of one effect is passed by about 5 in 100.
#[test]
fn lenths_margin_holds_its_level_where_nothing_is_there() {
    let (mut passed, mut any) = (0, 0);
    let n = 4000;
    for index in 0..n {
        let mut draws = blindsteep_stats::rng::stream(71, index);
        let y: Vec<f64> = (0..16).map(|_| draws.normal()).collect();
        let e: Vec<f64> = effects(&y).unwrap().iter().map(|e| e.effect).collect();
        let l = lenth(&e, 0.95).unwrap();
        passed += e.iter().filter(|e| e.abs() > l.margin).count();
        any += usize::from(e.iter().any(|e| e.abs() > l.simultaneous_margin));
    }
    let (one, all) = (passed as f64 / (15 * n) as f64, any as f64 / n as f64);
    // Lenth's df of m/3 is an approximation: with 15 effects some 4 to 5 in 100 (Ye and Hamada 2000,
    // from memory: the exact factors are a little smaller). Bounds of a half and of the level with four
    // binomial standard deviations.
    assert!(one > 0.025 && one < 0.05 + 4.0 * (0.05 * 0.95 / (15 * n) as f64).sqrt(), "{one}");
    assert!(all > 0.015 && all < 0.05 + 4.0 * (0.05 * 0.95 / n as f64).sqrt(), "{all}");
}

#[test]
fn half_normal_places_are_upper_quantiles() {
    let places = half_normal_places(15);
    assert!(places.windows(2).all(|w| w[0] < w[1]) && places[0] > 0.0);
    for (i, z) in places.iter().enumerate() {
        let within = 2.0 * blindsteep_stats::dist::normal_cdf(*z) - 1.0;
        close(within, (i as f64 + 0.5) / 15.0, 1e-12, "share below");
    }
}
