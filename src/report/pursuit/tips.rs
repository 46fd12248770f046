//! Tips across the runs, by the logbook: it alone says which tip is which.

use super::{Days, RunPart, When};
use crate::history::Known;
use crate::logbook::extract::{Event, RunLog, extract};
use crate::logbook::fold::{Whole, fold};
use crate::logbook::{LogError, Logbook};
use crate::quantity::rounded;
use crate::record::{RUN_FILE_NAME, TipVerdict};
use crate::report::words::count;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What the logbook knows of the runs of a campaign.
#[derive(Debug, Clone, Default)]
pub struct Logged {
    runs: Vec<RunLog>,
    pub(super) whole: Whole,
}

impl Logged {
    /// Of runs, each with its file and its name. Where they lie in one folder of runs, its logbook is asked, so that ids are
    /// those of `noctule log`; else the runs are folded by themselves.
    ///
    /// # Errors
    /// The logbook can't be used, or a run can't be read.
    pub fn of(files: &[(PathBuf, String)], rehearsed: bool) -> Result<Self, LogError> {
        if let Some(folder) = common_folder(files) {
            let (runs, whole) = Logbook::open(&folder, rehearsed)?.whole()?;
            return Ok(Self { runs, whole });
        }
        let read = |(path, name): &(PathBuf, String)| Ok(extract(path, name)?.0);
        let runs = files.iter().map(read).collect::<Result<Vec<RunLog>, LogError>>()?;
        Ok(Self::folded(runs))
    }

    /// Of runs by themselves.
    pub(super) fn folded(runs: Vec<RunLog>) -> Self {
        let whole = fold(&runs, &[]);
        Self { runs, whole }
    }

    fn run(&self, name: &str) -> Option<&RunLog> {
        self.runs.iter().find(|run| run.name == name)
    }

    /// The tip that was in at a moment, s since 1970.
    fn tip_at(&self, at_s: f64) -> Option<u64> {
        let came = self.whole.tips.iter().rev().find(|tip| tip.from_s as f64 <= at_s);
        came.or_else(|| self.whole.tips.first()).map(|tip| tip.id)
    }
}

/// The folder of runs in which all of them lie, each in a folder of its own.
fn common_folder(files: &[(PathBuf, String)]) -> Option<PathBuf> {
    let folder = |path: &Path| {
        let alone = path.file_name().is_some_and(|name| name == RUN_FILE_NAME);
        path.canonicalize().ok().filter(|_| alone)?.parent()?.parent().map(Path::to_owned)
    };
    let first = folder(&files.first()?.0)?;
    files.iter().all(|(path, _)| folder(path).as_ref() == Some(&first)).then_some(first)
}

/// A tip of a campaign.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PursuedTip {
    /// `tip 2`, as the logbook counts; `tip 2, or another` where a run was not told of it.
    pub name: String,
    /// Its number in the logbook.
    pub id: u64,
    /// How it came.
    pub came: String,
    /// When it was in: from, to; s from the beginning of the first run.
    pub spans: Vec<[f64; 2]>,
    /// From when it is known.
    pub from: When,
    /// Runs in which it was in.
    pub runs: Vec<String>,
    /// What was done to it, in words; empty if nothing.
    pub done: String,
    /// The best polarisation that a test has shown.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub polarisation: Option<Known>,
    /// When it was proved, and by what.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub proved: Option<Change>,
    /// When it was found changed, and by what.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub changed: Vec<Change>,
    /// What is known of it, a few words each.
    pub known: Vec<String>,
}

/// What became of a tip.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// When, and in which run.
    #[serde(flatten)]
    pub when: When,
    /// By what.
    pub why: String,
}

impl PursuedTip {
    /// Its name at a moment: one that was found changed before is not what it was.
    pub(super) fn name_at(&self, at_s: f64) -> String {
        let before = self.changed.iter().rev().find(|change| change.when.at_s <= at_s);
        before.map_or_else(
            || self.name.clone(),
            |change| format!("{} as changed {}", self.name, change.when.at),
        )
    }

    fn in_words(&self) -> Vec<String> {
        let shown = |known: Known| format!("best polarisation {}", rounded(known.value, known.error));
        let turned = |turn: &Change| format!("{} in {}: {}", turn.when.at, turn.when.run, turn.why);
        let mut words: Vec<String> = self.proved.iter().map(turned).collect();
        words.extend(self.polarisation.map(shown));
        words.extend((!self.done.is_empty()).then(|| self.done.clone()));
        words.extend(self.changed.iter().map(turned));
        words
    }
}

