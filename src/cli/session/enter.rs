//! `session enter`: at a prompt, from a table, or one answer.

use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use clap::Args;

use crate::book::session_files::{BallotLine, Flight, Kind, SessionFile};
use crate::book::store;
use crate::book::time::Moment;
use crate::book::vocabulary::{Scale, Term};
use crate::book::{Book, BookError};
use crate::cli::{Context, Failure};
use crate::session::answers::Answers;
use crate::session::ballots::{Ballot, GUESS, GUESS_SURE, Question};
use crate::session::enter::{EnterError, questions};
use crate::session::{Amend, Answer, Entered, Gap, Given, HandIn, Session, State, enter_lines};

/// Who answers, and how.
#[derive(Debug, Args)]
pub struct EnterArgs {
    /// The session: its folder or any unique part of it
    session: String,
    /// Whose answers they are
    #[arg(long, value_name = "WHO")]
    taster: String,
    /// A table: cup,term,value[,steep][,note], or cup and one column a term
    #[arg(long, value_name = "FILE", conflicts_with_all = ["cup", "term", "value"])]
    from: Option<PathBuf>,
    /// One answer: the cup
    #[arg(long, value_name = "CODE", requires_all = ["term", "value"])]
    cup: Option<u16>,
    /// One answer: the term
    #[arg(long, requires = "cup")]
    term: Option<String>,
    /// One answer: the value, - for declined, or lost
    #[arg(long, requires = "cup", allow_hyphen_values = true)]
    value: Option<String>,
    /// One answer: the steep
    #[arg(long, requires = "cup")]
    steep: Option<u32>,
    /// One answer: anything else
    #[arg(long, requires = "cup")]
    note: Option<String>,
    /// Replace answers that stand already
    #[arg(long, requires = "reason")]
    amend: bool,
    /// Why answers are replaced
    #[arg(long, value_name = "WHY", requires = "amend")]
    reason: Option<String>,
    /// Who amends (default: the taster)
    #[arg(long, value_name = "WHO", requires = "amend")]
    by: Option<String>,
    /// The flight that is asked at the prompt, or handed in
    #[arg(long)]
    flight: Option<u32>,
    /// Hand the ballot in although not everything is answered (complete ones from a table are
    /// handed in anyway): untouched ticks and faults become 0
    #[arg(long)]
    hand_in: bool,
    /// Don't hand in
    #[arg(long, conflicts_with = "hand_in")]
    keep_open: bool,
    /// The language of the prompt: en, zh (default: the book's)
    #[arg(long, value_name = "LANGUAGE")]
    language: Option<String>,
}

pub(super) fn run(args: EnterArgs, book: &Book, context: &mut Context) -> Result<(), Failure> {
    let session = Session::open(book, &args.session)?;
    let taster = session.taster(&args.taster)?;
    let amend = args
        .amend
        .then(|| Amend { reason: args.reason.clone().unwrap_or_default(), by: args.by.clone() });
    let hand_in = match (args.hand_in, args.flight) {
        (true, Some(flight)) => HandIn::Flight(flight),
        (true, None) => HandIn::Begun,
        (false, _) if args.from.is_some() && !args.keep_open => HandIn::Complete,
        _ => HandIn::No,
    };
    let mut from = None;
    let answers = if let Some(path) = &args.from {
        let text = store::read_text(path)?;
        let table = Answers::parse(&path.display().to_string(), &text, session.plan(), &taster)
            .map_err(BookError::Records)?;
        let answers = table.answers.clone();
        from = Some(table);
        answers
    } else if let (Some(cup), Some(term), Some(value)) = (args.cup, &args.term, &args.value) {
        let Some(given) = Given::of_text(value) else {
            return Err(Failure::Command(
                "--value is empty\n  expected: a value, - for declined, or lost\n  to mend:  give one"
                    .to_owned(),
            ));
        };
        vec![Answer { cup, steep: args.steep, term: term.clone(), given, note: args.note.clone() }]
    } else if args.hand_in {
        Vec::new()
    } else if args.amend {
        return Err(Failure::Command(
            "nothing is amended\n  to mend:  name one answer with --cup, --term and --value, or a table with --from"
                .to_owned(),
        ));
    } else {
        return prompt(&args, book, &session, &taster, context);
    };
    let now = Moment::now();
    let entered = enter_lines(book, &session.name, &taster, &answers, amend.as_ref(), hand_in, now)
        .map_err(|e| match (e, &from) {
            (EnterError::Misfits(m), Some(table)) => {
                Failure::Records(table.problems(&m).to_string())
            }
            (e @ EnterError::Misfits(_), None) => Failure::Command(e.to_string()),
            (EnterError::Book(e), _) => e.into(),
        })?;
    tell(&taster, &entered, &mut context.out)
}

