//! One run a set of instruments: locks that say who holds them and why, and that a crash lets go of.
//!
//! What is locked is the way to an instrument (an address, a device, a driver), not the name of a bench: a copy of the
//! bench under another name leads to the same instruments. The files lie where all users of a computer come together,
//! and everybody may write them; so nothing that somebody has put in their place is followed or trusted.

use crate::bench::{Bench, LinkKind};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::{File, OpenOptions, Permissions, TryLockError};
use std::io::{ErrorKind, Read, Seek, Write};
use std::net::ToSocketAddrs;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Places for locks; the first that is open to all users of this computer is taken, by all of them.
const PLACES: [&str; 2] = ["/run/lock", "/tmp"];
/// Everybody may make files there, and nobody may remove those of others.
const OPEN_TO_ALL: u32 = 0o1777;
/// Longest wait for a keeper that parks the bench of a run whose process has died.
const KEEPER_IS_DONE_WITHIN: Duration = Duration::from_secs(60);
/// A driver's files are told apart by what is in them, up to so many bytes.
const MOST_OF_A_DRIVER: u64 = 1 << 20;

/// Held while a run goes on. The operating system lets go of it when the process ends, however it ends.
#[derive(Debug)]
pub struct Lock {
    _files: Vec<File>,
}

/// What somebody does with what is locked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Measures.
    Runner,
    /// Parks the bench of a run whose process has died.
    Keeper,
}

/// Who holds a lock, and what for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holder {
    /// Process number.
    pub pid: u32,
    /// Name of the user, or its number.
    pub user: String,
    /// What it does.
    pub role: Role,
    /// What for, in a few words.
    pub what: String,
}

impl Holder {
    /// This process.
    pub fn me(role: Role, what: &str) -> Self {
        let number =
            || std::fs::metadata("/proc/self").map_or_else(|_| "?".to_owned(), |m| m.uid().to_string());
        let user = std::env::var("USER").ok().filter(|name| !name.is_empty()).unwrap_or_else(number);
        Self { pid: std::process::id(), user, role, what: what.to_owned() }
    }
}

impl std::fmt::Display for Holder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { pid, user, role, what } = self;
        match role {
            Role::Runner => write!(f, "process {pid} of user {user}, which runs {what}"),
            Role::Keeper => {
                write!(f, "the keeper of {what} (process {pid} of user {user}), which is parking it")
            }
        }
    }
}

/// Why a lock can't be had.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct NotFree {
    /// One sentence that says who holds it.
    pub message: String,
    /// Who holds it, where somebody does and says so.
    pub holder: Option<Holder>,
}

/// What has to be locked for the links of a bench, with the words for it. Names of computers are looked up, which may
/// take a while.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Instruments(BTreeMap<String, String>);

impl Instruments {
    /// Of a bench whose file lies in this folder. A microscope that is simulated in the process itself is nobody else's.
    pub fn of(bench: &Bench, folder: &Path) -> Self {
        let mut all = BTreeMap::new();
        for link in &bench.links {
            let keys = match &link.kind {
                LinkKind::Simulated(_) => Vec::new(),
                LinkKind::Scpi(scpi) => address_keys(&scpi.address),
                LinkKind::Process(process) => vec![driver_key(&process.command, folder)],
            };
            let what = match &link.kind {
                LinkKind::Scpi(scpi) => format!("`{}` at {}", link.name, scpi.address),
                _ => format!("`{}`", link.name),
            };
            all.extend(keys.into_iter().map(|key| (key, format!("the instrument {what}"))));
        }
        Self(all)
    }
}

/// All that an address may be called: as it is written, and where it leads.
fn address_keys(address: &str) -> Vec<String> {
    let address = address.trim();
    if let Some(port) = address.strip_prefix("serial:") {
        let device = port.split('@').next().unwrap_or(port);
        let device = Path::new(device).canonicalize().unwrap_or_else(|_| PathBuf::from(device));
        return vec![format!("device {}", device.display())];
    }
    let mut keys = vec![format!("address {}", address.to_lowercase())];
    keys.extend(address.to_socket_addrs().into_iter().flatten().map(|found| format!("address {found}")));
    keys
}

