//! From the planted truth to what each taster writes down.
//!
//! Every draw has a name and comes from SHA-256 of the seed and that name, so that no draw hangs
//! on the order of the others; transcendental functions come from `libm`, so that a seed means
//! the same on every machine.

use sha2::{Digest as _, Sha256};

use super::truth::{
    BREW_SD, CARRY_OVER, DAMP, FIRST_CUP, LOT_SD, LOT_TASTER_SD, LOTS, Making, PANEL_DRIFT,
    RATE_DRY, RATE_HUMID, RATE_USUAL, SESSION_SD, SWEET, Served, Store, TERMS, TasterTruth,
};

/// Scores of a cup on the line terms, in the order of [`TERMS`].
pub type Line = [f64; TERMS.len()];

const BITTER: usize = 4;
const ASTRINGENT: usize = 3;
const FLORAL: usize = 6;
const GREEN: usize = 8;
const SUN_NOTE: usize = 9;

/// The garden under one seed.
#[derive(Debug, Clone, Copy)]
pub struct Garden {
    seed: u64,
}

/// One pot as it came to the table.
#[derive(Debug, Clone)]
pub struct Pot {
    /// What is in it.
    pub served: Served,
    /// Its true cup on the line terms, the pot's own deviation included.
    pub line: Line,
    /// How musty it is, before rounding.
    pub musty: f64,
}

/// What one taster wrote of one cup.
#[derive(Debug, Clone)]
pub struct Written {
    /// The line terms, in steps of 0.5 from 0 to 10.
    pub line: Line,
    /// Index of the hue, from yellow-orange to red.
    pub hue: usize,
    /// Ticks: honey, fruit, hay, grass.
    pub ticks: [bool; 4],
    /// The musty fault, 0 to 3.
    pub musty: u8,
}

