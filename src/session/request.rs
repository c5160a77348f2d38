//! What a request for a plan may say, whatever the book.

use crate::book::BookError;
use crate::book::ids;
use crate::book::session_files::Kind;
use crate::book::vocabulary::{Scale, Term};

use super::deal::Contents;
use super::plan::{Duplicates, PlanRequest, Terms, refused};
use super::sample::Sample;

/// What a session may be called; the day stands before it in the name of its folder.
const NAME_RULE: &str =
    "1 to 40 ASCII letters, digits, - _ or ., beginning with a letter or digit, not ending with .";

/// What is wrong with a request whatever the book says.
pub(super) fn check_request(request: &PlanRequest) -> Result<(), BookError> {
    if !ids::is_id(&request.name) || request.name.len() > 40 {
        return Err(refused(format!(
            "\"{}\" cannot be the name of a session\n  expected: {NAME_RULE}\n  to mend:  choose another name",
            request.name,
        )));
    }
    if !request.flights.is_empty() && (!request.lots.is_empty() || request.replicates != 1) {
        return Err(refused(
            "both flights and lots for all flights are named\n  to mend:  name the lots of each flight; a lot in two flights is brewed twice",
        ));
    }
    check_kind(request)?;
    if request.flights.is_empty() && request.lots.is_empty() && request.reference.is_none() {
        return Err(refused(
            "no lot is named yet\n  expected: two lots or more, or one lot and a reference\n  to mend:  name them with --lots",
        ));
    }
    let alone = |lots: &[String]| {
        lots.len() < 2 && request.reference.is_none() && !request.kind.is_choice()
    };
    if (request.flights.is_empty() && alone(&request.lots))
        || request.flights.iter().any(|f| alone(&f.lots))
    {
        return Err(refused(
            "one lot alone cannot be compared with anything\n  expected: two lots or more, or one lot and a reference\n  to mend:  name more with --lots, or a --reference",
        ));
    }
    if request.replicates == 0 {
        return Err(refused(
            "0 replicates leave nothing to taste\n  to mend:  --replicates 1 or more",
        ));
    }
    if request.alone && request.tasters.len() != 1 {
        return Err(refused(
            "--alone is for one person who pours and tastes\n  to mend:  name one taster, or leave --alone out and have somebody else pour",
        ));
    }
    Ok(())
}

/// What does not go with the kind of the session.
fn check_kind(request: &PlanRequest) -> Result<(), BookError> {
    let kind = request.kind;
    let word = kind.word();
    let duplicates =
        |d: &Duplicates| *d != Duplicates::Dealt(0) && *d != Duplicates::Of(Vec::new());
    let no = |what: &str, mend: &str| Err(refused(format!("{what}\n  to mend:  {mend}")));
    if kind != Kind::Profile && request.guess {
        return no(
            &format!("a {word} session does not ask which lot a cup is"),
            "leave --guess out: its ballot asks how sure an answer is where that helps",
        );
    }
    if kind.is_choice() {
        let twice = duplicates(&request.duplicates)
            || request.flights.iter().any(|f| duplicates(&f.duplicates));
        if twice {
            return no(
                &format!("a {word} session has its second codes from its plan"),
                "leave the duplicates out; --replicates repeats the whole comparison",
            );
        }
        if request.per_taster.is_some() {
            return no(
                &format!("a {word} session gives each taster one set of cups of a flight"),
                "leave --per-taster out",
            );
        }
        if request.reference.is_some() && kind != Kind::DuoTrio {
            return no(
                &format!("a {word} session has no reference beside its two lots"),
                "leave --reference out; a duo-trio session compares with a reference",
            );
        }
        if request.alone {
            return no(
                &format!(
                    "a {word} session cannot be blind alone: who pours several cups from one tin, or again from the same tins, knows which belong together"
                ),
                "have somebody else pour, and leave --alone out",
            );
        }
    }
    if request.per_taster.is_some() && request.tasters.len() < 2 {
        return no(
            "--per-taster shares the cups of a flight out among several tasters, and one is named",
            "leave it out, and name fewer lots or a smaller --flight-size",
        );
    }
    if request.expected.is_some() && kind != Kind::Paired {
        return no(
            &format!("nothing can be expected of one lot in a {word} session"),
            "leave --expected out; a paired session asks which lot has more of a term",
        );
    }
    let named = matches!(&request.terms, Terms::Of(_));
    match kind {
        Kind::Triangle | Kind::DuoTrio if named || request.terms == Terms::All => no(
            &format!("a {word} session asks for no term, only which cup it is"),
            "leave --terms out; a paired session asks which cup has more of a term",
        ),
        Kind::Ranking | Kind::Paired if !named => {
            no(&format!("a {word} session needs its term: more of what?"), "name it with --terms")
        }
        _ => check_test(request),
    }
}

