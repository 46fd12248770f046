//! SCPI over a serial port, at the two ends of a pseudo terminal.

use crate::common::{scpi_channel, scpi_link};
use noctule::instrument::{ErrorKind, Instrument, Scpi};
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use std::time::Duration;

/// A port whose far end answers each line with what is given for it.
fn port(mut reply: impl FnMut(&str) -> Vec<u8> + Send + 'static) -> String {
    let (mut far, near) = TTYPort::pair().expect("a pseudo terminal");
    let path = near.name().expect("a name");
    far.set_timeout(Duration::from_millis(100)).expect("a timeout");
    // A port is held by one at a time; the driver shall have it.
    drop(near);
    std::thread::spawn(move || {
        let mut line = Vec::new();
        let mut byte = [0];
        loop {
            // While nobody holds the near end, reading fails.
            if !matches!(far.read(&mut byte), Ok(1)) {
                std::thread::sleep(Duration::from_millis(2));
                continue;
            }
            if byte[0] != b'\n' {
                line.push(byte[0]);
                continue;
            }
            let answer = reply(&String::from_utf8_lossy(&std::mem::take(&mut line)));
            let _nobody_there = far.write_all(&answer);
        }
    });
    path
}

fn scpi(path: &str, timeout_s: f64) -> Scpi {
    let mut link = scpi_link("127.0.0.1:1".parse().expect("an address"), None);
    link.address = format!("serial:{path}@115200");
    Scpi::new("port", &link, timeout_s)
}

#[test]
fn values_go_and_come() {
    let mut held = String::new();
    let path = port(move |line| match line.strip_prefix("VOLT ") {
        Some(value) => {
            value.clone_into(&mut held);
            Vec::new()
        }
        None => format!("{held}\n").into_bytes(),
    });
    let mut scpi = scpi(&path, 1.0);
    let bias = scpi_channel("VOLT {}", "VOLT?", "mV");
    for volts in [0.0625, -0.125] {
        assert_eq!(scpi.set(&bias, volts), Ok(()));
        assert_eq!(scpi.read(&bias), Ok(volts));
    }
}

#[test]
fn a_late_reply_is_thrown_away_before_the_port_is_used_again() {
    let mut count = 0;
    let path = port(move |_| {
        count += 1;
        if count == 1 {
            std::thread::sleep(Duration::from_millis(300));
        }
        format!("{count}\n").into_bytes()
    });
    let mut scpi = scpi(&path, 0.2);
    let bias = scpi_channel("VOLT {}", "VOLT?", "V");
    assert_eq!(scpi.read(&bias).expect_err("late").kind, ErrorKind::TimedOut);
    std::thread::sleep(Duration::from_millis(200));
    assert_eq!(scpi.read(&bias), Ok(2.0));
}
