//! `trial`: what to make next?

use std::path::PathBuf;

use clap::{ArgGroup, Args};

use super::asked::{Drawn, View};
use super::charts::Language;
use super::sheet::{Languages, languages, languages_of};
use super::table_args::{self, TableArgs};
use super::{Context, Failure, link};
use crate::book::parameters::Parameters;
use crate::book::time::Moment;
use crate::book::trials::TrialFile;
use crate::book::{Book, store};
use crate::findings::Settings;
use crate::findings::trial::{Trial, TrialError, Wish, WishedFactor, WishedLevels, shown, trial};
use crate::scores::{Makings, Scores, of_book};
use crate::session::all_scored;
use crate::sheets::Lang;
use crate::views;
use crate::views::charts::{Words, parameter_names};

/// What to make next: the batches that tell the most
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("drawn").multiple(true)))]
pub struct TrialArgs {
    /// Revealed sessions of the book, by any unique part of their names (default: all)
    #[arg(value_name = "SESSION")]
    sessions: Vec<String>,
    /// So many batches to add to the lots made so far
    #[arg(long, value_name = "N", group = "what", required = true)]
    add: Option<usize>,
    /// A trial of so many batches that stands alone
    #[arg(long, value_name = "N", group = "what")]
    runs: Option<usize>,
    /// What is varied, at which levels: ID=40,75 or ID=40..75, or ID alone for the levels made
    /// (default: all that is chosen and varied)
    #[arg(long, value_name = "ID[=A,B]")]
    factor: Vec<String>,
    /// What cannot be chosen, and is to be measured
    #[arg(long, value_name = "ID[,ID]", value_delimiter = ',')]
    given: Vec<String>,
    /// Settings that cannot stand together, as dry.method=sun,lot.season=autumn
    #[arg(long, value_name = "ID=A,ID=B")]
    never: Vec<String>,
    /// Numbers may bend: a third level, and a square in the model
    #[arg(long)]
    curved: bool,
    /// The most batches of one day
    #[arg(long, value_name = "N", default_value_t = 4)]
    a_day: usize,
    /// Tasters (default: those of the record)
    #[arg(long, value_name = "N")]
    tasters: Option<usize>,
    /// Pots of each new lot (default: as in the record)
    #[arg(long, value_name = "N")]
    pots: Option<usize>,
    /// The difference to be seen, in points over a factor's range
    #[arg(long, value_name = "POINTS", default_value_t = 1.0)]
    see: f64,
    /// The term whose variances are taken (default: the one in the middle, half of the others vary
    /// more by chance); it says nothing of what the trial is about
    #[arg(long, value_name = "TERM")]
    about: Option<String>,
    /// The terms that the trial is about: `link --trial` asks these first; name them before you look
    #[arg(long, value_name = "TERM[,TERM]", value_delimiter = ',')]
    terms: Vec<String>,
    /// Standard deviations where no scores say them: lot, residual, pot, taster, lot-taster, session,
    /// session-taster, session-lots
    #[arg(long, value_name = "NAME=SD", value_delimiter = ',')]
    sd: Vec<String>,
    /// Simulated panels (default: 200, fewer where tables are large)
    #[arg(long, value_name = "N")]
    simulations: Option<usize>,
    /// By which the search and the order are drawn
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// A trial of the book: what was planned, what was really made, what is still to be made
    #[arg(long, value_name = "NAME", group = "what", conflicts_with_all = ["sessions", "factor",
        "given", "never", "curved", "tasters", "pots", "about", "terms", "sd", "save", "table"])]
    show: Option<String>,
    /// Keep the trial in the book under this name
    #[arg(long, value_name = "NAME")]
    save: Option<String>,
    /// Write the work sheet for the factory (PDF)
    #[arg(long, value_name = "FILE", group = "drawn")]
    out: Option<PathBuf>,
    /// Write charts (SVG) into this folder
    #[arg(long, value_name = "DIR", group = "drawn", conflicts_with = "show")]
    charts: Option<PathBuf>,
    /// Write the answer as a page with its charts: one HTML file
    #[arg(long, value_name = "FILE", group = "drawn")]
    page: Option<PathBuf>,
    /// The language of what is drawn (default: the languages of the book; of charts and the page the
    /// first of them)
    #[arg(long, value_enum, requires = "drawn")]
    language: Option<Languages>,
    /// All numbers as JSON, the name of its schema first
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    table: TableArgs,
    /// How the lots of the table were made: CSV with one row a lot
    #[arg(long, value_name = "FILE", requires = "table", help_heading = table_args::HEADING)]
    parameters: Option<PathBuf>,
    /// A sample of the table that stayed the same and joins its sessions
    #[arg(long, value_name = "LOT", requires = "table", help_heading = table_args::HEADING)]
    reference: Vec<String>,
}

