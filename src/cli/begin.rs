//! `begin`: starts a book.

use std::path::PathBuf;

use clap::Args;

use super::{Context, Failure};
use crate::book::starter::{Beginning, begin};

/// Start a book in a new folder
#[derive(Debug, Args)]
pub struct Begin {
    /// The new folder
    dir: PathBuf,
    /// What the book is called (default: the folder's name)
    #[arg(long)]
    title: Option<String>,
    /// Where the panel tastes
    #[arg(long)]
    place: Option<String>,
    /// Metres above the sea: water boils cooler on a mountain
    #[arg(long, value_name = "METRES", allow_negative_numbers = true)]
    altitude: Option<f64>,
    /// The time zone, as Asia/Shanghai (default: that of this machine)
    #[arg(long)]
    zone: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// If the folder is taken, or the disk refuses.
pub fn run(args: Begin, context: &mut Context) -> Result<(), Failure> {
    let zone = args.zone.or_else(|| jiff::tz::TimeZone::system().iana_name().map(str::to_owned));
    let beginning =
        Beginning { title: args.title, place: args.place, altitude_m: args.altitude, zone };
    begin(&args.dir, &beginning)?;
    writeln!(
        context.out,
        "The book {dir} has begun. Its files can be edited:\n  \
         book.toml        title, place, defaults, the panel's own limits\n  \
         vocabulary.toml  the words and scales\n  \
         parameters.toml  what is recorded of making and storage\n  \
         recipes.toml     how cups are brewed\n  \
         retasting.toml   when stored lots are tasted again\n\
         Next: stand in the folder, then\n  \
         blindsteep taster add ann\n  \
         blindsteep lot add T26-01 --class black --made 2026-05-01\n  \
         blindsteep check",
        dir = args.dir.display()
    )?;
    Ok(())
}
