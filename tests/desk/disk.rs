//! An answer is acknowledged once it is on disk, and only then: with disks of our own in its place.

use std::fs::File;
use std::io::{self, Write as _};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Barrier, Condvar, Mutex, mpsc};
use std::time::Duration;

use blindsteep::book::session_files::AnswerState;
use blindsteep::book::store::Disk;
use blindsteep::book::time::Moment;
use blindsteep::desk::App;
use blindsteep::desk::doors::Doors;
use blindsteep::desk::server::{Peer, ballot_routes};
use blindsteep::session::ballots::Ballot;
use blindsteep::session::live::{Live, Outcome, Sent};
use blindsteep::session::{Answer, Given, close};
use serde_json::json;

use super::common::{Garden, Phone, cups, entry, line, now};

/// A disk that can be full, or fail at syncing, or keep a sync waiting.
#[derive(Debug, Default)]
struct Odd {
    full: AtomicBool,
    breaks: AtomicBool,
    held: Mutex<bool>,
    released: Condvar,
    writes: AtomicUsize,
    syncs: AtomicUsize,
}

impl Odd {
    fn hold(&self, held: bool) {
        *self.held.lock().unwrap() = held;
        self.released.notify_all();
    }
}

impl Disk for Odd {
    fn write(&self, file: &mut File, bytes: &[u8]) -> io::Result<()> {
        self.writes.fetch_add(1, Ordering::SeqCst);
        if self.full.load(Ordering::SeqCst) {
            file.write_all(&bytes[..bytes.len() / 2])?;
            return Err(io::Error::from(io::ErrorKind::StorageFull));
        }
        file.write_all(bytes)
    }

    fn sync(&self, file: &File) -> io::Result<()> {
        let mut held = self.held.lock().unwrap();
        while *held {
            held = self.released.wait(held).unwrap();
        }
        self.syncs.fetch_add(1, Ordering::SeqCst);
        if self.breaks.load(Ordering::SeqCst) {
            return Err(io::Error::other("the disk is gone"));
        }
        file.sync_data()
    }
}

/// Serves the ballots of a garden in this process, on a disk of ours, and gives ann's phone.
fn served(garden: &Garden, disk: Arc<Odd>) -> Phone {
    let doors = Doors::open(&garden.book).unwrap();
    let link = doors.taster_link(&garden.session().name, "ann").unwrap();
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    listener.set_nonblocking(true).unwrap();
    let port = listener.local_addr().unwrap().port();
    let at = format!("http://127.0.0.1:{port}");
    let live = Live::on_disk(garden.book.clone(), disk);
    let app = Arc::new(App::new(garden.book.clone(), doors, at.clone(), false).with_live(live));
    let routes = ballot_routes(&app, vec![format!("127.0.0.1:{port}")], port, false);
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
        runtime.block_on(async move {
            let listener = tokio::net::TcpListener::from_std(listener).unwrap();
            let service = routes.into_make_service_with_connect_info::<Peer>();
            axum::serve(listener, service).await.unwrap();
        });
    });
    Phone::join(&at, &link)
}

#[test]
fn the_sync_comes_before_the_acknowledgement() {
    let garden = Garden::planned();
    let disk = Arc::new(Odd::default());
    let ann = served(&garden, Arc::clone(&disk));
    let cup = cups(&ann.now(), 0)[0];
    // The first line makes the file, the second is appended: both wait for the disk.
    for value in ["6", "7"] {
        disk.hold(true);
        let before = disk.syncs.load(Ordering::SeqCst);
        let (told, heard) = mpsc::channel();
        let phone = ann.clone();
        let sent = line(cup, "malty", value);
        let asking = std::thread::spawn(move || told.send(phone.answer(sent)).unwrap());
        let until = std::time::Instant::now() + Duration::from_secs(10);
        while disk.writes.load(Ordering::SeqCst) <= before {
            assert!(std::time::Instant::now() < until, "nothing is written");
            std::thread::yield_now();
        }
        let early = heard.recv_timeout(Duration::from_millis(400));
        assert!(early.is_err(), "acknowledged before it was synced: {early:?}");
        assert_eq!(disk.syncs.load(Ordering::SeqCst), before);
        disk.hold(false);
        assert_eq!(heard.recv_timeout(Duration::from_secs(10)).unwrap()["outcome"], "saved");
        assert_eq!(disk.syncs.load(Ordering::SeqCst), before + 1);
        asking.join().unwrap();
    }
}

#[test]
fn a_full_disk_is_told_and_nothing_half_written_stays() {
    let garden = Garden::planned();
    let disk = Arc::new(Odd::default());
    let ann = served(&garden, Arc::clone(&disk));
    let cup = cups(&ann.now(), 0)[0];
    for fill in [&disk.full, &disk.breaks] {
        for value in ["5", "6"] {
            let before = garden.ballot("ann");
            let sent = json!({"lines": [line(cup, "malty", value), line(cup, "sweet", value)]});
            fill.store(true, Ordering::SeqCst);
            let (status, answer) = ann.post("/ballot/lines", &sent);
            assert_eq!((status, &answer["error"]), (507, &json!("not-saved")), "{answer}");
            assert_eq!(garden.ballot("ann"), before, "what was there is as it was");
            fill.store(false, Ordering::SeqCst);
            let (status, answer) = ann.post("/ballot/lines", &sent);
            assert_eq!(status, 200, "{answer}");
            for result in answer["results"].as_array().unwrap() {
                assert_eq!(result["outcome"], "saved", "{result}");
            }
            assert_eq!(garden.ballot("ann").lines().count(), before.lines().count().max(1) + 2);
        }
    }
    let hand_in = json!({"entry": entry(), "flight": 1});
    disk.full.store(true, Ordering::SeqCst);
    assert_eq!(ann.post("/ballot/hand-in", &hand_in).0, 507);
    assert_eq!(ann.now()["flights"][0]["handed_in"], false);
    disk.full.store(false, Ordering::SeqCst);
    assert_eq!(ann.post("/ballot/hand-in", &hand_in).1["results"][0]["outcome"], "saved");
    let (code, text) = garden.run(&["check"]);
    assert_eq!(code, 0, "{text}");
    assert!(garden.ballot("ann").ends_with('\n'));
    let torn = garden.root().join("sessions/2026-06-02-spring/ballots/ann.csv.torn");
    assert!(!torn.exists(), "it was cut back, so that nothing is set aside");
}

