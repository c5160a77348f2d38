//! Mixed models against lme4, in one run: the same tables, the same models, whole fits with their
//! set-up, one after the other on the same machine. Prints a page in Markdown:
//! `cargo bench --profile release -p blindsteep-stats --bench against_lme4 > reports/against-lme4.md`.
//! Needs `Rscript` with lme4.

use blindsteep_stats::mixed::{Factor, Fit, FixedPart, Method, Model, RandomTerm, Route};
use blindsteep_stats::rng::stream;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

/// A table with the model that both fit.
struct Case {
    name: String,
    what: String,
    formula: &'static str,
    columns: Vec<(&'static str, Vec<u32>)>,
    y: Vec<f64>,
}

const FIXED: &str = "y ~ lot + (1 | taster) + (1 | lot:taster)";
const RECORD: &str = "y ~ 1 + (1 | lot) + (1 | taster) + (1 | lot:taster) + (1 | session)";

/// A session: lots by tasters by times, with invented scores that hold every variance.
fn session(name: &str, lots: u32, tasters: u32, times: u32) -> Case {
    let mut draws = stream(1, u64::from(lots));
    let mut sd = |n: u32, sd: f64| -> Vec<f64> { (0..n).map(|_| sd * draws.normal()).collect() };
    let (lot, who, cell) = (sd(lots, 1.0), sd(tasters, 0.8), sd(lots * tasters, 0.6));
    let noise = sd(lots * tasters * times, 1.0);
    let rows: Vec<(u32, u32)> =
        (0..lots * tasters * times).map(|r| (r % lots, r / lots % tasters)).collect();
    let y = rows
        .iter()
        .zip(noise)
        .map(|(&(l, t), e)| {
            5.0 + lot[l as usize] + who[t as usize] + cell[(l * tasters + t) as usize] + e
        })
        .collect();
    Case {
        name: name.into(),
        what: format!("a session: {lots} lots x {tasters} tasters x {times}, lots fixed"),
        formula: FIXED,
        columns: vec![
            ("lot", rows.iter().map(|r| r.0).collect()),
            ("taster", rows.iter().map(|r| r.1).collect()),
        ],
        y,
    }
}

/// A record: 20 tasters, ten lots a session, three times as many lots as sessions.
fn record(sessions: u32) -> Case {
    let mut draws = stream(2, u64::from(sessions));
    let lots = 3 * sessions;
    let mut sd = |n: u32, sd: f64| -> Vec<f64> { (0..n).map(|_| sd * draws.normal()).collect() };
    let (lot, who, cell, level) =
        (sd(lots, 0.8), sd(20, 0.7), sd(lots * 20, 0.4), sd(sessions, 0.3));
    let mut rows: Vec<[u32; 3]> = Vec::new();
    for s in 0..sessions {
        for cup in 0..10 {
            // Each lot comes three or four times, now and then.
            let l = (s * 10 + cup) * 7 % lots;
            rows.extend((0..20).map(|t| [l, t, s]));
        }
    }
    let noise = sd(rows.len() as u32, 1.0);
    let y = rows
        .iter()
        .zip(noise)
        .map(|(&[l, t, s], e)| {
            5.0 + lot[l as usize]
                + who[t as usize]
                + cell[(l * 20 + t) as usize]
                + level[s as usize]
                + e
        })
        .collect();
    let column = |i: usize| rows.iter().map(|r| r[i]).collect();
    Case {
        name: format!("record{}", rows.len()),
        what: format!("a record: {lots} lots, 20 tasters, {sessions} sessions, lots random"),
        formula: RECORD,
        columns: vec![("lot", column(0)), ("taster", column(1)), ("session", column(2))],
        y,
    }
}

/// The television panel of tests/data (g04): its Sharpness.
fn television() -> Case {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/g04_tvbo_balanced.csv");
    let mut reader = csv::Reader::from_path(path).expect("the table is there");
    let header = reader.headers().expect("a header").clone();
    let at = |name: &str| header.iter().position(|h| h == name).expect("a known column");
    let (lot, taster, y) = (at("Product"), at("Assessor"), at("Sharpness"));
    let rows: Vec<csv::StringRecord> = reader.records().map(|r| r.expect("a row")).collect();
    let column = |i: usize| {
        Factor::from_labels(&rows.iter().map(|r| r[i].to_string()).collect::<Vec<_>>()).0.codes
    };
    Case {
        name: "television".into(),
        what: "the television panel, 12 products x 8 tasters x 2, products fixed".into(),
        formula: FIXED,
        columns: vec![("lot", column(lot)), ("taster", column(taster))],
        y: rows.iter().map(|r| r[y].parse().expect("a number")).collect(),
    }
}

/// The whole fit: factors, columns, layout, search, report.
fn whole(case: &Case, route: Option<Route>) -> Fit {
    let factor = |name: &str| {
        let column = case.columns.iter().find(|c| c.0 == name).expect("a known column");
        Factor::new(column.1.clone())
    };
    let (lot, taster) = (factor("lot"), factor("taster"));
    let cell = Factor::cross(&lot, &taster);
    let mut random = vec![RandomTerm::new("taster", taster), RandomTerm::new("lot:taster", cell)];
    let fixed = if case.formula == FIXED {
        FixedPart::cell_means("lot", &lot, &[])
    } else {
        random.push(RandomTerm::new("lot", lot));
        random.push(RandomTerm::new("session", factor("session")));
        FixedPart::intercept(case.y.len())
    };
    let model = match route {
        None => Model::new(&fixed, &random),
        Some(route) => Model::by_route(&fixed, &random, route),
    };
    let model = model.expect("a sound layout");
    model.fit(&case.y, Method::Reml).expect("a fit")
}

/// The middle of the times of several whole fits, in seconds.
fn timed(case: &Case, route: Option<Route>) -> (f64, Fit) {
    let mut fit = whole(case, route);
    let mut times = Vec::new();
    let begun = Instant::now();
    while times.len() < 3 || (begun.elapsed().as_secs_f64() < 1.5 && times.len() < 500) {
        let start = Instant::now();
        fit = whole(case, route);
        times.push(start.elapsed().as_secs_f64());
    }
    times.sort_by(f64::total_cmp);
    (times[times.len() / 2], fit)
}

fn write(case: &Case, folder: &Path) {
    let mut text = String::new();
    for (name, _) in &case.columns {
        let _ = write!(text, "{name},");
    }
    text.push_str("y\n");
    for (row, y) in case.y.iter().enumerate() {
        for (_, codes) in &case.columns {
            let _ = write!(text, "{},", codes[row]);
        }
        let _ = writeln!(text, "{y:?}");
    }
    std::fs::write(folder.join(format!("{}.csv", case.name)), text).expect("a table is written");
}

fn processor() -> String {
    let text = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let name = text.lines().find(|l| l.starts_with("model name"));
    name.and_then(|l| l.split(':').nth(1)).unwrap_or("unknown").trim().to_string()
}

fn seconds(t: f64) -> String {
    if t < 0.1 { format!("{:.2} ms", 1000.0 * t) } else { format!("{t:.2} s") }
}

fn main() {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("against_lme4");
    std::fs::create_dir_all(&folder).expect("a folder for the tables");
    let mut cases = vec![
        session("session72", 6, 6, 2),
        television(),
        session("session1008", 24, 7, 6),
        session("lots300", 300, 6, 2),
    ];
    cases.extend([5, 15, 50, 150, 500].map(record));
    // For the choice of a route: both, without lme4.
    if std::env::args().any(|a| a == "--alone") {
        cases.push(record(2));
        for case in &cases {
            let mut line = case.name.clone();
            for route in [Route::Absorbed, Route::Sparse] {
                if route == Route::Absorbed && case.y.len() > 4000 {
                    continue;
                }
                let (time, fit) = timed(case, Some(route));
                let _ = write!(line, ", {route:?} {} ({})", seconds(time), fit.evaluations);
            }
            println!("{line}");
        }
        return;
    }
    let mut list = String::from("table,formula\n");
    for case in &cases {
        write(case, &folder);
        let _ = writeln!(list, "{},{}", case.name, case.formula);
    }
    std::fs::write(folder.join("tables.csv"), list).expect("the list is written");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../benches/against_lme4/fits.R");
    let ours: Vec<(f64, Fit)> = cases.iter().map(|c| timed(c, None)).collect();
    let run = Command::new("Rscript").arg(script).arg(&folder).output().expect("Rscript runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let output = String::from_utf8_lossy(&run.stdout).into_owned();
    let theirs = |name: &str| -> (f64, f64) {
        let line = output.lines().find(|l| l.split(',').next() == Some(name)).expect("a line");
        let cells: Vec<&str> = line.split(',').collect();
        (cells[1].trim().parse().expect("seconds"), cells[2].trim().parse().expect("a deviance"))
    };
    let versions = output.lines().find_map(|l| l.strip_prefix("versions,")).unwrap_or_default();
    println!("# Mixed models against lme4\n");
    println!(
        "The same tables and models by both, whole fits with their set-up (factors, columns, layout, \
         search, variances, degrees of freedom here; `lmer(formula, data)` there), one after the \
         other in one run; the middle of several. All scores but the television panel's are drawn.\n"
    );
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    println!("Machine: {} ({cores} cores, this program on one). {versions}\n", processor());
    println!("| table | scores | here | lme4 | times faster | deviance here less lme4's |");
    println!("|---|---:|---:|---:|---:|---:|");
    for (case, (time, fit)) in cases.iter().zip(&ours) {
        let (other, deviance) = theirs(&case.name);
        // lme4 codes a factor by differences from its first level: by REML the deviance then differs
        // by a constant of the coding.
        let own = fit.minus2_log_likelihood;
        println!(
            "| {} | {} | {} | {} | {:.0} | {:.1e} |",
            case.what,
            case.y.len(),
            seconds(*time),
            seconds(other),
            other / time,
            own - deviance,
        );
    }
    println!("\nHow the time grows with the scores of a record:\n");
    println!("| scores | here | microseconds a score | lme4 | microseconds a score |");
    println!("|---:|---:|---:|---:|---:|");
    for (case, (time, _)) in cases.iter().zip(&ours).filter(|c| c.0.formula == RECORD) {
        let (other, n) = (theirs(&case.name).0, case.y.len() as f64);
        println!(
            "| {} | {} | {:.1} | {} | {:.0} |",
            case.y.len(),
            seconds(*time),
            1e6 * time / n,
            seconds(other),
            1e6 * other / n
        );
    }
}
