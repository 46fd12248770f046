//! Hooks against receivers on this computer.

use super::*;
use crate::record::{Ending, HeldBy, JudgementKind, Outcome, Place, Trouble};
use std::io::{BufRead, BufReader, Read};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};

fn bench_with(on: &[&str], to: &[&str], at_most_every_s: u64) -> Bench {
    let mut bench = crate::bench::builtin();
    let texts = |list: &[&str]| list.iter().map(|t| (*t).to_owned()).collect();
    bench.messages = vec![MessageHook { on: texts(on), to: texts(to), at_most_every_s }];
    bench
}

fn body_of(stream: &mut TcpStream) -> Value {
    let mut reader = BufReader::new(stream.try_clone().unwrap());
    let mut length = 0;
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
        if let Some(n) = line.strip_prefix("Content-Length: ") {
            length = n.trim().parse().unwrap();
        }
        if line == "\r\n" {
            break;
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).unwrap();
    serde_json::from_slice(&body).unwrap()
}

/// A receiver that answers with these codes in turn, then with 200.
fn receiver(codes: Vec<u16>) -> (String, Arc<Mutex<Vec<Value>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("http://{}/hook", listener.local_addr().unwrap());
    let heard = Arc::new(Mutex::new(Vec::new()));
    let put = Arc::clone(&heard);
    std::thread::spawn(move || {
        let mut codes = codes.into_iter();
        while let Ok((mut stream, _)) = listener.accept() {
            let body = body_of(&mut stream);
            put.lock().unwrap().push(body);
            let code = codes.next().unwrap_or(200);
            let _ = write!(stream, "HTTP/1.1 {code} x\r\nContent-Length: 0\r\n\r\n");
        }
    });
    (address, heard)
}

fn held(reason: &str) -> Entry {
    Entry::Held { by: HeldBy::Operator, reason: reason.into() }
}

fn end() -> Entry {
    let ending =
        Ending { outcome: Outcome::Finished, reason: "done".into(), place: Place::default(), latched: false };
    Entry::End { ending, parked: true, elapsed_s: 5.0 }
}

#[test]
fn a_question_of_the_plan_is_told_with_its_answers() {
    let (address, heard) = receiver(vec![]);
    let mut hooks = Hooks::start(&bench_with(&["question"], &[&address], 0), "s.rhai");
    let said = Box::new(PlanSaid::Asked(crate::record::Asked {
        name: "pulse".into(),
        question: "May the tip be pulsed?".into(),
        answers: vec!["yes".into(), "no".into()],
        until_s: 3605.0,
        otherwise: "no".into(),
    }));
    hooks.entry(TimePoint::from_s(5.0), &Entry::Plan { n: 0, said, place: Place::default() });
    std::thread::sleep(Duration::from_millis(200));
    drop(hooks);
    let heard = heard.lock().unwrap();
    let wanted = "May the tip be pulsed? — open for 1 h 00 min more, then taken as `no`; answer `pulse` with yes or no";
    assert_eq!((heard.len(), &heard[0]["event"], &heard[0]["text"]), (1, &json!("question"), &json!(wanted)));
}

#[test]
fn chosen_events_are_posted_and_others_are_not() {
    let (address, heard) = receiver(vec![]);
    let mut hooks = Hooks::start(&bench_with(&["finished", "undecided"], &[&address], 0), "s.rhai");
    hooks.entry(TimePoint::from_s(1.0), &held("coffee"));
    let verdict = |word: &str| Entry::Judgement {
        n: 0,
        what: JudgementKind::Verdict,
        sweep: None,
        title: format!("verdict {word}"),
        body: json!({ "verdict": word }),
        place: Place::default(),
    };
    hooks.entry(TimePoint::from_s(2.0), &verdict("real"));
    hooks.entry(TimePoint::from_s(3.0), &verdict("undecided"));
    std::thread::sleep(Duration::from_millis(200));
    hooks.entry(TimePoint::from_s(5.0), &end());
    drop(hooks);
    let heard = heard.lock().unwrap();
    assert_eq!(heard.len(), 2, "{heard:?}");
    assert_eq!((&heard[0]["event"], &heard[0]["text"]), (&json!("undecided"), &json!("verdict undecided")));
    assert_eq!(heard[1]["text"], "finished: done; the bench is parked");
    assert_eq!(heard[1]["sequence"], "s.rhai");
}

