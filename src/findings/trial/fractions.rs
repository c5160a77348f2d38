//! The classical fraction of a trial that starts from nothing, and what it cannot tell apart.

use blindsteep_stats::factorial::Fraction;
use schemars::JsonSchema;
use serde::Serialize;

use super::Wish;
use super::factors::Asked;
use crate::book::trials::Level;
use crate::findings::Answer;

/// A two-level fraction with its aliases among main effects and pairs.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FractionTold {
    /// `2^(5-1)`.
    pub name: String,
    /// How the further factors are set, as products of others.
    pub generators: Vec<String>,
    /// The defining relation: products that are the same in every batch.
    pub defining: Vec<String>,
    /// The resolution; a whole factorial has none.
    pub resolution: Answer<u32>,
    /// For each factor what else its effect may be.
    pub aliases: Vec<AliasLine>,
    /// Groups of pairs whose joint work cannot be told apart from one another.
    pub pairs: Vec<Vec<String>>,
}

/// What an effect cannot be told from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct AliasLine {
    /// The factor.
    pub factor: String,
    /// Pairs of factors whose joint work shows as this factor's effect.
    pub pairs: Vec<String>,
}

/// The fraction that fits what is asked, with its levels batch by batch; none where there is none.
pub fn fraction(asked: &Asked, wish: &Wish) -> Option<(Vec<Vec<Level>>, FractionTold)> {
    let k = asked.factors.len();
    let two = asked.factors.iter().all(|f| f.levels.len() == 2);
    if !asked.lots.is_empty() || !two || !asked.never.is_empty() {
        return None;
    }
    let found = Fraction::of(k, wish.batches).ok()?;
    let level = |run: &[f64]| -> Vec<Level> {
        run.iter()
            .zip(&asked.factors)
            .map(|(x, f)| f.levels[usize::from(*x > 0.0)].clone())
            .collect()
    };
    let levels = found.runs().iter().map(|run| level(run)).collect();
    let words = |word: u32| -> String {
        let names: Vec<&str> = asked
            .factors
            .iter()
            .enumerate()
            .filter(|(i, _)| word >> i & 1 == 1)
            .map(|(_, f)| f.parameter.as_str())
            .collect();
        names.join(" × ")
    };
    let aliases = (0..k)
        .map(|i| AliasLine {
            factor: words(1 << i),
            pairs: found.aliases(1 << i, 2).into_iter().map(words).collect(),
        })
        .collect();
    let mut pairs: Vec<Vec<String>> = Vec::new();
    for i in 0..k {
        for j in i + 1..k {
            let own = 1_u32 << i | 1 << j;
            let with = found.aliases(own, 2);
            // Each group is told once, at its first pair.
            if with.iter().any(|w| w.count_ones() == 2 && before(*w, own)) {
                continue;
            }
            let all: Vec<u32> =
                std::iter::once(own).chain(with).filter(|w| w.count_ones() == 2).collect();
            if all.len() > 1 {
                pairs.push(all.into_iter().map(words).collect());
            }
        }
    }
    let p = k - found.basic;
    let told = FractionTold {
        name: if p == 0 { format!("2^{k}") } else { format!("2^({k}-{p})") },
        generators: found
            .generators
            .iter()
            .enumerate()
            .map(|(i, g)| format!("{} = {}", words(1 << (found.basic + i)), words(*g)))
            .collect(),
        defining: found.defining.iter().map(|w| words(*w)).collect(),
        resolution: Answer::of(
            found.resolution().ok_or("a whole factorial tells everything apart"),
        ),
        aliases,
        pairs,
    };
    Some((levels, told))
}

/// Whether a pair stands before another in the order of their factors.
fn before(a: u32, b: u32) -> bool {
    let key = |w: u32| (w.trailing_zeros(), 31 - w.leading_zeros());
    key(a) < key(b)
}
