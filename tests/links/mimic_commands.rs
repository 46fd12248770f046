//! What the mimic understands, and what it bears.

use crate::common::{Raw, mimic};
use noctule::mimic::{Mimic, MimicError};
use noctule_sim::Signal;

fn electronics(mimic: &noctule::mimic::Running) -> Raw {
    Raw::connect(mimic.address("electronics").expect("electronics"))
}

#[test]
fn headers_come_in_short_and_long_forms_in_any_case_and_in_one_message() {
    let mimic = mimic(1.0, "");
    let mut client = electronics(&mimic);
    for (n, header) in ["SOUR:VOLT", "source:voltage:level", "volt", ":Volt:Lev"].into_iter().enumerate() {
        let volts = 0.01 * (n + 1) as f64;
        assert_eq!(client.ask(&format!("{header} {volts};*OPC?")), "1");
        assert_eq!(mimic.with_microscope(|m| m.read(Signal::Bias)), volts, "{header}");
    }
    assert_eq!(client.ask("SOUR:VOLT 0.05;CURR 2E-11;CURR?;VOLT?"), "2.0E-11;5.0E-02");
    assert_eq!(client.ask("FEED OFF;FEED?;:FEED ON;:FEED?"), "0;1");
    assert_eq!(client.ask("syst:err?"), "0,\"No error\"");
    assert_eq!(client.ask("SYST:VERS?"), "1999.0");
}

#[test]
fn errors_have_the_numbers_of_the_standard() {
    let mimic = mimic(0.01, "");
    let mut client = electronics(&mimic);
    for (message, code) in [
        ("NONS", -113),
        ("MEAS:CURR 1", -113),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("VOLT? 1", -108),
        ("VOLT abc", -104),
        ("VOLT 5mV", -131),
        ("VOLT 1e5", -222),
        ("VOLT 1e999", -222),
        ("TASK:IMAG 0,0,1E-9,8,0.1", -221),
        ("TASK:TRAC bias,3,1", -151),
        ("TASK:TRAC \"nothing\",3,1", -224),
        ("TASK:APPR;:TASK:APPR", -213),
        ("(&", -102),
        ("VOLT \u{fc}", -101),
        ("*ESE 300", -222),
        ("SYST:PACE 0", -222),
        ("*NON", -113),
    ] {
        client.tell("ABOR");
        client.tell(message);
        let entry = client.ask("SYST:ERR?");
        assert!(entry.starts_with(&format!("{code},\"")), "{message}: {entry}");
        assert_eq!(client.ask("SYST:ERR:NEXT?"), "0,\"No error\"", "{message}");
    }
}

#[test]
fn the_error_queue_says_when_it_overflows() {
    let mimic = mimic(1.0, "");
    let mut client = electronics(&mimic);
    for _ in 0..50 {
        client.tell("NONS");
    }
    assert_eq!(client.ask("SYST:ERR:COUN?"), "20");
    let entries: Vec<String> = (0..21).map(|_| client.ask("SYST:ERR?")).collect();
    assert!(entries[..19].iter().all(|entry| entry.starts_with("-113,")), "{entries:?}");
    assert_eq!(entries[19], "-350,\"Queue overflow\"");
    assert_eq!(entries[20], "0,\"No error\"");
    client.tell("NONS");
    assert_eq!(client.ask("*CLS;SYST:ERR?"), "0,\"No error\"");
}

#[test]
fn status_registers_follow_the_standard() {
    let mimic = mimic(0.01, "");
    let mut client = electronics(&mimic);
    assert_eq!(client.ask("*ESR?"), "0");
    client.tell("NONS");
    client.tell("VOLT 1e5");
    assert_eq!(client.ask("*ESE 32;*SRE 32;*ESE?;*SRE?"), "32;32");
    // Error queue not empty, event summary, master summary.
    assert_eq!(client.ask("*STB?"), (4 + 32 + 64).to_string());
    assert_eq!(client.ask("*ESR?"), (32 + 16).to_string());
    assert_eq!(client.ask("*ESR?"), "0", "reading clears");
    assert_eq!(client.ask("*TST?"), "0");
    // `*OPC` sets its bit only when the task has ended.
    client.tell("TASK:APPR;*OPC");
    assert_eq!(client.ask("*ESR?"), "0");
    client.tell("SYST:PACE 5000");
    assert_eq!(client.ask("*OPC?"), "1", "waits for the end of the task");
    assert_eq!(client.ask("TASK:BUSY?"), "0");
    assert_eq!(client.ask("*ESR?"), "1");
    assert!(client.ask("TASK:REP?").starts_with("1,\""));
}

