//! A gate in the way to an instrument: a proxy that can be shut, so that every connection breaks and no new one is made.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

/// The gates of a bench, all opened and shut together.
#[derive(Clone, Default)]
pub struct Gates {
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
        self.shut.store(shut, Ordering::SeqCst);
        if shut {
            for stream in self.open.lock().unwrap().drain(..) {
                let _ = stream.shutdown(Shutdown::Both);
            }
        }
    }

    fn gate(&self, to: &str) -> String {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address").to_string();
        let (gates, to) = (self.clone(), to.to_owned());
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                if gates.shut.load(Ordering::SeqCst) {
                    continue;
                }
                let Ok(server) = TcpStream::connect(&to) else { continue };
                let _ = (client.set_nodelay(true), server.set_nodelay(true));
                for (from, to) in [(&client, &server), (&server, &client)] {
                    let (from, to) = (from.try_clone().unwrap(), to.try_clone().unwrap());
                    std::thread::spawn(move || carry(from, to));
                }
                gates.open.lock().unwrap().extend([client, server]);
            }
        });
        address
    }
}

fn carry(mut from: TcpStream, mut to: TcpStream) {
    let mut bytes = [0; 4096];
    while let Ok(count) = from.read(&mut bytes) {
        if count == 0 || to.write_all(&bytes[..count]).is_err() {
            break;
        }
    }
    let _ = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
}
