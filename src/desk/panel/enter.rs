//! Answers from paper: cup by cup in a form, or as a table.

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use maud::{Markup, html};

use super::host;
use super::{with_ours, words};
use crate::book::session_files::{BallotLine, Flight, Kind, SessionFile};
use crate::book::time::Moment;
use crate::book::vocabulary::{Level, Scale};
use crate::book::{Book, BookError};
use crate::desk::Shared;
use crate::desk::page::{
    Part, Reader, aside, failed, field, go, page, shown_error, text_field, token, wrong,
};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::desk::told;
use crate::session::answers::Answers;
use crate::session::ballots::{Ballot, GUESS, GUESS_SURE, Question};
use crate::session::enter::{EnterError, Misfit, questions};
use crate::session::{
    Amend, Answer, Entered, Gap, Given, HandIn, Session, enter_lines, enter_unseen,
};

/// A ballot that is being typed in.
struct Desk {
    session: Session,
    taster: String,
    name: String,
    ballot: Ballot,
    /// Whether the answers on it may be shown here.
    seen: bool,
}

fn read(book: &Book, name: &str, taster: &str) -> Result<Desk, BookError> {
    let session = Session::open(book, name)?;
    let taster = session.taster(taster)?;
    let ballot = Ballot::open(&session, &taster)?;
    let known = book.tasters()?.value;
    let name = known.taster(&taster).and_then(|t| t.name.clone()).unwrap_or_else(|| taster.clone());
    let seen = host::host(book, &session)?.may_see_answers_of(session.state, &taster);
    Ok(Desk { session, taster, name, ballot, seen })
}

#[derive(serde::Deserialize)]
pub struct Which {
    flight: Option<u32>,
}

/// The form.
pub async fn show(
    State(app): State<Shared>,
    reader: Reader,
    Path((name, taster)): Path<(String, String)>,
    Query(which): Query<Which>,
) -> Response {
    let book = app.book().clone();
    match aside(move || read(&book, &name, &taster)).await {
        Ok(Ok(desk)) => {
            let first =
                desk.session.plan().flights.iter().find(|f| !desk.ballot.is_handed_in(f.number));
            let flight = which.flight.or(first.map(|f| f.number)).unwrap_or(1);
            shown(&app, &reader, &desk, flight, &Posted::default(), None)
        }
        Ok(Err(e)) => failed(&app, &reader, Part::Sessions, &e),
        Err(response) => response,
    }
}

/// Writes what was typed.
pub async fn write(
    State(app): State<Shared>,
    reader: Reader,
    Path((name, taster)): Path<(String, String)>,
    posted: Posted,
) -> Response {
    let (book, now, form, say) = (app.book().clone(), app.now(), posted.clone(), reader.say);
    let at = format!("/sessions/{name}/enter/{taster}");
    let written = aside(move || {
        let desk = read(&book, &name, &taster)?;
        let done = if form.text("how") == "table" {
            table(&book, say, &desk, &form, now)
        } else {
            cups(&book, say, &desk, &form, now)
        };
        Ok((desk, done))
    });
    let flight = posted.text("flight").parse().unwrap_or(1);
    match written.await {
        Ok(Ok((desk, Ok(entered)))) => {
            tell(&app, &reader, &desk, &entered);
            go(&at)
        }
        Ok(Ok((desk, Err(e)))) => shown(&app, &reader, &desk, flight, &posted, Some(&e)),
        Ok(Err(e)) => failed(&app, &reader, Part::Sessions, &e),
        Err(response) => response,
    }
}

impl Desk {
    /// Writes answers as this desk may see the ballot.
    fn enter(
        &self,
        book: &Book,
        answers: &[Answer],
        form: &Posted,
        hand_in: HandIn,
        now: Moment,
    ) -> Result<Entered, EnterError> {
        let (name, amend) = (&self.session.name, amend(form));
        let enter = if self.seen { enter_lines } else { enter_unseen };
        enter(book, name, &self.taster, answers, amend.as_ref(), hand_in, now)
    }
}