impl From<TrialError> for Failure {
    fn from(e: TrialError) -> Self {
        Self::Command(e.to_string())
    }
}

/// What there is to plan from.
struct Ground {
    book: Option<Book>,
    scores: Option<Scores>,
    makings: Option<Makings>,
    parameters: Option<Parameters>,
}

/// Runs the command.
///
/// # Errors
/// If what is asked cannot be had, records cannot be read, or the result not be written.
pub fn run(args: &TrialArgs, context: &mut Context) -> Result<(), Failure> {
    if let Some(name) = &args.show {
        return show(name, args, context);
    }
    let wish = wish(args)?;
    let ground = ground(args, context)?;
    let settings = Settings { seed: args.seed, ..Settings::default() };
    let finding = trial(
        ground.scores.as_ref(),
        ground.makings.as_ref(),
        ground.parameters.as_ref(),
        &wish,
        &settings,
    )?;
    let planned = finding.file(args.save.as_deref().unwrap_or_default(), Moment::now());
    // The sheet is set before anything is kept, so that what cannot be printed is not half done.
    let sheet = match &args.out {
        Some(path) => Some((path, sheet(&planned, &ground, args)?)),
        None => None,
    };
    if args.save.is_some() {
        let Some(book) = &ground.book else {
            return Err(Failure::Command(
                "--save needs a book\n  expected: a book to keep the trial in\n  to mend:  stand in \
                 one or name it with --book, or leave --save out"
                    .to_owned(),
            ));
        };
        book.write_trial(&planned)?;
    }
    if let Some((path, pdf)) = sheet {
        store::create_new_bytes(path, &pdf)?;
    }
    draw(&finding, &ground, args)?;
    let text = if args.json { views::json::of(&finding) } else { views::trial::text(&finding) };
    context.out.write_all(text.as_bytes())?;
    Ok(())
}

/// Writes the charts and the page of a proposal, if they were asked for.
fn draw(finding: &Trial, ground: &Ground, args: &TrialArgs) -> Result<(), Failure> {
    let usual = match &ground.book {
        Some(book) => book.book_file()?.value.languages,
        None => Vec::new(),
    };
    let lang = first_language(languages_of(args.language, &usual));
    let words = match &ground.scores {
        Some(scores) => Words::of(scores, lang),
        None => Words { lang, ..Words::default() },
    };
    let words = match &ground.parameters {
        Some(parameters) => words.with_parameters(parameter_names(parameters, lang)),
        None => words,
    };
    let view = View {
        text: views::trial::text,
        draw: views::charts::trial,
        page: Some(views::pages::trial),
    };
    let language = match lang {
        Lang::En => Language::En,
        Lang::Zh => Language::Zh,
    };
    let drawn = Drawn { charts: args.charts.clone(), page: args.page.clone(), language };
    drawn.write(finding, &words, &view)
}

/// A page is in one language.
fn first_language(all: Vec<Lang>) -> Lang {
    all.into_iter().next().unwrap_or_default()
}

/// A kept trial, beside what was made.
fn show(name: &str, args: &TrialArgs, context: &mut Context) -> Result<(), Failure> {
    let book = context.book()?;
    let trial = book.trial(name)?.value;
    let file = book.book_file()?.value;
    let parameters = book.parameters()?.value;
    let finding = shown(&trial, &book.lots()?, &parameters, &file.limits);
    if let Some(path) = &args.out {
        let languages = languages(args.language, &file);
        let pdf = views::papers::trial(&trial, &file.title, Some(&parameters), &languages)?;
        store::create_new_bytes(path, &pdf)?;
    }
    if let Some(path) = &args.page {
        let lang = first_language(languages(args.language, &file));
        let words =
            Words { lang, ..Words::default() }.with_parameters(parameter_names(&parameters, lang));
        let page = views::pages::made(&finding, &words).document().map_err(Failure::Ours)?;
        store::replace(path, &page, None)?;
    }
    let text = if args.json { views::json::of(&finding) } else { views::trial::made(&finding) };
    context.out.write_all(text.as_bytes())?;
    Ok(())
}

fn sheet(planned: &TrialFile, ground: &Ground, args: &TrialArgs) -> Result<Vec<u8>, Failure> {
    let (title, languages) = match &ground.book {
        Some(book) => {
            let file = book.book_file()?.value;
            (file.title.clone(), languages(args.language, &file))
        }
        None => (String::new(), languages_of(args.language, &[])),
    };
    Ok(views::papers::trial(planned, &title, ground.parameters.as_ref(), &languages)?)
}

