//! Mimics, peers and channels for the tests of links.

use noctule::bench::{Address, Bench, BeyondStep, Channel, LinkKind, ScpiAddress, ScpiLink};
use noctule::instrument::{Instrument, Process, Scpi};
use noctule::mimic::{DEFAULT_PORT, Mimic, Running, read_faults};
use noctule::quantity::Unit;
use noctule_sim::world::World;
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::time::Duration;

pub fn world() -> World {
    World::shipped("night").expect("the shipped world")
}

/// A mimic on free ports, with these faults of a faults file.
pub fn mimic(pace: f64, faults: &str) -> Running {
    let text = format!("Faults(faults: [{faults}])");
    let faults = read_faults(&text).expect("a sound faults file");
    let listen = "127.0.0.1:0".parse().expect("an address");
    Mimic::start(&world(), 7, listen, pace, &faults).expect("free ports")
}

/// `scripts/bench_mimic.ron` with the ports of a running mimic.
pub fn mimic_bench(mimic: &Running) -> Bench {
    let mut text = script("bench_mimic.ron");
    for (index, (_, address)) in mimic.addresses().iter().enumerate() {
        let written = format!("\"127.0.0.1:{}\"", usize::from(DEFAULT_PORT) + index);
        assert!(text.contains(&written), "{written} is not in the bench file");
        text = text.replace(&written, &format!("\"{address}\""));
    }
    read_bench(&text)
}

pub fn script(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

pub fn read_bench(text: &str) -> Bench {
    let (bench, found) = noctule::bench::read(text, "test").unwrap_or_else(|found| panic!("{found:#?}"));
    assert!(found.is_empty(), "{found:#?}");
    bench
}

/// An instrument for each link of a bench.
pub fn instruments(bench: &Bench) -> Vec<Box<dyn Instrument>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts");
    let connect = |link: &noctule::bench::Link| -> Box<dyn Instrument> {
        match &link.kind {
            LinkKind::Scpi(scpi) => Box::new(Scpi::new(&link.name, scpi, link.timeout_s)),
            LinkKind::Process(process) => {
                Box::new(Process::new(&link.name, process, &folder, link.timeout_s))
            }
            LinkKind::Simulated(_) => panic!("no simulated link is expected here"),
        }
    };
    bench.links.iter().map(connect).collect()
}

/// An SCPI instrument without an error queue, so that every message is one that the test has sent.
pub fn plain_scpi(address: SocketAddr, timeout_s: f64) -> Scpi {
    Scpi::new("peer", &scpi_link(address, None), timeout_s)
}

pub fn scpi_link(address: SocketAddr, error_query: Option<&str>) -> ScpiLink {
    ScpiLink { error_query: error_query.map(str::to_owned), ..ScpiLink::plain(&address.to_string()) }
}

/// A channel that can be set without bounds.
pub fn channel(name: &str, address: Address) -> Channel {
    Channel {
        name: name.to_owned(),
        role: None,
        unit: Unit::parse("V").expect("a unit"),
        link: 0,
        address,
        settable: true,
        min: f64::NEG_INFINITY,
        max: f64::INFINITY,
        step: f64::INFINITY,
        slew_per_s: f64::INFINITY,
        beyond_step: BeyondStep::Ramp,
        settle_s: 0.0,
        tolerance: None,
        arrive_within_s: 1.0,
    }
}

pub fn scpi_channel(set: &str, query: &str, unit: &str) -> Channel {
    let unit = Unit::parse(unit).expect("a unit");
    channel("bias", Address::Scpi(Box::new(ScpiAddress::plain(Some(set), Some(query), unit))))
}

/// A peer that does what it likes with each connection, one after the other.
pub fn peer(mut meet: impl FnMut(usize, TcpStream) + Send + 'static) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    std::thread::spawn(move || {
        for (count, stream) in listener.incoming().flatten().enumerate() {
            meet(count, stream);
        }
    });
    address
}

/// Reads lines and answers each with what is given for it, in one write.
pub fn answer_lines(stream: TcpStream, mut reply: impl FnMut(&str) -> Vec<u8>) {
    let mut out = stream.try_clone().expect("a copy");
    for line in BufReader::new(stream).lines() {
        let Ok(line) = line else { return };
        if out.write_all(&reply(&line)).is_err() {
            return;
        }
    }
}

/// A client that writes what it likes.
pub struct Raw {
    out: TcpStream,
    replies: BufReader<TcpStream>,
}

impl Raw {
    pub fn connect(address: SocketAddr) -> Self {
        let out = TcpStream::connect(address).expect("somebody listens");
        out.set_read_timeout(Some(Duration::from_secs(20))).expect("a timeout");
        let replies = BufReader::new(out.try_clone().expect("a copy"));
        Self { out, replies }
    }

    pub fn tell(&mut self, message: &str) {
        self.out.write_all(format!("{message}\n").as_bytes()).expect("the peer takes it");
    }

    pub fn bytes(&mut self, bytes: &[u8]) {
        self.out.write_all(bytes).expect("the peer takes it");
    }

    pub fn reply(&mut self) -> String {
        let mut line = String::new();
        self.replies.read_line(&mut line).expect("a reply");
        line.trim_end().to_owned()
    }

    pub fn ask(&mut self, query: &str) -> String {
        self.tell(query);
        self.reply()
    }

    pub fn number(&mut self, query: &str) -> f64 {
        let reply = self.ask(query);
        reply.parse().unwrap_or_else(|_| panic!("{query}: `{reply}` is no number"))
    }
}
