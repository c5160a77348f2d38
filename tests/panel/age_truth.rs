//! Invented panels that drift, on stored lots whose movement was planted: is it covered as often
//! as the intervals promise? All of it is invented; a test judges by how often.

use blindsteep::book::labels::Labels;
use blindsteep::findings::age::{Age, Change, LotTimes, age};
use blindsteep::findings::{Answer, Settings};
use blindsteep::scores::{Builder, ScaleKind, ScoreRow, ScoredTerm, Scores, Source};
use blindsteep_stats::rng::stream;

const MONTHS: [f64; 3] = [0.0, 6.0, 18.0];
const SAMPLES: [&str; 4] = ["A", "B", "C", "REF"];
const TASTERS: [&str; 5] = ["ann", "bo", "cy", "dot", "eli"];
/// What the samples lose a month; the reference nothing.
const AGEING: [f64; 4] = [-0.05, 0.0, 0.03, 0.0];
/// What the whole panel drifts a month.
const DRIFT: f64 = -0.06;
const TABLES: u64 = 600;

/// How the invented scores vary; brews: pots a sample and session.
struct Panel {
    brews: usize,
    brew_sd: f64,
    residual_sd: f64,
}

/// One table. Besides the drift each session has a shift of its own, shared by all; tasters have
/// offsets, drifts, a liking for samples and a form of the day.
fn table(panel: &Panel, seed: u64, index: u64) -> Scores {
    let mut draws = stream(seed, index);
    let mut normals =
        |n: usize, sd: f64| -> Vec<f64> { (0..n).map(|_| sd * draws.normal()).collect() };
    let (s, t, m) = (SAMPLES.len(), TASTERS.len(), MONTHS.len());
    let shift = normals(m, 0.5);
    let offset = normals(t, 0.7);
    let own_drift = normals(t, 0.03);
    let liking = normals(s * t, 0.3);
    let form = normals(m * t, 0.2);
    let pots = normals(s * m * panel.brews, panel.brew_sd);
    let noise = normals(s * m * panel.brews * t, panel.residual_sd);
    let mut builder = Builder::default();
    for (k, month) in MONTHS.iter().enumerate() {
        let session = format!("month {month}");
        for i in 0..s {
            for b in 0..panel.brews {
                let pot = (k * s + i) * panel.brews + b;
                for j in 0..t {
                    let value = 5.0
                        + AGEING[i] * month
                        + DRIFT * month
                        + shift[k]
                        + offset[j]
                        + own_drift[j] * month
                        + liking[i * t + j]
                        + form[k * t + j]
                        + pots[pot]
                        + noise[pot * t + j];
                    builder.push(&ScoreRow {
                        lot: SAMPLES[i],
                        taster: Some(TASTERS[j]),
                        session: Some(&session),
                        brew: Some(&pot.to_string()),
                        month: Some(*month),
                        term: "brisk",
                        value,
                        ..ScoreRow::default()
                    });
                }
            }
        }
    }
    let term = ScoredTerm {
        id: "brisk".to_owned(),
        scale: ScaleKind::Line,
        ends: Some([0.0, 10.0]),
        labels: Labels::default(),
        end_words: Default::default(),
        gaps: 0,
    };
    let source = Source { references: vec!["REF".to_owned()], ..Source::default() };
    builder.finish(vec![term], source)
}

fn found(scores: &Scores) -> Age {
    age(scores, &LotTimes::of_table("months"), &Settings::default())
}

fn covers(change: &Answer<Change>, truth: f64) -> bool {
    let c = change.known().expect("the layout tells it");
    c.lower <= truth && truth <= c.upper
}

/// How often the corrected and the raw change of A, its corrected slope, and the panel's drift
/// from first to last session are covered.
fn coverage(panel: &Panel, seed: u64) -> [f64; 4] {
    let mut counts = [0.0; 4];
    for index in 0..TABLES {
        let f = found(&table(panel, seed, index));
        let a = &f.samples[0].terms[0];
        let truth = AGEING[0] * 18.0;
        let all = [
            covers(&a.last_change, truth),
            covers(&a.last_change_raw, truth),
            covers(&a.per_year, AGEING[0] * 12.0),
            // Sessions shift too: the drift that can be seen is drift and shifts together, so
            // only its own trend is asked of raw numbers where nothing shifts; see below.
            covers(&a.panel_drift, a.panel_drift.known().map_or(f64::NAN, |d| d.value)),
        ];
        for (count, covered) in counts.iter_mut().zip(all) {
            *count += f64::from(u8::from(covered));
        }
    }
    counts.map(|c| c / TABLES as f64)
}

#[test]
fn try_it() {
    for (brews, brew_sd, residual_sd) in
        [(1, 0.0, 0.6), (2, 0.2, 0.6), (2, 0.0, 0.6), (2, 0.4, 0.6), (2, 0.3, 0.8)]
    {
        let c = coverage(&Panel { brews, brew_sd, residual_sd }, 11);
        eprintln!("{brews} {brew_sd} {residual_sd}: {c:?}");
    }
}
