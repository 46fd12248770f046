//! A line that delays, doubles, drops, reorders, garbles, echoes, sends what nobody asked for, and closes half.

use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Numbers for faults, the same in each run.
pub struct Dice(pub u64);

impl Dice {
    /// From 0 up to below 1 (the combined generator of Math. Comput. 68, 249 (1999), table 4, written from memory).
    pub fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(2_862_933_555_777_941_757).wrapping_add(3_037_000_493);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[(self.roll() * choices.len() as f64) as usize % choices.len()]
    }
}

/// A reply on its way: when it is due, and on which connection it was asked for.
struct Reply(Instant, Vec<u8>, u64);

type Current = Arc<Mutex<Option<(u64, TcpStream)>>>;

/// An instrument behind it; `answer` has one reply to each message, or none. One that keeps its stream sends what is left
/// over to whoever connects next, as some device servers do.
pub fn bad_line(
    seed: u64,
    fault_part: f64,
    keeps_stream: bool,
    [message_end, reply_end]: [&'static str; 2],
    answer: impl Fn(&str) -> Option<String> + Send + 'static,
) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address");
    let current = Current::default();
    let (sender, receiver) = channel();
    let line = Arc::clone(&current);
    std::thread::spawn(move || carry(&receiver, &line, keeps_stream));
    std::thread::spawn(move || {
        let mut spoiler =
            Spoiler { dice: Dice(seed), fault_part, reply_end, sender, held: None, last: Vec::new() };
        for (number, mut stream) in (0..).zip(listener.incoming().flatten()) {
            stream.set_nodelay(true).expect("a socket");
            *current.lock().expect("the line") = Some((number, stream.try_clone().expect("a copy")));
            let (mut pending, mut chunk) = (Vec::new(), [0; 4096]);
            while let Ok(count @ 1..) = stream.read(&mut chunk) {
                pending.extend_from_slice(&chunk[..count]);
                while let Some(message) = next_message(&mut pending, message_end) {
                    if let Some(reply) = answer(&message) {
                        spoiler.send(&stream, number, &message, reply);
                    }
                }
            }
        }
    });
    address
}

fn next_message(pending: &mut Vec<u8>, end: &str) -> Option<String> {
    let at = pending.windows(end.len()).position(|window| window == end.as_bytes())?;
    let message = String::from_utf8_lossy(&pending[..at]).into_owned();
    pending.drain(..at + end.len());
    Some(message)
}

/// Brings each reply when it is due.
fn carry(replies: &Receiver<Reply>, current: &Current, keeps_stream: bool) {
    let mut waiting: Vec<Reply> = Vec::new();
    loop {
        let next = waiting.iter().map(|reply| reply.0).min();
        let wait = next.map_or(Duration::from_secs(3600), |at| at.saturating_duration_since(Instant::now()));
        match replies.recv_timeout(wait) {
            Ok(reply) => waiting.push(reply),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
        let now = Instant::now();
        let mut line = current.lock().expect("the line");
        waiting.sort_by_key(|reply| reply.0);
        while waiting.first().is_some_and(|reply| reply.0 <= now) {
            let Reply(_, bytes, number) = waiting.remove(0);
            let Some((open, stream)) = line.as_mut() else { continue };
            if *open == number || keeps_stream {
                // It may be gone by now.
                let _gone = stream.write_all(&bytes);
            }
        }
    }
}

struct Spoiler {
    dice: Dice,
    fault_part: f64,
    reply_end: &'static str,
    sender: Sender<Reply>,
    /// A reply that goes out behind the next one.
    held: Option<Vec<u8>>,
    /// The reply before, as sound as any.
    last: Vec<u8>,
}

impl Spoiler {
    /// Up to a tenth more than the timeout of the readers: late replies come when nobody waits for them any more.
    fn later(&mut self) -> Duration {
        Duration::from_micros(self.dice.of(&[100, 1_000, 5_000, 20_000, 44_000]))
    }

    fn send(&mut self, stream: &TcpStream, number: u64, message: &str, reply: String) {
        let reply = (reply + self.reply_end).into_bytes();
        let now = Instant::now();
        let sender = self.sender.clone();
        let send = |at: Instant, bytes: Vec<u8>| sender.send(Reply(at, bytes, number)).expect("the line");
        let before = std::mem::replace(&mut self.last, reply.clone());
        let held = self.held.take();
        if self.dice.roll() >= self.fault_part {
            send(now, reply);
        } else {
            match self.dice.of(&[0, 1, 2, 3, 4, 5, 6, 7, 8, 9]) {
                0 => send(now + self.later(), reply),
                1 => {
                    send(now, reply.clone());
                    send(now + self.later(), reply);
                }
                2 => send(now, [reply.clone(), reply].concat()),
                3 => {}
                4 => self.held = Some(reply),
                5 => {
                    let at = self.dice.of(&[0, 1, 3]);
                    let garbled = |(i, byte): (usize, &u8)| if i == at { b'@' } else { *byte };
                    send(now, reply.iter().enumerate().map(garbled).collect());
                }
                6 => send(now, [message.as_bytes(), self.reply_end.as_bytes(), &reply].concat()),
                7 => {
                    // Nobody asked for it, before the right one or some time after.
                    let early = self.dice.roll() < 0.5;
                    let later = self.later();
                    send(if early { now } else { now + later }, before);
                    send(now, reply);
                }
                8 => {
                    send(now, reply[..reply.len() / 2].to_vec());
                    send(now + Duration::from_millis(2), reply[reply.len() / 2..].to_vec());
                }
                _ => {
                    let _gone = stream.shutdown(Shutdown::Write);
                }
            }
        }
        if let Some(held) = held {
            send(now, held);
        }
    }
}
