//! Who may read the page and who may say a word to the run.
//!
//! * The `Host` of every request must be this computer or a plain address, so that a name from elsewhere that is
//!   made to point here (DNS rebinding) opens nothing.
//! * Words come by POST, as JSON, with the token in a header of our own. A page from elsewhere can send such a
//!   header only after a preflight, which is never granted; its `Origin` and `Sec-Fetch-Site` are refused as well.
//! * There are no cookies, so there is nothing that a browser adds by itself.
//! * Words come from this computer only, unless the bench file says otherwise.

use crate::bench::LiveWords;
use axum::http::{HeaderMap, header};
use std::io::Read;
use std::net::IpAddr;

/// The header that carries the token.
pub const TOKEN_HEADER: &str = "x-noctule-token";

/// Why a request is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The name in `Host` is not ours.
    #[error("this server is reached by its address or as localhost, by no other name")]
    Host,
    /// The request comes from another page.
    #[error("words are taken only from the page of this server")]
    Origin,
    /// The request comes from another computer.
    #[error("words are taken only from this computer")]
    Remote,
    /// The token is missing or wrong.
    #[error("the token is missing or wrong")]
    Token,
}

/// Decides about requests.
#[derive(Debug, Clone)]
pub struct Guard {
    token: blake3::Hash,
    loopback_only: bool,
    words: LiveWords,
}

impl Guard {
    /// For a server on this address.
    pub fn new(token: &str, listens_on: IpAddr, words: LiveWords) -> Self {
        // Hashes are compared in constant time; texts are not.
        let token = blake3::hash(token.as_bytes());
        Self { token, loopback_only: listens_on.is_loopback(), words }
    }

    /// Whether the page may be read.
    ///
    /// # Errors
    /// The reason, if not.
    pub fn may_read(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        let host = headers.get(header::HOST).and_then(|h| h.to_str().ok()).ok_or(Refusal::Host)?;
        let name = host_name(host);
        if name.eq_ignore_ascii_case("localhost") {
            return Ok(());
        }
        match name.parse::<IpAddr>() {
            Ok(ip) if ip.is_loopback() || !self.loopback_only => Ok(()),
            _ => Err(Refusal::Host),
        }
    }

    /// Whether a hold may be released from here.
    pub fn may_release(&self) -> bool {
        self.words.release
    }

    /// Whether a word to the run may be said.
    ///
    /// # Errors
    /// The reason, if not.
    pub fn may_speak(&self, peer: IpAddr, headers: &HeaderMap) -> Result<(), Refusal> {
        self.may_read(headers)?;
        if !peer.is_loopback() && !self.words.beyond_loopback {
            return Err(Refusal::Remote);
        }
        let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
        let host = text("host").unwrap_or_default();
        if text("origin").is_some_and(|origin| origin != format!("http://{host}")) {
            return Err(Refusal::Origin);
        }
        if headers.contains_key("sec-fetch-site") && text("sec-fetch-site") != Some("same-origin") {
            return Err(Refusal::Origin);
        }
        let said = text(TOKEN_HEADER).ok_or(Refusal::Token)?;
        if blake3::hash(said.as_bytes()) == self.token { Ok(()) } else { Err(Refusal::Token) }
    }
}

/// The name in a `Host` header, without its port and without the brackets of an IPv6 address.
fn host_name(host: &str) -> &str {
    if let Some(rest) = host.strip_prefix('[') {
        return rest.split_once(']').map_or("", |(name, _)| name);
    }
    host.split_once(':').map_or(host, |(name, _)| name)
}

/// 128 bits that nobody can guess.
///
/// # Errors
/// If the system has no random numbers.
pub fn new_token() -> std::io::Result<String> {
    let mut bytes = [0_u8; 16];
    std::fs::File::open("/dev/urandom")?.read_exact(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);
    const ELSEWHERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 7));

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs.iter().map(|(n, v)| (n.parse().unwrap(), HeaderValue::from_str(v).unwrap())).collect()
    }

    #[test]
    fn only_plain_addresses_and_localhost_are_hosts() {
        let guard = Guard::new("t", HERE, LiveWords::default());
        for good in ["localhost:8080", "127.0.0.1:9", "[::1]:80", "LOCALHOST"] {
            assert_eq!(guard.may_read(&headers(&[("host", good)])), Ok(()), "{good}");
        }
        for bad in
            ["evil.example:8080", "127.0.0.1.evil.example", "192.0.2.7:8080", "", "[::1", "localhost.x"]
        {
            assert_eq!(guard.may_read(&headers(&[("host", bad)])), Err(Refusal::Host), "{bad}");
        }
        assert_eq!(guard.may_read(&headers(&[])), Err(Refusal::Host));
        let open = Guard::new("t", "0.0.0.0".parse().unwrap(), LiveWords::default());
        assert_eq!(open.may_read(&headers(&[("host", "192.0.2.7:8080")])), Ok(()));
        assert_eq!(open.may_read(&headers(&[("host", "evil.example")])), Err(Refusal::Host));
    }

    #[test]
    fn a_word_needs_the_token_and_comes_from_here() {
        let guard = Guard::new("secret", HERE, LiveWords::default());
        let host = ("host", "127.0.0.1:8080");
        let token = (TOKEN_HEADER, "secret");
        assert_eq!(guard.may_speak(HERE, &headers(&[host, token])), Ok(()));
        assert_eq!(guard.may_speak(HERE, &headers(&[host])), Err(Refusal::Token));
        assert_eq!(guard.may_speak(HERE, &headers(&[host, (TOKEN_HEADER, "secres")])), Err(Refusal::Token));
        assert_eq!(guard.may_speak(ELSEWHERE, &headers(&[host, token])), Err(Refusal::Remote));
        let same = ("origin", "http://127.0.0.1:8080");
        assert_eq!(guard.may_speak(HERE, &headers(&[host, token, same])), Ok(()));
        for origin in ["http://evil.example", "null", "http://127.0.0.1:8081", "https://127.0.0.1:8080"] {
            let found = guard.may_speak(HERE, &headers(&[host, token, ("origin", origin)]));
            assert_eq!(found, Err(Refusal::Origin), "{origin}");
        }
        let crossed = headers(&[host, token, ("sec-fetch-site", "cross-site")]);
        assert_eq!(guard.may_speak(HERE, &crossed), Err(Refusal::Origin));
        let wide = Guard::new(
            "secret",
            "0.0.0.0".parse().unwrap(),
            LiveWords { beyond_loopback: true, release: false },
        );
        assert_eq!(wide.may_speak(ELSEWHERE, &headers(&[host, token])), Ok(()));
    }

    #[test]
    fn tokens_differ() {
        let (a, b) = (new_token().unwrap(), new_token().unwrap());
        assert!(a.len() == 32 && a != b);
    }
}
