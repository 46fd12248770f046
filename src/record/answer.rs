//! What a sequence is answered.

use super::{Earlier, Ending, Goals, SweepPlan, TipLife};
use crate::instrument::{InstrumentError, TaskReport};
use serde::{Deserialize, Deserializer, Serialize};
use std::ops::Range;
use std::sync::Arc;

/// An answer to a request.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// It is done.
    Done,
    /// A number, SI.
    Number(#[serde(deserialize_with = "number_or_none")] f64),
    /// Readings, SI.
    Numbers(#[serde(deserialize_with = "numbers_or_none")] Vec<f64>),
    /// A sweep; in a record it is told by its points.
    #[serde(skip)]
    Sweep(SweepData),
    /// A task has ended.
    Task(TaskReport),
    /// What the helium will be.
    HeliumOutlook(HeliumOutlook),
    /// A re-centring has ended.
    Centred(Centred),
    /// What is known of the tip.
    Tip {
        /// Its life.
        life: Box<TipLife>,
        /// Why it must not be touched, if it must not.
        guarded: Option<String>,
    },
    /// How far the goals of the plan are.
    Goals(Box<Goals>),
    /// What the sequence before in the queue has declared, if there was one.
    Earlier(Option<Earlier>),
}

/// A result as JSON without a word around it: the names of answers and of failures differ.
pub(super) mod either {
    use super::{Answer, Failure};
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(
        result: &Result<Answer, Failure>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        match result {
            Ok(answer) => answer.serialize(serializer),
            Err(failure) => failure.serialize(serializer),
        }
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Result<Answer, Failure>, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Either {
            Done(Answer),
            Failed(Failure),
        }
        Ok(match Either::deserialize(deserializer)? {
            Either::Done(answer) => Ok(answer),
            Either::Failed(failure) => Err(failure),
        })
    }
}

/// JSON has no form for what is no number.
fn numbers_or_none<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<f64>, D::Error> {
    let read = Vec::<Option<f64>>::deserialize(deserializer)?;
    Ok(read.into_iter().map(|number| number.unwrap_or(f64::NAN)).collect())
}

fn number_or_none<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    Ok(Option::<f64>::deserialize(deserializer)?.unwrap_or(f64::NAN))
}

/// Why something was not done.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Failure {
    /// An instrument failed.
    Instrument(InstrumentError),
    /// A limit or a permit forbids it; nothing was moved.
    Forbidden(String),
    /// The guard of the tip and of kept spins forbids it; nothing was moved.
    Guarded(String),
}

impl std::fmt::Display for Failure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Failure::Instrument(error) => error.fmt(f),
            Failure::Forbidden(reason) | Failure::Guarded(reason) => f.write_str(reason),
        }
    }
}

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq)]
pub enum Denial {
    /// An instrument failed; a sequence may catch this and try something else.
    Instrument(InstrumentError),
    /// A limit or a permit forbids it; nothing was moved. A sequence may catch this.
    Forbidden(String),
    /// The run is over. No sequence can catch this.
    Ended(Ending),
}

impl From<Failure> for Denial {
    fn from(failure: Failure) -> Self {
        match failure {
            Failure::Instrument(error) => Denial::Instrument(error),
            Failure::Forbidden(reason) | Failure::Guarded(reason) => Denial::Forbidden(reason),
        }
    }
}

/// What comes back for a call.
pub type Reply = Result<Answer, Denial>;

/// What was measured in a sweep: `read.len()` values for each point, in order.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepData {
    /// Its number in the run.
    pub sweep: u64,
    /// The plan.
    pub plan: Arc<SweepPlan>,
    /// Current that the height loop held when it began, A, where that is known.
    pub setpoint_a: Option<f64>,
    /// Points that were measured while an instrument may not have stood as it was told, or was read wrongly.
    pub doubtful: Doubtful,
    /// The readings, SI, point by point.
    pub values: Vec<f64>,
}

/// Numbers of doubtful points: stretches that rise and don't touch.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Doubtful(Vec<Range<u64>>);

impl Doubtful {
    /// Adds a stretch behind those that are known.
    pub fn push(&mut self, stretch: Range<u64>) {
        match self.0.last_mut() {
            _ if stretch.is_empty() => {}
            Some(last) if stretch.start <= last.end => last.end = last.end.max(stretch.end),
            _ => self.0.push(stretch),
        }
    }

    /// Adds the stretches of a piece whose first point has this number.
    pub fn append(&mut self, piece: &Self, first: u64) {
        piece.0.iter().for_each(|stretch| self.push(stretch.start + first..stretch.end + first));
    }

    /// How many points.
    pub fn count(&self) -> u64 {
        self.0.iter().map(|stretch| stretch.end - stretch.start).sum()
    }

    /// Whether a point is one of them.
    pub fn holds(&self, i: u64) -> bool {
        let behind = self.0.partition_point(|stretch| stretch.end <= i);
        self.0.get(behind).is_some_and(|stretch| stretch.contains(&i))
    }
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Centred {
    /// Whether the tip stands on the spot; if not, it stands where it was before.
    pub found: bool,
    /// Where the tip stands, m.
    pub x_m: f64,
    /// Where the tip stands, m.
    pub y_m: f64,
    /// How far it was moved, m.
    pub dx_m: f64,
    /// How far it was moved, m.
    pub dy_m: f64,
    /// Standard error of the place, m; 0 where it was not found.
    pub x_error_m: f64,
    /// Standard error of the place, m; 0 where it was not found.
    pub y_error_m: f64,
    /// Half the mean second derivative of the readings at the top, unit of the channel per m².
    pub curvature: f64,
    /// Whether it had to be searched for.
    pub searched: bool,
    /// One plain sentence.
    pub remark: String,
}

impl Centred {
    /// One line for people.
    pub fn title(&self) -> String {
        let show = |si: f64| {
            let digits = crate::quantity::significant(si, 3).parse().unwrap_or(si);
            crate::quantity::Quantity::new(digits, crate::quantity::Dimension::LENGTH)
        };
        if self.found {
            format!("re-centred by {} and {}", show(self.dx_m), show(self.dy_m))
        } else {
            format!("re-centring found no top here: {}", self.remark)
        }
    }
}

/// What the helium will be, with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct HeliumOutlook {
    /// Above the mark now, m³.
    pub left_m3: f64,
    /// Change of the level, m³/s; negative when it falls, 0 while it is not known.
    pub rate_m3_per_s: f64,
    /// Its standard error, m³/s.
    pub rate_error_m3_per_s: f64,
    /// Standard error of the mean level, m³.
    pub mean_error_m3: f64,
    /// Time from the middle of the readings until now, s.
    pub ahead_s: f64,
    /// Half width of the 95 % band in standard errors.
    pub quantile: f64,
    /// Readings that it rests on; 0 if it is the last level alone.
    pub readings: u64,
    /// Time that they span, s.
    pub over_s: f64,
}

impl HeliumOutlook {
    /// Above the mark after so long, m³: by the line, and the lower edge of its 95 % band.
    pub fn after(&self, seconds: f64) -> (f64, f64) {
        let by_line = self.left_m3 + self.rate_m3_per_s * seconds;
        let off = (self.ahead_s + seconds) * self.rate_error_m3_per_s;
        (by_line, by_line - self.quantile * self.mean_error_m3.hypot(off))
    }

    /// Whether it is a forecast, not just the last level.
    pub fn is_forecast(&self) -> bool {
        self.readings > 0
    }
}
