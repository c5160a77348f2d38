//! Sentences of findings in simplified Chinese: what a finding says in words, and not in fields of
//! its own, line by line. A hole `{}` keeps what stands there; `{l}` is a list, `{r}` a range with
//! what stands beside it, `{t}` a list of terms, `{p}` a parameter, `{q}` a list of them, `{s}` and `{m}` one
//! with what stands in brackets behind each, `{o}` what follows from what, `{v}` names of variances; the Chinese names the holes by their number.

mod lines;
mod reasons;

use std::sync::LazyLock;

use self::lines::LINES;
use self::reasons::REASONS;
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
        "q" => all_parameters(found, words),
        "s" | "m" => counted(found, words),
        "r" => found.replace(" to ", " 至 ").replace("; ", "；"),
        _ => found.to_owned(),
    }
}

/// A list of parameters.
fn all_parameters(found: &str, words: &Words) -> String {
    let all: Vec<String> = found
        .split(", ")
        .flat_map(|part| part.split(" and "))
        .map(|part| words.parameter(part))
        .collect();
    all.join("、")
}

/// `dry.method=sun (53 %) and oxidise.hours (3 of 12)`: parameters, each with its share or its count.
fn counted(found: &str, words: &Words) -> String {
    let each = found.split("), ").flat_map(|part| part.split(") and ")).map(|part| {
        let part = part.trim_end_matches(')');
        let Some((name, behind)) = part.rsplit_once(" (") else { return words.parameter(part) };
        let behind = match behind.split_once(" of ") {
            Some((n, all)) => format!("{all} 批中 {n} 批"),
            None => behind.to_owned(),
        };
        format!("{}（{behind}）", words.parameter(name))
    });
    each.collect::<Vec<_>>().join("、")
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
    LazyLock::new(|| lines().map(|(en, zh)| (Pattern::of(en), *zh)).collect());

/// All lines, in the order in which they are looked at.
fn lines() -> impl Iterator<Item = &'static (&'static str, &'static str)> {
    LINES.iter().chain(REASONS)
}

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
    line(text, words).or_else(|| untested(text, words)).or_else(|| {
        let (about, rest) = text.split_once(": ")?;
        let name = |a: &str| match words.terms.contains_key(a) {
            true => words.name(a),
            false => words.parameter(a),
        };
        let about: Vec<String> = about.split(", ").map(name).collect();
        Some(format!("{}：{}", about.join("、"), line(rest, words)?))
    })
}

/// `a and b: not tested, why.`
fn untested(text: &str, words: &Words) -> Option<String> {
    let (terms, why) = text.split_once(": not tested, ")?;
    let terms: Vec<String> =
        terms.split(", ").flat_map(|t| t.split(" and ")).map(|t| words.name(t)).collect();
    Some(format!("{}：未检验，{}。", terms.join("、"), line(why.strip_suffix('.')?, words)?))
}