/// A driver by its command and by what is in the files of it that lie beside the bench.
fn driver_key(command: &[String], folder: &Path) -> String {
    let mut hasher = blake3::Hasher::new();
    for word in command {
        hasher.update(word.as_bytes()).update(&[0]);
        let file = File::open(folder.join(word)).ok().filter(|f| f.metadata().is_ok_and(|m| m.is_file()));
        let mut text = Vec::new();
        if file.is_some_and(|file| file.take(MOST_OF_A_DRIVER).read_to_end(&mut text).is_ok()) {
            hasher.update(&text);
        }
    }
    format!("driver {}", hasher.finalize().to_hex())
}

/// The file that stands for something on this computer.
fn file_of(kind: &str, key: &str) -> PathBuf {
    let open_to_all = |place: &str| {
        std::fs::metadata(place).is_ok_and(|m| m.is_dir() && m.mode() & OPEN_TO_ALL == OPEN_TO_ALL)
    };
    let place = PLACES.into_iter().find(|place| open_to_all(place));
    let place = place.map_or_else(std::env::temp_dir, PathBuf::from);
    place.join(format!("noctule-{kind}-{}.lock", &blake3::hash(key.as_bytes()).to_hex()[..16]))
}

/// Takes the lock of a run file, which need not be there yet, so that nobody else writes it at the same time.
///
/// # Errors
/// Who goes on with it.
pub fn take_run(run_file: &Path) -> Result<Lock, NotFree> {
    let folder = run_file.parent().and_then(|folder| folder.canonicalize().ok());
    let whole = folder.zip(run_file.file_name()).map(|(folder, name)| folder.join(name));
    let name = whole.as_deref().unwrap_or(run_file).display().to_string();
    let me = Holder::me(Role::Runner, &format!("`{name}`"));
    let file = take_file(&file_of("run", &name), &format!("the run `{name}`"), &me)?;
    Ok(Lock { _files: vec![file] })
}

/// Takes the locks of all instruments, or of none.
///
/// # Errors
/// Who holds one of them.
pub fn take(instruments: &Instruments, me: &Holder) -> Result<Lock, NotFree> {
    let files = instruments.0.iter().map(|(key, what)| take_file(&file_of("link", key), what, me));
    Ok(Lock { _files: files.collect::<Result<Vec<File>, NotFree>>()? })
}

/// Takes the locks of all instruments; a keeper that is parking them may finish first.
///
/// # Errors
/// Who holds one of them.
pub fn take_after_keeper(instruments: &Instruments, me: &Holder) -> Result<Lock, NotFree> {
    let began = Instant::now();
    let mut told = false;
    loop {
        let refused = match take(instruments, me) {
            Ok(lock) => return Ok(lock),
            Err(refused) => refused,
        };
        let by_keeper = refused.holder.as_ref().is_some_and(|holder| holder.role == Role::Keeper);
        if !by_keeper || began.elapsed() >= KEEPER_IS_DONE_WITHIN {
            return Err(refused);
        }
        if !std::mem::replace(&mut told, true) {
            eprintln!("{refused}: waiting for it");
        }
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn take_file(path: &Path, what: &str, me: &Holder) -> Result<File, NotFree> {
    let not_free = |message: String| NotFree { message, holder: None };
    let at = path.display();
    let mut file = open(path)
        .map_err(|error| not_free(format!("the lock `{at}` of {what} can't be opened: {error}")))?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut text = String::new();
            let _ = file.take(4096).read_to_string(&mut text);
            let holder = serde_json::from_str::<Holder>(&text).ok();
            let who = holder.as_ref().map_or_else(|| "another run".to_owned(), Holder::to_string);
            return Err(NotFree { message: format!("{what} is in use by {who}"), holder });
        }
        Err(TryLockError::Error(error)) => {
            return Err(not_free(format!("{what} can't be locked: {error}")));
        }
    }
    // What a crashed run has left is overwritten.
    let text = serde_json::to_string(me).unwrap_or_default();
    let written = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{text}"));
    if let Err(error) = written {
        tracing::warn!(%error, "the lock does not say who holds it");
    }
    Ok(file)
}

