//! What a colleague has to know at nine in the morning, in words; the page and the text say the same.

use super::command;
use crate::bench::Role;
use crate::history::result::{RunResult, Weight, capital};
use crate::history::{How, OpenTask, Standing};
use crate::quantity::{in_words, value_in};
use crate::record::{Outcome, Request, Salvage};
use crate::report::account::{Account, place_in_words};
use crate::report::words::count;

/// One line of the state of the bench.
#[derive(Debug, Clone, PartialEq)]
pub struct StateLine {
    /// What.
    pub what: String,
    /// Its value.
    pub value: String,
    /// How it is known, what follows from it.
    pub note: String,
    /// Whether it should be looked at.
    pub weight: Weight,
}

/// The hand-over of one run.
#[derive(Debug, Clone, PartialEq)]
pub struct Handover {
    /// The one result.
    pub result: RunResult,
    /// From, to, how long.
    pub span: String,
    /// What was measured, in one line.
    pub measured: String,
    /// Where the run was cut and resumed.
    pub interruptions: Vec<String>,
    /// The state of the bench.
    pub state: Vec<StateLine>,
    /// What is not settled.
    pub questions: Vec<String>,
    /// The command that goes on, where there is something to go on with.
    pub command: Option<String>,
}

impl Handover {
    /// From the account of a run.
    pub fn new(account: &Account) -> Self {
        let history = &account.history;
        let clock = &history.clock;
        let span =
            format!("{} to {} ({})", clock.long(0.0), clock.short(history.end_s), in_words(history.end_s));
        Self {
            result: account.result(),
            span,
            measured: measured(account),
            interruptions: account.interruptions.iter().map(|cut| cut.in_words(clock)).collect(),
            state: state(account),
            questions: questions(account),
            command: command::command(account),
        }
    }
}

fn measured(account: &Account) -> String {
    let (sweeps, fits) = (account.sweeps.len() as u64, account.fits_of_sweeps().count() as u64);
    let mut parts = Vec::new();
    if sweeps > 0 {
        parts.extend([count(sweeps, "sweep"), count(account.history.points, "point")]);
    }
    parts.extend((fits > 0).then(|| count(fits, "fit")));
    let doubtful = account.fits_of_sweeps().filter(|f| !f.trusted).count();
    if doubtful > 0 {
        parts.push(format!("{doubtful} of them not trusted"));
    }
    let others = account.fits_of_points().count() as u64;
    parts.extend((others > 0).then(|| format!("{} of other points", count(others, "fit"))));
    if !account.bulks.is_empty() {
        let images = account.bulks.iter().filter(|b| b.verb() == "image").count() as u64;
        let traces = account.bulks.len() as u64 - images;
        parts.extend((images > 0).then(|| count(images, "image")));
        parts.extend((traces > 0).then(|| count(traces, "trace")));
    }
    let ending = account.history.ending.as_ref();
    let at = ending
        .filter(|ending| ending.outcome != Outcome::Finished)
        .map(|ending| place_in_words(&ending.place));
    let at = at.map(|at| format!("the sequence was at {at}"));
    let made = Some(parts.join(", ")).filter(|made| !made.is_empty());
    made.into_iter().chain(at).collect::<Vec<_>>().join("; ")
}

/// Roles in the order in which people ask for them, and what they call them.
const ASKED_FOR: [(Role, &str); 11] = [
    (Role::FieldZ, "Field, z"),
    (Role::FieldX, "Field, x"),
    (Role::Bias, "Bias"),
    (Role::Setpoint, "Setpoint"),
    (Role::RfOutput, "RF"),
    (Role::RfLevel, "RF level"),
    (Role::LockinModulation, "Lock-in modulation"),
    (Role::StageTemperature, "Stage"),
    (Role::PotTemperature, "Pot"),
    (Role::ChamberPressure, "Chamber pressure"),
    (Role::PreparationPressure, "Preparation pressure"),
];

