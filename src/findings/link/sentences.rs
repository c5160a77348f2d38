//! The answer in words.

use super::columns::{Line, Member, others};
use super::effects::Effect;
use super::lot_level::PARTLY;
use super::parameters::ParameterMade;
use super::sensitivity::Verdict;
use super::shape::Form;
use super::{Adjusted, Link, PlannedTrial};
use crate::book::making::OXIDATION_DOSE;
use crate::book::parameters::Role;
use crate::findings::{ALPHA, Answer, Estimate, count, listed, say, say_p};
use crate::scores::Makings;

/// What goes with what: a sentence a line, the surest first; what a trial was planned for before.
pub fn of(f: &Link) -> Vec<String> {
    let mut all = planned(f);
    if let Some(why) = f.adjusted.reason() {
        all.push(format!("Nothing can be linked: {why}."));
        return all;
    }
    let n_shown = f
        .terms
        .iter()
        .flat_map(|t| &t.effects)
        .filter(|e| e.mark.is_shown() && e.q_value.known().is_some())
        .count();
    let asked = count(f.n_asked, "effect", "effects");
    let besides = if f.planned.known().is_some() { " besides" } else { "" };
    if f.n_asked == 0 {
        if all.is_empty() {
            all.push("No effect can be worked out with these lots.".to_owned());
        }
    } else if n_shown == 0 {
        all.push(format!(
            "Not shown: none of {asked} asked{besides} stands out by more than luck among so many."
        ));
    } else {
        let alone = if f.adjusted.known() == Some(&Adjusted::OneAtATime) {
            " Each is looked at alone, not adjusted for the others."
        } else {
            ""
        };
        all.push(format!(
            "{n_shown} of {asked} asked{besides} {} out by more than luck among so many (q < {ALPHA}), \
             in points of the scale over the range made, with {:.0}% limits.{alone}",
            if n_shown == 1 { "stands" } else { "stand" },
            100.0 * f.settings.level
        ));
    }
    all.extend(by_line(f));
    all.extend(curves(f));
    let rest = f.n_asked - n_shown;
    if n_shown > 0 && rest > 0 {
        all.push(format!(
            "The other {rest} are not shown: that does not say that nothing is there, see their \
             limits."
        ));
    }
    all
}

