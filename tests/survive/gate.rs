//! A gate in the way to an instrument: a proxy that can be shut, so that every connection breaks and no new one is made.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

/// The gates of a bench, opened and shut together or one by one.
#[derive(Clone, Default)]
pub struct Gates {
    gates: Arc<Mutex<Vec<Gate>>>,
    said: Arc<Mutex<Vec<String>>>,
}

/// The way to one instrument.
#[derive(Clone, Default)]
struct Gate {
    shut: Arc<AtomicBool>,
    open: Arc<Mutex<Vec<TcpStream>>>,
}

impl Gates {
    /// Leads every address in the text of a bench through a gate.
    pub fn lead_through(&self, text: &str) -> String {
        let mut parts = text.split("\"127.0.0.1:");
        let mut led = parts.next().unwrap_or_default().to_owned();
        for part in parts {
            let (port, rest) = part.split_once('"').expect("an address ends");
            led += &format!("\"{}\"{rest}", self.gate(&format!("127.0.0.1:{port}")));
        }
        led
    }

    /// Breaks all connections and takes no new ones, or takes them again.
    pub fn shut(&self, shut: bool) {
        let gates = self.gates.lock().unwrap().clone();
        gates.iter().for_each(|gate| gate.shut(shut));
    }

    /// The same with one instrument, in the order of the bench file.
    pub fn shut_one(&self, index: usize, shut: bool) {
        let gate = self.gates.lock().unwrap()[index].clone();
        gate.shut(shut);
    }

    /// What was sent to the instruments behind a word, in order.
    pub fn heard(&self, word: &str) -> Vec<String> {
        let said = self.said.lock().unwrap();
        said.iter().filter_map(|line| line.trim().strip_prefix(word)).map(ToOwned::to_owned).collect()
    }

    fn gate(&self, to: &str) -> String {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address").to_string();
        let (gate, heard, to) = (Gate::default(), Arc::clone(&self.said), to.to_owned());
        self.gates.lock().unwrap().push(gate.clone());
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                if gate.shut.load(Ordering::SeqCst) {
                    continue;
                }
                let Ok(server) = TcpStream::connect(&to) else { continue };
                let _ = (client.set_nodelay(true), server.set_nodelay(true));
                for (from, to, said) in [(&client, &server, Some(&heard)), (&server, &client, None)] {
                    let (from, to) = (from.try_clone().unwrap(), to.try_clone().unwrap());
                    let said = said.cloned();
                    std::thread::spawn(move || carry(from, to, said));
                }
                gate.open.lock().unwrap().extend([client, server]);
            }
        });
        address
    }
}

impl Gate {
    fn shut(&self, shut: bool) {
        self.shut.store(shut, Ordering::SeqCst);
        if shut {
            for stream in self.open.lock().unwrap().drain(..) {
                let _ = stream.shutdown(Shutdown::Both);
            }
        }
    }
}

fn carry(mut from: TcpStream, mut to: TcpStream, said: Option<Arc<Mutex<Vec<String>>>>) {
    let mut bytes = [0; 4096];
    while let Ok(count) = from.read(&mut bytes) {
        // A message of a few bytes comes in one piece.
        if let Some(said) = &said {
            let text = String::from_utf8_lossy(&bytes[..count]).into_owned();
            said.lock().unwrap().extend(text.lines().map(ToOwned::to_owned));
        }
        if count == 0 || to.write_all(&bytes[..count]).is_err() {
            break;
        }
    }
    let _ = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
}
