//! Sums of cell means that are asked of one sample together, and how a contrast is told.

use blindsteep_stats::dist::{t_quantile_upper, t_two_sided};
use blindsteep_stats::mixed::{Contrast, Family};
use blindsteep_stats::partial::{self, PartialError, Slope};

use super::super::Answer;
use super::super::cell_model::{CellModel, Weights};
use super::super::term_comparison::finite;
use super::Change;
use super::forms::YEAR;

/// Places in a basis, with weights.
pub type Sum = Vec<(usize, f64)>;

/// A contrast as a change.
pub fn change(c: &Contrast) -> Answer<Change> {
    if !c.estimable {
        return Answer::unknown("this layout says nothing about this difference alone");
    }
    if !finite(&[c.estimate, c.se, c.df, c.lower, c.upper, c.p_value]) {
        return Answer::unknown("too little is left to measure chance by");
    }
    Answer::Known(Change {
        value: c.estimate,
        se: c.se,
        df: c.df,
        lower: c.lower,
        upper: c.upper,
        p_value: c.p_value,
        q_value: None,
    })
}

/// Sums of cell means, one after the other.
pub fn joined(parts: &[(&Weights, f64)]) -> Weights {
    parts.iter().flat_map(|(w, by)| w.iter().map(move |(at, x)| (*at, x * by))).collect()
}

/// The mean of several sums.
pub fn mean(all: &[Weights]) -> Weights {
    let share = 1.0 / all.len().max(1) as f64;
    joined(&all.iter().map(|w| (w, share)).collect::<Vec<_>>())
}

/// A basis of sums with their joint covariances.
pub struct Sums<'a> {
    pub model: &'a CellModel,
    basis: Vec<Weights>,
    family: Family,
    pub level: f64,
}

impl<'a> Sums<'a> {
    /// The sums of a basis.
    #[must_use]
    pub fn of(model: &'a CellModel, basis: Vec<Weights>, level: f64) -> Self {
        Self { family: model.family(&basis), model, basis, level }
    }

    /// A sum of the basis as weights of cells.
    #[must_use]
    pub fn weights(&self, sum: &[(usize, f64)]) -> Weights {
        joined(&sum.iter().map(|(at, w)| (&self.basis[*at], *w)).collect::<Vec<_>>())
    }

    /// A sum of the basis with its interval.
    #[must_use]
    pub fn ask(&self, sum: &[(usize, f64)]) -> Contrast {
        // Where steeps part the cells, a difference may be known though neither mean is.
        if sum.iter().any(|(at, _)| !self.family.is_estimable(*at)) {
            return self.model.contrast(&self.weights(sum), self.level);
        }
        let mut weights = vec![0.0; self.basis.len()];
        for (at, w) in sum {
            weights[*at] += w;
        }
        self.family.contrast(&weights, self.level)
    }
}

impl Sums<'_> {
    /// Sums of the basis as a family of their own.
    #[must_use]
    pub fn family(&self, sums: &[Sum]) -> Family {
        // As in `ask`: a difference may be known though neither mean is.
        if sums.iter().flatten().any(|(at, _)| !self.family.is_estimable(*at)) {
            let weights: Vec<Weights> = sums.iter().map(|sum| self.weights(sum)).collect();
            return self.model.family(&weights);
        }
        let rows: Vec<Vec<f64>> = sums
            .iter()
            .map(|sum| {
                let mut row = vec![0.0; self.basis.len()];
                for (at, w) in sum {
                    row[*at] += w;
                }
                row
            })
            .collect();
        self.family.combined(&rows)
    }
}

/// The mean of lots that stand for such lots, by Student's t: the lots are the unit.
pub fn over_lots(values: &[f64], level: f64) -> Answer<Change> {
    /// Fewer say nothing about how lots differ.
    const FEWEST: usize = 3;
    if values.len() < FEWEST {
        return Answer::unknown(format!(
            "what holds for such lots needs {FEWEST} of them, and there {}",
            if values.len() == 1 { "is 1".to_owned() } else { format!("are {}", values.len()) }
        ));
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let df = n - 1.0;
    let se = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / df / n).sqrt();
    told(mean, se, df, level)
}

/// The slope a year of the line of least squares through points (months, value), with the error that
/// they show about it.
pub fn a_year(points: &[(f64, f64)]) -> Result<Slope, PartialError> {
    let x: Vec<f64> = points.iter().map(|p| p.0 / YEAR).collect();
    let y: Vec<f64> = points.iter().map(|p| p.1).collect();
    partial::slope(&y, &x, &[&vec![1.0; points.len()]])
}

/// An estimate with its standard error and degrees of freedom as a change.
pub fn told(value: f64, se: f64, df: f64, level: f64) -> Answer<Change> {
    let half = se * t_quantile_upper((1.0 - level) / 2.0, df);
    if !finite(&[value, se, df, half]) || se <= 0.0 {
        return Answer::unknown("too little is left to measure chance by");
    }
    Answer::Known(Change {
        value,
        se,
        df,
        lower: value - half,
        upper: value + half,
        p_value: t_two_sided(value / se, df),
        q_value: None,
    })
}

/// A sum of cell means as a change.
pub fn asked(model: &Answer<CellModel>, sum: &Weights, level: f64) -> Answer<Change> {
    model.as_ref().and_then(|m| {
        let family = m.family(std::slice::from_ref(sum));
        change(&family.contrast(&[1.0], level))
    })
}
