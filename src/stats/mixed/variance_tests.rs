//! Is a variance needed? Likelihood-ratio tests against the model without it.

use super::cells;
use super::matrices::Model;
use super::objective::Objective;
use super::optimise::{Search, minimise};
use super::report::Fit;
use super::{MixedError, RandomTerm};
use crate::dist::chi2_sf;
use serde::Serialize;

/// The test of one variance, with its covariances if there are any.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VarianceTest {
    /// The component that is left out.
    pub name: String,
    /// By how much the deviance is higher without it; zero or more.
    pub statistic: f64,
    /// How many parameters it has: one, and one for each covariance with others.
    pub df: f64,
    /// The p-value by the chi-square distribution on `df`: too large, since a variance cannot be
    /// negative.
    pub p_chi2: f64,
    /// The p-value by the mixture in equal shares of chi-square on `df - 1` and on `df`: half of the
    /// other for a single variance.
    pub p_mixture: f64,
}

impl Model {
    /// Tests each component of a fit by the model without it, fitted anew by the same method to the
    /// same scores: of a term with correlated effects each further effect, of others the term.
    ///
    /// The statistic is the difference of the deviances. A variance of zero lies at the edge of
    /// what is possible, so that the statistic of a variance that is truly zero is nearly zero half
    /// of the time: hence the mixture. With few levels, or other variances at zero, both p-values
    /// are approximate; the mixture tends to be still a little large.
    ///
    /// # Errors
    /// [`MixedError::Rows`] for a fit of another layout; what makes the model without a component
    /// impossible to fit.
    ///
    /// # Source
    /// Self SG, Liang KY (1987), Journal of the American Statistical Association 82:605-610; Stram
    /// DO, Lee JW (1994), Biometrics 50:1171-1177.
    pub fn variance_tests(&self, y: &[f64], fit: &Fit) -> Result<Vec<VarianceTest>, MixedError> {
        let n: usize = self.terms.iter().map(|t| 1 + t.correlated.len()).sum();
        if fit.components.len() != n {
            return Err(MixedError::Rows {
                what: "the list of variances".into(),
                found: fit.components.len(),
                expected: n,
            });
        }
        let mut tests = Vec::with_capacity(n);
        for (i, term) in self.terms.iter().enumerate() {
            if term.correlated.is_empty() {
                let own = fit.components.iter().find(|c| c.name == term.name);
                if own.is_some_and(|c| c.at_boundary) {
                    tests.push(test(&term.name, 0.0, 1.0));
                    continue;
                }
                let without = self.deviance_without(y, i, fit)?;
                tests.push(test(&term.name, without - fit.minus2_log_likelihood, 1.0));
                continue;
            }
            for (c, (covariate, _)) in term.correlated.iter().enumerate() {
                let mut random: Vec<RandomTerm> = self.random_terms();
                random[i].correlated.remove(c);
                let simpler = Model::new(&self.fixed, &random)?.fit(y, fit.method)?;
                let name = format!("{} × {covariate}", term.name);
                let change = simpler.minus2_log_likelihood - fit.minus2_log_likelihood;
                tests.push(test(&name, change, 1.0 + term.correlated.len() as f64));
            }
        }
        Ok(tests)
    }

    /// The least deviance with the variance of one term held at zero.
    fn deviance_without(&self, y: &[f64], i: usize, fit: &Fit) -> Result<f64, MixedError> {
        let mut out = vec![false; self.terms.len()];
        out[i] = true;
        if let Some(layout) = &self.cells {
            self.checked(y)?;
            return cells::deviance_without(layout, y, &out, fit.method);
        }
        if let Some(general) = &self.general {
            return general.deviance_without(self, y, &out, fit.method);
        }
        let scores = self.scores(y)?;
        let objective = Objective { model: self, scores: &scores, method: fit.method };
        Ok(minimise(&objective, Search::Newton, &out)?.at.value.deviance)
    }
}

fn test(name: &str, change: f64, df: f64) -> VarianceTest {
    let statistic = change.max(0.0);
    // A point mass at zero stands for chi-square on no degrees of freedom.
    let below = if df > 1.0 {
        chi2_sf(statistic, df - 1.0)
    } else if statistic > 1e-9 {
        0.0
    } else {
        1.0
    };
    let p_chi2 = chi2_sf(statistic, df);
    VarianceTest { name: name.into(), statistic, df, p_chi2, p_mixture: 0.5 * below + 0.5 * p_chi2 }
}
