//! Rows and columns with gaps: what each row lies above another when columns have shifts of their
//! own, as weights of the cells that are there.

/// A column of cells with weights.
pub type Weights = Vec<(usize, f64)>;

/// The additive least squares of a table with gaps.
///
/// Cells are taken as `row + column`; rows and columns hang together where a chain of cells leads
/// from one to the other. Everything is given as weights of cells, so that it can be asked of any
/// values in these places, and with any covariance.
#[derive(Debug, Clone, PartialEq)]
pub struct Additive {
    cells: Vec<(usize, usize)>,
    component_of_row: Vec<Option<usize>>,
    component_of_column: Vec<Option<usize>>,
    bases: Vec<usize>,
    above: Vec<Weights>,
    by_column: Vec<Vec<usize>>,
}

/// Finds the leader of a chain.
fn leader(of: &mut [usize], mut at: usize) -> usize {
    while of[at] != at {
        of[at] = of[of[at]];
        at = of[at];
    }
    at
}

/// Solves `A X = B` for rows of weights by elimination with pivots; `None` where A has no inverse.
fn solved(mut a: Vec<Vec<f64>>, mut b: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let n = a.len();
    for k in 0..n {
        let pivot = (k..n).max_by(|i, j| a[*i][k].abs().total_cmp(&a[*j][k].abs()))?;
        if a[pivot][k].abs() < 1e-12 {
            return None;
        }
        a.swap(k, pivot);
        b.swap(k, pivot);
        for i in 0..n {
            let by = a[i][k] / a[k][k];
            if i == k || by == 0.0 {
                continue;
            }
            for matrix in [&mut a, &mut b] {
                let pivot = matrix[k].clone();
                matrix[i].iter_mut().zip(&pivot).for_each(|(x, p)| *x -= by * p);
            }
        }
    }
    for (k, row) in b.iter_mut().enumerate() {
        let d = a[k][k];
        row.iter_mut().for_each(|x| *x /= d);
    }
    Some(b)
}

impl Additive {
    /// Takes the places `(row, column)` of the cells. In each part that hangs together the row with
    /// the lowest number is the one from which the others are measured.
    ///
    /// The rows' levels solve the reduced normal equations of least squares, columns eliminated:
    /// for each row the sum over its cells of (level less the mean level of the rows in that
    /// column) equals the sum of (value less the column's mean).
    ///
    /// # Source
    /// Intra-block analysis: Yates F (1936), Annals of Eugenics 7:121-140 (from memory); tested on
    /// the catalysts of Montgomery, Design and Analysis of Experiments, section 4.4, and against R.
    #[must_use]
    pub fn of(cells: &[(usize, usize)]) -> Self {
        let n_rows = cells.iter().map(|c| c.0 + 1).max().unwrap_or(0);
        let n_columns = cells.iter().map(|c| c.1 + 1).max().unwrap_or(0);
        let mut chain: Vec<usize> = (0..n_rows + n_columns).collect();
        let mut by_column: Vec<Vec<usize>> = vec![Vec::new(); n_columns];
        let mut there = vec![false; n_rows];
        for (at, (row, column)) in cells.iter().enumerate() {
            by_column[*column].push(at);
            there[*row] = true;
            let (a, b) = (leader(&mut chain, *row), leader(&mut chain, n_rows + column));
            chain[a.max(b)] = a.min(b);
        }
        // Rows have lower numbers than columns, so that each leader is the lowest row of its part.
        let mut bases: Vec<usize> = Vec::new();
        let mut component = |at: usize| {
            let first = leader(&mut chain, at);
            bases.iter().position(|b| *b == first).unwrap_or_else(|| {
                bases.push(first);
                bases.len() - 1
            })
        };
        let component_of_row: Vec<Option<usize>> =
            (0..n_rows).map(|r| there[r].then(|| component(r))).collect();
        let component_of_column: Vec<Option<usize>> = (0..n_columns)
            .map(|c| (!by_column[c].is_empty()).then(|| component(n_rows + c)))
            .collect();
        let mut found = Self {
            cells: cells.to_vec(),
            component_of_row,
            component_of_column,
            above: vec![Vec::new(); n_rows],
            bases,
            by_column,
        };
        for component in 0..found.bases.len() {
            found.solve(component);
        }
        found
    }

    fn solve(&mut self, component: usize) {
        let base = self.bases[component];
        let rows: Vec<usize> = (0..self.component_of_row.len())
            .filter(|r| self.component_of_row[*r] == Some(component) && *r != base)
            .collect();
        if rows.is_empty() {
            return;
        }
        let place = |row: usize| rows.iter().position(|r| *r == row);
        let mut a = vec![vec![0.0; rows.len()]; rows.len()];
        let mut b = vec![vec![0.0; self.cells.len()]; rows.len()];
        for (column, own) in self.by_column.iter().enumerate() {
            if self.component_of_column[column] != Some(component) || own.len() < 2 {
                continue;
            }
            let share = 1.0 / own.len() as f64;
            for at in own {
                let Some(i) = place(self.cells[*at].0) else { continue };
                a[i][i] += 1.0;
                b[i][*at] += 1.0;
                for other in own {
                    b[i][*other] -= share;
                    if let Some(j) = place(self.cells[*other].0) {
                        a[i][j] -= share;
                    }
                }
            }
        }
        // The part hangs together, so that there is an inverse.
        let Some(levels) = solved(a, b) else { return };
        for (row, weights) in rows.into_iter().zip(levels) {
            let named = weights.into_iter().enumerate();
            self.above[row] = named.filter(|(_, w)| w.abs() > 1e-14).collect();
        }
    }

