//! `noctule mimic`

use super::common::reject;
use crate::drive::connect::load_world;
use crate::faults::Planned;
use crate::mimic::player::Player;
use crate::mimic::{DEFAULT_PORT, ServeOptions, read_faults, serve_blocking};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Arguments of `noctule mimic`.
#[derive(Debug, clap::Args)]
pub struct Mimic {
    /// The world: the name of a shipped one, or a file.
    #[arg(long, default_value = "night")]
    world: String,
    /// Where the first instrument listens; the others have the ports after it.
    #[arg(long, default_value_t = SocketAddr::from(([127, 0, 0, 1], DEFAULT_PORT)))]
    listen: SocketAddr,
    /// Seed of the world's random numbers.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Simulated seconds in a second, until a runner sets another.
    #[arg(long, default_value_t = 1.0)]
    pace: f64,
    /// What goes wrong, and when: a .ron file.
    #[arg(long)]
    faults: Option<PathBuf>,
    /// Plays what was said on one link instead: a file of the folder `links` of a run.
    #[arg(long, conflicts_with_all = ["faults", "world"])]
    recording: Option<PathBuf>,
}

impl Mimic {
    /// Serves until Ctrl-C.
    pub fn run(self) -> u8 {
        if let Some(path) = &self.recording {
            return play(path, self.listen);
        }
        let world = match load_world(&self.world, Path::new(".")) {
            Ok((world, _)) => world,
            Err(reason) => return reject(&format!("the world `{}` can't be used: {reason}", self.world)),
        };
        let faults = match self.faults.as_deref().map(faults_of).transpose() {
            Ok(faults) => faults.unwrap_or_default(),
            Err(code) => return code,
        };
        let stop = Arc::new(AtomicBool::new(false));
        hear_ctrl_c(&stop);
        let options = ServeOptions { world, seed: self.seed, listen: self.listen, pace: self.pace, faults };
        let served = serve_blocking(&options, &stop, |running| {
            for (instrument, address) in running.addresses() {
                eprintln!("{instrument:<12} {address}");
            }
            eprintln!("the mimic serves until Ctrl-C");
        });
        served.map_or_else(|error| reject(&error.to_string()), |()| 0)
    }
}

/// Serves a recording until Ctrl-C.
fn play(path: &Path, listen: SocketAddr) -> u8 {
    let text = match std::fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) => return reject(&format!("`{}` can't be read: {error}", path.display())),
    };
    let player = Player::new(&text);
    if player.is_empty() {
        return reject(&format!("`{}` holds nothing that was said on a link", path.display()));
    }
    let messages = player.len();
    match player.serve(listen) {
        Ok(address) => eprintln!("{messages} messages of a recording are played at {address} until Ctrl-C"),
        Err(error) => return reject(&format!("{listen} can't be listened at: {error}")),
    }
    let stop = Arc::new(AtomicBool::new(false));
    hear_ctrl_c(&stop);
    while !stop.load(Ordering::Relaxed) {
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    0
}

fn faults_of(path: &Path) -> Result<Vec<Planned>, u8> {
    let name = path.display();
    let text = std::fs::read_to_string(path).map_err(|e| reject(&format!("`{name}` can't be read: {e}")))?;
    read_faults(&text).map_err(|problems| {
        for problem in problems {
            eprintln!("{name}: {problem}");
        }
        super::EXIT_REJECTED
    })
}

/// The word to end, from the keyboard or from the system.
fn hear_ctrl_c(stop: &Arc<AtomicBool>) {
    let stop = Arc::clone(stop);
    let listening = std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            use tokio::signal::unix::{SignalKind, signal};
            let Ok(mut terminate) = signal(SignalKind::terminate()) else { return };
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = terminate.recv() => {}
            }
        });
        stop.store(true, Ordering::Relaxed);
    });
    if let Err(error) = listening {
        eprintln!("warning: Ctrl-C will not be heard: {error}");
    }
}
