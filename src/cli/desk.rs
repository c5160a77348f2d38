//! `blindsteep desk`: the whole job in a browser.

use std::net::IpAddr;
use std::path::PathBuf;

use clap::Args;

use super::{Context, Failure};
use crate::book::Book;
use crate::desk::DeskError;
use crate::desk::server::{self, Lan, Wish};

/// The whole job in a browser: the maker's desk here, ballots on the tasters' phones
#[derive(Debug, Args)]
pub struct DeskArgs {
    /// The book (default: as for every command)
    #[arg(value_name = "BOOK")]
    folder: Option<PathBuf>,
    /// Let phones on the local network reach the ballots, at this machine's address or the one given
    #[arg(long, value_name = "ADDRESS", num_args = 0..=1)]
    lan: Option<Option<IpAddr>>,
    /// A further name under which phones reach this machine; may be repeated
    #[arg(long, value_name = "NAME", requires = "lan")]
    name: Vec<String>,
    /// The desk's port on this machine
    #[arg(long, default_value_t = 7370)]
    port: u16,
    /// The port of the ballots
    #[arg(long, default_value_t = 7371)]
    ballots_port: u16,
    /// A certificate of your own for the ballots (PEM), with --private-key
    #[arg(long, value_name = "FILE", requires = "private_key")]
    certificate: Option<PathBuf>,
    /// The certificate's key (PEM)
    #[arg(long, value_name = "FILE", requires = "certificate")]
    private_key: Option<PathBuf>,
    /// Open no browser; the address is printed
    #[arg(long)]
    no_browser: bool,
}

impl From<DeskError> for Failure {
    fn from(e: DeskError) -> Self {
        match e {
            DeskError::Book(e) => e.into(),
            DeskError::Refused(text) => Self::Command(text),
            DeskError::System { .. } => Self::Disk(e.to_string()),
        }
    }
}

/// Runs the command.
///
/// # Errors
/// Why it did not end well.
pub fn run(args: DeskArgs, context: &mut Context) -> Result<(), Failure> {
    let book = match &args.folder {
        Some(folder) => Book::open(folder)?,
        None => context.book()?,
    };
    let wish = Wish {
        port: args.port,
        ballots_port: args.ballots_port,
        lan: args.lan.map(|address| Lan { address, names: args.name.clone() }),
        browser: !args.no_browser,
        certificate: args.certificate.zip(args.private_key),
    };
    Ok(server::run(book, &wish, &mut context.out)?)
}
