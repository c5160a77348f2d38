//! Does `link` keep what it promises? Lots with planted truth, drawn many times, asked through the
//! same findings as the commands, against limits that were fixed before.
//!
//! `cargo bench --profile release --bench links -- 500 > reports/link-honesty.md`
//!
//! A limit that is missed is said in the table and ends the run with code 1.

mod garden;
mod tables;
#[path = "../panels/tally.rs"]
#[allow(dead_code, reason = "the other harness uses all of it")]
mod tally;

use std::process::ExitCode;

use tally::Tally;

/// The seed of all draws.
const SEED: u64 = 20_261_125;

const HEAD: &str = "# From the cup back to the making: what was planted, and what was said

Made by `cargo bench --profile release --bench links -- RUNS`. Each case draws so many gardens or
tables with something planted, asks them as `link` asks, and counts how often what is said is true.
*limit* was fixed before the first draw; a miss ends the run as a failure. *±* is how far the figure
may lie from its own mean by luck in 99 of 100 runs. Where no limit stands the figure is measured only.

* **The garden** is the invented one of the demo, under many seeds. The truth of an effect is the
  least-squares projection of the mean that the garden's six tasters write (habits, swaps, rounding to
  halves and the ends of the scale counted in) on the lines of the model. Rolling and leaf grade moved
  exactly together in its sixteen lots, and leaf grade has no effect on any term.
* **After the trial**: the lots that `trial --add 4` proposes are made by the same generator under the
  same truth, tasted a month later, and all lots are linked.
* **Tables** are invented anew in each run.";

fn main() -> ExitCode {
    tally::make_pool();
    let args: Vec<String> = std::env::args().skip(1).collect();
    let n: u64 = args.iter().find_map(|a| a.parse().ok()).unwrap_or(500);
    let only = |part: &str| {
        let parts = ["garden", "trial", "tables"];
        let asked = args.iter().any(|a| parts.contains(&a.as_str()));
        !asked || args.iter().any(|a| a == part)
    };
    println!("{HEAD}\n\n{n} runs a case.");
    let mut all = Tally::default();
    let mut part = |name: &str, ask: &(dyn Fn(u64) -> Tally + Sync)| {
        if only(name) {
            all = std::mem::take(&mut all).merge(Tally::of(name, n, ask));
        }
    };
    part("garden", &|i| garden::before(i + 1));
    let further = garden::proposed();
    part("trial", &|i| garden::after(i + 1, &further));
    part("tables", &|i| tables::one(i, SEED));
    all.end()
}