fn tell(taster: &str, entered: &Entered, out: &mut dyn Write) -> Result<(), Failure> {
    let mut parts = vec![format!("{} new answers", entered.n_new)];
    if entered.n_replaced > 0 {
        parts.push(format!("{} replaced", entered.n_replaced));
    }
    if entered.n_unchanged > 0 {
        parts.push(format!("{} that stood there already", entered.n_unchanged));
    }
    writeln!(out, "{taster}: {}.", parts.join(", "))?;
    for flight in &entered.handed_in {
        match entered.gaps.iter().find(|g| g.flight == *flight) {
            Some(Gap { needed, given, .. }) => writeln!(
                out,
                "Flight {flight} is handed in with {given} of {needed} needed answers."
            )?,
            None => writeln!(out, "Flight {flight} is handed in.")?,
        }
    }
    if entered.n_zeros > 0 {
        writeln!(out, "{} untouched ticks and faults are 0.", entered.n_zeros)?;
    }
    for caution in &entered.cautions {
        writeln!(out, "{caution}")?;
    }
    Ok(())
}

/// Held while an answer is written, so that an interruption falls between two answers.
static WRITING: Mutex<()> = Mutex::new(());

fn stop_between_answers() -> Result<(), Failure> {
    ctrlc::set_handler(|| {
        let _between = WRITING.lock().unwrap_or_else(PoisonError::into_inner);
        let _ = writeln!(std::io::stderr(), "\nStopped. Every answer up to here is saved.");
        std::process::exit(130);
    })
    .map_err(|e| Failure::Ours(format!("cannot watch for Ctrl-C: {e}")))
}

fn prompt(
    args: &EnterArgs,
    book: &Book,
    session: &Session,
    taster: &str,
    context: &mut Context,
) -> Result<(), Failure> {
    if session.state >= State::Closed {
        return Err(Failure::Command(format!(
            "session {} is {}: no more scores are taken\n  to mend:  correct a mistake in writing with --amend --reason WHY; it stays visible as made afterwards",
            session.name, session.state
        )));
    }
    let language = match &args.language {
        Some(language) => language.clone(),
        None => book.book_file()?.value.language().to_owned(),
    };
    let plan = session.plan();
    let ballot = Ballot::open(session, taster)?;
    let flight = match args.flight {
        Some(number) => plan.flights.iter().find(|f| f.number == number).ok_or_else(|| {
            Failure::Command(format!(
                "there is no flight {number}\n  expected: 1 to {}\n  to mend:  correct --flight",
                plan.flights.len()
            ))
        })?,
        None => match plan.flights.iter().find(|f| !ballot.is_handed_in(f.number)) {
            Some(flight) => flight,
            None => {
                writeln!(context.out, "{taster} has handed in all flights of {}.", session.name)?;
                return Ok(());
            }
        },
    };
    stop_between_answers()?;
    let mut asking = Asking {
        book,
        session: &session.name,
        plan,
        flight,
        taster,
        language: &language,
        questions: questions(plan, flight, taster),
        ballot,
    };
    let input = std::io::stdin();
    asking.run(&mut input.lock(), &mut context.out)
}

/// A ballot that is being filled in at the prompt.
struct Asking<'a> {
    book: &'a Book,
    session: &'a str,
    plan: &'a SessionFile,
    flight: &'a Flight,
    taster: &'a str,
    language: &'a str,
    questions: Vec<Question>,
    ballot: Ballot,
}

/// What was typed.
enum Typed {
    Back,
    Stop,
    Text(String),
}