impl Garden {
    /// The garden of a seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { seed }
    }

    fn bits(&self, name: &str) -> (u64, u64) {
        let hash = Sha256::new()
            .chain_update(self.seed.to_le_bytes())
            .chain_update(name.as_bytes())
            .finalize();
        let part = |at: usize| {
            let mut eight = [0_u8; 8];
            eight.copy_from_slice(&hash[at..at + 8]);
            u64::from_le_bytes(eight)
        };
        (part(0), part(8))
    }

    /// A draw between 0 and 1, both excluded.
    #[must_use]
    pub fn uniform(&self, name: &str) -> f64 {
        open_unit(self.bits(name).0)
    }

    /// A standard normal draw (Box and Muller 1958).
    fn normal(&self, name: &str) -> f64 {
        let (a, b) = self.bits(name);
        libm::sqrt(-2.0 * libm::log(open_unit(a))) * libm::cos(std::f64::consts::TAU * open_unit(b))
    }

    /// A standard normal draw that all lots of one making share on a term; none for the reference.
    /// The garden itself has no such thing: it is for asking what would be if it had.
    #[must_use]
    pub fn shared(&self, served: Served, term: usize) -> f64 {
        let lot = LOTS.iter().find(|l| l.number == served.0);
        lot.map_or(0.0, |l| self.normal(&format!("shared/{}/{}", l.month, TERMS[term].id)))
    }

    /// A whole draw from 0 to `n` − 1.
    #[must_use]
    pub fn pick(&self, name: &str, n: usize) -> usize {
        ((self.uniform(name) * n as f64) as usize).min(n - 1)
    }

    /// Whether a taster comes to a session.
    #[must_use]
    pub fn comes(&self, who: &TasterTruth, session: &str) -> bool {
        self.uniform(&format!("absent/{}/{session}", who.id)) >= who.absent
    }

    /// Moisture of a lot as packed, % wet basis.
    #[must_use]
    pub fn packed_moisture(&self, lot: &Making) -> f64 {
        lot.packed_moisture.unwrap_or_else(|| {
            let usual = if lot.sun > 0.0 { 5.8 } else { 4.0 };
            let own = 0.8 * self.uniform(&format!("moisture/{}", lot.number)) - 0.4;
            libm::round((usual + own) * 10.0) / 10.0
        })
    }

    /// The true level of a sample on a line term at an age in months, its lot's own deviation
    /// included; `split_at` is the age at which its arm was parted from the lot.
    #[must_use]
    pub fn level(&self, served: Served, term: usize, age: f64, split_at: f64) -> f64 {
        let truth = &TERMS[term];
        let Some(lot) = LOTS.iter().find(|l| l.number == served.0) else {
            // The frozen reference: a middling lot that never ages.
            return truth.base;
        };
        let own = LOT_SD * self.normal(&format!("lot/{}/{}", lot.number, truth.id));
        truth.made(lot) + own + truth.moved(self.stored(lot, served.1, age, split_at))
    }

    /// Months in store, each weighted by how fast that store ages tea.
    #[must_use]
    pub fn stored(&self, lot: &Making, store: Store, age: f64, split_at: f64) -> f64 {
        let damp = 1.0 + 0.6 * (self.packed_moisture(lot) - 6.5).max(0.0);
        let rate = match store {
            Store::Main => RATE_USUAL,
            Store::Dry => RATE_DRY,
            Store::Humid => RATE_HUMID,
        };
        damp * (RATE_USUAL * age.min(split_at) + rate * (age - split_at).max(0.0))
    }

    /// A pot brewed for a session; `pot` names it among all pots of the garden.
    #[must_use]
    pub fn pot(&self, pot: &str, served: Served, age: f64, split_at: f64) -> Pot {
        let line = std::array::from_fn(|t| {
            self.level(served, t, age, split_at)
                + BREW_SD * self.normal(&format!("pot/{pot}/{}", TERMS[t].id))
        });
        let musty = if served.0 == DAMP { 0.5 * (age - 6.0).max(0.0) } else { 0.0 };
        Pot { served, line, musty }
    }

    /// What a taster writes of a flight's pots, in the order in which they are served to them.
    /// `flight` names the flight among all of the garden, `session` the session, `month` counts
    /// from the first spring.
    #[must_use]
    pub fn taste(
        &self,
        who: &TasterTruth,
        session: &str,
        flight: &str,
        month: f64,
        pots: &[&Pot],
    ) -> Vec<Written> {
        let mean = pots.iter().map(|p| p.line[ASTRINGENT]).sum::<f64>() / pots.len() as f64;
        (0..pots.len())
            .map(|at| {
                let before = at.checked_sub(1).map(|b| pots[b].line[ASTRINGENT] - mean);
                let name = format!("{}/{flight}/{at}", who.id);
                self.write(who, session, &name, month, pots[at], before)
            })
            .collect()
    }

    fn write(
        &self,
        who: &TasterTruth,
        session: &str,
        name: &str,
        month: f64,
        pot: &Pot,
        before: Option<f64>,
    ) -> Written {
        let mut felt = pot.line;
        if who.swaps {
            felt.swap(BITTER, ASTRINGENT);
        }
        let line = std::array::from_fn(|t| {
            let id = TERMS[t].id;
            let base = TERMS[t].base;
            let mut value = felt[t] + SESSION_SD * self.normal(&format!("session/{session}/{id}"));
            if t == ASTRINGENT {
                value += before.map_or(FIRST_CUP, |b| CARRY_OVER * b);
            }
            let written = base
                + who.offset
                + who.slope * (value - base)
                + (PANEL_DRIFT + who.drift) * month
                + LOT_TASTER_SD * self.normal(&format!("view/{}/{}/{id}", who.id, pot.served.0))
                + who.noise * self.normal(&format!("score/{name}/{id}"));
            (libm::round(written * 2.0) / 2.0).clamp(0.0, 10.0)
        });
        let tick = |term: usize, middle: f64, id: &str| {
            let chance = 1.0 / (1.0 + libm::exp(-1.5 * (pot.line[term] - middle)));
            self.uniform(&format!("tick/{name}/{id}")) < chance
        };
        let musty = libm::round(pot.musty + 0.3 * self.normal(&format!("musty/{name}")));
        Written {
            line,
            hue: self.hue(pot.served, name),
            ticks: [
                tick(SWEET, 4.6, "honey"),
                tick(FLORAL, 4.8, "fruit"),
                tick(SUN_NOTE, 2.8, "hay"),
                tick(GREEN, 3.4, "grass"),
            ],
            musty: musty.clamp(0.0, 3.0) as u8,
        }
    }

    fn hue(&self, served: Served, name: &str) -> usize {
        let x = LOTS.iter().find(|l| l.number == served.0).map_or(0.0, Making::dose);
        let right = [-0.6, 0.1, 0.6].iter().filter(|cut| x > **cut).count();
        if self.uniform(&format!("hue/{name}")) >= 0.1 {
            return right;
        }
        match (right, self.uniform(&format!("hue-side/{name}")) < 0.5) {
            (0, _) => 1,
            (3, _) => 2,
            (h, true) => h - 1,
            (h, false) => h + 1,
        }
    }
}

