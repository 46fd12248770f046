//! Bytes over TCP, or over a serial port where the build has them.

use super::connection::Idle;
use std::io::{self, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::{Duration, Instant};

/// A way for bytes.
pub(super) enum Transport {
    Tcp(TcpStream),
    #[cfg(feature = "serial")]
    Serial(Box<dyn serialport::SerialPort>),
}

impl Transport {
    /// Opens `host:port` or `serial:path@baud`.
    pub(super) fn open(address: &str, timeout: Duration, deadline: Instant) -> io::Result<Self> {
        if let Some(port) = address.strip_prefix("serial:") {
            return open_serial(port, timeout);
        }
        let mut last = io::Error::new(io::ErrorKind::NotFound, "the name leads to no address");
        for socket in address.to_socket_addrs()? {
            let left = deadline.saturating_duration_since(Instant::now()).max(Duration::from_millis(1));
            match TcpStream::connect_timeout(&socket, left) {
                Ok(stream) => return Self::over(stream, timeout),
                Err(error) => last = error,
            }
        }
        Err(last)
    }

    /// On a connection that is there already.
    pub(super) fn over(stream: TcpStream, timeout: Duration) -> io::Result<Self> {
        // A message is a few bytes, and the instrument should have it at once.
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(timeout))?;
        stream.set_write_timeout(Some(timeout))?;
        Ok(Self::Tcp(stream))
    }

    pub(super) fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self {
            Self::Tcp(stream) => stream.write_all(bytes),
            #[cfg(feature = "serial")]
            Self::Serial(port) => port.write_all(bytes).and_then(|()| port.flush()),
        }
    }

    pub(super) fn receive(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Tcp(stream) => stream.read(buffer),
            #[cfg(feature = "serial")]
            Self::Serial(port) => port.read(buffer),
        }
    }

    pub(super) fn set_wait(&mut self, wait: Duration) -> io::Result<()> {
        match self {
            Self::Tcp(stream) => stream.set_read_timeout(Some(wait)),
            #[cfg(feature = "serial")]
            Self::Serial(port) => port.set_timeout(wait).map_err(io::Error::from),
        }
    }

    /// Looks whether bytes lie there, without waiting and without taking them.
    pub(super) fn idle(&mut self) -> Idle {
        match self {
            Self::Tcp(stream) => {
                let mut byte = [0];
                let peeked = stream.set_nonblocking(true).and_then(|()| stream.peek(&mut byte));
                if stream.set_nonblocking(false).is_err() {
                    return Idle::Closed;
                }
                match peeked {
                    Ok(0) => Idle::Closed,
                    Ok(_) => Idle::Unasked,
                    Err(error) if error.kind() == io::ErrorKind::WouldBlock => Idle::Quiet,
                    Err(_) => Idle::Closed,
                }
            }
            #[cfg(feature = "serial")]
            Self::Serial(port) => match port.bytes_to_read() {
                Ok(0) => Idle::Quiet,
                Ok(_) => Idle::Unasked,
                Err(_) => Idle::Closed,
            },
        }
    }
}

#[cfg(not(feature = "serial"))]
fn open_serial(port: &str, _timeout: Duration) -> io::Result<Transport> {
    let message = format!("{port} is a serial port, and this build has none (feature `serial`)");
    Err(io::Error::new(io::ErrorKind::Unsupported, message))
}

/// Opens a serial port and waits until it is silent for a while: unlike a TCP connection, a port that is
/// closed and opened again still brings the reply to an earlier query.
#[cfg(feature = "serial")]
fn open_serial(port: &str, timeout: Duration) -> io::Result<Transport> {
    let silence = (timeout / 2).min(Duration::from_millis(250));
    let wrong = || io::Error::new(io::ErrorKind::InvalidInput, "a serial address is `serial:path@baud`");
    let (path, baud) = port.rsplit_once('@').ok_or_else(wrong)?;
    let baud: u32 = baud.parse().map_err(|_| wrong())?;
    let mut port = serialport::new(path, baud).timeout(silence).open()?;
    let until = Instant::now() + timeout;
    let mut scrap = [0; 1024];
    loop {
        match port.read(&mut scrap) {
            Ok(_) if Instant::now() < until => {}
            Ok(_) => return Err(io::Error::new(io::ErrorKind::InvalidData, "it sends without end")),
            Err(error) if error.kind() == io::ErrorKind::TimedOut => break,
            Err(error) => return Err(error),
        }
    }
    port.set_timeout(timeout)?;
    Ok(Transport::Serial(port))
}
