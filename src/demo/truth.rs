//! The planted truth of the demo garden: all invented, all in one place.
//!
//! The generator reads this table; the analysis never does. Tests use it to ask whether what the
//! analysis says covers what was planted.

use std::sync::LazyLock;

/// How a lot was made. Levels are coded as the effects below use them.
#[derive(Debug, Clone, Copy)]
pub struct Making {
    /// Running number; the lot's id is made of the year and this.
    pub number: u32,
    /// Month of making, from the first spring.
    pub month: u32,
    /// Spring +1, autumn −1.
    pub season: f64,
    /// Wither: soft −1 (to 70 % moisture), hard +1 (62 %).
    pub wither: f64,
    /// Oxidation in hours, from the first roll to the drier.
    pub oxidation_h: f64,
    /// Mean temperature of the oxidising leaf.
    pub oxidation_c: f64,
    /// Rolling: −1 = 40 min, +1 = 75 min.
    pub rolling: f64,
    /// Pluck: medium −1 (65 % fine leaf), fine +1 (80 %). In the sixteen lots below always the
    /// opposite of the rolling: that is the trap.
    pub pluck: f64,
    /// Drying: 1 sun, 0 hot air.
    pub sun: f64,
    /// Moisture as packed, % wet basis, before the lot's own ± 0.4; `None` for the usual one.
    pub packed_moisture: Option<f64>,
}

impl Making {
    /// The oxidation dose, doubling for each 10 °C, on a log2 scale about 3 h at 25 °C.
    #[must_use]
    pub fn dose(&self) -> f64 {
        libm::log2(self.oxidation_h * libm::exp2((self.oxidation_c - 25.0) / 10.0) / 3.0)
    }

    /// Temperature about 24 °C in steps of 5 °C.
    #[must_use]
    pub fn t5(&self) -> f64 {
        (self.oxidation_c - 24.0) / 5.0
    }
}

/// A row of the table below.
type Row = (u32, u32, f64, f64, f64, f64, f64, f64);

/// Number, month, season, wither, hours, °C, rolling, sun.
const fn lot(row: Row) -> Making {
    let (number, month, season, wither, oxidation_h, oxidation_c, rolling, sun) = row;
    Making {
        number,
        month,
        season,
        wither,
        oxidation_h,
        oxidation_c,
        rolling,
        pluck: -rolling,
        sun,
        packed_moisture: None,
    }
}

/// The sixteen lots, in the order of their making.
pub const LOTS: [Making; 16] = [
    lot((1, 0, 1.0, -1.0, 1.75, 21.1, -1.0, 1.0)),
    lot((2, 0, 1.0, -1.0, 5.0, 21.8, 1.0, 1.0)),
    lot((3, 0, 1.0, 1.0, 1.75, 22.0, 1.0, 1.0)),
    lot((4, 0, 1.0, 1.0, 5.0, 21.2, -1.0, 1.0)),
    lot((5, 5, -1.0, -1.0, 1.75, 26.1, 1.0, 0.0)),
    lot((6, 5, -1.0, -1.0, 5.0, 26.8, -1.0, 0.0)),
    lot((7, 5, -1.0, 1.0, 1.75, 27.0, -1.0, 0.0)),
    lot((8, 5, -1.0, 1.0, 5.0, 26.2, 1.0, 0.0)),
    lot((9, 12, 1.0, -1.0, 1.75, 21.6, 1.0, 1.0)),
    lot((10, 12, 1.0, -1.0, 5.0, 22.3, -1.0, 1.0)),
    // Rain: dried by hot air, and packed damp.
    Making { packed_moisture: Some(7.2), ..lot((11, 12, 1.0, 1.0, 1.75, 22.5, -1.0, 0.0)) },
    lot((12, 12, 1.0, 1.0, 5.0, 21.7, 1.0, 1.0)),
    lot((13, 17, -1.0, -1.0, 1.75, 25.6, -1.0, 0.0)),
    // A dry spell: dried in the sun.
    lot((14, 17, -1.0, -1.0, 5.0, 26.3, 1.0, 1.0)),
    lot((15, 17, -1.0, 1.0, 1.75, 26.5, 1.0, 0.0)),
    lot((16, 17, -1.0, 1.0, 5.0, 25.7, -1.0, 0.0)),
];

/// Lots that are split after their first tasting into a dry and a humid store.
pub const SPLIT: [u32; 4] = [2, 3, 5, 8];

/// The lot that was packed damp.
pub const DAMP: u32 = 11;

