//! Replies that come late, twice, not at all, in another order, garbled, or unasked: no value of another query is
//! believed where a link has a proof, and what is doubtful is told.

use crate::common::scpi_link;
use noctule::bench::{Address, Channel, Pattern, Proof, ScpiAddress, ScpiLink, WhoIsThere};
use noctule::instrument::{ErrorKind, Instrument, Scpi};
use noctule::quantity::Unit;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const TIMEOUT_S: f64 = 0.03;
const WHO: &str = "Invented,Out of step,1,0";

/// Numbers for faults, the same in each run.
struct Dice(u64);

impl Dice {
    /// From 0 up to below 1 (the generator of L'Ecuyer, Math. Comput. 68, 249 (1999), table 4, written from memory).
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(2_862_933_555_777_941_757).wrapping_add(3_037_000_493);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[(self.roll() * choices.len() as f64) as usize % choices.len()]
    }
}

/// What the test knows of the device.
#[derive(Default)]
struct Truth {
    /// Queries answered so far.
    answered: AtomicU64,
    /// Each value that was set, and whether it was taken.
    sets: Mutex<BTreeMap<u64, bool>>,
}

/// A reply on its way: when it is due, and on which connection it was asked for.
struct Reply(Instant, Vec<u8>, u64);

type Current = Arc<Mutex<Option<(u64, TcpStream)>>>;

/// A device behind a bad line. One that keeps its stream sends what is left over to whoever connects next, as some
/// device servers do.
fn device(seed: u64, fault_part: f64, keeps_stream: bool) -> (SocketAddr, Arc<Truth>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    let truth = Arc::new(Truth::default());
    let current = Current::default();
    let (sender, receiver) = channel();
    let line = Arc::clone(&current);
    std::thread::spawn(move || carry(&receiver, &line, keeps_stream));
    let known = Arc::clone(&truth);
    std::thread::spawn(move || {
        let mut dice = Dice(seed);
        for (number, stream) in (0..).zip(listener.incoming().flatten()) {
            stream.set_nodelay(true).expect("a socket");
            *current.lock().expect("the line") = Some((number, stream.try_clone().expect("a copy")));
            answer(stream, number, &mut dice, fault_part, &known, &sender);
        }
    });
    (address, truth)
}

/// Brings each reply when it is due.
fn carry(replies: &Receiver<Reply>, current: &Current, keeps_stream: bool) {
    let mut waiting: Vec<Reply> = Vec::new();
    loop {
        let next = waiting.iter().map(|reply| reply.0).min();
        let wait = next.map_or(Duration::from_secs(3600), |at| at.saturating_duration_since(Instant::now()));
        match replies.recv_timeout(wait) {
            Ok(reply) => waiting.push(reply),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
        let now = Instant::now();
        let mut line = current.lock().expect("the line");
        waiting.sort_by_key(|reply| reply.0);
        while waiting.first().is_some_and(|reply| reply.0 <= now) {
            let Reply(_, bytes, number) = waiting.remove(0);
            let Some((open, stream)) = line.as_mut() else { continue };
            if *open == number || keeps_stream {
                // It may be gone by now.
                let _gone = stream.write_all(&bytes);
            }
        }
    }
}

fn answer(
    stream: TcpStream,
    number: u64,
    dice: &mut Dice,
    fault_part: f64,
    truth: &Truth,
    sender: &Sender<Reply>,
) {
    let (mut enabled, mut errors) = (0, 0);
    let end = stream.try_clone().expect("a copy");
    for line in BufReader::new(stream).lines() {
        let Ok(line) = line else { return };
        let mut parts: Vec<String> = Vec::new();
        for unit in line.split(';') {
            match unit.split_once(' ').unwrap_or((unit, "")) {
                ("SET", value) => {
                    let taken = dice.roll() > 0.2;
                    errors += u32::from(!taken);
                    let micro = (value.parse::<f64>().expect("a number") * 1e6).round() as u64;
                    truth.sets.lock().expect("the sets").insert(micro, taken);
                }
                ("*ESE", value) => enabled = value.parse().expect("a number"),
                ("*ESE?", _) => parts.push(enabled.to_string()),
                ("*IDN?", _) => parts.push(WHO.to_owned()),
                ("SYST:ERR?", _) if errors > 0 => {
                    errors -= 1;
                    parts.push("-222,\"Data out of range\"".to_owned());
                }
                ("SYST:ERR?", _) => parts.push("0,\"No error\"".to_owned()),
                (query, _) => {
                    let which: u64 = query[1..2].parse().expect("the number of a channel");
                    let count = truth.answered.fetch_add(1, Ordering::SeqCst) + 1;
                    parts.push(format!("{which}.{count:09}"));
                }
            }
        }
        if parts.is_empty() {
            continue;
        }
        let reply = format!("{}\n", parts.join(";")).into_bytes();
        let now = Instant::now();
        let later =
            |dice: &mut Dice| now + Duration::from_micros(dice.of(&[100, 1_000, 5_000, 20_000, 60_000]));
        let send = |at: Instant, bytes: Vec<u8>| sender.send(Reply(at, bytes, number)).expect("the line");
        if dice.roll() >= fault_part {
            send(now, reply);
            continue;
        }
        match dice.of(&[0, 1, 2, 3, 4, 5, 6, 7]) {
            0 => send(later(dice), reply),
            1 => {
                send(now, reply.clone());
                send(later(dice), reply);
            }
            2 => send(now, [reply.clone(), reply].concat()),
            3 => {}
            4 => {
                let at = dice.of(&[0, 1, 3]);
                let garbled: Vec<u8> =
                    reply.iter().enumerate().map(|(i, b)| if i == at { b'#' } else { *b }).collect();
                send(now, garbled);
            }
            5 => {
                // Somebody else's answer, as sound as any.
                let other = format!("{}.{:09}\n", dice.of(&[1, 2, 3]), dice.of(&[7_u64, 1_000_000]));
                send(now, other.into_bytes());
                send(now, reply);
            }
            6 => {
                send(now, reply[..reply.len() / 2].to_vec());
                send(now + Duration::from_millis(2), reply[reply.len() / 2..].to_vec());
            }
            _ => {
                let _gone = end.shutdown(std::net::Shutdown::Both);
                return;
            }
        }
    }
}

fn quantity(which: u32) -> Channel {
    let query = format!("Q{which}?");
    let address = ScpiAddress::plain(Some("SET {}"), Some(&query), Unit::parse("V").expect("a unit"));
    crate::common::channel(&format!("q{which}"), Address::Scpi(Box::new(address)))
}

/// What came of many queries.
#[derive(Debug, Default)]
struct Tally {
    asked: u64,
    sound: u64,
    /// Values of another query that were believed.
    wrong: u64,
    out_of_step: u64,
    failed: u64,
    /// Sets that were refused and taken as done.
    lies: u64,
}

fn try_many(link: &ScpiLink, truth: &Truth, queries: u64, seed: u64) -> Tally {
    let mut scpi = Scpi::new("peer", link, TIMEOUT_S);
    let channels = [1, 2, 3].map(quantity);
    let (mut dice, mut tally) = (Dice(seed), Tally::default());
    let _who = scpi.identify();
    while tally.asked < queries {
        tally.asked += 1;
        let which = dice.of(&[0_usize, 1, 2]);
        if link.error_query.is_some() && tally.asked % 10 == 0 {
            let micro = tally.asked;
            let done = scpi.set(&channels[which], micro as f64 * 1e-6).is_ok();
            let taken = truth.sets.lock().expect("the sets").get(&micro).copied();
            tally.lies += u64::from(done && taken != Some(true));
            continue;
        }
        let before = truth.answered.load(Ordering::SeqCst);
        match scpi.read(&channels[which]) {
            Ok(value) => {
                let count = (value.fract() * 1e9).round() as u64;
                let right = value.trunc() == (which + 1) as f64 && count > before;
                tally.sound += u64::from(right);
                tally.wrong += u64::from(!right);
            }
            Err(error) if error.kind == ErrorKind::OutOfStep => tally.out_of_step += 1,
            Err(_) => tally.failed += 1,
        }
    }
    tally
}

fn queries() -> u64 {
    if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|campaign| campaign == "full") { 250_000 } else { 3_000 }
}

