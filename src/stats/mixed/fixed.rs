//! The fixed part of a model: cell means of lots, with sessions and covariates beside them.

use super::factor::Factor;

/// What the columns of a fixed term are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FixedKind {
    /// One column a level: the coefficients are the adjusted means of the levels.
    Cells,
    /// Levels as deviations that sum to zero.
    SumToZero,
    /// Levels as differences from the first that has a row.
    Treatment,
    /// One measured column.
    Covariate,
    /// Columns as they were given.
    Plain,
}

/// A term of the fixed part: which columns are its own.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FixedTerm {
    /// The name of the term.
    pub name: String,
    /// What its columns are.
    pub kind: FixedKind,
    /// Its first column.
    pub first: usize,
    /// How many columns it has; none if its factor has a single level.
    pub n_columns: usize,
}

/// The columns of the fixed effects, each with a name and one value a row.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FixedPart {
    /// The columns.
    pub columns: Vec<Vec<f64>>,
    /// The name of each fixed effect, one a column; before them those of cells that stand apart.
    pub names: Vec<String>,
    /// The terms that the columns belong to.
    pub terms: Vec<FixedTerm>,
    /// Cells that stand apart: their means are the first fixed effects, before those of `columns`,
    /// but no columns are written out for them.
    pub apart: Option<Apart>,
}

/// The cells of a fixed part whose columns are not written out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Apart {
    /// The cell of each row.
    pub factor: Factor,
}

impl FixedPart {
    /// Starts with nothing.
    pub fn new() -> Self {
        Self::default()
    }

    /// A single column of ones.
    pub fn intercept(n: usize) -> Self {
        let mut part = FixedPart::new();
        part.push("(mean)", FixedKind::Plain, vec![("(mean)".into(), vec![1.0; n])]);
        part
    }

    /// One column for each level of a factor, so that the coefficients are the means of its levels:
    /// adjusted to the plain average over the levels of what is added [as a factor](Self::with_factor)
    /// and to the mean of what is added [as a covariate](Self::with_covariate).
    ///
    /// `levels` are the names of the levels; where there are too few the number stands in.
    pub fn cell_means(name: &str, factor: &Factor, levels: &[String]) -> Self {
        let mut part = FixedPart::new();
        let columns = (0..factor.n_levels)
            .map(|level| (level_name(name, levels, level), indicator(factor, level as u32)))
            .collect();
        part.push(name, FixedKind::Cells, columns);
        part
    }

    /// As [`cell_means`](Self::cell_means) for many cells: no columns are written out, so that memory
    /// and work grow with the rows, not with rows times cells. The cells have to be what comes first.
    ///
    /// Such a part is fitted by REML only, and a [`Fit`](super::Fit) of it keeps no covariance matrix
    /// of all cells: contrasts and [families](super::Fit::family) are worked out when asked.
    pub fn cells_apart(name: &str, factor: &Factor, levels: &[String]) -> Self {
        FixedPart {
            columns: Vec::new(),
            names: (0..factor.n_levels).map(|level| level_name(name, levels, level)).collect(),
            terms: vec![FixedTerm {
                name: name.into(),
                kind: FixedKind::Cells,
                first: 0,
                n_columns: factor.n_levels,
            }],
            apart: Some(Apart { factor: factor.clone() }),
        }
    }

    /// The same fixed effects with every column written out.
    #[must_use]
    pub fn written_out(&self) -> Self {
        let mut part = self.clone();
        if let Some(apart) = part.apart.take() {
            let levels = 0..apart.factor.n_levels as u32;
            let mut columns: Vec<Vec<f64>> = levels.map(|l| indicator(&apart.factor, l)).collect();
            columns.append(&mut part.columns);
            part.columns = columns;
        }
        part
    }

    /// How many fixed effects there are: columns, and cells that stand apart.
    #[must_use]
    pub fn n_effects(&self) -> usize {
        self.columns.len() + self.apart.as_ref().map_or(0, |a| a.factor.n_levels)
    }

    /// The name of a fixed effect.
    pub(super) fn name(&self, j: usize) -> String {
        self.names.get(j).cloned().unwrap_or_else(|| format!("column {}", j + 1))
    }

    /// The first of the cells' columns and how many they are, if there are cells.
    pub(super) fn cell_columns(&self) -> Option<(usize, usize)> {
        let cells = self.terms.iter().find(|t| t.kind == FixedKind::Cells);
        cells.map(|t| (t.first, t.n_columns))
    }

    /// The columns of each term.
    pub(super) fn term_columns(&self) -> Vec<(String, FixedKind, usize, usize)> {
        self.terms.iter().map(|t| (t.name.clone(), t.kind, t.first, t.n_columns)).collect()
    }

    /// Adds a factor as deviations that sum to zero over its levels, so that a mean of the other
    /// columns is a plain average over these levels. Levels without rows are left out.
    #[must_use]
    pub fn with_factor(mut self, name: &str, factor: &Factor, levels: &[String]) -> Self {
        let used = used_levels(factor);
        let mut columns = Vec::new();
        if let Some((&last, others)) = used.split_last() {
            for &level in others {
                let value = |code: u32| {
                    if code == level {
                        1.0
                    } else if code == last {
                        -1.0
                    } else {
                        0.0
                    }
                };
                let column = factor.codes.iter().map(|&c| value(c)).collect();
                columns.push((level_name(name, levels, level as usize), column));
            }
        }
        self.push(name, FixedKind::SumToZero, columns);
        self
    }

    /// Adds a factor as differences from its first level that has a row.
    #[must_use]
    pub fn with_treatment(mut self, name: &str, factor: &Factor, levels: &[String]) -> Self {
        let columns = used_levels(factor)
            .into_iter()
            .skip(1)
            .map(|level| (level_name(name, levels, level as usize), indicator(factor, level)))
            .collect();
        self.push(name, FixedKind::Treatment, columns);
        self
    }

    /// Adds a covariate, less its mean, so that the other columns speak of its mean.
    #[must_use]
    pub fn with_covariate(mut self, name: &str, values: &[f64]) -> Self {
        let first = values.first().copied().unwrap_or(0.0);
        let shift = values.iter().map(|v| v - first).sum::<f64>() / values.len().max(1) as f64;
        let column = values.iter().map(|v| (v - first) - shift).collect();
        self.push(name, FixedKind::Covariate, vec![(name.into(), column)]);
        self
    }

    /// Adds a column as it is.
    #[must_use]
    pub fn with_column(mut self, name: &str, values: Vec<f64>) -> Self {
        self.push(name, FixedKind::Plain, vec![(name.into(), values)]);
        self
    }

    fn push(&mut self, name: &str, kind: FixedKind, columns: Vec<(String, Vec<f64>)>) {
        self.terms.push(FixedTerm {
            name: name.into(),
            kind,
            first: self.n_effects(),
            n_columns: columns.len(),
        });
        for (column_name, column) in columns {
            self.names.push(column_name);
            self.columns.push(column);
        }
    }
}

fn level_name(factor: &str, levels: &[String], level: usize) -> String {
    match levels.get(level) {
        Some(label) => format!("{factor} {label}"),
        None => format!("{factor} {}", level + 1),
    }
}

fn indicator(factor: &Factor, level: u32) -> Vec<f64> {
    factor.codes.iter().map(|&c| if c == level { 1.0 } else { 0.0 }).collect()
}

fn used_levels(factor: &Factor) -> Vec<u32> {
    let counts = factor.counts();
    (0..factor.n_levels as u32).filter(|&l| counts[l as usize] > 0).collect()
}