fn state(account: &Account) -> Vec<StateLine> {
    let mut lines = vec![tip(account)];
    if let Some(bench) = &account.bench {
        for (role, what) in ASKED_FOR {
            let Some(id) = bench.by_role(role) else { continue };
            let channel = bench.channel(id);
            let standing = account.history.channel(&channel.name);
            let mut line = standing_line(account, what, standing, |si| {
                // What reads less than a hundredth of its tolerance is the noise of the meter.
                let noise = channel.tolerance.is_some_and(|tolerance| si.abs() < 0.01 * tolerance);
                value_in(if noise { 0.0 } else { si }, &channel.unit, 5)
            });
            if let (Role::RfOutput, Some(standing)) = (role, standing) {
                let on = standing.si > 0.5;
                (if on { "ON" } else { "off" }).clone_into(&mut line.value);
                if on && line.weight == Weight::Good {
                    line.weight = Weight::Look;
                }
            }
            if let Some(wrong) = standing.and_then(|s| super::limits::what_is_wrong(account, bench, id, s.si))
            {
                line.note += &format!("; {wrong}");
                if line.weight == Weight::Good {
                    line.weight = Weight::Look;
                }
            }
            if role == Role::PotTemperature {
                line.note += &match account.history.regenerated_s {
                    Some(since) => format!("; regenerated at {}", account.history.clock.short(since)),
                    None => "; not regenerated in this run".to_owned(),
                };
            }
            let never_touched = standing.is_none() && role != Role::FieldZ && role != Role::Bias;
            if !never_touched {
                lines.push(line);
            }
        }
    }
    lines.extend(helium(account));
    lines
}

fn tip(account: &Account) -> StateLine {
    let what = "Tip".to_owned();
    match account.history.tip_in {
        Some((within, since)) => StateLine {
            what,
            value: if within { "IN tunnelling range" } else { "withdrawn" }.to_owned(),
            note: format!("since {}", account.history.clock.short(since)),
            weight: if within { Weight::Look } else { Weight::Good },
        },
        None => StateLine {
            what,
            value: "not known".to_owned(),
            note: "the record does not say; look before anything moves".to_owned(),
            weight: Weight::Wrong,
        },
    }
}

fn standing_line(
    account: &Account,
    what: &str,
    standing: Option<&Standing>,
    show: impl Fn(f64) -> String,
) -> StateLine {
    let what = what.to_owned();
    match standing {
        None => {
            let note = "not read and not set in this run".to_owned();
            StateLine { what, value: "not known".to_owned(), note, weight: Weight::Look }
        }
        Some(standing) => {
            let at = account.history.clock.short(standing.at_s);
            let (note, weight) = if standing.doubtful {
                (format!("last known at {at}; a later set failed"), Weight::Wrong)
            } else {
                let how = match standing.how {
                    How::Read => "read",
                    How::Set => "set",
                    How::Kept => "left as it was",
                };
                (format!("{how}, {at}"), Weight::Good)
            };
            StateLine { what, value: show(standing.si), note, weight }
        }
    }
}

fn helium(account: &Account) -> Option<StateLine> {
    let bench = account.bench.as_ref()?;
    bench.helium?;
    let what = "Helium".to_owned();
    let Some(helium) = account.helium() else {
        let note = "the level was not read in this run".to_owned();
        return Some(StateLine { what, value: "not known".to_owned(), note, weight: Weight::Look });
    };
    let value = helium.level(bench);
    let limit = helium.in_unit_of(bench, helium.limit_m3);
    let note = match (helium.due_at_s, helium.loss(bench)) {
        _ if helium.is_short() => format!("at or below the refill limit of {limit}: refill now"),
        (Some(due_s), Some(loss)) => {
            let clock = &account.history.clock;
            format!("down to the limit of {limit} on {}, at {loss} now", clock.long(due_s))
        }
        _ => format!("too few readings for a forecast; the refill limit is {limit}"),
    };
    let weight = helium.part(bench, &account.history.clock).weight;
    Some(StateLine { what, value, note: format!("{note}; {}", helium.used), weight })
}

