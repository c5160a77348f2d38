//! Which sample has more? Rankings of revealed sessions.

use std::collections::{BTreeMap, BTreeSet};

use blindsteep_stats::multiple::compact_letters;
use blindsteep_stats::ranking::{self as stats, Layout, rank_blocks};
use schemars::JsonSchema;
use serde::Serialize;

use super::{ALPHA, Answer, Exclusion, FEW_TASTERS, Settings, Source, agree, count, say, say_p};
use crate::scores::{RankedSet, Trials, by_nature};

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Ranking {
    /// "ranking/1".
    pub schema: String,
    /// Where the rankings come from.
    pub source: Source,
    /// How the analysis was made.
    pub settings: Settings,
    /// All tasters.
    pub tasters: Vec<String>,
    /// Whether there are so few tasters that these are individual opinions.
    pub individual_opinions: bool,
    /// The answer in sentences.
    pub sentences: Vec<String>,
    /// What to keep in mind, in sentences.
    pub cautions: Vec<String>,
    /// Term by term.
    pub terms: Vec<RankedTerm>,
    /// What was left out and why; `n_scores` counts rankings.
    pub exclusions: Vec<Exclusion>,
}

/// One term of one session.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RankedTerm {
    /// The session.
    pub session: String,
    /// The term.
    pub term: String,
    /// Rankings that count: one taster's order of one set of cups.
    pub n_rankings: usize,
    /// Tasters who ranked.
    pub n_tasters: usize,
    /// Each sample, the one with most of the term first.
    pub samples: Vec<RankedSample>,
    /// Whether the samples differ at all.
    pub test: Answer<RankTest>,
    /// The same with excluded rankings left in: the chance by dealing ranks anew.
    pub p_with_excluded: Answer<f64>,
    /// Rank sums further apart than this differ.
    pub least_differences: Answer<LeastDifferences>,
    /// Every two samples.
    pub pairs: Vec<RankPair>,
}

/// A sample.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RankedSample {
    /// Which.
    pub sample: String,
    /// Rankings in which it stands.
    pub n_rankings: usize,
    /// Sum of its ranks; 1 is the most of the term.
    pub rank_sum: f64,
    /// Mean of the ranks it was given.
    pub mean_rank: Answer<f64>,
    /// The mean rank to be expected had every ranking held every sample: what it stood beside is
    /// taken into account, so that it may lie beyond the ranks that were given.
    pub adjusted_mean_rank: Answer<f64>,
    /// Samples that share a letter could not be told apart (all pairs at once, p .05); none where
    /// the samples as a whole do not differ.
    pub letters: Answer<String>,
}

/// The test of all samples.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RankTest {
    /// "Friedman" (every taster ranked all), "Durbin" (balanced incomplete blocks) or
    /// "Skillings-Mack" (unbalanced).
    pub name: String,
    /// The statistic.
    pub statistic: f64,
    /// Its degrees of freedom.
    pub df: f64,
    /// Its tail by chi-square, rough for few rankings.
    pub p_chi2: f64,
    /// Chance of a statistic as large when every taster's ranks are dealt anew; what is judged by.
    pub p_value: f64,
    /// Deals drawn.
    pub n_permutations: usize,
    /// Whether the samples differ.
    pub differs: bool,
}

/// Least significant differences of rank sums.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct LeastDifferences {
    /// The level.
    pub level: f64,
    /// For a pair chosen beforehand.
    pub of_a_pair: f64,
    /// Among all pairs at once.
    pub of_all_pairs: f64,
}

/// Two samples.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RankPair {
    /// The one with more of the term.
    pub more: String,
    /// The other.
    pub less: String,
    /// Difference over its standard deviation where nobody tells them apart.
    pub z: f64,
    /// This pair alone.
    pub p_value: f64,
    /// Adjusted over all pairs (Holm).
    pub p_holm: f64,
    /// All pairs at once, by the range of as many samples.
    pub p_all_pairs: f64,
    /// Whether they differ among all pairs at once.
    pub differs: bool,
}