fn open_unit(bits: u64) -> f64 {
    ((bits >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::super::truth::TASTERS;
    use super::*;

    /// Pearson's correlation over the lots.
    fn r(a: impl Fn(&Making) -> f64, b: impl Fn(&Making) -> f64) -> f64 {
        let n = LOTS.len() as f64;
        let (ma, mb) = (LOTS.iter().map(&a).sum::<f64>() / n, LOTS.iter().map(&b).sum::<f64>() / n);
        let s = |f: &dyn Fn(&Making) -> f64| LOTS.iter().map(f).sum::<f64>();
        let sab = s(&|l| (a(l) - ma) * (b(l) - mb));
        sab / (s(&|l| (a(l) - ma).powi(2)) * s(&|l| (b(l) - mb).powi(2))).sqrt()
    }

    // The correlations stated with the design: S–T −.98, S–D .75, T–D −.77; R and G aliased.
    #[test]
    fn the_design_has_the_planted_confounding() {
        assert!((r(|l| l.season, |l| l.oxidation_c) + 0.98).abs() < 0.005);
        assert!((r(|l| l.season, |l| l.sun) - 0.75).abs() < 0.005);
        assert!((r(|l| l.oxidation_c, |l| l.sun) + 0.77).abs() < 0.005);
        assert!((r(|l| l.rolling, Making::pluck) + 1.0).abs() < 1e-12);
        assert!(r(|l| l.wither, Making::dose).abs() < 0.05);
    }

    #[test]
    fn normal_draws_have_mean_zero_and_variance_one() {
        let garden = Garden::new(5);
        let draws: Vec<f64> = (0..20_000).map(|i| garden.normal(&format!("t/{i}"))).collect();
        let n = draws.len() as f64;
        let mean = draws.iter().sum::<f64>() / n;
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0);
        // Four standard errors: 1/sqrt(n) and sqrt(2/n).
        assert!(mean.abs() < 4.0 / n.sqrt(), "{mean}");
        assert!((variance - 1.0).abs() < 4.0 * (2.0 / n).sqrt(), "{variance}");
    }

    #[test]
    fn a_narrow_taster_stays_near_the_base_and_a_high_one_above_it() {
        let garden = Garden::new(1);
        let mean = |who: usize, lot: u32| {
            let total: f64 = (0..200)
                .map(|i| {
                    let pot = garden.pot(&format!("{i}"), (lot, Store::Main), 1.0, f64::INFINITY);
                    garden.taste(&TASTERS[who], "s", &format!("{i}"), 0.0, &[&pot])[0].line[9]
                })
                .sum();
            total / 200.0
        };
        // Sun note: lot 1 is sun-dried (+1.6), the reference is not.
        let (sound, narrow, high) = (mean(0, 1), mean(1, 1), mean(2, 1));
        assert!(narrow < sound - 0.3, "{narrow} {sound}");
        assert!(high > sound + 0.5, "{high} {sound}");
    }
}
