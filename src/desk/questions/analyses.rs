//! agree, compare, difference, link and age.

use axum::extract::{Query, State};
use axum::response::Response;
use blindsteep_stats::discrimination::MOST_ANSWERS;
use maud::{Markup, html};

use super::{
    Asked, answered, as_json, drawn, json_address, of_app, revealed_sessions, samples,
    session_boxes, shown, title_of,
};
use crate::book::session_files::Kind;
use crate::book::{Book, BookError};
use crate::desk::page::{Part, Reader, aside, choice, sample_field, samples_offered, text_field};
use crate::desk::posted::Posted;
use crate::desk::say::Say;
use crate::desk::{App, Shared};
use crate::findings::against::Wish as CompareWish;
use crate::findings::age::{AgeRecord, AgeWish, age_of_record};
use crate::findings::agree::agree as agreed;
use crate::findings::compare::compare as compared;
use crate::findings::difference::{Asked as Counts, Tasting, difference as told_apart, of_counts};
use crate::findings::link::{Wish as LinkWish, link as linked, settings as link_settings};
use crate::findings::ranking::ranking;
use crate::findings::{ALPHA, Settings};
use crate::scores::of_book::{
    first_tastings, named_or_all, named_sessions, rankings, scores_of, stored,
};
use crate::scores::{AgesFrom, Method, trials_from_revealed};
use crate::views;
use crate::views::charts::{Words, parameter_names};

/// An answer: what is shown, or the file that was asked for.
enum Answer {
    Shown(Markup),
    File(Response),
}

type Work = fn(&Book, &Posted, Say, &str) -> Result<Answer, BookError>;

/// One question: its name, which sessions it is about, further fields, and how it is answered.
struct Question {
    name: &'static str,
    about: fn(Kind) -> bool,
    /// Whether it is asked as soon as its page is opened.
    at_once: bool,
    fields: fn(Say, &Posted) -> Markup,
    work: Work,
}

async fn ask(app: Shared, reader: Reader, asked: Posted, question: Question) -> Response {
    let say = reader.say;
    let about = question.about;
    let read = |app: &App| Ok((revealed_sessions(app)?, samples(app)?));
    let (sessions, samples) = match of_app(&app, &reader, Part::Questions, read).await {
        Ok((all, samples)) => {
            (all.into_iter().filter(|s| about(s.kind)).collect::<Vec<_>>(), samples)
        }
        Err(response) => return response,
    };
    let mut ticked = asked.all("session");
    let hint = if question.at_once {
        say.of("None ticked: all revealed sessions.", "不勾选：所有已揭盲的场次。")
    } else {
        // The latest is what one comes for; nothing is asked before the button is pressed.
        if asked.0.is_empty() {
            ticked.extend(sessions.first().map(|s| s.name.clone()));
        }
        say.of("One, or several that are asked together.", "一场，或多场合并分析。")
    };
    let form = html! {
        form.asked method="get" {
            input type="hidden" name="asked" value="1";
            (session_boxes(say, &sessions, &ticked, hint))
            ((question.fields)(say, &asked))
            (samples_offered(samples.iter().rev().map(String::as_str)))
            p { button { (say.of("Ask", "分析")) } }
        }
    };
    let json = json_address(&reader);
    let wanted = question.at_once || asked.0.iter().any(|(_, v)| !v.is_empty());
    let found = if wanted {
        let (book, work) = (app.book().clone(), question.work);
        match aside(move || work(&book, &asked, say, &json)).await {
            Ok(Ok(Answer::File(response))) => return response,
            Ok(Ok(Answer::Shown(markup))) => Some(Ok(markup)),
            Ok(Err(e)) => Some(Err(e)),
            Err(response) => return response,
        }
    } else {
        None
    };
    answered(&app, &reader, (Part::Questions, title_of(question.name, say)), form, found)
}

fn nothing_named() -> BookError {
    BookError::Refused(
        "no session is named\n  expected: one revealed session or more\n  to mend:  tick a session"
            .to_owned(),
    )
}

/// Do the tasters agree?
pub async fn agree(State(app): State<Shared>, reader: Reader, Query(asked): Asked) -> Response {
    let question = Question {
        name: "agree",
        about: |kind| kind == Kind::Profile,
        at_once: false,
        fields: |_, _| html! {},
        work: |book, asked, say, json| {
            let names = asked.all("session");
            if names.is_empty() {
                return Err(nothing_named());
            }
            let scores = scores_of(&named_sessions(book, &names)?)?;
            let finding = agreed(&scores, &Settings::default());
            if asked.ticked("json") {
                return Ok(Answer::File(as_json("agree", &finding)));
            }
            let words = Words::of(&scores, say.0);
            let charts = drawn(views::charts::agree, &finding, &words)?;
            let page = views::pages::agree(&finding, &charts, &words);
            Ok(Answer::Shown(shown(say, &page, json)))
        },
    };
    ask(app, reader, Posted(asked), question).await
}

