//! Twelve disciplines of instruments on a line that delays, doubles, drops, reorders, garbles, echoes, sends what nobody
//! asked for, and closes half: where each reply has a proof, no other value is believed; elsewhere the rate is
//! measured, and each one is told as doubtful.

use crate::bad_line::{Dice, bad_line};
use crate::common::{instruments, read_bench, scpi_link};
use noctule::bench::{Address, Bench, ScpiAddress};
use noctule::instrument::{ErrorKind, Instrument};
use noctule::quantity::{TimePoint, Unit};
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// What an instrument stands at.
#[derive(Debug, Default)]
pub struct State {
    /// What was set last.
    knob: f64,
    /// Queries of measured values so far: each value is of one query alone.
    count: u64,
    enabled: u32,
    errors: Vec<&'static str>,
    refuses: u32,
}

impl State {
    /// Quantity number `n`, with the number of the query behind the point.
    fn measured(&mut self, n: u32) -> String {
        self.count += 1;
        format!("{n}.{:09}", self.count)
    }

    /// Takes a set; each fifth is refused where the refusal can be told.
    fn take(&mut self, value: f64, may_refuse: bool) {
        self.refuses += 1;
        if may_refuse && self.refuses.is_multiple_of(5) {
            self.errors.push("-222,\"Data out of range\"");
        } else {
            self.knob = value;
        }
    }

    /// The units of a message that SCPI joins by semicolons; `unit` knows what is not of the standard.
    fn compound(
        &mut self,
        message: &str,
        unit: impl Fn(&mut Self, &str) -> Option<String>,
    ) -> Option<String> {
        let mut replies = Vec::new();
        for part in message.split(';') {
            match part.split_once(' ').unwrap_or((part, "")) {
                ("*ESE", number) => self.enabled = number.parse().expect("a number"),
                ("*ESE?", _) => replies.push(self.enabled.to_string()),
                ("ECHO?", text) => replies.push(text.to_owned()),
                ("*IDN?", _) => replies.push("Invented,Sparrow,1,0".to_owned()),
                ("SYST:ERR?", _) => replies.push(self.errors.pop().unwrap_or("0,\"No error\"").to_owned()),
                _ => replies.extend(unit(self, part)),
            }
        }
        (!replies.is_empty()).then(|| replies.join(";"))
    }
}

/// `Q1?`, `Q2?`, `K?` and `K 5` with plain numbers.
fn plain(state: &mut State, unit: &str) -> Option<String> {
    match unit {
        "Q1?" => Some(state.measured(1)),
        "Q2?" => Some(state.measured(2)),
        "K?" => Some(format!("{}", state.knob)),
        set => {
            state.take(set.strip_prefix("K ")?.parse().ok()?, true);
            None
        }
    }
}

/// The same of an instrument that refuses nothing and keeps no errors.
fn docile(state: &mut State, message: &str) -> Option<String> {
    state.compound(message, |state, unit| match unit.strip_prefix("K ") {
        Some(value) => {
            state.take(value.parse().ok()?, false);
            None
        }
        None => plain(state, unit),
    })
}

/// Names in the replies; each set is acknowledged with the value that it took.
fn named(state: &mut State, message: &str) -> Option<String> {
    match message {
        "ID" => Some("Invented Lark".to_owned()),
        "Q1" => Some(format!("Q1={} V", state.measured(1))),
        "Q2" => Some(format!("Q2={} V", state.measured(2))),
        other => {
            if let Some(value) = other.strip_prefix("K=") {
                state.take(value.parse().ok()?, false);
            }
            Some(format!("K={} V", state.knob))
        }
    }
}

fn words(state: &mut State, unit: &str) -> Option<String> {
    const WORDS: [&str; 3] = ["LOW", "MID", "HIGH"];
    match unit.strip_prefix("K ") {
        Some(word) => {
            let place = WORDS.iter().position(|known| *known == word)?;
            state.take(place as f64 + 1.0, true);
            None
        }
        None if unit == "K?" => Some(WORDS[(state.knob as usize).clamp(1, 3) - 1].to_owned()),
        None => plain(state, unit),
    }
}