#[test]
fn a_flood_becomes_two_messages_and_a_count() {
    let (address, heard) = receiver(vec![]);
    let mut hooks = Hooks::start(&bench_with(&["held"], &[&address], 3600), "s");
    hooks.entry(TimePoint::START, &held("0"));
    std::thread::sleep(Duration::from_millis(200));
    for i in 1..=50 {
        hooks.entry(TimePoint::from_s(f64::from(i)), &held(&i.to_string()));
    }
    std::thread::sleep(Duration::from_millis(200));
    assert_eq!(heard.lock().unwrap().len(), 1, "an hour must pass before the next");
    drop(hooks);
    let heard = heard.lock().unwrap();
    assert_eq!(heard.len(), 2, "the end does not wait for the hour");
    assert_eq!((&heard[1]["text"], &heard[1]["more"]), (&json!("held (operator): 50"), &json!(49)));
}

#[test]
fn a_refusal_is_tried_again() {
    let (address, heard) = receiver(vec![503, 500]);
    let mut hooks = Hooks::start(&bench_with(&["held"], &[&address], 0), "s");
    hooks.entry(TimePoint::START, &held("x"));
    drop(hooks);
    assert_eq!(heard.lock().unwrap().len(), 3);
}

#[test]
fn a_receiver_that_never_answers_does_not_slow_the_run() {
    // It accepts connections (the system does) and says nothing at all.
    let silent = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("http://{}/", silent.local_addr().unwrap());
    let bench = bench_with(&["fault"], &[&address], 0);
    let mut hooks = Hooks::start(&bench, "s");
    let fault = Entry::Fault { link: "magnet".into(), trouble: Trouble::KeeperLost };
    let started = Instant::now();
    for i in 0..10_000 {
        hooks.entry(TimePoint::from_s(f64::from(i)), &fault);
    }
    assert!(started.elapsed() < Duration::from_secs(2), "{:?}", started.elapsed());
    let ending = Instant::now();
    drop(hooks);
    assert!(ending.elapsed() < END_PATIENCE + Duration::from_secs(1));
}

#[test]
fn a_program_gets_the_message_and_one_that_is_missing_does_no_harm() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("said");
    let script = format!("cat > {}; echo \"$NOCTULE_EVENT\" >> {}", file.display(), file.display());
    let mut hooks = Hooks::start(&bench_with(&["interlock"], &["sh", "-c", &script], 0), "s");
    let trip = Entry::Interlock {
        name: "warm".into(),
        action: crate::bench::Action::Park,
        condition: "stage_temperature > 1 K".into(),
        cause: crate::record::Cause::Condition,
        because: "it is".into(),
        place: Place::default(),
    };
    hooks.entry(TimePoint::START, &trip);
    drop(hooks);
    let text = std::fs::read_to_string(&file).unwrap();
    let (json, event) = text.trim().split_once('\n').unwrap();
    assert_eq!(
        serde_json::from_str::<Value>(json).unwrap()["text"],
        "warm tripped (park): stage_temperature > 1 K — it is"
    );
    assert_eq!(event, "interlock");
    let mut none = Hooks::start(&bench_with(&["interlock"], &["no-such-program-here"], 0), "s");
    none.entry(TimePoint::START, &trip);
    drop(none);
}

