//! Rankings in the terminal: the answer in sentences, then one table a term.

use super::agree::{cautions, left_out};
use super::text::{Side, Table, heading, number, or_dash, p_value, paragraph};
use crate::findings::ranking::{RankedTerm, Ranking};
use crate::findings::{Answer, count};

/// The whole text.
#[must_use]
pub fn text(f: &Ranking) -> String {
    let mut out = String::from("Which sample has more?\n");
    let n: usize = f.terms.iter().map(|t| t.n_rankings).sum();
    let basis = format!(
        "{}: {}, {}",
        f.source.names.join(", "),
        count(f.tasters.len(), "taster", "tasters"),
        count(n, "ranking", "rankings")
    );
    out.push_str(&paragraph(&basis, "", "  "));
    out.push('\n');
    for s in &f.sentences {
        out.push_str(&paragraph(s, "", "  "));
    }
    out.push_str(&cautions(&f.cautions, &f.source));
    out.push_str(&left_out(&f.exclusions, ("ranking", "rankings")));
    for t in &f.terms {
        out.push_str(&term(t));
    }
    out.push_str(&heading("How it was computed"));
    out.push_str(&paragraph(
        "Friedman's test where every taster ranked all samples, Durbin's in balanced incomplete blocks, \
         Skillings and Mack's elsewhere; p by dealing every taster's ranks anew. Every pair, and the reason \
         for every dash: --json.",
        "  ",
        "  ",
    ));
    out
}

fn term(t: &RankedTerm) -> String {
    let mut table = Table::new(&[
        ("sample", Side::Left),
        ("rankings", Side::Right),
        ("rank sum", Side::Right),
        ("mean rank", Side::Right),
        ("adjusted", Side::Right),
        ("letters", Side::Left),
    ]);
    for s in &t.samples {
        table.row(vec![
            s.sample.clone(),
            s.n_rankings.to_string(),
            number(s.rank_sum, 1),
            or_dash(&s.mean_rank, |r| number(*r, 2)),
            or_dash(&s.adjusted_mean_rank, |r| number(*r, 2)),
            or_dash(&s.letters, String::clone),
        ]);
    }
    let mut out = heading(&format!("{}, {}: most of it first (rank 1)", t.session, t.term));
    out.push_str(&table.show());
    let mut say = |text: String| out.push_str(&paragraph(&text, "  ", "  "));
    if t.samples.iter().any(|s| s.n_rankings < t.n_rankings) {
        say("adjusted: as if every ranking had held every sample; it may lie beyond the ranks that were \
             given."
            .to_owned());
    }
    match &t.least_differences {
        Answer::Known(d) => say(format!(
            "Rank sums differ from {} on for two samples chosen beforehand, from {} on among all pairs (p \
             {}).",
            number(d.of_a_pair, 1),
            number(d.of_all_pairs, 1),
            number(d.level, 2)
        )),
        Answer::Unknown(u) => say(format!("– least difference: {}.", u.reason)),
    }
    if let Some(why) = t.samples.iter().find_map(|s| s.letters.reason()) {
        say(format!("– letters: {why}."));
    }
    if let Some(p) = t.p_with_excluded.known() {
        say(format!("With excluded rankings left in: p {}.", p_value(*p)));
    }
    out
}