/// Which lots differ?
pub async fn compare(State(app): State<Shared>, reader: Reader, Query(asked): Asked) -> Response {
    let question = Question {
        name: "compare",
        about: |kind| matches!(kind, Kind::Profile | Kind::Ranking),
        at_once: false,
        fields: |say, asked| {
            html! {
                (sample_field("control", say.of("Only against this lot", "仅与此批次相比"), say.of("Leave it empty to compare all pairs.", "留空则比较所有配对。"), asked.text("control")))
                (text_field("within", say.of("The same within so many points", "相差不超过多少分视为相同"), say.of("For example 1; empty: not asked.", "例如 1；留空则不问。"), asked.text("within")))
            }
        },
        work: compare_work,
    };
    ask(app, reader, Posted(asked), question).await
}

fn compare_work(book: &Book, asked: &Posted, say: Say, json: &str) -> Result<Answer, BookError> {
    let names = asked.all("session");
    if names.is_empty() {
        return Err(nothing_named());
    }
    if let Some(trials) = rankings(book, &names)? {
        let finding = ranking(&trials, &Settings::default());
        if asked.ticked("json") {
            return Ok(Answer::File(as_json("ranking", &finding)));
        }
        let words = Words::of_trials(&trials, say.0);
        let charts = drawn(views::charts::ranking, &finding, &words)?;
        let page = views::pages::ranking(&finding, &charts, &words);
        return Ok(Answer::Shown(shown(say, &page, json)));
    }
    let scores = scores_of(&named_sessions(book, &names)?)?;
    let lots = scores.words("lot");
    let control = asked.filled("control").map(str::to_owned);
    if let Some(unknown) = control.as_ref().filter(|c| !lots.contains(c)) {
        return Err(BookError::Refused(format!(
            "{unknown} was not scored in these sessions\n  expected: one of {}\n  to mend:  correct the lot",
            lots.join(", ")
        )));
    }
    let within = match asked.filled("within") {
        None => None,
        Some(text) => Some(text.parse::<f64>().ok().filter(|d| d.is_finite() && *d > 0.0).ok_or_else(
            || {
                BookError::Refused(format!(
                    "\"{text}\" is no margin\n  expected: points of the scale above 0, as 0.5\n  to mend:  correct it, or leave it empty"
                ))
            },
        )?),
    };
    let wish = CompareWish { control, within, ..CompareWish::default() };
    let finding = compared(&scores, &wish, &Settings::default());
    if asked.ticked("json") {
        return Ok(Answer::File(as_json("compare", &finding)));
    }
    let words = Words::of(&scores, say.0);
    let charts = drawn(views::charts::compare, &finding, &words)?;
    let page = views::pages::compare(&finding, &charts, &words);
    Ok(Answer::Shown(shown(say, &page, json)))
}

/// Are two samples told apart?
pub async fn difference(
    State(app): State<Shared>,
    reader: Reader,
    Query(asked): Asked,
) -> Response {
    let question = Question {
        name: "difference",
        about: Kind::is_choice,
        at_once: false,
        fields: difference_fields,
        work: difference_work,
    };
    ask(app, reader, Posted(asked), question).await
}

fn difference_fields(say: Say, asked: &Posted) -> Markup {
    let methods: Vec<(String, String)> = [
        ("triangle", "triangle", "三点检验"),
        ("duo-trio", "duo-trio", "二-三点检验"),
        ("paired", "paired comparison", "成对比较检验"),
    ]
    .map(|(value, en, zh)| (value.to_owned(), say.of(en, zh).to_owned()))
    .to_vec();
    html! {
        details open[asked.filled("answers").is_some()] {
            summary { (say.of("From counts alone, without a session", "仅由计数，不需要场次")) }
            (choice("method", say.of("Test", "检验"), "", &methods, asked.text("method")))
            (text_field("answers", say.of("Answers", "回答数"), "", asked.text("answers")))
            (text_field("correct", say.of("Right answers", "正确数"), say.of("Empty: only what is needed is said.", "留空：仅给出所需数目。"), asked.text("correct")))
        }
    }
}

