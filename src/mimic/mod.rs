//! The simulated microscope served over TCP, to test the real path.
//!
//! A [`Mimic`] is five SCPI instruments on five ports that share one simulated microscope:
//! electronics (with the tasks), magnet, RF source, lock-in, monitors. The commands are in
//! [`instruments`]; every port takes the common commands of IEEE 488.2 and has an error queue.
//! Time in the microscope is wall time multiplied by the pace, which any client may ask and set
//! with `SYST:PACE?` and `SYST:PACE 200`.
//!
//! ```
//! use noctule::mimic::Mimic;
//! use noctule_sim::world::World;
//! use std::io::{BufRead, BufReader, Write};
//!
//! let world = World::shipped("night").unwrap();
//! let listen = "127.0.0.1:0".parse().unwrap();
//! let mimic = Mimic::start(&world, 7, listen, 1.0, &[]).unwrap();
//! let mut client = std::net::TcpStream::connect(mimic.address("magnet").unwrap()).unwrap();
//! client.write_all(b"*IDN?\n").unwrap();
//! let mut answer = String::new();
//! BufReader::new(client).read_line(&mut answer).unwrap();
//! assert!(answer.starts_with("noctule-mimic,magnet,"));
//! ```

mod common;
mod header;
pub mod instruments;
mod lab;
mod message;
pub mod player;
mod read_faults;
mod scpi_error;
mod server;
mod spoil;
mod tasks;
mod visit;

pub use lab::{PACE_MAX, PACE_MIN};
pub use read_faults::read as read_faults;

use crate::faults::Planned;
use instruments::INSTRUMENTS;
use lab::Lab;
use noctule_sim::microscope::Microscope;
use noctule_sim::world::World;
use server::Server;
use spoil::Spoiler;
use std::io;
use std::net::{SocketAddr, TcpListener};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::Duration;

/// The first of the mimic's ports where nothing else is said; the others follow.
pub const DEFAULT_PORT: u16 = 5125;
/// The microscope is brought up to date so often although nobody asks, so that nobody has to wait long for it.
const CATCH_UP: Duration = Duration::from_millis(50);