/// The shown effects of each line.
fn by_line(f: &Link) -> Vec<String> {
    let mut found: Vec<(f64, String)> = Vec::new();
    for (i, line) in f.lines.iter().enumerate() {
        let mut own: Vec<(f64, String)> = f
            .terms
            .iter()
            .map(|t| (t, &t.effects[i]))
            .filter(|(_, e)| e.mark.is_shown() && e.q_value.known().is_some())
            .filter_map(|(t, e)| {
                let over = e.over_range.known()?;
                let points = signed(over);
                Some((e.test.known()?.p_value, format!("{} {points}{}", t.term, but(f, e))))
            })
            .collect();
        own.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((p, _)) = own.first() {
            let words: Vec<String> = own.iter().map(|o| o.1.clone()).collect();
            found.push((*p, format!("{}, {}: {}.", line.words(), range(line), words.join("; "))));
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.into_iter().map(|x| x.1).collect()
}

fn signed(e: &Estimate) -> String {
    let plus = if e.value > 0.0 { "+" } else { "" };
    format!("{plus}{} ({} to {})", say(e.value), say(e.lower), say(e.upper))
}

/// What weakens an effect that is shown.
fn but(f: &Link, e: &Effect) -> String {
    let mut all = Vec::new();
    if let Some(x) = e.permutation.known().filter(|x| x.p_value >= ALPHA) {
        all.push(format!("by exchange {} only", say_p(x.p_value)));
    }
    if let Some(s) = e.sensitivity.known().filter(|s| s.verdict == Verdict::HangsOn) {
        let names: Vec<String> = s.hangs_on.iter().map(|h| full_name(f, h)).collect();
        all.push(if names.len() > 3 {
            format!("weak: it hangs on any of {}", names.len())
        } else {
            format!("hangs on {}", listed(&names))
        });
    }
    if let Some(w) = e.within_sessions.known().filter(|w| !w.excludes(0.0)) {
        all.push(format!("within sessions alone {}", signed(w)));
    }
    if all.is_empty() { String::new() } else { format!(" [{}]", all.join("; ")) }
}

/// A column by the name of its whole line, so that nothing is named that stands for more.
fn full_name(f: &Link, column: &str) -> String {
    f.lines.iter().find(|l| l.line == column).map_or_else(|| column.to_owned(), either)
}

/// A line as one of its columns or another.
fn either(line: &Line) -> String {
    let names: Vec<String> = line.rivals().map(|m| m.column.clone()).collect();
    or_list(&names)
}

/// Curves that stand out among all that were tried.
fn curves(f: &Link) -> Vec<String> {
    let mut all = Vec::new();
    for (t, e, line) in
        f.terms.iter().flat_map(|t| t.effects.iter().zip(&f.lines).map(move |(e, l)| (t, e, l)))
    {
        let Some(shape) = e.shape.known().filter(|s| s.seen) else { continue };
        let unit = line.unit.known().map_or_else(String::new, |u| format!(" {u}"));
        let how = match (shape.chosen, shape.turn.known()) {
            (Form::Bent, Some(turn)) => format!(
                "is {} near {} ({} to {}){unit}",
                if turn.highest { "highest" } else { "lowest" },
                plain(turn.at),
                plain(turn.lower),
                plain(turn.upper)
            ),
            (Form::Bent, None) => "bends; a best point is not seen".to_owned(),
            (Form::Levelling | Form::Straight, _) => "levels off".to_owned(),
        };
        all.push(format!(
            "{} with {}: {how} (curve better by {} AICc, {} demanded; q {} among {} tried).",
            t.term,
            line.words(),
            say(shape.better_by),
            say(shape.demanded),
            shape.q_value.known().map_or_else(String::new, |q| say_p(*q).replacen("p ", "", 1)),
            f.n_curves
        ));
    }
    all
}

/// What a trial was planned for.
fn planned(f: &Link) -> Vec<String> {
    let Some(p) = f.planned.known() else {
        let not_yet = |t: &PlannedTrial| {
            let why = f.planned.reason().unwrap_or_default();
            format!("Trial {}: {why}, so nothing planned is asked.", t.name)
        };
        return f.wish.trial.iter().map(not_yet).collect();
    };
    let known: Vec<_> = p.contrasts.iter().filter(|c| c.p_holm.known().is_some()).collect();
    let mut all = vec![format!(
        "Trial {}: {} of {} linked, as the logs say they were made; {} planned, each with its p among \
         them (Holm).",
        p.trial,
        p.n_linked,
        count(p.runs.len(), "run", "runs"),
        count(known.len(), "contrast", "contrasts")
    )];
    let before = f.lots.len() - p.n_linked;
    if before > 0 {
        all.push(format!(
            "{} made before speak here too: what was picked by looking at them is not tested afresh.",
            count(before, "lot", "lots")
        ));
    }
    for line in &f.lines {
        let own: Vec<String> = known
            .iter()
            .filter(|c| c.line == line.line)
            .filter_map(|c| {
                let (over, p) = (c.over_range.known()?, c.p_holm.known()?);
                let not = if c.shown { "" } else { ", not shown" };
                Some(format!("{} {} {}{not}", c.term, signed(over), say_p(*p)))
            })
            .collect();
        if !own.is_empty() {
            all.push(format!("{}, {}: {}.", line.words(), range(line), own.join("; ")));
        }
    }
    for n in &p.not_asked {
        all.push(format!("{}: planned, but {}.", n.factor, n.reason));
    }
    all
}

/// From this inflation, or this |r|, on two lines are told apart, but not well.
const HARDLY: (f64, f64) = (4.0, 0.7);

/// Whether all lines are asked at once, each alone in its place, none much entangled with others.
fn told_apart(f: &Link) -> bool {
    let alone = |l: &Line| {
        l.members.len() == 1
            && l.has_effect
            && !l.between_sessions()
            && l.inflation.known().is_none_or(|v| *v < HARDLY.0)
    };
    f.adjusted.known() == Some(&Adjusted::Together)
        && f.lines.iter().all(alone)
        && gaps(f).is_empty()
        && f.together.iter().all(|p| p.r.abs() < HARDLY.1)
}

/// Parameters that were left out for their gaps, though they moved with one that was asked.
fn gaps(f: &Link) -> Vec<String> {
    f.parameters
        .iter()
        .filter(|p| !p.missing.is_empty())
        .filter_map(|p| {
            let mut with: Vec<String> = f
                .associations
                .iter()
                .filter(|a| a.value.abs() >= HARDLY.1 && (a.a == p.parameter || a.b == p.parameter))
                .map(|a| {
                    let other = if a.a == p.parameter { &a.b } else { &a.a };
                    format!("{other} ({})", say(a.value))
                })
                .collect();
            with.truncate(3);
            (!with.is_empty()).then(|| {
                format!(
                    "{}: missing for {}, so it is in no effect, but it moved with {}: what they do may \
                     be its work. `--complete {}` leaves those lots out and asks it.",
                    p.parameter,
                    count(p.missing.len(), "lot", "lots"),
                    listed(&with),
                    p.parameter
                )
            })
        })
        .collect()
}

/// What these lots cannot tell apart.
pub fn not_told_apart(f: &Link) -> Vec<String> {
    let mut all = joined(f);
    all.extend(gaps(f));
    if let Some(hidden) = unadjusted(f) {
        all.push(hidden);
    }
    all
}

fn unadjusted(f: &Link) -> Option<String> {
    (f.adjusted.known() == Some(&Adjusted::OneAtATime)).then(|| {
        format!(
            "{} are too few for {} at once: what looks like one parameter may be any other that \
             moved with it.",
            count(f.lots.len(), "lot", "lots"),
            count(f.lines.len(), "parameter", "parameters")
        )
    })
}

/// What to make next.
pub fn next(f: &Link) -> Vec<String> {
    let mut all = Vec::new();
    let chosen = |column: &String| {
        let of = |p: &&ParameterMade| p.columns.contains(column);
        f.parameters.iter().find(of).filter(|p| p.role == Role::Chosen)
    };
    let (mut parted, mut bound) = (Vec::new(), Vec::new());
    for line in &f.lines {
        let mut own: Vec<&str> = Vec::new();
        for m in &line.members {
            if let Some(p) = chosen(&m.column)
                && !own.contains(&p.parameter.as_str())
            {
                own.push(&p.parameter);
            }
        }
        if own.len() > 1 {
            parted.push(from_one_another(&own));
        } else if line.rivals().nth(1).is_some() && line.rivals().any(|m| m.role == Role::Given) {
            bound.push(either(line));
        }
        if !line.has_effect && !line.not_told_from.is_empty() {
            let others: Vec<String> = line.not_told_from.iter().map(|l| full_name(f, l)).collect();
            parted.push(format!("{} from {}", either(line), listed(&others)));
        }
    }
    if !parted.is_empty() {
        all.push(format!(
            "Batches that would tell {}: `blindsteep trial --add 4` proposes four.",
            parted.join(", and ")
        ));
    }
    if !bound.is_empty() {
        all.push(format!(
            "{}: what the weather gives goes with it; further batches alone will hardly part them.",
            bound.join("; ")
        ));
    }
    let mut lots: Vec<String> = f
        .terms
        .iter()
        .flat_map(|t| &t.effects)
        .filter(|e| e.mark.is_shown())
        .filter_map(|e| e.sensitivity.known()?.without_lot.known())
        .flat_map(|w| w.needed.iter().chain(&w.alone).cloned())
        .collect();
    lots.sort_by(|a, b| crate::scores::by_nature(a, b));
    lots.dedup();
    if !lots.is_empty() && lots.len() <= 4 {
        all.push(format!(
            "An effect above hangs on {}: make another like it before you rely on it.",
            listed(&lots)
        ));
    }
    if all.is_empty() && f.n_asked > 0 && told_apart(f) {
        all.push(
            "What was asked is told apart by these lots: more lots narrow the limits.".to_owned(),
        );
    }
    all
}

/// `a from b`, `a, b and c from one another`.
fn from_one_another(names: &[&str]) -> String {
    match names {
        [a, b] => format!("{a} from {b}"),
        _ => {
            let all: Vec<String> = names.iter().map(|n| (*n).to_owned()).collect();
            format!("{} from one another", listed(&all))
        }
    }
}

/// The range over which a line was made, in words.
#[must_use]
pub fn range(line: &Line) -> String {
    if let Some(other) = line.against.known() {
        return format!("against {other}");
    }
    let unit = match line.unit.known() {
        Some(unit) => format!(" {unit}"),
        None if counts_doublings(line) => " doublings of 3 h at 25 °C".to_owned(),
        None => String::new(),
    };
    format!("{} to {}{unit}", plain(line.min), plain(line.max))
}

/// Whether a line's numbers, which have no unit, are those of the dose of oxidation: 0 is 3 h at 25 °C, each 1
/// twice as much.
#[must_use]
pub fn counts_doublings(line: &Line) -> bool {
    line.unit.known().is_none() && line.parameter == OXIDATION_DOSE
}

/// A number with three digits that count, without trailing zeros.
#[must_use]
pub fn plain(x: f64) -> String {
    if x == 0.0 || !x.is_finite() {
        return "0".to_owned();
    }
    let decimals = (2 - x.abs().log10().floor() as i32).clamp(0, 9) as usize;
    let text = format!("{x:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

fn joined(f: &Link) -> Vec<String> {
    let mut all = Vec::new();
    for line in f.lines.iter().filter(|l| l.rivals().nth(1).is_some()) {
        let names: Vec<String> = line.rivals().map(|m| m.column.clone()).collect();
        all.push(format!(
            "{}: these lots cannot tell which, they {}.",
            or_list(&names),
            moved(&names[0], line.rivals())
        ));
    }
    for line in f.lines.iter().filter(|l| l.came_along().next().is_some()) {
        let names: Vec<String> = line.came_along().map(|m| m.column.clone()).collect();
        all.push(format!(
            "{}: {} came with it and cannot be told from it, they {}.",
            line.line,
            listed(&names),
            moved(&line.line, line.came_along())
        ));
    }
    for line in f.lines.iter().filter(|l| !l.has_effect) {
        if let Some(with) = others(line) {
            all.push(format!(
                "{}: these lots cannot tell it apart from {with} together, so it has no effect of \
                 its own, and theirs may be its.",
                line.line
            ));
        }
    }
    all
}

/// How closely columns moved with the first.
fn moved<'a>(first: &str, members: impl Iterator<Item = &'a Member>) -> String {
    let least = members.map(|m| m.r.abs()).fold(1.0, f64::min);
    if least >= 1.0 - 1e-9 {
        "moved exactly together".to_owned()
    } else {
        format!("moved together (|r| with {first} at least {})", say(least))
    }
}

fn or_list(names: &[String]) -> String {
    match names {
        [all @ .., last] if !all.is_empty() => format!("{} or {last}", all.join(", ")),
        _ => names.concat(),
    }
}

/// What to keep in mind.
pub fn cautions(f: &Link, makings: &Makings, notes: &[String], hidden: &[String]) -> Vec<String> {
    let mut all: Vec<String> = notes.to_vec();
    let joined = n_sessions(f) > 1 && !f.references.is_empty();
    if joined {
        all.push(format!(
            "The sessions' levels are those of {}, which is held not to have changed.",
            listed(&f.references)
        ));
    }
    all.extend(makings.notes.iter().cloned());
    if !hidden.is_empty() {
        all.push(format!("Not asked about, and so not adjusted for: {}.", listed(hidden)));
    }
    let sessions: Vec<&str> =
        f.lines.iter().filter(|l| l.between_sessions()).map(|l| l.line.as_str()).collect();
    let n_sessions = n_sessions(f);
    if !sessions.is_empty() && n_sessions < f.lots.len() {
        all.push(format!(
            "{} varied between the {n_sessions} sessions and hardly within them: what else set \
             those weeks apart (weather, flush, water) cannot be told from it, and only {n_sessions} \
             sessions speak about it.",
            sessions.join(", ")
        ));
    }
    let partly: Vec<String> = f
        .lines
        .iter()
        .filter(|l| !l.between_sessions() && l.share_between_sessions >= PARTLY)
        .map(|l| format!("{} ({:.0} %)", l.line, 100.0 * l.share_between_sessions))
        .collect();
    if !partly.is_empty() {
        all.push(format!(
            "Varied partly between sessions: {}. What else set those weeks apart is partly in its \
             effect; its p by exchange stays within the sessions, and so does the effect within \
             sessions beside it.",
            listed(&partly)
        ));
    }
    // What rests on an assumption says so in the words of how it is worked out.
    for p in f.parameters.iter().filter(|p| p.missing.is_empty()) {
        if let Some(how) = p.derived_from.known().filter(|d| d.contains("assumption")) {
            all.push(format!("{}: {how}.", p.parameter));
        }
    }
    if f.n_asked > 0 {
        all.push(
            "What is tested is a straight line over the range made; a curve, or a best point in \
             between, is told only where it stands out among all that were tried. Nobody dealt the lots to their making by lot, so whatever else changed with \
             a parameter and was not recorded shows as its effect."
                .to_owned(),
        );
    }
    let outcomes: Vec<&str> = f
        .lines
        .iter()
        .filter(|l| l.has_effect && !l.parameter.ends_with("dose"))
        .filter(|l| l.members.first().is_some_and(|m| m.role == Role::Outcome))
        .map(|l| l.line.as_str())
        .collect();
    if !outcomes.is_empty() && f.adjusted.known() == Some(&Adjusted::Together) {
        all.push(format!(
            "{} came of other steps and stands beside them in the model: what those steps do is told \
             as for lots alike in it.",
            outcomes.join(", ")
        ));
    }
    let scores = || f.lots.iter().map(|l| l.n_scores);
    if let (Some(least), Some(most)) = (scores().min(), scores().max())
        && !f.tasters.is_empty()
        && most > 3 * least
    {
        all.push(
            "Lots have very different numbers of scores: what an effect hangs on, its plot and its shape \
             are worked out with each lot counted alike, and only rough."
                .to_owned(),
        );
    }
    let estimated: Vec<String> = f
        .parameters
        .iter()
        .filter(|p| p.n_estimated > 0 && p.missing.is_empty())
        .map(|p| format!("{} ({} of {})", p.parameter, p.n_estimated, p.n))
        .collect();
    if !estimated.is_empty() {
        all.push(format!(
            "Estimated, not measured, which mostly weakens their own effects and can shift those of \
             others: {}.",
            listed(&estimated)
        ));
    }
    let refused: Vec<(&str, &str)> =
        f.terms.iter().filter_map(|t| Some((t.term.as_str(), t.model.reason()?))).collect();
    all.extend(crate::findings::untested(refused.into_iter()));
    all.extend(one_pot(f));
    all
}

fn n_sessions(f: &Link) -> usize {
    let mut names: Vec<&String> = f.lots.iter().filter_map(|l| l.session.known()).collect();
    names.sort();
    names.dedup();
    names.len()
}

/// With one pot a lot a lot's effect holds its pot.
fn one_pot(f: &Link) -> Option<String> {
    let any = f.terms.iter().any(
        |t| matches!(&t.model, Answer::Known(m) if m.components.iter().any(|c| c.name == "brew")),
    );
    (f.n_asked > 0 && !any && !f.tasters.is_empty()).then(|| {
        "No lot was brewed more than once (or the scores do not say so): the differences between \
         lots hold those between pots."
            .to_owned()
    })
}
