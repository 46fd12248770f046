//! What is going on, for other terminals and for the status page.

use crate::bench::Bench;
use crate::bench::expression::Readings;
use crate::drive::Outlook;
use crate::drive::RunTally;
use crate::history::Trip;
use crate::history::result::{GoalLine, QuestionLine, RunResult, Seen};
use crate::quantity::TimePoint;
use crate::supervisor::{PresentHold, Supervisor};
use serde::{Deserialize, Serialize};

/// A snapshot of a run.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Status {
    /// `running`, `held`, `parking`, `over`.
    pub state: String,
    /// The hold that is on or asked for: what it is for, how far it is, what it waits for.
    pub hold: Option<PresentHold>,
    /// Time since the run began, s.
    pub elapsed_s: f64,
    /// What could not be made safe yet, and is tried again.
    pub not_safe_yet: Option<String>,
    /// Time until the window ends, s.
    pub window_left_s: Option<f64>,
    /// What lies ahead: time left, helium.
    pub outlook: Option<Outlook>,
    /// The current step.
    pub step: Option<String>,
    /// Time in it, s.
    pub step_s: f64,
    /// Current sweep and its points so far.
    pub sweep: Option<(u64, u64)>,
    /// Points in all.
    pub points: u64,
    /// Sweeps that ended.
    pub sweeps: u64,
    /// Channels with their last value, printed in their unit.
    pub channels: Vec<ChannelNow>,
    /// Interlocks with their distance to tripping.
    pub interlocks: Vec<InterlockNow>,
    /// Interlocks that tripped.
    pub trips: Vec<Trip>,
    /// The result so far in one line, as brief and page have it.
    pub headline: String,
    /// How far each goal of the plan is.
    pub goals: Vec<GoalLine>,
    /// What was chosen last, for people.
    pub chosen: Option<String>,
    /// What the plan may use and has used.
    pub budget: Option<String>,
    /// What people were asked.
    pub questions: Vec<QuestionLine>,
    /// Last messages.
    pub messages: Vec<String>,
}

/// A channel now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelNow {
    /// Its name.
    pub name: String,
    /// Its value, printed.
    pub value: String,
    /// Its value, SI.
    pub si: f64,
    /// Age of the value, s.
    pub age_s: f64,
}

/// An interlock now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InterlockNow {
    /// Its name.
    pub name: String,
    /// What it does.
    pub action: String,
    /// Its condition.
    pub condition: String,
    /// Value and limit, SI, where the condition is one comparison.
    pub distance: Option<(f64, f64)>,
    /// Whether it is tripped.
    pub tripped: bool,
}

/// An operator's word over the control socket.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Request {
    /// What is going on?
    Status,
    /// Hold.
    Hold,
    /// Hold for a helium transfer.
    HoldForRefill,
    /// Go on.
    Release {
        /// Who says that people, tools and the transfer line are clear.
        clear_by: Option<String>,
    },
    /// A goal of the plan comes first.
    First {
        /// The goal.
        goal: String,
        /// Who says so.
        by: Option<String>,
    },
    /// A goal of the plan is not wanted any more.
    NotWanted {
        /// The goal.
        goal: String,
        /// Who says so.
        by: Option<String>,
    },
    /// An answer to a question of the plan.
    Answer {
        /// The name of the question.
        question: String,
        /// What is answered.
        says: String,
        /// Who answers.
        by: Option<String>,
    },
    /// Stop.
    Stop,
    /// End although the bench can't be made safe.
    LeaveAsIs,
}

/// Makes a snapshot.
pub fn snapshot(
    bench: &Bench,
    supervisor: &Supervisor,
    tally: &RunTally,
    now: TimePoint,
    window: Option<TimePoint>,
) -> Status {
    let step = tally.steps.iter().rev().find(|step| step.to_s.is_none());
    let latest = supervisor.latest();
    let channels = bench.ids().filter_map(|id| {
        let channel = bench.channel(id);
        let read = latest.latest(id).map(|value| (value, latest.age_s(id)));
        let sent = latest.sent(id).map(|(value, at)| (value, now.since(at)));
        // Whichever is younger: a reading from before the channel was set says nothing, and one that was
        // answered within a second after may still have been taken before.
        let (si, age_s) = match (read, sent) {
            (Some(read), Some(sent)) => {
                if sent.1 < read.1 + 1.0 {
                    sent
                } else {
                    read
                }
            }
            (read, sent) => read.or(sent)?,
        };
        Some(ChannelNow { name: channel.name.clone(), value: channel.show(si), si, age_s })
    });
    let interlocks = bench.interlocks.iter().enumerate().map(|(index, lock)| InterlockNow {
        name: lock.name.clone(),
        action: lock.action.name().to_owned(),
        condition: lock.trip.text.clone(),
        distance: lock.trip.distance(latest),
        tripped: supervisor.is_tripped(index),
    });
    let state = if supervisor.is_over() {
        "over"
    } else if tally.ending.is_some() {
        "parking"
    } else if supervisor.is_held() {
        "held"
    } else {
        "running"
    };
    let result = RunResult::of(tally, Some(bench), Seen::Answers);
    Status {
        state: state.to_owned(),
        hold: supervisor.present_hold().filter(|_| tally.ending.is_none()),
        elapsed_s: now.s(),
        not_safe_yet: supervisor.not_safe_yet().map(ToOwned::to_owned),
        window_left_s: window.map(|window| window.since(now)),
        outlook: None,
        step: step.map(|s| s.name.clone()),
        step_s: step.map_or(0.0, |s| now.s() - s.from_s),
        sweep: supervisor.sweep_progress(),
        points: tally.points,
        sweeps: tally.sweeps,
        channels: channels.collect(),
        interlocks: interlocks.collect(),
        trips: tally.trips.clone(),
        goals: result.goals,
        chosen: result.chosen,
        budget: result.budget,
        questions: result.questions,
        headline: result.headline,
        messages: Vec::new(),
    }
}