fn questions(account: &Account) -> Vec<String> {
    let mut open = Vec::new();
    for fault in &account.integrity.faults {
        open.push(format!(
            "The run file is damaged: {fault}. This brief rests on the {} before that; the rest can't be told.",
            count(account.integrity.intact, "intact row")
        ));
    }
    open.extend(account.salvage.as_ref().map(what_is_whole));
    open.extend(account.ending_behind.as_ref().map(|(ending, parked)| {
        let parked = if *parked { "the bench was parked" } else { "parking was not complete" };
        let reason = ending.reason.trim_end_matches('.');
        format!(
            "A row behind the damage, itself whole, tells the end: {} ({reason}), and {parked}.",
            ending.outcome.word()
        )
    }));
    for OpenTask { task, at_s, place } in account.history.open_tasks.values() {
        let what = Request::Task(task.clone()).in_words();
        open.push(format!(
            "{} was begun at {} ({}) and its end is not recorded: it may have happened. It is never repeated on its own.",
            capital(&what),
            account.history.clock.short(*at_s),
            place_in_words(place)
        ));
    }
    for step in account.park.iter().filter(|s| !s.achieved) {
        open.push(format!("Park step not reached: {} — {}.", step.what, step.remark));
    }
    let doubtful: Vec<String> =
        account.fits.iter().filter(|f| !f.trusted).filter_map(|f| f.sweep.map(|s| s.to_string())).collect();
    if !doubtful.is_empty() {
        open.push(format!(
            "Fits not trusted, kept and crossed in the figures: sweeps {}.",
            doubtful.join(", ")
        ));
    }
    for sweep in account.sweeps.iter().filter(|s| s.measured < s.table.planned) {
        open.push(format!(
            "Sweep {} `{}` has {} of {} points.",
            sweep.table.sweep, sweep.table.name, sweep.measured, sweep.table.planned
        ));
    }
    for silence in account.silences() {
        let until = match silence.to_s {
            Some(to_s) => {
                format!(
                    "to {} ({})",
                    account.history.clock.short(to_s),
                    in_words((to_s - silence.from_s).round())
                )
            }
            None => "to the end".to_owned(),
        };
        let from = account.history.clock.short(silence.from_s);
        open.push(format!("{} gave no number from {from} {until}.", silence.channel));
    }
    let faults = account.happenings.iter().filter(|h| h.kind == "fault").count();
    if faults > 0 {
        open.push(format!("{} of instruments: see the chronicle.", count(faults as u64, "fault")));
    }
    open
}

/// What of a damaged file is whole, and what is not, row by row.
fn what_is_whole(found: &Salvage) -> String {
    let lost: u64 = found.lost.iter().map(|(first, last)| last - first + 1).sum();
    let are = |n: u64, what: &str| format!("{n} {} {what}", if n == 1 { "is" } else { "are" });
    let mut text = format!(
        "Row by row, {} whole, {} of them from the beginning without a gap; {}, {}",
        are(found.intact, "").trim_end(),
        found.from_beginning,
        are(lost, "lost"),
        are(found.altered.len() as u64, "altered")
    );
    if found.unsure > 0 {
        text += &format!(", {}", are(found.unsure, "readable but can't be checked"));
    }
    text + "."
}

#[cfg(test)]
mod tests {
    use super::*;

    use crate::record::{Document, Durability, Recorder, RunFile, Store};

    /// A run of so many readings of the stage, K, one a minute, some of which are missing.
    fn account_of(stage: impl Fn(u64) -> Option<f64>, minutes: u64) -> Account {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.sqlite");
        let text = include_str!("../../../scripts/bench_simulated.ron").to_owned();
        let bench = Document { name: "bench.ron".into(), role: "bench", text };
        let mut store = Store::create(&path, Durability::ProcessEnd, &[bench]).unwrap();
        for minute in 0..minutes {
            let at = crate::quantity::TimePoint::from_s(60.0 * minute as f64);
            for (channel, value) in [("stage_temperature", stage(minute)), ("pot_temperature", Some(0.3))] {
                if let Some(value) = value {
                    let entry = crate::record::Entry::Monitor { channel: channel.into(), value };
                    store.append(at, &entry, &[]).unwrap();
                }
            }
        }
        store.finish().unwrap();
        Account::read(&RunFile::open(&path).unwrap())
    }

    #[test]
    fn a_reading_beyond_a_limit_or_far_from_its_start_gets_no_tick() {
        let line = |stage: fn(u64) -> Option<f64>| {
            let hand = Handover::new(&account_of(stage, 20));
            hand.state.into_iter().find(|line| line.what == "Stage").unwrap()
        };
        assert_eq!(line(|_| Some(0.3)).weight, Weight::Good);
        let warm = line(|m| Some(if m < 15 { 0.3 } else { 1.9 }));
        assert_eq!(warm.weight, Weight::Look);
        assert!(warm.note.contains("beyond the limit of `stage warming up`"), "{warm:?}");
        let warmer = line(|m| Some(if m < 15 { 0.3 } else { 0.6 }));
        assert!(
            warmer.weight == Weight::Look && warmer.note.contains("it was 0.3 K at the start"),
            "{warmer:?}"
        );
    }

    #[test]
    fn a_gauge_that_was_silent_is_an_open_question() {
        let told = |stage: fn(u64) -> Option<f64>| questions(&account_of(stage, 40));
        assert!(told(|_| Some(0.3)).is_empty());
        let some = told(|m| Some(0.3).filter(|_| !(10..30).contains(&m)));
        assert_eq!(some, ["stage_temperature gave no number from +00:09:00 to +00:30:00 (21 min)."]);
        let rest = told(|m| Some(0.3).filter(|_| m < 20));
        assert_eq!(rest, ["stage_temperature gave no number from +00:19:00 to the end."]);
    }
}
