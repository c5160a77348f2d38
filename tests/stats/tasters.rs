//! Each taster against the others.

use crate::invented::{SOUND, panel_rows, six_habits};
use blindsteep_stats::tasters::{Flag, HabitLimits, habits};

#[test]
fn rates() {
    let n: u64 = std::env::var("PANELS").map_or(5, |v| v.parse().unwrap());
    let s: usize = std::env::var("SESSIONS").map_or(10, |v| v.parse().unwrap());
    let mut count = std::collections::BTreeMap::new();
    for seed in 0..n {
        for (name, panel) in [("six", six_habits().to_vec()), ("clean", vec![SOUND; 6])] {
            let rows = panel_rows(&panel, s, 1000 + seed);
            let terms: Vec<_> = rows.iter().map(Vec::as_slice).collect();
            let found = habits(&terms, &HabitLimits::default(), 0.95).unwrap();
            for t in &found.tasters {
                if seed == 0 {
                    println!(
                        "{name} {} off {:?} ({:?}) slope {:?} noise {:?} drift {:?}",
                        t.taster,
                        t.offset.estimate.as_ref().map(|e| (e.value, e.lower, e.upper)),
                        t.offset_without_named,
                        t.slope.estimate.as_ref().map(|e| (e.value, e.lower, e.upper)),
                        t.noise.estimate.as_ref().map(|e| (e.sd, e.variance_ratio)),
                        t.drift.estimate.as_ref().map(|e| (e.value, e.lower, e.upper))
                    );
                }
                for f in &t.flags {
                    *count.entry((name, t.taster, format!("{f:?}"))).or_insert(0) += 1;
                }
            }
        }
    }
    for (k, v) in count {
        println!("{k:?} {v}/{n}");
    }
    let _ = Flag::Offset;
}