/// What a term is at making, and what moves it. Scores are on a line from 0 to 10.
#[derive(Debug, Clone, Copy)]
pub struct TermTruth {
    /// The term's id in the vocabulary.
    pub id: &'static str,
    /// The level of a middling lot, and of the frozen reference for ever.
    pub base: f64,
    /// Effect of wither.
    pub wither: f64,
    /// Effect of the dose.
    pub dose: f64,
    /// Effect of the dose squared.
    pub dose2: f64,
    /// Effect of temperature, per 5 °C.
    pub t5: f64,
    /// Effect of rolling. The pluck has none, on any term.
    pub rolling: f64,
    /// Effect of sun drying.
    pub sun: f64,
    /// Effect of the season.
    pub season: f64,
    /// How far storage moves it in the end, and over how many months.
    pub store: Option<(f64, f64)>,
}

impl TermTruth {
    /// The level of a lot on this term when it was made, without the lot's own deviation.
    #[must_use]
    pub fn made(&self, lot: &Making) -> f64 {
        let x = lot.dose();
        self.base
            + self.wither * lot.wither
            + self.dose * x
            + self.dose2 * x * x
            + self.t5 * lot.t5()
            + self.rolling * lot.rolling
            + self.sun * lot.sun
            + self.season * lot.season
    }

    /// How far a term has moved in store; `rt` are the months, each weighted by the store's rate.
    #[must_use]
    pub fn moved(&self, rt: f64) -> f64 {
        match self.store {
            Some((far, months)) => far * (1.0 - libm::exp(-rt / months)),
            None if self.id == "flat" => FLAT_A_MONTH * rt,
            None => 0.0,
        }
    }
}

const NONE: TermTruth = TermTruth {
    id: "",
    base: 0.0,
    wither: 0.0,
    dose: 0.0,
    dose2: 0.0,
    t5: 0.0,
    rolling: 0.0,
    sun: 0.0,
    season: 0.0,
    store: None,
};

/// The twelve line terms.
pub const TERMS: [TermTruth; 12] = [
    TermTruth {
        id: "bright",
        base: 6.0,
        wither: -0.2,
        dose: -0.8,
        dose2: -0.3,
        t5: -0.5,
        store: Some((-1.2, 18.0)),
        ..NONE
    },
    TermTruth {
        id: "brisk",
        base: 5.2,
        wither: -0.5,
        dose: -0.7,
        season: 0.2,
        store: Some((-1.4, 14.0)),
        ..NONE
    },
    TermTruth { id: "body", base: 5.0, wither: -0.2, dose: 0.7, rolling: 0.5, ..NONE },
    TermTruth {
        id: "astringent",
        base: 4.8,
        wither: -0.3,
        dose: -0.8,
        rolling: 0.4,
        store: Some((-1.2, 16.0)),
        ..NONE
    },
    TermTruth { id: "bitter", base: 3.4, dose: -0.2, rolling: 0.3, season: -0.4, ..NONE },
    TermTruth {
        id: "sweet",
        base: 4.2,
        wither: 0.4,
        dose: 0.6,
        sun: 0.3,
        store: Some((0.8, 12.0)),
        ..NONE
    },
    TermTruth {
        id: "floral",
        base: 4.4,
        wither: 0.9,
        dose2: -0.4,
        t5: -0.3,
        season: 0.4,
        store: Some((-1.5, 10.0)),
        ..NONE
    },
    TermTruth { id: "malty", base: 3.6, dose: 0.6, sun: -0.8, ..NONE },
    TermTruth {
        id: "green",
        base: 3.0,
        wither: -0.6,
        dose: -0.8,
        store: Some((-1.0, 3.0)),
        ..NONE
    },
    TermTruth { id: "sun-note", base: 2.0, sun: 1.6, ..NONE },
    TermTruth { id: "woody", base: 1.8, store: Some((1.5, 20.0)), ..NONE },
    // Flat rises in a straight line, by FLAT_A_MONTH.
    TermTruth { id: "flat", base: 2.0, ..NONE },
];

/// The place of sweet among the line terms.
pub const SWEET: usize = 5;

/// Flatness gained a month, times the rate of the store.
pub const FLAT_A_MONTH: f64 = 0.03;

/// Standard deviation of a lot about its effects, per term.
pub const LOT_SD: f64 = 0.25;
/// Of a pot, per term.
pub const BREW_SD: f64 = 0.2;
/// Of a session, per term, shared by all tasters.
pub const SESSION_SD: f64 = 0.15;
/// Of a taster's own view of a lot, per term.
pub const LOT_TASTER_SD: f64 = 0.3;
/// The first cup of a flight tastes more astringent by this.
pub const FIRST_CUP: f64 = 0.4;
/// Carry-over on astringent, times the previous cup's astringency about the flight's mean.
pub const CARRY_OVER: f64 = -0.10;
/// Drift of the whole panel a month, on every line term.
pub const PANEL_DRIFT: f64 = -0.02;
/// The month in which the noisy taster saw the labels.
pub const MONTH_OF_SEEN_LABELS: u32 = 15;
/// What that did to sweetness: up for the dry arms, down for the humid ones.
pub const SEEN_LABELS_SHIFT: f64 = 1.5;

