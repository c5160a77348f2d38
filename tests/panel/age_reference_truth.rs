//! Invented panels that drift, with a reference that gives way to another, and lots whose arms were
//! stored apart: is what was planted covered as often as the intervals promise?

use blindsteep::book::labels::Labels;
use blindsteep::findings::age::{Age, Change, LotTimes, age};
use blindsteep::findings::{Answer, Settings};
use blindsteep::scores::{Builder, ScaleKind, ScoreRow, ScoredTerm, Scores, Source};
use blindsteep_stats::rng::{Stream, stream};

const TABLES: u64 = 400;
const TASTERS: [&str; 5] = ["ann", "bo", "cy", "dot", "eli"];

/// One cup a line: month, sample, and what it truly is.
type Cup = (f64, &'static str, f64);

/// A table of these cups. The panel loses .06 a month; each session has a shift of its own, shared by
/// all; tasters have offsets, drifts and a form of the day, a liking for lots and one for samples.
fn table(cups: &[Cup], references: &[&str], arm_sd: f64, draws: &mut Stream) -> Scores {
    let t = TASTERS.len();
    let mut normal = |sd: f64| sd * draws.normal();
    let offset: Vec<f64> = (0..t).map(|_| normal(0.7)).collect();
    let drift: Vec<f64> = (0..t).map(|_| normal(0.03)).collect();
    let mut by_name: std::collections::BTreeMap<String, f64> = std::collections::BTreeMap::new();
    let mut once = |name: String, sd: f64, normal: &mut dyn FnMut(f64) -> f64| -> f64 {
        *by_name.entry(name).or_insert_with(|| normal(sd))
    };
    let mut builder = Builder::default();
    for (month, sample, level) in cups {
        let session = format!("month {month}");
        let shift = once(format!("shift {month}"), 0.5, &mut normal) - 0.06 * month;
        let lot = sample.split('@').next().unwrap_or_default();
        for (j, who) in TASTERS.iter().enumerate() {
            let form = once(format!("form {month} {j}"), 0.2, &mut normal);
            let liking = once(format!("lot {lot} {j}"), 0.3, &mut normal);
            let own = if arm_sd > 0.0 {
                once(format!("sample {sample} {j}"), arm_sd, &mut normal)
            } else {
                0.0
            };
            let noise = normal(0.6);
            builder.push(&ScoreRow {
                lot: sample,
                taster: Some(who),
                session: Some(&session),
                month: Some(*month),
                term: "brisk",
                value: 5.0
                    + level
                    + shift
                    + offset[j]
                    + drift[j] * month
                    + form
                    + liking
                    + own
                    + noise,
                ..ScoreRow::default()
            });
        }
    }
    let term = ScoredTerm {
        id: "brisk".to_owned(),
        scale: ScaleKind::Line,
        ends: Some([0.0, 10.0]),
        labels: Labels::default(),
        end_words: Default::default(),
        level_words: Default::default(),
        gaps: 0,
    };
    let references = references.iter().map(|r| (*r).to_owned()).collect();
    builder.finish(vec![term], Source { references, ..Source::default() })
}

fn found(scores: &Scores) -> Age {
    age(scores, &LotTimes::of_table("months"), &Settings::default())
}

fn covers(change: &Answer<Change>, truth: f64) -> f64 {
    let c = change.known().expect("the layout tells it");
    f64::from(u8::from(c.lower <= truth && truth <= c.upper))
}

/// An interval of 95 % is covered in .95 of 400 tables with a standard error of .011; the limits lie
/// three of these away, and above a little further: too wide is no false promise.
fn as_promised(what: &str, share: f64) {
    eprintln!("{what}: {share}");
    assert!((0.917..=0.992).contains(&share), "{what} covered in {share}");
}

/// The reference A gives way to B, which lies .8 above it, over two sessions that had both. What was
/// tasted beside A first and beside B last is covered, and so is the bridge; that the two moved apart
/// is not claimed more often than luck does.
#[test]
fn a_change_across_two_references_is_covered_as_promised() {
    let cups: Vec<Cup> = vec![
        (0.0, "L", 0.0),
        (0.0, "M", 1.0),
        (0.0, "A", 0.0),
        (6.0, "L", 0.3),
        (6.0, "A", 0.0),
        (6.0, "B", 0.8),
        (12.0, "M", 1.0),
        (12.0, "A", 0.0),
        (12.0, "B", 0.8),
        (18.0, "L", 0.9),
        (18.0, "M", 1.0),
        (18.0, "B", 0.8),
    ];
    let (mut change, mut offset, mut apart, mut alarms) = (0.0, 0.0, 0.0, 0.0);
    for index in 0..TABLES {
        let f = found(&table(&cups, &["A", "B"], 0.0, &mut stream(21, index)));
        let course =
            |name: &str| &f.samples.iter().find(|s| s.sample == name).expect("followed").terms[0];
        change += covers(&course("L").last_change, 0.9);
        let m = course("M").last_change.known().expect("known");
        alarms += f64::from(u8::from(m.p_value < 0.05));
        let bridge = &f.bridges[0].terms.known().expect("linked")[0];
        let above = if f.bridges[0].reference == "B" { 0.8 } else { -0.8 };
        offset += covers(&bridge.offset, above);
        apart += covers(&bridge.apart, 0.0);
    }
    let n = TABLES as f64;
    as_promised("change across references", change / n);
    as_promised("offset of the references", offset / n);
    as_promised("references apart", apart / n);
    eprintln!("false changes: {}", alarms / n);
    assert!(alarms / n <= 0.083, "a sample that stayed the same changed in {}", alarms / n);
}

/// Differences of arms within sessions, where tasters see both arms of a lot alike, and where they see
/// each in a way of their own too.
#[test]
fn differences_of_arms_are_covered_as_promised() {
    for arm_sd in [0.0, 0.25] {
        let mut cups: Vec<Cup> = Vec::new();
        for month in [0.0, 6.0, 12.0] {
            cups.push((month, "REF", 0.0));
            for arms in [["X@dry", "X@humid"], ["Y@dry", "Y@humid"], ["Z@dry", "Z@humid"]] {
                cups.push((month, arms[0], -0.02 * month));
                cups.push((month, arms[1], -0.06 * month));
            }
        }
        let (mut arms, mut stores, mut change) = (0.0, 0.0, 0.0);
        for index in 0..TABLES {
            let f = found(&table(&cups, &["REF"], arm_sd, &mut stream(22, index)));
            // The mean over months 0, 6, 12 of -.04 a month.
            arms += covers(&f.arms[0].terms[0].mean, -0.24);
            stores += covers(&f.stores[0].terms[0].of_these_lots, -0.24);
            change += covers(&f.samples[0].terms[0].last_change, -0.24);
        }
        let n = TABLES as f64;
        as_promised(&format!("arms, own views {arm_sd}"), arms / n);
        as_promised(&format!("stores, own views {arm_sd}"), stores / n);
        as_promised(&format!("changes, own views {arm_sd}"), change / n);
    }
}
