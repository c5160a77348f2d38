//! The process is killed under load, many times: what was acknowledged is on disk, nothing twice.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write as _;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};
use serde_json::{Value, json};

use super::common::{Desk, Garden, Phone, cups, entry, line, request};

const TERMS: [&str; 6] = ["malty", "sweet", "flat", "green", "woody", "body"];

/// How often the process is killed; more with BLINDSTEEP_CRASHES.
fn n_crashes() -> u32 {
    std::env::var("BLINDSTEEP_CRASHES").ok().and_then(|n| n.parse().ok()).unwrap_or(20)
}

#[test]
fn kill_minus_nine_loses_nothing_that_was_acknowledged() {
    let garden = Garden::empty();
    let mut wanted = request();
    let tasters = ["ann", "bo", "cy", "dee", "eve", "finn"];
    wanted.tasters = tasters.map(str::to_owned).to_vec();
    garden.plan(&wanted);
    let links = garden.links();
    let mut desk = Desk::start(&garden);
    let port = Desk::port(&desk.ballots).to_string();
    let phones: Vec<Phone> =
        tasters.iter().map(|t| Phone::join(&desk.ballots, &links[*t])).collect();
    let acknowledged: Vec<Mutex<Vec<String>>> = tasters.iter().map(|_| Mutex::default()).collect();
    let (stop, n_retried) = (AtomicBool::new(false), AtomicUsize::new(0));
    let mut rng = ChaCha12Rng::seed_from_u64(2026);
    let n_torn = std::thread::scope(|scope| {
        for (phone, acknowledged) in phones.iter().zip(&acknowledged) {
            let (stop, n_retried) = (&stop, &n_retried);
            scope.spawn(move || {
                let of = cups(&asked(phone), 0);
                for i in 0_usize.. {
                    if stop.load(Ordering::SeqCst) {
                        break;
                    }
                    let cup = of[i % of.len()];
                    let value = (i % 10).to_string();
                    let batch: Vec<Value> = (0..1 + i % 3)
                        .map(|k| line(cup, TERMS[(i + k) % TERMS.len()], &value))
                        .collect();
                    save(phone, &batch, acknowledged, n_retried);
                    std::thread::sleep(Duration::from_millis(3));
                }
            });
        }
        let mut n_torn = 0;
        for round in 0..n_crashes() {
            std::thread::sleep(Duration::from_millis(20 + rng.next_u64() % 250));
            desk.kill();
            for (taster, acknowledged) in tasters.iter().zip(&acknowledged) {
                let told = acknowledged.lock().unwrap().clone();
                on_disk_once(&garden, taster, &told);
            }
            // A power cut may leave half a line behind the last sync.
            if round % 4 == 3 {
                let taster = tasters[(rng.next_u64() % 6) as usize];
                let file = garden.root().join(garden.session().ballot_file(taster));
                if let Ok(mut file) = fs::OpenOptions::new().append(true).open(file) {
                    file.write_all(b"0123456789abcdef,99999,2026-06-").unwrap();
                    n_torn += 1;
                }
            }
            desk = Desk::start_with(&garden, &["--port", "0", "--ballots-port", &port]);
        }
        std::thread::sleep(Duration::from_millis(300));
        stop.store(true, Ordering::SeqCst);
        n_torn
    });
    let mut n = 0;
    for (taster, acknowledged) in tasters.iter().zip(&acknowledged) {
        let told = acknowledged.lock().unwrap().clone();
        n += told.len();
        on_disk_once(&garden, taster, &told);
        let on_disk = garden.entries(taster).len();
        assert_eq!(on_disk, told.len(), "{taster}: every phone went on until all was acknowledged");
    }
    eprintln!(
        "{} crashes: {n} answers acknowledged, all on disk once; {} sendings were repeated",
        n_crashes(),
        n_retried.load(Ordering::SeqCst)
    );
    assert!(n > 100, "{n}: hardly any load");
    assert!(n_retried.load(Ordering::SeqCst) > 0, "no crash hit a phone");
    let (code, text) = garden.run(&["check"]);
    assert_eq!(code, 0, "{text}");
    let torn = fs::read_dir(garden.root().join("sessions/2026-06-02-spring/ballots")).unwrap();
    let torn: Vec<String> = torn
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "torn"))
        .map(|p| fs::read_to_string(p).unwrap())
        .collect();
    let kept: usize =
        torn.iter().map(|t| t.matches("0123456789abcdef,99999,2026-06-\n").count()).sum();
    assert_eq!(kept, n_torn, "what was torn is set aside");
}

/// Asks until the desk is there, as a phone does.
fn asked(phone: &Phone) -> Value {
    for _ in 0..2000 {
        if let Ok(now) = phone.try_now() {
            return now;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("the desk did not come back");
}

/// Sends until it is acknowledged, as a phone does: the same entries again.
fn save(
    phone: &Phone,
    batch: &[Value],
    acknowledged: &Mutex<Vec<String>>,
    n_retried: &AtomicUsize,
) {
    for _ in 0..2000 {
        if let Ok((200, answer)) = phone.try_post("/ballot/lines", &json!({"lines": batch})) {
            let mut told = acknowledged.lock().unwrap();
            for result in answer["results"].as_array().unwrap() {
                let outcome = result["outcome"].as_str().unwrap();
                assert!(["saved", "already"].contains(&outcome), "{result}");
                told.push(result["entry"].as_str().unwrap().to_owned());
            }
            return;
        }
        n_retried.fetch_add(1, Ordering::SeqCst);
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("the desk did not come back");
}

fn on_disk_once(garden: &Garden, taster: &str, told: &[String]) {
    let on_disk = garden.entries(taster);
    let unique: BTreeSet<&String> = on_disk.iter().collect();
    assert_eq!(unique.len(), on_disk.len(), "{taster}: a line is there twice");
    for entry in told {
        assert!(unique.contains(entry), "{taster}: {entry} was acknowledged and is not on disk");
    }
}

/// A desk that is gone is one that did not answer, and no fault of the phone's.
#[test]
fn a_phone_asks_again_where_the_desk_died_while_it_answered() {
    let garden = Garden::empty();
    garden.plan(&request());
    let links = garden.links();
    let mut desk = Desk::start(&garden);
    let port = Desk::port(&desk.ballots).to_string();
    let phone = Phone::join(&desk.ballots, &links["ann"]);
    desk.kill();
    assert!(phone.try_now().is_err());
    std::thread::scope(|scope| {
        let asking = scope.spawn(|| asked(&phone));
        std::thread::sleep(Duration::from_millis(50));
        let _back = Desk::start_with(&garden, &["--port", "0", "--ballots-port", &port]);
        assert!(!cups(&asking.join().unwrap(), 0).is_empty());
    });
}

#[test]
fn a_second_desk_on_a_book_is_told() {
    let garden = Garden::planned();
    let mut first = Desk::start(&garden);
    let args = ["desk", "--no-browser", "--port", "0", "--ballots-port", "0"];
    let (code, text) = garden.run(&args);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("a desk is open on") && text.contains("to mend:"), "{text}");
    first.kill();
    // One that was killed is in nobody's way.
    let second = Desk::start(&garden);
    assert_ne!(second.pid(), first.pid());
    assert_eq!(entry().len(), 16);
}
