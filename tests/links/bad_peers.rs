//! Peers that are no instruments, or bad ones.

use crate::common::{answer_lines, peer, plain_scpi, scpi_channel, scpi_link};
use noctule::bench::ScpiTasks;
use noctule::instrument::{ErrorKind, Instrument, Scpi, Task};
use std::io::{Read, Write};
use std::net::TcpListener;
use std::time::{Duration, Instant};

fn bias() -> noctule::bench::Channel {
    scpi_channel("VOLT {}", "VOLT?", "mV")
}

#[test]
fn nobody_there_is_absent_and_may_come_later() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    drop(listener);
    let mut scpi = plain_scpi(address, 0.3);
    assert_eq!(scpi.identify().expect_err("nobody").kind, ErrorKind::Absent);
    assert_eq!(scpi.reconnect().expect_err("nobody").kind, ErrorKind::Absent);
    let listener = TcpListener::bind(address).expect("the port is still free");
    std::thread::spawn(move || {
        let (stream, _) = listener.accept().expect("a client");
        answer_lines(stream, |_| b"50\n".to_vec());
    });
    assert_eq!(scpi.reconnect(), Ok(()));
    assert_eq!(scpi.read(&bias()), Ok(0.05));
}

#[test]
fn a_name_that_leads_nowhere_is_absent() {
    let mut link = scpi_link("127.0.0.1:1".parse().expect("an address"), None);
    for address in [
        "no-such-host.invalid:5025",
        "nonsense",
        "127.0.0.1:99999999",
        "serial:/dev/nothing@9600",
        "serial:x",
    ] {
        link.address = address.to_owned();
        let error = Scpi::new("peer", &link, 0.2).identify().expect_err(address);
        assert_eq!(error.kind, ErrorKind::Absent, "{address}");
    }
}

