//! The studentized range against case g08a: independent double integration, which agrees with
//! scipy's `studentized_range.sf` to 1e-10, and printed tables (Harter 1960).

use crate::cases::{case, close, number, numbers, table};
use blindsteep_stats::range::{StudentizedRange, studentized_range_quantile};

#[test]
fn tails_are_met_to_nine_decimals() {
    let case = case("g08a_studentized_range");
    let expected = &case["expected"]["p_values"];
    let (q, k) = (numbers(&expected["q"]), numbers(&expected["k"]));
    let (df, p) = (numbers(&expected["df"]), numbers(&expected["p_upper"]));
    let tolerance = number(&case["tolerance"]["p_abs"]);
    let mut n = 0;
    for i in 0..q.len() {
        let got = StudentizedRange::new(k[i] as u32).sf(q[i], df[i]);
        assert!(
            (got - p[i]).abs() <= tolerance,
            "q {} k {} df {}: {got} instead of {}",
            q[i],
            k[i],
            df[i],
            p[i]
        );
        n += 1;
    }
    assert_eq!(n, 180);
}

#[test]
fn quantiles_are_met_to_eight_digits() {
    let table = table("g08_studentized_range.csv");
    let tolerance = number(&case("g08a_studentized_range")["tolerance"]["q_rel"]);
    let (alpha, k) = (table.numbers("alpha"), table.numbers("k"));
    let (df, q) = (table.numbers("df"), table.numbers("q"));
    assert_eq!(alpha.len(), 760);
    let ranges: Vec<StudentizedRange> = (0..=40).map(StudentizedRange::new).collect();
    for i in 0..alpha.len() {
        let got = ranges[k[i] as usize].quantile_upper(alpha[i], df[i]);
        close(got, q[i], tolerance, &format!("q at {} of {} with df {}", alpha[i], k[i], df[i]));
    }
}

#[test]
fn printed_points_are_met() {
    // Harter (1960) and Pearson and Hartley, quoted from memory, to the digits printed.
    for (alpha, k, df, printed, half_digit) in [
        (0.05, 3, 10.0, 3.88, 0.005),
        (0.05, 4, 20.0, 3.96, 0.005),
        (0.05, 5, 12.0, 4.51, 0.005),
        (0.05, 20, 2.0, 16.8, 0.05),
        (0.05, 2, f64::INFINITY, 2.77, 0.005),
    ] {
        let got = studentized_range_quantile(alpha, k, df);
        assert!((got - printed).abs() <= half_digit, "{got} instead of {printed}");
    }
}
