//! What the next shift does, by the cause of the end: what can hurt people or machine first.

use super::{Finding, RunResult, Seen, Weight, ahead, looks_at};
use crate::analysis::joint::Verdict;
use crate::bench::{Action, Bench, Role};
use crate::history::{History, Trip};
use crate::record::{Achieved, Outcome};

/// What ended a run, by what its interlock looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Cause {
    role: Role,
    /// What probably happened.
    pub what: &'static str,
    /// What somebody does about that before anything else.
    advice: &'static str,
}

const CAUSES: [Cause; 6] = [
    Cause {
        role: Role::MagnetVoltage,
        what: "the magnet may have quenched",
        advice: "Keep away from the magnet until the bath no longer boils, then look at vents, leads and helium level. Trained \
                 staff decide when it is ramped again.",
    },
    Cause {
        role: Role::Current,
        what: "the tip may have touched the surface",
        advice: "Before anything is measured, look at the current of the tip, take an image, and test its contrast: it may be \
                 another tip now.",
    },
    Cause {
        role: Role::HeliumLevel,
        what: "helium became short",
        advice: "Look for a leak or a heat load if the level fell faster than usual, and refill before the run goes on.",
    },
    Cause {
        role: Role::StageTemperature,
        what: "the stage got warm",
        advice: "Look whether the pot is empty and what heats the stage (RF, a leak, a closed valve) before it is cooled again.",
    },
    Cause {
        role: Role::PotTemperature,
        what: "the pot got warm",
        advice: "Look whether the pot is empty; condense again before the run goes on.",
    },
    Cause {
        role: Role::ChamberPressure,
        what: "gas came into the chamber",
        advice: "Find where the gas came from before the tip goes back.",
    },
];

/// What probably happened, where an interlock ended the run.
pub(super) fn cause(history: &History, bench: Option<&Bench>) -> Option<&'static Cause> {
    history.ending.as_ref().filter(|ending| ending.outcome == Outcome::Interlock)?;
    let bench = bench?;
    let parks = [Action::Park.name(), Action::ParkLatch.name()];
    let trip = history.trips.iter().rev().find(|trip| parks.contains(&trip.action.as_str()))?;
    CAUSES.iter().find(|cause| looks_at(bench, &trip.name, cause.role))
}

/// The interlock that got no number and kept the run from going on until its end.
pub(super) fn unseen(history: &History) -> Option<&Trip> {
    history.ending.as_ref().filter(|ending| ending.outcome == Outcome::Interlock)?;
    let open = |trip: &&Trip| history.tripped.contains(&trip.name);
    history.trips.iter().rev().find(open).filter(|trip| !trip.unseen.is_empty())
}

/// What to do, in order.
pub fn next(history: &History, bench: Option<&Bench>, result: &RunResult, seen: Seen) -> Vec<String> {
    let ending = history.ending.as_ref();
    if ending.is_none() && seen == Seen::Answers {
        return Vec::new();
    }
    let mut steps: Vec<String> =
        cause(history, bench).map(|cause| cause.advice.to_owned()).into_iter().collect();
    steps.extend(unseen(history).map(|trip| {
        format!(
            "Find out why {} gave no number (gauge, cable, link). No value says that the limit of `{}` was passed.",
            trip.unseen.join(", "),
            trip.name
        )
    }));
    if ending.is_some_and(|ending| ending.latched) {
        steps.push("Acknowledge the interlock after finding its cause; nothing runs before that.".to_owned());
    }
    if ending.is_none() || !history.parked {
        steps.push(
            "Look at the bench itself before anything moves: what is written here may not be how it stands."
                .to_owned(),
        );
    } else if history.tip_in.is_none_or(|(within, _)| within) {
        steps.push("Check whether the tip is out before changing bias, field or temperature.".to_owned());
    }
    let refill = helium(history, bench, result);
    let (first, later) = if refill_is_near(history, bench, result) { (refill, None) } else { (None, refill) };
    steps.extend(first);
    if seen == Seen::Damaged {
        steps.push("Copy the run file away as it is, and look for a backup or a failing disk.".to_owned());
        steps.push(
            "Without a backup, keep what is whole with the command below; `noctule resume` then goes on from the new file. \
             With `--rest FILE.csv`, points behind the damage come as a table."
                .to_owned(),
        );
        return steps;
    }
    steps.extend(science(history, result));
    steps.extend(later);
    // The command stands below the list, so what it is for stands last.
    steps.push(go_on(history, result));
    steps
}