fn tell(app: &Shared, reader: &Reader, desk: &Desk, entered: &Entered) {
    let say = reader.say;
    let (n, again, same) = (entered.n_new, entered.n_replaced, entered.n_unchanged);
    // Which of them another answer stood for, and whether it was the same, would tell it.
    let all = n + again + same;
    app.tell(if !desk.seen {
        say.of(
            format!("{}: {all} answers are on the ballot.", desk.name),
            format!("{}：{all} 项已在评茶单上。", desk.name),
        )
    } else {
        say.of(
            format!(
                "{}: {n} new answers, {again} replaced, {same} stood there already.",
                desk.name
            ),
            format!("{}：新增 {n} 项，更正 {again} 项，已有 {same} 项。", desk.name),
        )
    });
    for flight in &entered.handed_in {
        let gap = entered.gaps.iter().find(|g| g.flight == *flight);
        let flight = words::flight(say, *flight);
        app.tell(match gap {
            Some(Gap { needed, given, .. }) => say.of(
                format!("{flight} is handed in with {given} of {needed} needed answers: what is not answered stays missing."),
                format!("{flight}已提交，应答 {needed} 项，已答 {given} 项：未答即为缺失。"),
            ),
            None => say.of(format!("{flight} is handed in."), format!("{flight}已提交。")),
        });
    }
    if entered.n_zeros > 0 {
        let n = entered.n_zeros;
        let list: Vec<String> = entered.zeros_of.iter().map(ToString::to_string).collect();
        app.tell(say.of(
            format!("{n} untouched ticks and faults are 0: of cup {}.", list.join(", ")),
            format!("{n} 个未填的勾选与缺陷记为 0：{} 号杯。", list.join("、")),
        ));
    }
    entered.cautions.iter().for_each(|c| app.tell(c.clone()));
}

fn amend(form: &Posted) -> Option<Amend> {
    let by = form.filled("by").map(str::to_owned);
    form.filled("reason").map(|reason| Amend { reason: reason.to_owned(), by })
}

fn table(
    book: &Book,
    say: Say,
    desk: &Desk,
    form: &Posted,
    now: Moment,
) -> Result<Entered, BookError> {
    let file = say.of("the table", "表格");
    let plan = desk.session.plan();
    let table =
        Answers::parse(file, form.text("table"), plan, &desk.taster).map_err(BookError::Records)?;
    let hand_in = if form.ticked("hand-in") { HandIn::Complete } else { HandIn::No };
    desk.enter(book, &table.answers, form, hand_in, now).map_err(|e| match e {
        EnterError::Misfits(m) => BookError::Records(table.problems(&m)),
        EnterError::Book(e) => e,
    })
}

/// The name of a question's field.
fn field_of(q: &Question) -> String {
    format!("a.{}.{}.{}", q.cup, q.steep.unwrap_or(0), q.term)
}

/// What an answer looks like in its field.
fn as_typed(plan: &SessionFile, q: &Question, line: &BallotLine) -> String {
    let chosen = plan.kind.is_choice() && q.term != GUESS_SURE;
    match (&line.value, line.cup.filter(|_| chosen)) {
        (Some(_), Some(cup)) => cup.to_string(),
        (Some(value), None) => value.clone(),
        (None, _) if line.state.word() == "declined" => "-".to_owned(),
        (None, _) => line.state.word().to_owned(),
    }
}

