//! The variances alone, for simulations that fit the same layout over and over.

use super::objective::Objective;
use super::optimise::{Ending, newton};
use super::{Method, MixedError, Model};

/// The variances of a fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Variances {
    /// One a random term, in the order given.
    pub terms: Vec<f64>,
    /// The residual variance.
    pub residual: f64,
}

impl Model {
    /// Returns the variances of scores on this layout and nothing else: the search of
    /// [`Model::fit`] from its first start only, without means, tests and predictions. Meant for
    /// simulated scores, where thousands of fits are wanted; a variance that comes out as zero is
    /// not searched for a second time from inside.
    ///
    /// # Errors
    /// As for [`Model::fit`].
    pub fn variances(&self, y: &[f64], method: Method) -> Result<Variances, MixedError> {
        let scores = self.scores(y)?;
        let objective = Objective { model: self, scores: &scores, method };
        let found = newton(&objective, &vec![0.5; self.terms.len()])?;
        if found.ending != Ending::Settled {
            return Err(MixedError::NotSettled { evaluations: found.evaluations });
        }
        let residual = found.at.value.sigma2;
        Ok(Variances { terms: found.ratios.iter().map(|r| r * residual).collect(), residual })
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Factor, FixedPart, RandomTerm};
    use super::*;

    #[test]
    fn variances_are_those_of_the_whole_fit() {
        // Invented scores: four lots, three tasters, two scores each.
        let lot: Vec<u32> = (0..24).map(|i| i / 6).collect();
        let who: Vec<u32> = (0..24).map(|i| i % 3).collect();
        let y: Vec<f64> = (0..24).map(|i| f64::from((i * 7) % 11) + f64::from(i / 6)).collect();
        let random =
            [RandomTerm::new("lot", Factor::new(lot)), RandomTerm::new("taster", Factor::new(who))];
        let model = Model::new(&FixedPart::intercept(24), &random).expect("a plain layout");
        for method in [Method::Reml, Method::Ml] {
            let quick = model.variances(&y, method).expect("it varies");
            let whole = model.fit(&y, method).expect("it varies");
            assert!((quick.residual - whole.sigma2).abs() < 1e-6 * whole.sigma2);
            for (a, b) in quick.terms.iter().zip(&whole.components) {
                assert!((a - b.variance).abs() < 1e-5 * whole.sigma2, "{a} {}", b.variance);
            }
        }
    }
}