/// The same, or the sentence as it stands.
pub(super) fn or_as_it_is(text: &str, words: &Words) -> String {
    said(text, words).unwrap_or_else(|| text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::{KNOWN, lines, matched, said};
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
        for (own, (en, zh)) in lines().enumerate() {
            let n = KNOWN[own].0.signs.len();
            for hole in zh.split('{').skip(1) {
                let at: usize = hole.split('}').next().unwrap().parse().unwrap();
                assert!((1..=n).contains(&at), "{zh}");
            }
            // A line that stands behind a wider one would never be said.
            let signs = ["{l}", "{t}", "{r}", "{v}", "{p}", "{q}", "{s}", "{m}", "{o}"];
            let text =
                signs.iter().fold(en.replace("{}", "7"), |text, sign| text.replace(sign, "x"));
            assert!(!en.contains("{}") || text != *en);
            let first = KNOWN.iter().position(|(pattern, _)| matched(pattern, &text).is_some());
            assert_eq!(first, Some(own), "{en}");
        }
    }

    /// Files of which every reason why something is not known may stand on a page.
    const REACH_A_PAGE: [&str; 12] = [
        "findings/panel_model.rs",
        "findings/mod.rs",
        "findings/answer.rs",
        "findings/difference/circumstances.rs",
        "findings/difference/counted.rs",
        "findings/difference/mod.rs",
        "findings/difference/tasters.rs",
        "findings/ranking.rs",
        "findings/trial/panel.rs",
        "findings/trial/power.rs",
        "stats/ranking.rs",
        "stats/discrimination/mod.rs",
    ];
    /// Files of which some do, by how these begin.
    const SOME_REACH: [(&str, &[&str]); 7] = [
        ("findings/kappas.rs", &["Cochran's Q", "no taster ticked or left blank every"]),
        ("findings/habits.rs", &["there is no term on a line"]),
        ("findings/link/columns.rs", &["there is no parameter"]),
        ("findings/link/effects.rs", &["no line varies", "among the lots", "too little varies"]),
        ("findings/trial/told.rs", &["no lots were made", "infinite", "it does not vary"]),
        ("findings/term_comparison.rs", &["ticks and categories have no mean"]),
        (
            "stats/mixed/mod.rs",
            &["{n} rows", "{what}", "random term", "the variance", "the fixed", "the random"],
        ),
    ];
    /// What is said elsewhere than on a page, and where.
    const NOT_ON_A_PAGE: [(&str, &str); 6] = [
        ("no lots were made before", "a column of the command's table"),
        ("nothing is planned", "the command's list"),
        ("no variances of", "said of one term in JSON"),
        ("it is not scored on a line", "said of one term in JSON"),
        ("no terms are named", "has its line with the flag"),
        ("", "no reason"),
    ];

    /// The texts in quotes that stand behind an opening, with a 7 in each hole.
    fn quoted(source: &str, opening: &str) -> Vec<String> {
        let source = source.split("#[cfg(test)]").next().unwrap_or_default();
        let mut found = Vec::new();
        for part in source.split(opening).skip(1) {
            let part = part.trim_start();
            let part = part.strip_prefix("format!(").unwrap_or(part).trim_start();
            let Some(text) = part.strip_prefix('"') else { continue };
            let text = text.split('"').next().unwrap_or_default();
            let lines: Vec<&str> = text
                .split("\\\n")
                .enumerate()
                .map(|(i, l)| if i == 0 { l } else { l.trim_start() })
                .collect();
            let (mut filled, mut rest) = (String::new(), lines.concat());
            while let Some((before, after)) = rest.clone().split_once('{') {
                filled.push_str(before);
                filled.push('7');
                rest = after.split_once('}').map_or_else(String::new, |p| p.1.to_owned());
            }
            found.push(filled + &rest);
        }
        found
    }

    fn reasons_of(file: &str) -> Vec<String> {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(file);
        let source = std::fs::read_to_string(path).expect("a source file");
        let named = quoted(&source, ": &str =").into_iter();
        // Short ones are names of variances.
        let named = named.filter(|text| text.split(' ').count() > 4);
        let said = ["unknown(", "#[error("].iter().flat_map(|o| quoted(&source, o));
        said.chain(named).collect()
    }

    /// Whatever reason may stand on a page is said in Chinese there.
    #[test]
    fn every_reason_that_reaches_a_page_has_its_chinese() {
        let mut missing = Vec::new();
        let mut n = 0;
        let mut look = |file: &str, reason: &str| {
            n += 1;
            let elsewhere = NOT_ON_A_PAGE.iter().any(|(begins, _)| match *begins {
                "" => reason.is_empty(),
                begins => reason.starts_with(begins),
            });
            if !elsewhere && said(reason, &words()).is_none() {
                missing.push(format!("{file}: {reason}"));
            }
        };
        for file in REACH_A_PAGE {
            let all = reasons_of(file);
            assert!(!all.is_empty(), "{file} has no reasons any more");
            all.iter().for_each(|reason| look(file, reason));
        }
        for (file, some) in SOME_REACH {
            let all = reasons_of(file);
            for begins in some {
                let begins = quoted(&format!("unknown(\"{begins}\""), "unknown(").concat();
                let mut own = all.iter().filter(|r| r.starts_with(&begins)).peekable();
                assert!(own.peek().is_some(), "{file} says no “{begins}” any more");
                own.for_each(|reason| look(file, reason));
            }
        }
        assert!(n > 60, "{n} reasons were read");
        assert!(
            missing.is_empty(),
            "without a line in src/views/pages/chinese:\n{}",
            missing.join("\n")
        );
    }

    #[test]
    fn what_holds_terms_and_parameters_is_said_with_their_names() {
        for (en, zh) in [
            (
                "floral: not tested, all 30 scores of 5 lots are equal (0), so there is nothing to tell apart.",
                "花香：未检验，5 个批次的 30 个评分全部相同（0），无可区分。",
            ),
            (
                "floral and b: not tested, all 70 scores of 14 lots in 4 sessions are equal (0), so there is nothing to tell apart.",
                "花香、b：未检验，14 个批次在 4 场中的 70 个评分全部相同（0），无可区分。",
            ),
            (
                "Each lot counts at its first tasting, 1.0 to 1.1 months after it was made.",
                "每个批次按首次审评计，为制成后 1.0 至 1.1 个月。",
            ),
            (
                "Estimated, not measured, which mostly weakens their own effects and can shift those of others: a (3 of 12) and b (1 of 12).",
                "为估计值而非实测，多半会减弱其自身的效应，也可能使其他效应偏移：a（12 批中 3 批）、b（12 批中 1 批）。",
            ),
        ] {
            assert_eq!(said(en, &words()).as_deref(), Some(zh));
        }
    }
}