/// What does not fit, each with its cup and its question as the form calls them.
fn misfits_in_words(
    say: Say,
    plan: &SessionFile,
    answers: &[Answer],
    misfits: &[Misfit],
) -> String {
    let each = misfits.iter().map(|m| {
        let w = &m.wrong;
        let Some(answer) = answers.get(m.answer) else { return w.found.clone() };
        let mut place = match plan.flight_of(answer.cup).filter(|_| plan.kind.is_choice()) {
            Some(flight) => words::flight(say, flight.number),
            None => say.of(format!("Cup {}", answer.cup), format!("{} 号杯", answer.cup)),
        };
        if let Some(steep) = answer.steep.filter(|_| plan.n_steeps() > 1) {
            place = say.of(format!("{place}, steep {steep}"), format!("{place}，第 {steep} 泡"));
        }
        let label = label(say, plan, &answer.term);
        // The label stands for the id.
        let bare = w.found.strip_prefix(&format!("{} is \"", answer.term));
        let found = bare.map_or_else(|| w.found.clone(), |rest| format!("it is \"{rest}"));
        let told = |text: &str| told::text(say, text);
        format!(
            "{place}{}{label}{}{}\n  {}{}\n  {}{}",
            say.0.comma(),
            say.0.colon(),
            told(&found),
            say.of("expected: ", "应为："),
            told(&w.expected),
            say.of("to mend:  ", "如何改正："),
            told(&w.mend)
        )
    });
    each.collect::<Vec<_>>().join("\n")
}

fn cups(
    book: &Book,
    say: Say,
    desk: &Desk,
    form: &Posted,
    now: Moment,
) -> Result<Entered, BookError> {
    let plan = desk.session.plan();
    let number: u32 = form.text("flight").parse().unwrap_or(0);
    let Some(flight) = plan.flights.iter().find(|f| f.number == number) else {
        return Err(BookError::Refused(format!(
            "there is no flight {number}\n  expected: 1 to {}\n  to mend:  load the page again",
            plan.flights.len()
        )));
    };
    let mut answers = Vec::new();
    for q in questions(plan, flight, &desk.taster) {
        let Some(given) = Given::of_text(form.text(&field_of(&q))) else { continue };
        let chosen = plan.kind.is_choice() && q.term != GUESS_SURE;
        let (cup, given) = match given {
            // A choice is the code that was chosen.
            Given::Scored(code) if chosen => {
                (code.parse().unwrap_or(0), Given::Scored("1".to_owned()))
            }
            other => (
                flight
                    .order_of(&desk.taster)
                    .first()
                    .copied()
                    .filter(|_| plan.kind.is_choice())
                    .unwrap_or(q.cup),
                other,
            ),
        };
        answers.push(Answer { cup, steep: q.steep, term: q.term, given, note: None });
    }
    let hand_in = if form.ticked("hand-in") { HandIn::Flight(number) } else { HandIn::No };
    desk.enter(book, &answers, form, hand_in, now).map_err(|e| match e {
        EnterError::Misfits(m) => BookError::Refused(misfits_in_words(say, plan, &answers, &m)),
        EnterError::Book(e) => e,
    })
}

/// What a question is called.
fn label(say: Say, plan: &SessionFile, term: &str) -> String {
    match plan.term(term) {
        Some(term) => term.label(say.key()).to_owned(),
        None if term == GUESS => {
            say.of("Which lot do you think this is?", "猜是哪个批次？").to_owned()
        }
        None if term == GUESS_SURE => say.of("Sure?", "有把握吗？").to_owned(),
        None => words::meaning(say, plan.kind).to_owned(),
    }
}

