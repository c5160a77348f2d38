//! `demo`: the whole job on an invented garden.

mod told;

use std::path::{Path, PathBuf};

use clap::Args;

use super::charts::{self, Language};
use super::practice::{frame, of_book, pages};
use super::{Context, Failure};
use crate::book::lots::Lot;
use crate::book::session_files::Kind;
use crate::book::time::{Day, Moment};
use crate::book::{Book, store};
use crate::demo::book::{SEED, next_free, write};
use crate::findings::Settings;
use crate::findings::age::{Age, AgeRecord, AgeWish, LotTimes, age_of_record};
use crate::findings::agree::{Agree, agree};
use crate::findings::compare::{Compare, compare};
use crate::findings::difference::{Difference, difference};
use crate::findings::due::{Due, Wish as DueWish, due_of_book};
use crate::findings::link::{Link, Wish, link as linked, settings as link_settings};
use crate::findings::monitor::{Monitor, monitor};
use crate::findings::practice::practice;
use crate::findings::ranking::{Ranking, ranking};
use crate::findings::sheet::{Record, sheet as sheet_of, subject};
use crate::findings::trial::{Trial, Wish as TrialWish, trial as planned};
use crate::scores::of_book::first_tastings;
use crate::scores::{Scores, from_revealed, trials_from_revealed};
use crate::session::{Revealed, Session, all_revealed, papers};
use crate::sheets::Lang;
use crate::sheets::ballots::ballot_pdf;
use crate::sheets::lot::issued::FORMS;
use crate::sheets::lot::{Issue, LotSheet};
use crate::views;
use crate::views::charts::{Words, parameter_names};

/// Write an invented garden's book, work through the job on it and say what was found
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// A folder that does not exist yet (default: the next free blindsteep-demo here)
    #[arg(value_name = "DIR")]
    dir: Option<PathBuf>,
}

/// The lots whose courses are drawn: one in two stores, and the one that was packed damp.
const DRAWN: [&str; 2] = ["T24-05", "T25-11"];

/// The lots of the pages of age: two in two stores each, and the one that was packed damp.
const FOLLOWED: [&str; 3] = ["T24-02", "T24-05", "T25-11"];

/// The day on which it is asked what is to be tasted again, from the last session on.
const DAYS_AFTER: i64 = 7;
/// What is due is listed so many days ahead, as `due` does, and in a calendar.
const DAYS_AHEAD: i64 = 30;
const DAYS_IN_CALENDAR: i64 = 365;

/// The samples of which a buyer asks: one freshly made, one that was stored for a year and a half.
const OFFERED: [&str; 2] = ["T25-16", "T24-05@dry"];

/// The taster whose page is written.
const MIXES_WORDS_UP: &str = "eve";

/// What the demo shows: the first session, all ten, the making, the store.
struct Found {
    first: Scores,
    agree_first: Agree,
    compare_first: Compare,
    agree_all: Agree,
    all: Scores,
    first_tastings: Scores,
    link: Link,
    next: Trial,
    age: Age,
    followed: Age,
    due: Due,
    year: Due,
    now: Moment,
    monitor: Monitor,
    stores: Difference,
    sweetest: Ranking,
}

/// A file of the reports: its name and its bytes.
type Paper = (String, Vec<u8>);

/// Runs the command.
///
/// # Errors
/// If the folder is there already or cannot be written.
pub fn run(args: &DemoArgs, context: &mut Context) -> Result<(), Failure> {
    let dir = match &args.dir {
        Some(dir) => dir.clone(),
        None => next_free(Path::new(""), "blindsteep-demo")?,
    };
    if dir.try_exists().map_err(store::io("look for", &dir))? {
        return Err(Failure::Command(format!(
            "{} exists already: the demo writes over nothing\n  to mend:  name a new folder",
            dir.display()
        )));
    }
    store::make_folder(&dir)?;
    let book = write(&dir.join("tavrinel"), SEED)?;
    let (sessions, sets): (Vec<Revealed>, Vec<Revealed>) =
        all_revealed(&book)?.into_iter().partition(|s| s.kind == Kind::Profile);
    let lots = book.lots()?;
    let (found, papers) =
        rayon::join(|| find(&book, &lots, &sessions, &sets), || papers(&book, &lots, &sessions));
    let (found, papers) = (found?, papers?);
    let reports = dir.join("reports");
    write_reports(&reports, &found)?;
    write_charts(&book, &reports, &found)?;
    write_practice(&book, &reports, &sessions, &found)?;
    write_trial(&book, &reports, &sessions, &found)?;
    for (name, bytes) in papers {
        store::create_new_bytes(&reports.join(name), &bytes)?;
    }
    told::tell(&dir, &sessions, &lots, &found, context)
}