/// Whether what was decided about a test can be meant.
fn check_test(request: &PlanRequest) -> Result<(), BookError> {
    let Some(test) = &request.test else {
        return if request.kind == Kind::Profile {
            Ok(())
        } else {
            Err(refused("nothing was decided about the test\n  to mend:  give it an alpha"))
        };
    };
    let word = request.kind.word();
    if request.kind == Kind::Profile {
        return Err(refused(
            "a profile session has no test that is decided beforehand\n  to mend:  leave --alpha, --distinguishers, --power and --ties out",
        ));
    }
    let within = |name: &str, x: Option<f64>, low: f64, high: f64| match x {
        Some(x) if !(x > low && x < high) => Err(refused(format!(
            "--{name} is {x}\n  expected: a share of more than {low} and less than {high}\n  to mend:  correct it"
        ))),
        _ => Ok(()),
    };
    within("alpha", Some(test.alpha), 0.0, 0.5)?;
    within("distinguishers", test.distinguishers, 0.0, 1.0)?;
    within("power", test.power, 0.5, 1.0)?;
    if test.distinguishers.is_some() != test.power.is_some() {
        return Err(refused(
            "likeness is decided by two numbers, and one is missing\n  expected: --distinguishers, the share of people telling the two apart that would matter, and --power, how often it is to be noticed\n  to mend:  give both, or neither",
        ));
    }
    if test.distinguishers.is_some() && !request.kind.is_choice() {
        return Err(refused(format!(
            "a {word} session does not show that lots are alike\n  to mend:  leave --distinguishers and --power out; plan a triangle, duo-trio or paired session"
        )));
    }
    if test.distinguishers.is_some() && request.expected.is_some() {
        return Err(refused(
            "likeness is not shown by a one-sided comparison\n  to mend:  leave --expected out, or --distinguishers and --power",
        ));
    }
    if test.ties && request.kind != Kind::Ranking {
        return Err(refused(format!(
            "a {word} session has no ranks that could be tied\n  to mend:  leave --ties out"
        )));
    }
    Ok(())
}

/// A sample that is named for a role of its own must be among the lots of every flight.
pub(super) fn in_each_flight(
    sample: Option<&Sample>,
    what: &str,
    samples: &[Sample],
    given: &[Contents],
) -> Result<(), BookError> {
    let Some(sample) = sample else { return Ok(()) };
    let everywhere =
        samples.contains(sample) && given.iter().all(|(here, _)| here.contains(sample));
    if everywhere {
        return Ok(());
    }
    Err(refused(format!(
        "{sample} is not among the lots that are compared\n  expected: one of the two lots of each flight\n  to mend:  correct --{what}, or leave it out"
    )))
}

/// Rankings and paired comparisons ask which cup has more of a term.
pub(super) fn check_terms(kind: Kind, terms: &[Term]) -> Result<(), BookError> {
    if kind == Kind::Paired && terms.len() > 1 {
        return Err(refused(format!(
            "a paired session asks one term, and {} are named\n  to mend:  name one with --terms; plan a session for each of the others",
            terms.len()
        )));
    }
    if !matches!(kind, Kind::Paired | Kind::Ranking) {
        return Ok(());
    }
    match terms
        .iter()
        .find(|t| matches!(t.scale, Scale::Nominal { .. } | Scale::Note | Scale::Bipolar { .. }))
    {
        None => Ok(()),
        Some(term) => Err(refused(format!(
            "of {} a cup cannot have more or less than another: its scale is {}\n  expected: a term on a line, of ordered levels, a tick or a fault\n  to mend:  name another term with --terms",
            term.id,
            term.scale.kind().word()
        ))),
    }
}