/// Opens a lock, or makes it so that every user can. Never through a link, and nothing but a plain file that has no
/// other name: in a place where everybody may write, somebody could have put anything there.
fn open(path: &Path) -> std::io::Result<File> {
    let mut how = OpenOptions::new();
    how.read(true).write(true).custom_flags(libc::O_NOFOLLOW | libc::O_NONBLOCK);
    for _ in 0..10 {
        match how.open(path) {
            Ok(file) => {
                let found = file.metadata()?;
                if found.is_file() && found.nlink() == 1 {
                    return Ok(file);
                }
                return Err(std::io::Error::other("somebody has put something else in its place"));
            }
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
        match how.clone().create_new(true).open(path) {
            Ok(file) => {
                file.set_permissions(Permissions::from_mode(0o666))?;
                return Ok(file);
            }
            // Somebody was quicker.
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Err(std::io::Error::other("it comes and goes"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some(name: &str) -> Instruments {
        let name = format!("{name} of process {}", std::process::id());
        Instruments([(name.clone(), name)].into())
    }

    fn me(what: &str) -> Holder {
        Holder::me(Role::Runner, what)
    }

    fn remove(instruments: &Instruments) {
        for key in instruments.0.keys() {
            let _ = std::fs::remove_file(file_of("link", key));
        }
    }

    #[test]
    fn two_runs_can_not_hold_one_instrument() {
        let instruments = some("shared");
        let first = take(&instruments, &me("one")).unwrap();
        let refused = take(&instruments, &me("two")).unwrap_err();
        assert!(refused.message.contains("which runs one"), "{refused}");
        drop(first);
        assert!(take(&instruments, &me("three")).is_ok());
        let keeper = take(&instruments, &Holder::me(Role::Keeper, "runs/one")).unwrap();
        let parking = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(200));
            drop(keeper);
        });
        assert!(take(&instruments, &me("four")).is_err());
        assert!(take_after_keeper(&instruments, &me("four")).is_ok());
        parking.join().unwrap();
        // Whatever a sequence is called, it is no keeper.
        let first = take(&instruments, &me("the keeper of wisdom.rhai")).unwrap();
        let began = Instant::now();
        assert!(take_after_keeper(&instruments, &me("five")).is_err());
        assert!(began.elapsed() < Duration::from_secs(5));
        drop(first);
        remove(&instruments);
    }

    #[test]
    fn links_in_the_place_of_a_lock_are_not_followed() {
        let scratch = tempfile::tempdir().unwrap();
        let victim = scratch.path().join("victim");
        std::fs::write(&victim, "precious").unwrap();
        for (name, hard) in [("soft", false), ("hard", true)] {
            let path = scratch.path().join(name);
            if hard {
                std::fs::hard_link(&victim, &path).unwrap();
            } else {
                std::os::unix::fs::symlink(&victim, &path).unwrap();
            }
            let refused = take_file(&path, "it", &me("one")).unwrap_err();
            assert!(refused.message.contains("can't be opened"), "{refused}");
            assert_eq!(std::fs::read_to_string(&victim).unwrap(), "precious");
        }
        let plain = scratch.path().join("plain");
        let _held = take_file(&plain, "it", &me("one")).unwrap();
        assert_eq!(std::fs::metadata(&plain).unwrap().mode() & 0o777, 0o666);
    }

    #[test]
    fn an_instrument_is_the_same_by_each_of_its_names() {
        let shared = |a: &str, b: &str| address_keys(a).iter().any(|key| address_keys(b).contains(key));
        assert!(shared("127.0.0.1:5025", "localhost:5025"));
        assert!(shared("Scope.invalid:5025 ", "scope.INVALID:5025"));
        assert!(!shared("127.0.0.1:5025", "127.0.0.1:5026"));
        let words = |all: &[&str]| all.iter().map(|&word| word.to_owned()).collect::<Vec<String>>();
        let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        for folder in [&one, &two] {
            std::fs::write(folder.path().join("driver.py"), "print()").unwrap();
        }
        let command = words(&["python3", "driver.py", "--port", "1"]);
        assert_eq!(driver_key(&command, one.path()), driver_key(&command, two.path()));
        let other = words(&["python3", "driver.py", "--port", "2"]);
        assert_ne!(driver_key(&command, one.path()), driver_key(&other, one.path()));
    }
}
