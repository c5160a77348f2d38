//! What is done to a session at the desk, by the same functions as the commands.

use axum::extract::{Path, State};
use axum::response::Response;
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng as _;

use super::form::number;
use super::planning::{done_before, went};
use super::{host, session as pages};
use crate::book::quarantine::{Change, change};
use crate::book::time::Moment;
use crate::book::{Book, BookError};
use crate::desk::App;
use crate::desk::Shared;
use crate::desk::page::{Part, Reader, aside, failed};
use crate::desk::posted::{CameOf, Once, Posted};
use crate::desk::say::Say;
use crate::session::pour::{PourNote, log_pour};
use crate::session::{self, DealSecret, Scope, Session, State as Stage};

/// Does what a form of the session's page asks.
pub async fn act(
    State(app): State<Shared>,
    reader: Reader,
    Path(name): Path<String>,
    posted: Posted,
) -> Response {
    let (of, form, say) = (app.clone(), posted.clone(), reader.say);
    let wanted = name.clone();
    let work = move || {
        // The page that was left open by a timer or a choice of who is here is used again and again.
        let told = || done(&of, say, &wanted, &form);
        let to = format!("/sessions/{wanted}");
        if ["timer", "timer-stop", "host"].contains(&form.text("act")) {
            return Ok(Once::Now(CameOf { to, told: told()? }));
        }
        of.taken.once(&form, || Ok(CameOf { to, told: told()? }))
    };
    match aside(work).await {
        Ok(Ok(Once::Now(came))) => went(&app, came),
        Ok(Ok(Once::Before(came))) => done_before(&app, &reader, &posted, &came),
        Ok(Err(e)) => match pages::room(&app, &name).await {
            Ok(Ok(room)) => pages::shown(&app, &reader, &room, &posted, Some(&e)),
            Ok(Err(e)) => failed(&app, &reader, Part::Sessions, &e),
            Err(response) => response,
        },
        Err(response) => response,
    }
}

fn done(app: &App, say: Say, name: &str, form: &Posted) -> Result<Vec<String>, BookError> {
    let (book, now) = (app.book(), app.now());
    let said = |en: &str, zh: &str| Ok(vec![say.of(en, zh).to_owned()]);
    let reason = form.text("reason");
    let by = form.filled("by");
    match form.text("act") {
        "host" => {
            host::set(book, &Session::open(book, name)?, form.text("who"))?;
            Ok(Vec::new())
        }
        "close" => {
            session::close(book, name, form.ticked("anyway"), now)?;
            said("The session is closed: no more scores are taken.", "已截止：不再接受打分。")
        }
        "key" => {
            let reference = form.filled("reference");
            let (table, secret) = (form.text("table"), DealSecret::from_system()?);
            let file = say.of("the table", "表格");
            session::write_key(book, name, file, table, reference, secret, now)?;
            said(
                "The key is written. It was not committed beforehand, and reports say so.",
                "密钥已保存。事先未封存，报告会注明。",
            )
        }
        "reveal" => {
            if !form.ticked("sure") {
                return Err(BookError::Refused(
                    "the reveal was not confirmed\n  expected: the box ticked, for it cannot be taken back\n  to mend:  tick it and reveal"
                        .to_owned(),
                ));
            }
            let revealed = session::reveal(book, name, now)?;
            // A phone that comes back then finds nothing to answer.
            app.doors
                .shut_revealed(&revealed.name)
                .map_err(|e| BookError::Refused(e.to_string()))?;
            said("The key is open.", "密钥已打开。")
        }
        "void" => {
            let brewed = match form.text("brewed") {
                "yes" => Some(true),
                "no" => Some(false),
                _ => None,
            };
            let file = session::void(book, name, form.text("reason-void"), brewed, now)?;
            app.doors
                .shut(&book.session_name(name)?)
                .map_err(|e| BookError::Refused(e.to_string()))?;
            if file.brewed {
                said(
                    "The session is void; its leaf is taken from the reserves.",
                    "已作废；用茶从留样中扣除。",
                )
            } else {
                said(
                    "The session is void; nothing was brewed: the reserves stay as they are.",
                    "已作废；未冲泡，留样不变。",
                )
            }
        }
        "exclude" => {
            let scope = Scope {
                taster: form.filled("taster").map(str::to_owned),
                flight: number(form, "flight", "the flight")?,
                cup: number(form, "cup", "the cup")?,
                steep: number(form, "steep", "the steep")?,
                term: form.filled("term").map(str::to_owned),
            };
            let entry = session::exclude(book, name, &scope, reason, by, now)?;
            Ok(vec![say.of(
                format!("Left out ({entry}). The answers stay in the record."),
                format!("已剔除（{entry}）。答案仍在记录中。"),
            )])
        }
        "readmit" => {
            session::readmit(book, name, form.text("entry"), reason, by, now)?;
            said("The exclusion is taken back.", "已恢复。")
        }
        "timer" => {
            let flight = number(form, "flight", "the flight")?.unwrap_or(0);
            let steep = number(form, "steep", "the steep")?.unwrap_or(0);
            let session = Session::open(book, name)?;
            if session.state >= Stage::Closed {
                return Err(BookError::Refused(format!(
                    "session {} is {}: nothing more is brewed\n  to mend:  load the page again",
                    session.name, session.state
                )));
            }
            app.live.start_timer(&session.name, flight, steep)?;
            Ok(Vec::new())
        }
        "timer-stop" => {
            app.live.stop_timer(&book.session_name(name)?);
            Ok(Vec::new())
        }
        "late" => {
            let taster = form.text("taster");
            let reason = form.text(&format!("reason-late-{taster}"));
            let session = book.session_name(name)?;
            let n = app.admit_late(&session, taster, reason, by)?;
            Ok(vec![say.of(
                format!("{n} late answers of {taster} are admitted, as amendments."),
                format!("已接受 {taster} 的 {n} 项迟到答案，记为更正。"),
            )])
        }
        "pour" => pour(book, say, name, form, now),
        "quarantine" => quarantine(book, say, name, form, now),
        other => Err(BookError::Refused(format!(
            "\"{other}\" is nothing that can be done to a session\n  to mend:  load the page again"
        ))),
    }
}