fn sent(cup: u16, term: &str, value: &str) -> Sent {
    let given = Given::Scored(value.to_owned());
    let answer = Answer { cup, steep: Some(1), term: term.to_owned(), given, note: None };
    Sent { entry: entry(), answer }
}

#[test]
fn a_clock_that_is_set_back_changes_nothing() {
    let garden = Garden::planned();
    let live = Live::new(garden.book.clone());
    let tasting = live.session(&garden.session().name).unwrap();
    let cup = garden.plan_file().flights[0].order_of("ann")[0];
    for (at, value) in [
        ("2026-06-02T10:00:00+08:00", "4"),
        ("2026-06-02T09:00:00+08:00", "5"),
        ("1999-12-31T23:59:59+08:00", "6"),
        ("2026-06-02T10:00:01+08:00", "7"),
        ("2020-01-01T00:00:00+00:00", "8"),
    ] {
        let at: Moment = at.parse().unwrap();
        let outcomes = tasting.save("ann", &[sent(cup, "malty", value)], at).unwrap();
        assert!(matches!(outcomes[0], Outcome::Saved(_)), "{outcomes:?}");
    }
    let ballot = Ballot::open(&garden.session(), "ann").unwrap();
    let holds: Vec<&str> = ballot.answers().filter_map(|(_, l)| l.value.as_deref()).collect();
    assert_eq!(holds, ["8"], "the last that was written holds, whatever the clock says");
    let (code, text) = garden.run(&["check"]);
    assert_eq!(code, 0, "{text}");
}

#[test]
fn closing_comes_between_and_every_answer_is_on_one_side() {
    let garden = Garden::planned();
    let live = Live::new(garden.book.clone());
    let tasting = live.session(&garden.session().name).unwrap();
    let plan = garden.plan_file();
    let (begun, stop) = (Barrier::new(4), AtomicBool::new(false));
    let all: Vec<(String, Vec<(String, bool)>)> = std::thread::scope(|scope| {
        let tasting = &tasting;
        let (begun, stop, plan) = (&begun, &stop, &plan);
        let save = |taster: &'static str| {
            scope.spawn(move || {
                let cup = plan.flights[0].order_of(taster)[0];
                let mut done = Vec::new();
                let mut after = 0;
                for i in 0.. {
                    if i == 3 {
                        begun.wait();
                    }
                    let sent = sent(cup, "malty", &(i % 10).to_string());
                    let outcome =
                        tasting.save(taster, std::slice::from_ref(&sent), now()).unwrap().remove(0);
                    match outcome {
                        Outcome::Saved(_) => done.push((sent.entry, true)),
                        Outcome::Late => done.push((sent.entry, false)),
                        other => panic!("{other:?}"),
                    }
                    after += usize::from(stop.load(Ordering::SeqCst));
                    if after > 5 {
                        break;
                    }
                }
                (taster.to_owned(), done)
            })
        };
        let threads = ["ann", "bo", "cy"].map(save);
        begun.wait();
        // It is let in although somebody writes at every moment.
        close(&garden.book, "spring", true, now()).unwrap();
        stop.store(true, Ordering::SeqCst);
        threads.into_iter().map(|t| t.join().unwrap()).collect()
    });
    for (taster, done) in all {
        let on_ballot = garden.entries(&taster);
        let late = garden.read(&format!("sessions/2026-06-02-spring/late/{taster}.csv"));
        let saved: Vec<&String> = done.iter().filter(|d| d.1).map(|d| &d.0).collect();
        assert_eq!(on_ballot.iter().collect::<Vec<_>>(), saved, "what was saved, and nothing else");
        let n_late = done.iter().filter(|d| !d.1).count();
        assert!(n_late >= 5, "{n_late}");
        assert_eq!(late.lines().count(), 1 + n_late);
        assert!(done.iter().filter(|d| !d.1).all(|d| late.contains(&d.0)));
    }
    let (code, text) = garden.run(&["check"]);
    assert_eq!(code, 0, "{text}");
}

#[test]
fn a_ballot_with_a_mistake_is_not_written_to() {
    let garden = Garden::planned();
    let disk = Arc::new(Odd::default());
    let ann = served(&garden, Arc::clone(&disk));
    let cup = cups(&ann.now(), 0)[0];
    ann.answer(line(cup, "malty", "6"));
    let file = garden.root().join(garden.session().ballot_file("ann"));
    let good = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, good.replace(",6,scored", ",66,scored")).unwrap();
    let (status, answer) = ann.post("/ballot/lines", &json!({"lines": [line(cup, "sweet", "3")]}));
    assert_eq!(status, 507);
    assert!(answer["text"].as_str().unwrap().contains("has a mistake"), "{answer}");
    std::fs::write(&file, good).unwrap();
    assert_eq!(ann.answer(line(cup, "sweet", "3"))["outcome"], "saved");
    let ballot = Ballot::open(&garden.session(), "ann").unwrap();
    assert!(ballot.answers().all(|(_, l)| l.state == AnswerState::Scored));
}
