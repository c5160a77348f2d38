//! `session plan`.

use std::io::Write as _;

use clap::Args;

use crate::book::Book;
use crate::book::ids;
use crate::book::problem::did_you_mean;
use crate::book::session_files::{Kind, TestPlan};
use crate::book::time::{Day, Moment};
use crate::cli::{Context, Failure};
use crate::plots::Lang;
use crate::scores::ALPHA;
use crate::session::plan::LeafNeed;
use crate::session::{self, DealSecret, Duplicates, FlightRequest, PlanRequest, Planned, Terms};
use crate::views::planned::{balance, decided, hopeless, load, too_much};

/// What is planned.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// What the session is called; its folder has the day before it
    name: String,
    /// The lots, as LOT or LOT@ARM
    #[arg(long, value_name = "LOT,…", value_delimiter = ',', required_unless_present = "flight")]
    lots: Vec<String>,
    /// The lots of one flight; repeat it for each flight (a lot in two flights is brewed twice)
    #[arg(long, value_name = "LOT,…", conflicts_with_all = ["lots", "replicates"])]
    flight: Vec<String>,
    /// The tasters
    #[arg(long, value_name = "WHO,…", value_delimiter = ',', required = true)]
    tasters: Vec<String>,
    /// What is asked: profile (score terms), ranking (put cups in order by a term), triangle (two
    /// of three cups are the same: which is odd?), duo-trio (which of two cups is the same as the
    /// reference?) or paired (which of two cups has more of a term?)
    #[arg(long, default_value = "profile", value_parser = kind)]
    kind: Kind,
    /// Each taster has this many of a flight's cups, shared out evenly, when there are more lots
    /// than a palate takes (profile and ranking)
    #[arg(long, value_name = "N")]
    per_taster: Option<usize>,
    /// How often each lot is brewed anew, in a flight of its own each time
    #[arg(long, value_name = "N", default_value_t = 1)]
    replicates: usize,
    /// How many lots of each flight get a second code; which ones is dealt
    #[arg(long, value_name = "N", default_value_t = 0, conflicts_with = "duplicate_of")]
    duplicates: usize,
    /// The lots that get a second code in their flight
    #[arg(long, value_name = "LOT,…", value_delimiter = ',')]
    duplicate_of: Vec<String>,
    /// The frozen sample that every flight has a cup of; in a duo-trio the lot that is everybody's
    /// reference (default: each of the two for half of the tasters)
    #[arg(long, value_name = "LOT")]
    reference: Option<String>,
    /// Pour a cup of this first in every flight; it is not scored
    #[arg(long, value_name = "LOT")]
    warm_up: Option<String>,
    /// The recipe (default: the book's)
    #[arg(long, value_name = "ID")]
    recipe: Option<String>,
    /// The terms that are asked, or all (default: the book's default terms)
    #[arg(long, value_name = "TERM,…|all", value_delimiter = ',')]
    terms: Vec<String>,
    /// The day; repeat it for each replicate or each flight (default: today)
    #[arg(long, value_name = "DATE", value_parser = |s: &str| s.parse::<Day>())]
    day: Vec<Day>,
    /// The most scored cups in a flight (default: the book's limit)
    #[arg(long, value_name = "N")]
    flight_size: Option<usize>,
    /// The public seed that arranges codes and serving orders (default: a random one)
    #[arg(long, value_name = "N")]
    order_seed: Option<u32>,
    /// Ask which lot a cup is thought to be
    #[arg(long)]
    guess: bool,
    /// Paired: the lot that is expected to have more, which makes the test one-sided; it is sealed
    /// in the key
    #[arg(long, value_name = "LOT")]
    expected: Option<String>,
    /// How often a test may claim a difference where there is none (default: 0.05; not in a
    /// profile session)
    #[arg(long, value_name = "SHARE")]
    alpha: Option<f64>,
    /// To show that two lots are alike: the share of people telling them apart that would matter
    #[arg(long, value_name = "SHARE")]
    distinguishers: Option<f64>,
    /// To show that two lots are alike: how often that share is to be noticed
    #[arg(long, value_name = "SHARE")]
    power: Option<f64>,
    /// Ranking: cups may share a rank
    #[arg(long)]
    ties: bool,
    /// You pour and taste alone: codes are given to tins on a shelf, the key comes after closing
    #[arg(long)]
    alone: bool,
}

fn kind(word: &str) -> Result<Kind, String> {
    Kind::of_word(word).ok_or_else(|| {
        let kinds = Kind::ALL.map(Kind::word);
        did_you_mean(word, kinds, &format!("the kinds are {}", kinds.join(", ")))
    })
}