fn pour(
    book: &Book,
    say: Say,
    name: &str,
    form: &Posted,
    now: Moment,
) -> Result<Vec<String>, BookError> {
    let Some(cup) = number(form, "cup", "the cup")? else {
        return Err(BookError::Refused("no cup is named\n  to mend:  give its code".to_owned()));
    };
    let note = PourNote {
        cup,
        temperature_c: number(form, "temperature", "the temperature")?,
        minutes: number(form, "minutes", "the minutes")?,
        note: form.filled("note").map(str::to_owned),
    };
    let caution = log_pour(book, name, &note, now)?;
    let mut told = vec![say.of(format!("Cup {cup} is logged."), format!("{cup} 号杯已记录。"))];
    told.extend(caution);
    Ok(told)
}

/// Puts a sample that the panel found musty into quarantine.
fn quarantine(
    book: &Book,
    say: Say,
    name: &str,
    form: &Posted,
    now: Moment,
) -> Result<Vec<String>, BookError> {
    let session = Session::open(book, name)?;
    if session.state != Stage::Revealed {
        return Err(BookError::Refused(format!(
            "session {} is {}: which lot it was is not known\n  to mend:  reveal it first",
            session.name, session.state
        )));
    }
    let sample = form.text("sample");
    let (lot, arm) = sample.split_once('@').map_or((sample, None), |(l, a)| (l, Some(a)));
    let begins = Change {
        begins: true,
        reason: form.text("reason-musty").to_owned(),
        by: form.filled("by").map(str::to_owned),
        on: None,
    };
    let mut seed = [0_u8; 32];
    getrandom::fill(&mut seed)
        .map_err(|e| BookError::Refused(format!("the system gives no random numbers: {e}")))?;
    change(book, (lot, arm), &begins, now, &mut ChaCha12Rng::from_seed(seed))?;
    Ok(vec![say.of(
        format!("{sample} is in quarantine: no session serves it until it is cleared with a reason. Keep it apart from other tea."),
        format!("{sample} 已隔离：在说明理由解除前不再供评。请与其他茶分开存放。"),
    )])
}
