//! Six invented instruments, each with manners of its own, reached with a bench file alone.

use crate::common::{instruments, read_bench};
use noctule::bench::Bench;
use noctule::instrument::ErrorKind;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// What an instrument does with one message: its reply with its end, or nothing.
type Manner = dyn FnMut(&str) -> String + Send;

/// An instrument whose messages end with `end`. It notes every message.
fn device(end: &'static str, mut manner: Box<Manner>) -> (SocketAddr, Arc<Mutex<Vec<String>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    let heard = Arc::new(Mutex::new(Vec::new()));
    let notes = Arc::clone(&heard);
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            talk(stream, end, &mut manner, &notes);
        }
    });
    (address, heard)
}

fn talk(mut stream: TcpStream, end: &str, manner: &mut Box<Manner>, notes: &Mutex<Vec<String>>) {
    let (mut pending, mut byte) = (String::new(), [0]);
    while matches!(stream.read(&mut byte), Ok(1)) {
        pending.push(char::from(byte[0]));
        if let Some(message) = pending.strip_suffix(end) {
            notes.lock().expect("notes").push(message.to_owned());
            let reply = manner(message);
            if stream.write_all(reply.as_bytes()).is_err() {
                return;
            }
            pending.clear();
        }
    }
}

/// A preamplifier: messages end with CR, replies with CR LF. It shows volts of its output, and inverts; its gain is
/// a position in a list, counted from 1.
fn preamplifier() -> Box<Manner> {
    let mut gain = 2;
    Box::new(move |message| match message.split_once(' ') {
        Some(("G", place)) => {
            gain = place.parse().expect("a place");
            String::new()
        }
        _ if message == "G" => format!("G={gain}\r\n"),
        _ if message == "OUT" => "output -0.0200 V\r\n".to_owned(),
        _ => "?\r\n".to_owned(),
    })
}

/// A voltage source that echoes each set with the value it took, in steps of 1 mV, and later than at once.
fn source() -> Box<Manner> {
    let mut volts = 0.0_f64;
    Box::new(move |message| match message.strip_prefix("BIAS=") {
        Some(value) => {
            std::thread::sleep(Duration::from_millis(60));
            volts = (value.parse::<f64>().expect("a number") * 1e3).round() / 1e3;
            format!("Bias={volts:.3}V\n")
        }
        None => format!("Bias={volts:.3}V\n"),
    })
}

/// A magnet supply that speaks amperes and says OK to a set; the way takes a while, and its state has to be polled.
/// It can't say who it is, and answers a question about it with nothing.
fn magnet() -> Box<Manner> {
    let (mut amperes, mut there) = (0.0_f64, Instant::now());
    Box::new(move |message| match (message, message.strip_prefix("SWEEP ")) {
        (_, Some(value)) => {
            amperes = value.parse().expect("a number");
            there = Instant::now() + Duration::from_millis(250);
            "OK\n".to_owned()
        }
        ("STATE", _) if Instant::now() < there => "RAMPING 12 %\n".to_owned(),
        ("STATE", _) => "HOLDING\n".to_owned(),
        ("I", _) => format!("{amperes:+.4} A\n"),
        _ => String::new(),
    })
}

/// An RF source that speaks SCPI: words for its output, an error queue, and a time that it rounds without a word.
fn rf_source() -> Box<Manner> {
    let (mut on, mut enabled, mut time_s, mut errors) = (false, 0, 0.01, Vec::new());
    Box::new(move |message| {
        let mut replies: Vec<String> = Vec::new();
        for unit in message.split(';') {
            match unit.split_once(' ').unwrap_or((unit, "")) {
                ("OUTP", word @ ("ON" | "OFF")) => on = word == "ON",
                ("OUTP?", _) => replies.push(if on { "ON" } else { "OFF" }.to_owned()),
                ("*ESE", number) => enabled = number.parse().expect("a number"),
                ("*ESE?", _) => replies.push(enabled.to_string()),
                ("TIME", value) => {
                    time_s = if value == "0.03" { 1e-5 } else { value.parse().expect("a time") }
                }
                ("TIME?", _) => replies.push(format!("{time_s:E}")),
                ("SYST:ERR?", _) => {
                    replies.push(errors.pop().unwrap_or_else(|| "0,\"No error\"".to_owned()));
                }
                ("*IDN?", _) => replies.push("Invented,Wren RF,7,2.1".to_owned()),
                _ => errors.push("-113,\"Undefined header\"".to_owned()),
            }
        }
        if replies.is_empty() { String::new() } else { replies.join(";") + "\n" }
    })
}