fn link(address: SocketAddr) -> ScpiLink {
    ScpiLink { silence_s: 0.01, ..scpi_link(address, Some("SYST:ERR?")) }
}

#[test]
fn with_a_marker_no_reply_of_another_query_is_ever_believed() {
    for (seed, keeps_stream) in [(11, false), (12, true)] {
        let (address, truth) = device(seed, 0.1, keeps_stream);
        let link = ScpiLink { marker: Some("*ESE {n};*ESE?".to_owned()), ..link(address) };
        let tally = try_many(&link, &truth, queries(), seed);
        eprintln!("marker, keeps its stream {keeps_stream}: {tally:?}");
        assert_eq!((tally.wrong, tally.lies), (0, 0), "{tally:?}");
        assert!(tally.sound > tally.asked / 2 && tally.out_of_step + tally.failed > 100, "{tally:?}");
    }
}

#[test]
fn with_a_known_answer_after_each_reading_hardly_any_is_believed_and_without_one_each_is_told() {
    let proof = |every_s| Proof {
        query: "*IDN?".to_owned(),
        answer: Pattern::parse(WHO).expect("a pattern"),
        every_s,
    };
    let disciplines = [
        ("a proof after each reading", Some(proof(0.0)), WhoIsThere::default(), Some(1e-3)),
        // How many are wrong until somebody notices is a matter of how busy both ends are: nothing is promised.
        ("a proof each 0.1 s", Some(proof(0.1)), WhoIsThere::default(), None),
        ("the same identity after a reconnect", None, WhoIsThere::default(), None),
        ("nothing but silence", None, WhoIsThere { query: None, answer: None }, None),
    ];
    for (seed, (name, proof, identity, bound)) in (21..).zip(disciplines) {
        let (address, truth) = device(seed, 0.05, true);
        let link = ScpiLink { proof, identity, error_query: None, ..link(address) };
        let tally = try_many(&link, &truth, queries(), seed);
        eprintln!("{name}: {tally:?}");
        let part = tally.wrong as f64 / tally.asked as f64;
        assert!(bound.is_none_or(|bound| part <= bound), "{name}: {part} of {tally:?}");
        assert!(tally.out_of_step > 10 && tally.sound > tally.asked / 2, "{name}: {tally:?}");
    }
}

#[test]
fn an_answer_of_the_error_queue_is_no_reading_of_zero() {
    let address = crate::common::peer(|_, stream| {
        crate::common::answer_lines(stream, |_| b"0,\"No error\"\n".to_vec());
    });
    let error = crate::common::plain_scpi(address, 0.5).read(&quantity(1)).expect_err("no number");
    assert!(error.kind == ErrorKind::Garbled && error.message.contains("2 fields"), "{error}");
    assert!(error.message.contains("`Q1?`"), "it is said what was asked: {error}");
}