/// Storage rate of the dry store, the humid one, and all else.
pub const RATE_DRY: f64 = 1.0;
/// See [`RATE_DRY`].
pub const RATE_HUMID: f64 = 2.2;
/// See [`RATE_DRY`].
pub const RATE_USUAL: f64 = 1.4;

/// A taster and the habits planted in them.
#[derive(Debug, Clone, Copy)]
pub struct TasterTruth {
    /// The id in the book.
    pub id: &'static str,
    /// The name in the book.
    pub name: &'static str,
    /// Added to every score.
    pub offset: f64,
    /// Use of the scale about the term's base.
    pub slope: f64,
    /// Standard deviation of one score.
    pub noise: f64,
    /// Further drift a month.
    pub drift: f64,
    /// Whether bitter and astringent are swapped.
    pub swaps: bool,
    /// Probability to miss a session.
    pub absent: f64,
}

impl TasterTruth {
    /// The same person without any habit, absences kept.
    #[must_use]
    pub const fn without_habits(self) -> Self {
        Self { id: self.id, name: self.name, absent: self.absent, ..SOUND }
    }
}

const SOUND: TasterTruth = TasterTruth {
    id: "",
    name: "",
    offset: 0.0,
    slope: 1.0,
    noise: 0.6,
    drift: 0.0,
    swaps: false,
    absent: 0.0,
};

/// The panel: sound, narrow, high, noisy, swapping, drifting.
pub const TASTERS: [TasterTruth; 6] = [
    TasterTruth { id: "ann", name: "Ann", ..SOUND },
    TasterTruth { id: "bo", name: "Bo", slope: 0.45, noise: 0.35, ..SOUND },
    TasterTruth { id: "cy", name: "Cy", offset: 1.3, ..SOUND },
    TasterTruth { id: "dee", name: "Dee", noise: 1.7, ..SOUND },
    TasterTruth { id: "eve", name: "Eve", swaps: true, ..SOUND },
    TasterTruth {
        id: "finn",
        name: "Finn",
        offset: -0.2,
        noise: 0.7,
        drift: -0.05,
        absent: 0.3,
        ..SOUND
    },
];

/// A sample as it is served: lot number and arm. Number 0 is the frozen reference.
pub type Served = (u32, Store);

/// Where a sample was kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Store {
    /// The tin it was packed in.
    Main,
    /// The dry store.
    Dry,
    /// The humid store.
    Humid,
}

/// A session: its month and the samples of its flights. A flight marked twice is served on two
/// days, brewed anew. Each flight gets a duplicate of its first sample, and the reference.
#[derive(Debug, Clone)]
pub struct SessionTruth {
    /// Month from the first spring.
    pub month: u32,
    /// The flights.
    pub flights: Vec<Vec<Served>>,
}

use Store::{Dry, Humid, Main};

const FIRST: &[Served] = &[(1, Main), (2, Main), (3, Main), (4, Main)];
const SECOND: &[Served] = &[(5, Main), (6, Main), (7, Main), (8, Main)];
const THIRD: &[Served] = &[(9, Main), (10, Main), (11, Main), (12, Main)];
const FOURTH: &[Served] = &[(13, Main), (14, Main), (15, Main), (16, Main)];
const ARMS_OF_FIRST: &[Served] = &[(2, Dry), (2, Humid), (3, Dry), (3, Humid)];
const ARMS_OF_SECOND: &[Served] = &[(5, Dry), (5, Humid), (8, Dry), (8, Humid)];

/// The ten sessions of two years.
pub static SESSIONS: LazyLock<Vec<SessionTruth>> = LazyLock::new(|| {
    let held = |month: u32, flights: &[&[Served]]| SessionTruth {
        month,
        flights: flights.iter().map(|f| f.to_vec()).collect(),
    };
    vec![
        held(1, &[FIRST, FIRST]),
        held(3, &[ARMS_OF_FIRST, &[(1, Main), (4, Main)]]),
        held(6, &[SECOND, SECOND, ARMS_OF_FIRST]),
        held(9, &[ARMS_OF_FIRST, ARMS_OF_SECOND]),
        held(12, &[ARMS_OF_FIRST, ARMS_OF_SECOND]),
        held(13, &[THIRD, THIRD, &[(1, Main), (4, Main), (6, Main), (7, Main)]]),
        held(15, &[ARMS_OF_SECOND, THIRD]),
        held(18, &[FOURTH, FOURTH, ARMS_OF_FIRST]),
        held(21, &[THIRD, ARMS_OF_SECOND]),
        held(24, &[ARMS_OF_FIRST, ARMS_OF_SECOND]),
    ]
});