/// Answers the question.
#[must_use]
pub fn ranking(trials: &Trials, settings: &Settings) -> Ranking {
    let mut groups: Vec<((&str, &str), Vec<&RankedSet>)> = Vec::new();
    for set in &trials.rankings {
        let key = (set.session.as_str(), set.term.as_str());
        match groups.iter_mut().find(|g| g.0 == key) {
            Some(known) => known.1.push(set),
            None => groups.push((key, vec![set])),
        }
    }
    let mut notes = BTreeSet::new();
    let terms: Vec<RankedTerm> =
        groups.iter().map(|(key, own)| of_term(*key, own, settings, &mut notes)).collect();
    let tasters: BTreeSet<String> = trials.rankings.iter().map(|r| r.taster.clone()).collect();
    let tasters: Vec<String> = tasters.into_iter().collect();
    let mut cautions: Vec<String> = agree::opinions(tasters.len()).into_iter().collect();
    cautions.extend(notes);
    let mut sentences: Vec<String> = terms.iter().map(sentence).collect();
    let n_tested = terms.iter().filter(|t| t.test.known().is_some()).count();
    if n_tested > 1 {
        sentences.push(format!(
            "Of {n_tested} rankings luck alone would show differences in {}.",
            say(ALPHA * n_tested as f64)
        ));
    }
    let mut left_out: BTreeMap<&str, usize> = BTreeMap::new();
    for why in trials.rankings.iter().filter_map(|r| r.excluded.as_deref()) {
        *left_out.entry(why).or_default() += 1;
    }
    Ranking {
        schema: "ranking/1".to_owned(),
        source: trials.source.clone(),
        settings: *settings,
        individual_opinions: (1..=FEW_TASTERS).contains(&tasters.len()),
        tasters,
        sentences,
        cautions,
        terms,
        exclusions: left_out
            .into_iter()
            .map(|(reason, n_scores)| Exclusion { reason: reason.to_owned(), n_scores })
            .collect(),
    }
}

/// The blocks of rankings; a sample with two codes has the mean of its two ranks.
fn blocks(sets: &[&RankedSet], samples: &[String], twice: &mut bool) -> Vec<Vec<(usize, f64)>> {
    sets.iter()
        .map(|set| {
            let mut ranks: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
            for (sample, rank) in &set.ranks {
                let at = samples.iter().position(|s| s == sample);
                if let (Some(at), Some(rank)) = (at, rank) {
                    let own = ranks.entry(at).or_default();
                    *own = (own.0 + rank, own.1 + 1.0);
                    *twice |= own.1 > 1.0;
                }
            }
            ranks.into_iter().map(|(at, (sum, n))| (at, sum / n)).collect()
        })
        .collect()
}

fn of_term(
    (session, term): (&str, &str),
    own: &[&RankedSet],
    settings: &Settings,
    notes: &mut BTreeSet<String>,
) -> RankedTerm {
    let kept: Vec<&RankedSet> = own.iter().copied().filter(|r| r.excluded.is_none()).collect();
    let mut samples: Vec<String> =
        own.iter().flat_map(|r| r.ranks.iter().map(|x| x.0.clone())).collect();
    samples.sort_by(|a, b| by_nature(a, b));
    samples.dedup();
    let mut twice = false;
    let level = 1.0 - settings.level;
    let rank = |sets: &[&RankedSet], twice: &mut bool| {
        let blocks = blocks(sets, &samples, twice);
        rank_blocks(samples.len(), &blocks, level, settings.n_permutations, settings.seed)
    };
    let found = Answer::of(rank(&kept, &mut twice));
    let p_with_excluded = if kept.len() == own.len() {
        Answer::unknown("no ranking is excluded")
    } else {
        Answer::of(rank(own, &mut twice)).map(|r| r.p_permutation)
    };
    notes.insert(
        "What is put in order are the pots of each flight: where each sample was brewed once, pots differ, \
         not yet samples."
            .to_owned(),
    );
    if twice {
        notes.insert(
            "A sample that had two codes in a flight counts once, with the mean of its ranks."
                .to_owned(),
        );
    }
    let mut by_taster: BTreeMap<&str, usize> = BTreeMap::new();
    for r in &kept {
        *by_taster.entry(&r.taster).or_default() += 1;
    }
    if by_taster.values().any(|n| *n > 1) {
        notes.insert(
            "Who ranked several sets counts as often: p holds where nobody can tell the samples apart; one \
             taster's own steady order, repeated, can pass for the panel's."
                .to_owned(),
        );
    }
    let missing = kept.iter().flat_map(|r| &r.ranks).filter(|x| x.1.is_none()).count();
    if missing > 0 {
        notes.insert(format!(
            "{session}, {term}: {} not ranked; they are left out, not put last.",
            count(missing, "cup was", "cups were")
        ));
    }
    let test = found.as_ref().map(test_of);
    let sums = sums(&kept, &samples);
    let mut listed: Vec<RankedSample> = samples
        .iter()
        .enumerate()
        .map(|(at, sample)| RankedSample {
            sample: sample.clone(),
            n_rankings: found.known().map_or(sums[at].1, |f| f.n_ranked[at]),
            rank_sum: found.known().map_or(sums[at].0, |f| f.rank_sums[at]),
            mean_rank: mean_rank(
                found.known().map_or(sums[at], |f| (f.rank_sums[at], f.n_ranked[at])),
            ),
            adjusted_mean_rank: found.as_ref().map(|f| f.adjusted_mean_ranks[at]),
            letters: letters(&found, &test, at),
        })
        .collect();
    listed.sort_by(|a, b| {
        let rank = |s: &RankedSample| s.adjusted_mean_rank.known().copied().unwrap_or(s.rank_sum);
        rank(a).total_cmp(&rank(b)).then_with(|| by_nature(&a.sample, &b.sample))
    });
    RankedTerm {
        session: session.to_owned(),
        term: term.to_owned(),
        n_rankings: kept.len(),
        n_tasters: by_taster.len(),
        samples: listed,
        test,
        p_with_excluded,
        least_differences: found.as_ref().and_then(|f| match f.least_differences {
            Some(d) => Answer::Known(LeastDifferences {
                level: d.level,
                of_a_pair: d.of_a_pair,
                of_all_pairs: d.of_all_pairs,
            }),
            None => Answer::unknown(
                "samples were not ranked equally often with each other, so that every pair has its own \
                 least difference",
            ),
        }),
        pairs: found.known().map_or_else(Vec::new, |f| {
            f.pairs
                .iter()
                .map(|p| {
                    // The lower rank is the one with more.
                    let (more, less) = if p.z <= 0.0 { (p.a, p.b) } else { (p.b, p.a) };
                    RankPair {
                        more: samples[more].clone(),
                        less: samples[less].clone(),
                        z: p.z.abs(),
                        p_value: p.p_value,
                        p_holm: p.p_holm,
                        p_all_pairs: p.p_range,
                        differs: p.p_range < ALPHA,
                    }
                })
                .collect()
        }),
    }
}