pub(super) fn run(
    args: PlanArgs,
    book: &Book,
    now: Moment,
    context: &mut Context,
) -> Result<(), Failure> {
    let order_seed = match args.order_seed {
        Some(seed) => seed,
        None => getrandom::u32().map_err(|e| {
            Failure::Ours(format!("the operating system gives no random bits: {e}"))
        })?,
    };
    let terms = match args.terms.as_slice() {
        [] => Terms::Default,
        [all] if all == "all" => Terms::All,
        _ => Terms::Of(args.terms),
    };
    let duplicates = if args.duplicate_of.is_empty() {
        Duplicates::Dealt(args.duplicates)
    } else {
        Duplicates::Of(args.duplicate_of)
    };
    let said =
        args.alpha.is_some() || args.distinguishers.is_some() || args.power.is_some() || args.ties;
    let test = (said || args.kind != Kind::Profile).then(|| TestPlan {
        alpha: args.alpha.unwrap_or(ALPHA),
        distinguishers: args.distinguishers,
        power: args.power,
        ties: args.ties,
    });
    let flights = args.flight.iter().map(|lots| flight(lots, &duplicates)).collect();
    let request = PlanRequest {
        flights,
        name: args.name,
        kind: args.kind,
        lots: args.lots,
        tasters: args.tasters,
        replicates: args.replicates,
        duplicates: if args.flight.is_empty() { duplicates } else { Duplicates::Dealt(0) },
        reference: args.reference,
        warm_up: args.warm_up,
        recipe: args.recipe,
        terms,
        days: args.day,
        flight_size: args.flight_size,
        order_seed,
        per_taster: args.per_taster,
        guess: args.guess,
        test,
        expected: args.expected,
        alone: args.alone,
    };
    let planned = session::plan(book, &request, now, DealSecret::from_system()?)?;
    tell(&planned, context)
}

/// A flight from its list of lots; of the named duplicates those that are in it.
fn flight(lots: &str, duplicates: &Duplicates) -> FlightRequest {
    let lots: Vec<String> = lots.split(',').map(|l| l.trim().to_owned()).collect();
    let duplicates = match duplicates {
        Duplicates::Dealt(n) => Duplicates::Dealt(*n),
        Duplicates::Of(names) => Duplicates::Of(
            names.iter().filter(|n| lots.iter().any(|l| ids::same(l, n))).cloned().collect(),
        ),
    };
    FlightRequest { lots, duplicates }
}

pub(in crate::cli) fn tell(planned: &Planned, context: &mut Context) -> Result<(), Failure> {
    let out = &mut context.out;
    let plan = &planned.plan;
    writeln!(out, "Session {} is planned.", planned.session)?;
    let asked = match plan.kind {
        Kind::Profile => format!("Terms: {}", plan.terms.len()),
        kind => format!("{}: {}", kind.word(), kind.meaning()),
    };
    writeln!(
        out,
        "Tasters: {}. Recipe: {}. {asked}{} Order seed: {}.",
        plan.tasters.join(", "),
        plan.recipe.id,
        if asked.ends_with('?') { "" } else { "." },
        plan.order_seed
    )?;
    if let Some(test) = &plan.test {
        writeln!(out, "Decided beforehand: {}.", decided(plan, test, planned.one_sided, Lang::En))?;
        if let Some(warning) = hopeless(plan, test, planned.one_sided, Lang::En) {
            writeln!(out, "{warning}")?;
        }
    }
    for (flight, even) in plan.flights.iter().zip(&planned.balances) {
        let codes: Vec<String> = flight.cups.iter().map(u16::to_string).collect();
        let first =
            flight.warm_up.map(|c| format!(" after the warm-up cup {c}")).unwrap_or_default();
        writeln!(out, "Flight {}, {}: cups {}{first}", flight.number, flight.day, codes.join(" "))?;
        writeln!(out, "  {}", balance(even, Lang::En))?;
    }
    writeln!(out, "{}", load(plan, Lang::En))?;
    if let Some(text) = too_much(plan, Lang::En) {
        writeln!(out, "{text} --terms names them, --per-taster shares the cups out.")?;
    }
    writeln!(out, "Leaf, at most:")?;
    for LeafNeed { sample, need_g, left_g } in &planned.leaf {
        match left_g {
            Some(left) => {
                writeln!(out, "  {sample}: {need_g:.1} g of {left:.1} g left in reserve")?
            }
            None => writeln!(out, "  {sample}: {need_g:.1} g; no reserve is recorded")?,
        }
    }
    match &plan.key_digest {
        Some(digest) => {
            writeln!(out, "The key is sealed. Its digest, printed on every ballot:\n  {digest}")?;
        }
        None => writeln!(
            out,
            "Nothing is sealed: you pour and taste alone. Put the samples into tins that look \
             alike, the lot's name under each; shuffle them twice with a night between; set them \
             on a shelf without looking, places 1 to {}. `session pour` says which cup comes from \
             which place. Look under the tins when the session is closed.",
            plan.flights
                .iter()
                .flat_map(|f| f.shelf.iter().chain(&f.warm_up_shelf))
                .max()
                .unwrap_or(&0)
        )?,
    }
    for warning in &planned.warnings {
        writeln!(out, "warning: {warning}")?;
    }
    for caution in [
        "Boiling water scalds; taste below 60 °C; spit, for caffeine adds up over cups.",
        "Name allergens that are on the table. Anyone may decline a cup without a reason.",
    ] {
        writeln!(out, "{caution}")?;
    }
    Ok(())
}