fn shown(
    app: &Shared,
    reader: &Reader,
    desk: &Desk,
    number: u32,
    typed: &Posted,
    error: Option<&BookError>,
) -> Response {
    let say = reader.say;
    let plan = desk.session.plan();
    let flight = plan.flights.iter().find(|f| f.number == number).unwrap_or(&plan.flights[0]);
    let at = format!("/sessions/{}/enter/{}", desk.session.name, desk.taster);
    let why = html! {
        div.row {
            (text_field("reason", say.of("Why answers are replaced", "更正理由"), say.of("Only where another answer stands already, or the flight was handed in.", "仅在已有答案或该轮已提交时需要。"), typed.text("reason")))
            (text_field("by", say.of("Who amends", "更正人"), say.of("Empty: the taster.", "留空：评茶员本人。"), typed.text("by")))
        }
    };
    let body = html! {
        @if let Some(e) = error { (wrong(reader, &shown_error(app, e))) }
        p { a href={ "/sessions/" (desk.session.name) } { (say.of("Back to the session", "返回场次")) } }
        @if plan.flights.len() > 1 { nav.flights aria-label=(say.of("Flights", "轮次")) { @for f in &plan.flights {
            a.button.quiet href={ (at) "?flight=" (f.number) } aria-current=[(f.number == flight.number).then_some("page")] { (words::flight(say, f.number)) @if desk.ballot.is_handed_in(f.number) { " ✓" } }
        } } }
        @if !desk.seen { p.hint { (say.of("What stands on this ballot already is not shown at this desk; an empty field leaves it as it is.", "此处不显示该评茶单已有的答案；留空即不变。")) } }
        form.enter method="post" action=(at) {
            (token(reader))
            input type="hidden" name="how" value="cups";
            input type="hidden" name="flight" value=(flight.number);
            p.hint { (say.of("Empty: not answered. - : would rather not say. lost: the cup or the answer is lost.", "留空：未答。- ：不评。lost：此杯作废。")) }
            (fields(say, desk, flight, typed))
            (why)
            label.pick { input type="checkbox" name="hand-in" value="1" checked[typed.text("how") == "cups" && typed.ticked("hand-in")]; span { (say.of("Hand this flight in", "提交此轮")) span.hint { (say.of("Of cups with any answer, ticks and faults left empty become 0; needed answers left empty stay missing.", "已有任何答案的杯，其未填的勾选与缺陷记为 0；未答的应答项即为缺失。")) } } }
            p.buttons { button { (say.of("Write it down", "录入")) } }
        }
        details open[typed.text("how") == "table"] {
            summary { (say.of("As a table", "以表格录入")) }
            form method="post" action=(at) {
                (token(reader))
                input type="hidden" name="how" value="table";
                input type="hidden" name="flight" value=(flight.number);
                (field("file", say.of("From a file", "从文件"), say.of("It is put into the field below.", "内容将填入下方。"), html! { input id="file" type="file" accept=".csv,text/csv" data-into="table" aria-describedby="file-hint"; }))
                (field("table", say.of("The table", "表格"), say.of("First line: cup,term,value, with steep and note if need be; or cup and one column a term.", "首行：cup,term,value（可加 steep、note）；或 cup 与每个评语一列。"),
                    html! { textarea id="table" name="table" rows="8" spellcheck="false" aria-describedby="table-hint" { (typed.text("table")) } }))
                label.pick { input type="checkbox" name="hand-in" value="1" checked; span { (say.of("Hand in flights that are complete", "提交齐全的轮次")) } }
                details { summary { (say.of("It replaces answers", "更正已有答案")) }
                    label.beside { (say.of("Why", "理由")) " " input name="reason" autocomplete="off"; } " " label.beside { (say.of("Who amends", "更正人")) " " input name="by" autocomplete="off"; } }
                p.buttons { button { (say.of("Write it down", "录入")) } }
            }
        }
    };
    let title = format!("{}{}{}", desk.name, say.0.comma(), words::flight(say, flight.number));
    let status = if error.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    (status, page(app, reader, Part::Sessions, &title, with_ours(body))).into_response()
}

