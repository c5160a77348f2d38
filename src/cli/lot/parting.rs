//! `lot split`, `blend`, `refire` and `move`: what becomes of a lot.

use std::io::Write as _;

use clap::Args;

use super::{how, lot_and_arm, parent, setting, warn};
use crate::book::lots::{LotFile, Parent};
use crate::book::moves::{Move, move_lot};
use crate::book::parting::{self, NewTea, Parted, Taken};
use crate::book::time::{Day, Moment};
use crate::book::units::kilograms;
use crate::book::when::When;
use crate::book::writing::{NewArm, NewLot};
use crate::book::{Book, lot_warnings};
use crate::cli::{Context, Failure};
use crate::session::splitting::split_lot;
use crate::views::lot_text as view;

#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("parts").required(true).args(["arms", "into"])))]
pub(super) struct SplitArgs {
    /// The lot; with --into also one of its arms, as LOT@ARM
    #[arg(value_name = "LOT[@ARM]")]
    id: String,
    /// An arm, named by how it is stored: dry, humid, or dry=10kg; give it for each
    #[arg(long = "arm", value_name = "ARM[=KG]", value_parser = new_arm)]
    arms: Vec<NewArm>,
    /// A lot of its own with the kilograms that go into it, as T26-01A=2.5kg; give it for each
    #[arg(long, value_name = "NEW=KG", value_parser = new_child)]
    into: Vec<(String, f64)>,
    /// The day of the split (default: today)
    #[arg(long, value_name = "DAY")]
    on: Option<Day>,
}

#[derive(Debug, Args)]
pub(super) struct BlendArgs {
    /// The id of the new lot
    id: String,
    /// What goes in, as T26-01=2.5kg or T26-02@humid=1kg; give it for each
    #[arg(long, value_name = "LOT[@ARM]=KG", required = true, value_parser = taken)]
    from: Vec<Taken>,
    /// The day of blending
    #[arg(long, value_name = "DAY")]
    made: Day,
    /// The class of tea (default: that of what goes in, if it is one)
    #[arg(long)]
    class: Option<String>,
    /// Kilograms that came out (default: the sum of what went in)
    #[arg(long, value_parser = some_kilograms)]
    kg: Option<f64>,
    #[command(flatten)]
    more: More,
}

#[derive(Debug, Args)]
pub(super) struct RefireArgs {
    /// The id of the new lot
    id: String,
    /// What is fired again, as T26-01=2.5kg or T26-02@humid=1kg
    #[arg(long, value_name = "LOT[@ARM]=KG", value_parser = taken)]
    from: Taken,
    /// The day on which drying ended
    #[arg(long, value_name = "DAY")]
    made: Day,
    /// Kilograms that came out
    #[arg(long, value_parser = some_kilograms)]
    kg: Option<f64>,
    #[command(flatten)]
    more: More,
}

/// What may be told of any lot that comes of others.
#[derive(Debug, Args)]
struct More {
    /// Grams put into the reserve for tasting
    #[arg(long, value_name = "GRAMS")]
    reserve: Option<f64>,
    /// A value of its making, as dry.temperature=80; give it for each
    #[arg(long, value_name = "STEP.NAME=VALUE", value_parser = setting)]
    set: Vec<(String, String)>,
    /// The values are estimated, not measured
    #[arg(long)]
    estimated: bool,
    /// Who writes
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
    /// Anything else
    #[arg(long)]
    notes: Option<String>,
}

#[derive(Debug, Args)]
pub(super) struct MoveArgs {
    /// The lot, or one of its arms, as LOT@ARM
    #[arg(value_name = "LOT[@ARM]")]
    id: String,
    /// Where it is kept
    #[arg(long)]
    place: Option<String>,
    /// What it is packed in
    #[arg(long)]
    pack: Option<String>,
    /// The mean temperature, as 20 or 68°F
    #[arg(long, allow_negative_numbers = true)]
    temperature: Option<String>,
    /// The mean relative humidity, in percent
    #[arg(long)]
    humidity: Option<String>,
    /// When, as 2026-05-14T15:04 (by the book's clock), or a day: noon of it (default: now)
    #[arg(long, value_name = "MOMENT")]
    on: Option<When>,
    /// The values are estimated, not measured
    #[arg(long)]
    estimated: bool,
    /// Who writes
    #[arg(long, value_name = "WHO")]
    by: Option<String>,
    /// Anything else
    #[arg(long)]
    note: Option<String>,
}

fn new_arm(text: &str) -> Result<NewArm, String> {
    let Some((id, kg)) = text.split_once('=') else { return Ok(text.trim().into()) };
    let kg = kilograms(kg).ok_or("write the kilograms behind the =, as in dry=10")?;
    Ok(NewArm { id: id.trim().to_owned(), kg: Some(kg) })
}