fn find(
    book: &Book,
    lots: &[Lot],
    sessions: &[Revealed],
    sets: &[Revealed],
) -> Result<Found, Failure> {
    let settings = Settings::default();
    let trials = |kind: Kind| {
        let of: Vec<Revealed> = sets.iter().filter(|s| s.kind == kind).cloned().collect();
        trials_from_revealed(&of).map_err(|e| Failure::Ours(e.to_string()))
    };
    let table = |of: &[Revealed]| from_revealed(of).map_err(|e| Failure::Ours(e.to_string()));
    let first = table(&sessions[..1])?;
    let all = table(sessions)?;
    let (first_tastings, makings) = first_tastings(book, sessions.to_vec())?;
    let times = LotTimes::of_lots(lots, sessions[0].day);
    let told_apart = trials(Kind::Triangle)?;
    let record = AgeRecord { scores: &all, lots: &times, trials: Some(&told_apart) };
    let followed = AgeWish { of: FOLLOWED.map(str::to_owned).to_vec(), ..AgeWish::default() };
    let on = last_day(sessions).later(DAYS_AFTER);
    let ahead = |days: i64| {
        let until = on.later(days);
        due_of_book(book, &DueWish { on, until, with: Vec::new(), days: None, alone: false }, None)
    };
    let parameters = book.parameters()?.value;
    let next = planned(
        Some(&first_tastings),
        Some(&makings),
        Some(&parameters),
        &TrialWish::default(),
        &settings,
    )?;
    Ok(Found {
        next,
        agree_first: agree(&first, &settings),
        compare_first: compare(&first, &crate::findings::against::Wish::default(), &settings),
        agree_all: agree(&all, &settings),
        link: linked(&first_tastings, &makings, &Wish::default(), &link_settings()),
        age: age_of_record(&record, &AgeWish::default(), &settings),
        followed: age_of_record(&record, &followed, &settings),
        due: ahead(DAYS_AHEAD)?,
        year: ahead(DAYS_IN_CALENDAR)?,
        now: on.noon(sessions[0].revealed),
        monitor: monitor(&all, &settings),
        stores: difference(&told_apart, &settings),
        sweetest: ranking(&trials(Kind::Ranking)?, &settings),
        first,
        all,
        first_tastings,
    })
}

fn write_reports(dir: &Path, found: &Found) -> Result<(), Failure> {
    store::make_folder(dir)?;
    let file = |name: &str, text: String| store::create_new(&dir.join(name), &text);
    file("agree-first-session.txt", views::agree::text(&found.agree_first))?;
    file("agree-first-session.json", views::json::of(&found.agree_first))?;
    file("compare-first-session.txt", views::compare::text(&found.compare_first))?;
    file("compare-first-session.json", views::json::of(&found.compare_first))?;
    file("agree-all-sessions.txt", views::agree::text(&found.agree_all))?;
    file("agree-all-sessions.json", views::json::of(&found.agree_all))?;
    file("link.txt", views::link::text(&found.link))?;
    file("link.json", views::json::of(&found.link))?;
    file("trial.txt", views::trial::text(&found.next))?;
    file("trial.json", views::json::of(&found.next))?;
    file("age.txt", views::age::text(&found.age))?;
    file("age-followed.txt", views::age::text(&found.followed))?;
    file("age.json", views::json::of(&found.age))?;
    file("due.txt", views::due::text(&found.due))?;
    file("due.json", views::json::of(&found.due))?;
    file("monitor.txt", views::monitor::text(&found.monitor))?;
    file("difference-two-stores.txt", views::difference::text(&found.stores))?;
    file("difference-two-stores.json", views::json::of(&found.stores))?;
    file("compare-sweetest.txt", views::ranking::text(&found.sweetest))?;
    Ok(())
}

fn write_charts(book: &Book, reports: &Path, found: &Found) -> Result<(), Failure> {
    let parameters = book.parameters()?.value;
    let mut drawn = found.age.clone();
    drawn.samples.retain(|s| DRAWN.contains(&s.lot.as_str()));
    drawn.arms.retain(|a| DRAWN.contains(&a.lot.as_str()));
    for (language, code) in [(Language::En, "en"), (Language::Zh, "zh")] {
        let words = Words::of(&found.first, language.into());
        let dir = reports.join(format!("charts-{code}"));
        charts::write(&dir, views::charts::agree(&found.agree_first, &words))?;
        charts::write(&dir, views::charts::compare(&found.compare_first, &words))?;
        let words = Words::of(&found.first_tastings, language.into())
            .with_parameters(parameter_names(&parameters, language.into()));
        let drawn_links = charts::drawn(views::charts::link(&found.link, &words))?;
        let page = views::pages::link(&found.link, &drawn_links, &words)
            .document()
            .map_err(Failure::Ours)?;
        store::create_new(&reports.join(format!("link.{code}.html")), &page)?;
        charts::write(&dir, Ok(drawn_links))?;
        let words = Words::of(&found.all, language.into());
        write_age(book, reports, found, (&words, code))?;
        charts::write(&dir, views::charts::age(&drawn, &words))?;
        charts::write(&dir, views::charts::monitor(&found.monitor, &words))?;
    }
    Ok(())
}

