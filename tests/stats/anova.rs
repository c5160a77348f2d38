//! Classical analysis of variance.

use crate::cases::{case, close, number, numbers, table, words};
use blindsteep_stats::anova::{Line, mixed_assessor, one_way, two_way_replicated};

fn check_line(line: &Line, df: f64, ss: f64, relative: f64, what: &str) {
    assert_eq!(line.df, df, "{what}");
    close(line.ss, ss, relative, what);
}

// NIST Statistical Reference Datasets, SiRstv: resistivity of silicon wafers on five
// instruments. Data and certified values from memory; the rational analysis of variance of
// these data gives the certified digits, so that they are remembered rightly.
#[test]
fn silicon_resistivity() {
    let groups: Vec<Vec<f64>> = [
        [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
        [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
        [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
        [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
        [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
    ]
    .map(|g| g.to_vec())
    .to_vec();
    let fit = one_way(&groups).unwrap();
    // The data carry about 17 digits, of which 3 lie before what varies: 1e-12 is left.
    check_line(&fit.between, 4.0, 5.11462616e-2, 1e-12, "between");
    check_line(&fit.within, 20.0, 2.16636560e-1, 1e-12, "within");
    close(fit.f_test.unwrap().f, 1.18046237440255, 1e-12, "F");
    close(fit.r_squared, 1.90999039051129e-1, 1e-12, "R squared");
    close(fit.residual_sd, 1.04076068334656e-1, 1e-12, "residual sd");
}

// NIST Statistical Reference Datasets, AtmWtAg: atomic weight of silver on two instruments.
// Data and certified values from memory, verified as above.
#[test]
fn atomic_weight_of_silver() {
    // Digits after 107.868, as printed.
    let first = [
        1568, 1465, 1572, 1785, 1446, 1903, 1526, 1494, 1616, 1587, 1519, 1486, 1419, 1569, 1508,
        1672, 1385, 1518, 1662, 1424, 1360, 1333, 1610, 1477,
    ];
    let second = [
        1079, 1344, 1513, 1197, 1604, 1385, 1642, 1365, 1151, 1082, 1517, 1448, 1198, 1482, 1334,
        1609, 1101, 1512, 1469, 1360, 1254, 1261, 1450, 1368,
    ];
    let read = |digits: &[i32]| -> Vec<f64> {
        digits.iter().map(|d| format!("107.868{d}").parse().unwrap()).collect()
    };
    let fit = one_way(&[read(&first), read(&second)]).unwrap();
    // Seven digits stand before what varies, so that a double holds about nine of it.
    check_line(&fit.between, 1.0, 3.63834187500000e-9, 1e-8, "between");
    check_line(&fit.within, 46.0, 1.04951729166667e-8, 1e-8, "within");
    close(fit.f_test.unwrap().f, 15.9467335677930, 1e-8, "F");
}

// NIST Statistical Reference Datasets, SmLs01 to SmLs09 (after Simon and Lesage 1989): nine
// treatments with means offset + .4, .3, .5, .3, .5 ...; each has its mean once and then
// mean - .1 and mean + .1 in turn. Rule and certified F (21, 201, 2001) from memory; whole
// numbers give the certified values: between 0.08 n over 8 df, within 0.09 (n - 1) over
// 9 (n - 1) df. The tolerance is what the spelling in doubles leaves: at 10^12 neighbours
// are 1.2e-4 apart, and the step is .1.
#[test]
fn treatments_on_top_of_a_large_number() {
    for (offset, relative) in [(1_i64, 1e-12), (1_000_000, 1e-8), (1_000_000_000_000, 2e-3)] {
        for n in [21, 201, 2001] {
            let groups: Vec<Vec<f64>> = (0..9)
                .map(|i| {
                    let tenths = if i == 0 { 4 } else { 3 + 2 * (1 - i % 2) };
                    (0..n)
                        .map(|j| {
                            let step = if j == 0 { 0 } else { 1 - 2 * (j % 2) };
                            format!("{offset}.{}", tenths + step).parse().unwrap()
                        })
                        .collect()
                })
                .collect();
            let fit = one_way(&groups).unwrap();
            let what = format!("offset {offset}, {n} replicates");
            let f = fit.f_test.clone().unwrap();
            close(f.f, f64::from(n), relative, &what);
            check_line(&fit.between, 8.0, 0.08 * f64::from(n), relative, &what);
            let df = f64::from(9 * (n - 1));
            check_line(&fit.within, df, 0.01 * df, relative, &what);

            // The doubles themselves, in whole multiples of their spacing, have a rational
            // answer too: no digit may be lost on top of the spelling.
            let (between, within) = in_whole_numbers(&groups, offset);
            close(fit.between.ss, between, 1e-9, &what);
            close(fit.within.ss, within, 1e-9, &what);
        }
    }
}

/// Sums of squares in whole numbers, with values in multiples of 2^-13 at 10^12 and finer
/// below; groups are of equal size.
fn in_whole_numbers(groups: &[Vec<f64>], offset: i64) -> (f64, f64) {
    let unit = match offset {
        1_000_000_000_000 => 13,
        1_000_000 => 33,
        _ => 52,
    };
    let scale = 2_f64.powi(unit);
    let k = groups.len() as i128;
    let n = groups[0].len() as i128;
    // Less the offset, exactly, then scaled by a power of two: still exact.
    let whole: Vec<Vec<i128>> = groups
        .iter()
        .map(|g| g.iter().map(|v| ((v - offset as f64) * scale) as i128).collect())
        .collect();
    let sums: Vec<i128> = whole.iter().map(|g| g.iter().sum()).collect();
    let total: i128 = sums.iter().sum();
    // Deviations multiplied by n (within) or by k n (between) are whole.
    let within: f64 = whole
        .iter()
        .zip(&sums)
        .flat_map(|(g, s)| g.iter().map(move |v| (v * n - s) as f64 / n as f64 / scale))
        .map(|d| d * d)
        .sum();
    let between: f64 = sums
        .iter()
        .map(|s| (s * k - total) as f64 / (k * n) as f64 / scale)
        .map(|d| n as f64 * d * d)
        .sum();
    (between, within)
}

fn panel(term: &str) -> (Vec<u32>, Vec<u32>, Vec<f64>) {
    let data = table("g04_tvbo_balanced.csv");
    let products = words(&case("g04_mixed_balanced")["expected"][term]["emmeans"]["product"]);
    let lots = data
        .text("Product")
        .iter()
        .map(|p| products.iter().position(|q| p == q).unwrap() as u32)
        .collect();
    let tasters = data.numbers("Assessor").iter().map(|a| *a as u32 - 1).collect();
    (lots, tasters, data.numbers(term))
}

// R 4.2.2 anova(lm()) of the television panel: eight tasters, twelve products, two
// replicates; printed to 14 digits.
#[test]
fn lot_by_taster_with_replicates() {
    let g04 = case("g04_mixed_balanced");
    for (term, expected) in g04["expected"].as_object().unwrap() {
        let (lots, tasters, values) = panel(term);
        let mut cells = vec![vec![Vec::new(); 8]; 12];
        for i in 0..values.len() {
            cells[lots[i] as usize][tasters[i] as usize].push(values[i]);
        }
        let fit = two_way_replicated(&cells).unwrap();
        let want = &expected["classical_anova"];
        let (df, ss) = (numbers(&want["df"]), numbers(&want["ss"]));
        let lines = [&fit.taster, &fit.lot, &fit.interaction, &fit.error];
        for (i, line) in lines.into_iter().enumerate() {
            check_line(line, df[i], ss[i], 1e-11, term);
        }
        let f = &expected["classical_F"];
        let lot = fit.lot_test.clone().unwrap();
        close(lot.f, number(&f["product_vs_interaction"]), 1e-11, term);
        close(lot.p_value, number(&f["p_product"]), 1e-9, term);
        let taster = fit.taster_test.clone().unwrap();
        close(taster.f, number(&f["assessor_vs_interaction"]), 1e-11, term);
        close(taster.p_value, number(&f["p_assessor_vs_interaction"]), 1e-9, term);
        let both = fit.interaction_test.clone().unwrap();
        close(both.f, number(&f["interaction_vs_residual"]), 1e-11, term);
        close(both.p_value, number(&f["p_interaction"]), 1e-9, term);
        let components = fit.components();
        let want = &expected["anova_varcomp"];
        close(components.taster, number(&want["Assessor"]), 1e-10, term);
        close(components.lot_taster, number(&want["Assessor:Product"]), 1e-10, term);
        close(components.error, number(&want["Residual"]), 1e-10, term);
    }
}

// R 4.2.2 on the television panel, computed twice (g16); its tolerance is 1e-8.
#[test]
fn the_interaction_split_of_the_mixed_assessor_model() {
    let g16 = case("g16_mixed_assessor");
    for (term, expected) in g16["expected"].as_object().unwrap() {
        let (lots, tasters, values) = panel(term);
        let fit = mixed_assessor(&lots, &tasters, &values).unwrap();
        for (line, name) in [
            (&fit.scaling, "scaling"),
            (&fit.disagreement, "disagreement"),
            (&fit.error, "error"),
            (&fit.lot, "product"),
        ] {
            let want = &expected[name];
            check_line(line, number(&want["df"]), number(&want["ss"]), 1e-8, name);
        }
        let lot = fit.lot_test.clone().unwrap();
        close(lot.f, number(&expected["product"]["F"]), 1e-8, term);
        close(lot.p_value, number(&expected["product"]["p"]), 1e-8, term);
        for (got, want) in fit.slopes.iter().zip(numbers(&expected["slope"])) {
            close(got.unwrap(), want, 1e-8, term);
        }
    }
}
