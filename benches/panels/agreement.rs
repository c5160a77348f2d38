//! What `agree` says of a panel: intraclass correlations, alpha, W.

use blindsteep::findings::Settings;
use blindsteep::findings::agree::agree;
use blindsteep::findings::answer::{Answer, Estimate};
use blindsteep_stats::icc::{IccComponents, from_components};
use blindsteep_stats::rng::stream;

use crate::draw::{Plan, SESSION, draw};
use crate::table::{Columns, scores};
use crate::tally::{Limit, SIZE, Tally};

const PLAIN: Columns = Columns { flight: false, brew: false };
const FULL: Columns = Columns { flight: true, brew: true };

/// All cases; lots are drawn, for they are a sample to these figures.
pub fn cases() -> Vec<(&'static str, Plan, Columns)> {
    let session = Plan { spread: 1.0, lots_drawn: true, ..SESSION };
    vec![
        ("6 lots, 5 tasters, 2 cups", session, PLAIN),
        ("3 lots, 4 tasters, 2 cups", Plan { shape: (3, 4, 2), ..session }, PLAIN),
        ("12 lots, 8 tasters, 3 cups", Plan { shape: (12, 8, 3), ..session }, PLAIN),
        ("one cup a lot", Plan { shape: (6, 5, 1), ..session }, PLAIN),
        ("lots alike", Plan { spread: 0.0, ..session }, PLAIN),
        ("absent in 1 flight of 5", Plan { absent: 0.2, ..session }, PLAIN),
        ("flights and pots", Plan { pot: 0.4, flight: 0.3, ..session }, FULL),
        ("no variance but of lots and scores", Plan { view: 0.0, offset: 0.0, ..session }, PLAIN),
    ]
}

/// Asks one case with one draw.
pub fn one(at: usize, case: &(&str, Plan, Columns), draw_number: u64, seed: u64) -> Tally {
    let (name, plan, columns) = case;
    let mut tally = Tally::default();
    let mut draws = stream(seed + 1000 + at as u64, draw_number);
    let drawn = draw(plan, &mut draws);
    let settings = Settings { seed: draw_number, ..Settings::default() };
    let found = agree(&scores(&[("term", &drawn)], *columns), &settings);
    let Some(term) = found.terms.first().map(|t| &t.panel) else { return tally };
    let mut covered = |what: &str, e: &Answer<Estimate>, truth: f64| {
        let group = "06 Agreement: how often 95 % intervals hold the truth";
        if let Answer::Known(e) = e {
            let hit = e.lower <= truth && truth <= e.upper;
            tally.add((group, name, what), f64::from(u8::from(hit)), Limit::Printed);
        }
    };
    let parts = IccComponents {
        lot: plan.spread.powi(2),
        taster: plan.offset.powi(2),
        lot_taster: plan.view.powi(2),
        residual: plan.noise.powi(2) + plan.pot.powi(2) + plan.flight.powi(2),
    };
    if let Some(icc) = term.icc.known()
        && let Ok(truth) = from_components(&parts, icc.k, icc.n_replicates)
    {
        covered("ICC(A,1)", &icc.agreement_single, truth.agreement_single);
        covered("ICC(C,1)", &icc.consistency_single, truth.consistency_single);
        covered("ICC(A,k)", &icc.agreement_mean, truth.agreement_mean);
        covered("ICC(C,k)", &icc.consistency_mean, truth.consistency_mean);
    }
    if let Some(alpha) = term.alpha.known() {
        covered("alpha, these tasters", &alpha.alpha, alpha_of(plan, drawn.offsets));
        covered("alpha, tasters like these", &alpha.alpha, alpha_of(plan, plan.offset.powi(2)));
    }
    if let Some(w) = term.kendall.known()
        && plan.spread == 0.0
    {
        let hit = f64::from(u8::from(w.p_value <= 0.05));
        let key = (
            "07 Exact tests: how often they pass where there is nothing",
            "W, 6 lots, 5 tasters",
            "p ≤ .05",
        );
        tally.add(key, hit, SIZE);
    }
    tally
}

/// Krippendorff's alpha of an endless number of cups: 1 less the expected square of the distance
/// of two scores of a cup, over that of any two scores (of which one in `n` is one taster's).
fn alpha_of(plan: &Plan, offsets: f64) -> f64 {
    let n = plan.shape.1 as f64;
    let own = plan.view.powi(2) + plan.noise.powi(2);
    let cups = plan.spread.powi(2) + plan.pot.powi(2) + plan.flight.powi(2);
    1.0 - (offsets + own) / (cups + own + (1.0 - 1.0 / n) * offsets)
}
