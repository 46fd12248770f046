//! What the next shift does, by the cause of the end.

use super::handover::{skipped, writers_words};
use crate::bench::{Action, Role};
use crate::record::Outcome;
use crate::report::account::Account;
use crate::report::words::value_in;

/// What the interlock that ended the run looked at, and what somebody does about that before anything else.
const CAUSES: [(Role, &str); 5] = [
    (
        Role::MagnetVoltage,
        "The magnet may have quenched: keep away until the bath no longer boils, then look at vents, leads and helium level. \
         Trained staff decide when it is ramped again.",
    ),
    (
        Role::Current,
        "The tip may have touched the surface: before anything is measured, look at its current, take an image, and test its \
         contrast.",
    ),
    (Role::HeliumLevel, "Helium is short: refill before the run goes on."),
    (
        Role::StageTemperature,
        "The stage got warm: look whether the pot is empty and what heats it (RF, a leak, a closed valve) before it is cooled again.",
    ),
    (Role::ChamberPressure, "Gas came into the chamber: find where it came from before the tip goes back."),
];

/// What follows from the interlock that ended the run.
fn cause(account: &Account) -> Option<&'static str> {
    account.history.ending.as_ref().filter(|ending| ending.outcome == Outcome::Interlock)?;
    let bench = account.bench.as_ref()?;
    let parks = [Action::Park.name(), Action::ParkLatch.name()];
    let trip = account.history.trips.iter().rev().find(|trip| parks.contains(&trip.action.as_str()))?;
    let lock = bench.interlocks.iter().find(|lock| lock.name == trip.name)?;
    let roles: Vec<Role> = lock.trip.channels().filter_map(|id| bench.channel(id).role).collect();
    CAUSES.iter().find(|(role, _)| roles.contains(role)).map(|(_, advice)| *advice)
}

/// What to do, in order: what can hurt people or machine first.
pub fn next(account: &Account) -> Vec<String> {
    let mut steps: Vec<String> = cause(account).into_iter().map(ToOwned::to_owned).collect();
    if account.history.ending.as_ref().is_some_and(|e| e.latched) {
        steps.push("Acknowledge the interlock after finding its cause; nothing runs before that.".to_owned());
    }
    if account.history.ending.is_none() || !account.history.parked {
        steps.push(
            "Look at the bench itself before anything moves: what is written here may not be how it stands."
                .to_owned(),
        );
    } else if account.history.tip_in.is_none_or(|(within, _)| within) {
        steps.push("Check whether the tip is out before changing bias, field or temperature.".to_owned());
    }
    if let (Some(helium), Some(bench)) = (account.helium(), &account.bench) {
        let unit = bench.helium.map(|h| bench.channel(h.channel).unit.clone());
        let left = unit.map(|unit| value_in(helium.last_m3, &unit, 3)).unwrap_or_default();
        if helium.last_m3 <= helium.mark_m3 {
            steps.push(format!("Refill helium now: {left} left."));
        } else if let Some(due) = helium.due_at_s {
            steps.push(format!("Plan the helium refill for {} ({left} left).", account.clock.long(due)));
        }
    }
    let fits = account.fits_of_sweeps().count();
    let doubtful = account.fits_of_sweeps().filter(|fit| !fit.trusted).count();
    if fits >= 3 && 2 * doubtful > fits {
        steps.push(format!(
            "{doubtful} of {fits} fits are not to be trusted: find out whether a spin with contrast was under the tip before \
             measuring the same again."
        ));
    }
    for wanted in account.verdicts.iter().filter_map(|v| v.next.as_ref()) {
        steps.push(format!("To settle the verdict: {wanted}."));
    }
    if !account.is_intact() {
        steps.push("Copy the run file away as it is, and look for a backup or a failing disk.".to_owned());
        steps.push(
            "Without a backup, keep what is whole with the command below; `noctule resume` then goes on from the new file. \
             With `--rest FILE.csv`, points behind the damage come as a table."
                .to_owned(),
        );
        return steps;
    }
    if account.is_finished() {
        // Where the writer has said what comes next, nobody has to choose.
        steps.push(if writers_words(account).is_empty() {
            match skipped(account) {
                0 => "The sequence is complete: choose what to measure next.".to_owned(),
                _ => "Decide whether the skipped steps are still wanted: they are named above.".to_owned(),
            }
        } else {
            "Go by the writer's words for the next shift.".to_owned()
        });
    } else if ended_by_itself(account) {
        steps.push(
            "The sequence itself ended the run, and as it is it would do so again: change it, unless the cause lay in \
             the bench, and go on with the command below and the changed file."
                .to_owned(),
        );
    } else {
        steps.push("When the cause is understood, go on with the command below.".to_owned());
    }
    steps
}

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