/// A lock-in: one query brings five values, one of them a register of bits; too much is a word.
fn lockin() -> Box<Manner> {
    let mut looks = 0;
    Box::new(move |message| match message {
        "SNAP" => {
            looks += 1;
            let x = if looks > 3 { "OVLD" } else { "2.5E-13" };
            format!("{x},-1.0E-14,0,{},40\r\n", if looks > 3 { 9 } else { 1 })
        }
        "WHO" => "Invented Lark lock-in\r\n".to_owned(),
        _ => String::new(),
    })
}

/// A monitor: messages end with `!`, replies with `#`; a level in percent, a thermometer in volts. Messages that
/// follow too fast are answered with rubbish.
fn monitor() -> Box<Manner> {
    let mut last = Instant::now();
    Box::new(move |message| {
        let hurried = last.elapsed() < Duration::from_millis(15);
        last = Instant::now();
        match message {
            _ if hurried => "busy#".to_owned(),
            "LVL" => "LVL 62.5 %#".to_owned(),
            "SENS" => "A:1.3000#".to_owned(),
            "LOCAL" => String::new(),
            _ => "E1#".to_owned(),
        }
    })
}

const ENDS: [&str; 6] = ["\r", "\n", "\n", "\n", "\r\n", "!"];

/// All six with what each was told, and the bench file that reaches them.
fn laboratory() -> (Bench, Vec<Arc<Mutex<Vec<String>>>>) {
    let (text, heard) = laboratory_text();
    (read_bench(&text), heard)
}

/// The same as the text of the bench file.
fn laboratory_text() -> (String, Vec<Arc<Mutex<Vec<String>>>>) {
    let manners = [preamplifier(), source(), magnet(), rf_source(), lockin(), monitor()];
    let (mut text, mut heard) = (BENCH.to_owned(), Vec::new());
    for (index, (end, manner)) in ENDS.into_iter().zip(manners).enumerate() {
        let (address, notes) = device(end, manner);
        text = text.replace(&format!("ADDRESS-{index}"), &address.to_string());
        heard.push(notes);
    }
    (text, heard)
}

const BENCH: &str = r##"Bench(
    name: "Six manners (invented)",
    links: {
        "preamplifier": Scpi(address: "ADDRESS-0", terminator: "\r", reply_terminator: "\r\n", identity: Nobody),
        "source": Scpi(address: "ADDRESS-1", identity: Nobody, acknowledge: "Bias={}V"),
        "magnet": Scpi(address: "ADDRESS-2", identity: Nobody, acknowledge: "OK"),
        "rf": Scpi(address: "ADDRESS-3", errors: "SYST:ERR?", marker: "*ESE {n};*ESE?",
            identity: Identity(answer: "Invented,Wren RF,{*}")),
        "lockin": Scpi(address: "ADDRESS-4", terminator: "\r\n", identity: Identity(query: "WHO", answer: "{*}Lark{*}"),
            proof: Proof(query: "WHO", answer: "Invented Lark lock-in")),
        "monitor": Scpi(address: "ADDRESS-5", terminator: "!", reply_terminator: "#", pause: "25 ms", identity: Nobody,
            farewell: ["LOCAL"]),
    },
    channels: [
        Channel(name: "current", role: Current, unit: "pA", link: "preamplifier",
            query: "OUT", reply: "output {} V", speaks: "V", scale: "-1e-9 A/V"),
        Channel(name: "gain", unit: "V/A", link: "preamplifier", set: "G {}", query: "G", reply: "G={}",
            list: ["1e8 V/A", "1e9 V/A", "1e10 V/A"], list_from: 1, min: "1e8 V/A", max: "1e10 V/A"),
        Channel(name: "bias", role: Bias, unit: "mV", link: "source", set: "BIAS={}", query: "BIAS?", reply: "Bias={}V",
            verify: Verify(within: "0.5 mV"), min: "-200 mV", max: "200 mV"),
        Channel(name: "field_z", role: FieldZ, unit: "T", link: "magnet", set: "SWEEP {}", query: "I", reply: "{} A",
            speaks: "A", scale: "0.02 T/A", ready: Ready(query: "STATE", answer: "HOLDING", within: "2 s", every: "20 ms"),
            min: "-1 T", max: "1 T"),
        Channel(name: "rf_output", role: RfOutput, unit: "", link: "rf", set: "OUTP {}", query: "OUTP?",
            words: { "ON": "1", "OFF": "0" }, min: "0", max: "1"),
        Channel(name: "gate_time", unit: "ms", link: "rf", set: "TIME {}", query: "TIME?",
            verify: Verify(within: "1 us"), min: "0.01 ms", max: "1 s"),
        Channel(name: "lockin_x", role: LockinX, unit: "fA", link: "lockin", query: "SNAP", field: 0, fields: 5,
            over_range: "OVLD"),
        Channel(name: "lockin_y", role: LockinY, unit: "fA", link: "lockin", query: "SNAP", field: 1, fields: 5),
        Channel(name: "lockin_overload", role: LockinOverload, unit: "", link: "lockin", query: "SNAP", field: 3, fields: 5,
            bit: 3),
        Channel(name: "helium_level", role: HeliumLevel, unit: "L", link: "monitor", query: "LVL", reply: "LVL {} %",
            speaks: "%", scale: "70 L"),
        Channel(name: "stage_temperature", role: StageTemperature, unit: "K", link: "monitor", query: "SENS", reply: "A:{}",
            speaks: "V", table: [["0.5 V", "300 K"], ["1.0 V", "20 K"], ["1.6 V", "4 K"]]),
    ],
    park: [Set(channel: "rf_output", to: "0"), Set(channel: "bias", to: "50 mV"), Keep(channel: "field_z")],
)"##;