#[test]
fn the_refill_is_told_of_once_for_each_filling() {
    let mut helium = Level::of(&crate::bench::builtin()).unwrap();
    let mut watch = HeliumWatch::default();
    let mut read = |hours: f64, above_l: f64| {
        helium.note(hours * 3600.0, helium.limit_m3 + above_l * 1e-3);
        watch.due(TimePoint::from_s(hours * 3600.0), &helium, false)
    };
    // 1 L/h from 20 L above the limit: 12 h before it is 8 h after the start.
    let mut told = Vec::new();
    for minute in 0..=18 * 60 {
        let hours = f64::from(minute) / 60.0;
        told.extend(read(hours, 20.0 - hours).map(|due_s| (hours, due_s / 3600.0)));
    }
    assert_eq!(told.len(), 1, "{told:?}");
    assert!((told[0].0 - 8.0).abs() < 0.05 && (told[0].1 - 12.0).abs() < 0.05, "{told:?}");
    assert_eq!(read(19.0, 60.0), None);
    assert_eq!(read(19.1, 0.0), Some(0.0));
}

/// What is told of a bath that loses 1 L/h from 20 L above its limit, on a Friday evening.
fn told_on_friday(attended: &str) -> Vec<Value> {
    let (address, heard) = receiver(vec![]);
    let mut bench = bench_with(&["helium"], &[&address], 0);
    bench.helium.as_mut().unwrap().attended = Some(crate::bench::Attended::parse(attended).unwrap());
    let mut hooks = Hooks::start(&bench, "s");
    let mut tally = RunTally::new(&bench);
    let started_at = "2026-11-27T22:00:00+00:00[UTC]".to_owned();
    let (sequence_path, bench_path) = (String::new(), String::new());
    tally.entry(TimePoint::START, &Entry::Context { started_at, window_s: None, sequence_path, bench_path });
    for minute in 0..120 {
        let at = TimePoint::from_s(60.0 * f64::from(minute));
        let value = (30.0 - f64::from(minute) / 60.0) * 1e-3;
        tally.entry(at, &Entry::Monitor { channel: "helium_level".into(), value });
        hooks.moment(at, &tally);
    }
    drop(hooks);
    heard.lock().unwrap().clone()
}

#[test]
fn a_refill_that_comes_before_anybody_is_told_at_once_and_no_other() {
    let told = told_on_friday("Mon-Fri 08:00-18:00");
    assert_eq!(told.len(), 1, "{told:?}");
    let text = told[0]["text"].as_str().unwrap();
    assert!(text.contains("nobody is there before Monday 08:00"), "{text}");
    assert!(told[0]["cautions"].is_string(), "{told:?}");
    // Due on Saturday at 18:00, and somebody is there on Saturday: more than twelve hours ahead that is no message.
    assert_eq!(told_on_friday("Mon-Sun 08:00-18:00"), Vec::<Value>::new());
    // What was told as usual is told once more when it becomes an alarm.
    let mut level = Level::of(&crate::bench::builtin()).unwrap();
    let mut watch = HeliumWatch::default();
    let told: Vec<usize> = (0..120)
        .filter(|minute| {
            let hours = *minute as f64 / 60.0;
            level.note(hours * 3600.0, level.limit_m3 + (8.0 - hours) * 1e-3);
            watch.due(TimePoint::from_s(hours * 3600.0), &level, *minute > 60).is_some()
        })
        .collect();
    assert!(told.len() == 2 && told[1] == 61, "{told:?}");
}

#[test]
fn no_message_that_brings_people_to_the_bench_lacks_its_cautions() {
    for (event, word) in [
        ("helium", "oxygen monitor"),
        ("held", "can kill"),
        ("interlock", "A quench boils the bath"),
        ("fault", "can kill"),
        ("released", "people, tools and the transfer line"),
    ] {
        let words = in_words(act_of(event).expect("it has an act"));
        assert!(
            words.contains(word) && words.contains("Local rules and trained staff decide"),
            "{event}: {words}"
        );
    }
    assert_eq!(act_of("finished"), None);
}