#[test]
fn reset_is_each_instruments_own() {
    let mimic = mimic(1.0, "");
    let mut client = electronics(&mimic);
    let mut source = Raw::connect(mimic.address("source").expect("source"));
    assert_eq!(client.ask("VOLT 0.3;*OPC?"), "1");
    assert_eq!(source.ask("FREQ 1.2E10;POW -20;:OUTP ON;OUTP?"), "1");
    assert_eq!(client.ask("*RST;VOLT?"), "5.0E-02");
    assert_eq!(source.ask("OUTP?"), "1", "another instrument's reset does not touch it");
    assert_eq!(source.ask("*RST;OUTP?;:FREQ?"), "0;1.2E+10");
}

#[test]
fn several_clients_share_one_microscope_and_keep_their_errors_apart() {
    let mimic = mimic(1.0, "");
    let mut clients: Vec<Raw> = (0..8).map(|_| electronics(&mimic)).collect();
    clients[0].tell("VOLT 0.0625;NONS");
    assert!(clients[0].ask("SYST:ERR?").starts_with("-113"));
    for client in &mut clients[1..] {
        assert_eq!(client.ask("VOLT?;:SYST:ERR?"), "6.25E-02;0,\"No error\"");
    }
}

#[test]
fn identities_differ_and_all_say_mimic() {
    let mimic = mimic(1.0, "");
    for (name, address) in mimic.addresses() {
        let identity = Raw::connect(*address).ask("*IDN?");
        let fields: Vec<&str> = identity.split(',').collect();
        assert_eq!(fields.len(), 4, "{identity}");
        assert_eq!(fields[..2], ["noctule-mimic", *name]);
    }
}

#[test]
fn the_pace_is_one_for_all_and_only_within_its_range() {
    let mimic = mimic(2.0, "");
    let mut client = electronics(&mimic);
    assert_eq!(client.number("SYST:PACE?"), 2.0);
    assert_eq!(client.ask("SYST:PACE 200;:SYST:PACE?"), "2.0E+02");
    let mut other = Raw::connect(mimic.address("lockin").expect("lockin"));
    assert_eq!(other.number("SYST:PACE?"), 200.0);
    let before_s = other.number("SYST:ELAP?");
    std::thread::sleep(std::time::Duration::from_millis(30));
    assert!(other.number("SYST:ELAP?") - before_s >= 6.0);
    assert!(matches!(
        Mimic::start(&crate::common::world(), 1, "127.0.0.1:0".parse().expect("an address"), 1e9, &[]),
        Err(MimicError::Pace(_))
    ));
}

#[test]
fn a_taken_port_is_told_and_nothing_is_left_running() {
    let first = mimic(1.0, "");
    let taken = first.address("magnet").expect("magnet");
    let error = Mimic::start(&crate::common::world(), 1, taken, 1.0, &[]).expect_err("it is taken");
    assert!(error.to_string().contains(&taken.to_string()), "{error}");
    first.stop();
    assert!(std::net::TcpStream::connect(taken).is_err(), "after the stop nobody listens");
}

/// Memory of this process, bytes, where the system tells it.
fn resident_bytes() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/statm").ok()?;
    text.split_whitespace().nth(1)?.parse::<u64>().ok().map(|pages| pages * 4096)
}

#[test]
fn megabytes_of_rubbish_cost_no_memory_and_the_client_is_served_after() {
    let mimic = mimic(1.0, "");
    let mut client = electronics(&mimic);
    let before = resident_bytes();
    let rubbish: Vec<u8> = (0..1 << 20)
        .map(|n: u32| (n.wrapping_mul(2_654_435_761) >> 24) as u8)
        .map(|b| if b == b'\n' { 0 } else { b })
        .collect();
    for _ in 0..64 {
        client.bytes(&rubbish);
    }
    client.bytes(b"\n");
    assert_eq!(client.ask("SYST:ERR?"), "-363,\"Input buffer overrun\"");
    assert_eq!(client.ask("VOLT?"), "5.0E-02");
    if let (Some(before), Some(after)) = (before, resident_bytes()) {
        // Other tests run beside this one; 64 MB kept would show all the same.
        assert!(after.saturating_sub(before) < 48 << 20, "{before} B became {after} B");
    }
    // Short rubbish with line ends is an error a line.
    client.bytes(b"\x00\xff\xfe\n;;;\n\r\n*IDN\n");
    assert!(client.ask("SYST:ERR?").starts_with("-101,"));
    assert!(client.ask("SYST:ERR?").starts_with("-113,"));
    assert_eq!(client.ask("SYST:ERR?"), "0,\"No error\"");
}
