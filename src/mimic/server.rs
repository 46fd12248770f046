//! Ports and connections.

use super::instruments::InstrumentSpec;
use super::lab::{Lab, locked};
use super::scpi_error::ScpiError;
use super::spoil::{Delivery, Spoiler};
use super::visit::Visit;
use crate::faults::LinkTrouble;
use std::io::{self, Read, Write};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// Longest message that is taken, bytes.
const LONGEST_MESSAGE: usize = 64 * 1024;
/// Clients at one port.
const CLIENTS_AT_MOST: usize = 32;
/// A client that takes nothing for so long is dropped.
const PATIENCE: Duration = Duration::from_secs(2);

/// One instrument's port.
#[derive(Debug)]
pub(super) struct Server {
    address: SocketAddr,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Debug)]
struct Shared {
    instrument: &'static InstrumentSpec,
    lab: Arc<Mutex<Lab>>,
    spoiler: Arc<Mutex<Spoiler>>,
    stop: Arc<AtomicBool>,
    /// Nobody is served before then: it is switched off.
    off_until: Mutex<Option<Instant>>,
    /// Connections that are open, to end them from outside.
    open: Mutex<Vec<(u64, TcpStream)>>,
}

fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Server {
    pub(super) fn start(
        instrument: &'static InstrumentSpec,
        listener: TcpListener,
        address: SocketAddr,
        lab: Arc<Mutex<Lab>>,
        spoiler: Arc<Mutex<Spoiler>>,
        stop: Arc<AtomicBool>,
    ) -> Self {
        let shared = Arc::new(Shared {
            instrument,
            lab,
            spoiler,
            stop,
            off_until: Mutex::new(None),
            open: Mutex::new(Vec::new()),
        });
        let theirs = Arc::clone(&shared);
        let thread = thread::spawn(move || accept(&listener, &theirs));
        Self { address, shared, thread: Some(thread) }
    }

    /// Switches the instrument off and on again: its connections end, and for a while new ones end at once.
    pub(super) fn power_cycle(&self, off: Duration) {
        *held(&self.shared.off_until) = Some(Instant::now() + off);
        for (_, stream) in held(&self.shared.open).iter() {
            // It may have ended by itself.
            let _gone = stream.shutdown(Shutdown::Both);
        }
    }

    /// Ends every connection. The flag to stop is up already.
    pub(super) fn end(&mut self) {
        for (_, stream) in held(&self.shared.open).iter() {
            // It may have ended by itself.
            let _gone = stream.shutdown(Shutdown::Both);
        }
        // The listening thread looks at the flag when somebody comes.
        let ip = match self.address.ip() {
            IpAddr::V4(ip) if ip.is_unspecified() => IpAddr::V4(Ipv4Addr::LOCALHOST),
            IpAddr::V6(ip) if ip.is_unspecified() => IpAddr::V6(Ipv6Addr::LOCALHOST),
            ip => ip,
        };
        let knocked =
            TcpStream::connect_timeout(&SocketAddr::new(ip, self.address.port()), Duration::from_secs(1));
        if let (Ok(_), Some(thread)) = (knocked, self.thread.take())
            && thread.join().is_err()
        {
            tracing::error!(instrument = self.shared.instrument.name, "the listening thread has failed");
        }
    }
}

fn accept(listener: &TcpListener, shared: &Arc<Shared>) {
    let mut threads: Vec<JoinHandle<()>> = Vec::new();
    let mut number = 0;
    for stream in listener.incoming() {
        if shared.stop.load(Ordering::Relaxed) {
            break;
        }
        threads.retain(|thread| !thread.is_finished());
        let Ok(stream) = stream else {
            // Out of descriptors, say: it may pass.
            thread::sleep(Duration::from_millis(10));
            continue;
        };
        let Ok(copy) = stream.try_clone() else { continue };
        let off = held(&shared.off_until).is_some_and(|until| Instant::now() < until);
        if off || threads.len() >= CLIENTS_AT_MOST {
            continue;
        }
        number += 1;
        held(&shared.open).push((number, copy));
        let (shared, id) = (Arc::clone(shared), number);
        threads.push(thread::spawn(move || {
            if let Err(error) = serve(stream, &shared) {
                tracing::debug!(instrument = shared.instrument.name, %error, "a connection has ended");
            }
            held(&shared.open).retain(|(other, stream)| {
                if *other == id {
                    // The copy would keep the connection open.
                    let _gone = stream.shutdown(Shutdown::Both);
                }
                *other != id
            });
        }));
    }
    // Whoever came while the flag went up is not yet ended.
    for (_, stream) in held(&shared.open).iter() {
        let _gone = stream.shutdown(Shutdown::Both);
    }
    for thread in threads {
        if thread.join().is_err() {
            tracing::error!(instrument = shared.instrument.name, "a connection's thread has failed");
        }
    }
}

