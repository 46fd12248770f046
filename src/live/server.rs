//! The server: three files, one stream of events, one door for words.

use super::frame::Frame;
use super::guard::{Guard, Refusal};
use crate::drive::real_time::control::say;
use crate::drive::real_time::status::Request as Word;
use axum::Router;
use axum::body::Bytes;
use axum::extract::{ConnectInfo, Query, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use futures_util::stream::{Stream, unfold};
use serde::Deserialize;
use std::collections::{BTreeMap, VecDeque};
use std::convert::Infallible;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;
use tokio::sync::watch::Receiver;

const PAGE: &str = include_str!("page.html");
const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Everything comes from this server; pictures of maps are written into their SVG.
const CONTENT_POLICY: &str = "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; \
                              form-action 'none'; frame-ancestors 'self'";
/// Readers at once.
const MOST_READERS: usize = 64;
/// A wrong token costs this long.
const WRONG_TOKEN_PAUSE: Duration = Duration::from_millis(400);
/// Longest body of a word.
const LONGEST_WORD: usize = 1024;

struct Room {
    frames: Receiver<Arc<Frame>>,
    guard: Guard,
    folder: PathBuf,
    readers: Arc<AtomicUsize>,
}

/// Serves until `over`, in a runtime of one thread.
pub fn serve(
    listener: std::net::TcpListener,
    frames: Receiver<Arc<Frame>>,
    guard: Guard,
    folder: PathBuf,
    over: &AtomicBool,
) {
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => return tracing::error!(%error, "the live page has no event loop"),
    };
    let room = Arc::new(Room { frames, guard, folder, readers: Arc::default() });
    runtime.block_on(async move {
        let listener = match tokio::net::TcpListener::from_std(listener) {
            Ok(listener) => listener,
            Err(error) => return tracing::error!(%error, "the live page can't listen"),
        };
        let service = router(room).into_make_service_with_connect_info::<SocketAddr>();
        let ended = async {
            while !over.load(Ordering::SeqCst) {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
            // The reader's thread puts its last frame; whoever looks should have it.
            tokio::time::sleep(Duration::from_millis(700)).await;
        };
        tokio::select! {
            served = axum::serve(listener, service) => if let Err(error) = served {
                tracing::error!(%error, "the live page has ended");
            },
            () = ended => {}
        }
    });
    runtime.shutdown_timeout(Duration::from_millis(200));
}

fn router(room: Arc<Room>) -> Router {
    Router::new()
        .route("/", get(|| async { file("text/html; charset=utf-8", PAGE) }))
        .route("/page.css", get(|| async { file("text/css; charset=utf-8", STYLE) }))
        .route("/page.js", get(|| async { file("text/javascript; charset=utf-8", SCRIPT) }))
        .route("/status", get(status))
        .route("/events", get(events))
        .route("/word", post(word))
        .layer(middleware::from_fn_with_state(Arc::clone(&room), at_the_door))
        .layer(axum::extract::DefaultBodyLimit::max(LONGEST_WORD))
        .with_state(room)
}

fn file(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

/// Every request passes here, every answer gets its headers here.
async fn at_the_door(State(room): State<Arc<Room>>, request: Request, next: Next) -> Response {
    let mut response = match room.guard.may_read(request.headers()) {
        Ok(()) => next.run(request).await,
        Err(refusal) => refuse(refusal),
    };
    for (name, value) in [
        ("content-security-policy", CONTENT_POLICY),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "no-referrer"),
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cache-control", "no-store"),
    ] {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

fn refuse(refusal: Refusal) -> Response {
    let code = if refusal == Refusal::Host { StatusCode::MISDIRECTED_REQUEST } else { StatusCode::FORBIDDEN };
    let body = serde_json::json!({ "error": refusal.to_string() }).to_string();
    (code, [(header::CONTENT_TYPE, "application/json")], body).into_response()
}

async fn status(State(room): State<Arc<Room>>) -> Response {
    let text = room.frames.borrow().status.to_string();
    let text = if text.is_empty() { "{}".to_owned() } else { text };
    ([(header::CONTENT_TYPE, "application/json")], text).into_response()
}

#[derive(Deserialize)]
struct Window {
    #[serde(default)]
    narrow: bool,
}

async fn events(State(room): State<Arc<Room>>, Query(window): Query<Window>) -> Response {
    let Some(seat) = Seat::take(&room.readers) else {
        return (StatusCode::SERVICE_UNAVAILABLE, "there are too many readers").into_response();
    };
    let reader = Reader {
        frames: room.frames.clone(),
        narrow: window.narrow,
        sent: BTreeMap::new(),
        order: Vec::new(),
        ready: VecDeque::new(),
        fresh: true,
        _seat: seat,
    };
    let alive = KeepAlive::new().interval(Duration::from_secs(5)).text("here");
    Sse::new(stream(reader)).keep_alive(alive).into_response()
}

/// One of the places for readers, free again when it goes.
struct Seat(Arc<AtomicUsize>);

impl Seat {
    fn take(readers: &Arc<AtomicUsize>) -> Option<Self> {
        let taken = readers.fetch_add(1, Ordering::SeqCst);
        let seat = Self(Arc::clone(readers));
        (taken < MOST_READERS).then_some(seat)
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

/// A reader: what it has been sent, and what is ready for it. It waits for the next frame only after it has
/// taken everything of the last, so nothing heaps up for a slow one.
struct Reader {
    frames: Receiver<Arc<Frame>>,
    narrow: bool,
    sent: BTreeMap<String, u64>,
    order: Vec<String>,
    ready: VecDeque<Event>,
    fresh: bool,
    _seat: Seat,
}

impl Reader {
    fn take_in(&mut self, frame: &Frame) {
        if frame.status.is_empty() {
            return;
        }
        self.ready.push_back(Event::default().event("status").data(&*frame.status));
        let order: Vec<String> = frame.pictures.iter().map(|p| p.name.clone()).collect();
        if order != self.order {
            let text = serde_json::json!(order).to_string();
            self.ready.push_back(Event::default().event("order").data(text));
            self.sent.retain(|name, _| order.contains(name));
            self.order = order;
        }
        for picture in &frame.pictures {
            if self.sent.get(&picture.name) != Some(&picture.version) {
                self.sent.insert(picture.name.clone(), picture.version);
                let text = if self.narrow { &picture.narrow } else { &picture.wide };
                self.ready.push_back(Event::default().event("picture").data(&**text));
            }
        }
    }
}

fn stream(reader: Reader) -> impl Stream<Item = Result<Event, Infallible>> {
    unfold(reader, |mut reader| async move {
        loop {
            if let Some(event) = reader.ready.pop_front() {
                return Some((Ok(event), reader));
            }
            if !std::mem::take(&mut reader.fresh) && reader.frames.changed().await.is_err() {
                return None;
            }
            let frame = Arc::clone(&reader.frames.borrow_and_update());
            reader.take_in(&frame);
        }
    })
}

#[derive(Deserialize)]
struct Said {
    word: Word,
}

/// Said where a hold is to be released from a page that may not.
const RELEASED_THERE: &str = "a hold is released by somebody who sees the room: `noctule release RUN` at the computer of \
                              the run; nothing was moved";

async fn word(
    State(room): State<Arc<Room>>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    if let Err(refusal) = room.guard.may_speak(peer.ip(), &headers) {
        tracing::warn!(%peer, %refusal, "a word on the live page was refused");
        if refusal == Refusal::Token {
            tokio::time::sleep(WRONG_TOKEN_PAUSE).await;
        }
        return refuse(refusal);
    }
    let json = |code: StatusCode, body: serde_json::Value| {
        (code, [(header::CONTENT_TYPE, "application/json")], body.to_string()).into_response()
    };
    let kind = headers.get(header::CONTENT_TYPE).and_then(|k| k.to_str().ok()).unwrap_or_default();
    let said = serde_json::from_slice::<Said>(&body).ok().filter(|_| kind.starts_with("application/json"));
    // To leave a bench unsafe is decided where its computer is, not from afar.
    let here = |said: &Said| {
        matches!(
            said.word,
            Word::LeaveAsIs | Word::First { .. } | Word::NotWanted { .. } | Word::Answer { .. }
        )
    };
    let Some(Said { word }) = said.filter(|said| !here(said)) else {
        let error = "a word is JSON like {\"word\":\"hold\"}: hold, hold_for_refill, stop, or {\"release\":{\"clear_by\":\"NAME\"}}";
        return json(StatusCode::BAD_REQUEST, serde_json::json!({ "error": error }));
    };
    if matches!(word, Word::Release { .. }) && !room.guard.may_release() {
        return json(StatusCode::FORBIDDEN, serde_json::json!({ "error": RELEASED_THERE }));
    }
    tracing::info!(%peer, ?word, "a word from the live page");
    let folder = room.folder.clone();
    match tokio::task::spawn_blocking(move || say(&folder, &word)).await {
        Ok(Ok(status)) => json(StatusCode::OK, serde_json::json!({ "state": status["state"] })),
        Ok(Err(reason)) => json(StatusCode::CONFLICT, serde_json::json!({ "error": reason })),
        Err(_) => json(StatusCode::INTERNAL_SERVER_ERROR, serde_json::json!({ "error": "a defect" })),
    }
}