impl Asking<'_> {
    fn run(&mut self, input: &mut dyn BufRead, out: &mut dyn Write) -> Result<(), Failure> {
        self.head(out)?;
        let mut at = 0;
        let mut revisited = false;
        let mut shown = None;
        while let Some(question) = self.questions.get(at).cloned() {
            if !revisited && self.ballot.answer(&question).is_some() {
                at += 1;
                continue;
            }
            let cup = (question.cup, question.steep);
            if shown != Some(cup) {
                shown = Some(cup);
                self.cup_head(&question, out)?;
            }
            write!(out, "{}", self.ask(&question))?;
            out.flush()?;
            match typed(input)? {
                Typed::Stop => return self.stopped(out),
                Typed::Back if at == 0 => writeln!(out, "  This is the first question.")?,
                Typed::Back => {
                    at -= 1;
                    revisited = true;
                }
                Typed::Text(text) => {
                    if self.take(&question, &text, out)? {
                        at += 1;
                        revisited = false;
                    }
                }
            }
        }
        self.offer_to_hand_in(input, out)
    }

    fn head(&self, out: &mut dyn Write) -> Result<(), Failure> {
        writeln!(out, "{}, {}, flight {}", self.session, self.taster, self.flight.number)?;
        writeln!(
            out,
            "Empty: skip.  -: I would rather not say.  lost: the cup is lost.  b: back.  q: stop."
        )?;
        writeln!(
            out,
            "Every answer is saved at once. Taste below 60 °C; spit; you may decline without a reason."
        )?;
        if let Some(code) = self.flight.warm_up {
            writeln!(out, "First taste the warm-up cup {code}. It is not scored.")?;
        }
        Ok(())
    }

    fn cup_head(&self, question: &Question, out: &mut dyn Write) -> Result<(), Failure> {
        if self.plan.kind.is_choice() {
            let cups: Vec<String> =
                self.flight.order_of(self.taster).iter().map(u16::to_string).collect();
            writeln!(out, "\nCups in this order: {}", cups.join(", "))?;
            return Ok(());
        }
        let order = self.flight.order_of(self.taster);
        let place = order.iter().position(|c| *c == question.cup).map_or(0, |p| p + 1);
        let steep = match question.steep {
            Some(steep) if self.plan.n_steeps() > 1 => format!(", steep {steep}"),
            _ => String::new(),
        };
        writeln!(out, "\nCup {}{steep} ({place} of {})", question.cup, order.len())?;
        Ok(())
    }

    fn ask(&self, question: &Question) -> String {
        let choice = self.plan.kind.is_choice() && question.term != GUESS_SURE;
        let said = |l: &BallotLine| match l.cup.filter(|_| choice && l.value.is_some()) {
            Some(cup) => cup.to_string(),
            None => l.value.as_deref().unwrap_or(l.state.word()).to_owned(),
        };
        let now =
            self.ballot.answer(question).map(|l| format!(" [{}]", said(l))).unwrap_or_default();
        if let Some(asked) = self.ask_of_set(question) {
            return format!("  {asked}{now}: ");
        }
        match self.plan.term(&question.term) {
            Some(term) => {
                format!("  {} ({}){now}: ", term.label(self.language), hint(term, self.language))
            }
            None if question.term == GUESS => format!("  Which lot do you think it is?{now}: "),
            None => format!("  Are you sure? (sure, unsure){now}: "),
        }
    }

    /// The question about a set of cups; none for a single cup.
    fn ask_of_set(&self, question: &Question) -> Option<String> {
        if question.term == GUESS_SURE {
            return None;
        }
        let label = self.plan.term(&question.term).map(|t| t.label(self.language).to_owned());
        let label = label.unwrap_or_default();
        let cups: Vec<String> =
            self.plan.answerable(self.flight, self.taster).iter().map(u16::to_string).collect();
        let cups = cups.join(", ");
        Some(match self.plan.kind {
            Kind::Profile => return None,
            Kind::Ranking => format!("{label}: rank, 1 = most"),
            Kind::Triangle => format!("Which cup is the odd one? ({cups})"),
            Kind::DuoTrio => format!("Which cup is the same tea as the first? ({cups})"),
            Kind::Paired => format!("Which cup has more of this: {label}? ({cups})"),
        })
    }

    /// The cup and what was said of it: of a choice the code is typed.
    fn given(&self, question: &Question, text: &str) -> Option<(u16, Given)> {
        let given = Given::of_text(text)?;
        if !self.plan.kind.is_choice() {
            return Some((question.cup, given));
        }
        let first = self.flight.order_of(self.taster).first().copied().unwrap_or(question.cup);
        Some(match given {
            Given::Scored(code) if question.term != GUESS_SURE => {
                // What is no code is no cup of the session either, and is told so.
                (code.parse().unwrap_or(0), Given::Scored("1".to_owned()))
            }
            other => (first, other),
        })
    }

    /// Saves an answer; whether the next question may follow.
    fn take(
        &mut self,
        question: &Question,
        text: &str,
        out: &mut dyn Write,
    ) -> Result<bool, Failure> {
        let Some((cup, given)) = self.given(question, text) else { return Ok(true) };
        let answer =
            Answer { cup, steep: question.steep, term: question.term.clone(), given, note: None };
        let again = Amend { reason: "changed while tasting".to_owned(), by: None };
        let amend = self.ballot.answer(question).is_some().then_some(&again);
        let written = {
            let _writing = WRITING.lock().unwrap_or_else(PoisonError::into_inner);
            enter_lines(
                self.book,
                self.session,
                self.taster,
                &[answer],
                amend,
                HandIn::No,
                Moment::now(),
            )
        };
        match written {
            Ok(entered) => {
                for caution in entered.cautions {
                    writeln!(out, "  {caution}")?;
                }
                self.reread()?;
                Ok(true)
            }
            Err(EnterError::Misfits(misfits)) => {
                for m in misfits {
                    let w = m.wrong;
                    writeln!(out, "    {}; expected: {}; {}", w.found, w.expected, w.mend)?;
                }
                Ok(false)
            }
            Err(EnterError::Book(e)) => Err(e.into()),
        }
    }

    fn reread(&mut self) -> Result<(), Failure> {
        let session = Session::open(self.book, self.session)?;
        self.ballot = Ballot::open(&session, self.taster)?;
        Ok(())
    }

    fn n_answered(&self) -> usize {
        self.questions.iter().filter(|q| self.ballot.answer(q).is_some()).count()
    }

    fn stopped(&self, out: &mut dyn Write) -> Result<(), Failure> {
        writeln!(
            out,
            "\nStopped: {} of {} questions are answered and saved. The same command goes on at the first open one.",
            self.n_answered(),
            self.questions.len()
        )?;
        Ok(())
    }

    fn offer_to_hand_in(
        &mut self,
        input: &mut dyn BufRead,
        out: &mut dyn Write,
    ) -> Result<(), Failure> {
        if self.ballot.is_handed_in(self.flight.number) {
            writeln!(out, "Flight {} was handed in before.", self.flight.number)?;
            return Ok(());
        }
        write!(
            out,
            "\n{} of {} questions are answered. Hand in? Untouched ticks and faults become 0, and \
             later changes need a reason. (y/n): ",
            self.n_answered(),
            self.questions.len()
        )?;
        out.flush()?;
        let yes = matches!(typed(input)?, Typed::Text(t) if ["y", "yes"].contains(&t.to_lowercase().as_str()));
        if !yes {
            writeln!(out, "Not handed in; all answers are saved.")?;
            return Ok(());
        }
        let entered = {
            let _writing = WRITING.lock().unwrap_or_else(PoisonError::into_inner);
            enter_lines(
                self.book,
                self.session,
                self.taster,
                &[],
                None,
                HandIn::Flight(self.flight.number),
                Moment::now(),
            )
            .map_err(BookError::from)?
        };
        for flight in &entered.handed_in {
            writeln!(out, "Flight {flight} is handed in. Thank you.")?;
        }
        Ok(())
    }
}

