//! Does the program keep what it promises? Panels with planted truth, drawn many times, asked
//! through the same findings as the commands, against limits that were fixed before.
//!
//! `cargo bench --profile release --bench panels -- 2000 > reports/panel-honesty.md`
//! `cargo bench --profile release --bench panels -- seeds 1000` asks the intervals of habits alone.
//!
//! A limit that is missed is said in the table and ends the run with code 1.

mod agreement;
mod difference;
mod draw;
mod exact;
mod habits;
mod lots;
mod map;
mod seeds;
mod table;
mod tally;

use std::process::ExitCode;

use tally::Tally;

/// The seed of all draws.
const SEED: u64 = 20_260_514;

const HEAD: &str = "# Panels with planted truth, and what was said of them

Made by `cargo bench --profile release --bench panels -- PANELS`. Each case draws so many panels
with something planted, asks them as `agree` and `compare` ask, and counts how often what is said is
true. *limit* was fixed before the first draw; a miss ends the run as a failure. *±* is how far the
figure may lie from its own mean by luck in 99 of 100 runs. Where no limit stands the figure is
measured only: that is what the interval or rate is worth in such a case.

A session is 6 lots, 5 tasters, 2 cups of each lot a taster; standard deviations in points of a scale
from 0 to 10: tasters' levels .8, a taster's own view of a lot .8, one score .6, lots 1 where they
differ. Other cases say what they change. Limits of single intervals are for all panels of a case whose
planted variances lie above 0; those in which a variance was estimated as 0, and the others, are
printed besides. Where tasters use the scale in widths of their own the model has no term for it: what
its intervals are worth then is measured, and `agree` shows the lots corrected for it. The truth is the mean that these tasters write, rounding and
the ends of the scale counted in.";

fn main() -> ExitCode {
    tally::make_pool();
    let args: Vec<String> = std::env::args().skip(1).collect();
    let n: u64 = args.iter().find_map(|a| a.parse().ok()).unwrap_or(tally::ENOUGH);
    let only = |part: &str| {
        let parts = ["lots", "agreement", "exact", "habits", "map", "seeds"];
        let asked = args.iter().any(|a| parts.contains(&a.as_str()));
        if asked { args.iter().any(|a| a == part) } else { part != "seeds" }
    };
    println!("{HEAD}\n\n{n} panels a case.");
    let mut all = Tally::default();
    let mut part = |name: &str, ask: &(dyn Fn(u64) -> Tally + Sync)| {
        if only(name) {
            all = std::mem::take(&mut all).merge(Tally::of(name, n, ask));
        }
    };
    let cases = lots::cases();
    part("lots", &|i| {
        let of = cases.iter().enumerate().map(|(at, case)| lots::one(at, case, i, SEED));
        of.fold(lots::terms(i, SEED), Tally::merge)
    });
    let cases = agreement::cases();
    part("agreement", &|i| {
        let of = cases.iter().enumerate().map(|(at, case)| agreement::one(at, case, i, SEED));
        of.fold(Tally::default(), Tally::merge)
    });
    let counted = exact::counted();
    let sizes = difference::counted();
    part("exact", &|i| exact::one(&counted, i, SEED).merge(difference::one(&sizes, i, SEED)));
    part("habits", &|i| habits::record(i + 1).merge(habits::session(i + 1)));
    // Each map simulates panels of its own: one in ten draws suffices where nothing is held to a limit.
    part("map", &|i| if i % 10 == 0 { map::one(i, SEED) } else { Tally::default() });
    if only("seeds") {
        all = all.merge(habits::seeds(n));
    }
    all.end()
}
