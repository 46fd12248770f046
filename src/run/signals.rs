//! What the system says to the two processes of a run. None of it is a person's word about the bench: a signal may come
//! from a shutdown or a terminal, so it ends a run at its next point, but never the duty to park.

use crate::drive::real_time::Outside;
use crate::supervisor::Word;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc::UnboundedSender;

/// Too large a file ends a process unless somebody listens; with a listener the write fails, and the bench is parked.
const FILE_TOO_LARGE: i32 = 25;

/// Ctrl-C and the system's word to end mean: stop at the next point, the second time at once. A terminal that is gone
/// ends nothing: who closed it went home, and the run is reached from any other.
pub fn runner_hears(words: &UnboundedSender<Outside>) {
    if let Ok(mut heard) = signal(SignalKind::hangup()) {
        tokio::task::spawn_local(async move {
            while heard.recv().await.is_some() {
                tracing::info!("the terminal of this run is gone; it goes on");
            }
        });
    }
    if let Ok(mut heard) = signal(SignalKind::from_raw(FILE_TOO_LARGE)) {
        tokio::task::spawn_local(async move { while heard.recv().await.is_some() {} });
    }
    for kind in [SignalKind::interrupt(), SignalKind::terminate()] {
        let Ok(mut heard) = signal(kind) else { continue };
        let words = words.clone();
        tokio::task::spawn_local(async move {
            while heard.recv().await.is_some() {
                let _ = words.send(Outside::Word(Word::Stop.into()));
            }
        });
    }
}

/// The keeper ends when its runner dismisses it, or when the bench is safe: signals are written to its log, nothing more.
///
/// # Errors
/// If the system gives no thread or no runtime for it.
pub fn keeper_is_deaf() -> std::io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let kinds = [
        SignalKind::hangup(),
        SignalKind::interrupt(),
        SignalKind::terminate(),
        SignalKind::from_raw(FILE_TOO_LARGE),
    ];
    let mut heard = Vec::new();
    {
        let _inside = runtime.enter();
        for kind in kinds {
            heard.push((kind, signal(kind)?));
        }
    }
    let listen = move || {
        for (kind, mut heard) in heard {
            runtime.spawn(async move {
                while heard.recv().await.is_some() {
                    tracing::warn!(signal = kind.as_raw_value(), "a signal; the duty to park stays");
                }
            });
        }
        runtime.block_on(std::future::pending::<()>());
    };
    std::thread::Builder::new().name("signals".to_owned()).spawn(listen).map(drop)
}