/// All tips that were in, in order.
pub(super) fn all(parts: &[&RunPart], logged: &Logged, days: &Days) -> Vec<PursuedTip> {
    let mut tips: Vec<PursuedTip> = Vec::new();
    let mut group = 0;
    for (i, part) in parts.iter().enumerate() {
        // A run that was not told of a tip may have another one.
        if i > 0 && !part.told {
            group = tips.len();
        }
        let Some(start_s) = part.started_s() else { continue };
        let end_s = start_s + part.end_s;
        let mut from_s = start_s;
        while from_s <= end_s {
            let Some(id) = logged.tip_at(from_s) else { break };
            let next = logged.whole.tips.iter().find(|tip| tip.id == id + 1).map(|tip| tip.from_s as f64);
            let to_s = next.filter(|next| *next > from_s).unwrap_or(f64::INFINITY).min(end_s);
            let known = tips[group..].iter().position(|tip| tip.id == id).map(|place| place + group);
            let place = known.unwrap_or_else(|| {
                tips.push(fresh(part, id, from_s, logged, days, &tips));
                tips.len() - 1
            });
            took_part(&mut tips[place], part, [from_s, to_s], logged, days);
            from_s = if to_s < end_s { to_s } else { f64::INFINITY };
        }
    }
    tips.retain(|tip| tip.spans.iter().any(|span| span[1] > span[0]));
    tips.iter_mut().for_each(|tip| tip.known = tip.in_words());
    tips
}

fn fresh(
    part: &RunPart,
    id: u64,
    from_s: f64,
    logged: &Logged,
    days: &Days,
    before: &[PursuedTip],
) -> PursuedTip {
    let again = before.iter().any(|tip| tip.id == id);
    let came = logged.whole.tips.iter().find(|tip| tip.id == id).map_or("", |tip| tip.came.as_str());
    let (name, came) = match again {
        true => (format!("tip {id}, or another"), format!("{} was not told of the tip before", part.name)),
        false => (format!("tip {id}"), came.to_owned()),
    };
    PursuedTip {
        name,
        id,
        came,
        spans: Vec::new(),
        from: days.when(from_s, &part.name),
        runs: Vec::new(),
        done: String::new(),
        polarisation: None,
        proved: None,
        changed: Vec::new(),
        known: Vec::new(),
    }
}

/// What a run tells of a tip in a time in which it was in, s since 1970.
fn took_part(tip: &mut PursuedTip, part: &RunPart, [from_s, to_s]: [f64; 2], logged: &Logged, days: &Days) {
    let [from, to] = [from_s, to_s].map(|at_s| days.when(at_s, &part.name));
    tip.spans.push([from.at_s, to.at_s]);
    if !tip.runs.contains(&part.name) {
        tip.runs.push(part.name.clone());
    }
    let start_s = part.started_s().unwrap_or(from_s);
    let within = |at_s: f64| (from_s..=to_s).contains(&(start_s + at_s));
    let events = logged.run(&part.name).map_or(&[][..], |run| &run.events);
    for event in events {
        let Event::Tested(test) = event else { continue };
        let shown = test
            .finding
            .polarisation
            .filter(|_| test.finding.verdict == TipVerdict::Contrast && test.centred);
        let Some([value, error]) = shown.filter(|_| within(test.at_s)) else { continue };
        if tip.polarisation.is_none_or(|best| value > best.value) {
            tip.polarisation = Some(Known { value, error });
        }
    }
    let mut done: Vec<(&str, u64)> = Vec::new();
    let all = part.touches.iter().filter(|(at_s, _)| within(*at_s));
    for (_, what) in all {
        match done.iter_mut().find(|(known, _)| known == what) {
            Some((_, times)) => *times += 1,
            None => done.push((what, 1)),
        }
    }
    if !done.is_empty() {
        let told: Vec<String> = done.iter().map(|(what, times)| times_of(what, *times)).collect();
        let told = format!("{} in {}", told.join(" and "), part.name);
        tip.done = if tip.done.is_empty() { told } else { format!("{}; {told}", tip.done) };
    }
    let own = logged.whole.events.iter().filter(|event| event.tip == tip.id && event.run == part.name);
    for event in own {
        let when = days.when(event.at_s as f64, &part.name);
        match event.what.as_str() {
            "proved" if tip.proved.is_none() => tip.proved = Some(Change { when, why: event.remark.clone() }),
            "lost" => tip.changed.push(Change { when, why: event.remark.clone() }),
            _ => {}
        }
    }
    let changes = part.changes.iter().filter(|(at_s, _)| within(*at_s));
    tip.changed.extend(changes.map(|(at_s, why)| Change { when: days.of(part, *at_s), why: why.clone() }));
    tip.changed.sort_by(|a, b| a.when.at_s.total_cmp(&b.when.at_s));
}

fn times_of(what: &str, times: u64) -> String {
    match what {
        "pick_up" => format!("{} lifted", count(times, "atom")),
        "put_down" => format!("{} put down", count(times, "atom")),
        "pulse" => count(times, "pulse"),
        other => format!("{other} {times} times"),
    }
}