fn typed(input: &mut dyn BufRead) -> Result<Typed, Failure> {
    let mut line = String::new();
    let read = input
        .read_line(&mut line)
        .map_err(|e| Failure::Command(format!("what was typed is not text: {e}")))?;
    Ok(match line.trim() {
        "" if read == 0 => Typed::Stop,
        "q" => Typed::Stop,
        "b" => Typed::Back,
        text => Typed::Text(text.to_owned()),
    })
}

/// How a term is answered, in a few words.
fn hint(term: &Term, language: &str) -> String {
    match &term.scale {
        Scale::Line { low, high, step, ends } | Scale::Bipolar { low, high, step, ends } => {
            let ends = ends.get(language).or_else(|| ends.get("en"));
            match ends {
                Some([from, to]) => format!("{low} {from} … {high} {to}, step {step}"),
                None => format!("{low} … {high}, step {step}"),
            }
        }
        Scale::Ordered { levels } | Scale::Nominal { levels } => {
            let words: Vec<String> = levels
                .iter()
                .map(|l| {
                    let label = l.labels.or(language, &l.id);
                    if label.eq_ignore_ascii_case(&l.id) {
                        l.id.clone()
                    } else {
                        format!("{} {label}", l.id)
                    }
                })
                .collect();
            words.join(" / ")
        }
        Scale::Tick => "1 there, 0 not".to_owned(),
        Scale::Fault => "0 absent, 1 trace, 2 clear, 3 rejects".to_owned(),
        Scale::Note => "free words".to_owned(),
    }
}