fn new_child(text: &str) -> Result<(String, f64), String> {
    let (id, kg) = text.split_once('=').ok_or("write it as NEW=KG, as in T26-01A=2.5kg")?;
    let kg = kilograms(kg).ok_or("write the kilograms behind the =, as in T26-01A=2.5kg")?;
    Ok((id.trim().to_owned(), kg))
}

fn taken(text: &str) -> Result<Taken, String> {
    let Parent { lot, arm, kg } = parent(text)?;
    let kg = kg.ok_or("write the kilograms behind a =, as in T26-01=2.5kg")?;
    Ok(Taken { lot, arm, kg })
}

fn some_kilograms(text: &str) -> Result<f64, String> {
    kilograms(text).ok_or_else(|| "write kilograms, more than 0, as in 2.5 or 250g".to_owned())
}

impl More {
    fn of(self, file: LotFile) -> NewLot {
        NewLot {
            file: LotFile { notes: self.notes, ..file },
            reserve_g: self.reserve,
            values: self.set,
            how: how(self.estimated),
            by: self.by,
        }
    }
}

pub(super) fn split(split: SplitArgs, book: &Book, context: &mut Context) -> Result<(), Failure> {
    let on = split.on.unwrap_or_else(|| Moment::now().day());
    if split.into.is_empty() {
        if split.id.contains('@') {
            return Err(Failure::Command(format!(
                "{} is an arm already, and arms have no arms\n  expected: a lot to be split into \
                 arms\n  to mend:  split the arm into lots of their own with --into NEW=KG",
                split.id
            )));
        }
        split_lot(book, &split.id, &split.arms, on)?;
        let arms: Vec<&str> = split.arms.iter().map(|a| a.id.as_str()).collect();
        writeln!(context.out, "lot {} is split into {}", split.id, arms.join(" and "))?;
        return Ok(());
    }
    let (lot, arm) = lot_and_arm(&split.id);
    let rng = &mut Context::rng()?;
    let from = (lot.as_str(), arm.as_deref());
    let parted = parting::split_into(book, from, &split.into, on, Moment::now(), rng)?;
    tell(&view::split_off(&parted), &parted, book, context)
}

pub(super) fn move_in_store(
    moved: MoveArgs,
    book: &Book,
    context: &mut Context,
) -> Result<(), Failure> {
    let (lot, arm) = lot_and_arm(&moved.id);
    let new = Move {
        place: moved.place,
        pack: moved.pack,
        temperature: moved.temperature,
        humidity: moved.humidity,
        on: moved.on.map(|w| w.on_clock_of(book)),
        how: how(moved.estimated),
        by: moved.by,
        note: moved.note,
    };
    let from = (lot.as_str(), arm.as_deref());
    let (lot, lines) = move_lot(book, from, &new, Moment::now(), &mut Context::rng()?)?;
    for line in &lines {
        writeln!(context.out, "{}", view::logged(&lot, line))?;
    }
    warn(&lot, &book.book_file()?.value, book, context)
}

pub(super) fn blend(args: BlendArgs, book: &Book, context: &mut Context) -> Result<(), Failure> {
    let class = args.class.unwrap_or_default();
    let file = LotFile { kg: args.kg, ..LotFile::new(&args.id, &class, args.made) };
    let tea = NewTea { new: args.more.of(file), from: args.from };
    let parted = parting::blend(book, &tea, Moment::now(), &mut Context::rng()?)?;
    tell(&view::out_of(&parted, "blended"), &parted, book, context)
}

pub(super) fn refire(args: RefireArgs, book: &Book, context: &mut Context) -> Result<(), Failure> {
    let file = LotFile { kg: args.kg, ..LotFile::new(&args.id, "", args.made) };
    let tea = NewTea { new: args.more.of(file), from: vec![args.from] };
    let parted = parting::refire(book, &tea, Moment::now(), &mut Context::rng()?)?;
    tell(&view::out_of(&parted, "fired again"), &parted, book, context)
}

fn tell(text: &str, parted: &Parted, book: &Book, context: &mut Context) -> Result<(), Failure> {
    write!(context.out, "{text}")?;
    for warning in &parted.warnings {
        writeln!(context.out, "\nwarning: {warning}")?;
    }
    let limits = book.book_file()?.value.limits;
    let lots = book.lots()?;
    for lot in &parted.lots {
        // A parent in quarantine is told of above.
        let mut warnings = lot_warnings::leaf(&[lot], &lots, &limits, Moment::now().day());
        warnings.extend(lot_warnings::slips(&[lot], Moment::now()));
        for warning in warnings {
            writeln!(context.out, "\nwarning: {warning}")?;
        }
    }
    Ok(())
}