fn difference_work(book: &Book, asked: &Posted, say: Say, json: &str) -> Result<Answer, BookError> {
    let names = asked.all("session");
    let (finding, words) = if names.is_empty() {
        let number = |field: &str| -> Result<Option<u64>, BookError> {
            let Some(text) = asked.filled(field) else { return Ok(None) };
            text.parse().map(Some).map_err(|_| {
                BookError::Refused(format!(
                    "\"{text}\" is no count\n  expected: a whole number\n  to mend:  correct it"
                ))
            })
        };
        let method = match asked.text("method") {
            "duo-trio" => Method::DuoTrio,
            "paired" => Method::Paired,
            _ => Method::Triangle,
        };
        let Some(answers) = number("answers")? else { return Err(nothing_named()) };
        let correct = number("correct")?;
        if !(1..=MOST_ANSWERS).contains(&answers) || correct.is_some_and(|k| k > answers) {
            return Err(BookError::Refused(format!(
                "{answers} answers, {} right\n  expected: 1 to {MOST_ANSWERS} answers, and not more right ones\n  to mend:  correct the counts",
                correct.map_or_else(|| "none said to be".to_owned(), |k| k.to_string())
            )));
        }
        let counts = Counts {
            name: "counts".to_owned(),
            method,
            two_sided: false,
            alpha: ALPHA,
            share: None,
            power: None,
            n_answers: answers,
            n_correct: correct,
            tasting: Tasting::OneEach,
        };
        let words = Words { lang: say.0, ..Words::default() };
        (of_counts(&counts, &Settings::default()), words)
    } else {
        let read = named_sessions(book, &names)?;
        let trials = trials_from_revealed(&read).map_err(|e| BookError::Refused(e.to_string()))?;
        (told_apart(&trials, &Settings::default()), Words::of_trials(&trials, say.0))
    };
    if asked.ticked("json") {
        return Ok(Answer::File(as_json("difference", &finding)));
    }
    let charts = drawn(views::charts::difference, &finding, &words)?;
    let page = views::pages::difference(&finding, &charts, &words);
    Ok(Answer::Shown(shown(say, &page, json)))
}

/// Which step did it?
pub async fn link(State(app): State<Shared>, reader: Reader, Query(asked): Asked) -> Response {
    let question = Question {
        name: "link",
        about: |kind| kind == Kind::Profile,
        at_once: true,
        fields: |_, _| html! {},
        work: |book, asked, say, json| {
            let sessions = named_or_all(book, &asked.all("session"))?;
            let (scores, makings) = first_tastings(book, sessions)?;
            let finding = linked(&scores, &makings, &LinkWish::default(), &link_settings());
            if asked.ticked("json") {
                return Ok(Answer::File(as_json("link", &finding)));
            }
            let names = parameter_names(&book.parameters()?.value, say.0);
            let words = Words::of(&scores, say.0).with_parameters(names);
            let charts = drawn(views::charts::link, &finding, &words)?;
            let page = views::pages::link(&finding, &charts, &words);
            Ok(Answer::Shown(shown(say, &page, json)))
        },
    };
    ask(app, reader, Posted(asked), question).await
}

/// How do stored lots move?
pub async fn age(State(app): State<Shared>, reader: Reader, Query(asked): Asked) -> Response {
    let question = Question {
        name: "age",
        about: |kind| kind == Kind::Profile,
        at_once: true,
        fields: age_fields,
        work: age_work,
    };
    ask(app, reader, Posted(asked), question).await
}

fn age_fields(say: Say, asked: &Posted) -> Markup {
    let from: Vec<(String, String)> = [
        ("made", "made (end of drying)", "制成（干燥结束）"),
        ("packed", "packed", "包装"),
        ("opened", "opened", "开封"),
    ]
    .map(|(value, en, zh)| (value.to_owned(), say.of(en, zh).to_owned()))
    .to_vec();
    html! {
        (sample_field("of", say.of("Only these lots", "仅这些批次"), say.of("Lots or LOT@ARM, with spaces or commas between them; empty: all.", "批次或 批次@存放组，以空格或逗号分隔；留空为全部。"), asked.text("of")))
        (choice("from", say.of("Ages count from", "存期起算"), "", &from, asked.text("from")))
        label.box { input type="checkbox" name="years" value="1" checked[asked.ticked("years")]; " " (say.of("Compare lots of different years at equal age", "比较不同年份批次的相同存期时的状态")) }
    }
}

fn age_work(book: &Book, asked: &Posted, say: Say, json: &str) -> Result<Answer, BookError> {
    let from = AgesFrom::NAMES
        .into_iter()
        .find(|(name, _)| *name == asked.text("from"))
        .map_or(AgesFrom::NAMES[0].1, |(_, from)| from);
    let read = stored(book, &asked.all("session"), from)?;
    let samples = read.scores.words("lot");
    let of: Vec<String> = asked
        .text("of")
        .split([' ', ',', '，', '、'])
        .filter(|w| !w.is_empty())
        .map(str::to_owned)
        .collect();
    let lot = |s: &String| s.split('@').next().unwrap_or_default().to_owned();
    if let Some(unknown) = of.iter().find(|o| !samples.iter().any(|s| s == *o || lot(s) == **o)) {
        return Err(BookError::Refused(format!(
            "{unknown}: no such lot was scored\n  expected: one of {}\n  to mend:  correct the name",
            samples.join(", ")
        )));
    }
    let wish = AgeWish { of, years: asked.ticked("years"), ..AgeWish::default() };
    let record =
        AgeRecord { scores: &read.scores, lots: &read.times, trials: read.trials.as_ref() };
    let finding = age_of_record(&record, &wish, &Settings::default());
    if asked.ticked("json") {
        return Ok(Answer::File(as_json("age", &finding)));
    }
    let words = Words::of(&read.scores, say.0);
    let charts = drawn(views::charts::age, &finding, &words)?;
    let page = views::pages::age(&finding, &charts, &words);
    Ok(Answer::Shown(shown(say, &page, json)))
}