fn ground(args: &TrialArgs, context: &Context) -> Result<Ground, Failure> {
    let mut ground = Ground { book: None, scores: None, makings: None, parameters: None };
    if args.table.is_given() {
        let (scores, makings) =
            link::of_table(&args.table, &args.sessions, args.parameters.as_deref(), context)?;
        (ground.scores, ground.makings) = (Some(scores), Some(makings));
        return Ok(ground);
    }
    let book = match context.book() {
        Ok(book) => book,
        // A trial of its own needs no book, unless one was named.
        Err(_) if args.runs.is_some() && !context.names_book() && args.sessions.is_empty() => {
            return Ok(ground);
        }
        Err(e) => return Err(e),
    };
    let sessions = if args.sessions.is_empty() {
        all_scored(&book)?
    } else {
        of_book::named_or_all(&book, &args.sessions)?
    };
    if !(sessions.is_empty() && args.runs.is_some()) {
        let (scores, makings) = of_book::first_tastings(&book, sessions)?;
        (ground.scores, ground.makings) = (Some(scores), Some(makings));
    }
    ground.parameters = Some(book.parameters()?.value);
    ground.book = Some(book);
    Ok(ground)
}

/// A flag that does not read.
fn wrong(flag: &str, word: &str, expected: &str) -> Failure {
    Failure::Command(format!(
        "{flag} {word} does not read\n  expected: {expected}\n  to mend:  correct the flag"
    ))
}

fn wish(args: &TrialArgs) -> Result<Wish, Failure> {
    let factors = args.factor.iter().map(|f| factor(f)).collect::<Result<_, _>>()?;
    let pair = |word: &str| -> Option<(String, String)> {
        let (id, level) = word.split_once('=')?;
        let (id, level) = (id.trim(), level.trim());
        (!id.is_empty() && !level.is_empty()).then(|| (id.to_owned(), level.to_owned()))
    };
    let never = args
        .never
        .iter()
        .map(|n| {
            n.split(',').map(pair).collect::<Option<Vec<_>>>().ok_or_else(|| {
                wrong(
                    "--never",
                    n,
                    "settings with commas between, as dry.method=sun,lot.season=autumn",
                )
            })
        })
        .collect::<Result<_, _>>()?;
    let sds = args
        .sd
        .iter()
        .map(|s| {
            pair(s)
                .and_then(|(name, sd)| Some((name, sd.parse::<f64>().ok()?)))
                .ok_or_else(|| wrong("--sd", s, "a name and points, as lot=0.3,residual=0.8"))
        })
        .collect::<Result<_, _>>()?;
    Ok(Wish {
        batches: args.add.or(args.runs).unwrap_or_default(),
        fresh: args.runs.is_some(),
        factors,
        references: args.reference.clone(),
        given: args.given.clone(),
        never,
        a_day: args.a_day,
        tasters: args.tasters,
        pots: args.pots,
        see: args.see,
        about: args.about.clone(),
        terms: terms(&args.terms),
        curved: args.curved,
        sds,
        simulations: args.simulations,
    })
}

/// Each term once.
fn terms(named: &[String]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for term in named.iter().map(|t| t.trim()) {
        if !term.is_empty() && !all.iter().any(|t| t == term) {
            all.push(term.to_owned());
        }
    }
    all
}

/// `ID`, `ID=a,b` or `ID=a..b`.
fn factor(word: &str) -> Result<WishedFactor, Failure> {
    let bad = || wrong("--factor", word, "ID=40,75 or ID=40..75, or ID alone");
    let Some((id, levels)) = word.split_once('=') else {
        return Ok(WishedFactor { parameter: word.trim().to_owned(), levels: WishedLevels::Made });
    };
    let parameter = id.trim().to_owned();
    if parameter.is_empty() {
        return Err(bad());
    }
    let levels = match levels.split_once("..") {
        Some((low, high)) => {
            let number = |t: &str| t.trim().parse::<f64>().ok().filter(|x| x.is_finite());
            let (low, high) = number(low).zip(number(high)).ok_or_else(bad)?;
            if low >= high {
                return Err(wrong("--factor", word, "the lower end first, as ID=40..75"));
            }
            WishedLevels::Between(low, high)
        }
        None => WishedLevels::These(levels.split(',').map(|l| l.trim().to_owned()).collect()),
    };
    Ok(WishedFactor { parameter, levels })
}