/// Why a mimic can't be started.
#[derive(Debug, thiserror::Error)]
pub enum MimicError {
    /// A port can't be had.
    #[error("the {instrument} can't listen on {address}: {source}")]
    Port {
        /// Which instrument.
        instrument: &'static str,
        /// Where.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// The pace is out of range.
    #[error("a pace lies between {PACE_MIN} and {PACE_MAX}, not {0}")]
    Pace(f64),
}

/// How a mimic is started by [`serve_blocking`].
#[derive(Debug, Clone)]
pub struct ServeOptions {
    /// The world.
    pub world: World,
    /// Seed of the world's random numbers.
    pub seed: u64,
    /// Address of the first instrument; the others have the ports after it.
    pub listen: SocketAddr,
    /// Simulated seconds in a second.
    pub pace: f64,
    /// What goes wrong, and when.
    pub faults: Vec<Planned>,
}

/// Starts mimics.
#[derive(Debug, Clone, Copy)]
pub struct Mimic;

impl Mimic {
    /// Serves a simulated microscope from now on. With port 0 every instrument gets a free port
    /// of its own, otherwise they have `listen` and the ports after it.
    ///
    /// # Errors
    /// If a port is taken, or the pace out of range. Nothing is left running then.
    pub fn start(
        world: &World,
        seed: u64,
        listen: SocketAddr,
        pace: f64,
        faults: &[Planned],
    ) -> Result<Running, MimicError> {
        if !(PACE_MIN..=PACE_MAX).contains(&pace) {
            return Err(MimicError::Pace(pace));
        }
        let mut listeners = Vec::new();
        for (index, instrument) in (0_u16..).zip(INSTRUMENTS) {
            let port = if listen.port() == 0 { 0 } else { listen.port().saturating_add(index) };
            let address = SocketAddr::new(listen.ip(), port);
            let refused = |source| MimicError::Port { instrument: instrument.name, address, source };
            let listener = TcpListener::bind(address).map_err(refused)?;
            let bound = listener.local_addr().map_err(refused)?;
            listeners.push((instrument, listener, bound));
        }
        let stop = Arc::new(AtomicBool::new(false));
        let lab = Arc::new(Mutex::new(Lab::new(Microscope::new(world, seed), pace, faults)));
        let mut running = Running { lab, stop, servers: Vec::new(), addresses: Vec::new(), ticker: None };
        for (instrument, listener, address) in listeners {
            let spoiler = Arc::new(Mutex::new(Spoiler::new(instrument.name, faults, seed)));
            running.addresses.push((instrument.name, address));
            let (lab, stop) = (Arc::clone(&running.lab), Arc::clone(&running.stop));
            running.servers.push(Server::start(instrument, listener, address, lab, spoiler, stop));
        }
        let (lab, stop) = (Arc::clone(&running.lab), Arc::clone(&running.stop));
        running.ticker = Some(thread::spawn(move || {
            while !stop.load(Ordering::Relaxed) {
                lab::locked(&lab).catch_up();
                thread::sleep(CATCH_UP);
            }
        }));
        Ok(running)
    }
}

/// A mimic that serves. Dropping it ends every connection.
#[derive(Debug)]
pub struct Running {
    lab: Arc<Mutex<Lab>>,
    stop: Arc<AtomicBool>,
    servers: Vec<Server>,
    addresses: Vec<(&'static str, SocketAddr)>,
    ticker: Option<JoinHandle<()>>,
}

impl Running {
    /// The instruments with their addresses.
    pub fn addresses(&self) -> &[(&'static str, SocketAddr)] {
        &self.addresses
    }

    /// Where the instrument of that name listens.
    pub fn address(&self, instrument: &str) -> Option<SocketAddr> {
        self.addresses.iter().find(|(name, _)| *name == instrument).map(|(_, address)| *address)
    }

    /// Looks at the microscope, or does something to it, at the present moment. Nobody is served meanwhile.
    pub fn with_microscope<T>(&self, look: impl FnOnce(&mut Microscope) -> T) -> T {
        let mut lab = lab::locked(&self.lab);
        lab.catch_up();
        look(lab.microscope())
    }

    /// Switches one instrument off for so long: it comes back with the settings of its power-on state.
    pub fn power_cycle(&self, instrument: &str, off: Duration) {
        let Some(index) = self.addresses.iter().position(|(name, _)| *name == instrument) else { return };
        self.servers[index].power_cycle(off);
        for (signal, value) in INSTRUMENTS[index].power_on {
            let set = self.with_microscope(|microscope| microscope.set(*signal, *value));
            if let Err(refusal) = set {
                tracing::error!(instrument, %refusal, "no power-on state");
            }
        }
    }

    /// Lets one instrument give no answer for so long; it stays as it is.
    pub fn cut_off(&self, instrument: &str, off: Duration) {
        if let Some(index) = self.addresses.iter().position(|(name, _)| *name == instrument) {
            self.servers[index].power_cycle(off);
        }
    }

    /// Simulated seconds in a second.
    pub fn pace(&self) -> f64 {
        lab::locked(&self.lab).pace()
    }

    /// Serves until `stop` is set, looking at it every 50 ms.
    pub fn wait(self, stop: &AtomicBool) {
        while !stop.load(Ordering::Relaxed) {
            thread::sleep(CATCH_UP);
        }
    }

    /// Ends every connection and waits until all is quiet.
    pub fn stop(self) {}
}

impl Drop for Running {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        for server in &mut self.servers {
            server.end();
        }
        if let Some(ticker) = self.ticker.take()
            && ticker.join().is_err()
        {
            tracing::error!("the thread that keeps the microscope up to date has failed");
        }
    }
}

/// Starts a mimic, tells `announce` where it listens, and serves until `stop` is set.
///
/// # Errors
/// As [`Mimic::start`].
pub fn serve_blocking(
    options: &ServeOptions,
    stop: &AtomicBool,
    announce: impl FnOnce(&Running),
) -> Result<(), MimicError> {
    let running = Mimic::start(&options.world, options.seed, options.listen, options.pace, &options.faults)?;
    announce(&running);
    running.wait(stop);
    Ok(())
}
