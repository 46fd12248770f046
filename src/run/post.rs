//! A POST over plain HTTP/1.1 (RFC 9112), just enough to tell a receiver one JSON object.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::Duration;

/// Patience for each of connecting, sending and the answer.
const PATIENCE: Duration = Duration::from_secs(5);

/// Posts a JSON text to an address like `http://host:port/path`.
///
/// # Errors
/// One sentence: no such address, no connection, no answer, an answer that is no success.
pub(super) fn post(address: &str, json: &str) -> Result<(), String> {
    let (host, path) = split(address)?;
    let with_port = if host.rsplit_once(':').is_some_and(|(_, port)| port.parse::<u16>().is_ok()) {
        host.to_owned()
    } else {
        format!("{host}:80")
    };
    let mut places = with_port.to_socket_addrs().map_err(|e| format!("`{host}` is not known: {e}"))?;
    let place = places.next().ok_or_else(|| format!("`{host}` is not known"))?;
    let talk = || -> std::io::Result<String> {
        let mut stream = TcpStream::connect_timeout(&place, PATIENCE)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        stream.set_write_timeout(Some(PATIENCE))?;
        let length = json.len();
        write!(
            stream,
            "POST {path} HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\n\
             Content-Length: {length}\r\nConnection: close\r\n\r\n{json}"
        )?;
        let mut line = String::new();
        BufReader::new(stream.take(4096)).read_line(&mut line)?;
        Ok(line)
    };
    let line = talk().map_err(|error| format!("{address}: {error}"))?;
    let code = line.split(' ').nth(1).and_then(|code| code.parse::<u16>().ok());
    match code {
        Some(200..=299) => Ok(()),
        Some(code) => Err(format!("{address} answered {code}")),
        None => Err(format!("{address} did not answer as HTTP does")),
    }
}

fn split(address: &str) -> Result<(&str, &str), String> {
    let rest = address.strip_prefix("http://").ok_or_else(|| format!("`{address}` is not http://"))?;
    let (host, path) = rest.find('/').map_or((rest, "/"), |at| rest.split_at(at));
    let plain = |text: &str| text.chars().all(|c| c.is_ascii_graphic());
    if host.is_empty() || !plain(host) || !plain(path) {
        return Err(format!("`{address}` is no address"));
    }
    Ok((host, path))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_split_and_nothing_can_be_smuggled_into_the_request() {
        assert_eq!(split("http://a:1/b?c"), Ok(("a:1", "/b?c")));
        assert_eq!(split("http://a"), Ok(("a", "/")));
        for bad in ["https://a/", "http:///x", "http://a/x\r\nY: z", "ftp://a"] {
            assert!(split(bad).is_err(), "{bad}");
        }
    }
}