    /// Returns the part to which row `row` (from 0) belongs, by the number of the part: rows and
    /// columns are in one part where a chain of cells leads from one to the other (the connected
    /// parts of the two-way layout: Yates 1936, see [`Additive::of`]). None if the row has no
    /// cell, or there is no such row.
    #[must_use]
    pub fn component_of_row(&self, row: usize) -> Option<usize> {
        self.component_of_row.get(row).copied().flatten()
    }

    /// Returns the part to which column `column` (from 0) belongs, as
    /// [`Additive::component_of_row`] (Yates 1936); none if it has no cell, or there is no such
    /// column.
    #[must_use]
    pub fn component_of_column(&self, column: usize) -> Option<usize> {
        self.component_of_column.get(column).copied().flatten()
    }

    /// Returns the row from which the others of part `component` are measured: the one of the
    /// lowest number in it, whose level is 0 (a choice of ours: only differences of levels are
    /// determined, Yates 1936, see [`Additive::of`]). None if there is no such part.
    #[must_use]
    pub fn base(&self, component: usize) -> Option<usize> {
        self.bases.get(component).copied()
    }

    /// How far row `a` lies above row `b`, as weights of the cells: the difference of their levels by
    /// least squares (Yates 1936, see [`Additive::of`]); none if they do not hang together. Of a row
    /// over itself there is no weight.
    #[must_use]
    pub fn above(&self, a: usize, b: usize) -> Option<Weights> {
        let part = self.component_of_row(a)?;
        (self.component_of_row(b)? == part).then(|| {
            let minus = self.above[b].iter().map(|(at, w)| (*at, -w));
            summed(self.above[a].iter().copied().chain(minus))
        })
    }

    /// What the row has in the column, by all that hangs together with them: its level there, the mean
    /// of the column's cells less the mean level of their rows, plus its own level (Yates 1936), as
    /// weights of the cells; none if row and column do not hang together. With one row this is the
    /// cell itself.
    #[must_use]
    pub fn expected(&self, row: usize, column: usize) -> Option<Weights> {
        let part = self.component_of_column(column)?;
        if self.component_of_row(row)? != part {
            return None;
        }
        let own = &self.by_column[column];
        let share = 1.0 / own.len() as f64;
        let mut all: Weights = self.above[row].clone();
        for at in own {
            all.push((*at, share));
            let other = self.cells[*at].0;
            all.extend(self.above[other].iter().map(|(at, w)| (*at, -w * share)));
        }
        Some(summed(all.into_iter()))
    }
}

/// Weights of one cell together.
fn summed(weights: impl Iterator<Item = (usize, f64)>) -> Weights {
    let mut all: Weights = weights.collect();
    all.sort_by_key(|(at, _)| *at);
    let mut out: Weights = Vec::new();
    for (at, w) in all {
        match out.last_mut() {
            Some(last) if last.0 == at => last.1 += w,
            _ => out.push((at, w)),
        }
    }
    out.retain(|(_, w)| w.abs() > 1e-14);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(weights: &Weights, y: &[f64]) -> f64 {
        weights.iter().map(|(at, w)| w * y[*at]).sum()
    }

    #[test]
    fn one_row_says_of_each_column_what_stands_there() {
        let table = Additive::of(&[(0, 0), (0, 2), (0, 3)]);
        assert_eq!(table.expected(0, 2), Some(vec![(1, 1.0)]));
        assert_eq!(table.expected(0, 1), None);
        assert_eq!(table.above(0, 0), Some(Vec::new()));
    }

    #[test]
    fn rows_that_never_meet_are_not_compared() {
        // Rows 0 and 1 meet in column 1; row 2 stands alone.
        let table = Additive::of(&[(0, 0), (0, 1), (1, 1), (2, 2)]);
        assert_eq!(table.above(1, 0), Some(vec![(1, -1.0), (2, 1.0)]));
        assert_eq!(table.above(2, 0), None);
        assert_eq!(table.expected(0, 2), None);
        assert_eq!(table.base(1), Some(2));
        // Row 1 was never in column 0, but what it would have there is known.
        assert_eq!(table.expected(1, 0), Some(vec![(0, 1.0), (1, -1.0), (2, 1.0)]));
    }

    /// Any additive table is met exactly, whatever its gaps.
    #[test]
    fn an_additive_table_is_met() {
        let cells = [(0, 0), (1, 0), (1, 1), (2, 1), (2, 2), (0, 2), (3, 2), (3, 3)];
        let (rows, columns) = ([1.0, 2.5, -0.5, 4.0], [0.0, 3.0, 1.0, -2.0]);
        let y: Vec<f64> = cells.iter().map(|(r, c)| rows[*r] + columns[*c]).collect();
        let table = Additive::of(&cells);
        for (r, level) in rows.iter().enumerate() {
            let above = table.above(r, 0).expect("they hang together");
            assert!((value(&above, &y) - (level - 1.0)).abs() < 1e-12);
            for (c, shift) in columns.iter().enumerate() {
                let expected = table.expected(r, c).expect("they hang together");
                assert!((value(&expected, &y) - (level + shift)).abs() < 1e-12);
            }
        }
    }
}