/// What an instrument does with a message.
pub type Manner = fn(&mut State, &str) -> Option<String>;

/// How sure one can be of what it says.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Proof {
    /// Each reply by itself.
    EachReply,
    /// A known answer, after each reading or now and then.
    KnownAnswer,
    /// None but silence, and perhaps its identity.
    None,
}

struct Discipline {
    name: &'static str,
    proof: Proof,
    /// How its messages and its replies end.
    ends: [&'static str; 2],
    link: &'static str,
    /// What the channels of the two measured quantities and of the setting have besides.
    measured: [&'static str; 2],
    knob: &'static str,
    /// Settings that it takes.
    settings: &'static [f64],
    manner: Manner,
}

const MEASURED: [&str; 2] = [r#"query: "Q1?""#, r#"query: "Q2?""#];
const KNOB: &str = r#"set: "K {}", query: "K?", verify: Verify(within: "1 mV")"#;
const NUMBERS: &[f64] = &[1.0, 2.0, 3.0, 5.0, 7.0];
const LARK: &str = r#"identity: Nobody, proof: Proof(query: "ID", answer: "Invented Lark")"#;

const DISCIPLINES: [Discipline; 12] = [
    Discipline {
        name: "a number that comes back with each reply",
        proof: Proof::EachReply,
        ends: ["\n", "\n"],
        link: r#"errors: "SYST:ERR?", marker: "*ESE {n};*ESE?""#,
        measured: MEASURED,
        knob: r#"set: "K {}", query: "K?""#,
        settings: NUMBERS,
        manner: |state, message| state.compound(message, plain),
    },
    Discipline {
        name: "a text that is echoed",
        proof: Proof::EachReply,
        ends: ["\r\n", "\r\n"],
        link: r#"terminator: "\r\n", marker: "ECHO? {n}""#,
        measured: MEASURED,
        knob: KNOB,
        settings: NUMBERS,
        manner: docile,
    },
    Discipline {
        name: "one query, five values",
        proof: Proof::EachReply,
        ends: ["\n", "\n"],
        link: r#"errors: "SYST:ERR?", marker: "*ESE {n};*ESE?""#,
        measured: [r#"query: "SNAP?", field: 0, fields: 5"#, r#"query: "SNAP?", field: 1, fields: 5"#],
        knob: r#"set: "K {}", query: "SNAP?", field: 3, fields: 5"#,
        settings: NUMBERS,
        manner: |state, message| {
            state.compound(message, |state, unit| match unit {
                "SNAP?" => {
                    let one = state.measured(1);
                    Some(format!("{one},2{},0,{},40", &one[1..], state.knob))
                }
                _ => plain(state, unit),
            })
        },
    },
    Discipline {
        name: "words, and an error queue",
        proof: Proof::EachReply,
        ends: ["\n", "\n"],
        link: r#"errors: "SYST:ERR?", marker: "*ESE {n};*ESE?""#,
        measured: MEASURED,
        knob: r#"set: "K {}", query: "K?", words: { "LOW": "1 V", "MID": "2 V", "HIGH": "3 V" }"#,
        settings: &[1.0, 2.0, 3.0],
        manner: |state, message| state.compound(message, words),
    },
    Discipline {
        name: "names in the replies, acknowledged sets, a known answer after each reading",
        proof: Proof::KnownAnswer,
        ends: ["\n", "\n"],
        link: LARK,
        measured: [r#"query: "Q1", reply: "Q1={} V""#, r#"query: "Q2", reply: "Q2={} V""#],
        knob: r#"set: "K={}", query: "K", reply: "K={} V", acknowledge: "K={} V""#,
        settings: NUMBERS,
        manner: named,
    },
    Discipline {
        name: "units, a set that is polled, a known answer after each reading",
        proof: Proof::KnownAnswer,
        ends: ["\n", "\n"],
        link: LARK,
        measured: [r#"query: "Q1", reply: "+{} V""#, r#"query: "Q2", reply: "+{} V""#],
        knob: r#"set: "K {}", query: "K", reply: "+{} V", ready: Ready(query: "STATE", answer: "HOLDING",
            within: "1 s", every: "1 ms"), verify: Verify(within: "1 mV")"#,
        settings: NUMBERS,
        manner: |state, message| match message {
            "ID" => Some("Invented Lark".to_owned()),
            "STATE" => {
                state.refuses += 1;
                Some(if state.refuses.is_multiple_of(3) { "RAMPING" } else { "HOLDING" }.to_owned())
            }
            "Q1" => Some(format!("+{} V", state.measured(1))),
            "Q2" => Some(format!("+{} V", state.measured(2))),
            "K" => Some(format!("+{} V", state.knob)),
            set => {
                state.knob = set.strip_prefix("K ")?.parse().ok()?;
                None
            }
        },
    },
    Discipline {
        name: "positions in a list, a known answer after each reading",
        proof: Proof::KnownAnswer,
        ends: ["\r", "\r\n"],
        link: r#"terminator: "\r", reply_terminator: "\r\n", identity: Nobody, proof: Proof(query: "ID", answer: "Invented Lark")"#,
        measured: [r#"query: "Q1""#, r#"query: "Q2""#],
        knob: r#"set: "K {}", query: "K", reply: "K={}", list: ["1 V", "2 V", "5 V"], list_from: 1, verify: Verify(within: "1 mV")"#,
        settings: &[1.0, 2.0, 5.0],
        manner: |state, message| match message {
            "ID" => Some("Invented Lark".to_owned()),
            "Q1" => Some(state.measured(1)),
            "Q2" => Some(state.measured(2)),
            "K" => Some(format!("K={}", if state.knob == 5.0 { 3.0 } else { state.knob.max(1.0) })),
            set => {
                state.knob = [1.0, 2.0, 5.0][set.strip_prefix("K ")?.parse::<usize>().ok()? - 1];
                None
            }
        },
    },
    Discipline {
        name: "a bit of a register, a known answer each 0.1 s",
        proof: Proof::KnownAnswer,
        ends: ["\n", "\n"],
        link: r#"identity: Nobody, proof: Proof(query: "ID", answer: "Invented Lark", every: "100 ms")"#,
        measured: [r#"query: "Q1""#, r#"query: "Q2""#],
        knob: r#"set: "K {}", query: "REG", words: { "72": "1 V", "64": "0 V" }, verify: Verify(within: "1 mV")"#,
        settings: &[0.0, 1.0],
        manner: |state, message| match message {
            "ID" => Some("Invented Lark".to_owned()),
            "Q1" => Some(state.measured(1)),
            "Q2" => Some(state.measured(2)),
            "REG" => Some(if state.knob == 1.0 { "72" } else { "64" }.to_owned()),
            set => {
                state.knob = if set.strip_prefix("K ")? == "72" { 1.0 } else { 0.0 };
                None
            }
        },
    },
    Discipline {
        name: "parts of a scale, ends of its own, its identity alone",
        proof: Proof::None,
        ends: ["!", "#"],
        link: r##"terminator: "!", reply_terminator: "#", identity: Identity(query: "WHO", answer: "Invented {*}")"##,
        measured: [
            r#"query: "Q1", reply: "LVL {} %", speaks: "%", scale: "100 V""#,
            r#"query: "Q2", reply: "LVL {} %", speaks: "%", scale: "100 V""#,
        ],
        knob: r#"set: "K {}", query: "K", reply: "K {}", verify: Verify(within: "1 mV")"#,
        settings: NUMBERS,
        manner: |state, message| match message {
            "WHO" => Some("Invented Monitor".to_owned()),
            "Q1" => Some(format!("LVL {} %", state.measured(1))),
            "Q2" => Some(format!("LVL {} %", state.measured(2))),
            "K" => Some(format!("K {}", state.knob)),
            set => {
                state.knob = set.strip_prefix("K ")?.parse().ok()?;
                None
            }
        },
    },
    Discipline {
        name: "plain SCPI with an error queue, its identity alone",
        proof: Proof::None,
        ends: ["\n", "\n"],
        link: r#"errors: "SYST:ERR?""#,
        measured: MEASURED,
        knob: KNOB,
        settings: NUMBERS,
        manner: |state, message| state.compound(message, plain),
    },
    Discipline {
        name: "names in the replies, no identity",
        proof: Proof::None,
        ends: ["\n", "\n"],
        link: "identity: Nobody",
        measured: [r#"query: "Q1", reply: "Q1={} V""#, r#"query: "Q2", reply: "Q2={} V""#],
        knob: r#"set: "K={}", query: "K", reply: "K={} V", acknowledge: "K={} V""#,
        settings: NUMBERS,
        manner: named,
    },
    Discipline {
        name: "bare numbers, no identity, nothing",
        proof: Proof::None,
        ends: ["\n", "\n"],
        link: "identity: Nobody",
        measured: MEASURED,
        knob: KNOB,
        settings: NUMBERS,
        manner: docile,
    },
];

/// What came of many queries.
#[derive(Debug, Default)]
struct Tally {
    asked: u64,
    sound: u64,
    failed: u64,
    /// Values of another query that were given as an answer.
    wrong: u64,
    /// Those that were not told as doubtful afterwards.
    unmarked: u64,
    /// Sound ones that were told as doubtful with them.
    marked_sound: u64,
    /// Sets that were refused, or never came, and taken as done.
    lies: u64,
}

const TIMEOUT_S: f64 = 0.04;

fn bench(discipline: &Discipline, address: std::net::SocketAddr) -> Bench {
    let channel = |name: &str, wording: &str| {
        let range = if wording.contains("set:") { ", min: \"0 V\", max: \"10 V\"" } else { "" };
        format!("Channel(name: \"{name}\", unit: \"V\", link: \"it\", {wording}{range}),")
    };
    let [first, second] = discipline.measured;
    let channels = [channel("q1", first), channel("q2", second), channel("knob", discipline.knob)];
    read_bench(&format!(
        "Bench(name: \"{}\", links: {{ \"it\": Scpi(address: \"{address}\", timeout: \"{TIMEOUT_S} s\", silence: \"20 ms\", \
         {}) }}, channels: [{}], park: [Keep(channel: \"knob\")])",
        discipline.name,
        discipline.link,
        channels.concat()
    ))
}

/// Asks so often, a ninth of it sets; of the replies, a part is spoilt.
fn try_many(discipline: &Discipline, queries: u64, seed: u64, spoilt: f64) -> Tally {
    let state = Arc::new(Mutex::new(State { knob: discipline.settings[0], ..State::default() }));
    let known = Arc::clone(&state);
    let manner = discipline.manner;
    let answer = move |message: &str| manner(&mut known.lock().expect("the state"), message);
    let bench = bench(discipline, bad_line(seed, spoilt, seed.is_multiple_of(2), discipline.ends, answer));
    let mut it = instruments(&bench).remove(0);
    let channel = |name: &str| bench.channel(bench.find(name).expect("a channel"));
    let (mut dice, mut tally, began) = (Dice(seed), Tally::default(), Instant::now());
    // Readings that may still be told as doubtful: when they came, and whether they are right.
    let mut given: Vec<(TimePoint, bool)> = Vec::new();
    let _who = it.identify();
    // At the end some more, until what was odd has had its time to show.
    let mut over: Option<Instant> = None;
    while over.is_none_or(|over| over.elapsed().as_secs_f64() < 5.0 * TIMEOUT_S) {
        tally.asked += 1;
        if tally.asked >= queries {
            over.get_or_insert_with(Instant::now);
        }
        let now = TimePoint::from_s(began.elapsed().as_secs_f64());
        it.pass_time(now);
        let (before, stood) = {
            let state = state.lock().expect("the state");
            (state.count, state.knob)
        };
        let name = dice.of(&["q1", "q2", "q1", "q2", "q1", "q2", "knob", "knob", "set"]);
        let failed = if name == "set" {
            let to = dice.of(discipline.settings);
            let set = it.set(channel("knob"), to);
            let stands = state.lock().expect("the state").knob;
            tally.lies += u64::from(set.is_ok() && stands != to);
            set.err()
        } else {
            let read = it.read(channel(name));
            // A set that timed out may have been taken meanwhile.
            let stands = state.lock().expect("the state").knob;
            let count = |value: f64| (value.fract() * 1e9).round() as u64;
            let right = |value: f64| match name {
                "q1" => value.trunc() == 1.0 && count(value) > before,
                "q2" => value.trunc() == 2.0 && count(value) > before,
                _ => value == stood || value == stands,
            };
            if let Ok(value) = &read {
                given.push((TimePoint::from_s(began.elapsed().as_secs_f64()), right(*value)));
            }
            read.err()
        };
        if let Some(error) = failed {
            tally.failed += 1;
            if let Some(until) = error.certain_until {
                let first = given.partition_point(|(at, _)| *at <= until);
                tally.marked_sound += given[first..].iter().filter(|(_, right)| *right).count() as u64;
                tally.wrong += given[first..].iter().filter(|(_, right)| !right).count() as u64;
                tally.sound += given[first..].iter().filter(|(_, right)| *right).count() as u64;
                given.truncate(first);
            }
        }
    }
    tally.unmarked = given.iter().filter(|(_, right)| !right).count() as u64;
    tally.wrong += tally.unmarked;
    tally.sound += given.len() as u64 - tally.unmarked;
    tally
}

/// `NOCTULE_CAMPAIGN=full` asks a million times.
#[test]
fn what_a_bad_line_brings_is_not_believed_or_told_as_doubtful() {
    let full = std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|campaign| campaign == "full");
    let queries = if full { 1_000_000_u64.div_ceil(24) } else { 400 };
    let tallies = Mutex::new(Vec::new());
    // A line on which hardly anything is right shows the faults that coincide; one on which little is wrong, how many
    // sound readings are told as doubtful with the others.
    for spoilt in [0.05, 0.005] {
        std::thread::scope(|scope| {
            for (seed, discipline) in (31..).zip(&DISCIPLINES) {
                let tallies = &tallies;
                scope.spawn(move || {
                    let tally = try_many(discipline, queries, seed, spoilt);
                    println!("{}, {spoilt}: {tally:?}", discipline.name);
                    tallies.lock().expect("the tallies").push((discipline, spoilt, tally));
                });
            }
        });
    }
    let tallies = tallies.into_inner().expect("the tallies");
    assert_eq!(tallies.len(), 24);
    for (discipline, spoilt, tally) in &tallies {
        let (name, part) = (discipline.name, tally.wrong as f64 / tally.asked as f64);
        assert!(tally.sound > tally.asked / 2, "{name}: {tally:?}");
        assert!(tally.failed as f64 > 0.1 * spoilt * tally.asked as f64, "{name}: {tally:?}");
        assert_eq!(tally.unmarked, 0, "{name}: {tally:?}");
        // Where no reply proves itself, a stale one may now and then look like the answer to a set.
        let sets = tally.asked as f64 / 9.0;
        assert!(tally.lies as f64 <= 5e-3 * sets + 3.0 * (5e-3 * sets).sqrt(), "{name}: {tally:?}");
        match discipline.proof {
            Proof::EachReply => assert_eq!((tally.wrong, tally.lies), (0, 0), "{name}: {tally:?}"),
            // Three standard deviations of the count beside the rate itself: the small campaign sees a few.
            Proof::KnownAnswer => {
                let most = 5e-3 + 3.0 * (5e-3 / tally.asked as f64).sqrt();
                assert!(part <= most, "{name}: {part} of {tally:?}");
            }
            Proof::None => {}
        }
    }
}

#[test]
fn an_answer_of_the_error_queue_is_no_reading_of_zero() {
    let address = crate::common::peer(|_, stream| {
        crate::common::answer_lines(stream, |_| b"0,\"No error\"\n".to_vec());
    });
    let query = ScpiAddress::plain(None, Some("Q1?"), Unit::parse("V").expect("a unit"));
    let channel = crate::common::channel("q1", Address::Scpi(Box::new(query)));
    let mut scpi = noctule::instrument::Scpi::new("peer", &scpi_link(address, None), 0.5);
    let error = scpi.read(&channel).expect_err("no number");
    assert!(error.kind == ErrorKind::Garbled && error.message.contains("2 fields"), "{error}");
    assert!(error.message.contains("`Q1?`"), "it is said what was asked: {error}");
}
