//! The command line: one file a command. Only here and in the pages of the desk are results
//! printed and errors turned into words and exit codes.

mod age;
mod agree;
mod asked;
mod begin;
mod charts;
mod check;
mod compare;
mod demo;
mod desk;
mod difference;
mod due;
mod link;
mod lot;
mod practice;
mod session;
mod sheet;
mod table_args;
mod taster;
mod trial;

use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::SeedableRng as _;

use crate::book::store::StoreError;
use crate::book::{Book, BookError};

/// Blind cupping for small tea makers and the panels that taste for them.
#[derive(Debug, Parser)]
#[command(name = "blindsteep", version, max_term_width = 100, disable_help_subcommand = true)]
struct Cli {
    /// The book (default: the one you stand in)
    #[arg(long, global = true, env = "BLINDSTEEP_BOOK", value_name = "DIR")]
    book: Option<PathBuf>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::DemoArgs),
    Begin(begin::Begin),
    Check(check::Check),
    Lot(lot::LotCommand),
    Taster(taster::Taster),
    /// Plan, taste, close and reveal blind sessions
    #[command(subcommand)]
    Session(session::SessionCommand),
    /// Do the tasters agree?
    Agree(agree::AgreeArgs),
    /// Which lots differ?
    Compare(compare::CompareArgs),
    /// Are two samples told apart? Triangle, duo-trio and paired tests
    Difference(difference::DifferenceArgs),
    /// What can a buyer be told? One page of a lot
    Sheet(sheet::SheetArgs),
    /// How do stored lots move?
    Age(age::AgeArgs),
    /// What is to be tasted again, with what leaf: plan it, or write it into a calendar
    Due(due::DueArgs),
    /// Which step of the making did it?
    Link(link::LinkArgs),
    /// What to make next: the batches that tell the most
    Trial(trial::TrialArgs),
    Desk(desk::DeskArgs),
}

/// Why a command did not end well, with its exit code.
#[derive(Debug)]
pub enum Failure {
    /// 1: the records are wrong.
    Records(String),
    /// 2: the command is wrong, or the session is not revealed.
    Command(String),
    /// 3: our fault.
    Ours(String),
    /// 4: disk, permission or lock.
    Disk(String),
    /// 130: interrupted.
    Interrupted(String),
    /// Whoever read our output has gone away: nothing to say.
    Closed,
}

impl Failure {
    /// The exit code of the process.
    #[must_use]
    pub fn code(&self) -> u8 {
        match self {
            Self::Closed => 0,
            Self::Records(_) => 1,
            Self::Command(_) => 2,
            Self::Ours(_) => 3,
            Self::Disk(_) => 4,
            Self::Interrupted(_) => 130,
        }
    }
}

impl From<StoreError> for Failure {
    fn from(e: StoreError) -> Self {
        match e {
            StoreError::NotText { .. } | StoreError::TooLarge { .. } => {
                Self::Records(e.to_string())
            }
            StoreError::Exists(_) => Self::Command(e.to_string()),
            _ => Self::Disk(e.to_string()),
        }
    }
}

impl From<BookError> for Failure {
    fn from(e: BookError) -> Self {
        match e {
            BookError::Records(p) => Self::Records(p.to_string()),
            BookError::Store(e) => e.into(),
            BookError::NotABook(_) | BookError::Refused(_) => Self::Command(e.to_string()),
        }
    }
}

impl From<io::Error> for Failure {
    fn from(e: io::Error) -> Self {
        if e.kind() == io::ErrorKind::BrokenPipe {
            Self::Closed
        } else {
            Self::Disk(format!("cannot write the output: {e}"))
        }
    }
}

/// What every command is given.
pub struct Context {
    book: Option<PathBuf>,
    /// Where results go: standard output.
    pub out: Box<dyn Write>,
}

impl Context {
    /// Randomness from the operating system, for the entries of logs.
    fn rng() -> Result<ChaCha12Rng, Failure> {
        let mut seed = [0_u8; 32];
        getrandom::fill(&mut seed)
            .map_err(|e| Failure::Disk(format!("the system gives no random numbers: {e}")))?;
        Ok(ChaCha12Rng::from_seed(seed))
    }

    /// Whether a book was named, by the flag or the variable.
    #[must_use]
    pub fn names_book(&self) -> bool {
        self.book.is_some()
    }

    /// The book: the flag, then the variable, then the folder one stands in.
    ///
    /// # Errors
    /// If there is none.
    pub fn book(&self) -> Result<Book, Failure> {
        match &self.book {
            Some(dir) => Ok(Book::open(dir)?),
            None => {
                let here = std::env::current_dir()
                    .map_err(|e| Failure::Disk(format!("cannot see the current folder: {e}")))?;
                Ok(Book::around(&here)?)
            }
        }
    }
}

/// Bytes of stack of each worker.
const WORKER_STACK: usize = 32 << 20;

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            let wrong = e.use_stderr();
            let _ = e.print();
            return if wrong { ExitCode::from(2) } else { ExitCode::SUCCESS };
        }
    };
    // Work that is stolen while a worker waits for its own lies on its stack.
    let _ = rayon::ThreadPoolBuilder::new().stack_size(WORKER_STACK).build_global();
    let mut context =
        Context { book: cli.book, out: Box::new(io::BufWriter::new(io::stdout().lock())) };
    let result =
        run(cli.command, &mut context).and_then(|()| context.out.flush().map_err(Failure::from));
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            let code = failure.code();
            let _ = context.out.flush();
            if let Failure::Records(text)
            | Failure::Command(text)
            | Failure::Ours(text)
            | Failure::Disk(text)
            | Failure::Interrupted(text) = failure
            {
                let _ = writeln!(io::stderr(), "{text}");
            }
            ExitCode::from(code)
        }
    }
}

fn run(command: Command, context: &mut Context) -> Result<(), Failure> {
    match command {
        Command::Demo(args) => demo::run(&args, context),
        Command::Begin(args) => begin::run(args, context),
        Command::Check(args) => check::run(args, context),
        Command::Lot(args) => lot::run(args, context),
        Command::Session(command) => session::run(command, context),
        Command::Taster(args) => taster::run(args, context),
        Command::Agree(args) => agree::run(&args, context),
        Command::Compare(args) => compare::run(&args, context),
        Command::Difference(args) => difference::run(&args, context),
        Command::Sheet(args) => sheet::run(&args, context),
        Command::Age(args) => age::run(&args, context),
        Command::Due(args) => due::run(&args, context),
        Command::Link(args) => link::run(&args, context),
        Command::Trial(args) => trial::run(&args, context),
        Command::Desk(args) => desk::run(args, context),
    }
}