fn fields(say: Say, desk: &Desk, flight: &Flight, typed: &Posted) -> Markup {
    let plan = desk.session.plan();
    let all = questions(plan, flight, &desk.taster);
    let mut groups: Vec<(String, Vec<&Question>)> = Vec::new();
    for q in &all {
        let head = match plan.kind {
            Kind::Profile if plan.n_steeps() > 1 && q.steep.is_some() => {
                let steep = q.steep.unwrap_or(1);
                say.of(
                    format!("Cup {}, steep {steep}", q.cup),
                    format!("{} 号杯，第 {steep} 泡", q.cup),
                )
            }
            Kind::Profile => say.of(format!("Cup {}", q.cup), format!("{} 号杯", q.cup)),
            Kind::Ranking => {
                plan.term(&q.term).map_or(q.term.as_str(), |t| t.label(say.key())).to_owned()
            }
            _ => words::flight(say, flight.number),
        };
        match groups.last_mut().filter(|g| g.0 == head) {
            Some(group) => group.1.push(q),
            None => groups.push((head, vec![q])),
        }
    }
    html! { @for (head, questions) in &groups { fieldset { legend { (head) } div.row { @for q in questions { (one(say, desk, flight, q, typed)) } } } } }
}

fn one(say: Say, desk: &Desk, flight: &Flight, q: &Question, typed: &Posted) -> Markup {
    let plan = desk.session.plan();
    let name = field_of(q);
    let line = desk.ballot.answer(q);
    let stands = line.filter(|_| desk.seen).map(|l| as_typed(plan, q, l)).unwrap_or_default();
    let value = if typed.0.iter().any(|(n, _)| *n == name) { typed.text(&name) } else { &stands };
    let term = plan.term(&q.term);
    let label = match plan.kind {
        Kind::Ranking => say.of(format!("Cup {}", q.cup), format!("{} 号杯", q.cup)),
        _ => label(say, plan, &q.term),
    };
    let hidden = line.is_some() && !desk.seen;
    let hint = match term.map(|t| &t.scale) {
        _ if hidden => say.of("answered", "已答").to_owned(),
        Some(Scale::Line { low, high, step, .. } | Scale::Bipolar { low, high, step, .. })
            if plan.kind == Kind::Profile =>
        {
            say.of(format!("{low} to {high}, step {step}"), format!("{low} 至 {high}，步长 {step}"))
        }
        _ if plan.kind == Kind::Ranking => say.of("rank, 1 = most", "名次，1 = 最强").to_owned(),
        _ => String::new(),
    };
    let options = |pairs: Vec<(String, String)>| {
        let more = [
            ("-".to_owned(), say.of("declined", "不评").to_owned()),
            ("lost".to_owned(), say.of("lost", "作废").to_owned()),
        ];
        html! { select id=(name) name=(name) { option value="" { "" } @for (v, t) in pairs.iter().chain(&more) { option value=(v) selected[v == value] { (t) } } } }
    };
    let levels = |all: &[Level]| {
        all.iter().map(|l| (l.id.clone(), l.labels.or(say.key(), &l.id).to_owned())).collect()
    };
    let numbered = |texts: &[&str]| {
        texts.iter().enumerate().map(|(i, t)| (i.to_string(), format!("{i} {t}"))).collect()
    };
    let control = match (plan.kind, term.map(|t| &t.scale)) {
        (_, None) if q.term == GUESS_SURE => options(vec![
            ("1".to_owned(), say.of("sure", "有把握").to_owned()),
            ("0".to_owned(), say.of("unsure", "没把握").to_owned()),
        ]),
        (kind, _) if kind.is_choice() => options(
            plan.answerable(flight, &desk.taster)
                .iter()
                .map(|c| (c.to_string(), c.to_string()))
                .collect(),
        ),
        (Kind::Profile, Some(Scale::Ordered { levels: l } | Scale::Nominal { levels: l })) => {
            options(levels(l))
        }
        (Kind::Profile, Some(Scale::Tick)) => {
            options(numbered(&[say.of("not there", "无"), say.of("there", "有")]))
        }
        (Kind::Profile, Some(Scale::Fault)) => options(numbered(
            &say.of(["absent", "trace", "clear", "rejects"], ["无", "微", "明显", "拒收"]),
        )),
        (Kind::Profile, Some(Scale::Note)) => {
            html! { textarea id=(name) name=(name) rows="2" { (value) } }
        }
        _ => html! { input id=(name) name=(name) value=(value) autocomplete="off"; },
    };
    field(&name, &label, &hint, control)
}