/// How some lots moved, as a page and on paper, and the calendar of what is due within a year.
fn write_age(
    book: &Book,
    reports: &Path,
    found: &Found,
    (words, code): (&Words, &str),
) -> Result<(), Failure> {
    let drawn = charts::drawn(views::charts::age(&found.followed, words))?;
    let page =
        views::pages::age(&found.followed, &drawn, words).document().map_err(Failure::Ours)?;
    store::create_new(&reports.join(format!("age.{code}.html")), &page)?;
    let title = book.book_file()?.value.title;
    let on = found.due.on;
    let pdf = views::papers::age(&found.followed, &drawn, words, (&title, on.0))?;
    store::create_new_bytes(&reports.join(format!("age.{code}.pdf")), &pdf)?;
    let writing = views::calendar::Writing { book: &title, now: found.now, lang: words.lang };
    let (calendar, _) = views::calendar::of(&found.year, &writing);
    store::create_new(&reports.join(format!("due.{code}.ics")), &calendar)?;
    Ok(())
}

/// The page of the taster who mixes two words up, in both languages.
fn write_practice(
    book: &Book,
    dir: &Path,
    sessions: &[Revealed],
    found: &Found,
) -> Result<(), Failure> {
    let mut of_eve = practice(&found.agree_all);
    of_eve.pages.retain(|p| p.taster == MIXES_WORDS_UP);
    let (title, references) = of_book(book)?;
    for (language, code) in [(Language::En, "en"), (Language::Zh, "zh")] {
        let words = Words::of(&found.all, language.into());
        let frame = frame(&of_eve, &found.agree_all, words, title.clone(), references.clone());
        for (name, pdf) in pages(&of_eve, &frame, last_day(sessions))? {
            let name = name.replace(".pdf", &format!(".{code}.pdf"));
            store::create_new_bytes(&dir.join(name), &pdf)?;
        }
    }
    Ok(())
}

/// The work sheet of the next batches, in both languages.
fn write_trial(
    book: &Book,
    dir: &Path,
    sessions: &[Revealed],
    found: &Found,
) -> Result<(), Failure> {
    let Some(now) = sessions.iter().max_by_key(|s| s.revealed.day()).map(|s| s.revealed) else {
        return Ok(());
    };
    let file = found.next.file("parted", now);
    let (title, parameters) = (book.book_file()?.value.title, book.parameters()?.value);
    for (language, code) in [(Lang::En, "en"), (Lang::Zh, "zh")] {
        let pdf = views::papers::trial(&file, &title, Some(&parameters), &[language])?;
        store::create_new_bytes(&dir.join(format!("trial-sheet.{code}.pdf")), &pdf)?;
    }
    Ok(())
}

/// The garden is invented, and so is the day on which its buyer came and pages were written.
fn last_day(sessions: &[Revealed]) -> Day {
    sessions.iter().map(|s| s.revealed.day()).max().unwrap_or(sessions[0].day)
}

/// A taster's ballot and the buyer's sheets, in both languages.
fn papers(book: &Book, lots: &[Lot], sessions: &[Revealed]) -> Result<Vec<Paper>, Failure> {
    let mut all = ballots(book, &sessions[0].name)?;
    for sample in OFFERED {
        all.extend(sheets(book, lots, sessions, sample)?);
    }
    Ok(all)
}

fn ballots(book: &Book, session: &str) -> Result<Vec<Paper>, Failure> {
    let session = Session::open(book, session)?;
    [(Lang::En, "ballot-ann.en.pdf"), (Lang::Zh, "ballot-ann.zh.pdf")]
        .into_iter()
        .map(|(language, name)| {
            let paper = papers::ballot(book, &session, "ann", &[language])?;
            Ok((name.to_owned(), ballot_pdf(&paper)?))
        })
        .collect()
}

fn sheets(
    book: &Book,
    lots: &[Lot],
    sessions: &[Revealed],
    sample: &str,
) -> Result<Vec<Paper>, Failure> {
    let (file, parameters, tasters) =
        (book.book_file()?.value, book.parameters()?.value, book.tasters()?.value);
    let record = Record { book: &file, lots, parameters: &parameters, tasters: &tasters, sessions };
    let finding = sheet_of(&subject(sample, lots)?, &record, &Settings::default())?.sheet;
    let json = views::json::of(&finding);
    let digest = store::digest(json.as_bytes());
    let name = format!("sheet-{}", sample.replace('@', "-"));
    let issue = Issue { day: last_day(sessions), issued: true, digest: &digest };
    let mut all = vec![(format!("{name}.json"), json.into_bytes())];
    for (language, code) in [(Lang::En, "en"), (Lang::Zh, "zh")] {
        let set = LotSheet::of(&finding, &issue, &[language])?;
        let forms = FORMS.map(|(form, _)| form);
        for (bytes, (_, end)) in set.bytes(&forms)?.into_iter().zip(FORMS) {
            all.push((format!("{name}.{code}.{end}"), bytes));
        }
    }
    Ok(all)
}
