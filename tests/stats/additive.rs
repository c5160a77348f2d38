//! Additive least squares of tables with gaps, against published and independently computed ones.

use crate::cases::{case, table};
use blindsteep_stats::additive::Additive;

struct Catalysts {
    cells: Vec<(usize, usize)>,
    y: Vec<f64>,
}

/// The rows of the table that are not `left_out`: catalysts are rows, batches columns.
fn catalysts(left_out: &[usize]) -> Catalysts {
    let t = table("g14_bibd_catalyst.csv");
    let [batch, row, y] = ["block", "trt", "y"].map(|name| t.numbers(name));
    let kept: Vec<usize> = (0..y.len()).filter(|i| !left_out.contains(i)).collect();
    Catalysts {
        cells: kept.iter().map(|i| (row[*i] as usize - 1, batch[*i] as usize - 1)).collect(),
        y: kept.iter().map(|i| y[*i]).collect(),
    }
}

fn above_first(c: &Catalysts) -> Vec<f64> {
    let found = Additive::of(&c.cells);
    (0..4)
        .map(|row| {
            let weights = found.above(row, 0).unwrap();
            weights.iter().map(|(at, w)| w * c.y[*at]).sum()
        })
        .collect()
}

// Montgomery, Design and Analysis of Experiments, section 4.4: the intra-block estimates.
#[test]
fn the_catalysts_lie_above_one_another_as_published() {
    let want = &case("g14_designs")["expected"]["catalyst"]["tau_intrablock"];
    let tau: Vec<f64> = want.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
    for (found, tau_of) in above_first(&catalysts(&[])).iter().zip(&tau) {
        assert!((found - (tau_of - tau[0])).abs() < 1e-12, "{found}");
    }
}

// The same with its second and tenth row left out, so that nothing is balanced: R 4.2.2,
// lm(y ~ factor(trt) + factor(block)).
#[test]
fn a_table_without_balance_is_that_of_r() {
    let found = above_first(&catalysts(&[1, 9]));
    let want = [0.0, -0.151515151515162, 0.242424242424232, 3.272727272727257];
    for (found, want) in found.iter().zip(want) {
        assert!((found - want).abs() < 1e-10, "{found} {want}");
    }
}