fn near(value: f64, expected: f64) -> bool {
    (value - expected).abs() <= 1e-9 * expected.abs()
}

#[test]
fn six_instruments_with_manners_of_their_own_are_reached_with_the_bench_file_alone() {
    let (bench, heard) = laboratory();
    let mut all = instruments(&bench);
    let channel = |name: &str| bench.channel(bench.find(name).expect("a channel"));
    let mut read =
        |name: &str| all[channel(name).link].read(channel(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
    for (name, expected) in [
        ("current", 2e-11),
        ("gain", 1e9),
        ("lockin_x", 2.5e-13),
        ("lockin_y", -1e-14),
        ("lockin_overload", 0.0),
        ("helium_level", 0.04375),
        ("stage_temperature", 12.0),
        ("rf_output", 0.0),
    ] {
        let value = read(name);
        assert!(near(value, expected), "{name}: {value}, not {expected}");
    }
    for (name, target) in
        [("gain", 1e10), ("bias", 0.042), ("field_z", 0.3), ("rf_output", 1.0), ("gate_time", 0.02)]
    {
        let began = Instant::now();
        all[channel(name).link].set(channel(name), target).unwrap_or_else(|e| panic!("{name}: {e}"));
        if name == "field_z" {
            assert!(began.elapsed() > Duration::from_millis(200), "the magnet was not waited for");
        }
        let value = all[channel(name).link].read(channel(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(near(value, target), "{name}: {value}, not {target}");
    }
    // What the instruments were told, in their own words.
    let said = |link: usize, message: &str| heard[link].lock().expect("notes").iter().any(|m| m == message);
    assert!(said(0, "G 3") && said(1, "BIAS=0.042") && said(2, "SWEEP 15") && said(3, "OUTP ON"));
    for (link, known) in [(3, "Invented,Wren RF,7,2.1"), (4, "Invented Lark lock-in")] {
        assert_eq!(all[link].identify().expect("an identity").text, known);
    }
    drop(all);
    std::thread::sleep(Duration::from_millis(100));
    assert!(said(5, "LOCAL"), "the farewell was not said");
}

#[test]
fn what_an_instrument_rounds_or_can_not_do_is_told_and_not_believed() {
    let (bench, _) = laboratory();
    let mut all = instruments(&bench);
    let channel = |name: &str| bench.channel(bench.find(name).expect("a channel"));
    let mut refused = |name: &str, si: f64, part: &str| {
        let error = all[channel(name).link].set(channel(name), si).expect_err(name);
        assert_eq!(error.kind, ErrorKind::Refused, "{error}");
        assert!(error.message.contains(part), "{error}");
    };
    refused("gate_time", 0.03, "was told 30 ms and shows 0.01 ms");
    refused("gain", 5e9, "none of its list");
    refused("rf_output", 0.5, "no word for this value");
    // Within half a step of the source it is taken as it is.
    let bias = channel("bias");
    assert_eq!(all[bias.link].set(bias, 0.0424), Ok(()));
}

#[test]
fn a_word_for_too_much_is_over_range_and_its_bit_is_seen() {
    let (bench, _) = laboratory();
    let mut all = instruments(&bench);
    let channel = |name: &str| bench.channel(bench.find(name).expect("a channel"));
    let link = channel("lockin_x").link;
    for _ in 0..3 {
        assert!(all[link].read(channel("lockin_x")).is_ok());
    }
    assert_eq!(all[link].read(channel("lockin_x")).expect_err("overload").kind, ErrorKind::AboveRange);
    assert_eq!(all[link].read(channel("lockin_overload")), Ok(1.0));
}

#[test]
fn somebody_else_at_the_end_of_a_link_is_refused() {
    let (bench, _) = laboratory();
    let text = BENCH.replace("Invented,Wren RF,{*}", "Invented,Robin RF,{*}");
    let address = |bench: &Bench, index: usize| match &bench.links[index].kind {
        noctule::bench::LinkKind::Scpi(scpi) => scpi.address.clone(),
        other => panic!("{other:?}"),
    };
    let text =
        (0..6).fold(text, |text, index| text.replace(&format!("ADDRESS-{index}"), &address(&bench, index)));
    let mut all = instruments(&read_bench(&text));
    let error = all[3].identify().expect_err("another one");
    assert!(error.kind == ErrorKind::Refused && error.message.contains("Robin"), "{error}");
}

#[test]
fn every_fault_of_the_wording_is_found_at_once_with_its_place() {
    let faulty = [
        ("scale: \"-1e-9 A/V\"", "scale: \"-1e-9 A\"", "needed here"),
        ("reply: \"G={}\"", "reply: \"G=\"", "has no place `{}`"),
        ("verify: Verify(within: \"0.5 mV\")", "verify: Verify(within: \"0.5 mA\")", "needed here"),
        ("within: \"2 s\"", "within: \"10 min\"", "no longer than 60 s"),
        ("words: { \"ON\": \"1\", \"OFF\": \"0\" }", "words: {}", "no word is given"),
        ("field: 1, fields: 5", "field: 7, fields: 5", "there is no field 7"),
        ("bit: 3", "bit: 77", "from 0 to 31"),
        ("speaks: \"%\", scale: \"70", "scale: \"70", "in which unit"),
        ("[\"1.0 V\", \"20 K\"]", "[\"0.2 V\", \"20 K\"]", "rises"),
        ("marker: \"*ESE {n};*ESE?\"", "marker: \"*OPC?\"", "sends the number {n}"),
        ("acknowledge: \"Bias={}V\"", "acknowledge: \"Bias={v}V\"", "may stand in braces"),
        ("list_from: 1, ", "list_from: 1, bit: 2, ", "say twice"),
        ("field: 0, fields: 5", "field: 0", "how many fields"),
    ];
    let mut text = BENCH.to_owned();
    for (sound, broken, _) in faulty {
        assert!(text.contains(sound), "{sound}");
        text = text.replace(sound, broken);
    }
    let found = noctule::bench::read(&text, "bench.ron").expect_err("a faulty bench");
    for (_, broken, part) in faulty {
        let line = text.lines().position(|line| line.contains(broken)).expect("the line") as u32 + 1;
        let told = found.iter().any(|fault| fault.message.contains(part) && fault.line.abs_diff(line) <= 2);
        assert!(told, "`{broken}`, line {line}: {found:#?}");
    }
}

#[test]
fn a_probe_asks_everything_once_and_sets_nothing() {
    let (text, heard) = laboratory_text();
    let folder = tempfile::tempdir().expect("a folder");
    let bench = folder.path().join("bench.ron");
    std::fs::write(&bench, text).expect("the bench file");
    let probe = std::process::Command::new(env!("CARGO_BIN_EXE_noctule"))
        .arg("probe")
        .arg(&bench)
        .arg("--json")
        .output()
        .expect("the program starts");
    assert_eq!(probe.status.code(), Some(0), "{}", String::from_utf8_lossy(&probe.stdout));
    let told: serde_json::Value = serde_json::from_slice(&probe.stdout).expect("one object");
    let looks = told["looks"].as_array().expect("a list");
    assert_eq!(looks.len(), 6 + 11);
    let helium = looks.iter().find(|look| look["channel"] == "helium_level").expect("the level");
    assert_eq!((&helium["says"], &helium["reply"]), (&"43.75 L".into(), &"LVL 62.5 %".into()));
    let gain = looks.iter().find(|look| look["channel"] == "gain").expect("the gain");
    assert!(gain["remark"].as_str().is_some_and(|remark| remark.contains("not verified")), "{gain}");
    let sets = ["G ", "BIAS=", "SWEEP", "OUTP O", "TIME "];
    for message in heard.iter().flat_map(|notes| notes.lock().expect("notes").clone()) {
        assert!(sets.iter().all(|set| !message.starts_with(set)), "`{message}` was sent");
    }
}
