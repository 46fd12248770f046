//! One bench, one run: a lock that says who holds it, and that a crash lets go of.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// Held while a run goes on. The operating system lets go of it when the process ends, however it ends.
#[derive(Debug)]
pub struct BenchLock {
    _file: File,
}

/// The file that stands for a bench on this computer.
fn lock_path(bench_name: &str) -> PathBuf {
    let word: String = bench_name.chars().map(|c| if c.is_alphanumeric() { c } else { '_' }).collect();
    let hash = &blake3::hash(bench_name.as_bytes()).to_hex()[..8];
    std::env::temp_dir().join(format!("noctule-bench-{word}-{hash}.lock"))
}

/// Takes the lock of a run file, which need not be there yet, so that nobody else writes it at the same time.
///
/// # Errors
/// One sentence that says who goes on with it.
pub fn take_run(run_file: &std::path::Path) -> Result<BenchLock, String> {
    let folder = run_file.parent().and_then(|folder| folder.canonicalize().ok());
    let whole = folder.zip(run_file.file_name()).map(|(folder, name)| folder.join(name));
    let name = whole.as_deref().unwrap_or(run_file).display().to_string();
    let hash = &blake3::hash(name.as_bytes()).to_hex()[..16];
    let path = std::env::temp_dir().join(format!("noctule-run-{hash}.lock"));
    let who = format!("process {}", std::process::id());
    take_file(&path, &format!("the run `{name}`"), &who)
}

/// Takes the lock of a bench; `who` is what others are told.
///
/// # Errors
/// One sentence that says who holds it.
pub fn take(bench_name: &str, who: &str) -> Result<BenchLock, String> {
    take_file(&lock_path(bench_name), &format!("the bench `{bench_name}`"), who)
}

/// Longest wait for a keeper that parks the bench of a run whose process has died.
const KEEPER_IS_DONE_WITHIN: Duration = Duration::from_secs(60);

/// Takes the lock of a bench; a keeper that is parking it may finish first.
///
/// # Errors
/// One sentence that says who holds it.
pub fn take_after_keeper(bench_name: &str, who: &str) -> Result<BenchLock, String> {
    let began = Instant::now();
    let mut told = false;
    loop {
        match take(bench_name, who) {
            Err(reason) if reason.contains(KEEPER) && began.elapsed() < KEEPER_IS_DONE_WITHIN => {
                if !told {
                    eprintln!("{reason}: waiting for it");
                    told = true;
                }
                std::thread::sleep(Duration::from_millis(50));
            }
            taken => return taken,
        }
    }
}

/// How a keeper names itself to others.
pub fn keeper_of(run_folder: &std::path::Path) -> String {
    format!("{KEEPER} {}, which is parking it", run_folder.display())
}

const KEEPER: &str = "the keeper of";

fn take_file(path: &std::path::Path, what: &str, who: &str) -> Result<BenchLock, String> {
    let mut file = OpenOptions::new()
        .create(true)
        .read(true)
        .write(true)
        .truncate(false)
        .open(path)
        .map_err(|error| format!("the lock `{}` of {what} can't be opened: {error}", path.display()))?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut holder = String::new();
            let _ = file.take(4096).read_to_string(&mut holder);
            let holder =
                if holder.trim().is_empty() { "another run".to_owned() } else { holder.trim().to_owned() };
            return Err(format!("{what} is in use by {holder}"));
        }
        Err(TryLockError::Error(error)) => return Err(format!("{what} can't be locked: {error}")),
    }
    // What a crashed run has left is overwritten.
    let written = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{who}"));
    if let Err(error) = written {
        tracing::warn!(%error, "the lock does not say who holds it");
    }
    Ok(BenchLock { _file: file })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_runs_can_not_hold_one_bench() {
        let bench = format!("bench of process {}", std::process::id());
        let first = take(&bench, "run one").unwrap();
        let refused = take(&bench, "run two").unwrap_err();
        assert!(refused.contains("is in use by run one"), "{refused}");
        drop(first);
        assert!(take(&bench, "run three").is_ok());
        let keeper = take(&bench, &keeper_of(std::path::Path::new("runs/one"))).unwrap();
        let parking = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(200));
            drop(keeper);
        });
        assert!(take(&bench, "run four").is_err());
        assert!(take_after_keeper(&bench, "run four").is_ok());
        parking.join().unwrap();
        let _ = std::fs::remove_file(lock_path(&bench));
    }
}