/// One connection: messages end with a newline; those that are too long are thrown away as they come.
fn serve(mut stream: TcpStream, shared: &Shared) -> io::Result<()> {
    stream.set_nodelay(true)?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let mut client = Client { visit: Visit::new(shared.instrument), out: Vec::new() };
    let mut chunk = vec![0; 8192];
    let mut message: Vec<u8> = Vec::new();
    let mut overrun = false;
    loop {
        let count = stream.read(&mut chunk)?;
        if count == 0 || shared.stop.load(Ordering::Relaxed) {
            return Ok(());
        }
        let mut rest = &chunk[..count];
        while let Some(end) = rest.iter().position(|byte| *byte == b'\n') {
            let (line, after) = (&rest[..end], &rest[end + 1..]);
            rest = after;
            if overrun || message.len() + line.len() > LONGEST_MESSAGE {
                client.visit.status.error(ScpiError::new(-363));
            } else if message.is_empty() {
                client.handle(line, &mut stream, shared)?;
            } else {
                message.extend_from_slice(line);
                client.handle(&message, &mut stream, shared)?;
            }
            message.clear();
            overrun = false;
        }
        if message.len() + rest.len() > LONGEST_MESSAGE {
            overrun = true;
            message = Vec::new();
        } else if !overrun {
            message.extend_from_slice(rest);
        }
        client.flush(&mut stream)?;
    }
}

struct Client {
    visit: Visit,
    /// Replies on their way out, so that messages that came together are answered in one go.
    out: Vec<u8>,
}

impl Client {
    fn flush(&mut self, stream: &mut TcpStream) -> io::Result<()> {
        if !self.out.is_empty() {
            stream.write_all(&self.out)?;
            self.out.clear();
        }
        Ok(())
    }

    fn handle(&mut self, line: &[u8], stream: &mut TcpStream, shared: &Shared) -> io::Result<()> {
        let line = line.trim_ascii();
        let text = match std::str::from_utf8(line) {
            Ok(text) if line.iter().all(|byte| matches!(byte, b' '..=b'~' | b'\t')) => text,
            _ => {
                self.visit.status.error(ScpiError::new(-101));
                return Ok(());
            }
        };
        let now_s = locked(&shared.lab).now_s();
        let fault = held(&shared.spoiler).due(now_s, text);
        match fault {
            Some(LinkTrouble::DropConnection) => return self.deliver(Delivery::Close, stream, shared),
            Some(LinkTrouble::Refuses) => {
                self.visit.status.error(ScpiError::about(-300, "a fault that was asked for"));
                return Ok(());
            }
            Some(LinkTrouble::EndsEarly) => self.visit.hides_task = true,
            _ => {}
        }
        let Some(reply) = self.visit.execute(text, &shared.lab, &shared.stop) else { return Ok(()) };
        match fault {
            Some(kind) => {
                let delivery = held(&shared.spoiler).spoil(kind, &reply);
                self.deliver(delivery, stream, shared)
            }
            None => {
                self.out.extend_from_slice(reply.as_bytes());
                self.out.push(b'\n');
                Ok(())
            }
        }
    }

    fn deliver(&mut self, delivery: Delivery, stream: &mut TcpStream, shared: &Shared) -> io::Result<()> {
        match delivery {
            Delivery::Now(bytes) => self.out.extend_from_slice(&bytes),
            Delivery::Nothing => {}
            Delivery::Late(by, bytes) => {
                self.flush(stream)?;
                let until = Instant::now() + by;
                while Instant::now() < until && !shared.stop.load(Ordering::Relaxed) {
                    thread::sleep(
                        Duration::from_millis(10).min(until.saturating_duration_since(Instant::now())),
                    );
                }
                self.out.extend_from_slice(&bytes);
            }
            Delivery::Flood(bytes) => {
                self.flush(stream)?;
                let chunk = [b'#'; 16 * 1024];
                let mut left = bytes;
                while left > 0 && !shared.stop.load(Ordering::Relaxed) {
                    let part = left.min(chunk.len() as u64);
                    stream.write_all(&chunk[..usize::try_from(part).unwrap_or(0)])?;
                    left -= part;
                }
            }
            Delivery::Close => {
                self.flush(stream)?;
                return Err(io::Error::new(io::ErrorKind::ConnectionAborted, "a fault that was asked for"));
            }
        }
        Ok(())
    }
}