/// Whether the refill is due so soon, or before anybody is there, that it comes before the science.
fn refill_is_near(history: &History, bench: Option<&Bench>, result: &RunResult) -> bool {
    let part = result.helium.as_ref().zip(bench).map(|(helium, bench)| helium.part(bench, &history.clock));
    part.is_some_and(|part| part.weight != Weight::Good)
}

fn helium(history: &History, bench: Option<&Bench>, result: &RunResult) -> Option<String> {
    let (helium, bench) = (result.helium.as_ref()?, bench?);
    let left = helium.level(bench);
    let leak = match helium.lost_fast(bench) {
        Some(loss) => format!(" {loss} are lost: look for a leak, an open valve or a heat load."),
        None => String::new(),
    };
    if helium.is_short() {
        return Some(format!("Refill helium now: {left} left.{leak}"));
    }
    let due_s = helium.due_at_s?;
    let when = ahead(&history.clock, due_s, history.end_s);
    Some(match helium.nobody_before(bench, &history.clock) {
        Some(_) => format!("Find somebody who refills helium before {when} ({left} left).{leak}"),
        None => format!("Plan the helium refill for {when} ({left} left).{leak}"),
    })
}

/// What the findings ask for.
fn science(history: &History, result: &RunResult) -> Vec<String> {
    let mut steps = Vec::new();
    let lost = |finding: &&Finding| finding.lost_s.is_some();
    if let Some(lost_s) = result.found.iter().find(lost).and_then(|finding| finding.lost_s) {
        steps.push(format!(
            "The line was lost at {}: take an image and test the tip before more spectra are taken. What was measured after \
             that shows no line.",
            history.clock.short(lost_s)
        ));
        return steps;
    }
    steps.extend(
        result.found.iter().filter_map(|finding| advice(finding.verdict.verdict()?)).map(str::to_owned),
    );
    let fits = history.fits.len();
    let doubtful = history.fits.iter().filter(|fit| !fit.trusted).count();
    if steps.is_empty() && fits >= 3 && 2 * doubtful > fits {
        steps.push(format!(
            "{doubtful} of {fits} fits are not to be trusted: find out whether a spin with contrast was under the tip before \
             measuring the same again."
        ));
    }
    steps.extend(history.claims.iter().zip(&result.found).filter_map(|(claim, finding)| {
        let of = match finding.spin.as_str() {
            spin if history.claims.len() > 1 && !spin.is_empty() => format!(" on {spin}"),
            _ => String::new(),
        };
        Some(format!("To settle the verdict{of}: {}.", claim.next.as_ref()?.trim_end_matches('.')))
    }));
    let mut told = std::collections::BTreeSet::new();
    steps.retain(|step| told.insert(step.clone()));
    steps
}

/// What somebody does about a verdict that is no proof.
fn advice(verdict: Verdict) -> Option<&'static str> {
    match verdict {
        Verdict::Artefact => Some(
            "The signal stays where it is when the field changes, so it comes from the apparatus. Measure the background \
             (`scripts/background.rhai`) before more spectra are taken in this range.",
        ),
        Verdict::Absent => Some(
            "No line was found: take an image, find out whether a spin is under the tip, and test the contrast of the tip, \
             before the same is measured again.",
        ),
        Verdict::Splitting | Verdict::Curved => Some(
            "A line is there, but it does not follow the law of a free moment: no moment can be given. Measure at more \
             fields, small ones too, before this spin is used.",
        ),
        Verdict::Real | Verdict::Undecided => None,
    }
}

/// How the work goes on.
fn go_on(history: &History, result: &RunResult) -> String {
    let outcome = history.ending.as_ref().map(|ending| ending.outcome);
    let without_result = history.declared.as_ref().is_some_and(|d| d.what == Achieved::Nothing);
    let words = match outcome {
        // Where the writer has said what comes next, nobody has to choose.
        Some(Outcome::Finished) if !history.handed_over.is_empty() => {
            "Go by the writer's words for the next shift."
        }
        Some(Outcome::Finished) if without_result => {
            "The sequence has no result; its reason stands at the top. Decide whether it is run again."
        }
        Some(Outcome::Finished) if result.missing.is_empty() => {
            "The sequence is complete: choose what to measure next."
        }
        Some(Outcome::Finished) => "Decide whether what is missing is still wanted; it is named above.",
        Some(Outcome::Failed) => {
            "The sequence itself ended the run, and as it is it would do so again: change it, unless the cause lay in \
             the bench, and go on with the command below and the changed file."
        }
        Some(Outcome::Stopped) => "To measure the rest, go on with the command below.",
        Some(Outcome::Fault) => {
            "Mend what the reason at the top names (disk, link, instrument), then go on with the command below."
        }
        _ => "When the cause is understood, go on with the command below.",
    };
    words.to_owned()
}
