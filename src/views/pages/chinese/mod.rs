//! Sentences of findings in simplified Chinese: what a finding says in words, and not in fields of
//! its own, line by line. A hole `{}` keeps what stands there; `{l}` is a list, `{r}` a range with
//! what stands beside it, `{t}` a list of terms, `{p}` a parameter, `{o}` what follows from what, `{v}`
//! names of variances; the Chinese names the holes by their number.

mod lines;

use std::sync::LazyLock;

use self::lines::LINES;
use crate::views::charts::Words;
use crate::views::holes::{Pattern, filled};

/// What a hole holds.
fn in_hole(sign: &str, found: &str, words: &Words) -> String {
    let each = |name: &dyn Fn(&str) -> String| -> String {
        let all: Vec<String> =
            found.split(", ").flat_map(|part| part.split(" and ")).map(name).collect();
        all.join("、")
    };
    match sign {
        "l" => each(&str::to_owned),
        // A count of gaps may stand behind a term's name.
        "t" => each(&|part| match part.rsplit_once(' ') {
            Some((term, n)) if n.parse::<u32>().is_ok() => format!("{} {n}", words.name(term)),
            _ => words.name(part),
        }),
        "v" => each(&|part| variance(part).to_owned()),
        "o" => {
            let all: Vec<String> = found
                .split("), ")
                .flat_map(|part| part.split(") and "))
                .map(|part| followed(part.trim_end_matches(')'), words))
                .collect();
            all.join("、")
        }
        "p" => words.parameter(found),
        "r" => found.replace(" to ", " 至 ").replace("; ", "；"),
        _ => found.to_owned(),
    }
}

/// `dry.moisture (with lot.season=spring, r 0.88`: what follows from what.
fn followed(text: &str, words: &Words) -> String {
    let known =
        text.split_once(" (with ").and_then(|(name, with)| Some((name, with.rsplit_once(", r ")?)));
    known.map_or_else(
        || text.to_owned(),
        |(name, (with, r))| {
            format!("{}（随{}，r {r}）", words.parameter(name), words.parameter(with))
        },
    )
}

/// What a panel varies by.
pub(super) fn variance(name: &str) -> &str {
    match name {
        "lot" => "批次",
        "taster" => "评茶员",
        "lot × taster" => "批次×评茶员",
        "session" => "场次",
        "session × taster" => "场次×评茶员",
        "session × lot" => "场次×批次",
        "flight" => "轮次",
        "brew" => "壶",
        "residual" => "残差",
        other => other,
    }
}

/// The lines, parted at their holes.
static KNOWN: LazyLock<Vec<(Pattern<'static>, &str)>> =
    LazyLock::new(|| LINES.iter().map(|(en, zh)| (Pattern::of(en), *zh)).collect());

/// What stands in the holes of a line, if the text is one of it.
fn matched<'t>(pattern: &Pattern<'_>, text: &'t str) -> Option<Vec<&'t str>> {
    pattern.found(text, |i, sign, held| {
        // Only what stands beside a range goes on behind a semicolon; what begins a line begins behind the
        // colon of the sessions or terms that it is about.
        let on = sign != "r" && held.contains("; ");
        let before = i == 0 && pattern.begins_with_a_hole() && held.contains(": ");
        !held.is_empty() && !on && !before
    })
}

/// A line in Chinese, if it is known.
fn line(text: &str, words: &Words) -> Option<String> {
    KNOWN.iter().find_map(|(pattern, zh)| {
        let found = matched(pattern, text)?;
        let holes = pattern.signs.iter().zip(found);
        Some(filled(zh, &holes.map(|(sign, held)| in_hole(sign, held, words)).collect::<Vec<_>>()))
    })
}

/// A sentence of a finding in Chinese, where it is known; the terms or sessions before its colon
/// stay before it.
pub(super) fn said(text: &str, words: &Words) -> Option<String> {
    line(text, words).or_else(|| {
        let (about, rest) = text.split_once(": ")?;
        let about: Vec<String> = about.split(", ").map(|a| words.name(a)).collect();
        Some(format!("{}：{}", about.join("、"), line(rest, words)?))
    })
}

/// The same, or the sentence as it stands.
pub(super) fn or_as_it_is(text: &str, words: &Words) -> String {
    said(text, words).unwrap_or_else(|| text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::{KNOWN, LINES, matched, said};
    use crate::plots::Lang;
    use crate::views::charts::Words;

    fn words() -> Words {
        let mut words = Words { lang: Lang::Zh, ..Words::default() };
        words.terms.insert("floral".to_owned(), ("花香".to_owned(), None));
        words
    }

    #[test]
    fn holes_keep_what_stands_in_them_and_names_stay_before_the_colon() {
        for (en, zh) in [
            (
                "a, b: 1 of 6 planned tasters left no answer.",
                "a、b：计划的 6 位评茶员中有 1 位未作答。",
            ),
            ("a: REF is the reference.", "a：参照样为 REF。"),
            (
                "2 of 40 scores that were due are missing (floral 1 and hue 1); they are left out, not taken as 0.",
                "应有的 40 个评分中缺 2 个（花香 1、hue 1）；缺者不计，不当作 0。",
            ),
            (
                "scores 1.27 above the others (0.98 to 1.56; p = 0.001)",
                "打分比其余人高 1.27 分（0.98 至 1.56；p = 0.001）",
            ),
            (
                "floral: Levels are taken as equally far apart in the mixed model; W, alpha and the model of ordered levels use their order only.",
                "花香：混合模型把各级之间视为等距；W、alpha 与有序模型只用其次序。",
            ),
        ] {
            assert_eq!(said(en, &words()).as_deref(), Some(zh));
        }
        assert_eq!(said("something new was found.", &words()), None);
    }

    #[test]
    fn each_line_uses_holes_that_it_has_and_is_the_first_that_fits_itself() {
        for (own, (en, zh)) in LINES.iter().enumerate() {
            let n = KNOWN[own].0.signs.len();
            for hole in zh.split('{').skip(1) {
                let at: usize = hole.split('}').next().unwrap().parse().unwrap();
                assert!((1..=n).contains(&at), "{zh}");
            }
            // A line that stands behind a wider one would never be said.
            let text = en.replace("{}", "7").replace("{l}", "x").replace("{t}", "x");
            let text = text.replace("{r}", "x").replace("{v}", "x").replace("{p}", "x");
            let text = text.replace("{o}", "x");
            assert!(!en.contains("{}") || text != *en);
            let first = KNOWN.iter().position(|(pattern, _)| matched(pattern, &text).is_some());
            assert_eq!(first, Some(own), "{en}");
        }
    }
}