#[test]
fn rubbish_is_garbled_whatever_is_asked() {
    let rubbish: [&'static [u8]; 6] =
        [b"\x00\xff\xfe\x80\n", b"hello\n", b"\n", b"#18abcdefgh\n", b"1e999\n", b"1.5;2.5\n"];
    for bytes in rubbish {
        let address = peer(move |_, stream| answer_lines(stream, |_| bytes.to_vec()));
        let mut scpi = plain_scpi(address, 0.5);
        for _ in 0..3 {
            assert_eq!(scpi.read(&bias()).expect_err("rubbish").kind, ErrorKind::Garbled, "{bytes:?}");
        }
        // The same where the error queue is asked: nothing is moved before it has made sense.
        let mut checked = Scpi::new("peer", &scpi_link(address, Some("SYST:ERR?")), 0.5);
        assert_eq!(checked.set(&bias(), 0.05).expect_err("rubbish").kind, ErrorKind::Garbled, "{bytes:?}");
        assert_ne!(scpi.identify().map(|who| who.simulated), Ok(true), "nothing but a mimic is ever paced");
    }
}

#[test]
fn a_peer_that_only_sends_is_met_with_bounded_memory_and_time() {
    let address = peer(|_, mut stream| {
        let noise = [b'7'; 65536];
        while stream.write_all(&noise).is_ok() {}
    });
    let began = Instant::now();
    let mut scpi = plain_scpi(address, 0.5);
    for _ in 0..3 {
        let error = scpi.read(&bias()).expect_err("a flood");
        assert_eq!(error.kind, ErrorKind::Garbled, "{error}");
    }
    assert!(began.elapsed() < Duration::from_secs(5));
}

#[test]
fn a_reply_in_crumbs_is_put_together_and_one_that_never_ends_is_given_up() {
    let address = peer(|count, mut stream| {
        let mut query = [0; 64];
        let _query = stream.read(&mut query);
        for byte in
            if count == 0 { &b"50.5\n"[..] } else { &b"111111111111111111111111111111111111111111"[..] }
        {
            std::thread::sleep(Duration::from_millis(20));
            if stream.write_all(&[*byte]).is_err() {
                return;
            }
        }
        // The first connection is kept until the client has gone.
        let _gone = stream.read(&mut query);
    });
    let mut scpi = plain_scpi(address, 0.4);
    assert_eq!(scpi.read(&bias()), Ok(0.0505));
    // What was read before is looked at again as soon as the connection is made anew.
    let began = Instant::now();
    assert_eq!(scpi.reconnect().expect_err("no end").kind, ErrorKind::TimedOut);
    let waited_s = began.elapsed().as_secs_f64();
    assert!((0.35..1.5).contains(&waited_s), "crumbs don't make the wait longer: {waited_s} s");
}

#[test]
fn a_second_reply_that_comes_later_is_not_taken_for_the_next() {
    let address = peer(|count, stream| {
        let mut spare = stream.try_clone().expect("a copy");
        answer_lines(stream, |_| {
            if count == 0 {
                let mut late = spare.try_clone().expect("a copy");
                std::thread::spawn(move || {
                    std::thread::sleep(Duration::from_millis(50));
                    let _gone = late.write_all(b"11\n");
                });
                let _flush = spare.flush();
            }
            format!("{}\n", 10 * (count + 1)).into_bytes()
        });
    });
    let mut scpi = plain_scpi(address, 0.5);
    assert_eq!(scpi.read(&bias()), Ok(0.01));
    std::thread::sleep(Duration::from_millis(150));
    // It is told that the one before may have been another's, and the connection is made anew.
    let error = scpi.read(&bias()).expect_err("out of step");
    assert_eq!(error.kind, ErrorKind::OutOfStep, "{error}");
    assert!(error.message.contains("the last reading is doubtful"), "{error}");
    // The peer of the new connection stands elsewhere, which is told once.
    let error = scpi.read(&bias()).expect_err("another bias");
    assert_eq!(error.kind, ErrorKind::Changed, "{error}");
    assert_eq!(scpi.read(&bias()), Ok(0.02));
}

#[test]
fn other_terminators_units_and_fields_work() {
    let address = peer(|_, stream| {
        answer_lines(stream, |line| {
            assert!(line.trim_end() == "VOLT?" || line.trim_end() == "VOLT 62.5", "{line:?}");
            if line.contains('?') { b"1,62.5,\"a,b\"\r\n".to_vec() } else { Vec::new() }
        });
    });
    let mut link = scpi_link(address, None);
    link.terminator = "\r\n".to_owned();
    link.reply_terminator = "\r\n".to_owned();
    let mut scpi = Scpi::new("peer", &link, 0.5);
    let mut channel = bias();
    let noctule::bench::Address::Scpi(scpi_address) = &mut channel.address else { panic!() };
    (scpi_address.reply.field, scpi_address.reply.fields) = (1, 3);
    assert_eq!(scpi.set(&channel, 0.0625), Ok(()));
    assert_eq!(scpi.read(&channel), Ok(0.0625));
    let noctule::bench::Address::Scpi(scpi_address) = &mut channel.address else { panic!() };
    scpi_address.reply.fields = 2;
    assert_eq!(scpi.read(&channel).expect_err("a field too many").kind, ErrorKind::Garbled);
}

#[test]
fn errors_of_the_greeting_and_of_before_are_not_those_of_a_set() {
    let address = peer(|_, stream| {
        // Two errors from before; one from the greeting `BAD`.
        let mut queue = vec!["-350,\"Queue overflow\"", "-100,\"Command error\""];
        answer_lines(stream, move |line| match line {
            "BAD" => {
                queue.push("-113,\"Undefined header\"");
                Vec::new()
            }
            "SYST:ERR?" => format!("{}\n", queue.pop().unwrap_or("0,\"No error\"")).into_bytes(),
            "VOLT 2000" => {
                queue.push("-222,\"Data out of range\"");
                Vec::new()
            }
            _ => Vec::new(),
        });
    });
    let mut link = scpi_link(address, Some("SYST:ERR?"));
    link.greeting = vec!["SYST:REM".to_owned()];
    let mut scpi = Scpi::new("peer", &link, 0.5);
    assert_eq!(scpi.set(&bias(), 0.05), Ok(()));
    let error = scpi.set(&bias(), 2.0).expect_err("out of range");
    assert_eq!(
        (error.kind, error.message.contains("Data out of range")),
        (ErrorKind::Refused, true),
        "{error}"
    );
    assert_eq!(scpi.set(&bias(), 0.05), Ok(()));
    // The peer meets one client after the other.
    drop(scpi);
    link.greeting = vec!["BAD".to_owned()];
    let error = Scpi::new("peer", &link, 0.5).set(&bias(), 0.05).expect_err("the greeting");
    assert!(error.kind == ErrorKind::Refused && error.message.contains("Undefined header"), "{error}");
}

#[test]
fn an_error_queue_without_an_end_is_garbled() {
    let address = peer(|_, stream| {
        answer_lines(stream, |line| if line.contains('?') { b"-100,\"x\"\n".to_vec() } else { Vec::new() })
    });
    let mut scpi = Scpi::new("peer", &scpi_link(address, Some("SYST:ERR?")), 2.0);
    assert_eq!(scpi.set(&bias(), 0.05).expect_err("endless").kind, ErrorKind::Garbled);
}

#[test]
fn a_pace_is_never_set_where_no_mimic_is() {
    let address = peer(|_, stream| {
        answer_lines(stream, |line| {
            assert_eq!(line, "*IDN?", "nothing else is said to it");
            b"someone,noctule-mimic,1,2\n".to_vec()
        });
    });
    let mut scpi = plain_scpi(address, 0.5);
    assert!(!scpi.identify().expect("an identity").simulated);
    assert_eq!(scpi.set_pace(100.0).expect_err("no mimic").kind, ErrorKind::Refused);
    assert_eq!(scpi.pace().expect_err("no mimic").kind, ErrorKind::Refused);
}

#[test]
fn tasks_without_messages_are_refused_and_too_few_numbers_are_garbled() {
    let address = peer(|_, stream| {
        answer_lines(stream, |line| match line {
            "BUSY?" => b"0\n".to_vec(),
            "REP?" => b"1,\"done\"\n".to_vec(),
            "DATA?" => b"1,2,3\n".to_vec(),
            _ => Vec::new(),
        });
    });
    let mut link = scpi_link(address, None);
    assert_eq!(Scpi::new("peer", &link, 0.5).abort().expect_err("no tasks").kind, ErrorKind::Refused);
    let start =
        [("trace".to_owned(), "TRAC {samples}".to_owned()), ("put_down".to_owned(), "PUT {atom}".to_owned())];
    let text = str::to_owned;
    link.tasks = Some(ScpiTasks {
        start: start.into_iter().collect(),
        busy: text("BUSY?"),
        report: text("REP?"),
        data: text("DATA?"),
        abort: text("ABOR"),
    });
    let mut scpi = Scpi::new("peer", &link, 0.5);
    assert_eq!(scpi.begin(&Task::Approach, None).expect_err("no message").kind, ErrorKind::Refused);
    assert_eq!(scpi.begin(&Task::PutDown, None).expect_err("no such argument").kind, ErrorKind::Refused);
    let trace = |samples| Task::Trace { channel: noctule::bench::ChannelId(0), samples, interval_s: 0.1 };
    assert_eq!(scpi.begin(&trace(4), Some(&bias())), Ok(()));
    assert_eq!(scpi.poll().expect_err("three of four").kind, ErrorKind::Garbled);
    assert_eq!(scpi.begin(&trace(3), Some(&bias())), Ok(()));
    assert_eq!(scpi.poll().expect("an answer").expect("a report").data, [1.0, 2.0, 3.0]);
}
