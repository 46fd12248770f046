//! Points per second through a loopback SCPI link, next to a bare ping-pong on the same socket.
//!
//! A point is one set with its error query and one reading: two round trips. Two peers answer: one
//! that does nothing else, and the mimic. The bare client writes the same bytes and looks at nothing.
//! Both use one and the same connection in short turns: a round trip takes several times as long when
//! its two threads happen to run on two cores, and where they run stays with the connection. The
//! median of the ratios of neighbouring turns is printed at the end.

use criterion::Criterion;
use noctule::bench::{Address, BeyondStep, Channel, ScpiAddress, ScpiLink};
use noctule::instrument::{Instrument, Scpi};
use noctule::mimic::Mimic;
use noctule::quantity::Unit;
use noctule_sim::world::World;
use std::hint::black_box;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::time::Instant;

/// Points in one turn of the comparison.
const POINTS: usize = 200;
/// Turns of each client.
const TURNS: usize = 150;

fn bias() -> Channel {
    let address =
        ScpiAddress::plain(Some("SOUR:VOLT {}"), Some("SOUR:VOLT?"), Unit::parse("V").expect("a unit"));
    Channel {
        name: "bias".to_owned(),
        role: None,
        unit: Unit::parse("mV").expect("a unit"),
        link: 0,
        address: Address::Scpi(Box::new(address)),
        settable: true,
        min: -1.0,
        max: 1.0,
        step: f64::INFINITY,
        slew_per_s: f64::INFINITY,
        beyond_step: BeyondStep::Ramp,
        settle_s: 0.0,
        tolerance: None,
        arrive_within_s: 1.0,
    }
}

/// Answers each read with one ready reply for each query in it, and does nothing else.
fn plain_peer() -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            std::thread::spawn(move || {
                stream.set_nodelay(true).expect("a socket");
                let mut buffer = [0; 4096];
                let mut reply = Vec::with_capacity(64);
                while let Ok(count) = stream.read(&mut buffer) {
                    if count == 0 {
                        return;
                    }
                    let asked = &buffer[..count];
                    let find = |what: &[u8]| asked.windows(what.len()).position(|window| window == what);
                    let value: &[u8] = match (find(b"ERR?"), asked.contains(&b'?')) {
                        (Some(_), _) => b"0,\"No error\"",
                        (None, true) => b"5.0E-02",
                        (None, false) => continue,
                    };
                    reply.clear();
                    reply.extend_from_slice(value);
                    // The number of a marker goes back behind the value.
                    if let Some(at) = find(b"*ESE ") {
                        reply.push(b';');
                        reply.extend(asked[at + 5..].iter().take_while(|byte| byte.is_ascii_digit()));
                    }
                    reply.push(b'\n');
                    if stream.write_all(&reply).is_err() {
                        return;
                    }
                }
            });
        }
    });
    address
}

/// A client that sends the same bytes and looks at nothing.
struct Bare {
    stream: TcpStream,
    buffer: [u8; 4096],
    /// What goes out at a point.
    messages: [&'static [u8]; 2],
}

const PLAIN: [&[u8]; 2] = [b"SOUR:VOLT 0.05\nSYST:ERR?\n", b"SOUR:VOLT?\n"];
const MARKED: [&[u8]; 2] = [b"SOUR:VOLT 0.05\nSYST:ERR?;*ESE 7;*ESE?\n", b"SOUR:VOLT?;*ESE 8;*ESE?\n"];

impl Bare {
    fn turn(&mut self, message: &[u8]) {
        self.stream.write_all(message).expect("the peer takes it");
        let mut filled = 0;
        while filled == 0 || self.buffer[filled - 1] != b'\n' {
            filled += self.stream.read(&mut self.buffer[filled..]).expect("a reply");
        }
        black_box(&self.buffer[..filled]);
    }

    fn point(&mut self) {
        for message in self.messages {
            self.turn(message);
        }
    }
}

/// A bare client and the driver on one connection.
fn pair(address: SocketAddr, proved: bool) -> (Bare, Scpi) {
    let (error_query, marker) = ("SYST:ERR?".to_owned(), "*ESE {n};*ESE?".to_owned());
    let link = ScpiLink {
        error_query: Some(error_query),
        marker: proved.then_some(marker),
        ..ScpiLink::plain(&address.to_string())
    };
    let stream = TcpStream::connect(address).expect("the peer");
    let bare = Bare {
        stream: stream.try_clone().expect("a copy"),
        buffer: [0; 4096],
        messages: if proved { MARKED } else { PLAIN },
    };
    (bare, Scpi::over("peer", &link, 1.0, stream).expect("a socket"))
}

fn point(driver: &mut Scpi, bias: &Channel) {
    driver.set(bias, black_box(0.05)).expect("set");
    black_box(driver.read(bias).expect("read"));
}

fn rate(mut one: impl FnMut()) -> f64 {
    let began = Instant::now();
    (0..POINTS).for_each(|_| one());
    POINTS as f64 / began.elapsed().as_secs_f64()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Bare and through the driver in turns, so that what slows the machine slows both.
fn compare(name: &str, address: SocketAddr, proved: bool) {
    let ((mut bare, mut driver), bias) = (pair(address, proved), bias());
    let turns: Vec<[f64; 2]> =
        (0..TURNS).map(|_| [rate(|| bare.point()), rate(|| point(&mut driver, &bias))]).collect();
    let of = |what: fn(&[f64; 2]) -> f64| median(turns.iter().map(what).collect());
    let (bare, driver, ratio) = (of(|turn| turn[0]), of(|turn| turn[1]), of(|turn| turn[1] / turn[0]));
    println!("{name}: bare {bare:.0} points/s, driver {driver:.0} points/s, ratio {ratio:.3}");
}

fn main() {
    let mut criterion = Criterion::default().configure_from_args();
    let plain = plain_peer();
    let world = World::shipped("night").expect("the shipped world");
    let mimic =
        Mimic::start(&world, 7, "127.0.0.1:0".parse().expect("an address"), 1.0, &[]).expect("free ports");
    let electronics = mimic.address("electronics").expect("electronics");
    for (peer, address) in [("plain peer", plain), ("mimic", electronics)] {
        let ((mut bare, mut driver), bias) = (pair(address, false), bias());
        criterion.bench_function(&format!("a point at the {peer}, bare"), |b| b.iter(|| bare.point()));
        criterion.bench_function(&format!("a point at the {peer}, driver"), |b| {
            b.iter(|| point(&mut driver, &bias))
        });
    }
    criterion.final_summary();
    compare("plain peer", plain, false);
    compare("plain peer, each reply proved by a marker", plain, true);
    compare("mimic", electronics, false);
    compare("mimic, each reply proved by a marker", electronics, true);
}
