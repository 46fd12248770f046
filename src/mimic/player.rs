//! An instrument that says again what a recording of a link holds.
//!
//! Each message is looked for in the recording, from where it stands on and then from the beginning, and what had come
//! then comes again, or nothing if nothing had come. A marker with another number is answered with that number.

use crate::instrument::wire::{self, Sign};
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};

/// What was sent, and what came before the next message.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Exchange {
    sent: Vec<u8>,
    came: Vec<u8>,
}

/// A recording that can be played.
#[derive(Debug, Clone)]
pub struct Player {
    exchanges: Vec<Exchange>,
    at: usize,
}

impl Player {
    /// From the text of a recording.
    pub fn new(recording: &str) -> Self {
        let mut exchanges: Vec<Exchange> = Vec::new();
        for (_, sign, said) in wire::read(recording) {
            match sign {
                // A message may consist of several lines.
                Sign::Sent => {
                    for line in said.split_inclusive(|byte| *byte == b'\n') {
                        exchanges.push(Exchange { sent: line.trim_ascii().to_vec(), came: Vec::new() });
                    }
                }
                Sign::Came => {
                    if let Some(last) = exchanges.last_mut() {
                        last.came.extend_from_slice(&said);
                    }
                }
                Sign::Failed | Sign::Connected => {}
            }
        }
        Self { exchanges, at: 0 }
    }

    /// Exchanges that it holds.
    pub fn len(&self) -> usize {
        self.exchanges.len()
    }

    /// Whether it holds nothing.
    pub fn is_empty(&self) -> bool {
        self.exchanges.is_empty()
    }

    /// What comes to a message; nothing if nothing came, or if it was never sent.
    pub fn answer(&mut self, message: &[u8]) -> Vec<u8> {
        let message = message.trim_ascii();
        let (plain, number) = without_number(message);
        let count = self.exchanges.len();
        let found = (0..count).map(|step| (self.at + step) % count).find(|place| {
            let sent = &self.exchanges[*place].sent;
            *sent == message || (number.is_some() && without_number(sent).0 == plain)
        });
        let Some(place) = found else { return Vec::new() };
        self.at = place + 1;
        let Exchange { sent, came } = &self.exchanges[place];
        match (number, without_number(sent).1) {
            (Some(now), Some(then)) if now != then => renumbered(came, &then, &now),
            _ => came.clone(),
        }
    }

    /// Serves one connection after the other on a free port until the process ends.
    ///
    /// # Errors
    /// If no port is free.
    pub fn serve(self, listen: SocketAddr) -> std::io::Result<SocketAddr> {
        let listener = TcpListener::bind(listen)?;
        let address = listener.local_addr()?;
        let mut player = self;
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                if let Err(error) = player.converse(stream) {
                    tracing::debug!(%error, "a connection has ended");
                }
            }
        });
        Ok(address)
    }

    fn converse(&mut self, stream: TcpStream) -> std::io::Result<()> {
        stream.set_nodelay(true)?;
        let mut out = stream.try_clone()?;
        let mut reader = BufReader::new(stream);
        let mut message = Vec::new();
        while reader.read_until(b'\n', &mut message)? > 0 {
            let reply = self.answer(&message);
            out.write_all(&reply)?;
            message.clear();
        }
        Ok(())
    }
}

/// A message without the number of its marker, the last number of it that stands before a `;`, and that number.
fn without_number(message: &[u8]) -> (Vec<u8>, Option<Vec<u8>>) {
    let Some(end) = message.iter().rposition(|byte| *byte == b';') else { return (message.to_vec(), None) };
    let digits = message[..end].iter().rev().take_while(|byte| byte.is_ascii_digit()).count();
    if digits == 0 || !message.ends_with(b"?") {
        return (message.to_vec(), None);
    }
    let number = message[end - digits..end].to_vec();
    ([&message[..end - digits], &message[end..]].concat(), Some(number))
}

/// A reply with another number at its end.
fn renumbered(came: &[u8], then: &[u8], now: &[u8]) -> Vec<u8> {
    let end = came.trim_ascii_end().len();
    match came[..end].strip_suffix(then) {
        Some(before) => [before, now, &came[end..]].concat(),
        None => came.to_vec(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RECORDING: &str = "0.1 = 127.0.0.1:5025\n0.2 > POW?;*ESE 7;*ESE?\\n\n0.3 < -8.0;7\\n\n\
        0.4 > POW -3\\nSYST:ERR?;*ESE 8;*ESE?\\n\n0.5 < 0,\\\"No error\\\";8\\n\n\
        0.6 > POW?;*ESE 9;*ESE?\\n\n0.7 < -3.0#9\\n\n0.8 ! it came garbled\n0.9 > POW?;*ESE 10;*ESE?\\n\n";

    #[test]
    fn what_came_comes_again_in_its_order_and_with_the_number_that_was_sent() {
        let mut player = Player::new(RECORDING);
        let said = |player: &mut Player, message: &str| {
            String::from_utf8(player.answer(message.as_bytes())).unwrap()
        };
        assert_eq!(said(&mut player, "POW?;*ESE 1;*ESE?\n"), "-8.0;1\n");
        assert_eq!(said(&mut player, "POW -3\n"), "");
        assert_eq!(said(&mut player, "SYST:ERR?;*ESE 2;*ESE?"), "0,\"No error\";2\n");
        assert_eq!(said(&mut player, "POW?;*ESE 3;*ESE?"), "-3.0#3\n");
        assert_eq!(said(&mut player, "POW?;*ESE 4;*ESE?"), "", "nothing had come");
        assert_eq!(said(&mut player, "FREQ?;*ESE 5;*ESE?"), "", "it was never asked");
        assert_eq!(said(&mut player, "POW?;*ESE 6;*ESE?"), "-8.0;6\n", "from the beginning");
    }
}