fn sums(kept: &[&RankedSet], samples: &[String]) -> Vec<(f64, usize)> {
    let blocks = blocks(kept, samples, &mut false);
    let mut sums = vec![(0.0, 0); samples.len()];
    for (at, rank) in blocks.into_iter().flatten() {
        sums[at].0 += rank;
        sums[at].1 += 1;
    }
    sums
}

fn test_of(f: &stats::Ranking) -> RankTest {
    RankTest {
        name: match f.layout {
            Layout::Complete => "Friedman",
            Layout::Balanced => "Durbin",
            Layout::Unbalanced => "Skillings-Mack",
        }
        .to_owned(),
        statistic: f.statistic,
        df: f.df,
        p_chi2: f.p_chi2,
        p_value: f.p_permutation,
        n_permutations: f.n_permutations,
        differs: f.p_permutation < ALPHA,
    }
}

fn mean_rank((sum, n): (f64, usize)) -> Answer<f64> {
    if n == 0 {
        return Answer::unknown("nobody ranked it");
    }
    Answer::Known(sum / n as f64)
}

fn letters(found: &Answer<stats::Ranking>, test: &Answer<RankTest>, at: usize) -> Answer<String> {
    let f = match found {
        Answer::Known(f) => f,
        Answer::Unknown(u) => return Answer::Unknown(u.clone()),
    };
    if test.known().is_some_and(|t| !t.differs) {
        return Answer::unknown("the samples as a whole do not differ");
    }
    let mut p = vec![vec![f64::NAN; f.n_samples]; f.n_samples];
    for pair in &f.pairs {
        p[pair.a][pair.b] = pair.p_range;
    }
    Answer::of(compact_letters(&f.adjusted_mean_ranks, &p, ALPHA))
        .and_then(|all| Answer::Known(all[at].join(" ")))
}

fn sentence(t: &RankedTerm) -> String {
    let about = format!("{}, {}", t.session, t.term);
    let test = match &t.test {
        Answer::Known(test) => test,
        Answer::Unknown(u) => return format!("{about}: not tested, {}.", u.reason),
    };
    let words = format!(
        "{} {}, luck on average {}; {}; {}",
        test.name,
        say(test.statistic),
        say(test.df),
        say_p(test.p_value),
        count(t.n_rankings, "ranking", "rankings")
    );
    if !test.differs {
        return format!("{about}: no order of the samples is shown ({words}).");
    }
    let differing = t.pairs.iter().filter(|p| p.differs).count();
    let surest = t.pairs.iter().max_by(|a, b| a.z.total_cmp(&b.z));
    match surest.filter(|p| p.differs) {
        Some(p) => format!(
            "{about}: {differing} of {} {} ({words}); the surest is that {} has more than {} (all pairs at \
             once, {}).",
            count(t.pairs.len(), "pair", "pairs"),
            if differing == 1 { "differs" } else { "differ" },
            p.more,
            p.less,
            say_p(p.p_all_pairs)
        ),
        None => format!(
            "{about}: the samples differ ({words}), but no pair of them surely among {}.",
            count(t.pairs.len(), "pair", "pairs")
        ),
    }
}
