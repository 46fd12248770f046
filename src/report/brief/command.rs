//! The command that goes on from a run.

use crate::record::Outcome;
use crate::report::account::Account;

/// The command that goes on, where there is something to go on with.
pub fn command(account: &Account) -> Option<String> {
    if !account.is_intact() {
        let beside = match account.path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            Some(folder) => format!("{}_salvaged", folder.display()),
            None => "salvaged".to_owned(),
        };
        let (from, to) = (account.path.display().to_string(), beside);
        return Some(format!("noctule salvage {} --out {}", quoted(&from), quoted(&to)));
    }
    let resume = || format!("noctule resume {}", quoted(&account.path.display().to_string()));
    let sequence = match account.sequence_path.as_str() {
        "" => account.identity.as_ref().map_or("changed.rhai", |identity| identity.sequence.as_str()),
        path => path,
    };
    match ended_by_itself(account) {
        true => Some(format!("{} --sequence {}", resume(), quoted(sequence))),
        false => (!account.is_finished()).then(resume),
    }
}

/// Whether the sequence stopped itself or failed, so that it would come to the same end again.
fn ended_by_itself(account: &Account) -> bool {
    account.history.ending.as_ref().is_some_and(|ending| ending.outcome == Outcome::Failed)
}

/// A path as a shell takes it.
fn quoted(path: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-+=:,@".contains(c);
    if !path.is_empty() && path.chars().all(plain) {
        return path.to_owned();
    }
    format!("'{}'", path.replace('\'', "'\\''"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_go_through_a_shell_unharmed() {
        assert_eq!(quoted("runs/a-1/run.noctule"), "runs/a-1/run.noctule");
        assert_eq!(quoted("my runs/it's"), "'my runs/it'\\''s'");
    }
}
